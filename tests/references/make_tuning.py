#!/usr/bin/env python3
"""Makes tuning.json, the reference designs of single loops.

Libraries: mpmath 1.4.1, 30 digits; python-control 0.10.2; NumPy 2.4.6, SciPy 1.17.1
(pip install mpmath==1.4.1 control==0.10.2 numpy==2.4.6 scipy==1.17.1).

- designs: gains from the definitions alone, not from any formula for the order. L(jw) = -e^(j margin) gives two gains
  for every order; the order is the root of Im(s L'(s)/L(s)), the phase's derivative by ln w, with L' by mpmath's
  numerical differentiation: scanned over the orders from 0 to 2, the sign changes with positive gains counted, the one
  found refined by mpmath's findroot. With both orders given the same three equations are linear in the gains.
  Each is verified by python-control's stability_margins on the loop as frequency response data: phase margin and
  crossover as specified, gain margin stored.
- refused: specifications whose design is unstable or crosses magnitude 1 several times: crossings counted on a dense
  grid, right half-plane poles by the turns of 1 + L on a dense grid along the Nyquist contour, small arc at zero
  included.
- overshoots: overshoot over five loop gains, of a design and of the integer PI of the same margin and crossover. The
  peak is looked for with a Fourier series (Dubner and Abate 1968) in NumPy and refined on mpmath's fixed Talbot
  inversion; there mpmath's inversion by de Hoog, Knight and Stokes must agree. With dead time D, up to t = 12 D both
  sum Q - Q^2 + Q^3 ... with every term shifted exactly; after that Q/(1 + Q) itself is inverted.
"""
import json
import pathlib
import sys

import control
import mpmath as mp
import numpy as np
import scipy

assert mp.__version__ == "1.4.1", mp.__version__
assert control.__version__ == "0.10.2", control.__version__
assert np.__version__ == "2.4.6", np.__version__
assert scipy.__version__ == "1.17.1", scipy.__version__
mp.mp.dps = 30
INF = float("inf")


def first(gain, time_constant, dead_time=0.0):
    return dict(dynamics="first", gain=gain, time_constant=time_constant, dead_time=dead_time)


def second(gain, natural_frequency, damping_ratio, dead_time=0.0):
    return dict(dynamics="second", gain=gain, natural_frequency=natural_frequency, damping_ratio=damping_ratio,
                dead_time=dead_time)


def integrating(gain, time_constant, dead_time=0.0):
    return dict(dynamics="integrating", gain=gain, time_constant=time_constant, dead_time=dead_time)


def lag(plant, s):
    """The joint without its dead time; for mpmath and NumPy alike."""
    if plant["dynamics"] == "first":
        return plant["gain"] / (plant["time_constant"] * s + 1)
    if plant["dynamics"] == "integrating":
        return plant["gain"] / (s * (plant["time_constant"] * s + 1))
    x = s / plant["natural_frequency"]
    return plant["gain"] / (x * x + 2 * plant["damping_ratio"] * x + 1)


def joint(plant, s, exp):
    return lag(plant, s) * exp(-plant["dead_time"] * s)


def exact(plant):
    return {k: v if isinstance(v, str) else mp.mpf(v) for k, v in plant.items()}


def roll_off(order):
    return 1 if order <= 1 else 2


def derivative(s, order, corner, power):
    part = power(s, order)
    return part if corner == INF else part / (s / corner + 1) ** roll_off(order)


def law(g, s, power):
    c = g["kp"] + 0 * s
    if g["ki"]:
        c = c + g["ki"] * power(s, -g["integral_order"])
    if g["kd"]:
        c = c + g["kd"] * derivative(s, g["derivative_order"], g["derivative_corner"], power)
    return c


# Plant, margin in deg, crossover in rad/s, form, delay of the sampled loop in s.
PI = dict(form="pi")
CASES = [
    # Gain 1, time constant 0.055 s: common practice, no source.
    (first(1.0, 0.055), 60, 10, PI, 0.0),
    (first(1.0, 0.055), 70, 5, PI, 0.0),
    (first(1.0, 0.055), 90, 12, PI, 0.0),
    (first(1.0, 0.055), 100, 30, PI, 0.0),
    (first(1.0, 0.055), 45, 40, PI, 0.0),
    (first(1.0, 0.055), 60, 10, PI, 0.0225),
    (first(1.3, 0.2, 0.03), 65, 4, PI, 0.0),
    (first(0.8, 0.2, 0.03), 55, 8, PI, 0.0075),
    (first(1.0, 0.5, 0.1), 50, 3, PI, 0.02),
    (first(2.5, 1.5), 120, 0.2, PI, 0.0),
    (integrating(2.0, 0.1), 50, 2, PI, 0.0),
    (integrating(2.0, 0.1, 0.02), 40, 4, PI, 0.0),
    (integrating(1.0, 0.0, 0.05), 60, 3, PI, 0.005),
    (second(1.1, 16.0, 0.9), 70, 5, PI, 0.0),
    (second(0.9, 20.0, 1.4, 0.02), 60, 6, PI, 0.01),
    (integrating(2.0, 0.4), 60, 6, dict(form="pd", corner=INF), 0.0),
    (integrating(1.0, 0.1, 0.01), 70, 12, dict(form="pd", corner=INF), 0.0),
    (integrating(1.0, 0.1, 0.01), 60, 12, dict(form="pd", corner=150.0), 0.005),
    (integrating(1.5, 0.5), 70, 8, dict(form="pd", corner=120.0), 0.0),
    (integrating(1.5, 0.5, 0.02), 75, 6, dict(form="pd", corner=120.0), 0.0),
    (second(1.0, 10.0, 0.5), 60, 25, dict(form="pd", corner=300.0), 0.0),
    (first(1.0, 0.055), 75, 20, dict(form="full", integral_order=1.0, derivative_order=0.8, corner=200.0), 0.0),
    (first(1.0, 0.3, 0.02), 75, 8, dict(form="full", integral_order=1.0, derivative_order=0.8, corner=100.0), 0.005),
    (second(1.0, 12.0, 0.6, 0.01), 60, 9, dict(form="full", integral_order=1.4, derivative_order=1.2, corner=150.0),
     0.0),
    (integrating(1.0, 0.2, 0.02), 40, 4, dict(form="full", integral_order=0.5, derivative_order=0.8, corner=80.0), 0.0),
]


def gains_of(kp=0, ki=0, kd=0, integral_order=1, derivative_order=1, corner=INF):
    return dict(kp=kp, ki=ki, kd=kd, integral_order=integral_order, derivative_order=derivative_order,
                derivative_corner=corner)


def design(plant, margin, w, form):
    """Gains at 30 digits; plant with all delays."""
    p = exact(plant)
    s = mp.mpc(0, w)
    g = joint(p, s, mp.exp)
    target = -mp.expj(mp.radians(margin)) / g
    # s G'(s)/G(s) at s = jw is the derivative of ln G by ln w.
    slope = s * mp.diff(lambda s: joint(p, s, mp.exp), s) / g
    if form["form"] == "full":
        lam, mu, corner = (mp.mpf(form[k]) for k in ("integral_order", "derivative_order", "corner"))
        parts = [lambda s: mp.mpc(1), lambda s: mp.power(s, -lam), lambda s: derivative(s, mu, corner, mp.power)]
        rows = [[f(s).real for f in parts], [f(s).imag for f in parts],
                [(s * mp.diff(f, s) / target).imag for f in parts]]
        kp, ki, kd = mp.lu_solve(mp.matrix(rows), mp.matrix([target.real, target.imag, -slope.imag]))
        return gains_of(kp, ki, kd, lam, mu, corner)
    pd = form["form"] == "pd"
    corner = mp.mpf(form.get("corner", INF))

    def part(s, order, n=None):
        if not pd:
            return mp.power(s, -order)
        return mp.power(s, order) if corner == INF else mp.power(s, order) / (s / corner + 1) ** (n or roll_off(order))

    def gains(order, n=None):
        k = target.imag / part(s, order, n).imag
        return target.real - k * part(s, order, n).real, k

    def flat(order, n=None):
        kp, k = gains(order, n)
        return (s * k * mp.diff(lambda s: part(s, order, n), s) / target + slope).imag

    found = []
    # Closer towards 2, where the root of small lags lies.
    grid = [mp.mpf(i) / 100 + mp.mpf("0.0005") for i in range(1, 199)] + [2 - mp.mpf(10) ** -k for k in range(2, 8)]
    for a, b in zip(grid, grid[1:]):
        if roll_off(a) != roll_off(b) and pd and corner != INF:
            continue
        kp, k = gains(b)
        if flat(a) * flat(b) < 0 and kp > 0 and k > 0:
            n = roll_off(a)
            order = mp.findroot(lambda x: flat(x, n), (a, b), solver="anderson")
            found.append(order)
    assert len(found) == 1, (plant, margin, w, form, found)
    kp, k = gains(found[0])
    if pd:
        return gains_of(kp=kp, kd=k, derivative_order=found[0], corner=corner)
    return gains_of(kp=kp, ki=k, integral_order=found[0])


def doubles(gains):
    return {k: float(v) for k, v in gains.items()}


def delayed(plant, extra):
    return {**plant, "dead_time": plant["dead_time"] + extra}


def open_loop(plant, g):
    return lambda s: law(g, s, np.power) * joint(plant, s, np.exp)


def verify(plant, g, margin, w):
    """Margins by python-control, from the loop as frequency response data."""
    def margins(low, high, points):
        omega = np.geomspace(low, high, points)
        data = control.frd(open_loop(plant, g)(1j * omega), omega, smooth=True)
        return control.stability_margins(data, returnall=True)

    gm, pm, _, w_pc, w_gc, _ = margins(w / 1000, w * 1000 if plant["dead_time"] == 0 else w * 40, 20_000)
    assert len(w_gc) == 1, (plant, g, w_gc)
    # Finer about the crossover.
    _, pm, _, _, w_gc, _ = margins(w / 2, w * 2, 4000)
    assert abs(w_gc[0] / w - 1) < 1e-6 and abs(pm[0] - margin) < 1e-6, (plant, g, w_gc, pm)
    gain_margin, at = None, None
    above = [(m, f) for m, f in zip(gm, w_pc) if 1 < m < 50]
    if above:
        _, at = min(above)
        fine, *_ , = margins(at / 1.1, at * 1.1, 4000)
        gain_margin = float(fine[0])
    return dict(phase_margin_deg=float(pm[0]), crossover=float(w_gc[0]), gain_margin=gain_margin)


def poles_and_crossings(plant, g):
    """Closed-loop poles in the right half-plane by the turns of 1 + L, and gain crossovers, on a dense grid."""
    omega = np.geomspace(1e-8, 1e7 if plant["dead_time"] == 0 else 1e4 / plant["dead_time"] / 10, 2_000_000)
    L = open_loop(plant, g)
    values = L(1j * omega)
    arc = L(1e-8 * np.exp(1j * np.linspace(0, np.pi / 2, 20_000)))
    along = np.unwrap(np.angle(np.concatenate([1 + arc, 1 + values])))
    turned = along[-1] - along[0]
    poles = -turned / np.pi
    assert abs(poles - round(poles)) < 0.02, poles
    crossings = int(np.count_nonzero(np.diff(np.sign(np.abs(values) - 1))))
    return int(round(poles)), crossings


REFUSED = [
    (first(1.0, 0.055), 115, 1.65 / 0.055, PI),
    (first(1.0, 0.055), 112, 1.65 / 0.055, PI),
    (first(1.0, 0.055), 118, 1.65 / 0.055, PI),
    (first(1.0, 0.055), 105, 2.75 / 0.055, PI),
    (first(1.0, 0.055), 102, 2.75 / 0.055, PI),
    (first(1.0, 0.055), 108, 2.75 / 0.055, PI),
    (first(1.0, 0.3, 0.1), 60, 12, PI),
    (first(1.0, 0.3, 0.1), 30, 14, PI),
    (first(1.0, 0.3, 0.1), 60, 5, PI),
    (second(1.0, 16.0, 0.05), 60, 4, PI),
    (second(1.0, 16.0, 0.1), 60, 10, PI),
    (integrating(1.0, 0.1, 0.3), 30, 3, PI),
]

FACTORS = [0.5, 0.7, 1.0, 1.4, 2.0]
# Where a fractional order pays and where it does not: w T of 0.25, 0.55, 1, 1.65 and 2.5, with dead time, integrating,
# and the margin of 90 deg that an integer PI meets with a flat phase of its own. At low w T no integer PI has as little
# as 60 deg.
OVERSHOOTS = [
    (first(1.0, 0.055), 80, 0.25 / 0.055),
    (first(1.0, 0.055), 65, 0.55 / 0.055),
    (first(1.0, 0.055), 60, 0.25 / 0.055),
    (first(1.0, 0.055), 60, 0.55 / 0.055),
    (first(1.0, 0.055), 70, 1.0 / 0.055),
    (first(1.0, 0.055), 70, 1.65 / 0.055),
    (first(1.0, 0.055), 75, 2.5 / 0.055),
    (first(1.0, 0.055), 90, 10.0),
    (first(1.0, 0.3, 0.03), 60, 1.5),
    (first(1.0, 0.3, 0.03), 65, 2.5),
    (integrating(2.0, 0.1), 50, 2.0),
]


def integer_pi(plant, margin, w):
    p = exact(plant)
    target = -mp.expj(mp.radians(margin)) / joint(p, mp.mpc(0, w), mp.exp)
    return gains_of(kp=target.real, ki=-target.imag * w)


def peak(plant, g, w):
    """Highest value of the step response and when, by two inversions at 30 digits."""
    p = exact(plant)
    delay = p["dead_time"]

    def undelayed(s):
        return law(g, s, mp.power) * lag(p, s)

    def value(t, method):
        how = dict(method=method, degree={"talbot": 40, "dehoog": 60}[method])
        if delay and t <= 12 * delay:
            total = mp.mpf(0)
            for n in range(1, 13):
                if t > n * delay:
                    part = mp.invertlaplace(lambda s: undelayed(s) ** n / s, t - n * delay, **how)
                    total += part if n % 2 else -part
            return total
        # 1/(1 + 1/Q): Q itself is huge where e^(-s D) is.
        return mp.invertlaplace(lambda s: 1 / (1 + mp.exp(s * delay) / undelayed(s)) / s, t, **how)

    # The series: half period 2 t_end.
    end = 60 / w
    k = np.arange(60_000)
    s = (7 + 1j * np.pi * k) / (2 * end)
    q = open_loop(plant, doubles(g))(s)
    f = q / (1 + q) / s
    f[0] /= 2
    times = np.linspace(end / 400, end, 400)
    series = np.array([np.exp(7 * t / (2 * end)) / (2 * end) * (f * np.exp(1j * np.pi * t / (2 * end) * k)).real.sum()
                       for t in times])
    at = int(series.argmax())
    if series[at] < 1 + 1e-5 or at == len(times) - 1:
        assert series.max() < 1 + 1e-3, series.max()
        return 0.0, None, 0.0
    a, b = mp.mpf(times[max(at - 1, 0)]), mp.mpf(times[at + 1])
    for _ in range(16):
        c, d = a + (b - a) / 3, b - (b - a) / 3
        if value(c, "talbot") < value(d, "talbot"):
            a = c
        else:
            b = d
    t = (a + b) / 2
    high = value(t, "talbot")
    check = value(t, "dehoog")
    return float(100 * (high - 1)), float(t), float(abs(high - check) * 100)


def main():
    designs = []
    for plant, margin, w, form, extra in CASES:
        whole = delayed(plant, extra)
        g = design(whole, margin, w, form)
        assert g["kp"] > 0, g
        poles, crossings = poles_and_crossings(whole, doubles(g))
        assert (poles, crossings) == (0, 1), (plant, margin, w, form, poles, crossings)
        row = dict(plant=plant, delay=extra, phase_margin_deg=margin, crossover=w, **form, gains=doubles(g),
                   control=verify(whole, doubles(g), margin, w))
        print(row, flush=True)
        designs.append(row)
    refused = []
    for plant, margin, w, form in REFUSED:
        lag_there = -mp.arg(joint(exact({**plant, "dead_time": 0}), mp.mpc(0, w), mp.exp)) + w * plant["dead_time"]
        if mp.pi - mp.radians(margin) - lag_there <= 0:
            row = dict(plant=plant, phase_margin_deg=margin, crossover=w, outcome="lag",
                       most_deg=float(mp.degrees(mp.pi - lag_there)))
        else:
            g = doubles(design(plant, margin, w, form))
            poles, crossings = poles_and_crossings(plant, g)
            outcome = "unstable" if poles else "several" if crossings > 1 else "sound"
            row = dict(plant=plant, phase_margin_deg=margin, crossover=w, outcome=outcome, poles=poles,
                       crossings=crossings)
        print(row, flush=True)
        refused.append(row)
    overshoots, worst = [], 0.0
    for plant, margin, w in OVERSHOOTS:
        row = dict(plant=plant, phase_margin_deg=margin, crossover=w)
        for name, g in (("fractional", design(plant, margin, w, PI)), ("integer", integer_pi(plant, margin, w))):
            if g["kp"] < 0:
                continue
            values = []
            for factor in FACTORS:
                scaled = {**g, "kp": g["kp"] * mp.mpf(factor), "ki": g["ki"] * mp.mpf(factor)}
                percent, at, apart = peak(plant, scaled, w * factor)
                worst = max(worst, apart)
                values.append(dict(factor=factor, percent=percent, at=at))
            row[name] = values
            print(plant, margin, w, name, [(v["percent"], v["at"]) for v in values], worst, flush=True)
        overshoots.append(row)
    assert worst < 1e-4, worst
    tables = dict(
        made_with=f"Python {sys.version.split()[0]}, mpmath {mp.__version__} with {mp.mp.dps} digits, python-control "
                  f"{control.__version__}, NumPy {np.__version__}, SciPy {scipy.__version__}",
        inversions_apart_points=worst, designs=designs, refused=refused, overshoots=overshoots)
    # JSON has no infinity: no corner means no roll-off.
    text = json.dumps(tables, indent=1).replace("Infinity", "null")
    (pathlib.Path(__file__).parent / "tuning.json").write_text(text + "\n")


if __name__ == "__main__":
    main()

#!/usr/bin/env python3
"""Makes fractional.json, the reference tables of the fractional operators and of closed loops with them.

Libraries: mpmath 1.4.1, 30 digits throughout; NumPy 2.4.6 for the second inversion of the loops
(pip install mpmath==1.4.1 numpy==2.4.6).

- powers: (j w)^-order, principal branch.
- steps: t^order / Gamma(1 + order), the step response of s^-order (Podlubny 1999, "Fractional Differential
  Equations", section 2.2.3; from memory).
- derivatives: (j w)^order / (j w/corner + 1)^roll_off.
- ramps: response of that operator to a unit ramp, inverse Laplace transform of s^(order-2)/(s/corner+1)^roll_off
  by fixed Talbot and by de Hoog, Knight and Stokes; both must agree.
- loops: unit step response of a unity feedback loop round a first-order plant with dead time.
  With the open loop Q(s) = C(s) K e^(-D s)/(T s + 1) and D = dead time + dt/2 (the delay of a zero-order hold), the
  closed loop is Q/(1 + Q) = Q - Q^2 + Q^3 - ..., whose term n is zero before t = n D.
  First method (stored): up to t = 12 D that finite sum, each term without its dead time inverted by mpmath's fixed
  Talbot and shifted exactly; after that Q/(1 + Q) by fixed Talbot (the poles left outside its contour are those of
  the delay chain, which have died down by then).
  Second method (check): three terms of that sum, and the rest, Q^4/(1 + Q), by the Fourier series of Dubner and Abate
  1968 ("Numerical inversion of Laplace transforms by relating them to the finite Fourier cosine transform").
  Sample k of the sampled loop belongs to t = (k + 1/2) dt of the continuous one (the reference step lies half an
  interval before sample 0).
"""
import json
import pathlib

import mpmath as mp
import numpy as np

assert mp.__version__ == "1.4.1", mp.__version__
assert np.__version__ == "2.4.6", np.__version__
mp.mp.dps = 30

ORDERS = [mp.mpf(i) / 10 for i in range(1, 20)]
SAMPLE_TIMES = [mp.mpf(1) / n for n in (100, 200, 500, 1000)]


def number(x):
    return float(x)


def powers():
    rows = []
    for dt in SAMPLE_TIMES:
        for order in ORDERS:
            for k in range(13):
                w = mp.mpf(float(mp.mpf("0.3") / dt * mp.power(10, -mp.mpf(k) / 4)))
                h = mp.power(mp.mpc(0, w), -order)
                rows.append([number(dt), number(order), number(w), number(h.real), number(h.imag)])
    return rows


def steps():
    rows = []
    for dt in SAMPLE_TIMES:
        last = 100
        for order in ORDERS:
            for i in range(13):
                t = mp.mpf("0.1") * mp.power(last / mp.mpf("0.1"), mp.mpf(i) / 12)
                k = int(mp.ceil(t / dt - mp.mpf(1) / 2))
                t = (k + mp.mpf(1) / 2) * dt
                rows.append([number(dt), number(order), k, number(mp.power(t, order) / mp.gamma(1 + order))])
    return rows


def derivatives():
    rows = []
    for dt in SAMPLE_TIMES:
        for order in ORDERS:
            for roll_off in (1, 2):
                if roll_off < order:
                    continue
                for fraction in (mp.mpf("0.05"), mp.mpf("0.5"), mp.mpf(2)):
                    corner = mp.mpf(float(fraction / dt))
                    for k in range(7):
                        w = mp.mpf(float(mp.mpf("0.1") / dt * mp.power(10, -mp.mpf(k) / 2)))
                        s = mp.mpc(0, w)
                        h = mp.power(s, order) / (s / corner + 1) ** roll_off
                        rows.append([number(dt), number(order), number(corner), roll_off, number(w),
                                     number(h.real), number(h.imag)])
    return rows


def ramps():
    rows, worst = [], mp.mpf(0)
    dt = mp.mpf(1) / 200
    for order, corner, roll_off in ((0.3, 30, 1), (0.5, 30, 2), (0.8, 60, 1), (1.0, 30, 1), (1.2, 40, 2), (1.7, 40, 2)):
        def f(s):
            return mp.power(s, mp.mpf(order) - 2) / (s / corner + 1) ** roll_off
        for k in (20, 40, 60, 100, 400, 2000):
            t = k * dt
            a = mp.invertlaplace(f, t, method="talbot", degree=40)
            b = mp.invertlaplace(f, t, method="dehoog", degree=40)
            worst = max(worst, abs(a - b) / abs(a))
            rows.append([number(dt), order, corner, roll_off, k, number(a)])
    print("ramps: two inversions agree within", mp.nstr(worst, 3), "relative")
    assert worst < mp.mpf("1e-9")
    return rows


LOOPS = [
    # Orders below and above 1, with and without dead time, and two with a filtered derivative.
    dict(dt=0.005, gain=1.0, time_constant=0.8, delay_samples=0, kp=1.6, ki=2.2, integral_order=0.7),
    dict(dt=0.001, gain=1.0, time_constant=0.8, delay_samples=0, kp=2.0, ki=3.0, integral_order=1.3),
    dict(dt=0.005, gain=0.95, time_constant=0.6, delay_samples=20, kp=0.9, ki=1.5, integral_order=0.85),
    dict(dt=0.002, gain=1.05, time_constant=0.5, delay_samples=30, kp=1.3, ki=1.8, integral_order=1.2),
    dict(dt=0.005, gain=1.0, time_constant=0.7, delay_samples=10, kp=1.4, ki=2.5, integral_order=0.8,
         kd=0.15, derivative_order=0.6, corner=40.0, roll_off=1),
    dict(dt=0.01, gain=1.0, time_constant=0.9, delay_samples=0, kp=1.2, ki=1.6, integral_order=0.6),
    dict(dt=0.002, gain=1.0, time_constant=0.7, delay_samples=25, kp=1.5, ki=2.0, integral_order=1.1,
         kd=0.03, derivative_order=1.3, corner=60.0, roll_off=2),
]


def loops():
    out, worst = [], 0.0
    for loop in LOOPS:
        m = {k: mp.mpf(v) for k, v in loop.items()}
        delay = (m["delay_samples"] + mp.mpf(1) / 2) * m["dt"]

        def undelayed(s, m, power):
            c = m["kp"] + m["ki"] * power(s, -m["integral_order"])
            if "kd" in m:
                c += m["kd"] * power(s, m["derivative_order"]) / (s / m["corner"] + 1) ** int(m["roll_off"])
            return c * m["gain"] / (m["time_constant"] * s + 1)

        def closed(s):
            q = undelayed(s, m, mp.power) * mp.exp(-delay * s)
            return q / (1 + q) / s

        def partial(t, terms):
            total = mp.mpf(0)
            for n in range(1, terms + 1):
                if t > n * delay:
                    part = mp.invertlaplace(lambda s: undelayed(s, m, mp.power) ** n / s, t - n * delay,
                                            method="talbot", degree=40)
                    total += part if n % 2 else -part
            return total

        def first_method(t):
            if t <= 12 * delay:
                return partial(t, 12)
            return mp.invertlaplace(closed, t, method="talbot", degree=40)

        def second_method(t):
            total = float(partial(t, 3))
            if t <= 4 * delay:
                return total
            # Half period 2 t: what lies a period later is damped by e^(-48); rounding is raised by e^12.
            t, d = float(t), float(delay)
            k = np.arange(400_000)
            s = 12 / t + 0.5j * np.pi / t * k
            q = undelayed(s, loop, np.power) * np.exp(-d * s)
            terms = (q**4 / (1 + q) / s * np.array([1, 1j, -1, -1j])[k % 4]).real
            return total - np.exp(12.0) / (2 * t) * (terms.sum() - terms[0] / 2)

        rows, here = [], 0.0
        # Evenly over the first two seconds, where it moves, then ever sparser to 30 s.
        times = [mp.mpf(i) / 20 for i in range(1, 41)] + [2 * mp.power(15, mp.mpf(i) / 16) for i in range(1, 17)]
        for t in times:
            k = int(mp.nint(t / m["dt"]))
            t = (k + mp.mpf(1) / 2) * m["dt"]
            y = first_method(t)
            here = max(here, abs(float(y) - second_method(t)))
            rows.append([k, number(y)])
        print("loop", loop, "two inversions agree within", here, "last", rows[-1], "peak", max(r[1] for r in rows), flush=True)
        worst = max(worst, here)
        out.append({**loop, "response": rows})
    assert worst < 1e-8, worst
    return out


def main():
    tables = {
        "library": f"mpmath {mp.__version__}, {mp.mp.dps} digits; NumPy {np.__version__}",
        "powers": powers(),
        "steps": steps(),
        "derivatives": derivatives(),
        "ramps": ramps(),
        "loops": loops(),
    }
    path = pathlib.Path(__file__).with_name("fractional.json")
    body = ",\n".join(
        f' "{key}": ' + (json.dumps(value) if isinstance(value, str) else
                         "[\n" + ",\n".join("  " + json.dumps(row) for row in value) + "\n ]")
        for key, value in tables.items())
    path.write_text("{\n" + body + "\n}\n")


if __name__ == "__main__":
    main()

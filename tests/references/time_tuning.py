#!/usr/bin/env python3
"""Times Withy's designs against the same work in NumPy and SciPy, in one run on one machine, and prints the ratios.

Libraries: NumPy 2.4.6, SciPy 1.17.1 (pip install numpy==2.4.6 scipy==1.17.1). Needs cargo.
- root: SciPy's brentq on the same equation (its default tolerances, and to 1e-15), between the same ends.
- whole design: root, gains, all gain crossovers (a grid of 600 frequencies, every sign change refined by brentq),
  margins, and the closed-loop poles in the right half-plane from the unwrapped phase of 1 + L on the same grid.
"""
import math
import pathlib
import re
import statistics
import subprocess
import time

import numpy as np
import scipy
from scipy.optimize import brentq

ROOT = pathlib.Path(__file__).resolve().parents[2]


def median(run, count, batches=31):
    times = []
    for _ in range(batches):
        start = time.perf_counter()
        for _ in range(count):
            run()
        times.append((time.perf_counter() - start) / count * 1e6)
    return statistics.median(times)


def root(phi, fall, **tolerance):
    sine, cosine = math.sin(phi), math.cos(phi)

    def equation(nu):
        return nu * sine * (cosine - sine / math.tan(nu * math.pi / 2)) - fall

    # The equation has a pole at 2 and is negative at the lower end.
    return brentq(equation, 2 * phi / math.pi, 2 - 1e-9, **tolerance)


class First:
    def __init__(self, gain, time_constant, dead_time):
        self.k, self.t, self.dead_time = gain, time_constant, dead_time

    def response(self, w):
        return self.k * np.exp(-1j * w * self.dead_time) / (1j * w * self.t + 1)

    def magnitude(self, w):
        return self.k / math.hypot(w * self.t, 1)

    def phase(self, w):
        return -math.atan(w * self.t) - w * self.dead_time

    def fall(self, w):
        x = w * self.t
        return x / (1 + x * x) + w * self.dead_time


class Integrating(First):
    def response(self, w):
        return super().response(w) / (1j * w)

    def magnitude(self, w):
        return super().magnitude(w) / w

    def phase(self, w):
        return super().phase(w) - math.pi / 2


class Second:
    def __init__(self, gain, natural_frequency, damping_ratio, dead_time):
        self.k, self.w, self.z, self.dead_time = gain, natural_frequency, damping_ratio, dead_time

    def response(self, w):
        x = w / self.w
        return self.k * np.exp(-1j * w * self.dead_time) / (1 - x * x + 2j * self.z * x)

    def magnitude(self, w):
        x = w / self.w
        return self.k / math.hypot(1 - x * x, 2 * self.z * x)

    def phase(self, w):
        x = w / self.w
        return -math.atan2(2 * self.z * x, 1 - x * x) - w * self.dead_time

    def fall(self, w):
        x, z = w / self.w, self.z
        return 2 * z * x * (1 + x * x) / ((1 - x * x) ** 2 + (2 * z * x) ** 2) + w * self.dead_time


def roll_off(order):
    return 1 if order <= 1 else 2


def pi(plant, margin, w):
    phi = math.pi - margin + plant.phase(w)
    nu = root(phi, plant.fall(w))
    alpha = nu * math.pi / 2
    scale = 1 / plant.magnitude(w) / math.sin(alpha)
    kp, ki = scale * math.sin(alpha - phi), scale * math.sin(phi) * w**nu
    return (kp, ki, nu), lambda w: kp + ki * (1j * w) ** -nu, nu


def pd(plant, margin, w, corner):
    phi = margin - math.pi - plant.phase(w)
    x, fall = w / corner, plant.fall(w)

    def angle(nu):
        return nu * math.pi / 2 - roll_off(nu) * math.atan(x)

    def equation(nu):
        n, a = roll_off(nu), angle(nu)
        rise, turn = nu - n * x * x / (1 + x * x), -n * x / (1 + x * x)
        return math.sin(phi) * (rise * math.sin(a - phi) + turn * math.cos(a - phi)) - fall * math.sin(a)

    low = 2 / math.pi * (phi + math.atan(x))
    ends = (low, 1.0) if low < 1 and equation(1.0) >= 0 else (1 + 1e-12, 2 - 1e-9)
    nu = brentq(equation, *ends)
    n, a = roll_off(nu), angle(nu)
    scale = 1 / plant.magnitude(w) / math.sin(a)
    kp, kd = scale * math.sin(a - phi), scale * math.sin(phi) / (w**nu / math.hypot(x, 1) ** n)
    return (kp, kd, nu), lambda w: kp + kd * (1j * w) ** nu / (1j * w / corner + 1) ** n, 0


def pid(plant, margin, w, orders, corner):
    lam, mu = orders
    n, s = roll_off(mu), 1j * w
    phase = margin - math.pi - plant.phase(w)
    target = np.exp(1j * phase) / plant.magnitude(w)
    x, y = s**-lam, s**mu / (s / corner + 1) ** n
    slope = mu - n * (s / corner) / (s / corner + 1)
    rows = [[1, x.real, y.real], [0, x.imag, y.imag], [0, (-lam * x / target).imag, (slope * y / target).imag]]
    kp, ki, kd = np.linalg.solve(rows, [target.real, target.imag, plant.fall(w)])

    def law(w):
        s = 1j * w
        return kp + ki * s**-lam + kd * s**mu / (s / corner + 1) ** n

    return (kp, ki, kd), law, lam


def design(plant, margin, w, method, *extra):
    gains, law, order = method(plant, margin, w, *extra)
    if isinstance(plant, Integrating):
        order += 1

    def loop(w):
        return law(w) * plant.response(w)

    grid = np.geomspace(w / 1000, w * 1000, 600)
    values = loop(grid)
    size = np.abs(values) - 1
    places = np.flatnonzero(np.diff(np.sign(size)))
    crossovers = [brentq(lambda v: abs(loop(v)) - 1, grid[i], grid[i + 1]) for i in places]
    margins = [math.pi + np.angle(loop(v)) for v in crossovers]
    argument = np.unwrap(np.angle(1 + values))
    # The turns from the small arc at zero, where 1 + L points by -order pi/2, to the end, where it is 1.
    poles = round((order * math.pi / 2 - argument[-1] + argument[0]) / math.pi)
    return gains, crossovers, margins, poles


def main():
    print(f"NumPy {np.__version__}, SciPy {scipy.__version__}")
    command = ["cargo", "bench", "--no-default-features", "--bench", "tuning"]
    ours = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout
    print(ours)
    phi, fall, our_root = (float(x) for x in re.search(r"root phi (\S+) fall (\S+): (\S+) us", ours).groups())
    usual = median(lambda: root(phi, fall), 200)
    tight = median(lambda: root(phi, fall, xtol=1e-15, rtol=4 * np.finfo(float).eps), 200)
    print(f"root: Withy {our_root:.3f} us, brentq {usual:.2f} us, to 1e-15 {tight:.2f} us: 1/{usual / our_root:.0f}")
    # The joints, the delays and the specifications of the bench.
    jobs = {
        "first order, PI": (First(1.0, 0.055, 0.015), 60, 10.0, pi),
        "second order, PI": (Second(1.0, 16.0, 0.4, 0.015), 60, 4.0, pi),
        "integrating, PD": (Integrating(2.0, 0.4, 0.015), 60, 6.0, pd, 150.0),
        "first order, PID": (First(1.0, 0.055, 0.015), 75, 10.0, pid, (1.0, 0.8), 150.0),
    }
    for name, (plant, margin, w, *rest) in jobs.items():
        ours_here, *gains = re.search(rf"design, {name}: (\S+) us, gains (\S+) (\S+) (\S+)", ours).groups()
        theirs, crossovers, _, poles = design(plant, math.radians(margin), w, *rest)
        # The same design: the gains that are not zero, in order, without the order found.
        found = [float(g) for g in gains if float(g) != 0.0]
        assert np.allclose(found, theirs[:len(found)], rtol=1e-7), (name, found, theirs)
        assert len(crossovers) == 1 and poles == 0, (name, crossovers, poles)
        whole = median(lambda: design(plant, math.radians(margin), w, *rest), 5)
        print(f"design, {name}: Withy {float(ours_here):.3f} us, NumPy and SciPy {whole:.0f} us: "
              f"{whole / float(ours_here):.0f} times faster")


if __name__ == "__main__":
    main()

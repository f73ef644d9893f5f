#!/usr/bin/env python3
"""Times Withy's designs against the same work in NumPy and SciPy, in one run on one machine, and prints the ratios.

Libraries: NumPy 2.4.6, SciPy 1.17.1 (pip install numpy==2.4.6 scipy==1.17.1). Needs cargo.
- root: SciPy's brentq on the same equation (its default tolerances, and to 1e-15), between the same ends.
- whole design: root, gains, all gain crossovers (a grid of 600 frequencies, every sign change refined by brentq), margins, and
  the closed-loop poles in the right half-plane from the unwrapped phase of 1 + L on the same grid.
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


def design(gain, time_constant, dead_time, margin, w):
    x = w * time_constant
    psi = -math.atan(x) - w * dead_time
    phi = math.pi - margin + psi
    nu = root(phi, x / (1 + x * x) + w * dead_time)
    alpha = nu * math.pi / 2
    scale = math.hypot(x, 1) / gain / math.sin(alpha)
    kp, ki = scale * math.sin(alpha - phi), scale * math.sin(phi) * w**nu

    def loop(w):
        return (kp + ki * (1j * w) ** -nu) * gain * np.exp(-1j * w * dead_time) / (1j * w * time_constant + 1)

    grid = np.geomspace(w / 1000, w * 1000, 600)
    values = loop(grid)
    size = np.abs(values) - 1
    places = np.flatnonzero(np.diff(np.sign(size)))
    crossovers = [brentq(lambda v: abs(loop(v)) - 1, grid[i], grid[i + 1]) for i in places]
    margins = [math.pi + np.angle(loop(v)) for v in crossovers]
    argument = np.unwrap(np.angle(1 + values))
    poles = -(argument[-1] - argument[0] - nu * math.pi / 2) / math.pi
    return kp, ki, nu, crossovers, margins, poles


def main():
    print(f"NumPy {np.__version__}, SciPy {scipy.__version__}")
    command = ["cargo", "bench", "--no-default-features", "--bench", "tuning"]
    ours = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout
    print(ours)
    phi, fall, our_root = (float(x) for x in re.search(r"root phi (\S+) fall (\S+): (\S+) us", ours).groups())
    our_design = float(re.search(r"design, first order, PI: (\S+) us", ours).group(1))
    slowest = max(float(x) for x in re.findall(r"design, .*: (\S+) us", ours))
    usual = median(lambda: root(phi, fall), 200)
    tight = median(lambda: root(phi, fall, xtol=1e-15, rtol=4 * np.finfo(float).eps), 200)
    print(f"root: Withy {our_root:.3f} us, brentq {usual:.2f} us, to 1e-15 {tight:.2f} us: 1/{usual / our_root:.0f}")
    # The joint, the delays and the specification of the bench.
    whole = median(lambda: design(1.0, 0.055, 0.015, math.radians(60), 10.0), 5)
    print(f"whole design: Withy {our_design:.3f} us, NumPy and SciPy {whole:.0f} us: {whole / our_design:.0f} times faster; "
          f"the slowest of Withy's designs, {slowest:.1f} us: {whole / slowest:.0f} times")


if __name__ == "__main__":
    main()

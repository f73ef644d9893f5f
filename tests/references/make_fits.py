"""Makes fits.json, the references of tests/design/fit.rs.

    python3 tests/references/make_fits.py > tests/references/fits.json

Made with Python 3.11, NumPy 2.4.6, SciPy 1.17.1, statsmodels 0.15.0. Records are not stored: both sides draw them from the same
seeds (SplitMix64, Box and Muller). Their responses are made here by superposition of step responses in closed form, and those
of the table "responses" by numerical integration (DOP853); the fits by scipy.optimize.least_squares from the true parameters; the
Cramer-Rao bounds from central differences of the step responses. Everything random is invented.
"""

import json
import math
import sys

import numpy as np
import scipy
import statsmodels
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares
from scipy.stats import chi2, t as student
from statsmodels.stats.diagnostic import acorr_ljungbox
from statsmodels.tools.eval_measures import aicc, bic

MASK = (1 << 64) - 1


class Random:
    """SplitMix64 (Steele, Lea and Flood 2014), normal deviates by Box and Muller."""

    def __init__(self, seed):
        self.state = seed
        self.spare = None

    def next(self):
        self.state = (self.state + 0x9E3779B97F4A7C15) & MASK
        z = self.state
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & MASK
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & MASK
        return z ^ (z >> 31)

    def unit(self):
        return ((self.next() >> 11) + 0.5) / (1 << 53)

    def normal(self):
        if self.spare is not None:
            spare, self.spare = self.spare, None
            return spare
        radius = math.sqrt(-2 * math.log(self.unit()))
        angle = 2 * math.pi * self.unit()
        self.spare = radius * math.sin(angle)
        return radius * math.cos(angle)


# Names, true parameters [gain, offset, dynamics, dead time], noise, period s, samples.
CASES = [
    ("first", [0.94, 0.01, 0.055, 0.0173], 0.004, 0.005, 600),
    ("second", [1.02, -0.02, 16.8, 0.14, 0.021], 0.004, 0.012, 600),
    ("second", [0.9, 0.005, 30.0, 1.5, 0.02], 0.0006, 0.005, 600),
    ("integrating", [0.9, 0.03, 0.06, 0.02], 0.002, 0.006, 600),
]
# Where the input changes, as a share of the record, and to what, rad or rad/s.
MOVES = [(0.1, 0.2), (0.35, 0.0), (0.55, -0.25), (0.8, 0.0)]


def design(case, index):
    """Unequal sample times and the input at them."""
    _, _, _, period, samples = case
    random = Random(7000 + index)
    times = np.array([period * (i + 0.7 * random.unit()) for i in range(samples)])
    value = np.zeros(samples)
    for share, to in MOVES:
        value[int(share * samples) :] = to
    return times, value


def step(name, shape, t):
    """Response of unit gain to a unit step at 0, closed forms."""
    t = np.maximum(t, 0.0)
    if name == "first":
        return -np.expm1(-t / shape[0])
    if name == "integrating":
        return t + shape[0] * np.expm1(-t / shape[0])
    w, z = shape
    root = np.sqrt(complex(z * z - 1))
    p, q = w * (-z + root), w * (-z - root)
    return (1 + (q * np.exp(p * t) - p * np.exp(q * t)) / (p - q)).real


def response(name, x, times, value):
    y = np.full(len(times), x[1])
    for k in range(1, len(times)):
        if value[k] != value[k - 1]:
            y += x[0] * (value[k] - value[k - 1]) * step(name, x[2:-1], times - x[-1] - times[k])
    return y


def noisy(case, index, seed):
    name, x, noise, _, _ = case
    times, value = design(case, index)
    random = Random(seed)
    y = response(name, x, times, value)
    return times, value, y + noise * np.array([random.normal() for _ in times])


def jacobian(name, x, times, value):
    columns = []
    for k, v in enumerate(x):
        h = 1e-6 * max(abs(v), 0.01)
        more, less = list(x), list(x)
        more[k] += h
        less[k] -= h
        columns.append((response(name, more, times, value) - response(name, less, times, value)) / (2 * h))
    return np.array(columns).T


def bound(case, index):
    name, x, noise, _, _ = case
    j = jacobian(name, x, *design(case, index))
    return list(noise * np.sqrt(np.diag(np.linalg.inv(j.T @ j))))


def fitted(case, index, seed):
    name, truth, _, _, _ = case
    times, value, y = noisy(case, index, seed)
    # The sum of squares bends where a sample passes a step: from several dead times, the best counts.
    best = None
    for late in np.linspace(-0.006, 0.006, 9):
        start = [*truth[:-1], truth[-1] + late]
        done = least_squares(
            lambda x: response(name, x, times, value) - y,
            start,
            x_scale=[1, 0.1] + [abs(v) for v in truth[2:]],
            xtol=1e-15,
            ftol=1e-15,
            gtol=1e-15,
            max_nfev=400,
        )
        if best is None or done.cost < best.cost:
            best = done
    j = jacobian(name, best.x, times, value)
    rss = 2 * best.cost
    s2 = rss / (len(y) - len(truth))
    return {
        "seed": seed,
        "parameters": list(best.x),
        "errors": list(np.sqrt(np.diag(s2 * np.linalg.inv(j.T @ j)))),
        "rss": rss,
    }


def integrated():
    """Responses to an input of straight lines, or of levels, by numerical integration."""
    made = []
    random = Random(99)
    for name, shape in [
        ("first", [0.07]),
        ("second", [16.8, 0.14]),
        ("second", [25.0, 1.0]),
        ("second", [30.0, 2.5]),
        ("integrating", [0.08]),
    ]:
        for hold in ("constant", "linear"):
            times = np.cumsum([0.01 + 0.04 * random.unit() for _ in range(40)])
            value = np.cumsum([0.1 * (random.unit() - 0.5) for _ in range(40)])
            late = 0.0137

            def right(t, s, i):
                u = value[i]
                if hold == "linear" and i + 1 < len(times):
                    u += (value[i + 1] - value[i]) / (times[i + 1] - times[i]) * (t - times[i])
                if name == "first":
                    return [(u - s[0]) / shape[0], 0.0]
                if name == "integrating":
                    return [s[1], (u - s[1]) / shape[0]]
                w, z = shape
                return [s[1], w * w * (u - s[0]) - 2 * z * w * s[1]]

            state = [0.0, value[0]] if name == "integrating" else [value[0], 0.0]
            start = state
            out = []
            for t in times - late:
                if t <= times[0]:
                    out.append(start[0] + (start[1] * (t - times[0])))
            for i in range(len(times)):
                end = times[i + 1] if i + 1 < len(times) else times[-1] + 1.0
                inside = [t for t in times - late if times[i] < t <= end]
                done = solve_ivp(right, (times[i], end), state, "DOP853", inside + [end], args=(i,), rtol=1e-12, atol=1e-14)
                out += list(done.y[0][: len(inside)])
                state = done.y[:, -1]
            made.append(
                {
                    "name": name,
                    "shape": shape,
                    "hold": hold,
                    "dead_time": late,
                    "times": list(times),
                    "input": list(value),
                    "response": out,
                }
            )
    return made


def whiteness():
    made = []
    for seed, memory in [(1, 0.0), (2, 0.1), (3, 0.2), (4, 0.6), (5, -0.15)]:
        random = Random(seed)
        x, xs = 0.0, []
        for _ in range(400):
            x = memory * x + random.normal()
            xs.append(x)
        table = acorr_ljungbox(np.array(xs) - np.mean(xs), lags=[20])
        made.append(
            {
                "seed": seed,
                "memory": memory,
                "statistic": float(table["lb_stat"].iloc[0]),
                "p_value": float(table["lb_pvalue"].iloc[0]),
            }
        )
    return made


def criteria(case, index, fit):
    """statsmodels' criteria less the constant that all models share."""
    n, k = case[4], len(case[1]) + 1
    llf = -0.5 * n * (math.log(2 * math.pi) + math.log(fit["rss"] / n) + 1)
    common = n * (math.log(2 * math.pi) + 1)
    return {"aicc": aicc(llf, n, k) - common, "bic": bic(llf, n, k) - common}


def main():
    cases = []
    for index, case in enumerate(CASES):
        fits = [fitted(case, index, 100000 * (index + 1) + r) for r in range(12)]
        cases.append(
            {
                "name": case[0],
                "truth": case[1],
                "noise": case[2],
                "period": case[3],
                "samples": case[4],
                "bound": bound(case, index),
                "fits": [fit | criteria(case, index, fit) for fit in fits],
            }
        )
    points = [(x, k) for k in (1, 2, 3, 5, 8, 20, 21, 47) for x in (0.01, 0.5, 3.0, 12.0, 40.0, 110.0)]
    json.dump(
        {
            "made_with": f"Python {sys.version.split()[0]}, NumPy {np.__version__}, SciPy {scipy.__version__}, "
            f"statsmodels {statsmodels.__version__}",
            "moves": MOVES,
            "cases": cases,
            "responses": integrated(),
            "whiteness": whiteness(),
            "chi_squared": [[x, k, float(chi2.sf(x, k))] for x, k in points],
            "student": [[v, float(student.ppf(0.975, v))] for v in (10, 15, 30, 100, 1000, 10000)],
        },
        sys.stdout,
        separators=(",", ":"),
    )
    print()


if __name__ == "__main__":
    main()

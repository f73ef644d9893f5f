"""Makes gaze.json, the references of tests/control/gaze.rs.

    python3 tests/references/make_gaze.py > tests/references/gaze.json

Made with Python 3.11, NumPy 2.4.6, SciPy 1.17.1. The least angle between optical axis and line of sight
is found along another way than in the crate: orientations by scipy.spatial.transform.Rotation, the place
of the head plate by Gauss-Legendre quadrature of the beam's tangent, the angle itself (not its cosine)
searched on a grid over the whole range and refined by L-BFGS-B and Nelder-Mead from the best places of the grid.
Everything random is invented.
"""

import json
import math
import sys
from multiprocessing import Pool

import numpy as np
import scipy
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation

RNG = np.random.default_rng(20250317)
CASES = 1000
NODES, WEIGHTS = np.polynomial.legendre.leggauss(14)
NODES, WEIGHTS = 0.5 * (NODES + 1.0), 0.5 * WEIGHTS
REACHED = 1e-4
WORTH_A_JUMP = 3.5e-4


def angle(case, bx, by, pan):
    """Angle between axis and line of sight, arrays of poses, rad; pi where the point is too near."""
    bx, by, pan = np.broadcast_arrays(*map(np.atleast_1d, (bx, by, pan)))
    w = np.stack([-by, bx, np.zeros_like(bx)], axis=1)
    tangents = Rotation.from_rotvec((NODES[:, None, None] * w).reshape(-1, 3)).apply([0.0, 0.0, 1.0])
    p = np.einsum("k,kij->ij", WEIGHTS, tangents.reshape(len(NODES), -1, 3))
    head = Rotation.from_rotvec(w)
    turn = Rotation.from_rotvec(np.stack([0 * pan, 0 * pan, pan], axis=1))
    place = turn.apply(case["length"] * p + head.apply(case["position"]))
    axis = turn.apply(head.apply(case["axis"])) / np.linalg.norm(case["axis"])
    sight = np.array(case["point"]) - place
    distance = np.linalg.norm(sight, axis=1)
    found = np.arctan2(
        np.linalg.norm(np.cross(axis, sight), axis=1), np.einsum("ij,ij->i", axis, sight)
    )
    return np.where(distance >= max(case["nearest"], 1e-9), found, math.pi)


def least(f, bounds, shape):
    """Least value of f over a box and where: grid, then Nelder-Mead from the best local minima of the grid."""
    axes = [np.linspace(*b, n) for b, n in zip(bounds, shape)]
    u, v = np.meshgrid(*axes, indexing="ij")
    values = f(u.ravel(), v.ravel()).reshape(shape)
    padded = np.pad(values, 1, constant_values=np.inf)
    around = [
        padded[1 + i : 1 + i + shape[0], 1 + j : 1 + j + shape[1]]
        for i in (-1, 0, 1)
        for j in (-1, 0, 1)
    ]
    lowest = np.argwhere(values <= np.min(around, axis=0))
    lowest = sorted(map(tuple, lowest), key=lambda at: values[at])[:6]
    best = (math.inf, None)
    for at in lowest:
        start = [axes[0][at[0]], axes[1][at[1]]]
        # The simplex gets stuck flat against a bound; a gradient method does not, but ends early where
        # the angle comes near zero.
        smooth = minimize(
            lambda x: 1e2 * f(x[:1], x[1:])[0] ** 2,
            start,
            method="L-BFGS-B",
            bounds=bounds,
            options={"ftol": 1e-15, "gtol": 1e-10, "maxiter": 200},
        )
        start = smooth.x
        for _ in range(2):
            done = minimize(
                lambda x: f(x[:1], x[1:])[0],
                start,
                method="Nelder-Mead",
                bounds=bounds,
                options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 400},
            )
            start = done.x
        for x in (done.x, smooth.x):
            value = float(f(x[:1], x[1:])[0])
            if value < best[0]:
                best = (value, x)
        if best[0] < 1e-7:
            break
    return best


def bends(case, pan):
    most = case["max_inclination"]
    return least(
        lambda r, phi: angle(case, r * np.cos(phi), r * np.sin(phi), pan),
        [(0.0, most), (-math.pi, math.pi)],
        (40, 96),
    )


def pitches(case, low, high):
    """Least angle over pan and pitch, the image upright."""
    axis = np.array(case["axis"])
    level = math.hypot(axis[0], axis[1])
    forward = axis[:2] / level if level > 1e-9 else np.array([1.0, 0.0])
    elevation = math.atan2(axis[2], level)
    most = case["max_inclination"]
    pitch = (max(-most, elevation - math.pi / 2), min(most, elevation + math.pi / 2))
    return least(
        lambda pan, beta: angle(case, beta * forward[0], beta * forward[1], pan),
        [(low, high), pitch],
        (96, 40),
    )


def solve(case):
    if case["pan"] is None:
        case["residual"] = bends(case, 0.0)[0]
        return case
    low, high = case["pan"]
    inside, at = pitches(case, low, high)
    anywhere, _ = pitches(case, -math.pi, math.pi)
    stopped = min(at[0] - low, high - at[0]) < 1e-5
    # The pan stops at a limit, and the bend leans, only where the least angle asks for more pan.
    if inside <= REACHED or not stopped and inside <= anywhere + WORTH_A_JUMP:
        case["residual"] = inside
    else:
        case["residual"] = min(inside, bends(case, low)[0], bends(case, high)[0])
    return case


def direction(spread):
    v = RNG.normal(size=3)
    return v / np.linalg.norm(v) * spread


def case(i):
    axis = [np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]), None, None][i % 4]
    if axis is None:
        # Mounted somewhat askew, or anywhere at all.
        axis = direction(1.0) if i % 8 == 3 else np.array([1.0, 0.0, 0.3]) + direction(0.3)
    distance = [0.4, RNG.uniform(0.25, 0.6), RNG.uniform(0.6, 6.0)][i % 3]
    where = direction(distance)
    if i % 5:
        # Mostly in front, since there the joint has something to do.
        where[0] = abs(where[0])
    pan = None
    if i % 2 == (i // 8) % 2:
        pan = [-RNG.uniform(0.3, 3.1), RNG.uniform(0.3, 3.1)]
    length = RNG.uniform(0.05, 0.25)
    bend = RNG.uniform(0.0, 0.9) * direction(1.0)[:2]
    made = {
        "length": length,
        "max_inclination": math.radians(RNG.uniform(8.0, 85.0)),
        "position": list(RNG.uniform(-0.06, 0.06, 3)),
        "axis": list(axis),
        "nearest": 0.05,
        "pan": pan,
        "point": list(where + np.array([0.0, 0.0, length])),
        "bend": list(bend),
        "present_pan": RNG.uniform(-3.0, 3.0),
    }
    return json.loads(json.dumps(made), parse_float=lambda x: round(float(x), 6))


def main():
    cases = [case(i) for i in range(CASES)]
    with Pool(2) as pool:
        solved = pool.map(solve, cases, chunksize=10)
    json.dump(
        {
            "made_with": f"Python {sys.version.split()[0]}, NumPy {np.__version__}, SciPy {scipy.__version__}",
            "cases": solved,
        },
        sys.stdout,
        separators=(",", ":"),
    )
    print()


if __name__ == "__main__":
    main()

"""Makes kinematics.json, the references of tests/control/geometry.rs and tests/control/kinematics.rs.

    python3 tests/references/make_kinematics.py > tests/references/kinematics.json

Made with Python 3.11, NumPy 2.4.6, SciPy 1.17.1, mpmath 1.4.1. Everything is computed along another way
than in the crate: frames by integrating the differential equations of a rod of constant curvature
(scipy.integrate.solve_ivp), orientations by scipy.spatial.transform.Rotation, bends by multi-start
least squares, pretension by constrained minimisation, closed forms by 900-digit arithmetic.
"""

import json
import sys

import mpmath as mp
import numpy as np
import scipy
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares, minimize
from scipy.spatial.transform import Rotation

RNG = np.random.default_rng(20240611)


def rotvec(b):
    return np.array([-b[1], b[0], 0.0])


def frames(b, length, stations):
    """Positions and orientations along a rod: p' = R e_z, R' = R [kappa]x, kappa = w / L in the section."""
    kappa = rotvec(b) / length
    hat = np.array(
        [[0, -kappa[2], kappa[1]], [kappa[2], 0, -kappa[0]], [-kappa[1], kappa[0], 0]]
    )

    def slope(_, y):
        orientation = y[3:].reshape(3, 3)
        return np.concatenate([orientation[:, 2], (orientation @ hat).ravel()])

    start = np.concatenate([np.zeros(3), np.eye(3).ravel()])
    s = np.linspace(0.0, length, stations)
    # Integrated from station to station, without interpolation.
    out = [start]
    for a, e in zip(s[:-1], s[1:]):
        sol = solve_ivp(slope, (a, e), out[-1], method="DOP853", rtol=1e-13, atol=1e-15)
        out.append(sol.y[:, -1])
    return [(y[:3], y[3:].reshape(3, 3)) for y in out]


def short_way(angle):
    return float(np.angle(np.exp(1j * angle)))


def tendon_lengths(joint, b):
    pieces = joint["discs"] + 1
    track = frames(b, joint["length"], pieces + 1)
    lengths = []
    for t in joint["tendons"]:
        turn = short_way(t["head_angle"] - t["base_angle"])
        previous, total = None, 0.0
        for j, (p, orientation) in enumerate(track):
            share = j / pieces
            angle = t["base_angle"] + turn * share
            radius = t["base_radius"] * (1 - share) + t["head_radius"] * share
            height = 0.0
            if j == 0:
                height = t["base_offset"]
            elif j == pieces:
                height = t["head_offset"]
            elif t["disc_radius"] is not None:
                radius = t["disc_radius"]
            point = p + orientation @ np.array(
                [radius * np.cos(angle), radius * np.sin(angle), height]
            )
            if previous is not None:
                total += np.linalg.norm(point - previous)
            previous = point
        lengths.append(float(total))
    return lengths


def tendon(base_deg, head_deg, base_r, head_r, base_off=0.0, head_off=0.0, disc=None, k=8e3, t0=6.0):
    return {
        "base_angle": float(np.radians(base_deg)),
        "head_angle": float(np.radians(head_deg)),
        "base_radius": base_r,
        "head_radius": head_r,
        "base_offset": base_off,
        "head_offset": head_off,
        "disc_radius": disc,
        "stiffness": k,
        "pretension": t0,
    }


IRREGULAR = [
    tendon(5, 20, 0.034, 0.027, 0.004, 0.006, 0.029, 7e3, 5.0),
    tendon(48, 41, 0.030, 0.031, -0.002, 0.003, 0.033, 9e3, 9.0),
    tendon(131, 150, 0.025, 0.022, 0.0, 0.001, 0.024, 5e3, 4.0),
    tendon(190, 185, 0.036, 0.030, 0.002, -0.001, 0.031, 8e3, 7.0),
    tendon(262, 249, 0.028, 0.026, 0.001, 0.002, 0.026, 6e3, 6.0),
    tendon(350, 8, 0.031, 0.029, 0.003, 0.004, 0.028, 1.1e4, 3.0),
]

JOINTS = {
    "three straight": {
        "length": 0.12,
        "discs": 0,
        "tendons": [tendon(a, a, 0.030, 0.030) for a in (10, 130, 250)],
    },
    "four guided": {
        "length": 0.15,
        "discs": 4,
        "tendons": [tendon(a, a, 0.032, 0.024) for a in (45, 135, 225, 315)],
    },
    "six irregular": {"length": 0.11, "discs": 3, "tendons": IRREGULAR},
    "six irregular straight": {"length": 0.11, "discs": 0, "tendons": IRREGULAR},
}

BENDS = [(0.0, 0.0), (1e-9, -3e-10), (1e-5, 2e-5)] + [
    (t * np.cos(f), t * np.sin(f))
    for t, f in [(0.05, 0.3), (0.21, 2.2), (0.35, 4.0), (0.7, 5.5), (1.1, 1.1), (1.9, 3.0), (2.1, 0.2)]
]


def lengths_table():
    out = []
    for name, joint in JOINTS.items():
        cases = [{"bend": list(map(float, b)), "lengths": tendon_lengths(joint, b)} for b in BENDS]
        out.append({"name": name, **joint, "cases": cases})
    return out


def balance_table():
    """min |T - asked|^2, sum T_i dl_i/db = 0, T >= 5 % of the mean asked; slopes by central differences."""
    out = []
    h = 1e-4
    for name, joint in JOINTS.items():
        slopes = []
        for k in range(2):
            d = np.zeros(2)
            d[k] = h
            l = [np.array(tendon_lengths(joint, m * d)) for m in (2, 1, -1, -2)]
            slopes.append((-l[0] + 8 * l[1] - 8 * l[2] + l[3]) / (12 * h))
        g = np.array(slopes)
        n = len(joint["tendons"])
        for trial in range(6):
            asked = np.array([t["pretension"] for t in joint["tendons"]])
            if trial > 0:
                asked = RNG.uniform(0.2, 12.0, n)
            floor = 0.05 * asked.mean()
            best = minimize(
                lambda t: 0.5 * np.sum((t - asked) ** 2),
                np.full(n, asked.mean()),
                jac=lambda t: t - asked,
                bounds=[(floor, None)] * n,
                constraints={"type": "eq", "fun": lambda t: g @ t / 0.03, "jac": lambda t: g / 0.03},
                method="SLSQP",
                options={"ftol": 1e-15, "maxiter": 500},
            )
            assert best.success, best
            out.append({"joint": name, "asked": asked.tolist(), "tensions": best.x.tolist()})
    return out


def arc_table():
    """Position (L = 1), orientation and their derivatives in b, to 22 digits, as strings."""
    out = []
    thetas = ["0", "1e-200", "1e-12", "1e-9", "1e-6", "1e-4", "1e-3", "0.01", "0.1", "0.5", "1", "1.5",
              "1.99", "1.9999999", "2.0000001", "2.01", "2.5", "3", "3.14"]
    for text in thetas:
        for angle in ("0.4", "2.6"):
            theta = float(text)
            bx, by = theta * np.cos(float(angle)), theta * np.sin(float(angle))

            def whole(x, y):
                """[p, R] by the closed forms, with digits enough for their 0/0 near zero."""
                t = mp.sqrt(x * x + y * y)
                if t == 0:
                    return [mp.mpf(v) for v in (0, 0, 1, 1, 0, 0, 0, 1, 0, 0, 0, 1)]
                c, s = x / t, y / t
                v, ct, st = 1 - mp.cos(t), mp.cos(t), mp.sin(t)
                return [v / t * c, v / t * s, st / t,
                        1 - v * c * c, -v * c * s, st * c,
                        -v * c * s, 1 - v * s * s, st * s,
                        -st * c, -st * s, ct]

            x, y = mp.mpf(float(bx)), mp.mpf(float(by))
            with mp.workdps(900):
                value = whole(x, y)
                h = mp.mpf("1e-120")
                dx = [(a - b) / (2 * h) for a, b in zip(whole(x + h, y), whole(x - h, y))]
                dy = [(a - b) / (2 * h) for a, b in zip(whole(x, y + h), whole(x, y - h))]
            digits = lambda v: [mp.nstr(a, 22) for a in v]
            out.append({"bend": [repr(float(bx)), repr(float(by))], "value": digits(value),
                        "dx": digits(dx), "dy": digits(dy)})
    return out


def gravity_table():
    """The bend nearest the start among all local solutions found from 40 starts."""
    out = []
    while len(out) < 60:
        tilt, toward = RNG.uniform(0, 0.6), RNG.uniform(0, 2 * np.pi)
        base = Rotation.from_rotvec(rotvec((tilt * np.cos(toward), tilt * np.sin(toward)))).apply([0, 0, -1.0])
        theta, phi = RNG.uniform(0, 1.0), RNG.uniform(0, 2 * np.pi)
        b = theta * np.array([np.cos(phi), np.sin(phi)])
        # 3 mrad of error on what is seen, so that the equation has no trivial answer.
        seen = Rotation.from_rotvec(rotvec(b)).inv().apply(base) + RNG.normal(0, 3e-3, 3)
        seen /= np.linalg.norm(seen)
        near = b + RNG.normal(0, 0.05, 2)
        miss = lambda v: Rotation.from_rotvec(rotvec(v)).inv().apply(base) - seen
        found = []
        for start in [near] + [RNG.uniform(-2, 2, 2) for _ in range(40)]:
            sol = least_squares(miss, start, xtol=1e-15, ftol=1e-15, gtol=1e-15)
            if np.linalg.norm(sol.x) < 3.0:
                found.append((np.linalg.norm(sol.fun), sol.x))
        least = min(f for f, _ in found)
        good = [v for f, v in found if f < least + 1e-9]
        best = min(good, key=lambda v: np.linalg.norm(v - near))
        out.append({"base": base.tolist(), "seen": seen.tolist(), "near": near.tolist(),
                    "bend": best.tolist(), "residual": float(least)})
    return out


def twist_table():
    out = []
    for theta in (0.0, 1e-9, 0.2, 1.0, 2.5, 3.1, 3.1415926):
        for phi in (0.0, 1.3, -2.7):
            for twist in (0.0, 1e-9, 0.4, -1.9, 3.1):
                b = theta * np.array([np.cos(phi), np.sin(phi)])
                whole = Rotation.from_euler("z", twist) * Rotation.from_rotvec(rotvec(b))
                x, y, z, w = whole.as_quat()
                out.append({"wxyz": [w, x, y, z], "twist": twist, "bend": b.tolist()})
    return out


json.dump(
    {
        "made_with": f"Python {sys.version.split()[0]}, NumPy {np.__version__}, "
        f"SciPy {scipy.__version__}, mpmath {mp.__version__}",
        "lengths": lengths_table(),
        "balance": balance_table(),
        "arc": arc_table(),
        "gravity": gravity_table(),
        "twist": twist_table(),
    },
    sys.stdout,
    indent=1,
)
print()

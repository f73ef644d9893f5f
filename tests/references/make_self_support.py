"""Writes self_support.json: when a clamped beam with a rigid head on its end stands by itself, and how far it leans.

`limits`: greatest multiple of the load that the upright beam carries. Not by the equation that Withy integrates: cubic beam
elements in the deflection (Hermite), their stiffness against their geometric stiffness under the weight above, and the head as a
rigid link that takes P h / 2 of energy per squared slope of the end; the least eigenvalue of scipy.linalg.eigh.
`own_weight`: greatest w L^3 / EI of a beam under its own weight alone, (9 / 4) j^2 with j the first zero of the Bessel function of order
-1/3 (Greenhill 1881, from memory), by scipy.optimize.brentq.
`leans`: inclination of the head from a base that is tilted, in the plane of the tilt, by scipy.integrate.solve_bvp from the foot up
with the load brought up in steps: the equilibrium that grows out of the unloaded beam.

Libraries: see the names and versions in the file. Run it in a Python environment with NumPy and SciPy.
"""

import json

import numpy as np
import scipy
from scipy.integrate import solve_bvp
from scipy.linalg import eigh
from scipy.optimize import brentq
from scipy.special import jv

GRAVITY = 9.80665
# Length m, EI N m^2, beam kg, head kg, its height m, payload kg, its height m.
BEAMS = [
    (0.12, 0.05, 0.06, 0.09, 0.008, 0.0, 0.035),
    (0.12, 0.05, 0.06, 0.09, 0.008, 0.09, 0.035),
    (0.12, 0.05, 0.06, 0.09, 0.008, 0.21, 0.05),
    (0.12, 0.05, 0.06, 0.09, 0.008, 0.38, 0.06),
    (0.12, 0.05, 0.0, 0.09, 0.0, 0.7, 0.0),
    (0.25, 0.3, 0.4, 0.05, 0.02, 0.1, 0.2),
    (0.06, 0.004, 0.01, 0.02, 0.0, 0.1, 0.03),
]


def loads(beam):
    length, _, mass, head, height, payload, payload_height = beam
    tip = GRAVITY * (head + payload)
    moment = GRAVITY * (head * height + payload * payload_height)
    return tip, moment, GRAVITY * mass / length


def limit(beam, elements=120):
    length, stiffness = beam[:2]
    tip, moment, weight = loads(beam)
    size = length / elements
    count = 2 * (elements + 1)
    elastic, geometric = np.zeros((count, count)), np.zeros((count, count))
    points, shares = np.polynomial.legendre.leggauss(4)
    for e in range(elements):
        for point, share in zip(points, shares):
            x = 0.5 * (point + 1.0)
            slope = np.array(
                [
                    (6 * x * x - 6 * x) / size,
                    3 * x * x - 4 * x + 1,
                    (6 * x - 6 * x * x) / size,
                    3 * x * x - 2 * x,
                ]
            )
            bend = np.array(
                [
                    (12 * x - 6) / size**2,
                    (6 * x - 4) / size,
                    (6 - 12 * x) / size**2,
                    (6 * x - 2) / size,
                ]
            )
            above = tip + weight * (length - (e + x) * size)
            at = np.ix_(range(2 * e, 2 * e + 4), range(2 * e, 2 * e + 4))
            elastic[at] += 0.5 * share * size * stiffness * np.outer(bend, bend)
            geometric[at] += 0.5 * share * size * above * np.outer(slope, slope)
    geometric[-1, -1] += moment
    # Clamped at the foot. The geometric stiffness is definite: the greatest inverse multiple is the least multiple.
    inverse = eigh(geometric[2:, 2:], elastic[2:, 2:], eigvals_only=True)
    return 1.0 / inverse[-1]


def lean(beam, factor, tilt):
    length, stiffness = beam[:2]
    tip, moment, weight = (factor * load for load in loads(beam))
    mesh = np.linspace(0.0, length, 61)
    guess = np.vstack((np.full_like(mesh, tilt), np.zeros_like(mesh)))
    for share in np.linspace(0.05, 1.0, 20):
        solution = solve_bvp(
            lambda s, y: np.vstack(
                (y[1], -share * (tip + weight * (length - s)) * np.sin(y[0]) / stiffness)
            ),
            lambda a, b: np.array((a[0] - tilt, b[1] - share * moment * np.sin(b[0]) / stiffness)),
            mesh,
            guess,
            tol=1e-9,
            max_nodes=100000,
        )
        assert solution.success, solution.message
        mesh, guess = solution.x, solution.y
    return float(solution.sol(length)[0] - tilt)


limits = [{"beam": beam, "factor": limit(beam)} for beam in BEAMS]
leans = []
for case in limits:
    beam, most = case["beam"], case["factor"]
    for tilt_deg in (2.0, 10.0, 25.0, 60.0, 120.0, 170.0):
        # Below the upright limit there is one equilibrium; a beam that hangs carries more.
        for share in (0.3, 0.6, 0.9) if tilt_deg < 90.0 else (0.6, 1.5):
            tilt = np.radians(tilt_deg)
            leans.append(
                {
                    "beam": beam,
                    "factor": share * most,
                    "tilt": tilt,
                    "inclination": lean(beam, share * most, tilt),
                }
            )
zero = brentq(lambda x: jv(-1.0 / 3.0, x), 1.0, 2.5, xtol=1e-14)
table = {
    "made_by": f"make_self_support.py, NumPy {np.__version__}, SciPy {scipy.__version__}",
    "limits": limits,
    "own_weight": 2.25 * zero * zero,
    "leans": leans,
}
with open(__file__.replace("make_self_support.py", "self_support.json"), "w", encoding="ascii") as file:
    json.dump(table, file)
    file.write("\n")
for case in limits:
    print(case)
print(table["own_weight"], len(leans), max(case["inclination"] for case in leans))

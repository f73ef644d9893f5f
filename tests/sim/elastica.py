"""Writes tests/sim/elastica.csv: the large deflection of a cantilever under a transverse dead load at its tip.

theta'' = -alpha cos(theta), theta(0) = 0, theta'(1) = 0, alpha = F L^2 / (E I), arc length over L; the tip stands at
the integrals of cos(theta) (along) and sin(theta) (across). The problem is that of Bisshopp and Drucker 1945, "Large
deflection of cantilever beams"; the numbers are computed here by SciPy (version in the file's first line), not copied.
"""

import numpy as np
import scipy
from scipy.integrate import solve_bvp

rows = []
guess_s = np.linspace(0.0, 1.0, 41)
guess = np.zeros((4, guess_s.size))
for alpha in (0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0):
    solution = solve_bvp(
        lambda s, y: np.vstack((y[1], -alpha * np.cos(y[0]), np.cos(y[0]), np.sin(y[0]))),
        lambda a, b: np.array((a[0], b[1], a[2], a[3])),
        guess_s,
        guess,
        tol=1e-10,
        max_nodes=100000,
    )
    assert solution.success
    guess_s, guess = solution.x, solution.y
    theta, _, along, across = solution.sol(1.0)
    rows.append((alpha, theta, along, across))

with open(__file__.replace(".py", ".csv"), "w", encoding="ascii") as table:
    table.write(f"# solve_bvp of SciPy {scipy.__version__}, tol 1e-10\n")
    table.write("# F L^2/(E I), tip angle (rad), tip along / L, tip across / L\n")
    for row in rows:
        table.write(",".join(f"{value:.9f}" for value in row) + "\n")

#!/usr/bin/env python3
"""Makes examine_drives.json, reference values of sampled loops in bend space of joints whose motors take velocities, of loops
that rest on the motors' encoders, and of both.

Libraries: NumPy 2.4.6, SciPy 1.17.1, mpmath 1.4.1, python-control 0.10.2
(pip install numpy==2.4.6 scipy==1.17.1 mpmath==1.4.1 control==0.10.2).

One sensor period is stepped through, tick by tick, as the controller and the joint do it, for all unit states and inputs at
once: the columns that come out are the matrices of the loop. No transfer function of the project's is used.

- motors, in motor space. Position drive: q' = (u - q)/tau. Velocity drive: v' = (u - v)/tau, q' = v. Without a lag of its
  own in the joint's model the motors are part of that model (which then has u, or the integral of u, as its input); what the
  encoders show comes from the drive all the same.
- joint: M b'' + D b' + K b = J_S^T W_S q, S the tendons that are taut; M, D and K from the model of the taut joint. A
  first-order model has no M.
- between ticks by the matrix exponential, setpoints held. A measurement is the state at its own instant, which is earlier by
  the joint's dead time, the age of samples and the delay of setpoints; for encoders by the latter two alone.
- law: error from the samples, held until the next; the operators of make_examine.py, the integral at every tick, the
  derivative at every sample; motors' corrections projected into bend space by (J^T W J)^-1 J^T W. Damping on the bend rate
  that the IMU shows: the offset itself of a position setpoint; of a velocity setpoint what a new sample changes of it, over
  the sensor's period. Velocity setpoints hold the tension: minus tension_gain times what no bend explains of the
  encoders' angles.
- "responses": determinant of the return difference, opened at the samples, trace of the open loop, sensitivity (largest
  singular value of (I + L)^-1, opened at the setpoints; where samples are slower than ticks, at the samples, and only
  without damping).
- "unstable", "radius": eigenvalues of the closed loop's matrix.
- "margins": crossings of the eigenvalues' loci on a dense grid, each refined by scipy.optimize.brentq; where the loop is a
  scalar one checked against python-control's stability_margins.
- "peak": greatest sensitivity on that grid, refined by scipy.optimize.minimize_scalar.
"""
import json
import pathlib

import control
import numpy as np
import scipy
from scipy.linalg import block_diag, expm
from scipy.optimize import brentq, minimize_scalar

from make_examine import ANGLES, J, W, derivative, gains, number, operator

assert np.__version__ == "2.4.6" and scipy.__version__ == "1.17.1" and control.__version__ == "0.10.2"

J, W = np.array(J), np.array(W)
N = len(ANGLES)
STIFFNESS = J.T @ np.diag(W) @ J
TO_BEND = np.linalg.solve(STIFFNESS, J.T @ np.diag(W))


def drive(kind, tau):
    """Continuous state space of the motors: (A, B, rows that show the angles)."""
    one, zero = np.eye(N), np.zeros((N, N))
    if kind == "position":
        return -one / tau, one / tau, one
    return np.block([[-one / tau, zero], [one, zero]]), np.vstack([one / tau, zero]), np.hstack([zero, one])


def plant_of(case):
    """Continuous state space from setpoints to (bend, bend rate, encoders' angles): A, B, C, D."""
    p, tau = case["plant"], case["tau"]
    taut = np.diag([0.0 if i == case["slack"] else 1.0 for i in range(N)])
    whole = STIFFNESS / p["gain"]
    force = J.T @ taut @ np.diag(W)
    K = whole - STIFFNESS + force @ J
    if "w" in p:
        inertia = np.linalg.inv(whole / p["w"] ** 2)
        D = whole * 2 * p["z"] / p["w"]
        Aj = np.block([[np.zeros((2, 2)), np.eye(2)], [-inertia @ K, -inertia @ D]])
        Bj = np.vstack([np.zeros((2, N)), inertia @ force])
        bend, rate, direct = np.eye(2, 4), np.eye(4)[2:], np.zeros((2, N))
    else:
        slowness = np.linalg.inv(whole * p["time_constant"])
        Aj, Bj = -slowness @ K, slowness @ force
        bend, rate, direct = np.eye(2), Aj, Bj
    n = Aj.shape[0]
    Ad, Bd, Cd = drive(case["kind"], tau)
    d = Ad.shape[0]
    if p["lag"] > 0:
        # The joint hangs on the motors that the encoders see.
        assert p["lag"] == tau
        A = np.block([[Aj, Bj @ Cd], [np.zeros((d, n)), Ad]])
        B = np.vstack([np.zeros((n, N)), Bd])
        C = np.block([[bend, np.zeros((2, d))], [rate, direct @ Cd], [np.zeros((N, n)), Cd]])
        return A, B, C, np.zeros((4 + N, N))
    if case["kind"] == "position":
        A, B = block_diag(Aj, Ad), np.vstack([Bj, Bd])
        C = block_diag(np.vstack([bend, rate]), Cd)
        return A, B, C, np.vstack([np.zeros((2, N)), direct, np.zeros((N, N))])
    # The model answers positions: the integral of the setpoints.
    turned = np.zeros((N, N))
    A = block_diag(np.block([[Aj, Bj], [np.zeros((N, n)), turned]]), Ad)
    B = np.vstack([np.zeros((n, N)), np.eye(N), Bd])
    C = block_diag(np.block([[bend, np.zeros((2, N))], [rate, direct]]), Cd)
    return A, B, C, np.zeros((4 + N, N))


class Delayed:
    """Outputs of the plant, seen a time later: what a tick adds to the line of measurements."""

    def __init__(self, A, B, C, D, late, dt):
        ticks = late / dt
        self.whole = int(np.floor(ticks + 1e-9))
        part = max(ticks - self.whole, 0.0)
        n, m = B.shape
        to = expm(np.block([[A, B], [np.zeros((m, n + m))]]) * dt * (1 - part))
        self.of_state, self.of_input = C @ to[:n, :n], C @ to[:n, n:] + D
        self.size = C.shape[0] * (self.whole + 1)
        self.rows = C.shape[0]

    def seen(self, line):
        return line[: self.rows]

    def moved(self, line, x, u):
        return np.vstack([line[self.rows :], self.of_state @ x + self.of_input @ u])


class Loop:
    """The loop over one sensor period as one linear map, opened at the samples or at the setpoints."""

    def __init__(self, case, at_setpoint=False):
        self.case, self.at_setpoint = case, at_setpoint
        self.period = case["dt"] * case["hold"]
        dt = case["dt"]
        A, B, C, D = plant_of(case)
        n = A.shape[0]
        full = expm(np.block([[A, B], [np.zeros((N, n + N))]]) * dt)
        self.F, self.G = full[:n, :n], full[:n, n:]
        late = case["age"] + case["output"]
        self.imu = Delayed(A, B, C[:4], D[:4], case["plant"]["dead"] + late, dt)
        self.encoders = Delayed(A, B, C[4:], D[4:], late, dt)
        self.integrals = [operator(g["lambda"], dt) for g in case["gains"]]
        self.derivatives = [
            derivative(g["mu"], g["corner"], self.period) if g["kd"] > 0 else None for g in case["gains"]
        ]
        sizes = {"x": n, "imu": self.imu.size, "encoders": self.encoders.size}
        for i, op in enumerate(self.integrals):
            sizes[f"integral {i}"] = op[0].shape[0]
        for i, op in enumerate(self.derivatives):
            sizes[f"derivative {i}"] = 0 if op is None else op[0].shape[0]
        sizes["offset"] = 2
        ends = np.cumsum(list(sizes.values()))
        self.places = {k: slice(e - s, e) for (k, s), e in zip(sizes.items(), ends)}
        self.total = total = int(ends[-1])
        inputs = 2 if at_setpoint else 4
        columns = np.eye(total + inputs)
        after, out = self.run(columns[:total], columns[total:])
        self.A, self.B = after[:, :total], after[:, total:]
        self.C, self.D = out[:, :total], out[:, total:]

    def run(self, state, given):
        """States a sensor period later, and what is seen at its start; a column for each state and input at the start."""
        case = self.case
        s = {k: state[place].copy() for k, place in self.places.items()}
        out = None
        for tick in range(case["hold"]):
            if tick == 0:
                imu, angles = self.imu.seen(s["imu"]), self.encoders.seen(s["encoders"])
                bend = TO_BEND @ angles if case["feedback"] == "motors" else imu[:2]
                sample = np.vstack([bend, imu[2:]])
                error = -sample if self.at_setpoint else given
                out = sample
                slopes = []
                for i, op in enumerate(self.derivatives):
                    e = J[i : i + 1] @ error[:2]
                    if op is None:
                        slopes.append(0 * e)
                        continue
                    a, b, c, d = op
                    x = s[f"derivative {i}"]
                    slopes.append(c @ x + d @ e)
                    s[f"derivative {i}"] = a @ x + b @ e
                offset = case["damping"] * error[2:]
                if case["kind"] == "velocity":
                    damping = (offset - s["offset"]) / self.period
                    s["offset"] = offset
                else:
                    damping = offset
            parts = []
            for i, (a, b, c, d) in enumerate(self.integrals):
                g = case["gains"][i]
                e = J[i : i + 1] @ error[:2]
                x = s[f"integral {i}"]
                parts.append(g["kp"] * e + c @ x + d @ (g["ki"] * e) + g["kd"] * slopes[i])
                s[f"integral {i}"] = a @ x + b @ (g["ki"] * e)
            u = J @ (TO_BEND @ np.vstack(parts) + damping)
            if self.at_setpoint:
                # What comes back of a setpoint, sign left out below.
                out = TO_BEND @ u
                u = J @ given
            if case["kind"] == "velocity":
                u = u - case["tension_gain"] * (angles - J @ (TO_BEND @ angles))
            x = s["x"]
            s["imu"] = self.imu.moved(s["imu"], x, u)
            s["encoders"] = self.encoders.moved(s["encoders"], x, u)
            s["x"] = self.F @ x + self.G @ u
        return np.vstack([s[k] for k in self.places]), out

    def open(self, w):
        z = np.exp(1j * w * self.period)
        H = self.C @ np.linalg.solve(z * np.eye(self.total) - self.A, self.B) + self.D
        return -H if self.at_setpoint else H

    def poles(self):
        """Of the loop closed at the samples: error = -sample."""
        return np.linalg.eigvals(self.A - self.B @ np.linalg.solve(np.eye(4) + self.D, self.C))


class Loci:
    """The 2 x 2 loop over frequency: margins of its eigenvalues' loci, and its sensitivity."""

    def __init__(self, case):
        if case["hold"] == 1:
            loop = Loop(case, at_setpoint=True)
            self.loop = lambda w: loop.open(w)
        else:
            # Without damping the bend alone goes round.
            assert case["damping"] == 0
            loop = Loop(case)
            self.loop = lambda w: loop.open(w)[:2, :2]
        self.nyquist = np.pi / loop.period
        self.grid = np.geomspace(0.02, self.nyquist * (1 - 1e-9), 1200)
        self.values = [self.loop(w) for w in self.grid]

    def near(self, w, guess):
        values = np.linalg.eigvals(self.loop(w))
        return values[np.argmin(abs(values - guess))]

    def margins(self):
        crossovers, factors = [], []
        # A row per frequency, each eigenvalue in the column of the one it comes from.
        tracks = [np.linalg.eigvals(self.values[0])]
        for L in self.values[1:]:
            now, before = np.linalg.eigvals(L), tracks[-1]
            straight = abs(now[0] - before[0]) + abs(now[1] - before[1])
            crossed = abs(now[1] - before[0]) + abs(now[0] - before[1])
            tracks.append(now if straight <= crossed else now[::-1])
        for branch in range(2):
            for i in range(1, len(self.grid)):
                (a, b), (low, high) = (t[branch] for t in tracks[i - 1 : i + 1]), self.grid[i - 1 : i + 1]
                of = lambda w: self.near(w, a + (b - a) * (w - low) / (high - low))
                if (abs(a) > 1) != (abs(b) > 1):
                    w = brentq(lambda w: abs(of(w)) - 1, low, high, xtol=1e-12, rtol=1e-14)
                    crossovers.append((w, float(np.angle(-of(w)))))
                if (a.imag > 0) != (b.imag > 0) and max(a.real, b.real) < 0:
                    w = brentq(lambda w: of(w).imag, low, high, xtol=1e-12, rtol=1e-14)
                    factors.append((w, float(-1 / of(w).real)))
            if tracks[-1][branch].real < 0:
                factors.append((self.nyquist, float(-1 / tracks[-1][branch].real)))
        above = [f for f in factors if 1 <= f[1] <= 100]
        below = [f for f in factors if f[1] < 1]
        return {
            "crossovers": [min(crossovers)[0], max(crossovers)[0]] if crossovers else None,
            "phase_margin": min(crossovers, key=lambda c: abs(c[1])) if crossovers else None,
            "gain_margin": min(above, key=lambda f: f[1]) if above else None,
            "least_gain": max(below, key=lambda f: f[1]) if below else None,
        }

    def sensitivity(self, w):
        return float(1 / np.linalg.svd(np.eye(2) + self.loop(w), compute_uv=False)[-1])

    def peak(self):
        values = [1 / np.linalg.svd(np.eye(2) + L, compute_uv=False)[-1] for L in self.values]
        top = int(np.argmax(values))
        if top in (0, len(values) - 1):
            return float(self.grid[top]), float(values[top])
        span = self.grid[top - 1], self.grid[top + 1]
        found = minimize_scalar(lambda w: -self.sensitivity(w), bounds=span, method="bounded", options={"xatol": 1e-9})
        return float(found.x), float(-found.fun)

    def check(self, margins):
        """The same by python-control, for a loop that is a scalar one."""
        L = np.array([L[0, 0] for L in self.values])
        found = control.stability_margins(control.frd(L, self.grid, smooth=True), returnall=True)
        _, phase, _, _, at, _ = found
        crossovers = sorted(float(w) for w in at)
        if margins["crossovers"] is None:
            assert not crossovers
            return
        assert np.allclose([crossovers[0], crossovers[-1]], margins["crossovers"], rtol=1e-3), (crossovers, margins)
        wrapped = (np.array(phase) + 180) % 360 - 180
        assert abs(min(abs(wrapped)) - abs(np.degrees(margins["phase_margin"][1]))) < 0.02, (phase, margins)


def whole(gain, w, z, dead, lag=0.0):
    return {"gain": gain, "w": w, "z": z, "dead": dead, "lag": lag}


TAU = 0.017
PLANTS = {
    "bare": whole(0.944, 44.2, 0.46, 0.013),
    "middle": whole(0.974, 30.0, 0.3, 0.0085),
    "heavy": whole(1.02, 16.8, 0.14, 0.02),
    "behind motors": whole(0.95, 60.0, 0.4, 0.0062, TAU),
    "first order": {"gain": 0.95, "time_constant": 0.045, "dead": 0.03, "lag": 0.0},
}
# Gains by setpoint and feedback, with damping.
LAWS = {
    ("velocity", "imu"): {
        "proportional": (gains(4.0, 0.0, 1.0), 0.0),
        "damped": (gains(4.0, 6.0, 1.0), 0.03),
        "fractional": (gains(3.0, 5.0, 0.8, 0.05, 0.7, 60.0), 0.02),
        "above one": (gains(5.0, 4.0, 1.2), 0.0),
        "strong": (gains(25.0, 40.0, 1.0), 0.0),
        "much damped": (gains(4.0, 6.0, 1.0), 0.12),
    },
    ("velocity", "motors"): {
        "proportional": (gains(10.0, 0.0, 1.0), 0.0),
        "damped": (gains(10.0, 20.0, 1.0), 0.03),
        "fractional": (gains(8.0, 12.0, 0.8, 0.08, 0.7, 60.0), 0.02),
        "above one": (gains(12.0, 10.0, 1.2), 0.0),
        "strong": (gains(180.0, 400.0, 1.0), 0.0),
        "much damped": (gains(10.0, 20.0, 1.0), 0.15),
    },
    ("position", "motors"): {
        "integral": (gains(0.0, 8.0, 1.0), 0.0),
        "damped": (gains(0.2, 9.0, 1.0), 0.03),
        "fractional": (gains(0.1, 6.0, 0.8, 0.005, 0.8, 60.0), 0.02),
        "above one": (gains(0.3, 6.0, 1.2), 0.0),
        "strong": (gains(4.0, 250.0, 1.0), 0.0),
        "much damped": (gains(0.2, 9.0, 1.0), 0.15),
    },
}
UNLIKE = {
    "velocity": [gains(4.0, 5.0, 1.0), gains(6.0, 9.0, 0.8), gains(3.0, 3.0, 1.2, 0.05, 0.9, 70.0), gains(5.0, 0.0, 1.0)],
    "position": [gains(0.05, 5.5, 1.0), gains(0.3, 9.0, 0.8), gains(0.1, 3.0, 1.2, 0.004, 0.9, 70.0), gains(0.2, 0.0, 1.0)],
}


def cases():
    out = []
    for (kind, feedback), laws in LAWS.items():
        def case(law, g, damping, name, dt=0.005, hold=1, slack=None, age=0.0, output=0.0):
            out.append(
                {"kind": kind, "feedback": feedback, "law": law, "model": name, "gains": g, "damping": damping,
                 "plant": PLANTS[name], "tau": TAU, "tension_gain": 2.0, "dt": dt, "hold": hold, "slack": slack,
                 "age": age, "output": output}
            )

        for law, (g, damping) in laws.items():
            for name in ("bare", "heavy", "behind motors"):
                case(law, [g] * N, damping, name)
            case(law, [g] * N, damping, "middle", slack=len(out) % N)
            # Samples late, setpoints late, by ticks and parts of ticks.
            case(law, [g] * N, damping, "middle", age=0.0063, output=0.004)
            case(law, [g] * N, damping, "middle", hold=4, age=0.002)
            case(law, [g] * N, damping, "heavy", dt=0.002)
            if damping == 0:
                # Under damping a first-order model is read otherwise, by intention.
                case(law, [g] * N, damping, "first order", slack=1 if law == "above one" else None)
        for name in ("bare", "heavy", "behind motors"):
            case("unlike", UNLIKE[kind], 0.02, name)
            case("unlike", UNLIKE[kind], 0.02, name, slack=2)
            case("unlike", UNLIKE[kind], 0.02, name, hold=4)
    return out


def main():
    rows = []
    for case in cases():
        loop = Loop(case)
        row = dict(case)
        margins = case["hold"] == 1 or case["damping"] == 0
        loci = Loci(case) if margins else None
        row["responses"] = []
        for w in np.geomspace(0.3, 0.95 * np.pi / loop.period, 7):
            H = loop.open(w)
            entry = [float(w), *number(np.linalg.det(np.eye(4) + H)), *number(np.trace(H))]
            if margins:
                entry.append(loci.sensitivity(w))
            row["responses"].append(entry)
        radii = abs(loop.poles())
        row["radius"] = float(max(radii))
        row["unstable"] = int(np.sum(radii > 1 + 1e-6))
        # None so close to the edge that rounding decides.
        assert not np.any((radii > 1 + 1e-6) & (radii < 1 + 1e-4)), case
        if margins:
            row["margins"] = loci.margins()
            row["peak"] = loci.peak()
            if case["slack"] is None and case["law"] != "unlike":
                loci.check(row["margins"])
        rows.append(row)
    path = pathlib.Path(__file__).with_name("examine_drives.json")
    path.write_text(json.dumps({"loops": rows}, indent=None) + "\n")
    for key in LAWS:
        mine = [r for r in rows if (r["kind"], r["feedback"]) == key]
        print(*key, len(mine), "loops,", sum(r["unstable"] > 0 for r in mine), "unstable,", sum("margins" in r for r in mine), "with margins")


if __name__ == "__main__":
    main()

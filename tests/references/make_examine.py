#!/usr/bin/env python3
"""Makes examine.json, reference values of sampled loops in bend space.

Libraries: NumPy 2.4.6, SciPy 1.17.1, mpmath 1.4.1, python-control 0.10.2
(pip install numpy==2.4.6 scipy==1.17.1 mpmath==1.4.1 control==0.10.2).

Everything is made from the definitions, in the time domain, with no transfer function of the project's:

- operators: s^-order as a sum of exponentials (nodes and weights of the integral over y in sin(pi a)/pi * r^(1-a)/(s+r),
  r = e^y, step 1 from 1e-4 to max(1e4, 100/dt) rad/s, slow terms summed into an integrator, fast ones into a feed-through),
  each section sampled for an input linear between samples by scipy.signal.cont2discrete (foh). Orders above 1: followed by
  an integrator of the exact area, as a state-space model in series before sampling.
- joint: state-space model of motor lag and joint, zero-order hold by scipy.signal.cont2discrete; dead time as the exact
  state at the instant of measurement, expm of the augmented matrix; sensor periods of m ticks by lifting the ticks of a
  period into one step.
- loop: the states of operators, joint and setpoints under way in one matrix for one sensor period; bend error in, bend
  measured out. "response": L at a few frequencies, from that matrix, 2 x 2. "poles": greatest magnitude of the closed loop's
  eigenvalues, from the same loop closed.
- ideal: (j w)^-order by mpmath, 30 digits.
- ideal_steps: figures of the continuous law's answer to a step of the reference, motors alike: C = kp + ki s^-lambda + kd s^mu
  (s/corner + 1)^-n, damping d, joint G e^(-s dead), half a tick of hold in the loop. Setpoint C/(1 + L), bend G e^(-s dead)
  of it, both half a tick late. Places come from a Fourier series in NumPy; there mpmath inverts exactly, by de Hoog, Knight
  and Stokes, and up to 12 dead times by a sum of powers of the loop, each shifted. noise: root of the mean of
  |r (C sigma_bend, d sigma_rate)/(1 + L)|^2 up to the Nyquist frequency and of w^2 times that, by SciPy's quadrature, for
  the motors' r = 33/8 and sigmas of 0.001 rad and 0.01 rad/s.
- margins: by python-control's margin() on the sampled frequency response of scalar loops, dense grid.
"""
import json
import pathlib

import control
import mpmath as mp
import numpy as np
import scipy
import scipy.integrate
from scipy.linalg import block_diag, expm
from scipy import signal

assert np.__version__ == "2.4.6" and scipy.__version__ == "1.17.1"
assert mp.__version__ == "1.4.1" and control.__version__ == "0.10.2"
mp.mp.dps = 30


def cont2discrete(system, dt, method):
    return signal.cont2discrete(tuple(np.array(m, dtype=float) for m in system), dt, method)


def operator(order, dt):
    """Discrete state space (A, B, C, D) of s^-order."""
    if order == 1.0:
        return [np.array(m) for m in cont2discrete(([[0.0]], [[1.0]], [[1.0]], [[0.0]]), dt, "foh")[:4]]
    cascade = order > 1.0
    a = mp.mpf(order) - (1 if cascade else 0)
    weight = mp.sin(mp.pi * a) / mp.pi
    slow = mp.mpf("1e-4")
    span = int(mp.ceil(mp.log(max(mp.mpf("1e4"), 100 / mp.mpf(dt)) / slow)))
    rates = [slow * mp.e**k for k in range(span + 1)]
    pole = weight * slow ** (1 - a) / (mp.e ** (1 - a) - 1)
    feed = weight * rates[-1] ** (-a) / (mp.e**a - 1)
    weights = [weight * r ** (1 - a) for r in rates]
    r = np.array([float(x) for x in rates] + [0.0])
    c = np.array([float(x) for x in weights] + [float(pole)])
    n = len(r)
    if not cascade:
        A, B, C, D = np.zeros((n, n)), np.zeros((n, 1)), np.zeros((1, n)), np.zeros((1, 1))
        D[0, 0] = float(feed)
        # Section by section: the rates span eight decades.
        for i in range(n):
            part = cont2discrete(([[-r[i]]], [[1.0]], [[c[i]]], [[0.0]]), dt, "foh")
            A[i, i], B[i, 0], C[0, i] = part[0][0, 0], part[1][0, 0], part[2][0, 0]
            D[0, 0] += part[3][0, 0]
        return [A, B, C, D]
    A, B, C, D = np.zeros((0, 0)), np.zeros((0, 1)), np.zeros((1, 0)), np.zeros((1, 1))
    parts = [cont2discrete(([[0.0]], [[1.0]], [[float(feed)]], [[0.0]]), dt, "foh")[:4]]
    for i in range(n):
        parts.append(
            cont2discrete(([[-r[i], 0.0], [1.0, 0.0]], [[1.0], [0.0]], [[0.0, c[i]]], [[0.0]]), dt, "foh")[:4]
        )
    A = block_diag(*[p[0] for p in parts])
    B = np.vstack([p[1] for p in parts])
    C = np.hstack([p[2] for p in parts])
    D = sum(p[3] for p in parts)
    return [A, B, C, D]


def derivative(order, corner, T):
    """Discrete state space of the filtered derivative: bilinear sections, then s^-(m - order), leaking."""
    m = 2 if order > 1.0 else 1
    A, B, C, D = cont2discrete(([[-corner]], [[1.0]], [[-corner * corner]], [[corner]]), T, "bilinear")[:4]
    total = control.ss(A, B, C, D, T)
    for _ in range(m - 1):
        total = control.ss(A, B, C, D, T) * total
    a = mp.mpf(m) - mp.mpf(order)
    if a > 0:
        weight = mp.sin(mp.pi * a) / mp.pi
        slow = mp.mpf("1e-4")
        span = int(mp.ceil(mp.log(max(mp.mpf("1e4"), 100 / mp.mpf(T)) / slow)))
        rates = [slow * mp.e**k for k in range(span + 1)]
        parts = [(r, weight * r ** (1 - a)) for r in rates]
        tail = lambda x: 1 / (mp.e**x - 1)
        parts.append((max(slow * tail(2 - a) / tail(1 - a), mp.mpf("1e-8")), weight * slow ** (1 - a) * tail(1 - a)))
        feed = weight * rates[-1] ** (-a) * tail(a)
        As, Bs, Cs, Ds = [], [], [], float(feed)
        for r, c in parts:
            p = cont2discrete(([[-float(r)]], [[1.0]], [[float(c)]], [[0.0]]), T, "foh")
            As.append(p[0]), Bs.append(p[1]), Cs.append(p[2])
            Ds += p[3][0, 0]
        total = control.ss(block_diag(*As), np.vstack(Bs), np.hstack(Cs), [[Ds]], T) * total
    return [np.asarray(total.A), np.asarray(total.B), np.asarray(total.C), np.asarray(total.D)]


def joint_matrices(p, taut, J, W):
    """Continuous state space from motor angles (N) to bend and bend rate (2 + 2) with the tendons in `taut`: motor lag, then
    M b'' + D b' + (K_b + J_S^T W_S J_S) b = J_S^T W_S q with M, D and K_b from the model of the taut joint."""
    Kt = J.T @ np.diag(W) @ J
    whole = Kt / p["gain"]
    Kb = whole - Kt
    S = np.diag([1.0 if t else 0.0 for t in taut])
    K = Kb + J.T @ S @ np.diag(W) @ J
    force = J.T @ S @ np.diag(W)
    N = J.shape[0]
    w, z = p["w"], p["z"]
    M, D = whole / w**2, whole * 2 * z / w
    Mi = np.linalg.inv(M)
    A = np.block([[np.zeros((2, 2)), np.eye(2)], [-Mi @ K, -Mi @ D]])
    B = np.vstack([np.zeros((2, N)), Mi @ force])
    C = np.eye(4)
    if p["lag"] > 0:
        A = np.block([[A, B], [np.zeros((N, 4)), -np.eye(N) / p["lag"]]])
        B = np.vstack([np.zeros((4, N)), np.eye(N) / p["lag"]])
        C = np.hstack([C, np.zeros((4, N))])
    return A, B, C


class Loop:
    """The sampled loop over one sensor period as one linear map."""

    def __init__(self, case, at_setpoint=False):
        self.dt, self.m = case["dt"], case["hold"]
        dt, m = self.dt, self.m
        J, W = np.array(case["J"]), np.array(case["W"])
        N = J.shape[0]
        taut = [i != case["slack"] for i in range(N)]
        A, B, C = joint_matrices(case["plant"], taut, J, W)
        n = A.shape[0]
        delay = case["plant"]["dead"] / dt
        whole = int(np.floor(delay + 1e-9))
        part = max(delay - whole, 0.0)
        aug = np.block([[A, B], [np.zeros((N, n + N))]])
        full, to = expm(aug * dt), expm(aug * dt * (1 - part))
        F, G = full[:n, :n], full[:n, n:]
        Cx, Cu = C @ to[:n, :n], C @ to[:n, n:]
        P = J @ np.linalg.inv(J.T @ np.diag(W) @ J) @ J.T @ np.diag(W)
        gains = case["gains"]
        ops = [operator(g["lambda"], dt) for g in gains]
        ders = [derivative(g["mu"], g["corner"], m * dt) if g["kd"] > 0 else None for g in gains]
        # State: joint, operators, derivatives, measurements under way (4 each), derivatives' outputs, held sample.
        sizes = [n] + [o[0].shape[0] for o in ops] + [0 if d is None else d[0].shape[0] for d in ders]
        at = np.concatenate([[0], np.cumsum(sizes)]).astype(int)
        x_ring = at[-1]
        x_held = x_ring + 4 * (whole + 1)
        x_der = x_held + 4
        total = x_der + N
        ins = 4  # error of bend (2), error of rate (2); opened at the setpoint: setpoint as a bend, two unused

        def row(i, count):
            R = np.zeros((count, total + ins))
            R[:, i : i + count] = np.eye(count)
            return R

        # Each quantity is a row over [state at the start of the period, input]; propagated tick by tick.
        state = [row(0, total)[i] for i in range(total)]
        state = np.array(state)
        e_in = np.zeros((4, total + ins))
        e_in[:, total:] = np.eye(4)
        out = None
        for tick in range(m):
            ring = state[x_ring : x_ring + 4 * (whole + 1)].copy()
            seen = ring[:4]
            if tick == 0:
                out = seen
                held = seen if at_setpoint else e_in
                der_out = state[x_der:].copy()
                der_state = []
                for i in range(N):
                    e = J[i] @ held[:2]
                    if ders[i] is None:
                        continue
                    a = at[1 + N + i]
                    b = at[2 + N + i]
                    Ad, Bd, Cd, Dd = ders[i]
                    xs = state[a:b].copy()
                    der_out[i] = (Cd @ xs)[0] + Dd[0, 0] * e
                    state[a:b] = Ad @ xs + Bd @ e[None, :]
            u = np.zeros((N, total + ins))
            for i in range(N):
                g = gains[i]
                e = J[i] @ held[:2]
                a, b = at[1 + i], at[2 + i]
                Ao, Bo, Co, Do = ops[i]
                xs = state[a:b].copy()
                integral = (Co @ xs)[0] + Do[0, 0] * g["ki"] * e
                state[a:b] = Ao @ xs + Bo @ (g["ki"] * e)[None, :]
                u[i] = g["kp"] * e + integral + g["kd"] * der_out[i]
            u = P @ u + J @ (case["damping"] * held[2:])
            if at_setpoint:
                out = np.vstack([np.linalg.pinv(J) @ u, np.zeros((2, total + ins))])
                u = J @ e_in[:2]
            x = state[:n].copy()
            measured = Cx @ x + Cu @ u
            state[:n] = F @ x + G @ u
            new_ring = np.vstack([ring[4:], measured])
            state[x_ring:x_held] = new_ring
            state[x_held:x_der] = held
            state[x_der:] = der_out
        self.A, self.B = state[:, :total], state[:, total:]
        self.C, self.D = out[:, :total], out[:, total:]
        self.total = total

    def response(self, w):
        z = np.exp(1j * w * self.dt * self.m)
        return self.C @ np.linalg.solve(z * np.eye(self.total) - self.A, self.B) + self.D

    def poles(self):
        K = np.linalg.solve(np.eye(4) + self.D, self.C)
        return np.linalg.eigvals(self.A - self.B @ K)


def gains(kp, ki, lam, kd=0.0, mu=1.0, corner=100.0):
    return {"kp": kp, "ki": ki, "lambda": lam, "kd": kd, "mu": mu, "corner": corner}


def number(c):
    return [float(c.real), float(c.imag)]


# The straight joint of config/glasshouse-neck.yaml: J_i = r/r_drum (cos psi_i, sin psi_i), W_i = k r_drum^2.
ANGLES = np.radians([20, 115, 197, 290])
J = [[33 / 8 * float(np.cos(a)), 33 / 8 * float(np.sin(a))] for a in ANGLES]
W = [1600 * 0.008**2] * 4


def plant(gain, w, z, dead, lag=0.0):
    return {"gain": gain, "w": w, "z": z, "dead": dead, "lag": lag}


ALIKE = {
    "any-payload": (gains(0.05, 5.5, 1.0), 0.032),
    "bare": (gains(0.07, 6.5, 1.1), 0.028),
    "camera-and-lamp": (gains(0.15, 5.5, 0.9), 0.03),
    "pid": (gains(0.04, 5.5, 1.0, 0.005, 0.8, 80.0), 0.026),
    "pure-feedback": (gains(0.206, 3.83, 1.146), 0.03),
    "steep": (gains(0.3, 22.0, 1.3, 0.01, 1.3, 60.0), 0.0),
}
PLANTS = {
    "bare": plant(0.944, 44.2, 0.46, 0.013),
    "middle": plant(0.974, 30.0, 0.3, 0.0085),
    "heavy": plant(1.02, 16.8, 0.14, 0.02),
    "behind motors": plant(0.95, 60.0, 0.4, 0.0062, 0.017),
}


def cases():
    out = []

    def case(law, g, damping, name, dt, hold, slack):
        out.append(
            {"law": law, "model": name, "gains": g, "damping": damping, "plant": PLANTS[name], "dt": dt, "hold": hold,
             "slack": slack, "J": J, "W": W}
        )

    for law, (g, damping) in ALIKE.items():
        for name in PLANTS:
            case(law, [g] * 4, damping, name, 0.005, 1, None)
            case(law, [g] * 4, damping, name, 0.005, 1, len(out) % 4)
    for law in ("any-payload", "pid", "steep"):
        g, damping = ALIKE[law]
        for hold, dt in ((4, 0.005), (2, 0.01), (1, 0.002)):
            case(law, [g] * 4, damping, "middle", dt, hold, None)
            case(law, [g] * 4, damping, "heavy", dt, hold, 1)
    unlike = [gains(0.05, 5.5, 1.0), gains(0.3, 9.0, 0.8), gains(0.1, 3.0, 1.2, 0.004, 0.9, 70.0), gains(0.2, 0.0, 1.0)]
    for name in PLANTS:
        for slack in (None, 0, 1, 2, 3):
            case("unlike", unlike, 0.02, name, 0.005, 1, slack)
        case("unlike", unlike, 0.02, name, 0.005, 4, 2)
    # Too much: gains times a factor, damping.
    for factor in (3.0, 4.0, 6.0, 10.0):
        g = gains(0.05 * factor, 5.5 * factor, 1.0)
        case("strong", [g] * 4, 0.032, "heavy", 0.005, 1, None)
        case("strong", [g] * 4, 0.032, "heavy", 0.005, 1, 1)
        case("strong", [g] * 4, 0.032, "bare", 0.005, 4, None)
    for damping in (0.042, 0.06, 0.09):
        for name in ("bare", "behind motors"):
            case("damped", [ALIKE["bare"][0]] * 4, damping, name, 0.005, 1, None)
    return out


def scalar_margins(case):
    """Margins of the scalar loop of motors that are alike, by python-control on its sampled response."""
    loop = Loop(case, at_setpoint=True)
    T = case["dt"] * case["hold"]
    w = np.geomspace(0.5, np.pi / T * 0.9999, 1500)
    L = np.array([loop.response(x)[0, 0] for x in w])
    gm, pm, sm, wpc, wgc, _ = control.stability_margins(control.frd(L, w, smooth=True))
    return [float(pm), float(wgc), float(gm), float(wpc)]


def ideal_step(name, law, plant_name, dt):
    g, damping = law
    p = PLANTS[plant_name]
    dead = mp.mpf(p["dead"])
    delay = dead + mp.mpf(dt) / 2
    n = 1 if g["mu"] <= 1 else 2

    def parts(s, power, number):
        c = number(g["kp"]) + number(g["ki"]) * power(s, -number(g["lambda"]))
        if g["kd"] > 0:
            c += number(g["kd"]) * power(s, number(g["mu"])) / (1 + s / number(g["corner"])) ** n
        w, z = number(p["w"]), number(p["z"])
        joint = number(p["gain"]) * w**2 / (s**2 + 2 * z * w * s + w**2) / (1 + s * number(p["lag"]))
        return c, joint, (c + number(damping) * s) * joint

    jump = g["kp"] + (g["kd"] * g["corner"] ** n if g["mu"] == n and g["kd"] > 0 else 0.0)

    def value(t, bend):
        """Exactly; the setpoint without its jump."""
        how = dict(method="dehoog", degree=60)
        start = dead if bend else mp.mpf(0)

        def term(k):
            def f(s):
                c, joint, loop = parts(s, mp.power, mp.mpf)
                return (c * (joint if bend else 1) * loop**k - (0 if bend or k else jump)) / s
            return f

        t = mp.mpf(t)
        if t <= start:
            return mp.mpf(0)
        if t - start <= 12 * delay:
            total = mp.mpf(0)
            for k in range(13):
                late = t - start - k * delay
                if late > 0:
                    total += (-1) ** k * mp.invertlaplace(term(k), late, **how)
            return total

        def whole(s):
            c, joint, loop = parts(s, mp.power, mp.mpf)
            closed = c / (1 + loop * mp.exp(-s * delay))
            return ((closed * joint * mp.exp(-s * dead)) if bend else closed - jump) / s

        return mp.invertlaplace(whole, t, **how)

    # The series: half period twice the end.
    end = 12.0
    k = np.arange(60_000)
    s = (7 + 1j * np.pi * k) / (2 * end)
    c, joint, loop = parts(s, np.power, float)
    closed = c / (1 + loop * np.exp(-s * float(delay)))
    times = np.concatenate([np.linspace(0.002, 2.0, 1000), np.linspace(2.01, end, 1000)])

    def series(f):
        f = f / s
        f[0] /= 2
        return np.array([np.exp(7 * t / (2 * end)) / (2 * end) * (f * np.exp(1j * np.pi * t / (2 * end) * k)).real.sum() for t in times])

    def highest(values, bend):
        at = int(values.argmax())
        if at == 0 or values[at] <= 0:
            return None
        if at == len(times) - 1:
            # Still rising: what it comes to in 20 s.
            return float(value(20, bend))
        a, b = mp.mpf(times[at - 1]), mp.mpf(times[at + 1])
        for _ in range(14):
            x, y = a + (b - a) / 3, b - (b - a) / 3
            if value(x, bend) < value(y, bend):
                a = x
            else:
                b = y
        return float(value((a + b) / 2, bend))

    bends, setpoints = series(closed * joint * np.exp(-s * float(dead))), series(closed - jump)
    top = highest(bends - 1, True)
    overshoot = 0.0 if top is None else max(0.0, 100 * (top - 1))
    peak = highest(setpoints, False)
    # Out of the band for the last time.
    last = int(np.nonzero(abs(bends - 1) > 0.05)[0][-1])
    side = np.sign(bends[last] - 1)
    a, b = mp.mpf(times[last]), mp.mpf(times[last + 1])
    for _ in range(14):
        m = (a + b) / 2
        if side * (value(m, True) - 1) > 0.05:
            a = m
        else:
            b = m
    check = max(abs(float(value(t, True)) - bends[int(np.argmin(abs(times - t)))]) for t in (times[150], times[400], times[900]))

    def density(w, power):
        s = 1j * w
        c, joint, loop = parts(s, np.power, float)
        closed = 33 / 8 / abs(1 + loop * np.exp(-s * float(delay))) * np.array([abs(c) * 0.001, damping * 0.01])
        return float((closed**2).sum()) * w**power

    most = np.pi / dt
    cuts = [1e-9, 1.0, 5.0, 20.0, 60.0, 150.0, most]
    total = lambda power: sum(scipy.integrate.quad(density, a, b, (power,), limit=500, epsrel=1e-10)[0] for a, b in zip(cuts, cuts[1:]))
    return {"law": name, "model": plant_name, "gains": g, "damping": damping, "plant": p, "dt": dt, "overshoot": overshoot,
            "settling": float(b) + dt / 2, "peak": max(jump, jump + (peak or 0.0)),
            "noise": float(np.sqrt(total(0) / most)), "noise_speed": float(np.sqrt(total(2) / most)), "series_apart": float(check)}


def ideal_steps():
    rows = []
    for law, model in (("any-payload", "bare"), ("any-payload", "heavy"), ("bare", "middle"), ("bare", "heavy"),
                       ("camera-and-lamp", "middle"), ("pid", "bare"), ("pid", "heavy"), ("pure-feedback", "behind motors"),
                       ("pure-feedback", "bare"), ("unit derivative", "middle")):
        rows.append(ideal_step(law, IDEAL.get(law) or ALIKE[law], model, 0.005))
        print(rows[-1])
    return rows


IDEAL = {"unit derivative": (gains(0.1, 6.0, 0.95, 0.004, 1.0, 60.0), 0.02)}


def main():
    rows = []
    for c in cases():
        loop = Loop(c)
        T = c["dt"] * c["hold"]
        row = {k: v for k, v in c.items() if k not in ("J", "W")}
        row["responses"] = []
        opened = Loop(c, at_setpoint=True) if c["hold"] == 1 else None
        for w in np.geomspace(0.3, 0.95 * np.pi / T, 7):
            H = loop.response(w)
            entry = [float(w), *number(np.linalg.det(np.eye(4) + H)), *number(np.trace(H))]
            if opened is not None:
                L = opened.response(w)[:2, :2]
                entry.append(float(1 / np.linalg.svd(np.eye(2) + L, compute_uv=False)[-1]))
            row["responses"].append(entry)
        row["radius"] = float(max(abs(loop.poles())))
        row["unstable"] = int(np.sum(abs(loop.poles()) > 1 + 1e-6))
        if opened is not None:
            w = np.geomspace(0.5, np.pi / T, 700)
            row["peak"] = float(max(1 / np.linalg.svd(np.eye(2) + opened.response(x)[:2, :2], compute_uv=False)[-1] for x in w[:-1]))
        if c["slack"] is None and c["hold"] == 1 and c["law"] in ("any-payload", "pid", "camera-and-lamp"):
            row["margins"] = scalar_margins(c)
        rows.append(row)
    ideal = []
    for order in (0.5, 0.9, 1.0, 1.146, 1.5):
        for w in (0.5, 3.0, 20.0):
            ideal.append([order, w, *[float(x) for x in (lambda h: (h.real, h.imag))(mp.power(mp.mpc(0, w), -mp.mpf(str(order))))]])
    path = pathlib.Path(__file__).with_name("examine.json")
    path.write_text(json.dumps({"loops": rows, "continuous": ideal, "ideal_steps": ideal_steps()}, indent=None) + "\n")
    print(len(rows), sum(r["unstable"] > 0 for r in rows))


if __name__ == "__main__":
    main()

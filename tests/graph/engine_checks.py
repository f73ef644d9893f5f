"""The engine's joint against closed forms, without the graph."""

import math

import numpy as np

from engine import BEAM, HEAD, LENGTH, RIGIDITY, STEP, STIFFNESS, Beam, bend, mujoco

RADIUS, ANGLES = 0.033, [20.0, 115.0, 197.0, 290.0]
STILL = np.zeros(4)


def fresh(slack=False, gravity=True):
    beam = Beam(RADIUS, ANGLES, [0, 1, 2, 3], [1.0] * 4)
    if slack:
        beam.unstretched += 1.0
    if not gravity:
        beam.model.opt.gravity[:] = 0
    return beam


def run(beam, seconds, angles=STILL):
    for _ in range(round(seconds / STEP)):
        beam.step(angles)


def close(what, got, wanted, share):
    print("%s: %.5g, closed form %.5g" % (what, got, wanted))
    assert abs(got / wanted - 1) < share, (what, got, wanted)


# A clamped beam under a lateral force at its end: F L^3 / (3 EI) (Gere and Timoshenko, "Mechanics
# of Materials", table of deflections of cantilevers; from memory). The force acts at the last
# link's centre of mass, a quarter of a link before the end.
beam = fresh(slack=True, gravity=False)
force, arm = 0.05, LENGTH - 0.25 * LENGTH / 12
beam.push(force, 0.0)
run(beam, 3.0)
at_force = force * arm**3 / (3 * RIGIDITY)
slope = force * arm**2 / (2 * RIGIDITY)
close("deflection by a force, m", beam.tip()[0], at_force + slope * (LENGTH - arm), 0.01)

# A moment at the end bends it to a circle of curvature M / EI: two tendons of unequal tension.
# Their moment about the axis is sum T r u, for small bends. Tendons under 0.3 N each: at 4 N they
# press on the beam between two discs as on a strut, which softens it by 5 %.
beam = fresh(gravity=False)
beam.unstretched += 3.7 / STIFFNESS
pulled = 0.01 * np.cos(np.radians(np.array(ANGLES) - 20.0))
run(beam, 3.0, pulled)
directions = np.array([[math.cos(math.radians(a)), math.sin(math.radians(a))] for a in ANGLES])
moment = RADIUS * beam.tension @ directions
bent = math.hypot(*bend(beam.head()[0]))
close("bend by a moment, rad", bent, math.hypot(*moment) * LENGTH / RIGIDITY, 0.01)

# The straight beam at balanced tension stays straight, in spite of gravity.
beam = fresh()
run(beam, 2.0)
assert math.hypot(*bend(beam.head()[0])) < 1e-6, bend(beam.head()[0])

# Its mode with a mass at the end, slack tendons, no gravity: sqrt(3 EI / (L^3 (M + 33/140 m)))
# (Rayleigh; Blevins, "Formulas for Natural Frequency and Mode Shape"; from memory). The head's
# inertia and height lower it by some per cent, so a heavy payload at the beam's end is taken.
beam = fresh(slack=True, gravity=False)
beam.model.dof_damping[:] *= 0.02
beam.load(2.0, 0.0)
beam.push(0.5, 0.0)
run(beam, 0.3)
beam.push(0.0, 0.0)
crossings, last = [], None
for count in range(round(8.0 / STEP)):
    beam.step(STILL)
    place = beam.tip()[0]
    if last is not None and last < 0 <= place:
        crossings.append(count * STEP)
    last = place
period = (crossings[-1] - crossings[0]) / (len(crossings) - 1)
mass = 2.0 + HEAD + 33 / 140 * BEAM
close("mode with a mass, rad/s", 2 * math.pi / period, math.sqrt(3 * RIGIDITY / (LENGTH**3 * mass)), 0.02)

# Tendons only pull.
beam = fresh()
run(beam, 1.0, np.full(4, -3.0))
assert (beam.tension >= 0).all() and beam.tension.max() == 0, beam.tension

"""Deactivation and activation of a bent joint, without a jump; the last and the first setpoints."""

import sys

from managed import *

kind = sys.argv[1]
field = "position" if kind == "position" else "velocity"
c = Managed()
c.tracking()
c.point(bend_deg(20, 70))
assert c.state() == ACTIVE
# Held within tolerance is not yet at rest.
until(c.is_at_rest, "rest")
at = c.truth()
stays = lambda: math.dist(c.truth(), at) < math.radians(0.5)
for _ in range(3):
    c.clear("setpoints")
    c.make(DEACTIVATE)
    c.silence()
    holds(stays, "it stays while inactive", 0.5)
    c.clear("setpoints")
    index = c.count("joint_states")
    until(lambda: c.count("joint_states") > index, "encoders")
    before = angles(c.newest["joint_states"], MOTORS)
    c.make(ACTIVATE)
    until(lambda: c.count("setpoints") > 50, "setpoints")
    sent = [angles(m, MOTORS, field) for m in c.all["setpoints"]]
    if kind == "position":
        jump = max(abs(a - b) for a, b in zip(sent[0], before))
        # The plant's encoders have no quantum; the motors creep toward the setpoint held.
        assert jump < 0.01, "the first setpoint is %.4f rad from where the motor stands" % jump
        steps = max(abs(a - b) for x, y in zip(sent, sent[1:]) for a, b in zip(x, y))
        assert steps < 0.01, steps
    else:
        assert max(abs(v) for s in sent for v in s) < 0.5, sent
    holds(stays, "it stays when active", 1.0)

# In the middle of a move: it comes to rest short of the target, and is silent then.
c.send(c.pose(bend_deg(20, 250)))
until(lambda: math.dist(c.truth(), at) > 0.08, "motion")
c.clear("setpoints")
begin = now()
c.make(DEACTIVATE)
took = now() - begin
sent = [angles(m, MOTORS, field) for m in c.all["setpoints"]]
c.silence()
if kind == "position":
    steps = [max(abs(a - b) for a, b in zip(x, y)) for x, y in zip(sent, sent[1:])]
    assert max(steps[-10:]) < 2e-3 < max(steps), steps
else:
    assert sent[-1] == [0.0] * 4, sent[-1]
assert math.dist(c.truth(), bend_deg(20, 250)) > 0.05
print("deactivated in motion within %.2f s" % took)
assert took < 6.0, took
rest = c.truth()
holds(lambda: math.dist(c.truth(), rest) < math.radians(0.2), "rest", 0.7)
done()

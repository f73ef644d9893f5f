"""A behaviour sends poses; the joint's truth has to follow, and the node's outputs have to be
consistent."""

import math
import sys

from client import *

# Arguments: joint's full name, namespace of the sensors, topic of desired poses ("" for the joint's
# own).
joint, ns, desired = sys.argv[1:4]
imu = sys.argv[4] if len(sys.argv) > 4 else "imu"
topics = {"imu": imu}
if desired:
    topics["desired_pose"] = desired
c = Client(joint, ns, topics=topics)
c.tracking()
until(lambda: c.count("setpoints") > 20 and "truth" in c.newest, "setpoints and truth")

# A start without a command leaves the joint where it was.
near(c.truth(), (0.05, -0.03 - math.radians(1.0)), math.radians(0.5), "before a command")

for inclination, direction in ((12, 40), (20, 250), (0, 0)):
    asked = bend_deg(inclination, direction)
    c.point(asked)
    # Held means within 0.5 deg of the IMU's measurement; the plant's truth is what the IMU
    # measures.
    near(c.truth(), asked, math.radians(0.7), "truth at %d deg toward %d deg" % (inclination, direction))
    near(c.measured(), asked, math.radians(0.7), "head pose at %d deg toward %d deg" % (inclination, direction))

# Messages carry exactly the stamp of the measurement that they come from.
stamps = {(m.header.stamp.sec, m.header.stamp.nanosec) for m in c.all["imu"]}
for key in ("setpoints", "head_pose", "references"):
    last = c.all[key][-40:-10]
    known = [m for m in last if (m.header.stamp.sec, m.header.stamp.nanosec) in stamps]
    # Best-effort streams may lose a sample on its way to this client.
    assert len(last) == 30 and len(known) >= 20, "%s: %d of %d stamps are of IMU samples" % (key, len(known), len(last))
    assert c.newest[key].header.frame_id == ("neck_base" if key == "head_pose" else "")
assert c.newest["setpoints"].name == MOTORS and len(c.newest["setpoints"].position) == 4
assert not c.newest["setpoints"].velocity and not c.newest["setpoints"].effort

# The head's position lies on the arc: Webster and Jones 2010, L = 0.12 m.
c.point(bend_deg(20, 250))
pose = c.newest["head_pose"].pose
theta, phi = (math.hypot(*c.measured()), math.atan2(*reversed(c.measured())))
want = [0.12 / theta * v for v in ((1 - math.cos(theta)) * math.cos(phi), (1 - math.cos(theta)) * math.sin(phi), math.sin(theta))]
got = [pose.position.x, pose.position.y, pose.position.z]
assert all(abs(a - b) < 1e-4 for a, b in zip(want, got)), (want, got)

# ~/hold under way stops the reference; the joint then stands. Slow motors make the move long, so
# that the hold comes during it even on a busy machine.
def speed(rad_s):
    result = c.set_all([("limits.%s.speed" % m, double(rad_s)) for m in MOTORS])
    assert result.successful, result.reason


speed(1.0)
c.clear("settled")
c.send(c.pose(bend_deg(20, 70)))
until(lambda: math.hypot(c.truth()[0] - bend_deg(20, 250)[0], c.truth()[1] - bend_deg(20, 250)[1]) > 0.1, "motion")
answer = c.call(Trigger, "hold")
assert answer.success, answer.message
until(lambda: any(m.data for m in c.all["settled"]), "the joint to be held where it was stopped")
assert math.hypot(c.truth()[0] - bend_deg(20, 70)[0], c.truth()[1] - bend_deg(20, 70)[1]) > 0.1, c.truth()
at = c.truth()
holds(lambda: math.hypot(c.truth()[0] - at[0], c.truth()[1] - at[1]) < math.radians(0.6), "it stands", 1.0)

speed(12.0)

# A yaw is no bend: it is reported as the residual (swing-twist, rotation about z by 0.3 rad).
c.point((0.0, 0.0))
c.send(c.pose(None, q=(0.0, 0.0, math.sin(0.15), math.cos(0.15))))
until(lambda: abs(float(c.status["target_left_over_rad"]) - 0.3) < 1e-5, "the twist in diagnostics")
near(c.truth(), (0.0, 0.0), math.radians(0.7), "after a twist")
done()

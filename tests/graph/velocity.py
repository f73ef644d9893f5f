"""Drives that take velocities: they track, and stale data mean zero, since a held velocity is no
hold."""

import math

from client import *

c = Client()
c.tracking()
for direction in (40, 200):
    c.point(bend_deg(12, direction))
    near(c.truth(), bend_deg(12, direction), math.radians(0.7), "with velocities")
message = c.newest["setpoints"]
assert message.name == MOTORS and len(message.velocity) == 4 and not message.position

c.send(c.pose(bend_deg(20, 20)))
until(lambda: max(abs(v) for v in c.newest["setpoints"].velocity) > 0.2, "motion")
c.switch("imu_on", False)
until(lambda: c.newest["setpoints"].velocity.tolist() == [0.0] * 4, "zero velocity")

# The drives stand from the sample after that on; the beam oscillates to rest about where they are.
index = c.count("joint_states")
until(lambda: c.count("joint_states") > index + 20, "encoders")
standing = angles(c.newest["joint_states"], MOTORS)
holds(lambda: c.newest["setpoints"].velocity.tolist() == [0.0] * 4, "zero stays", 1.0)
assert angles(c.newest["joint_states"], MOTORS) == standing
at = c.truth()
until(lambda: c.status["mode"] == "stopped", "the loop to stop")
c.switch("imu_on", True)
until(lambda: c.status["mode"] == "tracking", "the loop to start anew")
near(c.truth(), at, math.radians(1.0), "after the restart")
done()

"""Two joints in one process: one loses its sensors, and the other is unaffected."""

import math

from client import *

fed = Client("/left/withy", "left")
starved = Client("/right/withy", "right")
fed.tracking()
starved.tracking()
fed.point(bend_deg(12, 40))
starved.point(bend_deg(12, 130))

# The right joint's IMU falls silent in the middle of a move of both.
fed.send(fed.pose(bend_deg(20, 250)))
starved.send(starved.pose(bend_deg(20, 300)))
starved.switch("imu_on", False)
until(lambda: starved.status["mode"] == "holding" or starved.status["mode"] == "stopped", "stale data to be noticed")
assert int(starved.status["level"]) == 2 and "stale" in starved.status["message"], starved.status
until(lambda: starved.status["mode"] == "stopped", "the starved loop to stop")
assert "stale" in starved.status["message"], starved.status

# Its setpoint stays and is still sent; the other one's loop goes on at its rate and tracks.
index = starved.count("setpoints")
until(lambda: starved.count("setpoints") > index + 100, "held setpoints")
held = [angles(m, MOTORS) for m in starved.all["setpoints"][-100:]]
assert all(h == held[0] for h in held)
ticks, at = int(fed.status["cycles"]), now()
for direction in (70, 160, 250):
    fed.point(bend_deg(20, direction))
    near(fed.truth(), bend_deg(20, direction), math.radians(0.7), "the fed joint")
    assert fed.status["mode"] == "tracking"
until(lambda: int(fed.status["cycles"]) > ticks, "news")
assert angles(starved.newest["setpoints"], MOTORS) == held[0]

# Commands and parameters of one do not affect the other.
assert fed.set_all([("gain_set", text("bare"))]).successful
assert (fed.get("gain_set"), starved.get("gain_set")) == (["bare"], ["any-payload"])

# Data come back: the loop restarts where the joint is, and an old command does not move it.
before = starved.truth()
starved.send(starved.pose(bend_deg(20, 300)))
starved.switch("imu_on", True)
until(lambda: starved.status["mode"] == "tracking", "the loop to start anew")
holds(lambda: math.hypot(starved.truth()[0] - before[0], starved.truth()[1] - before[1]) < math.radians(1.5), "no jump", 1.0)
starved.point(bend_deg(12, 130))
near(starved.truth(), bend_deg(12, 130), math.radians(0.7), "after the restart")
done()

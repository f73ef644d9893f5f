"""A simulated joint that publishes the clock itself, faster or slower than real time, and a node on
it: `hold SPEED`, `paused` while it is stopped, `again` after it went on, `anew` after a restart."""

import math
import sys

from geometry_msgs.msg import Vector3Stamped
from rosgraph_msgs.msg import Clock

from client import *

what = sys.argv[1]
c = Client(topics={"truth": "nothing/true_bend"})
clock, bends = [], []
best_effort = QoSProfile(depth=1, reliability=ReliabilityPolicy.BEST_EFFORT)
c.node.create_subscription(Clock, "/clock", lambda m: clock.append((now(), seconds(m.clock))), best_effort)
c.node.create_subscription(Vector3Stamped, "simulated_neck/true_bend", lambda m: bends.append((m.vector.x, m.vector.y)), ALL)


def held(inclination, direction):
    """Commands a pose; it is held to the tolerance of real time, 0.7 deg."""
    began = clock[-1][1] if clock else 0.0
    c.point(bend_deg(inclination, direction))
    goal = bend_deg(inclination, direction)
    # Messages of the true bend may still be on their way.
    until(lambda: math.dist(bends[-1], goal) <= math.radians(0.7), lambda: "%s to be held, not %s" % (goal, bends[-1]))
    print("held after %.2f s of simulated time, %.3f deg off" % (
        clock[-1][1] - began,
        math.degrees(math.dist(bends[-1], goal))))


if what == "hold":
    speed = float(sys.argv[2])
    c.tracking()
    until(lambda: len(clock) > 100 and bends, "time")
    assert c.get("use_sim_time") == [True]
    result = c.set_each([("use_sim_time", ParameterValue(type=1, bool_value=False))])[0]
    assert not result.successful and "cannot be changed" in result.reason and "at start" in result.reason, result
    held(12, 40)
    held(20, 200)
    # Every message is stamped with simulated time.
    for key in ("setpoints", "head_pose", "references"):
        assert abs(seconds(c.newest[key].header.stamp) - clock[-1][1]) < 1.0, (key, c.newest[key].header.stamp)
    (m0, s0), (m1, s1) = clock[50], clock[-1]
    print("%.3f simulated seconds per second, %s asked; ticks %s, late %s, missed %s, rate %s Hz" % (
        (s1 - s0) / (m1 - m0), speed, c.status["cycles"], c.status["late_cycles"], c.status["missed_cycles"], c.status["tick_rate_hz"]))
    # It never runs faster than requested; a busy machine may make it slower.
    assert (s1 - s0) / (m1 - m0) < 1.05 * speed, (s1 - s0, m1 - m0)
    # One cycle per period of simulated time, at any speed.
    until(lambda: abs(float(c.status["tick_rate_hz"]) - 200.0) < 40.0, lambda: "the rate in simulated time: %s" % c.status)
elif what == "paused":
    until(lambda: "simulated time stands" in c.status.get("message", ""), lambda: "that time stands to be told: %s" % c.status)
    assert c.status["mode"] == "tracking" and c.status["level"] == 0, c.status
    ticks = c.status["cycles"]
    c.clear("setpoints")
    # Parameters may be set meanwhile.
    result = c.set_each([("limits.feedback", double(0.11))])[0]
    assert result.successful, result.reason
    answer = c.call(Trigger, "hold")
    assert not answer.success and "simulated time stands" in answer.message, answer
    for _ in range(2):
        before = c.status
        until(lambda: c.status is not before, "another report")
    assert c.status["cycles"] == ticks and c.count("setpoints") == 0 and c.status["mode"] == "tracking", c.status
elif what == "again":
    until(lambda: len(clock) > 100 and bends, "time to go on")
    until(lambda: c.status.get("mode") == "tracking" and "stands" not in c.status["message"], "the loop to go on")
    assert c.status["clock_steps"] == "0" and c.get("limits.feedback") == [0.11], c.status
    held(15, 100)
elif what == "anew":
    until(lambda: c.status.get("clock_steps") == "1", lambda: "the jump back to be told: %s" % c.status)
    c.tracking()
    until(lambda: bends, "the truth")
    # The new joint is straight, and stays so until commanded otherwise.
    begun = clock[-1][1]
    until(lambda: clock[-1][1] > begun + 1.0, "a second")
    most = max(math.hypot(*b) for b in bends)
    print("%.3f deg bent at most after the restart" % math.degrees(most))
    assert most < math.radians(1.0), most
    held(12, 300)
done()

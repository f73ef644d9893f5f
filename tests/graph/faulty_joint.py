"""Faults of the joint itself: IMU and encoders that disagree, over-bend, position limit, slack, a
stalled motor."""

from supervised import *

c = Watched()
c.tracking()
asked = bend_deg(12, 40)
c.point(asked)

# The IMU slips on its plate: it and the encoders measure different bends.
c.spoil("imu_shift", 0.4)
s = c.faulted("sensor_mismatch", "0.12 rad")
assert float(s["fault.sensor_mismatch.value_rad"]) > float(s["fault.sensor_mismatch.limit_rad"]) == 0.12, s
c.not_cleared("sensor_mismatch", "0.12 rad")
assert c.status["mode"] == "faulted"
c.spoil("imu_shift", 0)
c.cleared()
c.point(asked)
# A wider limit accepts the difference; the former one does not.
c.guards({"sensor_mismatch.limit": 0.8})
c.spoil("imu_shift", 0.4)
c.told("the shift", inclination_rad=lambda v: v and abs(float(v) - math.hypot(*asked)) > 0.2)
holds(lambda: c.status["mode"] == "tracking", "held by a guard that was widened", 2.5)
c.guards({"sensor_mismatch.limit": 0.12, "sensor_mismatch.after": 0.3})
c.faulted("sensor_mismatch")
c.spoil("imu_shift", 0)
c.cleared()
c.guards({"sensor_mismatch.after": 1.0})
c.point(asked)

# A motor stalls while the others pull on; its encoder still works.
c.spoil("stall.3", 1)
c.send(c.pose(bend_deg(25, 250)))
s = c.faulted("following_error", "neck_motor_4", motors="neck_motor_4")
assert float(s["fault.following_error.limit_rad"]) == 0.1, s
c.not_cleared("following_error", "neck_motor_4")
c.spoil("stall.3", 0)
c.cleared()
c.point(asked)

# An encoder loses its zero.
c.spoil("shift.0", 7.0)
s = c.faulted("position_limit", "neck_motor_1", motors="neck_motor_1")
assert 0.05 < float(s["fault.position_limit.value_rad"]) < 3.0, s
c.not_cleared("position_limit", "neck_motor_1")
c.spoil("shift.0", 0)
c.cleared()
c.point(asked)

# Limits that exclude where the joint is are refused; they are taken when it is inside.
c.point(bend_deg(25, 0))
before = c.get("limits.inclination", "limits.over_bend")
narrow = [("limits.inclination", double(0.3)), ("limits.over_bend", double(0.35))]
result = c.set_all(narrow)
assert not result.successful and "limits.inclination is 0.3000 rad, and the reference is at 0.436" in result.reason, result
result = c.set_all([("limits.neck_motor_1.travel_high", double(0.3))])
assert not result.successful and "travel_high is 0.3000 rad, and the motor is at" in result.reason, result
assert c.get("limits.inclination", "limits.over_bend") == before and c.status["mode"] == "tracking", c.status
c.point(bend_deg(16, 0))
result = c.set_all(narrow)
assert result.successful, result.reason

# Over-bend: the head is pulled beyond the limit, and feedback is too weak against it.
kept_out = {"sensor_mismatch.limit": 1.0, "sensor_mismatch.after": 10.0}
c.guards(kept_out)
c.spoil("load", 0.3)
s = c.told("told at once", over_bend="1", level=2)
s = c.faulted("over_bend", "limits.over_bend")
assert float(s["fault.over_bend.value_rad"]) > float(s["fault.over_bend.limit_rad"]) == 0.35, s
c.spoil("load", 0)
result = c.set_all([("limits.inclination", double(before[0])), ("limits.over_bend", double(before[1]))])
assert result.successful, result.reason
until(c.is_at_rest, "the head to come back")
c.cleared()
c.guards({"sensor_mismatch.limit": 0.12, "sensor_mismatch.after": 1.0})
c.point(asked)

# A motor has paid out: its tendon hangs slack. That alone is only reported; the other rules that it
# would trip are kept out.
c.guards({"following_error.after": 10.0, "sensor_mismatch.limit": 1.0, "sensor_mismatch.after": 10.0})
c.spoil("shift.1", -1.5)
s = c.told("slack", fault_slack="broken", cause="slack", reaction="warn", mode="tracking", level=1)
assert "neck_motor_2" in s["fault.slack.motors"] and int(s["slack_tendons"]) >= 1, s
assert "slack" in s["message"], s["message"]
# With the reaction `hold` it holds the joint.
c.guards({"slack.reaction": "hold", "slack.latch": True})
c.faulted("slack", "neck_motor_2")
c.spoil("shift.1", 0)
c.cleared()
c.guards({"slack.reaction": "warn", "slack.latch": False})
c.point(asked)
near(c.truth(), asked, math.radians(0.7), "at the end")
done()

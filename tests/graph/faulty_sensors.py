"""Sensors that fall silent or repeat themselves: the motors measure the bend where they may, else
the joint is held."""

from rcl_interfaces.msg import Log

from supervised import *

c = Watched()
logs = []
c.node.create_subscription(Log, "/rosout", logs.append, LATCHED)


def logged(level, *words):
    """Waits for one message on /rosout with this level (rcl_interfaces/Log) and all words."""
    found = lambda: [l.msg for l in logs if l.level == level and all(w in l.msg for w in words)]
    until(found, lambda: "%s on /rosout; seen: %s" % (words, [(l.level, l.msg) for l in logs]))
    assert len(found()) == 1, found()


ERROR, WARN, INFO = 40, 30, 20
c.tracking()
asked = bend_deg(12, 40)
c.point(asked)
s = c.told("nothing wrong", mode="tracking", reaction="none", cause="", latched_faults="", level=0)
assert not [k for k in s if k.startswith("fault.")], s
reply = c.call(Trigger, "clear_faults")
assert reply.success and "no fault" in reply.message, reply

# The IMU falls silent: the motors measure the bend, without a jump, and the joint still follows
# commands.
begun = now()
c.switch("imu_on", False)
grown = {"fault_imu_stale.value_s": lambda value: value and float(value) > 0.1}
s = c.told("the motors to serve", mode="tracking", feedback="motors", cause="imu_stale", level=1, **grown)
assert s["fault.imu_stale"] == "broken" and s["reaction"] == "warn" and s["latched_faults"] == "", s
assert float(s["fault.imu_stale.value_s"]) > float(s["fault.imu_stale.limit_s"]) == 0.1, s
assert "the bend comes from the motors" in s["message"] and "imu_stale" in s["message"], s["message"]
index = c.count("setpoints")
until(lambda: c.count("setpoints") > index + 100, "setpoints on the motors' word")
# Invented bound: 10 mrad of motor angle is 0.14 deg of bend.
step_sent = c.largest_step(begun)
assert step_sent < 0.01, step_sent
c.point(bend_deg(8, 100))
near(c.truth(), bend_deg(8, 100), math.radians(2.5), "by the motors, sag not corrected")
# The IMU comes back.
begun = now()
# The console has it too, with cause, figure, limit and remedy.
logged(WARN, "imu_stale: an IMU has been silent for 0.", "limits.stale_imu is 0.1 s", "remedy: check the driver, the topic and its rate")
logged(WARN, "the head's IMU is stale: the bend comes from the motors, and sag is not corrected")
c.switch("imu_on", True)
c.told("the IMU to serve again", mode="tracking", feedback="imu", cause="", reaction="none")
logged(INFO, "imu_stale has gone")
logged(INFO, "the bend comes from the IMU again")
index = c.count("setpoints")
until(lambda: c.count("setpoints") > index + 300, "setpoints on the IMU's word")
step_sent = c.largest_step(begun)
assert step_sent < 0.01, step_sent
near(c.truth(), bend_deg(8, 100), math.radians(0.7), "sag corrected again")

# Without the fallback to motors, the joint is held as long as the IMU is silent.
c.guards({"fallback_to_motors": False})
c.switch("imu_on", False)
s = c.told("a hold", mode="stopped", level=2, cause="imu_stale", reaction="hold")
assert "imu_stale" in s["message"] and "0.1 s" in s["message"], s["message"]
c.stands()
c.switch("imu_on", True)
c.told("tracking again", mode="tracking", cause="")
c.stays()
c.guards({"fallback_to_motors": True})
c.point(asked)

# One encoder falls silent: no other sensor measures its motor's angle.
c.spoil("silent.2", 1)
s = c.told("a hold", mode="stopped", level=2, cause="motor_stale", reaction="hold")
assert s["fault.motor_stale"] == "broken" and s["fault.motor_stale.motors"] == "neck_motor_3", s
assert "neck_motor_3" in s["message"], s["message"]
logged(ERROR, "motor_stale: the encoder of neck_motor_3 has been silent", "0.1 s", "remedy: check the motor driver")
c.stands()
c.spoil("silent.2", 0)
c.told("tracking again", mode="tracking", cause="", latched_faults="")
c.stays()
c.point(asked)

# The IMU repeats itself while the joint moves: it is ignored until the fault is cleared.
c.spoil("imu_freeze", 1)
c.send(c.pose(bend_deg(20, 220)))
s = c.told("a frozen IMU", fault_imu_frozen="latched", feedback="motors", mode="tracking", level=1)
assert s["latched_faults"] == "imu_frozen" and s["reaction"] == "warn", s
logged(ERROR, "imu_frozen is latched; ~/clear_faults clears it once the cause has gone")
assert "the bend comes from the motors" in s["message"] and "~/clear_faults" in s["message"], s["message"]
c.point(bend_deg(8, 130))
near(c.truth(), bend_deg(8, 130), math.radians(2.5), "by the motors, sag not corrected")
c.not_cleared("imu_frozen", "bit-identical")
c.spoil("imu_freeze", 0)
holds(lambda: c.status["feedback"] == "motors", "believed again by itself", 1.0)
until(c.try_clear, lambda: "faults to be cleared; last: %s" % c.reply.message)
c.told("the IMU to serve again", feedback="imu", latched_faults="", cause="")
c.point(asked)

# The same without the fallback to motors.
c.guards({"fallback_to_motors": False})
c.spoil("imu_freeze", 1)
c.send(c.pose(bend_deg(20, 220)))
c.faulted("imu_frozen", "bit-identical")
c.not_cleared("imu_frozen", "0.05 rad")
c.spoil("imu_freeze", 0)
c.cleared()
c.guards({"fallback_to_motors": True})
c.point(asked)

# An encoder repeats itself while its motor is commanded elsewhere.
c.spoil("freeze.1", 1)
c.send(c.pose(bend_deg(20, 220)))
c.faulted("motor_frozen", "neck_motor_2", "bit-identical", motors="neck_motor_2")
c.not_cleared("motor_frozen", "neck_motor_2")
c.spoil("freeze.1", 0)
c.cleared()
c.point(asked)
near(c.truth(), asked, math.radians(0.7), "at the end")
done()

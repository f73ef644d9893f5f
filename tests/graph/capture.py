"""A leaning base without an IMU: its orientation is captured from the straight, bare joint, or
refused."""

import math
import sys

from geometry_msgs.msg import QuaternionStamped, Vector3Stamped

from client import *

c = Client()
truth = []
c.node.create_subscription(Vector3Stamped, "simulated_neck/true_bend", truth.append, ALL)
lean = c.node.create_publisher(QuaternionStamped, "simulated_neck/base_orientation", RELIABLE_NEWEST)


def capture():
    answer = c.call(Trigger, "capture_base_orientation")
    return answer.success, answer.message


def bend():
    return (truth[-1].vector.x, truth[-1].vector.y)


def refused(*words):
    done_so, message = capture()
    assert not done_so, message
    for word in words:
        assert word in message, (word, message)


def change(name, value):
    result = c.set_all([(name, value)])
    assert result.successful, result.reason


c.tracking()
until(lambda: truth, "the simulated joint's truth")
if sys.argv[1:] == ["measured"]:
    # A base that has an IMU needs no capture.
    refused("base_imu")
    done()

# The base leans by a pitch of 12 deg. The node takes it for level, and bends away from the target.
# That IMU and encoders then differ for long is another test's concern.
wide = [("supervision.sensor_mismatch.limit", double(1.0)), ("supervision.sensor_mismatch.after", double(10.0))]
assert c.set_all(wide).successful
c.point((0.0, 0.0))
half = math.radians(12.0) / 2
message = QuaternionStamped()
message.quaternion.y, message.quaternion.w = math.sin(half), math.cos(half)
until(lambda: lean.get_subscription_count() > 0, "the simulated joint to listen")
lean.publish(message)
until(lambda: math.hypot(*bend()) > math.radians(1.0), "the bend to go wrong")

# The head has not been declared bare; after that, the joint is not straight.
refused("payload.mass is not set", "0.0")
change("payload.mass", double(0.2))
refused("payload.mass is 0.2 kg")
change("payload.mass", double(0.0))
until(lambda: float(c.status["bend_error_rad"]) < 0.2, "a rest")
refused("the inclination by the motors is", "'motors'")

# Straight by the motors: the orientation is captured, and reported in the joint file's format.
change("feedback", text("motors"))
c.point((0.0, 0.0))
taken, message = capture()
assert taken, message
roll, pitch = (float(message.split(word)[1].split(" deg")[0]) for word in ("roll ", "pitch "))
# The bare head itself sags a little to the side that the base leans to.
assert abs(roll) < 0.5 and abs(pitch - 12.0) < 1.5, message
assert "base_orientation_deg: {roll:" in message, message

# With it the IMU measures the bend again; the bare head's sag at the capture remains.
change("feedback", text("imu"))
for asked in (bend_deg(15, 40), bend_deg(15, 220), (0.0, 0.0)):
    c.point(asked)
    near(bend(), asked, math.radians(1.5), "bend on the leaning base")
print("captured roll %.2f, pitch %.2f deg" % (roll, pitch))

# A base that moves meanwhile is refused.
change("feedback", text("motors"))
c.point((0.0, 0.0))
back = QuaternionStamped()
back.quaternion.w = 1.0
lean.publish(back)
seen = truth[-1]
until(lambda: truth[-1] is not seen, "the simulation to go on")
taken, message = capture()
if taken:
    # The rotation had not begun, or was over: as good as still.
    assert "roll" in message, message
else:
    assert "moved by" in message or "inclination" in message, message
done()

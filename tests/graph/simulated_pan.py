"""A simulated joint with a pan motor on a base that tilts, or `swings`: its inputs and outputs on
the graph."""

import math
import sys
import threading
import time

import rclpy
from geometry_msgs.msg import PoseStamped, QuaternionStamped, Vector3Stamped
from rclpy.qos import QoSProfile, ReliabilityPolicy, qos_profile_sensor_data
from sensor_msgs.msg import Imu, JointState

from client import done

MOTORS = ["neck_motor_1", "neck_motor_2", "neck_motor_3", "neck_motor_4", "neck_pan"]
# Generous: only failures wait this long.
PATIENCE = 60.0

rclpy.init()
node = rclpy.create_node("looking_on")
last = {}


def listen(kind, topic, qos):
    node.create_subscription(kind, topic, lambda message: last.__setitem__(topic, message), qos)


reliable = QoSProfile(depth=10, reliability=ReliabilityPolicy.RELIABLE)
listen(JointState, "joint_states", qos_profile_sensor_data)
listen(Imu, "imu", qos_profile_sensor_data)
listen(Imu, "base_imu", qos_profile_sensor_data)
listen(Vector3Stamped, "simulated_neck/true_bend", reliable)
listen(PoseStamped, "simulated_neck/true_pose", reliable)
setpoints = node.create_publisher(JointState, "withy/motor_setpoints", 1)
base = node.create_publisher(QuaternionStamped, "simulated_neck/base_orientation", reliable)
asked = [0.0] * 5
threading.Thread(target=rclpy.spin, args=(node,), daemon=True).start()


def until(condition, what):
    """Keeps the motors commanded and waits until `condition()` is true."""
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        setpoints.publish(JointState(name=MOTORS, position=asked))
        if condition():
            return
        time.sleep(0.02)
    print(f"not within {PATIENCE} s: {what}; last: {last}", file=sys.stderr, flush=True)
    done(1)


def up(imu):
    """Returns the world's vertical in the unit's axes: the last row of its orientation's matrix."""
    q = imu.orientation
    return (2 * (q.x * q.z - q.w * q.y), 2 * (q.y * q.z + q.w * q.x), 1 - 2 * (q.x**2 + q.y**2))


def near(a, b, by):
    return all(abs(x - y) <= by for x, y in zip(a, b))


def turned(pose):
    """Returns the heading of the head's x axis in the base frame; the head is almost upright
    here."""
    q = pose.pose.orientation
    return math.atan2(2 * (q.x * q.y + q.w * q.z), 1 - 2 * (q.y**2 + q.z**2))


until(lambda: len(last) == 5, "all five topics")
assert list(last["joint_states"].name) == MOTORS, last["joint_states"].name
assert last["base_imu"].header.frame_id == "neck_base"
assert last["imu"].header.frame_id == "neck_head"
assert last["simulated_neck/true_pose"].header.frame_id == "neck_base"
assert last["base_imu"].orientation_covariance[0] > 0.0

if sys.argv[1:] == ["swings"]:
    # 10 deg to either side about the base's y axis: the vertical leans in the unit's x-z plane
    # only.
    for side in (1, -1):
        until(lambda: side * up(last["base_imu"])[0] > math.sin(math.radians(9.5)), f"the swing toward {side}")
        assert abs(up(last["base_imu"])[1]) < 0.01, last["base_imu"]
    assert abs(up(last["base_imu"])[0]) < math.sin(math.radians(10.5)), last["base_imu"]
    done(0)

# A setpoint for the pan by name, and the true pose; straight and level, the pan turns the head and
# does not bend it.
asked = [0.0, 0.0, 0.0, 0.0, 1.0]
until(
    lambda: abs(last["joint_states"].position[4] - 1.0) < 1e-3
    and abs(turned(last["simulated_neck/true_pose"]) - 1.0) < 1e-3,
    "the pan at 1 rad",
)
assert abs(last["simulated_neck/true_pose"].pose.position.z - 0.12) < 1e-3
bend = last["simulated_neck/true_bend"].vector
assert math.hypot(bend.x, bend.y) < 2e-3, bend

# The base pitches by 0.4 rad: its IMU reports it, and the head sags toward what is now down, as far
# as the tendons let it: 1 rad to the right in the pan's frame.
pitch = QuaternionStamped()
pitch.quaternion.y, pitch.quaternion.w = math.sin(0.2), math.cos(0.2)
expected = (-math.sin(0.4), 0.0, math.cos(0.4))
base.publish(pitch)
until(lambda: near(up(last["base_imu"]), expected, 0.01), "the base's unit at 0.4 rad of pitch")


def sags():
    bend = last["simulated_neck/true_bend"].vector
    aside = math.atan2(bend.y, bend.x)
    return math.hypot(bend.x, bend.y) > 0.004 and abs(aside + 1.0) < 0.15


until(sags, "the sag")

# An invalid orientation is dropped; a valid one after it is still accepted.
bad = QuaternionStamped()
bad.quaternion.w = 0.0
base.publish(bad)
level = QuaternionStamped()
base.publish(level)
until(lambda: near(up(last["base_imu"]), (0.0, 0.0, 1.0), 0.01), "the base level again")
done(0)

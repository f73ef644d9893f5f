"""What the clients have in common: a node that listens in the background, and waiting on conditions."""

import gc
import math
import os
import sys
import threading
import time
import traceback

import rclpy
from diagnostic_msgs.msg import DiagnosticArray
from geometry_msgs.msg import PoseStamped, Vector3
from rcl_interfaces.msg import Parameter, ParameterEvent, ParameterType, ParameterValue
from rcl_interfaces.srv import (
    DescribeParameters,
    GetParameters,
    GetParameterTypes,
    ListParameters,
    SetParameters,
    SetParametersAtomically,
)
from rclpy.executors import Executor, SingleThreadedExecutor
from rclpy.node import Node
from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy, qos_profile_sensor_data
from sensor_msgs.msg import Imu, JointState
from std_msgs.msg import Bool, Float64MultiArray, String
from std_srvs.srv import Trigger

RELIABLE_NEWEST = QoSProfile(depth=1, reliability=ReliabilityPolicy.RELIABLE)
LATCHED = QoSProfile(depth=1, reliability=ReliabilityPolicy.RELIABLE, durability=DurabilityPolicy.TRANSIENT_LOCAL)
# Generous: machines that run tests are shared, and only failures wait this long.
PATIENCE = 30.0


def until(condition, what, patience=PATIENCE):
    """Waits until `condition()` is true, and gives its value."""
    end = time.monotonic() + patience
    while time.monotonic() < end:
        value = condition()
        if value:
            return value
        time.sleep(0.005)
    raise AssertionError("waited %g s for: %s" % (patience, what() if callable(what) else what))


def holds(condition, what, seconds):
    """Watches for `seconds` that `condition()` stays true."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        assert condition(), what
        time.sleep(0.005)


def double(value):
    return ParameterValue(type=ParameterType.PARAMETER_DOUBLE, double_value=value)


def boolean(value):
    return ParameterValue(type=ParameterType.PARAMETER_BOOL, bool_value=value)


def integer(value):
    return ParameterValue(type=ParameterType.PARAMETER_INTEGER, integer_value=value)


def text(value):
    return ParameterValue(type=ParameterType.PARAMETER_STRING, string_value=value)


def plain(value):
    """A parameter value as Python has it."""
    return {
        0: None,
        1: value.bool_value,
        2: value.integer_value,
        3: value.double_value,
        4: value.string_value,
        9: list(value.string_array_value),
    }[value.type]


def quaternion(bend):
    """x, y, z, w of the attitude of a bend: the turn by |b| about (-b_y, b_x, 0)."""
    theta = math.hypot(*bend)
    k = math.sin(theta / 2) / theta if theta > 1e-12 else 0.5
    return (-bend[1] * k, bend[0] * k, 0.0, math.cos(theta / 2))


def bend_deg(inclination, direction):
    theta, phi = math.radians(inclination), math.radians(direction)
    return (theta * math.cos(phi), theta * math.sin(phi))


def seconds(stamp):
    return stamp.sec + 1e-9 * stamp.nanosec


class Client:
    """Listens to everything that the joint whose node is `joint` says, but for what `leave` names; `ns` is where its
        sensors are."""

    def __init__(self, joint="/withy", ns="", setpoints=JointState, topics=None, leave=()):
        if not rclpy.ok():
            rclpy.init(args=[])
        self.joint = joint
        self.node = rclpy.create_node("client", namespace=ns)
        self.newest = {}
        self.all = {}
        self.status = {}
        names = {
            "setpoints": (setpoints, joint + "/motor_setpoints", RELIABLE_NEWEST),
            "references": (JointState, joint + "/motor_references", qos_profile_sensor_data),
            "head_pose": (PoseStamped, joint + "/head_pose", qos_profile_sensor_data),
            "settled": (Bool, joint + "/settled", LATCHED),
            "events": (ParameterEvent, "/parameter_events", 10),
            "truth": (Vector3, "plant/true_bend", 10),
            "imu": (Imu, "imu", qos_profile_sensor_data),
            "joint_states": (JointState, "joint_states", qos_profile_sensor_data),
        }
        for key, topic in (topics or {}).items():
            if key in names:
                names[key] = (names[key][0], topic, names[key][2])
        for key, (kind, topic, qos) in names.items():
            self.all[key] = []
            if key in leave:
                continue
            self.node.create_subscription(kind, topic, lambda m, key=key: self.take(key, m), qos)
        self.node.create_subscription(DiagnosticArray, "/diagnostics", self.on_diagnostics, 10)
        desired = (topics or {}).get("desired_pose", joint + "/desired_pose")
        self.desired = self.node.create_publisher(PoseStamped, desired, RELIABLE_NEWEST)
        self.switch_out = self.node.create_publisher(String, "plant/switch", 10)
        self.services = {}
        self.rested = (time.monotonic(), (math.inf, math.inf))
        self.executor = SingleThreadedExecutor()
        self.executor.add_node(self.node)
        self.thread = threading.Thread(target=self.executor.spin, daemon=True)
        self.thread.start()

    def take(self, key, message):
        self.newest[key] = message
        history = self.all[key]
        history.append(message)
        if len(history) > 4000:
            del history[:2000]

    def on_diagnostics(self, message):
        for status in message.status:
            if status.name == self.joint.lstrip("/") + ": control loop":
                told = {v.key: v.value for v in status.values}
                told["level"] = ord(status.level) if isinstance(status.level, bytes) else status.level
                told["message"] = status.message
                self.status = told

    def count(self, key):
        return len(self.all[key])

    def clear(self, *keys):
        for key in keys:
            self.all[key].clear()
            self.newest.pop(key, None)

    # Commands.
    def tracking(self):
        until(lambda: self.status.get("mode") == "tracking", lambda: "the loop to track; diagnostics: %s" % self.status)

    def pose(self, bend, frame="neck_base", q=None):
        message = PoseStamped()
        message.header.frame_id = frame
        message.header.stamp = self.node.get_clock().now().to_msg()
        o = message.pose.orientation
        o.x, o.y, o.z, o.w = q or quaternion(bend)
        return message

    def send(self, message):
        until(lambda: self.desired.get_subscription_count() > 0, "a listener to desired poses")
        self.desired.publish(message)

    def point(self, bend):
        """Sends a pose and waits until the node says that it is held."""
        until(lambda: "settled" in self.newest, "a first word on settled")
        self.clear("settled")
        self.send(self.pose(bend))
        until(lambda: any(m.data for m in self.all["settled"]), lambda: "the pose to be held; diagnostics: %s" % self.status)

    def switch(self, what, on):
        until(lambda: self.switch_out.get_subscription_count() > 0, "the plant to listen")
        self.switch_out.publish(String(data="%s %s" % (what, "on" if on else "off")))

    def spoil(self, what, value):
        """Makes something of the plant wrong; 0 mends it."""
        until(lambda: self.switch_out.get_subscription_count() > 0, "the plant to listen")
        self.switch_out.publish(String(data="%s %g" % (what, value)))

    def truth(self):
        until(lambda: "truth" in self.newest, "the plant's truth")
        return (self.newest["truth"].x, self.newest["truth"].y)

    def is_at_rest(self):
        """It has been seen to stand for a second."""
        at = self.truth()
        if math.dist(at, self.rested[1]) > math.radians(0.1):
            self.rested = (time.monotonic(), at)
        return time.monotonic() - self.rested[0] > 1.0

    def measured(self):
        """The bend in the newest head pose."""
        until(lambda: "head_pose" in self.newest, "a head pose")
        o = self.newest["head_pose"].pose.orientation
        half = math.acos(max(-1.0, min(1.0, o.w)))
        k = 2 * half / math.sin(half) if half > 1e-9 else 2.0
        return (o.y * k, -o.x * k)

    def largest_step(self, since=0):
        """Greatest change between two setpoints of one motor, rad."""
        history = [angles(m, MOTORS) for m in self.all["setpoints"][since:]]
        return max(max(abs(a - b) for a, b in zip(x, y)) for x, y in zip(history, history[1:]))

    # Services.
    def call(self, kind, name, request=None):
        topic = name if name.startswith("/") else self.joint + "/" + name
        if topic not in self.services:
            self.services[topic] = self.node.create_client(kind, topic)
        client = self.services[topic]
        until(client.service_is_ready, "the service " + topic)
        future = client.call_async(request or kind.Request())
        until(future.done, "an answer of " + topic)
        return future.result()

    def get(self, *names):
        values = self.call(GetParameters, "get_parameters", GetParameters.Request(names=list(names))).values
        return [plain(v) for v in values]

    def everything(self):
        names = self.call(ListParameters, "list_parameters").result.names
        return dict(zip(names, self.get(*names)))

    def set_each(self, changes):
        parameters = [Parameter(name=n, value=v) for n, v in changes]
        return self.call(SetParameters, "set_parameters", SetParameters.Request(parameters=parameters)).results

    def set_all(self, changes):
        parameters = [Parameter(name=n, value=v) for n, v in changes]
        request = SetParametersAtomically.Request(parameters=parameters)
        return self.call(SetParametersAtomically, "set_parameters_atomically", request).result


def near(a, b, most, what=""):
    distance = math.hypot(a[0] - b[0], a[1] - b[1])
    assert distance <= most, "%s: %s and %s are %.4f apart, at most %.4f wanted" % (what, a, b, distance, most)


def angles(message, names, field="position"):
    by_name = dict(zip(message.name, getattr(message, field)))
    return [by_name[n] for n in names]


MOTORS = ["neck_motor_%d" % i for i in (1, 2, 3, 4)]


def leave():
    """Takes leave of the graph."""
    objects = gc.get_objects()
    for executor in [o for o in objects if isinstance(o, Executor)]:
        executor.shutdown(timeout_sec=1.0)
    for client in [o for o in objects if isinstance(o, Client)]:
        client.thread.join(1.0)
    for node in [o for o in objects if isinstance(o, Node)]:
        node.destroy_node()


def done(code=0):
    """Ends. One that is gone without taking leave holds the others up: for seconds they cannot send, and who comes next
    may not be heard (github.com/eProsima/Fast-DDS, issue 5469)."""
    leaving = threading.Thread(target=leave, daemon=True)
    leaving.start()
    leaving.join(10.0)
    sys.stdout.flush()
    sys.stderr.flush()
    # The middleware's threads are not waited for.
    os._exit(code)


def failed(*error):
    traceback.print_exception(*error)
    done(1)


sys.excepthook = failed

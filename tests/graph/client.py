"""Common parts of the clients: a node that listens in the background, and waits on conditions."""

import collections
import gc
import math
import os
import re
import sys
import threading
import time
import traceback

import rclpy
from incident_file import Read
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
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
from rclpy.node import Node
from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy, qos_profile_sensor_data
from sensor_msgs.msg import Imu, JointState
from std_msgs.msg import Bool, Float64MultiArray, String
from std_srvs.srv import Trigger
from timing import LOCKSTEP, Executor, clock, keep, now, seconds, stamp_of, step

RELIABLE_NEWEST = QoSProfile(depth=1, reliability=ReliabilityPolicy.RELIABLE)
LATCHED = QoSProfile(depth=100, reliability=ReliabilityPolicy.RELIABLE, durability=DurabilityPolicy.TRANSIENT_LOCAL)
# For topics that are read only once in a while.
ALL = QoSProfile(depth=100, reliability=ReliabilityPolicy.RELIABLE)
ALL_SENT = QoSProfile(depth=100, reliability=ReliabilityPolicy.BEST_EFFORT)
# Generous: machines that run tests are shared, and only failures wait this long.
PATIENCE = 30.0


def until(condition, what, patience=PATIENCE):
    """Waits until `condition()` is true, and returns its value. It fails once `patience` has passed
    on both clocks, the joint's and the machine's, or four times as much on the machine's."""
    begun, begun_here = now(), time.monotonic()
    while True:
        value = condition()
        if value:
            return value
        here = time.monotonic() - begun_here
        if here > patience and (now() - begun > patience or here > 4 * patience):
            raise AssertionError("waited %g s for: %s" % (patience, what() if callable(what) else what))
        step()


def holds(condition, what, seconds):
    """Checks for `seconds` that `condition()` stays true."""
    end = now() + seconds
    while now() < end:
        assert condition(), what() if callable(what) else what
        step()


def pause(seconds):
    """Lets time pass."""
    until_time(now() + seconds)


def until_time(end):
    """Lets time pass until it is `end`, and stops at the first step of time from there on."""
    with clock.no_further_than(end):
        until(lambda: now() >= end, "time to be %g s" % end)


def double(value):
    return ParameterValue(type=ParameterType.PARAMETER_DOUBLE, double_value=value)


def boolean(value):
    return ParameterValue(type=ParameterType.PARAMETER_BOOL, bool_value=value)


def integer(value):
    return ParameterValue(type=ParameterType.PARAMETER_INTEGER, integer_value=value)


def text(value):
    return ParameterValue(type=ParameterType.PARAMETER_STRING, string_value=value)


def plain(value):
    """Returns a parameter value as a Python value."""
    return {
        0: None,
        1: value.bool_value,
        2: value.integer_value,
        3: value.double_value,
        4: value.string_value,
        9: list(value.string_array_value),
    }[value.type]


def quaternion(bend):
    """Returns x, y, z, w of the orientation of a bend: the rotation by |b| about (-b_y, b_x, 0)."""
    theta = math.hypot(*bend)
    k = math.sin(theta / 2) / theta if theta > 1e-12 else 0.5
    return (-bend[1] * k, bend[0] * k, 0.0, math.cos(theta / 2))


def bend_deg(inclination, direction):
    theta, phi = math.radians(inclination), math.radians(direction)
    return (theta * math.cos(phi), theta * math.sin(phi))


class Client:
    """Subscribes to everything that the joint with the node `joint` publishes, except the keys in
    `leave`. `ns` is the namespace of its sensors."""

    def __init__(self, joint="/withy", ns="", setpoints=JointState, topics=None, leave=()):
        if not rclpy.ok():
            rclpy.init(args=[])
        self.joint = joint
        self.node = rclpy.create_node("client", namespace=ns)
        self.newest = {}
        self.all = {}
        self.counts = collections.Counter()
        self.status = {}
        names = {
            "setpoints": (setpoints, joint + "/motor_setpoints", ALL),
            "references": (JointState, joint + "/motor_references", ALL_SENT),
            "head_pose": (PoseStamped, joint + "/head_pose", ALL_SENT),
            "settled": (Bool, joint + "/settled", LATCHED),
            "target": (DiagnosticStatus, joint + "/target_state", LATCHED),
            "events": (ParameterEvent, "/parameter_events", ALL),
            "truth": (Vector3, "plant/true_bend", ALL),
            "imu": (Imu, "imu", ALL_SENT),
            "joint_states": (JointState, "joint_states", ALL_SENT),
        }
        for key, topic in (topics or {}).items():
            if key in names:
                names[key] = (names[key][0], topic, names[key][2])
        for key, (kind, topic, qos) in names.items():
            self.all[key] = []
            if key in leave:
                continue
            self.node.create_subscription(kind, topic, lambda m, key=key: self.take(key, m), qos)
        self.node.create_subscription(DiagnosticArray, "/diagnostics", self.on_diagnostics, ALL)
        desired = (topics or {}).get("desired_pose", joint + "/desired_pose")
        self.desired = self.node.create_publisher(PoseStamped, desired, RELIABLE_NEWEST)
        self.switch_out = self.node.create_publisher(String, "plant/switch", 10)
        self.services = {}
        self.rested = (now(), (math.inf, math.inf))
        clock.add(self.node)

    def take(self, key, message):
        self.newest[key] = message
        self.counts[key] += 1
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
        """Returns the number of messages since the last `clear`; `all` keeps the newest of them."""
        return self.counts[key]

    def clear(self, *keys):
        # Messages under way count as earlier ones.
        step()
        for key in keys:
            self.all[key].clear()
            self.counts[key] = 0
            self.newest.pop(key, None)

    # Commands.
    def tracking(self):
        until(lambda: self.status.get("mode") == "tracking", lambda: "the loop to track; diagnostics: %s" % self.status)

    def pose(self, bend, frame="neck_base", q=None):
        message = PoseStamped()
        message.header.frame_id = frame
        message.header.stamp = stamp_of(now())
        o = message.pose.orientation
        o.x, o.y, o.z, o.w = q or quaternion(bend)
        return message

    def send(self, message):
        until(lambda: self.desired.get_subscription_count() > 0, "a listener to desired poses")
        self.desired.publish(message)

    def point(self, bend):
        """Sends a pose and waits until the node reports it as settled."""
        before = self.command_number()
        self.send(self.pose(bend))
        held = lambda: self.command_number() > before and self.target()["settled"] == "1"
        until(held, lambda: "the pose to be held; diagnostics: %s" % self.status)

    # The joint's report on its target.
    def target(self):
        message = until(lambda: self.newest.get("target"), "a word on the target")
        values = {v.key: v.value for v in message.values}
        values["message"] = message.message
        values["level"] = ord(message.level) if isinstance(message.level, bytes) else message.level
        return values

    def command_number(self):
        return int(self.target().get("command", "0"))

    def switch(self, what, on):
        until(lambda: self.switch_out.get_subscription_count() > 0, "the plant to listen")
        self.switch_out.publish(String(data="%s %s" % (what, "on" if on else "off")))

    def spoil(self, what, value):
        """Sets a fault of the plant; 0 removes it."""
        until(lambda: self.switch_out.get_subscription_count() > 0, "the plant to listen")
        self.switch_out.publish(String(data="%s %g" % (what, value)))

    def truth(self):
        until(lambda: "truth" in self.newest, "the plant's truth")
        return (self.newest["truth"].x, self.newest["truth"].y)

    def is_at_rest(self):
        """Returns true once the truth has stayed within 0.1 deg for a second."""
        at = self.truth()
        if math.dist(at, self.rested[1]) > math.radians(0.1):
            self.rested = (now(), at)
        return now() - self.rested[0] > 1.0

    def measured(self):
        """Returns the bend in the newest head pose."""
        until(lambda: "head_pose" in self.newest, "a head pose")
        o = self.newest["head_pose"].pose.orientation
        half = math.acos(max(-1.0, min(1.0, o.w)))
        k = 2 * half / math.sin(half) if half > 1e-9 else 2.0
        return (o.y * k, -o.x * k)

    def largest_step(self, since):
        """Returns the greatest change between two setpoints of one motor in cycles from `since` on,
        rad. It reads the node's own recording, since a client may miss some."""
        reply = self.call(Trigger, "save_incident")
        assert reply.success, reply
        rows = Read(reply.message).rows
        sent = [[row[motor + "_setpoint_rad"] for motor in MOTORS] for row in rows if float(row["ros_time_s"]) >= since]
        sent = [[float(value) for value in values] for values in sent if all(values)]
        assert len(sent) > 10, len(sent)
        return max(max(abs(a - b) for a, b in zip(x, y)) for x, y in zip(sent, sent[1:]))

    # Services.
    def begin(self, kind, name, request=None):
        """Requests a service; returns a future that has the answer once it is `done()`."""
        topic = name if name.startswith("/") else self.joint + "/" + name
        if topic not in self.services:
            self.services[topic] = self.node.create_client(kind, topic)
        client = self.services[topic]
        until(client.service_is_ready, "the service " + topic)
        return client.call_async(request or kind.Request())

    def call(self, kind, name, request=None):
        future = self.begin(kind, name, request)
        # Most answers come while time stands.
        clock.soon(future.done)
        until(future.done, "an answer of " + name)
        return future.result()

    def get(self, *names):
        values = self.call(GetParameters, "get_parameters", GetParameters.Request(names=list(names))).values
        return [plain(v) for v in values]

    def everything(self):
        names = self.call(ListParameters, "list_parameters").result.names
        return dict(zip(names, self.get(*names)))

    def begin_each(self, changes):
        parameters = [Parameter(name=n, value=v) for n, v in changes]
        return self.begin(SetParameters, "set_parameters", SetParameters.Request(parameters=parameters))

    def set_each(self, changes):
        future = self.begin_each(changes)
        clock.soon(future.done)
        until(future.done, "an answer about parameters")
        return future.result().results

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
    """Shuts the executor down and destroys the nodes."""
    if clock.executor is not None:
        clock.executor.shutdown(1.0)
    for node in [o for o in gc.get_objects() if isinstance(o, Node)]:
        node.destroy_node()


def done(code=0):
    """Ends the process. A participant that ends without leaving the graph blocks the others: for
    seconds they cannot send, and the next one may not be heard (github.com/eProsima/Fast-DDS, issue
    5469)."""
    leaving = threading.Thread(target=leave, daemon=True)
    leaving.start()
    leaving.join(10.0)
    sys.stdout.flush()
    sys.stderr.flush()
    # Does not wait for the middleware's threads.
    os._exit(code)


def values(trace, place):
    """Returns the values of the names on a line."""
    frames = [f for f, line in traceback.walk_tb(trace) if (f.f_code.co_filename, line) == (place.filename, place.lineno)]
    names = dict.fromkeys(re.findall(r"[A-Za-z_]\w*", place.line or ""))
    known = [(n, v) for n in names for f in frames[-1:] for v in [{**f.f_globals, **f.f_locals}.get(n)] if v is not None]
    return ", ".join("%s = %.120r" % (n, str(v)) for n, v in known if not callable(v) and not isinstance(v, type(sys)))


def failed(kind, error, trace):
    """Prints in a few lines what was expected, what was seen, and where, after the whole trace for
    the log."""
    traceback.print_exception(kind, error, trace)
    frames = traceback.extract_tb(trace)
    own = [f for f in frames if os.path.basename(f.filename) != "client.py"]
    place = (own or frames)[-1]
    seen = " ".join(str(error).split()) or values(trace, place) or kind.__name__
    print("-- why", flush=True)
    print("expected: %s" % " ".join((place.line or "").split())[:400])
    print("seen:     %s" % seen[:600])
    print("at:       %s:%d" % (os.path.basename(place.filename), place.lineno))
    done(1)


sys.excepthook = failed

"""The interface packages that the project builds itself, against the standard and across the
middleware.

No node of Withy takes part: two participants of rclpy communicate with each other.
"""

import struct
import sys
import threading
import time

import rclpy
from action_msgs.msg import GoalStatus
from control_msgs.action import PointHead
from geometry_msgs.msg import TransformStamped
from rclpy.action import ActionClient, ActionServer
from rclpy.executors import SingleThreadedExecutor
from rclpy.serialization import deserialize_message, serialize_message
from tf2_msgs.msg import TF2Error, TFMessage

from client import PATIENCE, done, until


def cdr(*parts):
    """Returns plain CDR, little endian (DDS-XTypes, section 7.4.1), each byte as a number, or None
    for padding, whose content is unspecified. Parts are (format of `struct`, value), aligned to
    their size, or texts."""
    out = []
    for part in parts:
        values = [part]
        if isinstance(part, str):
            text = part.encode() + b"\0"
            values = [("I", len(text)), *(("B", byte) for byte in text)]
        for form, value in values:
            out += [None] * (-len(out) % struct.calcsize(form))
            out += struct.pack("<" + form, value)
    return [0, 1, 0, 0, *out]


def pose_of(number):
    t = TransformStamped()
    t.header.stamp.sec, t.header.stamp.nanosec = number, 7
    t.header.frame_id, t.child_frame_id = "glasshouse", "bench_" + "x" * number
    t.transform.translation.x, t.transform.translation.z = 1.5 * number, -0.25
    t.transform.rotation.x, t.transform.rotation.w = 0.6, 0.8
    return t


def same_bytes(message, expected):
    """Checks that a message serialises to `expected`, padded at the end to 4 bytes at most, and
    back to itself."""
    got = serialize_message(message)
    assert 0 <= len(got) - len(expected) < 4, (got, expected)
    wrong = [(at, have, want) for at, (have, want) in enumerate(zip(got, expected)) if want not in (None, have)]
    assert not wrong, (wrong, got)
    assert deserialize_message(got, type(message)) == message


# Bytes, against the encoder above, which is written from the standard.
error = TF2Error(error=TF2Error.TIMEOUT_ERROR, error_string="zu spät")
same_bytes(error, cdr(("B", 5), "zu spät"))
several = TFMessage(transforms=[pose_of(n) for n in range(40)])
parts = [("I", 40)]
for n in range(40):
    parts += [("i", n), ("I", 7), "glasshouse", "bench_" + "x" * n]
    parts += [("d", value) for value in (1.5 * n, 0.0, -0.25, 0.6, 0.0, 0.0, 0.8)]
same_bytes(several, cdr(*parts))
same_bytes(TFMessage(), cdr(("I", 0)))
goal = PointHead.Goal(pointing_frame="camera", max_velocity=0.5)
goal.target.header.frame_id = "glasshouse"
goal.target.point.x, goal.target.point.y, goal.target.point.z = 1.0, 2.0, 3.0
goal.pointing_axis.x = 1.0
goal.min_duration.sec, goal.min_duration.nanosec = 2, 9
same_bytes(goal, cdr(
    ("i", 0), ("I", 0), "glasshouse", ("d", 1.0), ("d", 2.0), ("d", 3.0), ("d", 1.0), ("d", 0.0), ("d", 0.0),
    "camera", ("i", 2), ("I", 9), ("d", 0.5)))

# A length beyond the message's own is refused, without an allocation for it.
try:
    deserialize_message(bytes(cdr(("I", 0xFFFFFFFF))), TFMessage)
    sys.exit("a message of 4294967295 transforms without one was taken")
except Exception as e:
    assert "TFMessage" in str(e), e

taken, feedback = [], []


def execute(handle):
    taken.append(handle.request)
    handle.publish_feedback(PointHead.Feedback(pointing_angle_error=0.25))
    handle.succeed()
    return PointHead.Result()


# The graph: a message and an action between two participants.
contexts, nodes = [], []
for name in ("here", "there"):
    context = rclpy.Context()
    rclpy.init(context=context)
    contexts.append(context)
    nodes.append(rclpy.create_node(name, context=context))
here, there = nodes
# Made before an executor runs: rclpy shows an action's client to the executor before it is complete,
# and an executor in another thread may end by that.
server = ActionServer(there, PointHead, "point_head", execute)
client = ActionClient(here, PointHead, "point_head")
for context, node in zip(contexts, nodes):
    executor = SingleThreadedExecutor(context=context)
    executor.add_node(node)
    threading.Thread(target=executor.spin, daemon=True).start()

got = []
there.create_subscription(TFMessage, "/tf", got.append, 10)
publisher = here.create_publisher(TFMessage, "/tf", 10)
until(lambda: publisher.get_subscription_count() == 1, "a subscription of /tf")
publisher.publish(several)
until(lambda: got, "a message on /tf")
assert got[0] == several
# Two participants match only if the hashes of their definitions are equal. These are the hashes
# that `ros2 topic info --verbose` prints for the packages of ROS 2 (Jazzy and newer; from published
# logs).
hashes = {str(i.topic_type_hash) for i in there.get_publishers_info_by_topic("/tf")}
assert hashes == {"RIHS01_e369d0f05a23ae52508854b66f6aa0437f3449d652e8cbf22d5abe85d020f087"}, hashes
publisher = here.create_publisher(TF2Error, "/error", 10)
hashes = until(lambda: {str(i.topic_type_hash) for i in there.get_publishers_info_by_topic("/error")}, "/error")
assert hashes == {"RIHS01_db2485e7d6a0ec75bf087e058ee45df682acc3a621ca7780503d10aac141809a"}, hashes


def pursue():
    """Sends the goal. Returns whether it was accepted, told of and ended within 2 s: a server that
    the client knows may not know the client yet, and then its answers are lost."""
    end = time.monotonic() + 2.0

    def answer(future):
        until(lambda: future.done() or time.monotonic() > end, "an answer")
        return future.result() if future.done() else None

    accepted = answer(client.send_goal_async(
        goal, feedback_callback=lambda m: feedback.append(m.feedback.pointing_angle_error)))
    if accepted is None:
        return False
    assert accepted.accepted
    result = answer(accepted.get_result_async())
    until(lambda: feedback or time.monotonic() > end, "the feedback")
    assert result is None or result.status == GoalStatus.STATUS_SUCCEEDED, result
    return result is not None and bool(feedback)


assert client.wait_for_server(PATIENCE), "no action server"
until(pursue, lambda: "the result and the feedback of a goal that was taken %d times" % len(taken))
assert set(feedback) == {0.25} and all(t == goal for t in taken), (feedback, taken)
done()

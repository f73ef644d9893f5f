"""Common parts of the clients of the action ~/point_head: goals, and the true line of sight of the
camera."""

import math
import os
import signal
import sys

from timing import clock, now, stamp_of

from action_msgs.msg import GoalStatus
from action_msgs.srv import CancelGoal
from client import ALL, LATCHED, Client, done, seconds, until
from control_msgs.action import PointHead
from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import PointStamped, PoseStamped
from rclpy.action import ActionClient
from std_srvs.srv import Trigger

joint = Client(topics={"truth": "simulated_neck/true_bend_unused"})
poses = []
states = []


def on_pose(message):
    poses.append((seconds(message.header.stamp), message.pose))


def on_state(message):
    values = {v.key: v.value for v in message.values}
    states.append({"message": message.message, **values})


joint.node.create_subscription(PoseStamped, "simulated_neck/true_pose", on_pose, ALL)
joint.node.create_subscription(DiagnosticStatus, "withy/target_state", on_state, LATCHED)
action = ActionClient(joint.node, PointHead, "/withy/point_head")
until(action.server_is_ready, "the action server")
joint.tracking()
until(lambda: poses and states, "true poses and the state of the target")


def goal(x, y, z, frame="neck_base", axis=(0.0, 0.0, 0.0), of="", least=0.0, speed=0.0):
    message = PointHead.Goal()
    message.target.header.frame_id = frame
    message.target.point.x, message.target.point.y, message.target.point.z = x, y, z
    message.pointing_axis.x, message.pointing_axis.y, message.pointing_axis.z = axis
    message.pointing_frame = of
    whole = math.floor(least)
    message.min_duration.sec, message.min_duration.nanosec = whole, int((least - whole) * 1e9)
    message.max_velocity = speed
    return message


class Sent:
    def __init__(self, message):
        self.way = []
        self.begun = now()
        future = action.send_goal_async(message, lambda f: self.way.append(f.feedback.pointing_angle_error))
        until(future.done, "an answer to a goal")
        self.handle = future.result()
        self.accepted = self.handle.accepted
        if self.accepted:
            self.result = self.handle.get_result_async()

    def end(self):
        until(self.result.done, "the end of a goal", 60.0)
        self.took = now() - self.begun
        return self.result.result().status


def ends(message, status):
    sent = Sent(message)
    assert sent.accepted
    got = sent.end()
    assert got == status, "%s ended as %d, not %d; way %s" % (message, got, status, sent.way)
    # The last feedback goes out before the result, on another topic.
    until(lambda: sent.way, "a word on the way")
    return sent


def hold():
    assert joint.call(Trigger, "hold").success


def between(a, b):
    """Returns the angle between the orientations of two poses, rad."""
    a, b = a.orientation, b.orientation
    return 2 * math.acos(min(1.0, abs(a.x * b.x + a.y * b.y + a.z * b.z + a.w * b.w)))


def sight(pose, point):
    """Returns the angle between optical axis and line of sight, rad, from the simulated joint's own
    pose: the camera is at (60, 0, 30) mm on the head plate and looks along its x."""
    o, p = pose.orientation, pose.position

    def rotated(v):
        # v + 2 w (u x v) + 2 u x (u x v)
        u = (o.x, o.y, o.z)
        c = cross(u, v)
        d = cross(u, c)
        return tuple(a + 2 * o.w * b + 2 * e for a, b, e in zip(v, c, d))

    def cross(a, b):
        return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])

    place = tuple(a + b for a, b in zip((p.x, p.y, p.z), rotated((0.06, 0.0, 0.03))))
    axis = rotated((1.0, 0.0, 0.0))
    line = tuple(a - b for a, b in zip(point, place))
    return math.atan2(math.hypot(*cross(axis, line)), sum(a * b for a, b in zip(axis, line)))


SUCCEEDED, ABORTED, CANCELED = GoalStatus.STATUS_SUCCEEDED, GoalStatus.STATUS_ABORTED, GoalStatus.STATUS_CANCELED
# Two places to look at.
there, back = (0.4, 0.5, 0.0), (0.5, -0.4, 0.15)

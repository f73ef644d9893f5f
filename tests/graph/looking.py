"""Common parts of the gaze clients: a joint with the pan and camera of
config/glasshouse-neck-pan.yaml, with the simulated joint of
config/glasshouse-neck-pan-simulated.yaml."""

from client import *
from geometry_msgs.msg import PointStamped, QuaternionStamped, TransformStamped
from std_msgs.msg import Float64
from tf2_msgs.msg import TFMessage

# The camera's place and axis on the head plate, by the joint file.
CAMERA, AXIS = (0.06, 0.0, 0.03), (1.0, 0.0, 0.0)
BASE, HEAD = "neck_base", "neck_head"
TO_ALL = QoSProfile(depth=100, reliability=ReliabilityPolicy.RELIABLE)
TO_ALL_KEPT = QoSProfile(depth=100, reliability=ReliabilityPolicy.RELIABLE, durability=DurabilityPolicy.TRANSIENT_LOCAL)


# Quaternions x, y, z, w and vectors, by the textbook.
def times(a, b):
    x, y, z, w = a
    p, q, r, s = b
    return (w * p + x * s + y * r - z * q, w * q - x * r + y * s + z * p, w * r + x * q - y * p + z * s, w * s - x * p - y * q - z * r)


def back(q):
    return (-q[0], -q[1], -q[2], q[3])


def turn(q, v):
    return times(times(q, (*v, 0.0)), back(q))[:3]


def plus(a, b):
    return tuple(x + y for x, y in zip(a, b))


def minus(a, b):
    return tuple(x - y for x, y in zip(a, b))


def length(v):
    return math.sqrt(sum(x * x for x in v))


def angle(a, b):
    cross = (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])
    return math.atan2(length(cross), sum(x * y for x, y in zip(a, b)))


def about_z(heading):
    return (0.0, 0.0, math.sin(heading / 2), math.cos(heading / 2))


def xyz(v):
    return (v.x, v.y, v.z)


def xyzw(q):
    return (q.x, q.y, q.z, q.w)


def off_axis(pose, point):
    """Returns the angle between the optical axis of a head at `pose` and the line of sight to a
    point, both in the base frame."""
    q = xyzw(pose.orientation)
    return angle(turn(q, AXIS), minus(point, plus(xyz(pose.position), turn(q, CAMERA))))


def spot(distance, azimuth, elevation):
    """Returns a point at this distance from a place 0.15 m above the beam's foot; m and deg."""
    azimuth, elevation = math.radians(azimuth), math.radians(elevation)
    level = distance * math.cos(elevation)
    return (level * math.cos(azimuth), level * math.sin(azimuth), 0.15 + distance * math.sin(elevation))


class GazeClient(Client):
    def __init__(self, leave=("truth", "imu", "joint_states", "references", "setpoints"), simulated="/simulated_neck"):
        super().__init__(leave=leave)
        more = {
            "true_pose": (PoseStamped, simulated + "/true_pose", TO_ALL),
            "residual": (Float64, "/withy/residual", ALL_SENT),
        }
        for key, (kind, topic, qos) in more.items():
            self.all[key] = []
            self.node.create_subscription(kind, topic, lambda m, key=key: self.take(key, m), qos)
        self.gaze = self.node.create_publisher(PointStamped, "/withy/gaze_point", RELIABLE_NEWEST)
        self.tf = self.node.create_publisher(TFMessage, "/tf", TO_ALL)
        self.tf_static = self.node.create_publisher(TFMessage, "/tf_static", TO_ALL_KEPT)

    def ready(self):
        """Waits until the joint tracks and receives gaze points."""
        self.tracking()
        heard = (self.gaze, self.tf, self.tf_static)
        until(lambda: all(p.get_subscription_count() for p in heard), "a listener to points and transforms")
        until(lambda: "true_pose" in self.newest and "target" in self.newest, "truth and a word on the target")

    def point_at(self, place, frame=BASE, stamp=None):
        message = PointStamped()
        message.header.frame_id = frame
        if stamp is not None:
            message.header.stamp = stamp_of(stamp)
        message.point.x, message.point.y, message.point.z = place
        self.gaze.publish(message)

    def tell(self, child, parent, place, q=(0.0, 0.0, 0.0, 1.0), stamp=None, fixed=False):
        """Publishes a transform; without a stamp, with the time now."""
        message = TransformStamped()
        message.header.frame_id, message.child_frame_id = parent, child
        message.header.stamp = stamp_of(now() if stamp is None else stamp)
        t, r = message.transform.translation, message.transform.rotation
        t.x, t.y, t.z = place
        r.x, r.y, r.z, r.w = q
        (self.tf_static if fixed else self.tf).publish(TFMessage(transforms=[message]))

    def look(self, place, frame=BASE, stamp=None):
        """Looks at a point, and waits until it is held. Returns the target's state."""
        before = self.command_number()
        self.point_at(place, frame, stamp)
        taken = lambda: self.command_number() > before and self.target()["settled"] == "1"
        until(taken, lambda: "%s in %s to be held; %s; %s" % (place, frame, self.newest["target"], self.status))
        return self.target()

    def true_off(self, place):
        """Returns the mean true angle to a point in the base frame over the newest quarter of a
        second, rad."""
        fresh = self.count("true_pose")
        until(lambda: self.count("true_pose") >= fresh + 50 or self.count("true_pose") < fresh, "truth")
        poses = self.all["true_pose"][-50:]
        return sum(off_axis(p.pose, place) for p in poses) / len(poses)

    def dropped(self, key):
        return int(self.status.get("dropped." + key, "0"))

    def refused(self, key, words, send, others=0):
        """Checks that `send()` is counted as `key`, with the reason in `words`, and leaves the
        target alone."""
        # Messages under way count as earlier ones.
        pause(0.1)
        before, target = self.dropped(key), self.target()
        total = int(self.status["messages_dropped"])
        send()
        told = lambda: "%s to be counted; diagnostics: %s" % (key, self.status)
        until(lambda: self.dropped(key) > before, told)
        for word in words:
            assert word in self.status["last_dropped"], (word, self.status["last_dropped"])
        assert self.dropped(key) == before + 1 and int(self.status["messages_dropped"]) == total + 1, self.status
        now = self.target()
        for same in ("command", "topic", "frame", "bend_x_rad", "bend_y_rad", "pan_rad", "message"):
            assert now.get(same) == target.get(same), (same, target, now)

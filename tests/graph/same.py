"""Sends commands at fixed simulated times, then saves the node's own recording of the effects; the
same in every run.

Run: same.py <neck | pan> ; prints the path of the recording."""

from geometry_msgs.msg import Inertia, PointStamped, WrenchStamped
from managed import *
from timing import ACKNOWLEDGED_QOS, Header, standing

what = sys.argv[1]
answers = []
reliable = QoSProfile(depth=10, reliability=ReliabilityPolicy.RELIABLE)


def at(t, send, answer=None):
    """Calls `send()` at the time `t`, and lets time go on once the joint has it."""
    assert now() <= t, (now(), t)
    until_time(t)
    with standing():
        # The node's cycle of this time is over once it has acknowledged the clock; only the next one
        # sees what is sent now, however busy the machine is.
        stamp = stamp_of(now())
        cycle = lambda: any(a.frame_id == "clock" and a.stamp == stamp for a in answers)
        until(cycle, "the joint's cycle")
        send()
        if answer:
            has = lambda: any(a.frame_id == answer and a.stamp == stamp for a in answers)
            until(has, "an answer about " + answer)


def listens(publisher):
    until(lambda: publisher.get_subscription_count() > 0, "a listener to " + publisher.topic_name)


def looks(x, y, z):
    message = PointStamped()
    message.header.frame_id, message.header.stamp = "neck_base", stamp_of(now())
    message.point.x, message.point.y, message.point.z = x, y, z
    gaze.publish(message)


with standing():
    c = Managed(topics={"truth": "/simulated_neck/none"})
    c.node.create_subscription(Header, "/withy/acknowledged", answers.append, ACKNOWLEDGED_QOS)
    gaze = c.node.create_publisher(PointStamped, "/withy/gaze_point", RELIABLE_NEWEST)
    payload = c.node.create_publisher(Inertia, "/simulated_neck/payload", reliable)
    push = c.node.create_publisher(WrenchStamped, "/simulated_neck/push", reliable)
    for publisher in (c.desired, gaze, payload, push):
        listens(publisher)
    c.make(CONFIGURE)
asked = []


def activate():
    """Requests the activation while time stands; it completes after some cycles."""
    request = ChangeState.Request(transition=Transition(id=ACTIVATE))
    asked.append(c.begin(ChangeState, "change_state", request))
    until(lambda: c.state() == State.TRANSITION_STATE_ACTIVATING, "the activation to begin")
    # The answer to a second request comes after what the first one saw.
    c.state()


at(1.0, activate)
until(asked[0].done, "the activation")
assert asked[0].result().success, c.status
at(2.0, lambda: c.desired.publish(c.pose(bend_deg(12, 47))), "desired_pose")
camera = Inertia(m=0.21)
camera.com.z = 0.05
at(4.0, lambda: payload.publish(camera))
if what == "pan":
    at(5.0, lambda: looks(0.4, 0.5, 0.0), "gaze_point")
else:
    at(5.0, lambda: c.desired.publish(c.pose(bend_deg(20, 197))), "desired_pose")
shove = WrenchStamped()
shove.wrench.force.x = 3.0
at(7.0, lambda: push.publish(shove))
paths = []
at(9.0, lambda: paths.append(c.call(Trigger, "save_incident")))
assert paths[0].success, paths
print("recording %s" % paths[0].message)
done()

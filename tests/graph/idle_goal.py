"""A goal of ~/point_head to an inactive joint is rejected; ~/target_state and /diagnostics give the
reason."""

from control_msgs.action import PointHead
from rclpy.action import ActionClient

from managed import *

c = Managed()
action = ActionClient(c.node, PointHead, "/withy/point_head")
assert action.wait_for_server(timeout_sec=PATIENCE)
goal = PointHead.Goal()
goal.target.header.frame_id = "neck_base"
goal.target.point.x, goal.target.point.z = 0.5, 0.2
for state in ("unconfigured", "inactive"):
    sent = action.send_goal_async(goal)
    until(sent.done, "an answer to the goal")
    assert not sent.result().accepted
    until(lambda: "the node is " + state in c.status.get("last_dropped", ""), lambda: "the reason: %s" % c.status)
    if state == "unconfigured":
        c.make(CONFIGURE)
c.silence()
done()

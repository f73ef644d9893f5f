"""A joint without a camera: points are refused, poses accepted."""

from looking import *

c = GazeClient()
c.ready()
refuse = lambda: c.point_at(spot(1.0, 20, 10))
c.refused("gaze_point.no_camera", ["gaze_point", "no key camera", "poses"], refuse)
assert c.target()["message"] == "no target", c.target()
before = c.command_number()
c.send(c.pose(bend_deg(10, 30)))
until(lambda: c.command_number() > before and c.target()["settled"] == "1", "a pose to be held")
c.refused("gaze_point.no_camera", ["no key camera"], refuse)
assert c.target()["settled"] == "1" and c.target()["topic"] == "desired_pose", c.target()
done()

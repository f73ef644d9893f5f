"""Two joints in one process: each has its own lifecycle, and one does not disturb the other."""

from managed import *

left, right = Managed("/left/withy", "/left"), Managed("/right/withy", "/right")
left.make(CONFIGURE)
left.make(ACTIVATE)
left.point(bend_deg(12, 70))
assert (left.state(), right.state()) == (ACTIVE, UNCONFIGURED)
right.silence()
at = left.truth()
stamps = lambda c: [seconds(m.header.stamp) for m in c.all["setpoints"]]
left.clear("setpoints")
for id in (CONFIGURE, ACTIVATE, DEACTIVATE, CLEANUP, CONFIGURE, ACTIVATE):
    right.make(id)
assert (left.state(), right.state()) == (ACTIVE, ACTIVE)
right.point(bend_deg(8, -20))
assert len(stamps(left)) > 50 and math.dist(left.truth(), at) < math.radians(0.3)
left.make(7)
left.silence()
assert (left.state(), right.state()) == (FINALIZED, ACTIVE)
right.point(bend_deg(8, 160))
near(right.truth(), bend_deg(8, 160), math.radians(1.0), "the one that is left")
done()

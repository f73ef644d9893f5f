"""A joint with a latched fault is not activated, and the reason names the fault."""

from managed import *
from supervised import Watched


class Both(Managed, Watched):
    pass


c = Both()
c.tracking()
c.point(bend_deg(12, 40))
c.spoil("freeze.1", 1)
c.send(c.pose(bend_deg(8, 200)))
# Either rule may come first.
rule = c.told("a latched fault", mode="faulted")["latched_faults"]
assert rule in ("motor_frozen", "following_error"), rule
c.spoil("freeze.1", 0)
c.make(DEACTIVATE)
c.silence()
c.happened.clear()
asked = c.will_not(rule, "~/clear_faults")
assert c.events(2 * asked) == asked * [(3, INACTIVE, 13), (31, 13, INACTIVE)]
assert c.state() == INACTIVE
c.silence()
# Cleared while inactive, it is activated from where it stands.
until(c.try_clear, lambda: "the fault to be cleared; last: %s" % c.reply.message)
c.silence()
c.make(ACTIVATE)
c.speaks()
c.told("tracking again", mode="tracking", latched_faults="")
c.stays()
c.point(bend_deg(12, 40))
done()

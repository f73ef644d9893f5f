"""SIGINT or SIGTERM while the joint moves: it comes to rest, is deactivated and finalized, in this order."""

import os
import sys

from managed import *

pid, signal = int(sys.argv[1]), int(sys.argv[2])
c = Managed()
c.tracking()
c.point(bend_deg(20, 70))
c.send(c.pose(bend_deg(20, 250)))
until(lambda: math.dist(c.truth(), bend_deg(20, 70)) > 0.03, "motion")
c.happened.clear()
begin = now()
os.kill(pid, signal)
assert c.events(4) == [(4, 3, 14), (40, 14, 2), (6, 2, 12), (50, 12, 4)]
took = now() - begin
print("finalized %.2f s after the signal" % took)
assert took < 6.0, took
done()

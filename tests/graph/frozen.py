"""The node's process is stopped for some seconds and goes on: it reports it, the joint holds, and
restarts without a jump."""

import os
import signal
import sys

from managed import *

pid = int(sys.argv[1])
c = Managed()
c.tracking()
c.point(bend_deg(15, 70))
dog = c.watchdog()
c.send(c.pose(bend_deg(15, 250)))
until(lambda: math.dist(c.truth(), bend_deg(15, 70)) > 0.05, "motion")
os.kill(pid, signal.SIGSTOP)
stopped = now()
dog.clear()
# The motors go to the last setpoint; the beam oscillates to rest about it.
until(lambda: now() - stopped > 1.0 and c.is_at_rest(), "rest")
c.clear("setpoints")
at = c.truth()
holds(lambda: math.dist(c.truth(), at) < math.radians(0.3) and c.count("setpoints") == 0, "it holds while stopped", 1.5)
os.kill(pid, signal.SIGCONT)
bad = lambda: [s.message for s in dog if s.level == b"\x02" and "stood still" in s.message]
until(bad, lambda: "a word on the stop: %s" % dog)
print(bad()[0])
stood = float(bad()[0].split(" for ")[1].split()[0])
assert 2.0 < stood < 2.0 + now() - stopped, bad()
c.tracking()
until(lambda: c.count("setpoints") > 50, "setpoints")
# The speed limit for one period.
step_sent = c.largest_step(stopped - 0.1)
assert step_sent < 12.0 / 200, step_sent
until(lambda: dog[-1].level == b"\x00", "that all is well")
c.point(bend_deg(12, 160))
near(c.truth(), bend_deg(12, 160), math.radians(1.0), "after the stop")
done()

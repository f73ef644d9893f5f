"""SIGINT or SIGTERM in the middle of a move: in a bounded time the joint is at rest and the node
silent."""

import math
import os
import sys

from client import *

pid, signal, kind = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
field = "position" if kind == "position" else "velocity"
c = Client()
c.tracking()
c.point(bend_deg(20, 70))
c.send(c.pose(bend_deg(20, 250)))
until(lambda: math.hypot(c.truth()[0] - bend_deg(20, 70)[0], c.truth()[1] - bend_deg(20, 70)[1]) > 0.03, "motion")
c.clear("setpoints")
start = time.monotonic()
os.kill(pid, signal)
# A command now comes too late.
c.desired.publish(c.pose(bend_deg(20, 160)))
last = [0, start]


def silent():
    if c.count("setpoints") != last[0]:
        last[:] = [c.count("setpoints"), time.monotonic()]
    return time.monotonic() - last[1] > 0.5


until(silent, "the node's silence")
assert last[1] - start < 6.0, "silent only after %.2f s" % (last[1] - start)
sent = [angles(m, MOTORS, field) for m in c.all["setpoints"]]
assert len(sent) > 5
if kind == "position":
    steps = [max(abs(a - b) for a, b in zip(x, y)) for x, y in zip(sent, sent[1:])]
    assert max(steps[-10:]) < 2e-3 < max(steps), steps
else:
    assert sent[-1] == [0.0] * 4, sent[-1]
# The target was not reached, and the joint stays where it is.
assert math.hypot(c.truth()[0] - bend_deg(20, 250)[0], c.truth()[1] - bend_deg(20, 250)[1]) > 0.05, c.truth()
at = c.truth()
holds(lambda: math.hypot(c.truth()[0] - at[0], c.truth()[1] - at[1]) < math.radians(0.1), "rest", 1.0)
done()

"""The node is killed while the joint is bent or moves, and another one takes over. The motors hold
meanwhile, and the joint does not jump. `before` bends the joint, and with `moving` leaves it under
way; `after` checks it with a new node."""

import json
import os
import signal
import sys

from geometry_msgs.msg import Vector3Stamped

from managed import *

when, kind, way, pid = sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4])
field = "position" if kind == "position" else "velocity"
c = Managed()
bends = []
c.node.create_subscription(Vector3Stamped, "/simulated_neck/true_bend", lambda m: bends.append((m.vector.x, m.vector.y)), ALL)
truth = lambda: bends[-1]
until(lambda: bends, "the truth")
if when == "before":
    c.tracking()
    c.point(bend_deg(20, 70))
    if way == "moving":
        c.send(c.pose(bend_deg(20, 250)))
        until(lambda: math.dist(truth(), bend_deg(20, 70)) > 0.1, "motion")
    os.kill(pid, signal.SIGKILL)
    killed = now()
    at = truth()
    # The drives' own timeout, and the oscillation of the head after it.
    until(lambda: now() - killed > 2.0, "two seconds")
    gone = math.degrees(math.dist(truth(), at))
    print("from the kill to rest it went %.2f deg" % gone)
    # A velocity continues for the drive's timeout of 0.2 s: at rest that of noise and damping, some
    # tenths of a rad/s.
    most = 25.0 if way == "moving" else 0.5 if kind == "position" else 5.0
    assert gone < most, gone
    rest = truth()
    holds(lambda: math.dist(truth(), rest) < math.radians(0.15), "the motors hold", 1.0)
    with open("rest.json", "w") as file:
        json.dump(rest, file)
else:
    with open("rest.json") as file:
        rest = json.load(file)
    near(truth(), rest, math.radians(0.2), "held without a node")
    c.make(CONFIGURE)
    c.silence()
    before = angles(c.newest["joint_states"], MOTORS)
    c.clear("setpoints")
    bends.clear()
    begun = now()
    c.make(ACTIVATE)
    until(lambda: c.count("setpoints") > 400, "setpoints")
    sent = [angles(m, MOTORS, field) for m in c.all["setpoints"]]
    # One period at 200 Hz of motors of 12 rad/s; the first step is from where the motors stand.
    most = 12.0 / 200
    if kind == "position":
        first, later = max(abs(a - b) for a, b in zip(before, sent[0])), c.largest_step(begun)
        print("first step %.4f rad, greatest step %.4f of %.4f" % (first, later, most))
        assert max(first, later) < most, (first, later)
    else:
        peak = max(abs(v) for s in sent for v in s)
        print("greatest speed %.3f rad/s of 12" % peak)
        assert peak < 12.0, peak
    off = max(math.dist(b, rest) for b in bends)
    print("greatest departure %.2f deg" % math.degrees(off))
    assert off < math.radians(0.4), math.degrees(off)
    c.point(bend_deg(12, 160))
    near(truth(), bend_deg(12, 160), math.radians(1.0), "after the restart")
done()

"""The joint's own process is killed while it moves. Another one comes seconds later, with a
straight joint."""

from broken import *

pid, kind = int(sys.argv[1]), sys.argv[2]
c = Witness(kind)
c.tracking()
begin = bend_deg(20, 70)
c.point(begin)
c.send(c.pose(bend_deg(20, 120)))
c.moves(begin, 0.05)
c.clear("setpoints")
os.kill(pid, signal.SIGKILL)
killed = now()
c.told_on_stale()
c.steps(c.sent(), "%s, joint gone" % kind)
s = c.told("a joint that is gone", mode="stopped", level=2)
until(lambda: now() - killed > 2.0, "seconds")
c.bends.clear()
c.clear("setpoints", "joint_states")
if kind == "position":
    # The drives' position after their return is unknown: the old setpoint is not sent to them.
    holds(lambda: c.count("setpoints") == 0, "sent to nobody", 0.5)
    c.told("no setpoints", message=lambda m: m and "no setpoints are sent" in m and "motor_stale" in m)
say("the joint is gone")
c.told("the loop to start anew", mode="tracking", cause="", latched_faults="", inclination_rad=lambda v: v and float(v) < 0.05)
c.remains((0.0, 0.0), 1.0, "%s, straight" % kind)
away = math.degrees(max(math.hypot(*b) for b in c.bends))
first = c.sent()[0][1]
print("%s, from its first word on at most %.2f deg from straight; first setpoint %s" % (kind, away, first))
assert away < 1.0, away
if kind == "position":
    assert max(abs(a) for a in first) < 0.1, first
c.goes_on_by_command(c.truth())
c.steps(c.sent(), "%s, joint anew" % kind)
done()

"""The joint's own process is stopped while it moves a heavy head, and goes on seconds later with
old data only."""

from broken import *

pid, kind = int(sys.argv[1]), sys.argv[2]
c = Witness(kind)
c.tracking()
end = bend_deg(20, 250)


def where():
    c.told_on_stale()
    return c.truth()


stopped, _ = c.stopped_in_motion(pid, end, where)
until(lambda: now() - stopped > 2.0, "seconds")
c.steps(c.sent(), "%s, joint stopped" % kind)
if kind == "position":
    # The old setpoint is no longer sent: when the motors go on they may stand elsewhere.
    c.told("silence", mode="stopped", message=lambda m: m and "no setpoints are sent" in m)
c.clear("setpoints", "joint_states")
os.kill(pid, signal.SIGCONT)
c.told("the loop to start anew", mode="tracking", cause="", latched_faults="")
at = c.rests()
assert math.dist(at, end) > math.radians(2), at
c.goes_on_by_command(at)
c.steps(c.sent(), "%s, joint going on" % kind)
if kind == "position":
    first = c.sent()[0][1]
    stood = [angles(m, MOTORS) for m in c.all["joint_states"]]
    off = min(max(abs(a - b) for a, b in zip(first, q)) for q in stood)
    print("the first setpoint is %.4f rad from where the motors stood" % off)
    # Two steps of the encoders.
    assert off < 4.0 * math.pi / 4096, off
done()

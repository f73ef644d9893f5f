"""The node's process is stopped while it moves a heavy head, and goes on seconds later."""

from broken import *

pid, kind = int(sys.argv[1]), sys.argv[2]
c = Witness(kind)
c.tracking()
end = bend_deg(20, 250)
# Motors end at their last setpoint, or stop by their own timeout; the head oscillates until then.
stopped, at = c.stopped_in_motion(pid, end, c.rests)
count = c.count("setpoints")
c.remains(at, 0.3, "%s, node stopped" % kind)
assert c.count("setpoints") == count
until(lambda: now() - stopped > 2.0, "seconds")
os.kill(pid, signal.SIGCONT)
until(lambda: c.count("setpoints") > count + 100, "setpoints")
c.told("the loop to start anew", mode="tracking", cause="", latched_faults="")
c.goes_on_by_command(at)
c.steps(c.sent(), "%s, node stopped" % kind)
done()

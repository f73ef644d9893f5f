"""A second signal in the middle of a move: the last velocities are zero, and the process ends at
once."""

import signal

from client import *

pid = int(sys.argv[1])
c = Client()
c.tracking()
c.point(bend_deg(20, 70))
c.send(c.pose(bend_deg(20, 250)))
speed = lambda: max(abs(v) for v in c.newest["setpoints"].velocity)
until(lambda: speed() > 0.5, "motion")
c.clear("setpoints")
until(lambda: c.count("setpoints") > 2, "setpoints")
# Two of a kind would count as one if the first had not been seen yet.
os.kill(pid, signal.SIGTERM)
os.kill(pid, signal.SIGINT)


def ended():
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    # A zombie until the test waits for it.
    return open("/proc/%d/stat" % pid).read().rsplit(")", 1)[1].split()[0] == "Z"


until(ended, "the end of the process")
sent = c.all["setpoints"]
assert sent[-1].velocity.tolist() == [0.0] * 4, sent[-1].velocity
steps = [max(abs(v) for v in m.velocity) for m in sent]
last = max(i for i, v in enumerate(steps) if v > 0.0)
zeros = len(steps) - 1 - last
print("last velocity %.3f rad/s, then %d zeros" % (steps[last], zeros))
# A joint that has come to rest by itself sends zeros for 0.3 s before it ends.
assert steps[last] > 0.01 and 1 <= zeros < 30, steps[-40:]
done()

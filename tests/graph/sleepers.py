"""Subscribers that never take a message, and some whose process is stopped: neither the loop nor
other subscribers wait."""

from broken import *

pid = int(sys.argv[1])
c = Witness()
c.tracking()


def served(seconds_, what):
    """Moves for some seconds. Returns setpoints received per cycle, longest time between two of
    them, share of late cycles."""
    c.point(bend_deg(15, 70))
    c.clear("setpoints")
    at, arrivals = time.monotonic(), []
    s = dict(c.status)
    until(lambda: c.status["cycles"] != s["cycles"], "a report")
    s, first = dict(c.status), c.count("setpoints")
    for direction in (160, 250, 340, 70):
        c.point(bend_deg(15, direction))
    until(lambda: time.monotonic() - at > seconds_, "seconds")
    t = dict(c.status)
    until(lambda: c.status["cycles"] != t["cycles"], "a report")
    t, heard = dict(c.status), c.count("setpoints") - first
    stamps = [stamp for stamp, _ in c.sent(first)]
    gap = max(b - a for a, b in zip(stamps, stamps[1:]))
    ticks = int(t["cycles"]) - int(s["cycles"])
    late = int(t["late_cycles"]) + int(t["missed_cycles"]) - int(s["late_cycles"]) - int(s["missed_cycles"])
    rate = heard / ticks
    print("%s: %d of %d setpoints heard, longest gap %.1f ms, %.2f %% of ticks late" % (
        what, heard, ticks, 1e3 * gap, 1e2 * late / ticks))
    c.steps(c.sent(first), what)
    return rate, gap, late / ticks


before = served(2.0, "alone")
run = [sys.executable, os.path.join(os.path.dirname(os.path.abspath(__file__)), "sleeper.py")]
sleepers = [subprocess.Popen(run, stdout=subprocess.PIPE) for _ in range(3)]
try:
    for s in sleepers:
        assert s.stdout.readline() == b"asleep\n"
    listeners = lambda: c.node.get_subscriptions_info_by_topic("/withy/motor_setpoints")
    until(lambda: sum(i.node_name == "sleeper" for i in listeners()) == 3, "sleepers")
    for s in sleepers[1:]:
        os.kill(s.pid, signal.SIGSTOP)
    c.call(Trigger, "hold")
    sizes = [memory(pid)]
    during = served(2.0, "beside sleepers")
    sizes.append(memory(pid))
    again = served(2.0, "still beside sleepers")
    sizes.append(memory(pid))
    print("memory %s MB" % ", ".join("%.1f" % m for m in sizes))
    # Its parameter event reaches them no more than the rest; the answer does not wait for it.
    assert c.set_each([("limits.feedback", double(0.14))])[0].successful
    for share, gap, late in (during, again):
        # Generous: the machine is shared, and other load comes and goes.
        assert share > 0.5 * before[0], (before, share)
        assert gap < 3.0 * before[1] + 0.1, (before, gap)
        assert late < 3.0 * before[2] + 0.1, (before, late)
    # Invented: far less than a queue kept for them would take meanwhile, some MB at 200 Hz.
    assert sizes[2] - sizes[1] < 4.0, sizes
    c.told("tracking as before", mode="tracking", latched_faults="")
finally:
    for s in sleepers:
        s.kill()
done()

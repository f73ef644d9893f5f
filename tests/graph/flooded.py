"""Two clients set parameters as fast as they can while the joint is commanded and moves: it moves
as well as before."""

import json

from broken import *

pid = int(sys.argv[1])
SECONDS = 4.0
c = Witness()
c.tracking()
GOALS = [bend_deg(15, d) for d in (70, 160, 250, 340)]


def ticks():
    """Returns the counts of cycles, late cycles and missed cycles, from a fresh report."""
    before = int(c.status["cycles"])
    s = until(lambda: c.status if int(c.status["cycles"]) > before else None, "a report")
    return int(s["cycles"]), int(s["late_cycles"]) + int(s["missed_cycles"]), float(s["longest_cycle_s"])


def go(goal):
    """Sends a goal until it is reached. On a machine that is too busy the simulated joint may fall
    silent, which ends a command."""
    sent, end = 0.0, time.monotonic() + PATIENCE
    there = lambda: c.status.get("settled") == "1" and math.dist(c.truth(), goal) < math.radians(1.0)
    while not there():
        assert time.monotonic() < end, "the joint is not there; diagnostics: %s" % c.status
        if time.monotonic() - sent > 3.0:
            c.send(c.pose(goal))
            sent = time.monotonic()
        time.sleep(0.005)


def moved(while_, what):
    """Moves the joint round as long as `while_` is true. Returns the share of late cycles."""
    c.bends = c.bends[-1:]
    begin, (ticks_0, late_0, _) = time.monotonic(), ticks()
    number = 0
    while while_(time.monotonic() - begin):
        goal = GOALS[number % 4]
        go(goal)
        number += 1
    ticks_1, late_1, longest = ticks()
    furthest = math.degrees(max(math.hypot(*b) for b in c.bends))
    share = (late_1 - late_0) / (ticks_1 - ticks_0)
    print("%s: %d moves, bent %.2f deg at most" % (what, number, furthest))
    print("%s: %.2f %% of ticks late, longest so far %.2f ms" % (what, 100 * share, 1e3 * longest))
    assert number > 0 and furthest < 15.0 + 2.0, (number, furthest)
    return share


go(GOALS[3])
quiet = moved(lambda passed: passed < 3.0, "before the flood")
at_first = memory(pid)
run = [sys.executable, os.path.join(os.path.dirname(os.path.abspath(__file__)), "flooding.py")]
floods = [subprocess.Popen(run + [str(own), str(SECONDS)], stdout=subprocess.PIPE) for own in (0, 1)]
sizes = [at_first]


def floods_go_on(_):
    sizes.append(memory(pid))
    return any(f.poll() is None for f in floods)


flooded = moved(floods_go_on, "in the flood")
last = {}
for f in floods:
    out, _ = f.communicate()
    assert f.returncode == 0, out
    told = json.loads(out)
    print("%(answered)d of %(sent)d answered, %(accepted)d accepted, slowest answer %(slowest).2f s" % told)
    assert told["answered"] == told["sent"] > 20 and told["accepted"] > 0, told
    last.update(told["last"])
print("memory %.1f MB before, %.1f MB in the middle, %.1f MB after" % (at_first, sizes[len(sizes) // 2], memory(pid)))
# Invented bounds: the buffers of two more clients; and almost no growth from then on.
assert memory(pid) < at_first + 40.0
assert memory(pid) < sizes[len(sizes) // 2] + 8.0
# Generous, since the clients take the processors' time as well.
assert flooded < 3.0 * quiet + 0.2, (quiet, flooded)
for name, value in last.items():
    assert c.get(name) == [value], (name, value, c.get(name))
print("as accepted last: %s" % ", ".join(sorted(last)))
assert int(c.status["parameter_sets_refused"]) > 20, c.status
c.told("tracking as before", mode="tracking", latched_faults="")
done()

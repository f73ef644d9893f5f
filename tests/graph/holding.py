"""Many gains retuned during a stream of poses that never rests: requests that the loop itself
answers do not wait for them."""

from client import *

c = Client()
c.tracking()
turns = [60, 240]


def elsewhere(_):
    """Sends the reference elsewhere before it has come to rest."""
    turns.reverse()
    c.desired.publish(c.pose(bend_deg(15, turns[0])))


stream = keep(6, elsewhere)
try:
    until(lambda: math.hypot(*c.truth()) > 0.02, "motion")
    changes = [("gains.%s.kp" % m, double(0.05 + 0.01 * n)) for n in range(3) for m in MOTORS]
    c.clear("events")
    answer = c.begin_each(changes)
    until(lambda: c.count("events"), "the first of the changes")
    for name in ("clear_faults", "hold"):
        asked = now()
        reply = c.call(Trigger, name)
        took = now() - asked
        assert reply.success, reply
        # Twelve changes in motion take some seconds: no other request waits for them.
        assert not answer.done() and took < 2.0, "%s answered after %.2f s, gains: %s" % (name, took, answer.done())
finally:
    stream.set()
until(answer.done, "the answer about the gains")
results = answer.result().results
assert len(results) == len(changes) and all(r.successful for r in results), results
done()

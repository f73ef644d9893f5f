"""A stream of poses that never rests, many gains retuned in it: what the loop itself answers does not wait for them."""

from client import *

c = Client()
c.tracking()
streaming = [True]


def stream():
    k = 0
    while streaming[0]:
        # Before the reference has come to rest it is sent elsewhere.
        c.desired.publish(c.pose(bend_deg(15, 60 if k % 2 else 240)))
        k += 1
        time.sleep(0.15)


talker = threading.Thread(target=stream)
talker.start()
try:
    until(lambda: math.hypot(*c.truth()) > 0.02, "motion")
    changes = [("gains.%s.kp" % m, double(0.05 + 0.01 * n)) for n in range(3) for m in MOTORS]
    answered = []
    setter = threading.Thread(target=lambda: answered.append(c.set_each(changes)))
    c.clear("events")
    setter.start()
    until(lambda: c.count("events"), "the first of the changes")
    for name in ("clear_faults", "hold"):
        asked = time.monotonic()
        reply = c.call(Trigger, name)
        took = time.monotonic() - asked
        assert reply.success, reply
        # Twelve changes in motion take some seconds: nobody waits for them.
        assert not answered and took < 2.0, "%s answered after %.2f s, gains: %s" % (name, took, answered)
finally:
    streaming[0] = False
    talker.join()
setter.join()
assert len(answered[0]) == len(changes) and all(r.successful for r in answered[0]), answered
done()

"""Setting the payload selects the gain set designed for it; an unknown one is the worst case."""

from client import *

c = Client()
c.tracking()


def tell(mass, height=None):
    changes = [("payload.mass", double(mass))]
    if height is not None:
        changes.append(("payload.height", double(height)))
    return c.set_all(changes)


# By moment, mass times height: bare, camera, camera and lamp; the narrowest range that holds it.
for mass, height, name in ((0.0, 0.035, "bare"), (0.21, 0.05, "camera"), (0.38, 0.06, "camera-and-lamp"), (0.09, 0.035, "bare")):
    answer = tell(mass, height)
    assert answer.successful, answer.reason
    assert c.get("gain_set", "payload.mass", "payload.height") == [name, mass, height], c.get("gain_set")
# Unknown payload: the set that holds all of them.
assert tell(-1.0).successful
assert c.get("gain_set") in (["any-payload"], ["pid"]), c.get("gain_set")
# More than any set holds: nothing changes, and the reply has the numbers.
before = c.everything()
answer = tell(0.9, 0.08)
assert not answer.successful
for word in ("0.9 kg", "0.08 m", "0.0720 kg m", "0 to 0.0228"):
    assert word in answer.reason, (word, answer.reason)
assert c.everything() == before
answer = tell(-0.5)
assert not answer.successful and "payload.mass is -0.5" in answer.reason, answer.reason
# A set named in the same request has precedence.
answer = c.set_all([("payload.mass", double(0.9)), ("payload.height", double(0.08)), ("gain_set", text("pid"))])
assert answer.successful, answer.reason
assert c.get("gain_set") == ["pid"]
done()

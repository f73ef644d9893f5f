"""~/save_gains writes the live gains as a new set, which is then in force; the old one stays as it
was."""

from client import *

c = Client()
c.tracking()
answer = c.call(Trigger, "save_gains")
assert not answer.success and "no gain was changed" in answer.message, answer
before = c.get("gains.neck_motor_3.ki")
for number, ki in ((1, 4.75), (2, 4.5)):
    assert c.set_each([("gains.neck_motor_3.ki", double(ki))])[0].successful
    until(lambda: c.status.get("gains_changed_since_chosen") == "1", "the change in diagnostics")
    answer = c.call(Trigger, "save_gains")
    name = "any-payload-%d" % number
    assert answer.success and name + ".yaml" in answer.message and "gain_sets" in answer.message, answer
    until(lambda: c.status.get("gains_changed_since_chosen") == "0", "the saving in diagnostics")
    assert c.get("gain_set") == [name], c.get("gain_set")
    assert name in c.get("gain_sets")[0]
# The old set is as it was; the new ones hold the saved values.
for name, ki in (("any-payload", before[0]), ("any-payload-1", 4.75), ("any-payload-2", 4.5)):
    assert c.set_each([("gain_set", text(name))])[0].successful
    assert c.get("gains.neck_motor_3.ki") == [ki], (name, ki)
done()

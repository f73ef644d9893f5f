"""~/save_gains writes the live gains of the set in force to its file."""

from client import *

c = Client()
c.tracking()
assert c.set_each([("gains.neck_motor_3.ki", double(4.75))])[0].successful
until(lambda: c.status.get("gains_changed_since_chosen") == "1", "the change in diagnostics")
answer = c.call(Trigger, "save_gains")
assert answer.success and "any-payload.yaml" in answer.message and "any-payload" in answer.message, answer
until(lambda: c.status.get("gains_changed_since_chosen") == "0", "the saving in diagnostics")
# Another set and back: the saved gains are the set's now.
assert c.set_each([("gain_set", text("bare")), ("gain_set", text("any-payload"))])[1].successful
assert c.get("gains.neck_motor_3.ki") == [4.75]
done()

"""A joint before and after a step test. `before` changes one gain live, and `after` checks that it
came back."""

import sys

from client import *

KEY, VALUE = "gains.neck_motor_3.ki", 4.75

c = Client()
if sys.argv[1] == "before":
    c.tracking()
    assert c.set_all([(KEY, double(VALUE))]).successful
else:
    assert c.get("gain_set", KEY) == ["any-payload", VALUE], c.get("gain_set", KEY)
    until(lambda: c.status.get("gain_set") == "any-payload", "the gain set in diagnostics")
    if sys.argv[1] == "after":
        c.tracking()
        # It takes commands and corrects as before.
        c.point(bend_deg(5, -30))
        near(c.measured(), bend_deg(5, -30), math.radians(1.0), "a pose after the step test")
    else:
        assert c.status["mode"] in ("holding", "stopped"), c.status
done()

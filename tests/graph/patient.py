"""Autostart waits until the joint is ready, reports the missing conditions, and gives way to a
requested transition."""

from managed import *

c = Managed()
until(lambda: c.state() == INACTIVE, "the configuration")
until(lambda: c.status.get("lifecycle_reason", "").startswith("autostart waits: "), lambda: "what it waits for: %s" % c.status)
assert c.status["mode"] == "waiting", c.status
assert c.get("autostart") == [True]
assert not c.set_all([("autostart", ParameterValue(type=1, bool_value=False))]).successful
c.silence()
assert c.state() == INACTIVE
c.switch("imu_on", True)
until(lambda: c.state() == ACTIVE, "the activation")
c.speaks()
c.make(DEACTIVATE)
holds(lambda: c.state() == INACTIVE, "it is not set going again", 1.5)
c.silence()
done()

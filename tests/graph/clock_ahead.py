"""A sensor's clock that is ahead keeps the joint from being activated; two publishers of a sensor are
named."""

from client import *

c = Client()
waits = lambda: c.status.get("lifecycle_reason", "")
until(lambda: "ahead of this machine's clock on average" in waits(), lambda: "the reason; diagnostics: %s" % c.status)
assert "ms ahead" in waits() and "synchronise the clocks" in waits(), waits()
assert c.status["lifecycle_state"] == "inactive" and c.count("setpoints") == 0, c.status
c.spoil("ahead", 0)
c.tracking()
until(lambda: c.status.get("publishers.imu") == "/plant", lambda: "the driver's name; diagnostics: %s" % c.status)
second = c.node.create_publisher(Imu, "imu", qos_profile_sensor_data)
until(lambda: c.status["publishers.imu"] == "/client, /plant", lambda: "both names; diagnostics: %s" % c.status)
until(lambda: c.status["message"].startswith("/client, /plant publish on imu"), lambda: "a warning; diagnostics: %s" % c.status)
done()

"""No setpoint is sent before every sensor is there; the first one equals the measured angles."""

from client import *

c = Client()
until(lambda: c.status.get("mode") == "waiting", "a waiting loop")
until(lambda: c.newest.get("settled") is not None, "a first word on settled")
assert c.newest["settled"].data is False
c.clear("setpoints", "references")
holds(lambda: c.count("setpoints") == 0 and c.count("references") == 0, "no setpoints while waiting", 1.5)
assert "waiting" in c.status["message"] and c.status["level"] == 1, c.status
encoders = angles(c.newest["joint_states"], MOTORS)
c.switch("imu_on", True)
until(lambda: c.count("setpoints") > 0, "the first setpoint")
first = angles(c.all["setpoints"][0], MOTORS)
assert all(abs(a - b) < 1e-3 for a, b in zip(first, encoders)), (first, encoders)
c.tracking()
done()

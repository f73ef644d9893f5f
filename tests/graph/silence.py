"""Makes the IMU fall silent."""

from client import *

c = Client()
c.tracking()
# Otherwise the motors would measure the bend.
assert c.set_all([("supervision.fallback_to_motors", boolean(False))]).successful
c.switch("imu_on", False)
until(lambda: c.status["mode"] == "stopped", "the loop to stop")
done()

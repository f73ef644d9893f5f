"""Lets the IMU fall silent."""

from client import *

c = Client()
c.tracking()
c.switch("imu_on", False)
until(lambda: c.status["mode"] == "stopped", "the loop to stop")
done()

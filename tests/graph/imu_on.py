"""Switches the plant's IMU on, and waits until it is heard."""

from client import *

c = Client()
c.switch("imu_on", True)
until(lambda: c.count("imu") > 50, "the IMU")
done()

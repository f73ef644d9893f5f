"""Switches the plant's IMU on, and waits until the node receives it."""

from client import *

c = Client()
c.switch("imu_on", True)
until(lambda: c.count("imu") > 50, "the IMU")
done()

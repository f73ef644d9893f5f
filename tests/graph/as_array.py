"""Setpoints as Float64MultiArray, in the order of the tendons."""

import math

from client import *

c = Client(setpoints=Float64MultiArray)
c.tracking()
c.point(bend_deg(12, 40))
near(c.truth(), bend_deg(12, 40), math.radians(0.7), "with arrays")
message = c.newest["setpoints"]
(dimension,) = message.layout.dim
assert (dimension.label, dimension.size, dimension.stride, message.layout.data_offset) == ("motor", 4, 4, 0)
assert len(message.data) == 4
# The order is that of the tendons; the plant's encoders follow one setpoint each.
until(lambda: all(abs(a - b) < 0.05 for a, b in zip(c.newest["setpoints"].data, angles(c.newest["joint_states"], MOTORS))), "encoders where the setpoints are")
done()

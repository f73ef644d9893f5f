"""A joint that is not ready is not activated, and the reason is reported; it stays inactive, and
silent."""

import sys

from managed import *

case, words = sys.argv[1], sys.argv[2:]
c = Managed()
c.make(CONFIGURE)
c.events(2)
c.clear("setpoints")
if case == "silent":
    until(lambda: c.node.count_publishers("joint_states") > 0, "the plant")
else:
    until(lambda: c.count("imu") > 50 and c.count("joint_states") > 50, "sensors")
asked = c.will_not(*words)
assert c.events(2 * asked) == asked * [(3, INACTIVE, 13), (31, 13, INACTIVE)]
assert c.state() == INACTIVE and c.count("setpoints") == 0
if case == "silent":
    c.switch("imu_on", True)
    until(lambda: c.count("imu") > 50, "the IMU")
    c.make(ACTIVATE)
    c.speaks()
done()

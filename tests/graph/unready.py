"""A joint that is not ready: nothing is sent, and the report gives the reasons, one after the
other."""

from supervised import *

c = Watched()
s = c.told("an encoder without its zero", mode="position_out_of_range", level=2)
assert "neck_motor_1" in s["readiness"] and "zeroed" in s["readiness"], s
c.spoil("imu_shift", 0.6)
c.spoil("shift.0", 0)
s = c.told("an IMU that does not fit", mode="not_ready", readiness=lambda r: r and "IMU and encoders" in r)
assert s["level"] == 2 and s["readiness"] in s["message"], s
c.spoil("imu_shift", 0)
c.spoil("shift.2", 5.0)
s = c.told("angles of no bend", mode="not_ready", readiness=lambda r: r and "any bend" in r)
assert s["level"] == 2 and "zeroed" in s["message"], s
assert c.count("setpoints") == 0
c.spoil("shift.2", 0)
s = c.told("a joint that is ready", mode="tracking")
assert "readiness" not in s, s
c.point(bend_deg(12, 40))
done()

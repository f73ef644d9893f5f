"""One cycle at each IMU sample. When samples stop, the timer triggers cycles, so that stale data
are noticed."""

import math

from client import *

c = Client()
c.tracking()
c.point(bend_deg(12, 40))
near(c.truth(), bend_deg(12, 40), math.radians(0.7), "by IMU ticks")
c.clear("setpoints", "imu")
until(lambda: c.count("imu") > 400, "samples")
samples, setpoints = c.count("imu"), c.count("setpoints")
# One setpoint per sample, except for best-effort losses and for cycles by the timer on a busy
# machine.
assert 0.7 < setpoints / samples < 1.3, (setpoints, samples)
stamps = [seconds(m.header.stamp) for m in c.all["setpoints"]]
fresh = sum(b > a for a, b in zip(stamps, stamps[1:]))
assert fresh > 0.8 * len(stamps), (fresh, len(stamps))

c.switch("imu_on", False)
until(lambda: c.status["mode"] == "stopped", "stale data to be noticed")
ticks, without = int(c.status["cycles"]), int(c.status["cycles_without_sample"])
until(lambda: int(c.status["cycles"]) > ticks + 300, "ticks without samples")
assert int(c.status["cycles_without_sample"]) - without > 250, c.status
until(lambda: abs(float(c.status["tick_rate_hz"]) - 200.0) < 30.0, "the nominal rate without samples")
c.switch("imu_on", True)
c.tracking()
c.point(bend_deg(20, 200))
near(c.truth(), bend_deg(20, 200), math.radians(0.7), "after the samples came back")
done()

"""Poses all round on the joint of the engine, with payloads that the node is not told of: what the
node reports as settled is true, and the head comes to rest there without going far beyond."""

from client import *

INCLINATION, TOLERANCE = math.radians(15.0), math.radians(0.5)
# Share of the step by which the head may go beyond it (common practice, no source), and within which
# it counts as there.
BEYOND, THERE = 0.1, 0.05
PERIOD = 0.005

c = Client(leave=("imu", "joint_states", "references", "setpoints", "head_pose"))
c.tracking()
for payload in (0.0, 0.21, 0.38):
    c.spoil("payload", payload)
    worst, overshoot, latest = 0.0, 0.0, 0.0
    for direction in range(0, 360, 45):
        c.point((0.0, 0.0))
        aim = bend_deg(15.0, direction)
        c.clear("truth")
        c.point(aim)
        reported = len(c.all["truth"])
        pause(0.5)
        bends = [(m.x, m.y) for m in c.all["truth"]]
        worst = max(worst, max(math.dist(b, aim) for b in bends[reported:]))
        along = [(x * aim[0] + y * aim[1]) / INCLINATION**2 for x, y in bends]
        overshoot = max(overshoot, max(along) - 1.0)
        outside = [i for i, share in enumerate(along) if abs(share - 1.0) > THERE]
        latest = max(latest, outside[-1] * PERIOD)
    print("%3.0f g: settled within %.3f deg, overshoot %.2f %%, within 5 %% after %.2f s" % (
        1000 * payload, math.degrees(worst), 100 * overshoot, latest))
    assert worst < TOLERANCE, (payload, math.degrees(worst))
    assert overshoot < BEYOND, (payload, overshoot)
done()

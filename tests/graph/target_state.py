"""A behaviour's view of its target: reached, best possible, out of reach; the residual; the pan's
setpoint."""

from looking import *

c = GazeClient(leave=("truth", "imu", "joint_states", "references"))
c.ready()
assert c.target()["message"] == "no target" and "residual" not in c.newest, c.target()

# Reached: the true axis, from the camera's own place, passes through the point.
for place in (spot(0.4, 35, -25), spot(0.4, -60, -30), spot(1.0, 70, 20), spot(2.5, -20, -30)):
    c.clear("residual")
    told = c.look(place)
    assert (told["message"], told["level"]) == ("reached", 0) and float(told["residual_min_rad"]) < 1e-4, told
    bend = math.degrees(math.hypot(float(told["bend_x_rad"]), float(told["bend_y_rad"])))
    off = math.degrees(c.true_off(place))
    print("bend %.1f deg: true angle %.3f deg" % (bend, off))
    assert bend >= 5.0 and off < 0.5, (bend, off)
    # The residual falls under way, and matches the truth at the end.
    went = [m.data for m in c.all["residual"]]
    quarter = sum(went[-20:]) / 20
    assert max(went) > 0.2 and quarter < math.radians(0.6), (max(went), quarter)
    # The residual of the target before may still come first.
    went = went[went.index(max(went)):]
    falls = [went[int(i * (len(went) - 1) / 8)] for i in range(9)]
    assert all(b < a + math.radians(1.0) for a, b in zip(falls, falls[1:])), falls

# Best possible: higher than the neck bends back.
above = spot(1.0, 20, 75)
told = c.look(above)
left = float(told["residual_min_rad"])
assert (told["message"], told["level"]) == ("best possible", 1) and left > 0.1, told
off = c.true_off(above)
until(lambda: abs(c.newest["residual"].data - left) < math.radians(1.0), "the residual to come to the least")
print("best possible: least %.2f deg, true angle %.2f deg" % (math.degrees(left), math.degrees(off)))
assert abs(off - left) < math.radians(1.0), (off, left)
until(lambda: c.status.get("target_outcome") == "best possible", "the outcome in diagnostics")

# Out of reach: behind the joint, beyond the pan's range; and in the camera's blind zone.
pose = c.newest["true_pose"].pose
blind = plus(xyz(pose.position), turn(xyzw(pose.orientation), plus(CAMERA, (0.01, 0.0, 0.0))))
for place in ((0.0, 0.0, -5.0), blind):
    before = c.command_number()
    c.point_at(place)
    until(lambda: c.command_number() > before, "an answer")
    told = c.target()
    print("(%.2f, %.2f, %.2f): %s, %s rad" % (*place, told["message"], told["residual_min_rad"]))
    if place == blind:
        assert (told["message"], told["level"]) == ("out of reach", 2), told

# The pan's setpoint: by name, after the tendons' motors, inside its range for any command.
low, high = math.radians(-170), math.radians(170)
for azimuth in (120, 178, -178, -120):
    c.look(spot(1.0, azimuth, -15))
for message in c.all["setpoints"]:
    assert list(message.name) == MOTORS + ["neck_pan"], message.name
    assert low - 1e-9 <= message.position[4] <= high + 1e-9, message.position
assert max(m.position[4] for m in c.all["setpoints"]) - min(m.position[4] for m in c.all["setpoints"]) > 4.0

# A pose: the part that bend and pan cannot reach is the residual, a yaw beyond the pan's range.
before = c.command_number()
c.send(c.pose(None, q=about_z(math.radians(178))))
until(lambda: c.command_number() > before and c.target()["settled"] == "1", "the pose")
told = c.target()
assert told["message"] == "best possible" and abs(float(told["residual_min_rad"]) - math.radians(8)) < 1e-4, told
until(lambda: abs(c.newest["residual"].data - math.radians(8)) < math.radians(0.6), "the residual of the pose")

# After a hold there is no target, and no residual is reported.
assert c.call(Trigger, "hold").success
until(lambda: c.target()["message"] == "no target", "no target after a hold")
c.clear("residual")
seen = c.count("head_pose")
until(lambda: c.count("head_pose") > seen + 40 or c.count("head_pose") < seen, "head poses")
assert c.count("residual") <= 2, c.count("residual")
done()

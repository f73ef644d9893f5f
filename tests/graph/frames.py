"""Targets in frames: fixed, moving, carried by the head, and unavailable."""

from looking import *

c = GazeClient()
c.ready()


def held(place, what):
    off = math.degrees(c.true_off(place))
    print("%s: true angle %.3f deg" % (what, off))
    assert off < 0.5, (what, off)


def known(frame, place, frames_place):
    """Looks at a point in a frame whose transform is on its way."""
    end = now() + PATIENCE
    while c.target().get("frame") != frame:
        assert now() < end, (frame, c.status)
        c.point_at(frames_place, frame)
        pause(0.2)
    assert c.look(frames_place, frame)["message"] == "reached"
    held(place, frame)


# The base's own frame, by its name, and with '/' before it.
for frame, place in ((BASE, spot(1.0, 30, -15)), ("/" + BASE, spot(0.5, -50, -20))):
    told = c.look(place, frame, stamp=now())
    assert told["message"] == "reached" and told["topic"] == "gaze_point", told
    held(place, repr(frame))

# A frame fixed by the joint file: the torso, 0.35 m below.
place = spot(0.8, 60, -20)
assert c.look(plus(place, (0.0, 0.0, 0.35)), "torso")["frame"] == "torso"
held(place, "torso")
# The stamp does not matter where nothing moves.
place = spot(0.8, 40, -20)
c.look(plus(place, (0.0, 0.0, 0.35)), "/torso", stamp=now() - 3600.0)
held(place, "torso, an hour ago")

# A frame on /tf_static, rotated by 1 rad and published below the torso.
c.tell("bench", "torso", (0.5, 0.2, 0.1), about_z(1.0), fixed=True)
place = spot(1.2, -20, -25)
known("bench", place, turn(about_z(-1.0), minus(place, (0.5, 0.2, -0.25))))

# A pose in it: its heading goes to the pan.
before = c.command_number()
c.send(c.pose(bend_deg(8, 0), frame="bench"))
until(lambda: c.command_number() > before and c.target()["settled"] == "1", "the pose in the bench's frame")
assert abs(float(c.target()["pan_rad"]) - 1.0) < 1e-4, c.target()
assert c.target()["topic"] == "desired_pose" and c.target()["message"] == "reached"


# A rolling cart, published at 50 Hz with its history. The point on it follows the newest transform.
def cart_at(t):
    return (0.9 + 0.05 * math.sin(0.6 * (t - START)), 0.05 * (t - START) - 0.3, -0.2)


START = now()
rolling = keep(50, lambda t: c.tell("cart", BASE, cart_at(t), stamp=t))
end = now() + PATIENCE
while c.target().get("frame") != "cart":
    assert now() < end, c.status
    c.point_at((0.0, 0.0, 0.1), "cart")
    pause(0.2)
until(lambda: now() > START + 2.0, "history")
for ago in (0.5, 0.0):
    before = c.command_number()
    c.point_at((0.0, 0.0, 0.1), "cart", stamp=now() - ago)
    until(lambda: c.command_number() > before, "a point on the cart, stamped %g s ago" % ago)

# Refusals, each with its reason, and each leaves the target alone. The cart rolls on, so a resting
# target comes first.
resting = spot(1.0, 20, -12)
c.look(resting)
spot_on = (0.0, 0.0, 0.1)
c.refused("gaze_point.unknown_frame", ["gaze_point", '"nowhere"', "not known", "'neck_base'"], lambda: c.point_at(spot_on, "nowhere"))
# An empty name is what the bindings make of one that is not UTF-8.
c.refused("gaze_point.no_frame", ["empty or not UTF-8", "'neck_base'"], lambda: c.point_at(spot_on, ""))
c.refused("gaze_point.too_old", ["before the oldest", '"cart"', "or none"], lambda: c.point_at(spot_on, "cart", stamp=START - 5.0))
ahead = lambda: c.point_at(spot_on, "cart", stamp=now() + 30.0)
asked = now()
c.refused("gaze_point.too_new", ["after the newest", '"cart"'], ahead)
assert now() - asked > 0.45, "not waited for"
held(resting, "after refusals")

# Frames that nothing connects to the base. They precede, on one topic, the frame of the accepted
# point.
c.tell("island", "sea", (1.0, 0.0, 0.0))
c.tell("gone", BASE, (1.0, 0.0, 0.0), stamp=now() - 3.0)
c.tell("mark", BASE, (1.0, 0.3, 0.0))
end = now() + PATIENCE
while c.target().get("frame") != "mark":
    assert now() < end, c.status
    c.tell("mark", BASE, (1.0, 0.3, 0.0))
    c.point_at(spot_on, "mark")
    pause(0.1)
c.look(resting)
c.refused("gaze_point.not_connected", ['"island"', "not connected", "neck_base"], lambda: c.point_at(spot_on, "island"))
# A point without a stamp uses the newest transform of a frame that went silent, and is refused; one
# with the transform's time is accepted.
c.refused("gaze_point.too_old", ['"gone"', "at most 1 s"], lambda: c.point_at(spot_on, "gone"))
c.refused("desired_pose.unknown_frame", ['"nowhere"'], lambda: c.send(c.pose(bend_deg(5, 0), frame="nowhere")))

# A transform that arrives after the point of its time: the point waits, and is accepted then. If a
# busy machine delivers it too late, the test tries again.
def refusals():
    return sum(c.dropped("gaze_point." + word) for word in ("too_new", "too_old"))


end = now() + PATIENCE
while c.target().get("frame") != "wagon":
    assert now() < end, c.status
    c.tell("wagon", BASE, (0.9, -0.2, 0.0))
    c.point_at(spot_on, "wagon")
    pause(0.1)
c.look(resting)
for attempt in range(8):
    before, late, due = c.command_number(), refusals(), now() + 0.2
    c.tell("wagon", BASE, (0.9, -0.2, 0.0))
    c.point_at(spot_on, "wagon", stamp=due)
    holds(lambda: c.command_number() == before, "taken before its transform was there", 0.15)
    c.tell("wagon", BASE, (0.9, -0.2, 0.0), stamp=due + 0.01)
    until(lambda: c.command_number() > before or refusals() > late, lambda: "the point on the wagon to be taken: %s" % c.status)
    if c.command_number() > before:
        break
assert c.target()["frame"] == "wagon", "no transform came in time in 8 attempts"

# A hold cancels a waiting point, as it does all earlier commands.
c.look(resting)
for attempt in range(8):
    c.tell("wagon", BASE, (0.9, -0.2, 0.0))
    late, due = refusals(), now() + 0.3
    c.point_at(spot_on, "wagon", stamp=due)
    pause(0.05)
    assert c.call(Trigger, "hold").success
    c.tell("wagon", BASE, (0.9, -0.2, 0.0), stamp=due + 0.01)
    until(lambda: c.dropped("gaze_point.held") or refusals() > late, lambda: "an end to the wait: %s" % c.status)
    if c.dropped("gaze_point.held"):
        break
assert c.dropped("gaze_point.held") == 1 and "hold" in c.status["last_dropped"], c.status
until(lambda: "command" not in c.target(), "no target after a hold")

# Targets in quick succession count as a stream, which has to pause after a hold.
result = c.set_all([("commands.release_after", double(0.2))])
assert result.successful, result.reason
paused = now() + 0.5
until(lambda: now() > paused, "a pause")

# A newer accepted target cancels it as well.
for attempt in range(8):
    c.look(resting)
    c.tell("wagon", BASE, (0.9, -0.2, 0.0))
    late = refusals()
    c.point_at(spot_on, "wagon", stamp=now() + 30.0)
    pause(0.05)
    c.look(spot(1.0, 25, -12))
    until(lambda: c.dropped("gaze_point.overtaken") or refusals() > late, lambda: "an end to the wait: %s" % c.status)
    if c.dropped("gaze_point.overtaken"):
        break
assert c.dropped("gaze_point.overtaken") == 1 and "newer target" in c.status["last_dropped"], c.status

# Frames that the head carries: a target in them is resolved once, so that it does not run away from
# the head.
c.look(resting)
c.tell("neck_camera", HEAD, CAMERA, fixed=True)
end = now() + PATIENCE
while c.target().get("frame") != "neck_camera":
    assert now() < end, c.status
    c.point_at((1.0, 0.2, -0.1), "neck_camera")
    pause(0.3)
c.look(resting)
pose = c.newest["true_pose"].pose
place = plus(xyz(pose.position), turn(xyzw(pose.orientation), plus(CAMERA, (1.0, 0.2, -0.1))))
c.look((1.0, 0.2, -0.1), "neck_camera")
off = math.degrees(c.true_off(place))
print("from the head's own frame: true angle %.3f deg" % off)
assert off < 0.7, off
number, at = c.command_number(), xyzw(c.newest["true_pose"].pose.orientation)
holds(lambda: off_axis(c.newest["true_pose"].pose, place) < math.radians(1.0), "it runs away", 2.0)
assert c.command_number() == number
# Resolved at its stamp: where the head was when the object was seen.
c.look(resting)
seen, pose = now(), c.newest["true_pose"].pose
place = plus(xyz(pose.position), turn(xyzw(pose.orientation), plus(CAMERA, (1.0, -0.1, 0.0))))
until(lambda: seconds(c.newest["head_pose"].header.stamp) > seen, "the head's pose of that time")
c.look(spot(1.0, -40, 15))
c.look((1.0, -0.1, 0.0), "neck_camera", stamp=seen)
off = math.degrees(c.true_off(place))
print("seen before the head turned: true angle %.3f deg" % off)
assert off < 0.7, off

# Invalid transforms: dropped, counted, named.
c.refused("tf.not_finite", ["cart", "NaN"], lambda: c.tell("cart2", BASE, (math.nan, 0.0, 0.0)))
c.refused("tf.zero_quaternion", ["cart2", "zero"], lambda: c.tell("cart2", BASE, (0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 0.0)))
c.refused("tf.transform", ["own parent"], lambda: c.tell("cart2", "cart2", (0.0, 0.0, 0.0)))
c.refused("tf.transform", ["is below"], lambda: c.tell("torso", "bench", (0.0, 0.0, 0.0)))
c.refused("tf.stamp_ahead", ["cart2", "ahead"], lambda: c.tell("cart2", BASE, (0.0, 0.0, 0.0), stamp=now() + 60.0))
c.refused("tf.transform", ["empty name", "not UTF-8"], lambda: c.tell("cart2", "", (0.0, 0.0, 0.0)))
c.refused("tf.transform", ["256 bytes"], lambda: c.tell("x" * 256, BASE, (0.0, 0.0, 0.0)))
many = TFMessage(transforms=[TransformStamped() for _ in range(1001)])
c.refused("tf.too_many", ["1001 transforms", "at most 1000"], lambda: c.tf.publish(many))
# Only the joint may publish the head's own frame.
total = c.status["messages_dropped"]
for _ in range(10):
    c.tell(HEAD, BASE, (5.0, 5.0, 5.0), stamp=now())
c.look(resting)
held(resting, "after a stranger's word on the head")
assert c.status["messages_dropped"] == total, c.status
rolling.set()
done()

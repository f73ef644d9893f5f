"""The action ~/point_head as a behaviour uses it, on a joint with pan: ends, refusals, feedback and
pace."""

from pointing import *

# Reached: it succeeds when the camera looks there, and the feedback gives the remaining angle.
point = (0.5, 0.6, 0.05)
first = ends(goal(*point, axis=(2.0, 0.0, 0.0), of="neck_head"), SUCCEEDED)
off = math.degrees(sight(poses[-1][1], point))
print("reached: %.2f deg off in truth, %d words on the way" % (off, len(first.way)))
assert off < 1.0, off
until(lambda: first.way[-1] < math.radians(1.5), lambda: "the last word on the way: %s" % first.way)
assert first.way[0] > math.radians(20), first.way

# Too near, then beyond the neck's pitch: aborted, with the residual reported.
near = ends(goal(0.09, 0.0, 0.16), ABORTED)
until(lambda: states[-1]["message"] == "out of reach", lambda: "out of reach: %s" % states[-1])
below = ends(goal(0.3, 0.0, -1.0), ABORTED)
until(lambda: states[-1]["message"] == "best possible", lambda: "best possible: %s" % states[-1])
least = float(states[-1]["residual_min_rad"])
print("best possible: %.2f deg left over at least, %.2f told" % (math.degrees(least), math.degrees(below.way[-1])))
assert least > math.radians(5), least
until(lambda: abs(below.way[-1] - least) < math.radians(1.5), lambda: "the rest told last: %s" % below.way)

# Refused: no goal, and the target in force stays.
command = states[-1]["command"]
for words, message in [
    ("pointing_axis is (0", goal(0.5, 0.0, 0.2, axis=(0.0, 0.0, 1.0))),
    ("pointing_axis is (NaN", goal(0.5, 0.0, 0.2, axis=(math.nan, 0.0, 0.0))),
    ("pointing_frame is 'eye'", goal(0.5, 0.0, 0.2, of="eye")),
    ("finite numbers", goal(math.nan, 0.0, 0.2)),
    ("garden", goal(0.5, 0.0, 0.2, frame="garden")),
    ("max_velocity is -1", goal(0.5, 0.0, 0.2, speed=-1.0)),
    ("max_velocity is inf", goal(0.5, 0.0, 0.2, speed=math.inf)),
    ("min_duration is -2", goal(0.5, 0.0, 0.2, least=-2.0)),
]:
    before = int(states[-1]["refused"])
    assert not Sent(message).accepted, words
    until(lambda: int(states[-1]["refused"]) == before + 1, "a refusal counted")
    assert words in states[-1]["last_refusal"], (words, states[-1])
    assert states[-1]["command"] == command

# Slower on request: the path of the true head, in the same run.
ends(goal(*back), SUCCEEDED)


def lasts(to, **pace):
    """Returns the time in which the true head covers the middle 80 percent of its path, s, and its
    greatest speed over a quarter of a second, some periods of its mode, rad/s."""
    begin = len(poses) - 1
    ends(goal(*to, **pace), SUCCEEDED)
    way = poses[begin:]
    offs = [(t, sight(p, to)) for t, p in way]
    whole = offs[0][1]
    started = next(t for t, off in offs if off < 0.9 * whole)
    time_taken = next(t for t, off in offs if off < 0.1 * whole) - started
    rates, last = [], way[0]
    for t, pose in way:
        if t - last[0] >= 0.25:
            rates.append(between(pose, last[1]) / (t - last[0]))
            last = (t, pose)
    return time_taken, max(rates)


free, fastest = lasts(there)
ends(goal(*back), SUCCEEDED)
slow, _ = lasts(there, least=4.0)
ends(goal(*back), SUCCEEDED)
limited, peak = lasts(there, speed=0.3)
print("greatest speed %.2f rad/s; %.2f rad/s with max_velocity 0.3 rad/s" % (fastest, peak))
print("the middle of the way: %.2f s; %.2f s with min_duration 4 s; %.2f s with max_velocity 0.3 rad/s" % (free, slow, limited))
assert slow > 2.5 * free and limited > 2.5 * free, (free, slow, limited)
# A tenth for the joint's following.
assert fastest > 0.6 and peak < 1.1 * 0.3, (fastest, peak)

# Cancelled under way: it holds there.
sent = Sent(goal(*back, least=8.0))
assert sent.accepted
until(lambda: len(sent.way) > 4 and sent.way[-1] < 0.9 * sent.way[0], "the way begun")
answer = sent.handle.cancel_goal_async()
until(answer.done, "an answer to the cancellation")
assert answer.result().return_code == CancelGoal.Response.ERROR_NONE and len(answer.result().goals_canceling) == 1
assert sent.end() == CANCELED
until(lambda: states[-1]["message"] == "no target", lambda: "no target: %s" % states[-1])
until(lambda: joint.newest["settled"].data, "the hold settled")
left = sight(poses[-1][1], back)
print("cancelled: holds with %.1f deg left over" % math.degrees(left))
assert left > math.radians(10), left
# Once over, there is nothing to cancel.
answer = sent.handle.cancel_goal_async()
until(answer.done, "an answer to the second cancellation")
assert answer.result().return_code == CancelGoal.Response.ERROR_GOAL_TERMINATED

# Another goal, a pose and a hold each end the goal before.
old = Sent(goal(*back, least=8.0))
new = Sent(goal(*there))
assert old.end() == ABORTED and new.end() == SUCCEEDED
sent = Sent(goal(*back, least=8.0))
joint.send(joint.pose((0.1, 0.0)))
assert sent.end() == ABORTED
sent = Sent(goal(*back, least=8.0))
hold()
assert sent.end() == ABORTED

# A goal at the current gaze ends by its own target state, not by the one before.
ends(goal(*there), SUCCEEDED)
again = ends(goal(*there), SUCCEEDED)
print("there already: succeeded after %.2f s" % again.took)
done()

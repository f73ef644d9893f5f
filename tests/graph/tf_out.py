"""The head's transform on /tf: the measured pose, at the time of the sample that it comes from."""

from looking import *

c = GazeClient(leave=("truth", "joint_states", "references", "setpoints"))
c.all["tf"] = []


def take(message):
    for transform in message.transforms:
        if transform.child_frame_id == HEAD:
            c.take("tf", transform)


c.node.create_subscription(TFMessage, "/tf", take, TO_ALL)
c.ready()
key = lambda m: (m.header.stamp.sec, m.header.stamp.nanosec)


def gather(what):
    """Collects transforms, head poses, IMU samples and truth while the joint looks from one side to
    the other."""
    c.look(spot(1.0, -60, 10))
    c.clear("tf", "head_pose", "imu", "true_pose")
    c.look(spot(1.0, 60, -25))
    return [c.all[k][:] for k in ("tf", "head_pose", "imu", "true_pose")]


transforms, poses, samples, truth = gather("a wide turn")
by_stamp = {key(p): p.pose for p in poses}
stamps = {key(m) for m in samples}
both = [(t.transform, by_stamp[key(t)]) for t in transforms if key(t) in by_stamp]
of_imu = sum(key(t) in stamps for t in transforms)
# Best-effort streams may lose a sample on its way to this client.
assert len(both) > 100 and of_imu > 0.6 * len(transforms), (len(transforms), len(both), of_imu)
for transform, pose in both:
    assert xyz(transform.translation) == xyz(pose.position) and xyzw(transform.rotation) == xyzw(pose.orientation)
assert all(t.header.frame_id == BASE for t in transforms)
times_of = [seconds(t.header.stamp) for t in transforms]
assert all(a < b for a, b in zip(times_of, times_of[1:])), "stamps that do not rise"

# Against the truth of the same time, with the pan at full speed.
truth = [(seconds(p.header.stamp), p.pose) for p in truth]
worst, worst_place, turned, k = 0.0, 0.0, 0.0, 0
for transform in transforms:
    t = seconds(transform.header.stamp)
    while k + 1 < len(truth) and truth[k + 1][0] < t:
        k += 1
    if k + 1 == len(truth) or truth[k][0] > t:
        continue
    (before, a), (after, b) = truth[k], truth[k + 1]
    share = (t - before) / (after - before)
    q, r = xyzw(a.orientation), xyzw(b.orientation)
    sign = 1.0 if sum(x * y for x, y in zip(q, r)) >= 0.0 else -1.0
    mixed = [x * (1 - share) + sign * y * share for x, y in zip(q, r)]
    size = math.sqrt(sum(x * x for x in mixed))
    mixed = tuple(x / size for x in mixed)
    apart = 2 * math.asin(min(1.0, length(times(back(mixed), xyzw(transform.transform.rotation))[:3])))
    place = plus(xyz(a.position), tuple(share * (y - x) for x, y in zip(xyz(a.position), xyz(b.position))))
    worst = max(worst, math.degrees(apart))
    worst_place = max(worst_place, 1e3 * length(minus(place, xyz(transform.transform.translation))))
    turned = max(turned, abs(2 * math.atan2(mixed[2], mixed[3])))
print("/tf against the truth of its stamp in a turn of %.0f deg: %.2f deg, %.1f mm at most" % (math.degrees(turned) * 2, worst, worst_place))
assert turned > 0.8, turned
assert worst < 0.5 and worst_place < 3.0, (worst, worst_place)
done()

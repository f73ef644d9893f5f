"""The supervision parameters: the list, refusals, whole sets, and the values of a file at start."""

from supervised import *

RULES = [
    "imu_stale", "imu_frozen", "motor_stale", "motor_frozen", "sensor_mismatch", "over_bend", "position_limit", "slack",
    "saturation", "following_error", "hunting", "diverging_oscillation", "late_cycles",
]
# Rules whose limits are other parameters.
ELSEWHERE = ["imu_stale", "motor_stale", "over_bend", "following_error"]

c = Watched()
c.tracking()
asked = bend_deg(12, 40)
c.point(asked)

# The list.
everything = {n[len("supervision."):]: v for n, v in c.everything().items() if n.startswith("supervision.")}
wanted = {"%s.%s" % (r, k) for r in RULES for k in ("after", "reaction", "latch")}
wanted |= {r + ".limit" for r in RULES if r not in ELSEWHERE}
wanted |= {"command_timeout.after", "fallback_to_motors", "command_timeout_action"}
assert set(everything) == wanted, set(everything) ^ wanted
assert everything["fallback_to_motors"] is True and everything["command_timeout_action"] == "hold"
assert everything["command_timeout.after"] == 0.0
# Values from the joint file of this test, and from a parameter at start.
assert everything["slack.limit"] == 2.0 and everything["slack.latch"] is True
assert everything["position_limit.after"] == 0.25
names = ["supervision." + n for n in everything]
descriptors = c.call(DescribeParameters, "describe_parameters", DescribeParameters.Request(names=names)).descriptors
for d in descriptors:
    assert d.description.endswith(".") and not d.read_only, d
    is_now = everything[d.name[len("supervision."):]]
    if d.type == 3:
        (r,) = d.floating_point_range
        assert r.from_value <= is_now <= r.to_value and "accepted" in d.additional_constraints, d
    if d.type == 4:
        assert "'%s'" % is_now in d.additional_constraints, d

# Refusals with the numbers; they change nothing, alone or together with good values.
refusals = [
    ("imu_frozen.limit", 0.6, ["is 0.6", "0.01 to 0.5 rad"]),
    ("sensor_mismatch.limit", math.nan, ["NaN", "0.02 to 1 rad"]),
    ("sensor_mismatch.limit", 1.5, ["is 1.5", "0.02 to 1 rad"]),
    ("position_limit.after", 11.0, ["is 11", "0 to 10 s"]),
    ("position_limit.after", -0.1, ["-0.1", "0 to 10 s"]),
    ("saturation.limit", 1.0, ["is 1", "0.05 to 0.99"]),
    ("saturation.after", 0.1, ["is 0.1", "0.5 to 60 s"]),
    ("slack.limit", -1.0, ["is -1", "0 to 2 tendons"]),
    # No looser than the joint file, where it says so.
    ("slack.limit", 2.5, ["is 2.5", "0 to 2 tendons"]),
    ("command_timeout.after", 4000.0, ["4000", "0 to 3600 s", "never"]),
    ("command_timeout.after", math.inf, ["inf", "0 to 3600 s"]),
    ("slack.reaction", "stop", ["'stop'", "'warn', 'slow', 'hold' or 'release'"]),
    ("slack.reaction", True, ["a bool", "a string"]),
    ("motor_stale.reaction", "warn", ["'warn'", "'hold' or 'release'"]),
    ("position_limit.reaction", "slow", ["'slow'", "'hold' or 'release'"]),
    ("sensor_mismatch.reaction", "warn", ["'warn'", "'slow', 'hold' or 'release'"]),
    ("imu_stale.reaction", "warn", ["'warn'", "feedback is imu"]),
    ("imu_frozen.reaction", "slow", ["'slow'", "feedback is imu"]),
    ("motor_frozen.latch", False, ["is false", "true"]),
    ("slack.latch", "yes", ["a string", "a bool"]),
    ("fallback_to_motors", 1.0, ["a double", "a bool"]),
    ("command_timeout_action", "fall", ["'fall'", "'hold' or 'neutral'"]),
]
before = c.everything()
c.clear("events")
for name, value, words in refusals:
    name = "supervision." + name
    good = ("supervision.hunting.limit", double(0.01))
    for result in (c.set_each([(name, value_of(value))])[0], c.set_all([good, (name, value_of(value))])):
        assert not result.successful, name
        assert all(w in result.reason for w in [name] + words), (name, words, result.reason)
        assert "\n" not in result.reason and len(result.reason) < 250, result.reason
assert c.everything() == before
assert c.count("events") == 0, c.all["events"]

# A loop setting and a rule that is too mild for it are set together or not at all.
mild = ("supervision.imu_stale.reaction", text("warn"))
assert c.set_all([("feedback", text("motors")), mild]).successful
assert c.get("feedback", mild[0]) == ["motors", "warn"]
result = c.set_all([("feedback", text("imu"))])
assert not result.successful and mild[0] in result.reason and "'warn'" in result.reason, result.reason
assert c.set_all([("feedback", text("imu")), (mild[0], text("hold"))]).successful
c.clear("events")
c.guards({"hunting.limit": 0.01, "command_timeout.after": 1000.0, "command_timeout_action": "neutral", "position_limit.latch": False})
until(lambda: c.count("events"), "the event")
told = {p.name: plain(p.value) for e in c.all["events"] for p in e.changed_parameters}
assert told == {
    "supervision.hunting.limit": 0.01,
    "supervision.command_timeout.after": 1000.0,
    "supervision.command_timeout_action": "neutral",
    "supervision.position_limit.latch": False,
}, told
c.point(asked)
near(c.truth(), asked, math.radians(0.7), "at the end")
done()

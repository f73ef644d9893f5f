"""The parameter services, as an external tool would use them."""

import math

from client import *

c = Client()
c.tracking()
asked = bend_deg(12, 40)
c.point(asked)

# The list.
everything = c.everything()
gains = ["kp", "ki", "kd", "integral_order", "derivative_order", "derivative_corner"]
for motor in MOTORS:
    for gain in gains:
        assert isinstance(everything["gains.%s.%s" % (motor, gain)], float), (motor, gain)
initial, sets = everything["gain_set"], everything["gain_sets"]
other = next(s for s in sets if s != initial)
assert initial in sets and everything["feedback"] == "imu"
assert everything["use_sim_time"] is LOCKSTEP and everything["tick_rate_hz"] == 200.0
assert everything["motor_names"] == MOTORS
assert abs(everything["limits.inclination"] - math.radians(40)) < 1e-12

# The manual has them all.
manual = open(os.path.join(os.path.dirname(os.path.abspath(__file__)), "../../docs/parameters.md")).read()
for name in everything:
    general = re.sub("neck_motor_[1-4]", "MOTOR", name)
    assert "| `%s` |" % general in manual, "docs/parameters.md lacks " + name


def listed(prefixes, depth):
    result = c.call(ListParameters, "list_parameters", ListParameters.Request(prefixes=prefixes, depth=depth)).result
    return list(result.names), list(result.prefixes)


one = "gains.neck_motor_1"
assert listed([one], 0) == (sorted("%s.%s" % (one, g) for g in gains), [one])
assert listed(["gains"], 1) == ([], [])
assert len(listed(["gains"], 2)[0]) == 24 and set(listed(["gains"], 2)[1]) == {"gains." + m for m in MOTORS}
assert "gain_set" in listed([], 1)[0] and one + ".kp" not in listed([], 1)[0]
assert listed(["gain"], 0) == ([], [])

types = c.call(GetParameterTypes, "get_parameter_types", GetParameterTypes.Request(names=["gain_set", one + ".kp", "motor_names", "use_sim_time", "nothing"])).types
assert list(types) == [4, 3, 9, 1, 0], types
assert c.get("nothing", "gain_set") == [None, initial]

descriptors = c.call(DescribeParameters, "describe_parameters", DescribeParameters.Request(names=list(everything))).descriptors
described = {d.name: d for d in descriptors}
assert list(described) == list(everything)
for name, d in described.items():
    assert d.description.endswith("."), name
    assert d.type == {bool: 1, float: 3, str: 4, list: 9}[type(everything[name])], name
    if not d.read_only and d.type == 3:
        (r,) = d.floating_point_range
        assert r.step == 0.0 and r.from_value <= everything[name] <= r.to_value, (name, r)
assert {n for n in described if described[n].read_only} == {
    "autostart", "base_frame", "gain_set_folder", "incidents.disk_limit", "incidents.folder", "gain_sets", "head_frame", "imu_rate_hz", "joint_file", "motor_names", "motor_rate_hz",
    "setpoint_kind", "setpoint_message", "tick_rate_hz", "tick_source", "use_sim_time",
}
assert described[one + ".integral_order"].floating_point_range[0].to_value == 2.0

# Refusals: one clear sentence, nothing changed, no change event.
kp, order = one + ".kp", one + ".integral_order"
refusals = [
    (kp, double(math.nan), [kp, "NaN", "accepted"]),
    (kp, double(-0.5), [kp, "-0.5", "from 0"]),
    (kp, double(math.inf), [kp, "inf", "accepted"]),
    (one + ".ki", double(-1e-9), ["-0.000000001", "from 0"]),
    (order, double(0.0), [order, "is 0", "above 0 and below 2"]),
    (order, double(2.0), [order, "is 2", "above 0 and below 2"]),
    (order, double(math.nan), [order, "NaN"]),
    (one + ".derivative_order", double(2.0), ["derivative_order", "is 2"]),
    (one + ".derivative_corner", double(1e5), ["derivative_corner", "100000", "rad/s"]),
    (kp, text("much"), [kp, "a string", "a double"]),
    (kp, integer(1), [kp, "integer", "double"]),
    (kp, ParameterValue(type=ParameterType.PARAMETER_DOUBLE_ARRAY, double_array_value=[1.0]), [kp, "array of doubles"]),
    (kp, ParameterValue(), [kp, "removed"]),
    ("gain_set", text("feather"), ["gain_set", "'feather'", "'%s'" % initial, "'%s'" % other]),
    ("gain_set", double(1.0), ["gain_set", "a double", "a string"]),
    ("feedback", text("eyes"), ["feedback", "'eyes'", "'imu' or 'motors'"]),
    ("limits.inclination", double(1.2), ["limits.inclination", "1.2", "accepted"]),
    ("limits.over_bend", double(0.5), ["limits.over_bend", "0.5", "limits.inclination"]),
    # Looser than the joint file.
    ("limits.over_bend", double(1.05), ["limits.over_bend", "1.05", "at most 1.047"]),
    ("limits.feedback", double(0.151), ["limits.feedback", "0.151", "0 to 0.15 rad"]),
    ("limits.stale_imu", double(0.2), ["limits.stale_imu", "0.2", "at most 0.1 s"]),
    ("limits.feedback", double(-0.1), ["limits.feedback", "-0.1"]),
    ("limits.neck_motor_2.speed", double(12.5), ["limits.neck_motor_2.speed", "12.5", "12 rad/s"]),
    ("limits.neck_motor_2.travel_low", double(0.1), ["travel_low", "0.1"]),
    ("tick_rate_hz", double(100.0), ["tick_rate_hz", "cannot be changed"]),
    ("joint_file", text("other.yaml"), ["joint_file", "cannot be changed"]),
    ("use_sim_time", ParameterValue(type=1, bool_value=not LOCKSTEP), ["use_sim_time", "cannot be changed"]),
    ("gains.neck_motor_9.kp", double(1.0), ["gains.neck_motor_9.kp", "not a parameter"]),
]
c.clear("events")
before = c.everything()
for name, value, words in refusals:
    for result in (c.set_each([(name, value)])[0], c.set_all([(name, value)])):
        assert not result.successful, name
        assert all(w in result.reason for w in words), (words, result.reason)
        assert "\n" not in result.reason and len(result.reason) < 250, result.reason
        # Most have "<name and problem>; accepted: <accepted values>".
    assert c.everything() == before, name
near(c.truth(), asked, math.radians(0.7), "after refusals")
until(lambda: c.status.get("parameter_sets_refused") == str(2 * len(refusals)), "the refusals in diagnostics")

# An atomic set with one bad member changes nothing; set one by one, the good ones are accepted.
ki = one + ".ki"
mixed = [(ki, double(before[ki] * 1.01)), (order, double(2.5)), ("limits.feedback", double(0.12))]
result = c.set_all(mixed)
assert not result.successful and order in result.reason and "2.5" in result.reason, result
assert c.everything() == before
assert c.count("events") == 0, c.all["events"]
assert [r.successful for r in c.set_each(mixed)] == [True, False, True]
after = c.everything()
assert {n: v for n, v in after.items() if v != before[n]} == {ki: before[ki] * 1.01, "limits.feedback": 0.12}


def changed_by_events():
    return {p.name: plain(p.value) for e in c.all["events"] if e.node == "/withy" for p in e.changed_parameters}


until(lambda: len(changed_by_events()) == 2, "events of the two changes")
assert changed_by_events() == {ki: before[ki] * 1.01, "limits.feedback": 0.12}
until(lambda: c.status.get("gains_changed_since_chosen") == "1", "the change in diagnostics")
result = c.set_all([(ki, double(1.0)), (ki, double(2.0))])
assert not result.successful and "twice" in result.reason, result
assert c.set_all([]).successful

# A gain set swaps all motors at once, at rest and in motion, with little effect on the joint.
for name in [s for s in sets if s != initial] + [initial]:
    c.clear("events", "setpoints")
    until(lambda: c.count("setpoints") > 20, "setpoints")
    index = c.count("setpoints")
    result = c.set_all([("gain_set", text(name))])
    assert result.successful, result.reason
    # The reply means that the loop has taken it: the values read back belong to the new set.
    assert c.get("gain_set") == [name]
    until(lambda: "gain_set" in changed_by_events(), "the event of the swap")
    now = c.everything()
    assert all(now[n] == v for n, v in changed_by_events().items())
    until(lambda: c.count("setpoints") > index + 200, "setpoints after the swap")
    history = [angles(m, MOTORS) for m in c.all["setpoints"]]
    steps = [max(abs(a - b) for a, b in zip(x, y)) for x, y in zip(history, history[1:])]
    # Invented bound: 10 mrad of motor angle is 0.14 deg of bend.
    assert max(steps) < 0.01, (name, max(steps), max(steps[: index - 1]))
    until(lambda: c.status.get("gain_set") == name, "the set's name in diagnostics")
assert c.get(ki) == [before[ki]], "choosing a set discards changes of single gains"

# A set and a gain in one atomic set: the set first, then the gain.
result = c.set_all([(ki, double(1.25)), ("gain_set", text(other))])
assert result.successful and c.get("gain_set", ki) == [other, 1.25], result
assert c.set_all([("gain_set", text(initial))]).successful

# Feedback from the motors: the sag, which they do not see, comes back. Upright, so that the model's
# gain has no effect.
c.point((0.0, 0.0))
assert c.set_all([("feedback", text("motors"))]).successful
until(lambda: math.hypot(c.truth()[0], c.truth()[1] + math.radians(1.0)) < math.radians(0.3), "sag with feedback from the motors")
assert c.set_all([("feedback", text("imu"))]).successful
until(lambda: math.hypot(*c.truth()) < math.radians(0.5), "sag corrected again")
done()

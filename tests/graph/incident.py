"""A fault and a request each write a file, whose contents agree with the messages on the graph."""

from incident_file import *
from client import *

FOLDER = sys.argv[1]
NS = 1_000_000_000


def ns(stamp):
    return stamp.sec * NS + stamp.nanosec


def text_ns(words):
    whole, part = words.split(".")
    assert len(part) == 9, words
    return int(whole) * NS + int(part)


def agrees(read):
    """Checks that rows hold the messages of joint_states, imu and motor_setpoints, stamp by
    stamp."""
    span = (text_ns(read.rows[0]["ros_time_s"]), text_ns(read.rows[-1]["ros_time_s"]))
    inside = [m for m in c.all["joint_states"] if span[0] + NS // 10 < ns(m.header.stamp) < span[1] - NS // 10]
    encoders = {ns(m.header.stamp): dict(zip(m.name, m.position)) for m in inside}
    imus = {ns(m.header.stamp): m for m in c.all["imu"]}
    seen, seen_imu = set(), 0
    for row in read.rows:
        for motor in MOTORS:
            words = row[motor + "_stamp_s"]
            if words and text_ns(words) in encoders:
                stamp = text_ns(words)
                seen.add(stamp)
                assert abs(float(row[motor + "_angle_rad"]) - encoders[stamp][motor]) < 1e-6, (row, encoders[stamp])
        words = row["imu_stamp_s"]
        if words and text_ns(words) in imus:
            rate = imus[text_ns(words)].angular_velocity
            assert abs(float(row["imu_rate_x_rad_s"]) - rate.x) < 1e-6, row
            seen_imu += 1
    # A cycle takes the newest sample; with as many samples as cycles some are never the newest.
    assert len(seen) > 0.1 * len(encoders) > 10, (len(seen), len(encoders))
    assert seen_imu > 30, seen_imu
    rows = {}
    for row in read.rows:
        if row["setpoint_stamp_s"]:
            values = [float(row[motor + "_setpoint_rad"]) for motor in MOTORS]
            rows.setdefault(text_ns(row["setpoint_stamp_s"]), []).append(values)
    # Cycles that find no newer sample share its stamp, and some of them may lie outside the file.
    for stamp in (min(rows), max(rows)):
        del rows[stamp]
    compared = 0
    for message in list(c.all["setpoints"]):
        stamp, sent = ns(message.header.stamp), dict(zip(message.name, message.position))
        if stamp in rows:
            sent = [sent[motor] for motor in MOTORS]
            assert any(max(abs(a - b) for a, b in zip(v, sent)) < 1e-6 for v in rows[stamp]), (sent, rows[stamp])
            compared += 1
    assert compared > 30, compared
    print("%s: %d rows, %d setpoints and %d encoder messages agree" % (read.path, len(read.rows), compared, len(seen)))


c = Client()
c.tracking()
c.point(bend_deg(12, 40))
result = c.set_all([("limits.feedback", double(0.11))])
assert result.successful, result.reason
broken = Imu()
broken.orientation.w = float("nan")
wrong = c.node.create_publisher(Imu, "imu", qos_profile_sensor_data)
until(lambda: wrong.get_subscription_count() > 0, "somebody to listen to the IMU")


def refused():
    # A sensor's message may be lost, the first above all.
    wrong.publish(broken)
    return int(c.status.get("messages_dropped", 0)) > 0


until(refused, "a message to be refused")

# On request: at once, and the answer has the path.
assert not whole_files(FOLDER), whole_files(FOLDER)
reply = c.call(Trigger, "save_incident")
assert reply.success, reply
assert whole_files(FOLDER) == [reply.message], (reply, whole_files(FOLDER))
# Requests that come together share the next file.
futures = [c.begin(Trigger, "save_incident") for _ in range(5)]
until(lambda: all(f.done() for f in futures), "the answers to five requests")
paths = {f.result().message for f in futures}
assert len(paths) == 1 and paths < set(whole_files(FOLDER)) == paths | {reply.message}, (paths, whole_files(FOLDER))
read = Read(reply.message)
agrees(read)
assert read.line("node") == "/withy" and read.line("cause") == "request"
told = dict(words.split(" = ", 1) for words in read.lines("parameter"))
assert told["limits.feedback"] == "0.11", told
assert set(told) == set(c.everything()) and len(told) > 50, sorted(told)
assert any("limits.feedback = 0.11" in words for words in read.lines("event")), read.lines("event")
assert any(words.startswith("name: withy") for words in read.lines("joint_file_text"))
assert any(words.startswith("imu.") for words in read.lines("refused")), read.head
assert read.rows[-1]["mode"] == "tracking" and read.rows[-1]["active"] == "1", read.rows[-1]

# On a fault: by itself, a little later, with the time after it.
c.clear("setpoints")
c.send(c.pose(bend_deg(16, 130)))
holds(lambda: True, "", 0.5)
c.switch("motors_on", False)
until(lambda: len(whole_files(FOLDER)) == 3, "a file after a fault")
path = [p for p in whole_files(FOLDER) if p not in paths | {reply.message}][0]
read = Read(path)
cause = read.line("cause")
assert cause in ("motor_stale", "holding") and path.endswith("-%s.csv" % cause), path
agrees(read)
at = text_ns(read.line("fault").split()[0])
mode = {text_ns(row["ros_time_s"]): row["mode"] for row in read.rows}
assert mode[at] == "holding" and read.line("fault").split()[1] == cause, (read.line("fault"), mode[at])
before = max(t for t in mode if t < at)
assert mode[before] == "tracking", mode[before]
followed = (max(mode) - at) / NS
assert 1.5 < followed < 30.0, followed
held = [[row[m + "_setpoint_rad"] for m in MOTORS] for row in read.rows
        if row["mode"] == "holding" and text_ns(row["ros_time_s"]) >= at]
# No setpoints go to motors that were all silent for long.
held = [h for h in held if all(h)]
assert len(held) > 10 and all(h == held[0] for h in held), "held setpoints move"
done()

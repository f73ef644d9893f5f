"""A moving base: arguments `swing` (measured by its IMU), `tilt` (far over), `silence` (this client
is the base's IMU, and falls silent)."""

from looking import *

what = sys.argv[1]
c = GazeClient()


def apart(pose, bend, pan):
    """Returns the angle between a head's orientation in the base frame and that of a
    configuration."""
    asked = times(about_z(pan), quaternion(bend))
    return 2 * math.asin(min(1.0, length(times(back(asked), xyzw(pose.pose.orientation))[:3])))


def hold_pose(bend, pan):
    before = c.command_number()
    c.send(c.pose(None, q=times(about_z(pan), quaternion(bend))))
    until(lambda: c.command_number() > before, "the pose to be taken")
    return lambda pose: apart(pose, bend, pan)


if what == "swing":
    c.ready()
    assert c.status["feedback"] == "imu", c.status
    for bend, pan in ((bend_deg(20, 0), 0.5), (bend_deg(15, 100), -1.0)):
        error = hold_pose(bend, pan)
        until(lambda: c.target()["settled"] == "1", "the pose on a swinging base")
        c.clear("true_pose")
        first = seconds(until(lambda: c.newest.get("true_pose"), "truth").header.stamp)
        # A whole oscillation and a little more.
        until(lambda: seconds(c.newest["true_pose"].header.stamp) > first + 5.5, "a swing")
        errors = [math.degrees(error(p)) for p in c.all["true_pose"]]
        mean, worst = math.sqrt(sum(e * e for e in errors) / len(errors)), max(errors)
        print("base swinging 20 deg at 0.2 Hz: true error %.3f deg rms, %.3f at most" % (mean, worst))
        assert worst < 1.0, worst

if what == "tilt":
    base = c.node.create_publisher(QuaternionStamped, "/simulated_neck/base_orientation", TO_ALL)
    c.ready()
    until(lambda: base.get_subscription_count() > 0, "the base")

    def tilt(degrees):
        message = QuaternionStamped()
        half = math.radians(degrees) / 2
        message.quaternion.y, message.quaternion.w = math.sin(half), math.cos(half)
        base.publish(message)

    assert c.status["feedback"] == "imu" and float(c.status["observability"]) > 0.9, c.status
    tilt(80)
    told = lambda: c.status["feedback"] == "motors" and "gravity shows too little" in c.status["message"]
    until(told, lambda: "low observability to be told: %s" % c.status)
    assert float(c.status["observability"]) < 0.2 and c.status["level"] == 1, c.status
    tilt(0)
    until(lambda: c.status["feedback"] == "imu" and c.status["level"] == 0, lambda: "gravity again: %s" % c.status)

if what == "silence":
    # Joint states and the head's IMU are there, the base's is not: nothing is sent.
    waits = lambda: "waiting for samples of every required sensor" in c.status.get("message", "")
    until(waits, lambda: "a word in diagnostics: %s" % c.status)
    holds(lambda: c.status["mode"] == "waiting" and not c.count("setpoints"), "setpoints without the base's IMU", 1.5)
    base_imu = c.node.create_publisher(Imu, "base_imu", qos_profile_sensor_data)

    def level(t):
        message = Imu()
        message.header.stamp = stamp_of(t)
        message.orientation.w = 1.0
        base_imu.publish(message)

    talking = keep(100, level)
    c.ready()
    c.look(spot(1.0, 20, -20))
    assert c.status["feedback"] == "imu", c.status
    # The base IMU falls silent: the motors measure the bend, and diagnostics report it.
    talking.set()
    told = lambda: c.status["feedback"] == "motors" and "base's IMU is stale" in c.status["message"]
    until(told, lambda: "the silence to be told: %s" % c.status)
    assert c.status["level"] == 1 and c.status["mode"] == "tracking", c.status
    # The joint goes on by the motors, sag included.
    place = spot(1.0, -30, 5)
    c.look(place)
    off = math.degrees(c.true_off(place))
    print("without the base's IMU: true angle %.2f deg" % off)
    assert off < 3.0, off
    talking = keep(100, level)
    until(lambda: c.status["feedback"] == "imu" and c.status["level"] == 0, lambda: "the base's IMU again: %s" % c.status)
    until(lambda: math.degrees(off_axis(c.newest["true_pose"].pose, place)) < 0.5, "the point with the base's IMU again")
done()

"""Malformed messages on each input: dropped, counted, named, and the joint keeps its target."""

import math

import timing

# Threads publish beside the executor here, which that of events does not bear.
timing.Executor = timing.SingleThreadedExecutor

from client import *

c = Client()
c.tracking()
asked = bend_deg(12, 40)
c.point(asked)
joints_out = c.node.create_publisher(JointState, "joint_states", qos_profile_sensor_data)
imu_out = c.node.create_publisher(Imu, "imu", qos_profile_sensor_data)
until(lambda: joints_out.get_subscription_count() > 0 and imu_out.get_subscription_count() > 0, "listeners")


def dropped(key):
    return int(c.status.get("dropped." + key, "0"))


def expect(key, send, words=()):
    """Sends until one more is counted: best-effort messages may be lost on the way."""
    before, end = dropped(key), now() + PATIENCE
    while dropped(key) <= before:
        assert now() < end, "not counted: %s in %s" % (key, c.status)
        send()
        pause(0.25)
    # The joint's real sensors go on, but only a further fault of theirs would replace the last
    # refusal.
    for word in words:
        assert word in c.status["last_dropped"], (word, c.status["last_dropped"])


def pose(**more):
    message = c.pose(bend_deg(30, 200), **{k: v for k, v in more.items() if k in ("frame", "q")})
    if "x" in more:
        message.pose.position.x = more["x"]
    return lambda: c.send(message)


expect("desired_pose.unknown_frame", pose(frame="map"), ["desired_pose", '"map"', "'neck_base'"])
expect("desired_pose.not_finite", pose(q=(math.nan, 0.0, 0.0, 1.0)), ["orientation", "NaN"])
expect("desired_pose.not_finite", pose(q=(0.0, math.inf, 0.0, 1.0)))
expect("desired_pose.not_finite", pose(x=math.nan), ["position"])
expect("desired_pose.zero_quaternion", pose(q=(0.0, 0.0, 0.0, 0.0)), ["zero quaternion"])
expect("desired_pose.quaternion_norm", pose(q=(0.0, 0.0, 0.0, 0.5)), ["0.500"])


def joint_state(name, position, ahead=0.0):
    def send():
        message = JointState(name=name, position=position)
        message.header.stamp = stamp_of(now() + ahead)
        joints_out.publish(message)

    return send


expect("joint_states.not_finite", joint_state(MOTORS[:1], [math.nan]), [MOTORS[0], "NaN"])
expect("joint_states.not_finite", joint_state(["wheel", MOTORS[1]], [0.0, math.inf]), [MOTORS[1], "inf"])
expect("joint_states.sizes_differ", joint_state(MOTORS[:2], [0.0]), ["1 entries for 2 names"])
expect("joint_states.sizes_differ", joint_state(MOTORS[:2], []))
expect("joint_states.named_twice", joint_state([MOTORS[0], MOTORS[0]], [0.0, 0.0]), [MOTORS[0], "twice"])
expect("joint_states.stamp_ahead", joint_state(MOTORS[:1], [0.0], ahead=5.0), ["ahead", "clock"])
expect("joint_states.stamp_not_newer", joint_state(MOTORS[:1], [0.0], ahead=-5.0), ["newer"])


def imu(**more):
    def send():
        message = Imu()
        message.header.stamp = stamp_of(now())
        o = message.orientation
        o.x, o.y, o.z, o.w = more.get("q", quaternion(bend_deg(30, 200)))
        message.angular_velocity.y = more.get("rate", 0.0)
        message.orientation_covariance[0] = more.get("covariance", 0.0)
        message.angular_velocity_covariance[0] = more.get("rate_covariance", 0.0)
        imu_out.publish(message)

    return send


expect("imu.not_finite", imu(q=(0.0, 0.0, math.nan, 1.0)), ["imu", "NaN"])
expect("imu.not_finite", imu(rate=math.inf), ["angular_velocity", "inf"])
expect("imu.zero_quaternion", imu(q=(0.0, 0.0, 0.0, 0.0)), ["zero quaternion"])
# REP-145: a first covariance of -1 marks an absent quantity.
expect("imu.no_orientation", imu(covariance=-1.0), ["orientation_covariance[0]"])
expect("imu.no_angular_velocity", imu(rate_covariance=-1.0), ["angular_velocity_covariance[0]"])

total = sum(int(v) for k, v in c.status.items() if k.startswith("dropped."))
assert int(c.status["messages_dropped"]) >= total > 15

# Messages of other joints are ignored, with any content, and are not counted.
before = c.status["messages_dropped"]
pause = c.count("joint_states")
for _ in range(20):
    joint_state(["wheel_left", "wheel_right"], [math.nan, 1.0])()
    joint_state([], [])()
until(lambda: c.count("joint_states") > pause + 100, "more joint states")

# None of them moved the joint.
assert c.status["mode"] == "tracking" and c.status["settled"] == "1", c.status
near(c.truth(), asked, math.radians(0.7), "after malformed messages")
assert c.status["messages_dropped"] == before, (before, c.status)
for key, value in c.status.items():
    if key.endswith(("_s", "_hz", "_rad")) or key.startswith("dropped.") or "cycles" in key:
        float(value)

# Partial messages: the plant falls silent, and each motor's angle comes in a message of its own.
c.switch("motors_on", False)
until(lambda: c.status["mode"] in ("holding", "stopped"), "stale motors to be noticed")
stop = threading.Event()


def feed():
    turn = 0
    while not stop.wait(0.004):
        setpoint = angles(c.newest["setpoints"], MOTORS)
        joint_state([MOTORS[turn % 4], "wheel"], [setpoint[turn % 4], math.nan])()
        turn += 1


feeder = threading.Thread(target=feed, daemon=True)
feeder.start()
until(lambda: c.status["mode"] == "tracking", "tracking on partial messages")
near(c.truth(), asked, math.radians(1.0), "on partial messages")
# One motor is left out: its angle alone becomes stale, and that is noticed.
stop.set()
feeder.join()
stop.clear()


def feed_three():
    while not stop.wait(0.004):
        setpoint = angles(c.newest["setpoints"], MOTORS)
        joint_state(MOTORS[:3], setpoint[:3])()


threading.Thread(target=feed_three, daemon=True).start()
until(lambda: c.status["mode"] in ("holding", "stopped"), "one stale motor to be noticed")
done()

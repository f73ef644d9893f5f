"""A joint whose topics vanish one at a time while it moves."""

from broken import *

c = Stepping()
c.tracking()


def under_way(start, goal):
    c.point(start)
    c.send(c.pose(goal))
    until(lambda: math.dist(c.truth(), start) > 0.05, "motion")
    assert math.dist(c.truth(), goal) > 0.05, "still under way"
    c.clear("setpoints")


def arrives(goal, most_deg, what):
    c.clear("truth")
    recent = lambda: [math.dist((m.x, m.y), goal) for m in c.all["truth"][-100:]]
    there = lambda: c.count("truth") >= 100 and max(recent()) < math.radians(most_deg)
    until(there, lambda: "%s; diagnostics: %s" % (what, c.status))
    c.steps(c.sent(), what)


# The IMU's topic: the motion goes on by the motors' bend, and by the IMU's when it is back.
under_way(bend_deg(20, 70), bend_deg(20, 250))
c.switch("imu_on", False)
s = c.told("the motors to serve", feedback="motors", cause="imu_stale", mode="tracking", level=1)
arrives(bend_deg(20, 250), 2.5, "the IMU's topic gone in motion")
c.send(c.pose(bend_deg(20, 70)))
until(lambda: math.dist(c.truth(), bend_deg(20, 250)) > 0.05, "motion")
c.switch("imu_on", True)
c.told("the IMU to serve again", feedback="imu", cause="", mode="tracking", level=0)
arrives(bend_deg(20, 70), 1.0, "the IMU's topic back in motion")


def held(begin, motors, vanish, come_back, what):
    goal = bend_deg(20, 250)
    under_way(begin, goal)
    vanish()
    s = c.told(what, mode=lambda m: m in ("holding", "stopped"), level=2, cause="motor_stale")
    assert s["fault.motor_stale.motors"] == motors, s
    c.told(what, mode=lambda m: m in ("stopped", "waiting"))
    c.clear("truth")
    bends = lambda: [(m.x, m.y) for m in c.all["truth"][-100:]]
    still = lambda: c.count("truth") >= 100 and max(math.dist(b, bends()[0]) for b in bends()) < math.radians(0.2)
    until(still, what + ": rest")
    at = c.truth()
    come_back()
    c.told("the loop to start anew", mode="tracking", cause="", latched_faults="")
    holds(lambda: math.dist(c.truth(), at) < math.radians(1.5), what + ": no move by itself", 1.0)
    assert math.dist(at, goal) > math.radians(3)
    c.steps(c.sent(), what)


# One motor's name is missing in joint_states; then the whole topic.
begin = bend_deg(20, 70)
held(begin, "neck_motor_2", lambda: c.spoil("silent.1", 1), lambda: c.spoil("silent.1", 0), "a name gone in motion")
on = lambda value: lambda: c.switch("motors_on", value)
held(begin, ", ".join(MOTORS), on(False), on(True), "joint_states gone in motion")
c.point(bend_deg(12, 40))
near(c.truth(), bend_deg(12, 40), math.radians(0.7), "at the end")
done()

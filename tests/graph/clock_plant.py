"""An external simulator: it publishes /clock and plays the joint; it pauses, restarts and jumps
ahead."""

import math
import threading

from rosgraph_msgs.msg import Clock

import plant as strange
from client import *


# Step of simulated time, s.
STEP = 0.01


class World(strange.Plant):
    """The plant, stepped by a time of its own."""

    def __init__(self):
        super().__init__(dict(strange.DEFAULTS))
        best_effort = QoSProfile(depth=1, reliability=ReliabilityPolicy.BEST_EFFORT)
        self.clock = self.node.create_publisher(Clock, "/clock", best_effort)
        self.time = 0.0
        self.runs = True
        self.bends = []
        self.first = list(self.q)
        # Setpoints received since the list was last cleared, with the motors' angles.
        self.heard = []
        self.lock = threading.Lock()

    def stamp(self):
        return stamp_of(self.time)

    def elapsed(self):
        return STEP

    def on_joint_state(self, message):
        # Setpoints from before a jump belong to another time.
        if abs(seconds(message.header.stamp) - self.time) > 1.0:
            return
        super().on_joint_state(message)
        self.heard.append((list(self.setpoint), list(self.q), seconds(message.header.stamp)))

    def go(self):
        """Runs twice as fast as real time if the machine permits; a delay is not made up for."""
        while True:
            with self.lock:
                if self.runs:
                    self.time += STEP
                    self.step()
                    self.bends.append(self.bend)
                self.clock.publish(Clock(clock=self.stamp()))
            time.sleep(STEP / 2)

    def jump(self, to, anew):
        with self.lock:
            self.time = to
            if anew:
                self.q, self.rate, self.setpoint = list(self.first), (0.0, 0.0), None
                self.bend = self.bend_of(self.q)
            self.heard.clear()
            self.bends.clear()


c = Client()
world = World()
clock.add(world.node)
modes = []
take = c.on_diagnostics


def see(message):
    take(message)
    modes.append(c.status.get("mode"))


# Clients receive the rate and the mode once a second; every report is kept here.
c.node.create_subscription(DiagnosticArray, "/diagnostics", see, 10)
threading.Thread(target=world.go, daemon=True).start()
MOST_STEP = 0.05  # rad in one period; 6 rad/s at 200 Hz would be 0.03, and messages may be lost


def stays(what):
    """Checks that for two simulated seconds the joint stays where it is, from the first setpoint
    on."""
    where = world.bend
    began = world.time
    until(lambda: world.heard, "setpoints " + what)
    setpoint, q, _ = world.heard[0]
    first = max(abs(s - a) for s, a in zip(setpoint, q))
    until(lambda: world.time > began + 2.0, "two seconds")
    away = max(math.dist(b, where) for b in world.bends)
    print("%s: first setpoint %.4f rad from the motors, at most %.3f deg away" % (what, first, math.degrees(away)))
    assert first < 0.03, (what, setpoint, q)
    assert away < math.radians(0.5), (what, where, away)


c.tracking()
c.point(bend_deg(12, 40))
near(c.truth(), bend_deg(12, 40), math.radians(0.7), "on a stranger's time")
assert abs(seconds(c.newest["setpoints"].header.stamp) - world.time) < 1.0

# A pause in mid-motion.
c.clear("settled")
modes.clear()
world.heard.clear()
c.send(c.pose(bend_deg(20, 220)))
until(lambda: math.dist(world.bend, bend_deg(12, 40)) > math.radians(5), "the joint to be under way")
with world.lock:
    world.runs = False
until(lambda: "simulated time stands" in c.status["message"], lambda: "that time stands: %s" % c.status)
ticks, count = c.status["cycles"], len(world.heard)
for _ in range(3):
    before = c.status
    until(lambda: c.status is not before, "another report")
assert c.status["cycles"] == ticks and len(world.heard) == count, c.status
world.runs = True
until(lambda: any(m.data for m in c.all["settled"]), lambda: "the motion to end: %s" % c.status)
near(c.truth(), bend_deg(20, 220), math.radians(0.7), "after a pause")
assert set(modes) == {"tracking"}, set(modes)
# Per period, by the stamps of the measurements: a lost message does not count as a step of the
# node.
steps = [max(abs(a - b) for a, b in zip(x, y)) / max(1, round((t - s) / STEP))
         for (x, _, s), (y, _, t) in zip(world.heard, world.heard[1:])]
assert max(steps) < MOST_STEP, max(steps)
print("pause: setpoints moved by %.4f rad in a tick at most" % max(steps))

# A simulation that restarts: time jumps back, and the joint is where it started.
world.jump(0.3, True)
until(lambda: c.status["clock_steps"] == "1", lambda: "the jump to be told: %s" % c.status)
stays("anew")
c.tracking()
c.point(bend_deg(15, 130))
near(c.truth(), bend_deg(15, 130), math.radians(0.7), "after a jump back")

# A jump ahead, with the joint as it is.
world.jump(world.time + 1000.0, False)
until(lambda: c.status["clock_steps"] == "2", lambda: "the leap to be told: %s" % c.status)
stays("ahead")
c.tracking()
c.point(bend_deg(10, 310))
near(c.truth(), bend_deg(10, 310), math.radians(0.7), "after a leap ahead")
done()

"""Common parts of the tests of broken processes: a simulated joint whose truth is known, and bounds
on setpoint steps."""

import subprocess

from geometry_msgs.msg import Vector3Stamped

from supervised import *

# Speed limit of the motors in config/glasshouse-neck.yaml and its velocity variant, rad/s, and the
# control period, s.
FASTEST, PERIOD = 12.0, 0.005
# Setpoints carry the stamps of measurements, which arrive late on a busy machine. Tolerance of a
# stamp, s.
SLACK = 0.03


class Stepping(Watched):
    """Records every setpoint, of positions or velocities."""

    def __init__(self, kind="position", leave=()):
        super().__init__(leave=("setpoints",) + leave)
        self.field = kind
        # A queue for all of them, not for the newest alone.
        every = QoSProfile(depth=1000, reliability=ReliabilityPolicy.RELIABLE)
        heard = lambda message: self.take("setpoints", message)
        self.node.create_subscription(JointState, "/withy/motor_setpoints", heard, every)

    def sent(self, since=0):
        return [(seconds(m.header.stamp), angles(m, MOTORS, self.field)) for m in self.all["setpoints"][since:]]

    def steps(self, sent, what):
        """Checks that positions change no faster than the motors may move, or that velocities stay
        within it."""
        if self.field == "velocity":
            greatest = max((abs(v) for _, s in sent for v in s), default=0.0)
            print("%s: greatest speed %.3f of %g" % (what, greatest, FASTEST))
            assert greatest < 1.001 * FASTEST, (what, greatest)
            return
        greatest = 0.0
        for (s, x), (t, y) in zip(sent, sent[1:]):
            step = max(abs(a - b) for a, b in zip(x, y))
            greatest = max(greatest, step)
            # Time in which the process was stopped gives the motors no distance.
            most = FASTEST * ((t - s if t - s < 0.5 else 0.0) + SLACK)
            assert step < most, (what, s - sent[0][0], t - sent[0][0], x, y)
        print("%s: greatest step between two setpoints %.4f, most in a tick %.3f" % (what, greatest, FASTEST * PERIOD))


class Witness(Stepping):
    """Observes the true bend of the simulated joint."""

    def __init__(self, kind="position"):
        super().__init__(kind, leave=("truth",))
        self.bends = []
        self.node.create_subscription(Vector3Stamped, "/simulated_neck/true_bend", self.on_truth, ALL)

    def on_truth(self, message):
        self.bends.append((message.vector.x, message.vector.y))

    def truth(self):
        until(lambda: self.bends, "the truth")
        return self.bends[-1]

    def moves(self, start, by=0.08):
        """Waits until the joint is under way from `start`."""
        until(lambda: math.dist(self.truth(), start) > by, lambda: "motion; diagnostics: %s" % self.status)

    def stopped_in_motion(self, pid, end, where):
        """Stops a process while the joint moves to `end`. Returns the time of the stop, and the
        joint's place from `where()`."""
        begin = bend_deg(15, 70)
        for _ in range(5):
            self.point(begin)
            self.send(self.pose(end))
            self.moves(begin)
            self.clear("setpoints")
            os.kill(pid, signal.SIGSTOP)
            stopped, at = now(), where()
            if math.dist(at, end) > math.radians(2):
                return stopped, at
            # On a busy machine the motion is seen only when it is over.
            os.kill(pid, signal.SIGCONT)
            self.told("the loop to go on", mode="tracking", cause="", latched_faults="")
        raise AssertionError("each time the motion was over")

    def rests(self):
        """Waits until the head no longer oscillates, and returns the true bend."""

        def still():
            recent = self.bends[-100:]
            return len(recent) == 100 and max(math.dist(b, recent[0]) for b in recent) < math.radians(0.3)

        self.bends = self.bends[-1:]
        until(still, "rest")
        return self.truth()

    def remains(self, at, most_deg, what, seconds=1.0):
        """Checks that the joint stays where it is."""
        begin = len(self.bends)
        holds(lambda: math.dist(self.truth(), at) < math.radians(most_deg), what, seconds)
        off = math.degrees(max((math.dist(b, at) for b in self.bends[begin:]), default=0.0))
        print("%s: at most %.2f deg away in %g s" % (what, off, seconds))
        assert off < most_deg, off

    def told_on_stale(self):
        """Waits for the report of stale data: the joint is held first, then stopped."""
        s = self.told("stale data", mode=lambda m: m in ("holding", "stopped"), level=2, fault_motor_stale="broken")
        assert s["cause"] in ("imu_stale", "motor_stale") and "motor_stale" in s["message"], s

    def goes_on_by_command(self, at):
        """Checks that the joint does not move by itself, and then that it follows a command."""
        self.remains(at, 1.0, "without a new command")
        self.point(bend_deg(12, 160))
        near(self.truth(), bend_deg(12, 160), math.radians(1.0), "by a new command")


def memory(pid):
    """Returns the resident memory of a process, MB (proc(5): pages of 4096 bytes)."""
    with open("/proc/%d/statm" % pid) as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def say(words):
    print(words, flush=True)

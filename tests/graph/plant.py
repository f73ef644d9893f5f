"""A joint on the graph, written independently of Withy: motors that follow their setpoints with a
lag, a beam that oscillates about where the tendons of the continuum limit put it, an IMU and
encoders.

Motor angle of tendon i: q_i = r/(drum) * (b . u_i), b the bend vector, u_i the anchor's direction:
the constant-curvature length L - theta r cos(phi - psi_i) (Webster and Jones 2010). Withy uses the
chord length, so the two differ a little and the feedback has something to correct. Orientations
come from the half-angle formula, q = [sin(theta/2) axis, cos(theta/2)].

Run: plant.py <key=value ...> [-- <key=value ...>]; keys below, those of each joint. Ends on
SIGTERM.

In lockstep (WITHY_LOCKSTEP=1) the plant publishes the time on /clock, a step at a time, and waits
until the joints' nodes and the client have acknowledged it.
"""

import itertools
import math
import random
import sys
import time

import rclpy
from geometry_msgs.msg import Vector3
from rclpy.duration import Duration
from rclpy.executors import ExternalShutdownException
from rclpy.qos import QoSProfile, ReliabilityPolicy, qos_profile_sensor_data
from rosgraph_msgs.msg import Clock
from sensor_msgs.msg import Imu, JointState
from std_msgs.msg import Float64MultiArray, Header, String

import timing

DEFAULTS = {
    "ns": "",
    "node": "withy",
    "kind": "position",
    "message": "joint_state",
    "rate": 200.0,
    "lag": 0.02,
    "radius": 0.033,
    "drum": 0.008,
    "psi": "20,115,197,290",
    "names": "neck_motor_1,neck_motor_2,neck_motor_3,neck_motor_4",
    "start": "0.05,-0.03",
    # Offset of the first motor's encoder, rad.
    "unzeroed": 0.0,
    "imu_topic": "imu",
    "imu": "on",
    # Sag that the encoders do not show, toward -y, deg.
    "sag": 1.0,
    # Mode of the beam with its head, about where the tendons put it: natural frequency, rad/s, and
    # damping ratio (invented).
    "swing": 40.0,
    "damping": 0.5,
    # Faults from the start: "<what> <number>", several with commas between.
    "wrong": "",
}

# Faults that may be set at run time, by "<what> <number>" on plant/switch: by motor, as in "shift.1
# 0.5",
#   stall    the motor stands (1) while its encoder's last digits vary
#   freeze   its encoder repeats its last value (1)
#   silent   its encoder is left out of the message (1)
#   shift    offset of its encoder, rad
# and of the joint
#   imu_freeze   the IMU repeats its last value (1)
#   imu_shift    offset of the IMU toward +x, rad
#   load         additional sag of the beam toward +x, rad
#   sway         amplitude of a forced oscillation along x, rad; a negative one begins small and
#                grows up to it
#   beat         its angular frequency, rad/s
#   ahead        lead of the sensors' stamps over the clock, in real time, s


class Plant:
    def __init__(self, options):
        self.o = options
        self.names = options["names"].split(",")
        self.u = [(math.cos(math.radians(float(p))), math.sin(math.radians(float(p)))) for p in options["psi"].split(",")]
        gear = options["radius"] / options["drum"]
        bx, by = (float(v) for v in options["start"].split(","))
        self.gear = gear
        self.q = [gear * (bx * c + by * s) for c, s in self.u]
        self.setpoint = None
        self.imu_on, self.motors_on = options["imu"] == "on", True
        self.node = rclpy.create_node("plant", namespace=options["ns"])
        newest = QoSProfile(depth=1, reliability=ReliabilityPolicy.RELIABLE)
        topic = options["node"] + "/motor_setpoints"
        if options["message"] == "joint_state":
            self.node.create_subscription(JointState, topic, self.on_joint_state, newest)
        else:
            self.node.create_subscription(Float64MultiArray, topic, self.on_array, newest)
        self.node.create_subscription(String, "plant/switch", self.on_switch, 10)
        self.imu = self.node.create_publisher(Imu, options["imu_topic"], qos_profile_sensor_data)
        self.joints = self.node.create_publisher(JointState, "joint_states", qos_profile_sensor_data)
        self.truth = self.node.create_publisher(Vector3, "plant/true_bend", 10)
        self.bend = self.bend_of(self.q)
        self.rate = (0.0, 0.0)
        self.wrong = {"beat": 5.0}
        for wrong in filter(None, options["wrong"].split(",")):
            what, value = wrong.split()
            self.wrong[what] = float(value)
        self.swaying, self.swayed, self.away = 0.0, 0.0, (0.0, 0.0)
        self.stepped = None
        self.said, self.said_imu = list(self.q), None
        self.noise = random.Random(1)
        # The control node's last acknowledgement, by topic.
        self.acknowledged = {}
        topic = options["node"] + "/acknowledged"
        self.node.create_subscription(Header, topic, self.on_acknowledged, timing.ACKNOWLEDGED_QOS)

    def on_acknowledged(self, message):
        self.acknowledged[message.frame_id] = message.stamp

    def on_joint_state(self, message):
        values = message.position if self.o["kind"] == "position" else message.velocity
        by_name = dict(zip(message.name, values))
        self.setpoint = [by_name[name] for name in self.names]

    def on_array(self, message):
        assert len(message.data) == len(self.names)
        self.setpoint = list(message.data)

    def on_switch(self, message):
        what, _, value = message.data.partition(" ")
        if value in ("on", "off"):
            setattr(self, what, value == "on")
        else:
            self.wrong[what] = float(value)

    def is_wrong(self, what, motor=None):
        return self.wrong.get(what if motor is None else "%s.%d" % (what, motor), 0.0)

    def sway(self, dt):
        """Updates the forced oscillation: displacement of the beam, rad, and its rate, rad/s."""
        most = self.is_wrong("sway")
        # Grows by a factor of e in 3 s.
        self.swayed = min(-most, max(0.01, self.swayed) * math.exp(dt / 3.0)) if most < 0.0 else most
        self.swaying += dt
        beat = self.wrong["beat"]
        self.away = self.swayed * math.sin(beat * self.swaying), self.swayed * beat * math.cos(beat * self.swaying)

    def bend_of(self, q):
        """Least-squares solution of q_i = gear (b . u_i)."""
        a = sum(c * c for c, s in self.u)
        b = sum(c * s for c, s in self.u)
        d = sum(s * s for c, s in self.u)
        x = sum(c * v for (c, s), v in zip(self.u, q)) / self.gear
        y = sum(s * v for (c, s), v in zip(self.u, q)) / self.gear
        det = a * d - b * b
        return (d * x - b * y) / det, (a * y - b * x) / det - math.radians(self.o["sag"])

    def elapsed(self):
        """Returns the time since the last step, s: on a busy machine timers are late, and motors go
        on meanwhile."""
        now, before = time.monotonic(), self.stepped
        self.stepped = now
        return 0.0 if before is None else min(now - before, 1.0)

    def stamp(self):
        ahead = Duration(seconds=self.is_wrong("ahead"))
        return (self.node.get_clock().now() + ahead).to_msg()

    def step(self):
        self.move(self.elapsed())
        self.tell(self.stamp())

    def move(self, dt):
        if self.setpoint is not None:
            weight = dt / (self.o["lag"] + dt)
            for i, s in enumerate(self.setpoint):
                if self.is_wrong("stall", i):
                    continue
                self.q[i] += weight * (s - self.q[i]) if self.o["kind"] == "position" else dt * s
        # Second order, in steps of a tenth of the sample's period or less; semi-implicit Euler.
        rest = self.bend_of(self.q)
        rest = (rest[0] + self.is_wrong("load"), rest[1])
        w, z = self.o["swing"], self.o["damping"]
        steps = math.ceil(10 * dt * self.o["rate"])
        for _ in range(steps):
            h = dt / steps
            self.rate = tuple(v + h * (w * w * (r - b) - 2 * z * w * v) for v, r, b in zip(self.rate, rest, self.bend))
            self.bend = tuple(b + h * v for b, v in zip(self.bend, self.rate))
        self.sway(dt)

    def true_bend(self):
        """Returns the bend with the forced oscillation, rad."""
        return self.bend[0] + self.away[0], self.bend[1]

    def reading(self):
        """Returns what the IMU measures: orientation (w, x, y, z), and angular velocity, rad/s."""
        bx, by = self.true_bend()
        bx += self.is_wrong("imu_shift")
        theta = math.hypot(bx, by)
        half = 0.5 * theta
        # The axis of a bend toward (bx, by) is (-by, bx, 0).
        k = math.sin(half) / theta if theta > 1e-12 else 0.5
        # Accurate enough for small bends: the angular velocity is the rate of the rotation vector.
        return (math.cos(half), -by * k, bx * k, 0.0), (-self.rate[1], self.rate[0] + self.away[1], 0.0)

    def tell(self, stamp):
        """Publishes the sensors' messages with this stamp, and the truth. Returns the sensors'
        topics."""
        topics = []
        if self.motors_on:
            for i, q in enumerate(self.q):
                if not self.is_wrong("freeze", i):
                    dance = self.noise.gauss(0.0, 1e-5) if self.is_wrong("stall", i) else 0.0
                    self.said[i] = q + self.is_wrong("shift", i) + dance + (self.o["unzeroed"] if i == 0 else 0.0)
            heard = [i for i in range(len(self.q)) if not self.is_wrong("silent", i)]
            message = JointState(name=[self.names[i] for i in heard], position=[self.said[i] for i in heard])
            message.header.stamp = stamp
            self.joints.publish(message)
            topics.append("joint_states")
        if self.imu_on:
            if not (self.is_wrong("imu_freeze") and self.said_imu):
                self.said_imu = self.reading()
            (w, x, y, z), (rate_x, rate_y, rate_z) = self.said_imu
            message = Imu()
            message.header.stamp = stamp
            message.header.frame_id = "neck_head"
            o, rate = message.orientation, message.angular_velocity
            o.w, o.x, o.y, o.z = w, x, y, z
            rate.x, rate.y, rate.z = rate_x, rate_y, rate_z
            self.imu.publish(message)
            topics.append("imu")
        bx, by = self.true_bend()
        self.truth.publish(Vector3(x=bx, y=by))
        return topics


class Time:
    """Simulated time in lockstep, for all plants."""

    # Machine time after which the time is published again, in case the message was lost, and after
    # which it goes on without an answer, s.
    AGAIN, PATIENCE = 0.1, 10.0

    def __init__(self, plants):
        self.plants = plants
        self.executor = timing.Executor()
        for plant in plants:
            self.executor.add_node(plant.node)
        node = plants[0].node
        self.clock = node.create_publisher(Clock, "/clock", timing.CLOCK_QOS)
        self.client = None
        node.create_subscription(Header, "/client/acknowledged", self.on_client, timing.ACKNOWLEDGED_QOS)
        # Ids that answer, and ids that no longer do. One that has never answered is waited for
        # without limit.
        self.here, self.gone = set(), set()

    def on_client(self, message):
        self.client = message.stamp

    def wait(self, who, again):
        """Waits until all of `who`, by name, have answered. One that stopped answering is no longer
        waited for."""
        begun = said = time.monotonic()
        while True:
            waiting = {name for name, answered in who.items() if not answered()}
            here = set(who) - waiting
            self.here |= here
            self.gone -= here
            if waiting <= self.gone:
                return
            now = time.monotonic()
            if now - begun > self.PATIENCE:
                self.gone |= waiting & self.here
            if now - said > self.AGAIN:
                said = now
                again()
            self.executor.spin_once(timeout_sec=0.02)

    def run(self):
        period = 1.0 / self.plants[0].o["rate"]
        for count in itertools.count():
            stamp = timing.stamp_of(count * period)
            for plant in self.plants:
                plant.move(period)
            say = lambda: self.clock.publish(Clock(clock=stamp))
            say()
            told = {id(p): lambda p=p: p.acknowledged.get("clock") == stamp for p in self.plants}
            self.wait({"client": lambda: self.client == stamp, **told}, say)
            # Handles the messages that came with the answers or before them.
            self.executor.spin_once(timeout_sec=0.0)
            told = {p: p.tell(stamp) for p in self.plants}
            seen = lambda p: all(p.acknowledged.get(topic) == stamp for topic in told[p])
            self.wait({id(p): lambda p=p: seen(p) for p in self.plants}, lambda: None)
            if self.gone:
                # Without the others, time follows the machine's.
                time.sleep(period)


def main(kind=Plant):
    """Runs the joints of the command line, each a plant of this kind."""
    plants = []
    rclpy.init(args=[])
    joints = [dict(DEFAULTS)]
    for argument in sys.argv[1:]:
        if argument == "--":
            joints.append(dict(DEFAULTS))
            continue
        key, _, value = argument.partition("=")
        joints[-1][key] = type(DEFAULTS[key])(value)
    plants.extend(kind(options) for options in joints)
    try:
        if timing.LOCKSTEP:
            Time(plants).run()
        for plant in plants:
            plant.node.create_timer(1.0 / plant.o["rate"], plant.step)
        executor = timing.Executor()
        for plant in plants:
            executor.add_node(plant.node)
        # Not spin(): that of the events executor does not end on a signal.
        while rclpy.ok():
            executor.spin_once(timeout_sec=1.0)
    except (KeyboardInterrupt, ExternalShutdownException):
        pass


if __name__ == "__main__":
    main()

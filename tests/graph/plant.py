"""A joint as a stranger would write it, on the graph: motors that follow their setpoints with a lag, a beam that swings
about where the tendons of the continuum limit put it, an IMU and encoders.

Motor angle of tendon i: q_i = r/(drum) * (b . u_i), b the bend vector, u_i the anchor's direction: the constant-curvature
length L - theta r cos(phi - psi_i) (Webster and Jones 2010), which is not the chord length that Withy uses, so the two
differ a little and the feedback has something to do. Attitudes are made by the half-angle
formula, q = [sin(theta/2) axis, cos(theta/2)].

Run: plant.py <key=value ...>; keys below. Ends on SIGTERM.
"""

import math
import random
import sys
import time

import rclpy
from geometry_msgs.msg import Vector3
from rclpy.executors import ExternalShutdownException
from rclpy.qos import QoSProfile, ReliabilityPolicy, qos_profile_sensor_data
from sensor_msgs.msg import Imu, JointState
from std_msgs.msg import Float64MultiArray, String

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
    # What the first motor's encoder says too much, rad.
    "unzeroed": 0.0,
    "imu_topic": "imu",
    "imu": "on",
    # Degrees of sag that the encoders do not show, toward -y.
    "sag": 1.0,
    # The beam with its head swings about where the tendons put it: natural frequency, rad/s, and damping ratio (invented).
    "swing": 40.0,
    "damping": 0.5,
    # What is wrong from the start: "<what> <number>", several with commas between.
    "wrong": "",
}

# What may be made wrong while it runs, by "<what> <number>" on plant/switch: by motor, as in "shift.1 0.5",
#   stall    the motor stands (1) while its encoder's last digits dance
#   freeze   its encoder repeats what it said last (1)
#   silent   its encoder says nothing (1)
#   shift    its encoder is off by so much, rad
# and of the joint
#   imu_freeze   the IMU repeats what it said last (1)
#   imu_shift    the IMU is off by so much toward +x, rad
#   load         the beam hangs so much further toward +x than the tendons put it, rad
#   sway         something sways the beam along x by so much, rad; a negative one begins small and grows up to it
#   beat         by how many rad/s it sways


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
        self.swaying, self.swayed = 0.0, 0.0
        self.stepped = time.monotonic()
        self.said, self.said_imu = list(self.q), None
        self.noise = random.Random(1)
        self.node.create_timer(1.0 / options["rate"], self.step)

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
        """How far, and how fast, the beam is swayed."""
        most = self.is_wrong("sway")
        # e times as much in 3 s.
        self.swayed = min(-most, max(0.01, self.swayed) * math.exp(dt / 3.0)) if most < 0.0 else most
        self.swaying += dt
        beat = self.wrong["beat"]
        return self.swayed * math.sin(beat * self.swaying), self.swayed * beat * math.cos(beat * self.swaying)

    def bend_of(self, q):
        """Least squares of q_i = gear (b . u_i)."""
        a = sum(c * c for c, s in self.u)
        b = sum(c * s for c, s in self.u)
        d = sum(s * s for c, s in self.u)
        x = sum(c * v for (c, s), v in zip(self.u, q)) / self.gear
        y = sum(s * v for (c, s), v in zip(self.u, q)) / self.gear
        det = a * d - b * b
        return (d * x - b * y) / det, (a * y - b * x) / det - math.radians(self.o["sag"])

    def elapsed(self):
        """Time since the last step, s: on a busy machine timers are late, and motors go on meanwhile."""
        now = time.monotonic()
        since, self.stepped = now - self.stepped, now
        return min(since, 1.0)

    def step(self):
        dt = self.elapsed()
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
        away, speed = self.sway(dt)
        bx, by = self.bend[0] + away, self.bend[1]
        stamp = self.node.get_clock().now().to_msg()
        if self.motors_on:
            for i, q in enumerate(self.q):
                if not self.is_wrong("freeze", i):
                    dance = self.noise.gauss(0.0, 1e-5) if self.is_wrong("stall", i) else 0.0
                    self.said[i] = q + self.is_wrong("shift", i) + dance + (self.o["unzeroed"] if i == 0 else 0.0)
            heard = [i for i in range(len(self.q)) if not self.is_wrong("silent", i)]
            message = JointState(name=[self.names[i] for i in heard], position=[self.said[i] for i in heard])
            message.header.stamp = stamp
            self.joints.publish(message)
        if self.imu_on:
            shown = (bx + self.is_wrong("imu_shift"), by)
            if self.is_wrong("imu_freeze") and self.said_imu:
                shown, (rate_x, rate_y) = self.said_imu
            else:
                rate_x, rate_y = self.rate[0] + speed, self.rate[1]
            self.said_imu = shown, (rate_x, rate_y)
            mx, my = shown
            theta = math.hypot(mx, my)
            half = 0.5 * theta
            # The axis of a lean toward (bx, by) is (-by, bx, 0).
            k = math.sin(half) / theta if theta > 1e-12 else 0.5
            message = Imu()
            message.header.stamp = stamp
            message.header.frame_id = "neck_head"
            message.orientation.x, message.orientation.y = -my * k, mx * k
            message.orientation.w = math.cos(half)
            # Near enough for small bends: the angular velocity is the rate of the rotation vector.
            message.angular_velocity.x, message.angular_velocity.y = -rate_y, rate_x
            self.imu.publish(message)
        self.truth.publish(Vector3(x=bx, y=by))


def main():
    options = dict(DEFAULTS)
    for argument in sys.argv[1:]:
        key, _, value = argument.partition("=")
        options[key] = type(DEFAULTS[key])(value)
    rclpy.init(args=[])
    plant = Plant(options)
    try:
        rclpy.spin(plant.node)
    except (KeyboardInterrupt, ExternalShutdownException):
        pass


if __name__ == "__main__":
    main()

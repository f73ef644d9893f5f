"""A joint on the graph in an engine of multibody dynamics, MuJoCo (pinned in
engine-requirements.txt), written from physics and independent of Withy and of `plant.py`'s beam: a
chain of rigid links with elastic hinges, tendons that only pull, drums, motors with a lag and a
speed limit, an IMU and encoders.

Links: a slender elastic rod of flexural rigidity EI in N pieces of length l has the angular
stiffness EI/l between two neighbours, since its curvature is angle/l (Euler-Bernoulli; Timoshenko
and Gere, "Theory of Elastic Stability"). The material's damping is that of Kelvin and Voigt: moment
EI/l (angle + retardation * rate). Tendons are straight between the holes of plates and discs, and
pull with stiffness * elongation where that is positive.

Run: engine.py <key=value ...>, keys of `plant.py` and those below; the same messages and switches,
except those that displace the plant's own beam (imu_shift, load, sway, beat), and in addition
  payload    mass on the head plate, kg, its centre `payload_height` above the plate
  push_x, push_y    force on the head plate, N
The builder's mistakes are options: `signs`, `order`, `drums`, `turned`, `crossed`."""

import math
import sys

import mujoco
import numpy as np

import plant

# The built joint, in the numbers of config/glasshouse-neck.yaml: m, kg, N, N m2, s.
LENGTH, RIGIDITY, RETARDATION = 0.12, 0.05, 0.022
BEAM, HEAD, HEAD_HEIGHT, HEAD_INERTIA = 0.06, 0.09, 0.008, (5e-5, 5e-5, 9e-5)
STIFFNESS, PRETENSION, DRUM = 1600.0, 4.0, 0.008
# Motors: time constant of the lag, s, and speed limit, rad/s.
LAG, FASTEST = 1 / 60, 12.0
LINKS, DISCS = 12, 2
# The engine's bodies have some mass, kg.
NOTHING = 1e-6
STEP = 0.0005
# rms of the IMU's noise: rad per axis, and rad/s.
TILT_NOISE, GYRO_NOISE = math.radians(0.06), 0.01

plant.DEFAULTS.update({
    # Drum radius of each motor over that of the file; the sense in which each turns; the tendon
    # that each motor pulls.
    "drums": "1,1,1,1",
    "signs": "1,1,1,1",
    "order": "0,1,2,3",
    # Where each tendon ends on the head, as the number of the tendon that the file has there.
    "crossed": "0,1,2,3",
    # Rotation of the IMU against the head plate: about the neck, and about the x axis, deg.
    "turned": "0,0",
    "payload": 0.0,
    "payload_height": 0.06,
})


def numbers(text, kind=float):
    return [kind(part) for part in text.split(",")]


def element(kind, /, *inside, **attributes):
    """Returns an element of the engine's language; numbers in an attribute are separated by
    spaces."""
    words = [kind]
    for key, value in attributes.items():
        several = value if isinstance(value, (tuple, list)) else (value,)
        words.append('%s="%s"' % (key, " ".join(str(v) for v in several)))
    return "<%s>%s</%s>" % (" ".join(words), "".join(inside), kind)


def model(radius, angles, crossed):
    """Returns the model's description in the engine's language. The chain has half a link at each
    end, so that the hinges are where the pieces of the rod meet in the mean."""
    link, straight = LENGTH / LINKS, range(len(angles))

    def holes(name, height, tendons):
        """Returns the holes of a plate or disc, one for each tendon; its angle is that of the
        tendon in `tendons`."""
        at = [math.radians(angles[i]) for i in tendons]
        places = [(radius * math.cos(psi), radius * math.sin(psi), height) for psi in at]
        return "".join(element("site", name="%s_%d" % (name, i), pos=place) for i, place in enumerate(places))

    discs = ["disc%d" % number for number in range(DISCS)]
    heights = {name: LENGTH * (i + 1) / (DISCS + 1) for i, name in enumerate(discs)}
    # From the head down: each link carries the ones above it.
    chain = holes("plate", 0.5 * link, crossed) + element("site", name="head", pos=(0, 0, 0.5 * link))
    mass = element("inertial", pos=(0, 0, 0), mass=HEAD, diaginertia=HEAD_INERTIA)
    chain += element("body", mass, pos=(0, 0, 0.5 * link + HEAD_HEIGHT))
    mass = element("inertial", pos=(0, 0, 0), mass=NOTHING, diaginertia=(1e-9, 1e-9, 1e-9))
    chain += element("body", mass, name="payload", pos=(0, 0, 0.5 * link))
    for number in reversed(range(LINKS)):
        foot = (number + 0.5) * link
        length = 0.5 * link if number == LINKS - 1 else link
        spring = {"stiffness": RIGIDITY / link, "damping": RIGIDITY / link * RETARDATION}
        parts = [element("joint", type="hinge", axis=axis, **spring) for axis in ((1, 0, 0), (0, 1, 0))]
        place, mass = (0, 0, 0.5 * length), BEAM * length / LENGTH
        parts.append(element("geom", type="cylinder", size=(0.012, 0.5 * length), pos=place, mass=mass))
        here = {name: at - foot for name, at in heights.items() if foot <= at < foot + length}
        parts += [holes(name, height, straight) for name, height in here.items()]
        chain = element("body", *parts, chain, pos=(0, 0, link if number else 0.5 * link))
    tendons = actuators = ""
    for i in straight:
        through = [element("site", site="%s_%d" % (name, i)) for name in ("base", *discs, "plate")]
        tendons += element("spatial", *through, name="t%d" % i)
        actuators += element("general", tendon="t%d" % i, gainprm=1, biastype="none")
    return element(
        "mujoco",
        element("option", element("flag", contact="disable"),
                timestep=STEP, integrator="implicitfast", gravity=(0, 0, -9.81)),
        element("worldbody", holes("base", 0.0, straight), chain),
        element("tendon", tendons),
        element("actuator", actuators),
        element("sensor", element("framequat", objtype="site", objname="head"), element("gyro", site="head")))


def balanced(angles):
    """Returns the tensions nearest to the desired one that do not bend the straight beam, N: the
    sum of tension times direction is zero."""
    away = np.array([[math.cos(math.radians(a)), math.sin(math.radians(a))] for a in angles]).T
    return PRETENSION - np.linalg.pinv(away) @ (away @ np.full(len(angles), PRETENSION))


def turned(about_neck, about_x):
    """Returns a rotation about z and then about the new x axis, deg."""
    z, x, both = np.zeros(4), np.zeros(4), np.zeros(4)
    mujoco.mju_axisAngle2Quat(z, np.array([0.0, 0.0, 1.0]), math.radians(about_neck))
    mujoco.mju_axisAngle2Quat(x, np.array([1.0, 0.0, 0.0]), math.radians(about_x))
    mujoco.mju_mulQuat(both, z, x)
    return both


class Beam:
    """The beam with its tendons, in the engine. Drum angles in, the head's orientation out."""

    def __init__(self, radius, angles, crossed, drums):
        self.model = mujoco.MjModel.from_xml_string(model(radius, angles, crossed))
        self.data = mujoco.MjData(self.model)
        self.drums = np.array(drums) * DRUM
        mujoco.mj_forward(self.model, self.data)
        # Crossed tendons are made to length as well.
        self.unstretched = self.data.ten_length.copy() - balanced(angles) / STIFFNESS
        self.payload = self.model.body("payload").id
        self.plate = self.model.body_parentid[self.payload]
        self.loaded = None

    def load(self, mass, height):
        """Puts a point mass on the head plate."""
        if (mass, height) == self.loaded:
            return
        self.loaded = mass, height
        own = 0.5 * LENGTH / LINKS
        self.model.body_pos[self.payload] = (0, 0, own + height)
        self.model.body_mass[self.payload] = max(mass, NOTHING)
        state = self.data.qpos.copy(), self.data.qvel.copy()
        mujoco.mj_setConst(self.model, self.data)
        self.data.qpos[:], self.data.qvel[:] = state

    def push(self, x, y):
        """Sets a force on the head, N in the base frame."""
        self.data.xfrc_applied[self.plate, :2] = x, y

    def step(self, angles):
        """One step of the engine with these drum angles, rad."""
        elongation = self.data.ten_length - self.unstretched + self.drums * angles
        self.tension = np.maximum(0.0, STIFFNESS * elongation)
        self.data.ctrl[:] = -self.tension
        mujoco.mj_step(self.model, self.data)

    def head(self):
        """Returns the head's orientation (w, x, y, z) and its angular velocity in its own frame,
        rad/s."""
        return self.data.sensordata[:4].copy(), self.data.sensordata[4:7].copy()

    def tip(self):
        """Returns the position of the beam's end, m."""
        return self.data.site("head").xpos.copy()


def bend(q):
    """Returns the bend that tilts z as the rotation (w, x, y, z) does: direction of the tilt times
    its angle, rad."""
    w, x, y, z = q
    axis = 2 * (x * z + w * y), 2 * (y * z - w * x), 1 - 2 * (x * x + y * y)
    across = math.hypot(axis[0], axis[1])
    theta = math.atan2(across, axis[2])
    return (theta * axis[0] / across, theta * axis[1] / across) if across > 1e-12 else (0.0, 0.0)


class Engine(plant.Plant):
    def __init__(self, options):
        super().__init__(options)
        angles = numbers(options["psi"])
        drums, signs = numbers(options["drums"]), numbers(options["signs"])
        # What motor i turns is the drum of tendon order[i].
        self.order = numbers(options["order"], int)
        self.signs = np.array(signs)
        self.beam = Beam(options["radius"], angles, numbers(options["crossed"], int), drums)
        self.wrong.setdefault("payload", options["payload"])
        self.wrong.setdefault("payload_height", options["payload_height"])
        self.mounting = turned(*numbers(options["turned"]))
        self.q = [0.0] * len(angles)
        # At rest under gravity.
        self.beam.load(self.is_wrong("payload"), self.is_wrong("payload_height"))
        for _ in range(round(1.0 / STEP)):
            self.beam.step(np.zeros(len(angles)))

    def move(self, dt):
        self.beam.load(self.is_wrong("payload"), self.is_wrong("payload_height"))
        self.beam.push(self.is_wrong("push_x"), self.is_wrong("push_y"))
        steps = round(dt / STEP)
        drums = np.zeros(len(self.q))
        for _ in range(steps):
            for i, s in enumerate(self.setpoint or ()):
                if self.is_wrong("stall", i):
                    continue
                speed = (s - self.q[i]) / LAG if self.o["kind"] == "position" else s
                self.q[i] += STEP * max(-FASTEST, min(FASTEST, speed))
            drums[self.order] = self.signs * self.q
            self.beam.step(drums)

        self.bend = bend(self.beam.head()[0])

    def reading(self):
        orientation, rate = self.beam.head()
        noise = [self.noise.gauss(0.0, 0.5 * TILT_NOISE) for _ in range(3)]
        noisy, read, back, seen = np.zeros(4), np.zeros(4), np.zeros(4), np.zeros(3)
        mujoco.mju_mulQuat(noisy, orientation, np.array([1.0, *noise]))
        mujoco.mju_mulQuat(read, noisy, self.mounting)
        mujoco.mju_negQuat(back, self.mounting)
        mujoco.mju_rotVecQuat(seen, rate, back)
        seen += [self.noise.gauss(0.0, GYRO_NOISE) for _ in range(3)]
        return tuple((read / np.linalg.norm(read)).tolist()), tuple(seen.tolist())


if __name__ == "__main__":
    plant.main(Engine)

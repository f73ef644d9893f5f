//! The loop closed in one process on virtual time: the control cycle of the shipped joint file
//! against the simulated joint.
#![allow(dead_code, reason = "each test file uses its own part")]

pub mod many;
pub mod skip;

use nalgebra::{Rotation3, Vector3};
use withy::control::controller::{CommandInterface, GainSet};
use withy::control::geometry::{Bend, Configuration, bend_from, configuration};
use withy::control::tick::{
    Desired, ImuSample, Input, Joint, LONGEST_WAIT, Law, Mode, MotorSample, Output, RULES,
    Reaction, Rule, State, tick,
};
use withy::design::trial::{BendSample, MoveFigures, SetpointSample};
use withy::files::{JointFile, SimulatedFile};
use withy::sim::beam::{DriveKind, ImuReading, JointDescription, Options, Plant};

/// Payloads of the glasshouse guide: bare head plate, lens, camera head, camera head with lamp;
/// mass, kg, and height of its centre, m.
pub const PAYLOADS: [(f64, f64); 4] = [(0.0, 0.035), (0.09, 0.035), (0.21, 0.05), (0.38, 0.06)];

/// Index of the heaviest payload.
pub const HEAVIEST: usize = 3;

/// The neck of the glasshouse guide, as in its files, to be changed by a test.
#[derive(Clone)]
pub struct Neck {
    pub file: JointFile,
    pub description: JointDescription,
    pub options: Options,
    pub seed: u64,
}

impl Neck {
    pub fn position() -> Self {
        Self::load(
            "config/glasshouse-neck.yaml",
            "config/glasshouse-neck-simulated.yaml",
        )
    }

    pub fn velocity() -> Self {
        Self::load(
            "config/glasshouse-neck-velocity.yaml",
            "config/glasshouse-neck-velocity-simulated.yaml",
        )
    }

    /// Returns the neck on a pan motor, with a forward camera and a base IMU.
    pub fn pan() -> Self {
        Self::load(
            "config/glasshouse-neck-pan.yaml",
            "config/glasshouse-neck-pan-simulated.yaml",
        )
    }

    fn load(joint: &str, simulated: &str) -> Self {
        let file = JointFile::load(joint).expect("a sound joint file");
        let simulated = SimulatedFile::load(simulated).expect("a sound simulated-joint file");
        Self {
            file,
            description: simulated.description,
            options: simulated.options,
            seed: simulated.seed,
        }
    }

    /// Returns the gains of the set of that name.
    pub fn gains(&self, name: &str) -> &GainSet {
        let set = self.file.gain_sets.iter().find(|set| set.name == name);
        &set.unwrap_or_else(|| panic!("no gain set {name}")).gains
    }

    pub fn law(&self, name: &str) -> Law {
        self.law_of(self.gains(name))
    }

    pub fn law_of(&self, gains: &GainSet) -> Law {
        Law::new(
            &self.file.joint,
            gains,
            &self.file.limits,
            self.file.feedback,
        )
        .expect("a sound law")
    }

    /// Returns the closed loop with that law.
    pub fn close(&self, law: Law) -> Loop {
        let joint = self.file.joint.clone();
        let plant = Plant::new(&self.description, &self.options, self.seed).expect("it builds");
        let state = State::new(&joint, &law);
        let motors = joint.motors();
        Loop {
            plant,
            joint,
            law,
            state,
            input: Input::new(motors),
            out: Output::new(motors),
            ticks: 0,
            record: Vec::new(),
            motors_held: false,
            deaf: false,
            base_deaf: false,
            spoilt: Spoilt::default(),
            waiting: None,
            faulty: false,
            worst: [(0.0, 0.0); RULES],
            above: [0.0; RULES],
        }
    }

    /// Returns the closed loop with gain set `name` and payload `payload`, 3 s after its start.
    pub fn ready(&self, name: &str, payload: usize) -> Loop {
        let mut closed = self.close(self.law(name));
        closed.load(payload);
        closed.run(3.0);
        closed
    }
}

/// One control cycle of a run.
#[derive(Clone, Debug)]
pub struct Record {
    pub time: f64,
    pub bend: Bend,
    pub tensions: Vec<f64>,
    pub out: Output,
}

/// Faults of sensors and motors.
#[derive(Clone, Debug, Default)]
pub struct Spoilt {
    /// The head's IMU is silent, or repeats itself.
    pub head_silent: bool,
    pub head_frozen: bool,
    /// The head's IMU is rotated on its plate.
    pub head_turned: Option<Rotation3<f64>>,
    /// Encoders that are silent, or repeat themselves, one bit each.
    pub silent: u64,
    pub frozen: u64,
    /// A motor that moves to an angle of its own, rad, and trembles there.
    pub astray: Option<(usize, f64)>,
}

#[derive(Clone)]
pub struct Loop {
    pub plant: Plant,
    pub joint: Joint,
    pub law: Law,
    pub state: State,
    pub input: Input,
    pub out: Output,
    pub ticks: u64,
    pub record: Vec<Record>,
    /// Setpoints are computed and not sent.
    pub motors_held: bool,
    /// No sensor sample arrives.
    pub deaf: bool,
    /// No sample of the base's IMU arrives.
    pub base_deaf: bool,
    pub spoilt: Spoilt,
    waiting: Option<(Law, f64)>,
    /// A rule that holds the joint may trip: a fault is deliberate.
    pub faulty: bool,
    /// Greatest value of each rule so far while the loop was closed, and the longest time above its
    /// limit, s.
    pub worst: [(f64, f64); RULES],
    above: [f64; RULES],
}

/// With `WITHY_RULES` set, each loop prints in the end how near it came to each rule.
impl Drop for Loop {
    fn drop(&mut self) {
        if std::env::var_os("WITHY_RULES").is_some() {
            for (rule, (value, time)) in Rule::ALL.iter().zip(self.worst) {
                println!(
                    "rule {} value {value:.4} above for {time:.3} s",
                    rule.name()
                );
            }
        }
    }
}

impl Loop {
    fn look_at_rules(&mut self) {
        for rule in Rule::ALL {
            let fault = self.out.faults.of(rule);
            let i = rule as usize;
            let closed = self.out.mode == Mode::Tracking && !self.motors_held && !self.deaf;
            self.above[i] = if fault.above && closed {
                self.above[i] + self.joint.period
            } else {
                0.0
            };
            if closed {
                self.worst[i].0 = self.worst[i].0.max(fault.value);
            }
            self.worst[i].1 = self.worst[i].1.max(self.above[i]);
        }
        let held = self.out.faults.reaction >= Reaction::Hold;
        assert!(
            !held || self.faulty || self.deaf || self.motors_held,
            "{:?} holds the joint at {:.3} s: {:?}",
            self.out.faults.cause,
            self.now(),
            self.out.faults
        );
    }

    pub fn now(&self) -> f64 {
        self.ticks as f64 * self.joint.period
    }

    pub fn load(&mut self, payload: usize) {
        let (mass, height) = PAYLOADS[payload];
        self.plant
            .set_payload(mass, height)
            .expect("a sound payload");
    }

    pub fn command(&mut self, bend: Bend) {
        self.command_posture(configuration(bend, 0.0));
    }

    pub fn command_posture(&mut self, configuration: Configuration) {
        let sequence = self.input.desired.map_or(0, |d| d.sequence) + 1;
        self.input.desired = Some(Desired {
            configuration,
            command: sequence,
            sequence,
            ..Desired::default()
        });
    }

    pub fn point(&mut self, inclination_deg: f64, direction_deg: f64) -> Bend {
        let bend = pose(inclination_deg, direction_deg);
        self.command(bend);
        bend
    }

    /// Requests another law, which takes over when the real-time loop allows it.
    pub fn swap(&mut self, law: Law) {
        self.waiting = Some((law, self.now()));
    }

    fn take_over(&mut self) {
        let now = self.now();
        let ready =
            |waiting: &mut (Law, f64)| self.state.resting() || now - waiting.1 >= LONGEST_WAIT;
        if let Some((law, _)) = self.waiting.take_if(ready) {
            self.state.take_over(&self.law, &law, now);
            self.law = law;
        }
    }

    fn listen(&mut self, now: f64) {
        while let Some(reading) = self.plant.take_motor_reading() {
            if self.deaf {
                continue;
            }
            let pan = self.joint.pan.is_some().then_some(&mut self.input.pan);
            let slots = self.input.motors.iter_mut().chain(pan);
            for (i, (slot, angle)) in slots.zip(&reading.angles).enumerate() {
                let stamp = reading.stamp;
                if self.spoilt.silent & (1 << i) != 0 {
                    continue;
                }
                let angle = match slot {
                    Some(old) if self.spoilt.frozen & (1 << i) != 0 => old.angle,
                    _ => *angle,
                };
                *slot = Some(MotorSample {
                    angle,
                    stamp,
                    received: now,
                });
            }
        }
        while let Some(reading) = self.plant.take_imu_reading() {
            if self.deaf || self.spoilt.head_silent {
                continue;
            }
            let mut sample = imu_sample(&reading, now);
            if let Some(turned) = &self.spoilt.head_turned {
                sample.gravity = turned * sample.gravity;
            }
            if let (Some(old), true) = (&self.input.head, self.spoilt.head_frozen) {
                (sample.gravity, sample.angular_velocity) = (old.gravity, old.angular_velocity);
            }
            self.input.head = Some(sample);
        }
        while let Some(reading) = self.plant.take_base_imu_reading() {
            if self.deaf || self.base_deaf {
                continue;
            }
            self.input.base = Some(imu_sample(&reading, now));
        }
    }

    pub fn step(&mut self) {
        let now = self.now();
        self.plant.run_until(now);
        self.listen(now);
        self.take_over();
        tick(
            &self.joint,
            &self.law,
            &mut self.state,
            &self.input,
            now,
            &mut self.out,
        );
        self.look_at_rules();
        if self.out.mode.sends() && !self.motors_held {
            let kind = match self.law.kind() {
                CommandInterface::Position => DriveKind::Position,
                CommandInterface::Velocity => DriveKind::Velocity,
            };
            let mut setpoints = self.out.setpoints.clone();
            setpoints.extend(self.joint.pan.map(|_| self.out.pan_setpoint));
            if let Some((motor, angle)) = self.spoilt.astray {
                let to = angle + 0.005 * (20.0 * now).sin();
                let at = self.input.motors[motor].map_or(0.0, |m| m.angle);
                setpoints[motor] = match kind {
                    DriveKind::Position => to,
                    _ => 10.0 * (to - at),
                };
            }
            self.plant
                .command(kind, &setpoints)
                .expect("finite setpoints");
        }
        let truth = self.plant.truth();
        self.record.push(Record {
            time: now,
            bend: truth.bend,
            tensions: truth.tensions.clone(),
            out: self.out.clone(),
        });
        self.ticks += 1;
    }

    /// Runs on. Returns the new records.
    pub fn run(&mut self, seconds: f64) -> &[Record] {
        let from = self.record.len();
        for _ in 0..(seconds / self.joint.period).round() as usize {
            self.step();
        }
        &self.record[from..]
    }

    /// Moves to the target. Returns the figures after `seconds`.
    pub fn go(&mut self, target: Bend, seconds: f64) -> MoveFigures {
        self.command(target);
        let samples = bends(self.run(seconds));
        MoveFigures::score(
            &samples,
            target,
            samples[0].time,
            samples[samples.len() - 1].time,
        )
        .expect("samples enough")
    }
}

pub fn pose(inclination_deg: f64, direction_deg: f64) -> Bend {
    bend_from(inclination_deg.to_radians(), direction_deg.to_radians())
}

fn imu_sample(reading: &ImuReading, now: f64) -> ImuSample {
    ImuSample {
        gravity: reading.orientation.inverse() * -Vector3::z(),
        angular_velocity: reading.angular_velocity,
        stamp: reading.stamp,
        received: now,
    }
}

pub fn bends(record: &[Record]) -> Vec<BendSample> {
    record
        .iter()
        .map(|r| BendSample {
            time: r.time,
            bend: r.bend,
        })
        .collect()
}

pub fn setpoints(record: &[Record]) -> Vec<SetpointSample> {
    let sample = |r: &Record| SetpointSample {
        time: r.time,
        stamp: r.out.timing.stamp,
        setpoints: r.out.setpoints.clone(),
    };
    record.iter().map(sample).collect()
}

/// The glasshouse guide's set of targets: 12 and 20 deg round the circle in steps of 30 deg from an
/// odd start, in an order with short and long moves.
pub fn bed() -> Vec<Bend> {
    (0..12)
        .map(|k| {
            let inclination = if k % 3 == 1 { 12.0 } else { 20.0 };
            pose(inclination, 17.0 + 30.0 * f64::from(5 * k % 12))
        })
        .collect()
}

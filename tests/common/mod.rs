//! The loop closed in one process on virtual time: one tick against the simulated joint.
#![allow(dead_code, reason = "each test file uses its own part")]

use nalgebra::{Rotation3, Vector2, Vector3};
use withy::beam::{DriveKind, JointDescription, Options, Plant};
use withy::controller::reference_model::{Lag, Model};
use withy::controller::{GainSet, MotorGains, SetpointKind, Structure};
use withy::geometry::{Bend, bend_from};
use withy::kinematics::{Kinematics, Motor, Routing, Tendon};
use withy::tick::{
    Desired, Feedback, HeadSample, Input, Joint, LONGEST_WAIT, Law, Limits, MotorLimits, MotorSample, Output,
    State, tick,
};

/// Payload heights and masses of the glasshouse guide: bare head plate, lens, camera head, camera head with
/// lamp; kg and m above the head plate.
pub const PAYLOADS: [(f64, f64); 4] = [(0.0, 0.04), (0.09, 0.04), (0.21, 0.045), (0.38, 0.05)];

/// The joint as its maker drew it.
pub fn joint(description: &JointDescription, period: f64, sample_period: f64) -> Joint {
    let tendons = description
        .tendons
        .iter()
        .map(|t| Tendon {
            base_angle: t.base_angle,
            base_radius: t.base_radius,
            head_angle: t.head_angle,
            head_radius: t.head_radius,
            base_offset: t.base_offset,
            head_offset: t.head_offset,
            disc_radius: t.guide_radii.first().copied(),
            stiffness: t.stiffness,
            pretension: description.pretension,
        })
        .collect();
    let motors = description
        .tendons
        .iter()
        .map(|t| Motor {
            ratio: t.gear_ratio,
            drum_radius: t.drum_radius,
            tendon_thickness: 0.0,
            sign: if t.positive_reels_in { 1.0 } else { -1.0 },
        })
        .collect();
    let routing = Routing {
        length: description.length,
        discs: description.tendons[0].guide_radii.len(),
        max_inclination: 45f64.to_radians(),
        tendons,
        motors,
    };
    Joint {
        kinematics: Kinematics::new(routing).expect("the drawn joint is sound"),
        head_from_imu: Rotation3::identity(),
        gravity_base: Vector3::new(0.0, 0.0, -1.0),
        period,
        sample_period,
        motor_time_constant: 1.0 / description.motor.bandwidth,
        follow_band: 0.15,
        settled_tolerance: 0.5f64.to_radians(),
        settled_dwell: 0.2,
    }
}

pub fn limits(description: &JointDescription) -> Limits {
    Limits {
        inclination: 35f64.to_radians(),
        over_bend: 60f64.to_radians(),
        correction: 0.15,
        stale_imu: 0.1,
        stale_motors: 0.1,
        stop_after: 0.5,
        motors: vec![
            MotorLimits {
                low: -4.0,
                high: 4.0,
                speed: description.motor.speed_limit,
                acceleration: description.motor.acceleration_limit,
            };
            description.tendons.len()
        ],
    }
}

pub fn gains(motors: usize) -> GainSet {
    GainSet {
        kind: SetpointKind::Position,
        structure: Structure::TwoDegreesOfFreedom,
        motors: vec![
            MotorGains {
                kp: 0.0,
                ki: 5.0,
                kd: 0.0,
                integral_order: 1.0,
                derivative_order: 1.0,
                derivative_corner: 100.0,
            };
            motors
        ],
        damping: 0.03,
        model: Model {
            gain: 0.95,
            lag: Lag::First { time_constant: 0.045 },
            dead_time: 0.02,
        },
        smoothing: [0.3, 0.05],
        hold_band: None,
        delay_allowed: 0.015,
        tension_gain: 5.0,
    }
}

/// One sample of a run.
#[derive(Clone, Debug)]
pub struct Sample {
    pub time: f64,
    pub bend: Bend,
    pub setpoints: Vec<f64>,
    pub tensions: Vec<f64>,
    pub out: Output,
}

pub struct Loop {
    pub plant: Plant,
    pub joint: Joint,
    pub law: Law,
    pub state: State,
    pub input: Input,
    pub out: Output,
    pub ticks: u64,
    pub record: Vec<Sample>,
    /// Motors held still: setpoints are computed and not sent.
    pub motors_held: bool,
    pub waiting: Option<(Law, f64)>,
}

impl Loop {
    pub fn new(
        description: &JointDescription,
        gains: &GainSet,
        limits: &Limits,
        feedback: Feedback,
        options: &Options,
        seed: u64,
    ) -> Self {
        let joint = joint(description, 0.005, 1.0 / options.sensors.imu_rate);
        let law = Law::new(&joint, gains, limits, feedback).expect("a sound law");
        Self::with(description, joint, law, options, seed)
    }

    pub fn with(
        description: &JointDescription,
        joint: Joint,
        law: Law,
        options: &Options,
        seed: u64,
    ) -> Self {
        let plant = Plant::new(description, options, seed).expect("a sound description");
        let state = State::new(&joint, &law);
        let motors = joint.motors();
        Self {
            plant,
            joint,
            law,
            state,
            input: Input::new(motors),
            out: Output::new(motors),
            ticks: 0,
            record: Vec::new(),
            motors_held: false,
            waiting: None,
        }
    }

    pub fn now(&self) -> f64 {
        self.ticks as f64 * self.joint.period
    }

    pub fn command(&mut self, bend: Bend) {
        let sequence = self.input.desired.map_or(0, |d| d.sequence) + 1;
        self.input.desired = Some(Desired { bend, sequence });
    }

    pub fn point_deg(&mut self, inclination: f64, direction: f64) {
        self.command(bend_from(inclination.to_radians(), direction.to_radians()));
    }

    /// Asks for another law, which takes over as the real-time loop lets it.
    pub fn swap(&mut self, law: Law) {
        self.waiting = Some((law, self.now()));
    }

    fn take_over(&mut self) {
        let now = self.now();
        if let Some((law, _)) =
            self.waiting.take_if(|w| self.state.resting() || now - w.1 >= LONGEST_WAIT)
        {
            self.state.take_over(&self.law, &law, now);
            self.law = law;
        }
    }

    pub fn step(&mut self) {
        let now = self.now();
        self.plant.run_until(now);
        while let Some(reading) = self.plant.take_motor_reading() {
            for (slot, angle) in self.input.motors.iter_mut().zip(&reading.angles) {
                *slot = Some(MotorSample { angle: *angle, stamp: reading.stamp, received: now });
            }
        }
        while let Some(reading) = self.plant.take_imu_reading() {
            self.input.head = Some(HeadSample {
                gravity: reading.attitude.inverse() * Vector3::new(0.0, 0.0, -1.0),
                angular_velocity: reading.angular_velocity,
                stamp: reading.stamp,
                received: now,
            });
        }
        self.take_over();
        tick(&self.joint, &self.law, &mut self.state, &self.input, now, &mut self.out);
        use withy::tick::Mode;
        if matches!(self.out.mode, Mode::Tracking | Mode::Holding | Mode::Stopped)
            && !self.motors_held
        {
            let kind = match self.law.kind() {
                SetpointKind::Position => DriveKind::Position,
                SetpointKind::Velocity => DriveKind::Velocity,
            };
            self.plant.command(kind, &self.out.setpoints).expect("finite setpoints");
        }
        let truth = self.plant.truth();
        self.record.push(Sample {
            time: now,
            bend: truth.bend,
            setpoints: self.out.setpoints.clone(),
            tensions: truth.tensions.clone(),
            out: self.out.clone(),
        });
        self.ticks += 1;
    }

    pub fn run(&mut self, seconds: f64) -> &[Sample] {
        let from = self.record.len();
        for _ in 0..(seconds / self.joint.period).round() as usize {
            self.step();
        }
        &self.record[from..]
    }
}

/// Figures of one move, along d = target - start in the bend plane.
#[derive(Clone, Copy, Debug)]
pub struct Move {
    pub overshoot_share: f64,
    pub overshoot_deg: f64,
    pub settling: f64,
    pub error_deg: f64,
}

pub fn score(samples: &[Sample], start: Bend, target: Bend) -> Move {
    let d: Vector2<f64> = target - start;
    let size = d.norm();
    let along = |b: Bend| (b - start).dot(&d) / size;
    let peak = samples.iter().map(|s| along(s.bend)).fold(f64::MIN, f64::max);
    let over = (peak - size).max(0.0);
    let t0 = samples[0].time;
    let settling = samples
        .iter()
        .filter(|s| (s.bend - target).norm() > 0.05 * size)
        .map(|s| s.time - t0)
        .fold(0.0, f64::max);
    let last = samples[samples.len() - 1].time - 0.5;
    let late: Vec<_> = samples.iter().filter(|s| s.time >= last).collect();
    let mean = late.iter().map(|s| s.bend).sum::<Bend>() / late.len() as f64;
    Move {
        overshoot_share: over / size,
        overshoot_deg: over.to_degrees(),
        settling,
        error_deg: (mean - target).norm().to_degrees(),
    }
}

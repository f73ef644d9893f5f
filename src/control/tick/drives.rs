//! Setpoints of the motors: where they begin, and how they stand still.

use super::estimate::Estimator;
use super::pan::PanState;
use super::{Joint, Law, MotorLimits};
use crate::control::controller::CommandInterface;

/// Fraction of a motor's acceleration with which a held velocity is braked.
const BRAKING_SHARE: f64 = 0.4;

/// Setpoints of the motors, and what the motors should do with them.
#[derive(Clone, Debug)]
pub(super) struct Drives {
    /// Last setpoints, and those of the tick before.
    pub sent: Vec<f64>,
    pub before: Vec<f64>,
    /// Expected motor angles: the setpoints filtered by the motors' lag, rad.
    pub expected: Vec<f64>,
    /// Deviation of each motor from its expected angle, rad; the pan's is last.
    pub departures: Vec<f64>,
    pub pan: PanState,
}

impl Drives {
    pub(super) fn new(joint: &Joint) -> Self {
        let zero = vec![0.0; joint.motors()];
        Self {
            sent: zero.clone(),
            before: zero.clone(),
            expected: zero,
            departures: vec![0.0; joint.motors() + usize::from(joint.pan.is_some())],
            pan: PanState::default(),
        }
    }

    /// Starts at rest where the motors are.
    pub(super) fn start(&mut self, kind: CommandInterface, estimator: &Estimator) {
        match kind {
            CommandInterface::Position => self.sent.copy_from_slice(estimator.angles()),
            CommandInterface::Velocity => self.sent.fill(0.0),
        }
        self.before.copy_from_slice(&self.sent);
        self.expected.copy_from_slice(estimator.angles());
        self.departures.fill(0.0);
        self.pan.start(kind, estimator.estimate().pan);
    }

    /// One tick in which nothing is sent. A velocity drive starts from zero after it.
    pub(super) fn idle(&mut self, kind: CommandInterface) {
        if kind == CommandInterface::Velocity {
            self.sent.fill(0.0);
            self.pan.stop();
        }
        self.departures.fill(0.0);
    }

    /// One tick of a hold. A held velocity is braked no harder than in ordinary motions. One factor
    /// for all motors keeps the ratio of bend and tension.
    pub(super) fn keep(&mut self, joint: &Joint, law: &Law) {
        self.keep_pan(joint, law);
        if law.kind != CommandInterface::Velocity {
            return;
        }
        let dt = joint.period;
        let limits = law.limits.motors.iter();
        let slowed = |(sent, motor): (&f64, &MotorLimits)| {
            BRAKING_SHARE * motor.acceleration * dt / sent.abs().max(1e-9)
        };
        let share = self
            .sent
            .iter()
            .zip(limits)
            .map(slowed)
            .fold(f64::INFINITY, f64::min);
        let left = (1.0 - share).max(0.0);
        self.sent.iter_mut().for_each(|sent| *sent *= left);
    }

    /// One tick of a hold of the pan: brakes a held velocity.
    pub(super) fn keep_pan(&mut self, joint: &Joint, law: &Law) {
        if let (Some(pan), CommandInterface::Velocity) = (&joint.pan, law.kind) {
            self.pan.brake(pan, joint.period);
        }
    }
}

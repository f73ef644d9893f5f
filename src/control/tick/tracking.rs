//! What the loop knows only while it is closed: reference, models, controllers, transfers.

use super::state::{Common, LastReference};
use super::{Input, Joint, Law, Source, handed_over, law};
use crate::control::controller::limits::factor_within;
use crate::control::controller::reference_model::ReferenceModelState;
use crate::control::controller::shaper::ShaperState;
use crate::control::controller::{CommandInterface, ControllersState, Structure};
use crate::control::geometry::{Bend, Configuration, configuration};
use crate::control::track::Motion;
use nalgebra::Vector3;

/// Rate of the reference model below which a motion counts as ended, rad/s.
const MODEL_REST: f64 = 0.01;

/// Memory of tracking with buffers on the heap; see [`Spare`](super::state::Spare).
#[derive(Clone, Debug, Default)]
pub(super) struct Buffers {
    pub shaper: ShaperState,
    /// Predicted response of the motors.
    pub motor_model: ReferenceModelState,
    /// Predicted response of the joint itself; damping compares the measured rate with its rate.
    pub joint_model: ReferenceModelState,
    pub controllers: ControllersState,
    /// Offset of a bumpless transfer: the jump that would have occurred, decaying to zero.
    pub residue: Vec<f64>,
    /// Last correction sent, transfer offset included.
    pub corrected: Vec<f64>,
}

impl Buffers {
    pub(super) fn new(joint: &Joint, law: &Law) -> Self {
        let (dt, origin) = (joint.period, Configuration::zeros());
        Self {
            shaper: ShaperState::new(dt, origin),
            motor_model: ReferenceModelState::new(dt, origin),
            joint_model: ReferenceModelState::new(dt, origin),
            controllers: law.controllers.state(),
            residue: vec![0.0; joint.motors()],
            corrected: vec![0.0; joint.motors()],
        }
    }
}

/// Where the reference goes.
#[derive(Clone, Debug)]
pub(super) struct Goal {
    /// Present target.
    pub target: Configuration,
    /// Goal of the shaper: the target, or ahead of it for a moving target.
    pub ahead: Configuration,
    pub motion: Option<Motion>,
    pub pace: f64,
    pub limited: bool,
    /// Greatest bend that a rule allows the reference, rad.
    pub furthest: Option<f64>,
    /// The action of a command timeout has been carried out.
    pub timed_out: bool,
}

impl Goal {
    /// Returns the goal of a reference that stays at `rest`.
    fn at(rest: Configuration, limited: bool) -> Self {
        Self {
            target: rest,
            ahead: rest,
            motion: None,
            pace: 1.0,
            limited,
            furthest: None,
            timed_out: false,
        }
    }

    /// Sets a target that does not move.
    pub(super) fn stand(&mut self, at: Configuration) {
        (self.target, self.ahead, self.motion) = (at, at, None);
    }
}

/// Gains in effect, and how far the last bumpless transfer is.
#[derive(Clone, Debug)]
pub(super) struct Transfer {
    /// The setpoints of the next tick start from the last correction.
    pub due: bool,
    /// Time when the present law was taken over, s.
    since: f64,
    /// Damping in effect then, s.
    damping_from: f64,
    /// Structure, models and gain that the reference is followed with.
    pub plan: law::Plan,
    pub inverse_gain: f64,
    inverse_gain_from: (f64, f64),
    /// Time from which the offset of a transfer decays, s.
    pub residue_since: f64,
}

impl Transfer {
    fn at_start(law: &Law, now: f64) -> Self {
        Self {
            due: false,
            since: f64::NEG_INFINITY,
            damping_from: law.damping,
            plan: law.plan,
            inverse_gain: law.plan.inverse_gain,
            inverse_gain_from: (law.plan.inverse_gain, f64::NEG_INFINITY),
            residue_since: now,
        }
    }

    /// Returns the progress of the transfer to the present law, 0 to 1.
    pub(super) fn share(&self, now: f64) -> f64 {
        handed_over(self.since, now)
    }

    /// Returns the damping in effect, s.
    pub(super) fn damping(&self, law: &Law, share: f64) -> f64 {
        self.damping_from + (law.damping - self.damping_from) * share
    }

    /// Blends `1/K` over a bumpless transfer. Returns the decrease in this tick.
    pub(super) fn blend_gain(&mut self, now: f64) -> f64 {
        let (from, since) = self.inverse_gain_from;
        let share = handed_over(since, now);
        let blended = from + (self.plan.inverse_gain - from) * share;
        std::mem::replace(&mut self.inverse_gain, blended) - blended
    }

    fn take_over(&mut self, old: &Law, new: &Law, now: f64) {
        self.damping_from = self.damping(old, self.share(now));
        self.since = now;
        self.plan = new.plan;
        self.inverse_gain_from = (self.inverse_gain, now);
        self.due = true;
    }
}

/// What the error is based on.
#[derive(Clone, Debug)]
pub(super) struct Basis {
    /// Bend source and gravity direction that the last tick's error was based on.
    pub of: (Source, Vector3<f64>),
    /// Last tick's error, as a bend, rad.
    pub error: Bend,
    /// Error offset left by the last change of the basis, rad of bend, and its time, s.
    pub change: (Bend, f64),
}

/// Damping of the last tick and of the last new sample, rad of bend.
#[derive(Clone, Debug)]
pub(super) struct Damping {
    pub last: Bend,
    pub sampled: Bend,
    /// Offset left when the rate became known or unknown, rad of bend, and if it is known.
    pub gap: Option<(Bend, bool)>,
    pub rate: Bend,
}

/// State of the closed loop.
#[derive(Clone, Debug)]
pub(super) struct Tracking {
    pub goal: Goal,
    pub buffers: Buffers,
    pub transfer: Transfer,
    pub basis: Basis,
    pub damping: Damping,
    /// Shortfall of the motors' motion against the commanded one, rad of bend.
    pub shortfall: Bend,
    /// Bend not sent because of velocity limits, rad.
    pub missing: Bend,
    pub over_bend: bool,
    /// A limit was active in the last tick.
    pub saturated: bool,
}

impl Tracking {
    /// Starts with the setpoints that `common` has, the measured angles, and the reference at rest
    /// at the measured bend. The angles' difference from the feedforward goes to the integrators up
    /// to the feedback limit; the rest decays as an offset.
    pub(super) fn start(
        joint: &Joint,
        law: &Law,
        common: &mut Common,
        input: &Input,
        now: f64,
    ) -> Self {
        let estimate = common.estimator.estimate();
        let plan = &law.plan;
        let at = match (estimate.source, plan.structure) {
            // Encoders at `q(b)/K` correspond to the bend `b`.
            (Source::Motors, Structure::TwoDegreesOfFreedom) => estimate.bend * plan.gain,
            _ => estimate.bend,
        };
        let rest = configuration(at, estimate.pan);
        let mut buffers = std::mem::take(&mut common.spare.tracking);
        buffers.shaper.rest_at(rest);
        buffers.motor_model.rest_at(rest);
        buffers.joint_model.rest_at(rest);
        law.controllers.clear(&mut buffers.controllers);
        buffers.residue.fill(0.0);
        buffers.corrected.fill(0.0);
        common.commands.hold = input.hold;
        let mut tracking = Self {
            goal: Goal::at(rest, common.reference.target_limited),
            buffers,
            transfer: Transfer::at_start(law, now),
            basis: Basis {
                of: (estimate.source, joint.gravity_base),
                error: Bend::zeros(),
                change: (Bend::zeros(), f64::NEG_INFINITY),
            },
            damping: Damping {
                last: Bend::zeros(),
                sampled: Bend::zeros(),
                gap: None,
                rate: Bend::zeros(),
            },
            shortfall: Bend::zeros(),
            missing: Bend::zeros(),
            over_bend: false,
            saturated: false,
        };
        common.work.refer(&joint.kinematics, at);
        if law.kind == CommandInterface::Position {
            tracking.take_angles(joint, law, common);
        }
        tracking
    }

    /// Divides the measured angles' difference from the feedforward between integrators and offset.
    fn take_angles(&mut self, joint: &Joint, law: &Law, common: &mut Common) {
        let (work, angles) = (&mut common.work, common.estimator.angles());
        let Buffers {
            controllers,
            residue,
            corrected,
            ..
        } = &mut self.buffers;
        for (i, (residue, angle)) in residue.iter_mut().zip(angles).enumerate() {
            *residue = angle - work.ahead(i, self.transfer.inverse_gain);
        }
        work.correction.copy_from_slice(residue);
        joint
            .kinematics
            .projection(&work.jacobian)
            .project(&mut work.correction);
        if self.transfer.plan.structure == Structure::TwoDegreesOfFreedom {
            let most = law.limits.feedback;
            let factor = factor_within(work.correction.iter().map(|c| (*c, most)));
            work.correction.iter_mut().for_each(|c| *c *= factor);
        }
        if law.correct {
            law.controllers
                .shift(controllers, work.correction.iter().copied());
            law.controllers.integrals(controllers, &mut work.integrals);
            for (residue, integral) in residue.iter_mut().zip(&work.integrals) {
                *residue -= integral;
            }
        }
        corrected.copy_from_slice(&work.integrals);
    }

    /// Takes over another law for the same command interface.
    pub(super) fn take_over(&mut self, old: &Law, new: &Law, now: f64) {
        let share = self.transfer.share(now);
        new.controllers
            .take_over(&old.controllers, &mut self.buffers.controllers, share);
        self.transfer.take_over(old, new, now);
    }

    /// Returns true if reference and joint model are at rest.
    pub(super) fn resting(&self) -> bool {
        self.buffers.shaper.at_rest() && self.buffers.joint_model.rate().norm() < MODEL_REST
    }

    /// Returns the reference as it is left.
    pub(super) fn last_reference(&self) -> LastReference {
        LastReference {
            value: self.buffers.shaper.value(),
            rate: self.buffers.shaper.rate(),
            target: self.goal.target,
            target_limited: self.goal.limited,
        }
    }
}

//! The law: gains, limits and choice of feedback, checked and compiled off the real-time thread.

use crate::controller::reference_model::{Lag, Model, ModelError, ReferenceModel};
use crate::controller::shaper::{ShaperDesign, ShaperError};
use crate::controller::{
    CommandInterface, Controllers, GainError, GainSet, IntegratorDeadband, Structure,
};
use crate::geometry::{Bend, bend_from};
use crate::self_support::SelfSupport;
use crate::tick::release::ReleaseLaw;
use crate::tick::{Joint, Supervision};

/// What the loop corrects against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Feedback {
    /// Motor encoders: the joint goes where the kinematics says.
    Motors,
    /// The IMU's orientation: the joint goes where it is asked, sag corrected.
    Imu,
}

/// One motor's limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotorLimits {
    /// Least angle, rad.
    pub low: f64,
    /// Greatest angle, rad.
    pub high: f64,
    /// Greatest speed, rad/s.
    pub speed: f64,
    /// Greatest acceleration, rad/s^2.
    pub acceleration: f64,
}

/// Limits of the joint. Angles in rad, times in s.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    /// Greatest inclination that a command may ask for.
    pub inclination: f64,
    /// Measured inclination above which the reference stops and nothing moves outward.
    pub over_bend: f64,
    /// Authority of the correction: greatest motor angle that feedback may add (for velocity
    /// setpoints: that it may have added).
    pub feedback: f64,
    /// Age at which IMU samples are stale.
    pub stale_imu: f64,
    /// Age at which motor samples are stale.
    pub stale_motors: f64,
    /// Time of stale data after which the loop stops and will start anew.
    pub stop_after: f64,
    /// Each motor's limits, in motor order.
    pub motors: Vec<MotorLimits>,
    /// What is watched, and what follows.
    pub supervision: Supervision,
}

/// Share of a motor's speed and acceleration that a reference may ask for.
pub const REFERENCE_SHARE: f64 = 0.8;

/// Greatest over-bend limit that makes sense, rad (120 deg): the estimator's range.
const GREATEST_BEND: f64 = 2.1;

/// What the reference is followed by: model, gain and structure.
#[derive(Clone, Copy, Debug)]
pub(super) struct Plan {
    pub structure: Structure,
    /// How the joint follows: what the IMU sees.
    pub joint_model: ReferenceModel,
    /// How the motors follow: what the encoders see.
    pub motor_model: ReferenceModel,
    pub gain: f64,
    /// `1/K`, and 0 where there is no feedforward.
    pub inverse_gain: f64,
}

/// A compiled law. Immutable: retuning makes a new one and keeps the state.
#[derive(Clone, Debug)]
pub struct Law {
    pub(super) kind: CommandInterface,
    pub(super) controllers: Controllers,
    pub(super) plan: Plan,
    pub(super) shaper: ShaperDesign,
    pub(super) damping: f64,
    pub(super) integrator_deadband: Option<IntegratorDeadband>,
    pub(super) tension_gain: f64,
    pub(super) delay_allowed: f64,
    pub(super) limits: Limits,
    pub(super) feedback: Feedback,
    pub(super) correct: bool,
    pub(super) release: ReleaseLaw,
}

/// Why a law was refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LawError {
    /// A gain is out of range.
    #[error(transparent)]
    Gains(#[from] GainError),
    /// The model is out of range.
    #[error(transparent)]
    Model(#[from] ModelError),
    /// The shaper is out of range.
    #[error(transparent)]
    Shaper(#[from] ShaperError),
    /// A limit is out of range.
    #[error("{key} is {value}; accepted: {accepted}")]
    Limit {
        /// Which limit.
        key: &'static str,
        /// The value given.
        value: f64,
        /// What is accepted.
        accepted: &'static str,
    },
    /// Not one set of limits per motor.
    #[error("limits are given for {got} motors, the joint has {want}")]
    Count {
        /// Motors with limits.
        got: usize,
        /// Motors in the joint.
        want: usize,
    },
}

fn check(limits: &Limits, motors: usize) -> Result<(), LawError> {
    if limits.motors.len() != motors {
        return Err(LawError::Count {
            got: limits.motors.len(),
            want: motors,
        });
    }
    let positive = "a finite number above 0";
    let bend = "above 0, at most 2.1 rad (120 deg)";
    let over = "at least limits.inclination, at most 2.1 rad (120 deg)";
    let good = |value: f64| value > 0.0 && value.is_finite();
    let in_range = |value: f64| value > 0.0 && value <= GREATEST_BEND;
    for (key, value, accepted, ok) in [
        (
            "limits.inclination",
            limits.inclination,
            bend,
            in_range(limits.inclination),
        ),
        (
            "limits.over_bend",
            limits.over_bend,
            over,
            limits.over_bend >= limits.inclination && limits.over_bend <= GREATEST_BEND,
        ),
        (
            "limits.feedback",
            limits.feedback,
            "0 to 3.2 rad",
            (0.0..=3.2).contains(&limits.feedback),
        ),
        (
            "limits.stale_imu",
            limits.stale_imu,
            positive,
            good(limits.stale_imu),
        ),
        (
            "limits.stale_motors",
            limits.stale_motors,
            positive,
            good(limits.stale_motors),
        ),
        (
            "limits.stop_after",
            limits.stop_after,
            positive,
            good(limits.stop_after),
        ),
    ] {
        if !ok {
            return Err(LawError::Limit {
                key,
                value,
                accepted,
            });
        }
    }
    for motor in &limits.motors {
        for (key, value, accepted, ok) in [
            ("limits.speed", motor.speed, positive, good(motor.speed)),
            (
                "limits.acceleration",
                motor.acceleration,
                positive,
                good(motor.acceleration),
            ),
            (
                "limits.travel_high",
                motor.high,
                "above 0 and above limits.travel_low",
                motor.high > 0.0 && motor.high.is_finite(),
            ),
            (
                "limits.travel_low",
                motor.low,
                "below 0 and below limits.travel_high",
                motor.low < 0.0 && motor.low.is_finite(),
            ),
        ] {
            if !ok {
                return Err(LawError::Limit {
                    key,
                    value,
                    accepted,
                });
            }
        }
    }
    Ok(())
}

/// Greatest speed and acceleration in bend that no motor has to exceed its share for, whatever the
/// direction: from the greatest row norm of `J = dq/db` over the disc of reachable bends.
///
/// `|dq_i/dt| = |J_i db/dt| <= |J_i| |db/dt|`, so a bound on the norm serves every direction, and
/// averages of bends inside the disc stay inside both the disc and the bound.
fn bend_rates(joint: &Joint, limits: &Limits, inverse_gain: f64) -> (f64, f64) {
    let scale = inverse_gain.max(1.0);
    let mut rows = vec![Bend::zeros(); joint.motors()];
    let mut greatest = vec![0.0_f64; joint.motors()];
    for ring in 0..=8 {
        for spoke in 0..24 {
            let inclination = limits.inclination * f64::from(ring) / 8.0;
            let direction = std::f64::consts::TAU * f64::from(spoke) / 24.0;
            joint
                .kinematics
                .jacobian(bend_from(inclination, direction), &mut rows);
            for (norm, row) in greatest.iter_mut().zip(&rows) {
                *norm = norm.max(row.norm());
            }
        }
    }
    let motors = limits.motors.iter().zip(&greatest);
    motors.fold(
        (f64::INFINITY, f64::INFINITY),
        |(speed, acceleration), (limit, norm)| {
            let share = REFERENCE_SHARE / (norm * scale);
            (
                speed.min(limit.speed * share),
                acceleration.min(limit.acceleration * share),
            )
        },
    )
}

impl Law {
    /// Checks and compiles a law for `joint`.
    ///
    /// # Errors
    /// The first value that is out of range, with what is accepted.
    pub fn new(
        joint: &Joint,
        gains: &GainSet,
        limits: &Limits,
        feedback: Feedback,
    ) -> Result<Self, LawError> {
        check(limits, joint.motors())?;
        let dt = joint.period;
        let controllers = Controllers::new(gains, joint.motors(), dt, joint.sample_period)?;
        let feedforward = gains.structure == Structure::TwoDegreesOfFreedom;
        let joint_model = ReferenceModel::new(&gains.model, dt)?;
        // Encoders see the motors' lag and not the beam's.
        let motor_lag = Lag::First {
            time_constant: joint.motor_time_constant.max(1e-4),
        };
        let motor_model = Model {
            gain: 1.0,
            lag: motor_lag,
            dead_time: 1.5 * dt,
        };
        let inverse_gain = if feedforward {
            1.0 / gains.model.gain
        } else {
            0.0
        };
        let (speed, acceleration) = bend_rates(joint, limits, inverse_gain);
        let mut shaper = ShaperDesign::new(speed, acceleration, gains.smoothing, dt)?;
        if let Some(pan) = &joint.pan {
            shaper = shaper.with_pan(
                REFERENCE_SHARE * pan.speed,
                REFERENCE_SHARE * pan.acceleration,
            );
        }
        Ok(Self {
            kind: gains.kind,
            controllers,
            plan: Plan {
                structure: gains.structure,
                joint_model,
                motor_model: ReferenceModel::new(&motor_model, dt)?,
                gain: gains.model.gain,
                inverse_gain,
            },
            shaper,
            damping: gains.damping,
            integrator_deadband: gains.integrator_deadband,
            tension_gain: gains.tension_gain,
            delay_allowed: gains.delay_allowed,
            limits: limits.clone(),
            feedback,
            correct: true,
            release: ReleaseLaw::default(),
        })
    }

    /// The same law with what the beam alone does: without it the tendons are never released. Allocates.
    pub fn with_self_support(mut self, joint: &Joint, self_support: SelfSupport) -> Self {
        self.release = ReleaseLaw::new(joint, &self.limits, self_support);
        self
    }

    /// What the beam alone does.
    pub fn self_support(&self) -> SelfSupport {
        self.release.self_support
    }

    /// Whether the tendons may be released, as far as beam and travel go.
    pub fn carries(&self) -> bool {
        self.release.carries()
    }

    /// The same law with its correction switched off: what the feedforward alone does. For trials
    /// that show what feedback is worth.
    pub fn without_correction(mut self) -> Self {
        self.correct = false;
        self
    }

    /// Setpoint kind.
    pub fn kind(&self) -> CommandInterface {
        self.kind
    }

    /// Limits in force.
    pub fn limits(&self) -> &Limits {
        &self.limits
    }

    /// Feedback in force.
    pub fn feedback(&self) -> Feedback {
        self.feedback
    }

    /// The motors' controllers.
    pub fn controllers(&self) -> &Controllers {
        &self.controllers
    }

    /// How reference and correction are put together.
    pub fn structure(&self) -> Structure {
        self.plan.structure
    }

    /// Setpoint (in bend) per bend rate, s.
    pub fn damping(&self) -> f64 {
        self.damping
    }

    /// What shapes the reference.
    pub fn shaper(&self) -> &ShaperDesign {
        &self.shaper
    }

    /// How the joint is expected to follow.
    pub fn joint_model(&self) -> &ReferenceModel {
        &self.plan.joint_model
    }

    /// Gain of the feedforward, `1/K`; 0 where there is none.
    pub fn feedforward(&self) -> f64 {
        self.plan.inverse_gain
    }

    /// Dead time that the gain set allows, s.
    pub fn delay_allowed(&self) -> f64 {
        self.delay_allowed
    }

    /// By how much the joint is behind a target that moves steadily, s, by the shaper and the joint's model: a target
    /// whose motion is known is led by as much.
    pub fn lag(&self) -> f64 {
        self.shaper.lag() + self.plan.joint_model.lag()
    }

    /// Greatest speeds of the reference, rad/s of bend and of pan; 0 without a pan motor.
    pub fn reference_speeds(&self) -> (f64, f64) {
        self.shaper.speeds()
    }
}

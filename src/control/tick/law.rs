//! The law: gains, limits and choice of feedback, checked and compiled off the real-time thread.

use crate::control::bounds;
use crate::control::controller::reference_model::{Lag, Model, ModelError, ReferenceModel};
use crate::control::controller::shaper::{ShaperDesign, ShaperError};
use crate::control::controller::{
    CommandInterface, Controllers, GainError, GainSet, IntegratorDeadband, Structure,
};
use crate::control::geometry::{Bend, bend_from};
use crate::control::self_support::SelfSupport;
use crate::control::tick::release::ReleaseLaw;
use crate::control::tick::{Joint, Supervision};

/// Measurement that the loop corrects against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Feedback {
    /// Motor encoders: the joint follows the kinematics.
    Motors,
    /// The IMU's orientation: the joint follows the commanded bend, and sag is corrected.
    Imu,
}

/// One motor's limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotorLimits {
    /// Min angle, rad.
    pub low: f64,
    /// Max angle, rad.
    pub high: f64,
    /// Max speed, rad/s.
    pub speed: f64,
    /// Max acceleration, rad/s^2.
    pub acceleration: f64,
}

/// Limits of the joint. Angles in rad, times in s.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    /// Max inclination of a command.
    pub inclination: f64,
    /// Over-bend limit: measured inclination above which outward motion stops.
    pub over_bend: f64,
    /// Feedback limit: max motor angle that feedback may add (with velocity setpoints: may have
    /// added in total).
    pub feedback: f64,
    /// Age at which IMU samples are stale.
    pub stale_imu: f64,
    /// Age at which motor samples are stale.
    pub stale_motors: f64,
    /// Time of stale data after which the loop stops and will restart.
    pub stop_after: f64,
    /// Each motor's limits, in motor order.
    pub motors: Vec<MotorLimits>,
    /// Fault rules and reactions.
    pub supervision: Supervision,
}

/// Fraction of a motor's speed and acceleration that a reference may use.
pub const REFERENCE_SHARE: f64 = 0.8;

/// How the reference is followed: structure, models and gain.
#[derive(Clone, Copy, Debug)]
pub(super) struct Plan {
    pub structure: Structure,
    /// Response of the joint, as seen by the IMU.
    pub joint_model: ReferenceModel,
    /// Response of the motors, as seen by the encoders.
    pub motor_model: ReferenceModel,
    pub gain: f64,
    /// `1/K`, or 0 without feedforward.
    pub inverse_gain: f64,
}

/// A compiled law. Immutable: retuning compiles a new one and keeps the state.
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

/// Reason why a law was refused.
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
        /// Key of the limit.
        key: &'static str,
        /// The value given.
        value: f64,
        /// Accepted values.
        accepted: &'static str,
    },
    /// The number of motors with limits is wrong.
    #[error("limits are given for {got} motors, the joint has {want}")]
    Count {
        /// Motors with limits.
        got: usize,
        /// Motors in the joint.
        want: usize,
    },
}

/// A limit's key, its value, what is accepted, and whether it is.
type Checked = (&'static str, f64, &'static str, bool);

const POSITIVE: &str = "a finite number above 0";

fn is_positive(value: f64) -> bool {
    value > 0.0 && value.is_finite()
}

fn check(limits: &Limits, motors: usize) -> Result<(), LawError> {
    if limits.motors.len() != motors {
        return Err(LawError::Count {
            got: limits.motors.len(),
            want: motors,
        });
    }
    let of_motors = limits.motors.iter().flat_map(checked_motor);
    let mut all = checked(limits).into_iter().chain(of_motors);
    match all.find(|(.., accepted)| !accepted) {
        Some((key, value, accepted, _)) => Err(LawError::Limit {
            key,
            value,
            accepted,
        }),
        None => Ok(()),
    }
}

/// Checks the limits of the whole joint.
fn checked(limits: &Limits) -> [Checked; 6] {
    let bend = "above 0, at most 2.0944 rad (120 deg)";
    let over = "at least limits.inclination, at most 2.0944 rad (120 deg)";
    let &Limits {
        inclination,
        over_bend,
        feedback,
        stale_imu,
        stale_motors,
        stop_after,
        ..
    } = limits;
    let within = inclination > 0.0 && inclination <= bounds::BEND;
    let beyond = over_bend >= inclination && over_bend <= bounds::BEND;
    let little = (0.0..=bounds::FEEDBACK).contains(&feedback);
    let time = |key, value| (key, value, POSITIVE, is_positive(value));
    [
        ("limits.inclination", inclination, bend, within),
        ("limits.over_bend", over_bend, over, beyond),
        ("limits.feedback", feedback, "0 to 3.2 rad", little),
        time("limits.stale_imu", stale_imu),
        time("limits.stale_motors", stale_motors),
        time("limits.stop_after", stop_after),
    ]
}

/// Checks the limits of one motor.
fn checked_motor(motor: &MotorLimits) -> [Checked; 4] {
    let &MotorLimits {
        low,
        high,
        speed,
        acceleration,
    } = motor;
    let above = "above 0 and above limits.travel_low";
    let below = "below 0 and below limits.travel_high";
    [
        ("limits.speed", speed, POSITIVE, is_positive(speed)),
        (
            "limits.acceleration",
            acceleration,
            POSITIVE,
            is_positive(acceleration),
        ),
        ("limits.travel_high", high, above, is_positive(high)),
        ("limits.travel_low", low, below, is_positive(-low)),
    ]
}

/// Returns the max speed and acceleration in bend for which no motor exceeds its fraction in any
/// direction, from the max row norm of `J = dq/db` over the disc of reachable bends.
///
/// `|dq_i/dt| = |J_i db/dt| <= |J_i| |db/dt|`, so a bound on the norm holds for every direction.
/// Averages of bends inside the disc stay inside both the disc and the bound.
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
    /// The first value out of range, with the accepted values.
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
        // Encoders see the motors' lag but not the beam's.
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

    /// Returns the law with a self-support result, which release requires. Allocates.
    pub fn with_self_support(mut self, joint: &Joint, self_support: SelfSupport) -> Self {
        self.release = ReleaseLaw::new(joint, &self.limits, self_support);
        self
    }

    /// Returns the result of the self-support check.
    pub fn self_support(&self) -> SelfSupport {
        self.release.self_support
    }

    /// Returns true if beam and motor position limits permit releasing the tendons.
    pub fn carries(&self) -> bool {
        self.release.carries()
    }

    /// Returns the law with its correction switched off, for trials of the feedforward alone.
    pub fn without_correction(mut self) -> Self {
        self.correct = false;
        self
    }

    /// Returns the command interface.
    pub fn kind(&self) -> CommandInterface {
        self.kind
    }

    /// Returns the limits in effect.
    pub fn limits(&self) -> &Limits {
        &self.limits
    }

    /// Returns the feedback in effect.
    pub fn feedback(&self) -> Feedback {
        self.feedback
    }

    /// Returns the motors' controllers.
    pub fn controllers(&self) -> &Controllers {
        &self.controllers
    }

    /// Returns how reference and correction are combined.
    pub fn structure(&self) -> Structure {
        self.plan.structure
    }

    /// Returns the damping, s: setpoint in bend per bend rate.
    pub fn damping(&self) -> f64 {
        self.damping
    }

    /// Returns the shaper of the reference.
    pub fn shaper(&self) -> &ShaperDesign {
        &self.shaper
    }

    /// Returns the model of the joint's response.
    pub fn joint_model(&self) -> &ReferenceModel {
        &self.plan.joint_model
    }

    /// Returns the gain of the feedforward, `1/K`; 0 without feedforward.
    pub fn feedforward(&self) -> f64 {
        self.plan.inverse_gain
    }

    /// Returns the max dead time for the gain set, s.
    pub fn delay_allowed(&self) -> f64 {
        self.delay_allowed
    }

    /// Returns the lag behind a target in steady motion, s, of shaper and joint model together. A
    /// target with known motion is led by this time.
    pub fn lag(&self) -> f64 {
        self.shaper.lag() + self.plan.joint_model.lag()
    }

    /// Returns the max speeds of the reference, rad/s of bend and of pan; 0 without a pan motor.
    pub fn reference_speeds(&self) -> (f64, f64) {
        self.shaper.speeds()
    }
}

//! What one tick returns: the mode, the setpoints and the telemetry.

use super::names::names;
use super::{Estimate, Faults, Readiness, ReleaseRefusal, Rule};
use crate::control::geometry::Bend;

/// Mode of the control loop.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Mode {
    /// The joint is monitored but not driven; no setpoint is sent.
    Inactive,
    /// Waiting for samples of every sensor that is needed; no setpoint is sent.
    #[default]
    Waiting,
    /// The sensor latency is higher than the gain set allows; no setpoint is sent.
    LatencyTooHigh,
    /// A motor is outside its position limits (perhaps a lost encoder zero); no setpoint is sent.
    PositionOutOfRange,
    /// The joint's state does not permit a start, or a fault is latched; no setpoint is sent.
    NotReady,
    /// The loop is closed.
    Tracking,
    /// Data are stale: the last setpoint is held.
    Holding,
    /// Data have been stale for long: the setpoint is held, and the loop will restart.
    Stopped,
    /// A fault holds the joint: the setpoint is held until the fault is cleared.
    Faulted,
    /// The tendons are being released.
    ReleasingTension,
    /// The tendons are released.
    Released,
    /// The tendons are being retensioned at the present bend.
    Retensioning,
}

names!(Mode {
    Inactive => "inactive",
    Waiting => "waiting",
    LatencyTooHigh => "latency_too_high",
    PositionOutOfRange => "position_out_of_range",
    NotReady => "not_ready",
    Tracking => "tracking",
    Holding => "holding",
    Stopped => "stopped",
    Faulted => "faulted",
    ReleasingTension => "releasing_tension",
    Released => "released",
    Retensioning => "retensioning",
});

impl Mode {
    /// Returns true if setpoints are sent in this mode.
    pub fn sends(self) -> bool {
        !matches!(
            self,
            Self::Inactive
                | Self::Waiting
                | Self::LatencyTooHigh
                | Self::PositionOutOfRange
                | Self::NotReady
        )
    }

    /// Returns true if the tendons are released, being released or being retensioned.
    pub fn is_released(self) -> bool {
        matches!(
            self,
            Self::ReleasingTension | Self::Released | Self::Retensioning
        )
    }
}

/// Stamps and delay of what was measured.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Timing {
    /// Stamp of the measurement that the setpoints are based on, s.
    pub stamp: f64,
    /// Stamp of the measurement that the measured bend is based on, s; 0 before the first.
    pub bend_stamp: f64,
    /// Measured dead time: sensor latency, half a sensor period and half a tick, s.
    pub delay: f64,
}

/// What has become of commands and requests.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Answered {
    /// The command that the target belongs to, if there has been one; it may have ended.
    pub command: Option<u64>,
    /// The last command that was ended by a hold request or an outage.
    pub ended: Option<u64>,
    /// Number of the last clear request that was seen.
    pub clear: u64,
    /// Number of the last release request that was answered.
    pub release_tension: u64,
    /// Reason for its refusal, if it was refused: the joint then holds.
    pub release_refusal: Option<ReleaseRefusal>,
}

/// Limits that were active in one tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Limited {
    /// Greatest ratio of the requested correction to the feedback limit.
    pub feedback_share: f64,
    /// The correction was cut to the feedback limit.
    pub feedback: bool,
    /// A motor's speed limit scaled the increment.
    pub speed: bool,
    /// A motor's position limit scaled the bend.
    pub travel: bool,
    /// The command was outside the inclination or pan limits and was cut to them.
    pub target: bool,
}

/// Telemetry of one tick.
#[derive(Clone, Debug, Default)]
pub struct Output {
    /// Mode of the control loop.
    pub mode: Mode,
    /// Setpoints, rad or rad/s, in motor order; meaningless in [`Mode::Waiting`].
    pub setpoints: Vec<f64>,
    /// Motor angles of the reference by the kinematics, rad.
    pub references: Vec<f64>,
    /// Setpoint of the pan motor, rad or rad/s of the motor.
    pub pan_setpoint: f64,
    /// Angle of the pan motor at the reference, rad.
    pub pan_reference: f64,
    /// The setpoints are held positions that must not be sent: every motor was silent for long and
    /// may stand elsewhere when it returns.
    pub unsent: bool,
    /// Stamps and delay of what was measured.
    pub timing: Timing,
    /// Present target bend, rad.
    pub target: Bend,
    /// Present target pan, rad.
    pub target_pan: f64,
    /// Shaped reference bend, rad.
    pub reference: Bend,
    /// Shaped reference pan, rad.
    pub reference_pan: f64,
    /// The measured bend.
    pub estimate: Estimate,
    /// The target has been held within tolerance for the dwell time.
    pub settled: bool,
    /// What has become of commands and requests.
    pub answered: Answered,
    /// Limits that were active.
    pub limited: Limited,
    /// The integrators are paused by the integrator deadband.
    pub in_deadband: bool,
    /// The joint is hunting.
    pub hunting: bool,
    /// State of all fault rules.
    pub faults: Faults,
    /// Readiness of the joint to be started.
    pub readiness: Readiness,
}

impl Output {
    /// Returns an output with space for `motors` motors.
    pub fn new(motors: usize) -> Self {
        let (setpoints, references) = (vec![0.0; motors], vec![0.0; motors]);
        Self {
            setpoints,
            references,
            ..Self::default()
        }
    }

    /// Returns true if the measured bend is beyond the over-bend limit.
    pub fn over_bend(&self) -> bool {
        self.faults.of(Rule::OverBend).above
    }

    /// Returns true if a motor deviates from its setpoint by more than the following-error limit.
    pub fn following_error(&self) -> bool {
        self.faults.of(Rule::FollowingError).above
    }
}

//! One control tick: time, desired configuration and measurements in; setpoints and telemetry out.
//!
//! [`tick`] is a pure function of its arguments: an immutable [`Joint`] and [`Law`], an explicit
//! [`State`], and the [`Input`] of this tick. It allocates nothing and its work is bounded: a fixed
//! number of passes over the motors, and the bounded iterations of the kinematics.
//!
//! Order of a tick: estimate the bend; evaluate the fault rules; make the [`transition`] of the
//! tick's [`Event`]; run the [`Phase`] that the loop is in then; report.
//!
//! Order while tracking: take the desired bend; shape the reference; step the reference model;
//! compute the correction; project it into bend space; apply the limits; feed what was actually
//! sent back to the integrators (anti-windup).

mod command;
mod control_law;
mod drives;
mod estimate;
mod event;
mod law;
mod names;
mod output;
mod pan;
mod release;
mod settled;
mod state;
mod supervise;
mod tracking;
mod transition;

pub use estimate::{Estimate, Fallback, Source};
pub use law::{Feedback, Law, LawError, Limits, MotorLimits, REFERENCE_SHARE};
pub use output::{Answered, Limited, Mode, Output, Timing};
pub use pan::Pan;
pub use release::{CLEARANCE, ReleaseRefusal, SHARE, SHORTEST};
pub use state::State;
pub use supervise::{
    Fault, FaultConfig, Faults, RULES, Reaction, Readiness, Rule, Supervision, TimeoutAction,
};
pub use transition::{Commands, Event, Phase, Setpoints, Step, transition};

use command::{abandon, command, stop_over_bent};
use state::LoopState;
use supervise::MonitorInput;

use crate::control::controller::CommandInterface;
use crate::control::geometry::Configuration;
use crate::control::kinematics::Kinematics;
use crate::control::track::Motion;
use nalgebra::{Rotation3, Vector3};

/// Time over which the offset of a bumpless transfer decays, and over which gains are blended, s.
pub const HAND_OVER: f64 = 1.0;

/// Longest time for which a new law waits for the current motion to end, s. A change of law during
/// a motion bends the path, and a motion from pose to pose is shorter than this.
pub const LONGEST_WAIT: f64 = 1.0;

/// The joint as its control loop needs it. Immutable.
#[derive(Clone, Debug)]
pub struct Joint {
    /// Kinematics between bend and motor angles.
    pub kinematics: Kinematics,
    /// Rotation from the IMU's frame to the head frame.
    pub head_from_imu: Rotation3<f64>,
    /// Direction of gravity in the base frame, unit length; used where no base IMU measures it.
    pub gravity_base: Vector3<f64>,
    /// Rotation from the base IMU's frame to the base frame, if there is a base IMU.
    pub base_from_imu: Option<Rotation3<f64>>,
    /// The pan motor under the beam, if there is one.
    pub pan: Option<Pan>,
    /// Tick period, s.
    pub period: f64,
    /// Nominal period of the samples that feedback uses, s.
    pub sample_period: f64,
    /// Time constant with which the motors follow position setpoints, s.
    pub motor_time_constant: f64,
    /// Following-error limit, rad: ordinary deviation of a motor from that lag.
    pub following_error_limit: f64,
    /// Tolerance on bend for `settled`, rad.
    pub settled_tolerance: f64,
    /// Time for which the bend must stay within the tolerance, s.
    pub settled_dwell: f64,
}

impl Joint {
    /// Number of motors.
    pub fn motors(&self) -> usize {
        self.kinematics.count()
    }
}

/// A desired configuration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Desired {
    /// Bend and pan, rad.
    pub configuration: Configuration,
    /// Motion of the target, where it is known: the joint then follows without lag.
    pub motion: Option<Motion>,
    /// Continues the previous command as the next sample of a stream; does not reset `settled`.
    pub continues: bool,
    /// Fraction of the reference's max speed that may be used, above 0, up to 1.
    pub pace: f64,
    /// Number of the command; all targets of a stream or of a moving frame share one. A hold
    /// request or an outage ends the current command, including its samples that are still to come.
    pub command: u64,
    /// Sequence number of the sample; an equal number is the same sample.
    pub sequence: u64,
}

impl Default for Desired {
    /// Returns the straight configuration at full pace.
    fn default() -> Self {
        Self {
            configuration: Configuration::zeros(),
            motion: None,
            continues: false,
            pace: 1.0,
            command: 0,
            sequence: 0,
        }
    }
}

/// One motor's newest sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotorSample {
    /// Angle, rad.
    pub angle: f64,
    /// Time of the measurement, s on the loop's clock.
    pub stamp: f64,
    /// Time of arrival, s on the loop's clock.
    pub received: f64,
}

/// An IMU's newest sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImuSample {
    /// Direction of gravity in the IMU's frame, unit length.
    pub gravity: Vector3<f64>,
    /// Angular velocity in the IMU's frame, rad/s.
    pub angular_velocity: Vector3<f64>,
    /// Time of the measurement, s on the loop's clock.
    pub stamp: f64,
    /// Time of arrival, s on the loop's clock.
    pub received: f64,
}

/// Inputs of a tick: the newest sample of each stream.
#[derive(Clone, Debug, Default)]
pub struct Input {
    /// The newest command, if there is one.
    pub desired: Option<Desired>,
    /// Counter of hold requests: a new number stops the reference.
    pub hold: u64,
    /// Counter of requests to clear latched faults: a new number clears those whose cause is gone.
    pub clear: u64,
    /// Counter of requests to release the tendons.
    pub release_tension: u64,
    /// The joint is monitored but not driven: no setpoint is sent.
    pub inactive: bool,
    /// The newest sample of each motor.
    pub motors: Vec<Option<MotorSample>>,
    /// The newest sample of the pan motor.
    pub pan: Option<MotorSample>,
    /// The newest sample of the head's IMU.
    pub head: Option<ImuSample>,
    /// The newest sample of the base's IMU.
    pub base: Option<ImuSample>,
}

impl Input {
    /// Returns an input without samples for `motors` motors.
    pub fn new(motors: usize) -> Self {
        Self {
            motors: vec![None; motors],
            ..Self::default()
        }
    }

    /// Copies `other` into `self`, without allocating if both have the same number of motors.
    pub fn copy_from(&mut self, other: &Self) {
        let mut motors = std::mem::take(&mut self.motors);
        motors.clone_from(&other.motors);
        *self = Self { motors, ..*other };
    }
}

/// Returns the progress of a transfer begun at `since`: a raised cosine from 0 to 1 over
/// [`HAND_OVER`], smooth at both ends.
fn handed_over(since: f64, now: f64) -> f64 {
    let part = ((now - since) / HAND_OVER).clamp(0.0, 1.0);
    0.5 * (1.0 - (std::f64::consts::PI * part).cos())
}

/// Runs one control tick at `now` s.
pub fn tick(
    joint: &Joint,
    law: &Law,
    state: &mut State,
    input: &Input,
    now: f64,
    out: &mut Output,
) {
    let fresh = observe(joint, law, state, input, now, out);
    let event = event::of_tick(joint, law, state, input, now);
    state.go(event, joint, law, input, now);
    let starts = matches!(event, Event::Command | Event::HoldRequest);
    if starts
        && !state
            .common
            .estimator
            .motors_complete(joint, law, input, now)
    {
        // The motors go nowhere without encoders.
        state.go(Event::Missing, joint, law, input, now);
    }
    if state.phase() != Phase::Tracking && state.common.commands.hold != input.hold {
        // A hold request is also valid while waiting: earlier commands are not resumed after it.
        state.stop_reference(law, input);
    }
    if let Some(hold) = state.current.hold_mut() {
        hold.alone |= event::all_silent(law, input, now);
    }
    let common = &mut state.common;
    common.mode = state.current.phase().mode(common.readiness);
    common.drives.before.copy_from_slice(&common.drives.sent);
    if let Some(event) = run(joint, law, state, input, fresh, now, out) {
        state.go(event, joint, law, input, now);
        if event == Event::NotFinite {
            // Nothing was tracked in this tick.
            state.common.mode = state.phase().mode(state.common.readiness);
        }
    }
    report(joint, state, input, now, out);
}

/// Takes the samples and evaluates the fault rules. Returns true if the sample that feedback uses
/// is new.
fn observe(
    joint: &Joint,
    law: &Law,
    state: &mut State,
    input: &Input,
    now: f64,
    out: &mut Output,
) -> bool {
    let pan_rate = match &state.current {
        LoopState::Tracking(tracking) => tracking.buffers.joint_model.rate().z,
        _ => 0.0,
    };
    let trusted = !state.common.monitor.distrusts_imu();
    let estimator = &mut state.common.estimator;
    let fresh = estimator.update(joint, law, input, pan_rate, trusted, now);
    out.estimate = estimator.estimate();
    out.timing.stamp = estimator.stamp();
    out.timing.bend_stamp = estimator.bend_stamp();
    out.timing.delay = estimator.delay(joint);
    watch(joint, law, state, input, now);
    fresh
}

/// Evaluates the fault rules, on what the last tick sent.
fn watch(joint: &Joint, law: &Law, state: &mut State, input: &Input, now: f64) {
    let live = !input.inactive && !state.phase().is_idle();
    let reference = state.reference();
    let common = &mut state.common;
    let released = common.mode.is_released();
    let (at_rest, saturated) = match &state.current {
        LoopState::Tracking(tracking) => (tracking.buffers.shaper.at_rest(), tracking.saturated),
        _ => (!released, false),
    };
    let view = MonitorInput {
        live,
        at_rest,
        released,
        estimate: common.estimator.estimate(),
        base_known: common.estimator.base_known(),
        imu_says: common.estimator.imu_says(),
        angles: common.estimator.angles(),
        sent: &common.drives.sent,
        pan_sent: common.drives.pan.sent(),
        reference,
        departures: &common.drives.departures,
        saturated,
        hunting: live && common.hunting.hunting(now),
        swing: common.hunting.swing(),
    };
    common.monitor.step(joint, law, input, &view, now);
}

/// Runs one tick of the phase: fills the setpoints and the motors' deviations from what is expected
/// of them. Returns the event that follows from it, if there is one.
fn run(
    joint: &Joint,
    law: &Law,
    state: &mut State,
    input: &Input,
    fresh: bool,
    now: f64,
    out: &mut Output,
) -> Option<Event> {
    let common = &mut state.common;
    out.unsent = false;
    if let LoopState::Tracking(tracking) = &mut state.current {
        command(joint, law, tracking, common, input, now);
        abandon(law, tracking, common, input);
        stop_over_bent(law, tracking, common);
        let finite = control_law::setpoints(joint, law, tracking, common, fresh, now, out);
        return (!finite).then_some(Event::NotFinite);
    }
    (out.limited.feedback, out.limited.speed, out.limited.travel) = (false, false, false);
    match &mut state.current {
        LoopState::Releasing(release)
        | LoopState::Released(release)
        | LoopState::Retensioning(release) => {
            if common.monitor.stuck() {
                // Only a command given after the fault is cleared retensions the tendons.
                common.commands.end(input);
            }
            let moving = common.mode != Mode::Released;
            let arrived = release.step(joint, law, &common.estimator, &mut common.drives, moving);
            common.drives.keep_pan(joint, law);
            arrived.then_some(Event::Arrived)
        }
        other => {
            match other.hold_mut() {
                Some(hold) => {
                    common.drives.keep(joint, law);
                    if hold.commands != Commands::Continue {
                        common.commands.end(input);
                    }
                    control_law::expect(joint, law, common);
                    out.unsent = law.kind == CommandInterface::Position && hold.alone;
                }
                None => common.drives.idle(law.kind),
            }
            None
        }
    }
}

/// Fills the telemetry.
fn report(joint: &Joint, state: &mut State, input: &Input, now: f64, out: &mut Output) {
    let (reference, target, target_limited, at_rest) = match &state.current {
        LoopState::Tracking(tracking) => {
            let (shaper, goal) = (&tracking.buffers.shaper, &tracking.goal);
            (
                shaper.value(),
                goal.target,
                goal.limited,
                Some(shaper.at_rest()),
            )
        }
        _ => {
            let last = &state.common.reference;
            (last.value, last.target, last.target_limited, None)
        }
    };
    let common = &mut state.common;
    out.mode = common.mode;
    out.setpoints.copy_from_slice(&common.drives.sent);
    joint
        .kinematics
        .motor_angles(reference.xy(), &mut out.references);
    if let Some(pan) = &joint.pan {
        out.pan_setpoint = pan.ratio * common.drives.pan.sent();
        out.pan_reference = pan.ratio * reference.z;
    }
    (out.target, out.target_pan) = (target.xy(), target.z);
    (out.reference, out.reference_pan) = (reference.xy(), reference.z);
    (out.answered.command, out.answered.ended) = (common.commands.command, common.commands.ended);
    out.answered.clear = input.clear;
    (out.answered.release_tension, out.answered.release_refusal) = common.requests.answer();
    out.faults = *common.monitor.faults();
    out.readiness = common.readiness;
    out.limited.target = target_limited;
    out.in_deadband = common.integrator_deadband.holding();
    out.hunting = common.hunting.hunting(now);
    let seen = settled::Seen {
        bend: out.estimate.bend,
        pan: out.estimate.pan,
        target,
        reference,
        at_rest,
    };
    out.settled = common.settling.step(joint, &seen, now);
}

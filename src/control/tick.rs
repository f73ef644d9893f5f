//! One control tick: time, desired configuration and measurements in; setpoints and telemetry out.
//!
//! [`tick`] is a pure function of its arguments: an immutable [`Joint`] and [`Law`], an explicit
//! [`State`], and the [`Input`] of this tick. It allocates nothing and its work is bounded: a fixed
//! number of passes over the motors, and the bounded iterations of the kinematics.
//!
//! Order of a tick: estimate the bend; take the desired bend; shape the reference; step the
//! reference model; compute the correction; project it into bend space; apply the limits; feed what
//! was actually sent back to the integrators (anti-windup).

mod command;
mod control_law;
mod estimate;
mod law;
mod mode;
mod names;
mod pan;
mod release;
mod supervise;

pub use estimate::{Estimate, Fallback, Source};
pub use law::{Feedback, Law, LawError, Limits, MotorLimits, REFERENCE_SHARE};
pub use pan::Pan;
pub use release::{CLEARANCE, ReleaseRefusal, SHARE, SHORTEST};
pub use supervise::{
    Fault, FaultConfig, Faults, RULES, Reaction, Readiness, Rule, Supervision, TimeoutAction,
    WrongBuild,
};

use command::{abandon, command, stop_over_bent, stop_reference};
use names::names;
use supervise::{FaultMonitor, MonitorInput};

use crate::control::controller::reference_model::ReferenceModelState;
use crate::control::controller::shaper::ShaperState;
use crate::control::controller::watch::{DeadbandState, HuntingState};
use crate::control::controller::{CommandInterface, ControllersState};
use crate::control::geometry::{Bend, Configuration};
use crate::control::kinematics::Kinematics;
use crate::control::track::Motion;
use nalgebra::{Rotation3, Vector3};

/// Time over which the offset of a bumpless transfer decays, and over which gains are blended, s.
pub const HAND_OVER: f64 = 1.0;

/// Longest time for which a new law waits for the current motion to end, s. A change of law during
/// a motion bends the path, and a motion from pose to pose is shorter than this.
pub const LONGEST_WAIT: f64 = 1.0;

/// Rate of the reference model below which a motion counts as ended, rad/s.
const MODEL_REST: f64 = 0.01;

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
    /// Stamp of the measurement that the setpoints are based on, s.
    pub stamp: f64,
    /// Stamp of the measurement that the measured bend is based on, s; 0 before the first.
    pub bend_stamp: f64,
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
    /// The command that the target belongs to, if there has been one; it may have ended.
    pub command: Option<u64>,
    /// The last command that was ended by a hold request or an outage.
    pub ended: Option<u64>,
    /// Measured dead time: sensor latency, half a sensor period and half a tick, s.
    pub delay: f64,
    /// Greatest ratio of the requested correction to the feedback limit.
    pub feedback_share: f64,
    /// The correction was cut to the feedback limit.
    pub feedback_limited: bool,
    /// A motor's speed limit scaled the increment.
    pub speed_limited: bool,
    /// A motor's position limit scaled the bend.
    pub travel_limited: bool,
    /// The measured bend is beyond the over-bend limit.
    pub over_bend: bool,
    /// The command was outside the inclination or pan limits and was cut to them.
    pub target_limited: bool,
    /// The integrators are paused by the integrator deadband.
    pub in_deadband: bool,
    /// The joint is hunting.
    pub hunting: bool,
    /// A motor deviates from its setpoint by more than the following-error limit.
    pub following_error: bool,
    /// State of all fault rules.
    pub faults: Faults,
    /// Readiness of the joint to be started.
    pub readiness: Readiness,
    /// Number of the last clear request that was seen.
    pub clear: u64,
    /// Number of the last release request that was answered.
    pub release_tension: u64,
    /// Reason for its refusal, if it was refused: the joint then holds.
    pub release_refusal: Option<ReleaseRefusal>,
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
}

/// Offset of a bumpless transfer: the jump that would have occurred, decaying to zero.
#[derive(Clone, Debug)]
struct Residue {
    start: Vec<f64>,
    since: f64,
}

impl Residue {
    /// Returns the fraction of the offset that is left, 1 to 0.
    fn share(&self, now: f64) -> f64 {
        1.0 - handed_over(self.since, now)
    }
}

/// Returns the progress of a transfer begun at `since`: a raised cosine from 0 to 1 over
/// [`HAND_OVER`], smooth at both ends.
fn handed_over(since: f64, now: f64) -> f64 {
    let part = ((now - since) / HAND_OVER).clamp(0.0, 1.0);
    0.5 * (1.0 - (std::f64::consts::PI * part).cos())
}

/// State of the loop, kept from tick to tick.
#[derive(Clone, Debug)]
pub struct State {
    mode: Mode,
    started: bool,
    /// The hold in progress: setpoints are constant and are still sent.
    held: Option<mode::Hold>,
    readiness: Readiness,
    watch: FaultMonitor,
    /// The loop stopped and will restart: earlier commands are void.
    resuming: bool,
    last_good: f64,
    sequence: Option<u64>,
    /// The command that the target belongs to.
    command: Option<u64>,
    /// The last command that has ended.
    ended: Option<u64>,
    hold: u64,
    /// Present target.
    target: Configuration,
    /// Goal of the shaper: the target, or ahead of it for a moving target.
    goal: Configuration,
    motion: Option<Motion>,
    pace: f64,
    target_limited: bool,
    shaper: ShaperState,
    /// Predicted response of the motors.
    motor_model: ReferenceModelState,
    /// Predicted response of the joint itself; damping compares the measured rate with its rate.
    joint_model: ReferenceModelState,
    pan: pan::PanState,
    controllers: ControllersState,
    estimator: estimate::Estimator,
    /// Bend source and gravity direction that the last tick's error was based on.
    basis: (Source, Vector3<f64>),
    /// Last tick's error, as a bend, rad.
    error: Bend,
    /// Error offset left by the last change of that basis, rad of bend, and its time, s.
    change: (Bend, f64),
    residue: Residue,
    take_over: bool,
    /// Damping in effect when the present law was taken over, s.
    damping_from: f64,
    /// Time when the present law was taken over, s.
    taken_over: f64,
    /// Structure, models and gain that the reference is followed with.
    plan: law::Plan,
    inverse_gain: f64,
    inverse_gain_from: (f64, f64),
    over_bend: bool,
    /// The action of a command timeout has been carried out.
    timed_out: bool,
    /// Greatest bend that a rule allows the reference, rad.
    furthest: Option<f64>,
    /// A limit was active in the last tick.
    saturated: bool,
    settled_since: Option<f64>,
    settled_bend: Bend,
    /// Distance of the reference from the target, filtered against the noise of a stream.
    short: Configuration,
    integrator_deadband: DeadbandState,
    hunting: HuntingState,
    /// Shortfall of the motors' motion against the commanded one, rad of bend.
    shortfall: Bend,
    /// Bend not sent because of velocity limits, rad.
    missing: Bend,
    /// Last setpoints, and their lag-filtered copy: the expected motor angles.
    sent: Vec<f64>,
    expected: Vec<f64>,
    /// Deviation of each motor from its expected angle, rad; the pan's is last.
    departures: Vec<f64>,
    /// Last correction sent, transfer offset included.
    corrected: Vec<f64>,
    /// Damping term of the last tick and of the last new sample, rad of bend.
    damped: Bend,
    damping_offset: Bend,
    /// Offset left when the rate became known or unknown, rad of bend, and if it is known.
    damping_gap: Option<(Bend, bool)>,
    damping_rate: Bend,
    release: release::ReleaseState,
    work: control_law::Work,
}

impl State {
    /// Returns the state of a loop that has not started.
    pub fn new(joint: &Joint, law: &Law) -> Self {
        let motors = joint.motors();
        let dt = joint.period;
        let zero = vec![0.0; motors];
        Self {
            mode: Mode::Waiting,
            started: false,
            held: None,
            readiness: Readiness::Waiting,
            watch: FaultMonitor::new(joint, law.kind),
            resuming: false,
            last_good: f64::NEG_INFINITY,
            sequence: None,
            command: None,
            ended: None,
            hold: 0,
            target: Configuration::zeros(),
            goal: Configuration::zeros(),
            motion: None,
            pace: 1.0,
            target_limited: false,
            shaper: ShaperState::new(dt, Configuration::zeros()),
            motor_model: ReferenceModelState::new(dt, Configuration::zeros()),
            joint_model: ReferenceModelState::new(dt, Configuration::zeros()),
            pan: pan::PanState::default(),
            controllers: law.controllers.state(),
            estimator: estimate::Estimator::new(motors),
            basis: (Source::default(), joint.gravity_base),
            error: Bend::zeros(),
            change: (Bend::zeros(), f64::NEG_INFINITY),
            residue: Residue {
                start: zero.clone(),
                since: f64::NEG_INFINITY,
            },
            take_over: false,
            damping_from: law.damping,
            taken_over: f64::NEG_INFINITY,
            plan: law.plan,
            inverse_gain: law.plan.inverse_gain,
            inverse_gain_from: (law.plan.inverse_gain, f64::NEG_INFINITY),
            over_bend: false,
            timed_out: false,
            furthest: None,
            saturated: false,
            settled_since: None,
            settled_bend: Bend::zeros(),
            short: Configuration::zeros(),
            integrator_deadband: DeadbandState::new(motors),
            hunting: HuntingState::default(),
            shortfall: Bend::zeros(),
            missing: Bend::zeros(),
            sent: zero.clone(),
            expected: zero.clone(),
            departures: vec![0.0; motors + usize::from(joint.pan.is_some())],
            corrected: zero,
            damped: Bend::zeros(),
            damping_offset: Bend::zeros(),
            damping_gap: None,
            damping_rate: Bend::zeros(),
            release: release::ReleaseState::new(motors),
            work: control_law::Work::new(motors),
        }
    }

    /// Returns true if the reference is at rest, so that a change of law has no visible effect.
    pub fn resting(&self) -> bool {
        !self.started || (self.shaper.at_rest() && self.joint_model.rate().norm() < MODEL_REST)
    }

    /// Restarts the loop after a jump of the clock that stamps the samples. The joint may have
    /// moved, so all earlier measurements, commands and setpoints are void. No position is sent
    /// until the next measurement, and only a new command moves the joint.
    pub fn start_anew(&mut self, law: &Law, input: &Input) {
        self.end_command(input);
        self.resuming = true;
        self.release.forget();
        if self.started {
            self.started = false;
            // A velocity drive keeps its last setpoint, so a zero has to be sent.
            self.mode = match law.kind {
                CommandInterface::Position => Mode::Waiting,
                CommandInterface::Velocity => Mode::Stopped,
            };
        }
    }

    /// Ends the current command.
    fn end_command(&mut self, input: &Input) {
        self.ended = self.ended.max(input.desired.map(|d| d.command));
    }

    /// Switches from one law to another between two ticks (bumpless transfer). The setpoint does
    /// not jump: the integrators take over the difference, or it decays as an offset.
    ///
    /// Limits and model change at once, gains are blended over [`HAND_OVER`], and the shaper's
    /// windows change when the reference is at rest. The caller should let a current motion end
    /// first: see [`State::resting`] and [`LONGEST_WAIT`].
    ///
    /// A law for another command interface restarts the loop.
    pub fn take_over(&mut self, old: &Law, new: &Law, now: f64) {
        if old.kind != new.kind {
            self.release.forget();
            // The last setpoints are in other units.
            self.stop_sending();
            self.sent.fill(0.0);
            new.controllers.clear(&mut self.controllers);
            return;
        }
        let share = handed_over(self.taken_over, now);
        new.controllers
            .take_over(&old.controllers, &mut self.controllers, share);
        self.damping_from += (old.damping - self.damping_from) * share;
        self.taken_over = now;
        self.plan = new.plan;
        self.inverse_gain_from = (self.inverse_gain, now);
        self.take_over = true;
    }
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
    let pan_rate = if state.started {
        state.joint_model.rate().z
    } else {
        0.0
    };
    let trusted = !state.watch.distrusts_imu();
    let fresh = state
        .estimator
        .update(joint, law, input, pan_rate, trusted, now);
    let estimate = state.estimator.estimate();
    out.estimate = estimate;
    out.stamp = state.estimator.stamp();
    out.bend_stamp = state.estimator.bend_stamp();
    out.delay = state.estimator.delay(joint);
    watch(joint, law, state, input, now);
    let otherwise = mode::next(joint, law, state, input, now);
    let wanted = state.watch.faults().reaction == Reaction::Release;
    state.mode = release::mode(joint, law, state, input, otherwise, wanted, now);
    let released = state.mode.is_released();
    if state.mode != Mode::Tracking && state.hold != input.hold {
        // A hold request is also valid while waiting: earlier commands are not resumed after it.
        stop_reference(law, state, input);
    }
    if state.mode == Mode::Tracking {
        if !state.started {
            control_law::start(joint, law, state, input, now);
        }
        command(joint, law, state, input, now);
        abandon(law, state, input);
        stop_over_bent(law, state, estimate.bend);
        control_law::setpoints(joint, law, state, input, fresh, now, out);
    } else {
        state.settled_since = None;
        state.saturated = false;
        (out.feedback_limited, out.speed_limited, out.travel_limited) = (false, false, false);
        if released {
            state.release_on(now);
            if state.watch.stuck() {
                // Only a command given after the fault is cleared retensions the tendons.
                state.end_command(input);
            }
            release::step(joint, law, state, input);
            state.keep_pan(joint, law);
        } else if let Some(held) = state.held {
            state.keep(joint, law);
            if !held.resumes {
                state.end_command(input);
            }
            control_law::expect(joint, law, state);
        } else {
            if law.kind == CommandInterface::Velocity {
                state.sent.fill(0.0);
                state.pan.stop();
            }
            state.departures.fill(0.0);
        }
    }
    out.setpoints.copy_from_slice(&state.sent);
    out.unsent = law.kind == CommandInterface::Position
        && !(state.started || released)
        && state.held.is_some_and(|hold| hold.alone);
    joint
        .kinematics
        .motor_angles(state.shaper.value().xy(), &mut out.references);
    if let Some(pan) = &joint.pan {
        out.pan_setpoint = pan.ratio * state.pan.sent();
        out.pan_reference = pan.ratio * state.shaper.value().z;
    }
    out.clear = input.clear;
    report(joint, state, now, out);
}

/// Evaluates the fault rules.
fn watch(joint: &Joint, law: &Law, state: &mut State, input: &Input, now: f64) {
    let live = !input.inactive && (state.started || state.held.is_some());
    let view = MonitorInput {
        live,
        at_rest: (state.started && state.shaper.at_rest())
            || !(state.started || state.mode.is_released()),
        released: state.mode.is_released(),
        estimate: state.estimator.estimate(),
        base_known: state.estimator.base_known(),
        imu_says: state.estimator.imu_says(),
        angles: state.estimator.angles(),
        sent: &state.sent,
        pan_sent: state.pan.sent(),
        reference: state.shaper.value(),
        departures: &state.departures,
        saturated: state.saturated,
        hunting: live && state.hunting.hunting(now),
        swing: state.hunting.swing(),
    };
    state.watch.step(joint, law, input, &view, now);
}

/// Time constant of the bend used for `settled`, s: filters sensor noise.
const SETTLED_FILTER: f64 = 0.05;

/// Time constant with which the distance from the target grows, s: filters a stream's noise.
const SHORT_FILTER: f64 = 0.5;

fn report(joint: &Joint, state: &mut State, now: f64, out: &mut Output) {
    out.mode = state.mode;
    (out.target, out.target_pan) = (state.target.xy(), state.target.z);
    let reference = state.shaper.value();
    (out.reference, out.reference_pan) = (reference.xy(), reference.z);
    (out.command, out.ended) = (state.command, state.ended);
    (out.release_tension, out.release_refusal) = state.release.answer();
    out.over_bend = state.watch.over_bend();
    out.following_error = state.watch.faults().of(Rule::FollowingError).above;
    out.faults = *state.watch.faults();
    out.readiness = state.readiness;
    out.target_limited = state.target_limited;
    out.in_deadband = state.integrator_deadband.holding();
    out.hunting = state.hunting.hunting(now);
    let weight = |filter: f64| joint.period / (filter + joint.period);
    state.settled_bend += (out.estimate.bend - state.settled_bend) * weight(SETTLED_FILTER);
    let short = state.target - reference;
    // A decrease takes effect at once.
    state.short = if short.norm() <= state.short.norm() {
        short
    } else {
        state.short + (short - state.short) * weight(SHORT_FILTER)
    };
    let most = joint.settled_tolerance;
    let target = reference + state.short;
    let near = (target.xy() - state.settled_bend).norm() <= most
        && (joint.pan.is_none() || (target.z - out.estimate.pan).abs() <= most);
    // A moving target counts as reached where the reference follows it.
    let arrived = state.shaper.at_rest() || state.short.norm() <= 0.5 * most;
    state.settled_since = if near && arrived && state.mode == Mode::Tracking {
        state.settled_since.or(Some(now))
    } else {
        None
    };
    out.settled = state
        .settled_since
        .is_some_and(|since| now - since >= joint.settled_dwell);
}

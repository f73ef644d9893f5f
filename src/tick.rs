//! One whole control tick: time, desired, measured in; setpoints and telemetry out.
//!
//! [`tick`] is a pure function of its arguments: an immutable [`Joint`] and [`Law`], an explicit
//! [`State`], and the [`Input`] of this tick. It allocates nothing and its work is bounded: a fixed
//! number of passes over the motors, and the bounded iterations of the kinematics.
//!
//! Order of a tick: estimate the bend; take the desired bend; shape the reference; follow it with
//! the reference model; correct the difference; project into bend space; limit; tell the integrators what was
//! really sent.

mod command;
mod control_law;
mod estimate;
mod law;
mod mode;
mod pan;
mod release;
mod supervise;

pub use estimate::{Estimate, Fallback, Source};
pub use law::{Feedback, Law, LawError, Limits, MotorLimits, REFERENCE_SHARE};
pub use pan::Pan;
pub use release::{CLEARANCE, ReleaseRefusal, SHARE, SHORTEST};
pub use supervise::{
    Fault, FaultConfig, Faults, RULES, Reaction, Readiness, Rule, Supervision, TimeoutAction,
};

use command::{abandon, command, stop_over_bent, stop_reference};
use supervise::{FaultMonitor, MonitorInput};

use crate::controller::reference_model::ReferenceModelState;
use crate::controller::shaper::ShaperState;
use crate::controller::watch::{DeadbandState, HuntingState};
use crate::controller::{CommandInterface, ControllersState};
use crate::geometry::{Bend, Configuration};
use crate::kinematics::Kinematics;
use crate::track::Motion;
use nalgebra::{Rotation3, Vector3};

/// Time over which the residue of a hand-over decays, and the model's gain is blended, s.
pub const HAND_OVER: f64 = 1.0;

/// Longest time for which a new law waits for the motion under way to end, s. One motion, one law:
/// a change of law in mid-motion bends the path, and a motion from pose to pose is shorter than this.
pub const LONGEST_WAIT: f64 = 1.0;

/// Rate of the reference model below which a motion has ended, rad/s.
const MODEL_REST: f64 = 0.01;

/// What a joint is, as far as its loop needs to know. Immutable.
#[derive(Clone, Debug)]
pub struct Joint {
    /// Bend to motor angles and back.
    pub kinematics: Kinematics,
    /// Rotation that takes a vector from the IMU's frame to the head frame.
    pub head_from_imu: Rotation3<f64>,
    /// Direction of gravity in the base frame, unit length: what holds where no base IMU measures it.
    pub gravity_base: Vector3<f64>,
    /// Rotation that takes a vector from the base IMU's frame to the base frame, if there is a base IMU.
    pub base_from_imu: Option<Rotation3<f64>>,
    /// The pan motor under the beam, if there is one.
    pub pan: Option<Pan>,
    /// Tick period, s.
    pub period: f64,
    /// Nominal period of the samples that feedback rests on, s.
    pub sample_period: f64,
    /// Time constant with which the motors follow position setpoints, s.
    pub motor_time_constant: f64,
    /// Motor deviation from that lag that is still ordinary, rad.
    pub following_error_limit: f64,
    /// Tolerance on bend for `settled`, rad.
    pub settled_tolerance: f64,
    /// How long the tolerance must be kept, s.
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
    /// How it moves, where that is known: the joint then follows without its lag.
    pub motion: Option<Motion>,
    /// Goes on with the command before, as the next of a stream: `settled` is not lost by it.
    pub continues: bool,
    /// Share of the reference's speed that it may use, above 0, at most 1.
    pub pace: f64,
    /// Which command it belongs to: the targets of a stream or of a moving frame are samples of one. A request to hold
    /// and an outage end the command that there is, with all samples of it that may still come.
    pub command: u64,
    /// Counts samples: the same number is the same sample.
    pub sequence: u64,
}

impl Default for Desired {
    /// Straight, and as fast as the reference may be.
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
    /// When it was measured, s on the loop's clock.
    pub stamp: f64,
    /// When it arrived, s on the loop's clock.
    pub received: f64,
}

/// An IMU's newest sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImuSample {
    /// Direction of gravity in the IMU's frame, unit length.
    pub gravity: Vector3<f64>,
    /// Angular velocity in the IMU's frame, rad/s.
    pub angular_velocity: Vector3<f64>,
    /// When it was measured, s on the loop's clock.
    pub stamp: f64,
    /// When it arrived, s on the loop's clock.
    pub received: f64,
}

/// What is known at a tick: the newest of each stream.
#[derive(Clone, Debug, Default)]
pub struct Input {
    /// The newest command, if there was one.
    pub desired: Option<Desired>,
    /// Counts requests to stop and hold: a new number stops the reference.
    pub hold: u64,
    /// Counts requests to clear latched faults: a new number clears those whose cause has gone.
    pub clear: u64,
    /// Counts requests to release the tendons.
    pub release_tension: u64,
    /// The joint is watched and not driven: no setpoint goes out.
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
    /// Nothing known yet, for `motors` motors.
    pub fn new(motors: usize) -> Self {
        Self {
            motors: vec![None; motors],
            ..Self::default()
        }
    }

    /// Takes over all that `other` knows, without allocating where it has as many motors.
    pub fn copy_from(&mut self, other: &Self) {
        let mut motors = std::mem::take(&mut self.motors);
        motors.clone_from(&other.motors);
        *self = Self { motors, ..*other };
    }
}

/// What the loop is doing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Mode {
    /// The joint is watched and not driven; no setpoint goes out.
    Inactive,
    /// Waiting for samples of every sensor it needs; no setpoint goes out.
    #[default]
    Waiting,
    /// The sensors are slower than the gain set allows; no setpoint goes out.
    LatencyTooHigh,
    /// A motor stands outside its travel (an encoder without its zero, perhaps); no setpoint goes out.
    PositionOutOfRange,
    /// The joint is where it must not be set going from, or a fault waits to be cleared; no setpoint goes out.
    NotReady,
    /// The loop is closed.
    Tracking,
    /// Data are stale: the last setpoint is held.
    Holding,
    /// Data have been stale for long: the setpoint is held and the loop will start anew.
    Stopped,
    /// A fault asks for it: the setpoint is held until the fault is cleared.
    Faulted,
    /// The tendons are being released.
    Releasing,
    /// The tendons are released.
    Released,
    /// The tendons are being retensioned, to the bend that there is.
    Retensioning,
}

impl Mode {
    /// Whether setpoints go out.
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

    /// Whether tendons are released, or on their way.
    pub fn is_released(self) -> bool {
        matches!(self, Self::Releasing | Self::Released | Self::Retensioning)
    }
}

/// Telemetry of one tick.
#[derive(Clone, Debug, Default)]
pub struct Output {
    /// What the loop is doing.
    pub mode: Mode,
    /// Setpoints, rad or rad/s, in motor order; meaningless while waiting.
    pub setpoints: Vec<f64>,
    /// Motor angles that the kinematics asks for at the reference, rad.
    pub references: Vec<f64>,
    /// Setpoint of the pan motor, rad or rad/s of the motor.
    pub pan_setpoint: f64,
    /// Angle of the pan motor at the reference, rad.
    pub pan_reference: f64,
    /// Positions that are held and are not to be sent: every motor was silent for long, and whoever comes back may stand
    /// elsewhere.
    pub unsent: bool,
    /// Stamp of the measurement that the setpoints rest on, s.
    pub stamp: f64,
    /// Stamp of the measurement that the measured bend comes from, s; 0 before the first.
    pub bend_stamp: f64,
    /// Where the target is now, rad.
    pub target: Bend,
    /// And in pan, rad.
    pub target_pan: f64,
    /// Shaped reference, rad.
    pub reference: Bend,
    /// And in pan, rad.
    pub reference_pan: f64,
    /// The measured bend.
    pub estimate: Estimate,
    /// Target held within tolerance.
    pub settled: bool,
    /// The command that the target belongs to, once there was one; it may be over.
    pub command: Option<u64>,
    /// The last command that is over: ended by a request to hold, or by an outage.
    pub ended: Option<u64>,
    /// Dead time measured: half a sensor period, age and half a tick, s.
    pub delay: f64,
    /// Greatest share of the authority that the correction asked for.
    pub feedback_share: f64,
    /// The correction was cut to its authority.
    pub feedback_limited: bool,
    /// A motor's speed limit scaled the increment.
    pub speed_limited: bool,
    /// A motor's travel limit scaled the bend.
    pub travel_limited: bool,
    /// The measured bend is beyond its limit.
    pub over_bend: bool,
    /// The command was outside the inclination limit, or the pan's travel, and has been cut to it.
    pub target_limited: bool,
    /// The integrators rest in the integrator deadband.
    pub in_deadband: bool,
    /// The joint hunts.
    pub hunting: bool,
    /// A motor departs from its setpoint beyond the following-error limit.
    pub following_error: bool,
    /// How the rules of supervision stand.
    pub faults: Faults,
    /// Whether the joint may be set going.
    pub readiness: Readiness,
    /// The request to clear faults that was seen last.
    pub clear: u64,
    /// The request to release tension that was answered last.
    pub release_tension: u64,
    /// Why that was refused, if it was: the joint then holds.
    pub release_refusal: Option<ReleaseRefusal>,
}

impl Output {
    /// Room for `motors` motors.
    pub fn new(motors: usize) -> Self {
        let (setpoints, references) = (vec![0.0; motors], vec![0.0; motors]);
        Self {
            setpoints,
            references,
            ..Self::default()
        }
    }
}

/// The residue of a hand-over: what would have been a jump, on its way to zero.
#[derive(Clone, Debug)]
struct Residue {
    start: Vec<f64>,
    since: f64,
}

impl Residue {
    /// What is left of it.
    fn share(&self, now: f64) -> f64 {
        1.0 - handed_over(self.since, now)
    }
}

/// How far a hand-over begun at `since` has come: raised cosine from 0 to 1 over [`HAND_OVER`],
/// smooth at both ends.
fn handed_over(since: f64, now: f64) -> f64 {
    let part = ((now - since) / HAND_OVER).clamp(0.0, 1.0);
    0.5 * (1.0 - (std::f64::consts::PI * part).cos())
}

/// Everything that the loop remembers from tick to tick.
#[derive(Clone, Debug)]
pub struct State {
    mode: Mode,
    started: bool,
    /// A hold under way: setpoints stand still and go out.
    held: Option<mode::Hold>,
    readiness: Readiness,
    watch: FaultMonitor,
    /// The loop stopped and will start anew: commands from before are old.
    resuming: bool,
    last_good: f64,
    sequence: Option<u64>,
    /// The command that the target belongs to.
    command: Option<u64>,
    /// The last command that is over.
    ended: Option<u64>,
    hold: u64,
    /// Where the target is now.
    target: Configuration,
    /// Where the shaper runs: the target, ahead of it where it moves.
    goal: Configuration,
    motion: Option<Motion>,
    pace: f64,
    target_limited: bool,
    shaper: ShaperState,
    /// How the motors would follow.
    motor_model: ReferenceModelState,
    /// How the joint itself would follow: also what damping compares the measured rate with.
    joint_model: ReferenceModelState,
    pan: pan::PanState,
    controllers: ControllersState,
    estimator: estimate::Estimator,
    /// What the last tick's error rested on.
    basis: (Source, Vector3<f64>),
    /// Last tick's error, as a bend, rad.
    error: Bend,
    /// What of the error was left by a change of what it rests on, and when that was.
    change: (Bend, f64),
    residue: Residue,
    take_over: bool,
    /// Damping in force when the present law was taken over, s.
    damping_from: f64,
    /// When the present law was taken over, s.
    taken_over: f64,
    /// What the reference is followed by.
    plan: law::Plan,
    inverse_gain: f64,
    inverse_gain_from: (f64, f64),
    over_bend: bool,
    /// What follows when nobody commands the joint has been done.
    timed_out: bool,
    /// Furthest bend that a rule lets the reference go to, rad.
    furthest: Option<f64>,
    /// Something was at its limit in the last tick.
    saturated: bool,
    settled_since: Option<f64>,
    settled_bend: Bend,
    /// What the reference is short of the target, without the noise of a stream.
    short: Configuration,
    integrator_deadband: DeadbandState,
    hunting: HuntingState,
    /// Shortfall of what the motors did against what was asked, in bend, rad.
    shortfall: Bend,
    /// Bend that velocity limits have kept from being sent, rad.
    missing: Bend,
    /// What was sent last, and the lag-filtered copy that the motors should be at.
    sent: Vec<f64>,
    expected: Vec<f64>,
    /// How far each motor is from there, rad, the pan's last.
    departures: Vec<f64>,
    /// The correction sent last, residue included.
    corrected: Vec<f64>,
    /// What damping added last, rad of bend, and at the last new sample.
    damped: Bend,
    damping_offset: Bend,
    /// What of it was left when a rate came or went, rad of bend, and whether there is one.
    damping_gap: Option<(Bend, bool)>,
    damping_rate: Bend,
    release: release::ReleaseState,
    work: control_law::Work,
}

impl State {
    /// The memory of a loop that has not started.
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

    /// Whether the reference rests, so that a new law may take over without a trace.
    pub fn resting(&self) -> bool {
        !self.started || (self.shaper.at_rest() && self.joint_model.rate().norm() < MODEL_REST)
    }

    /// The time that samples are stamped with has jumped, and so may the joint have: what was measured, asked and sent
    /// before says nothing now. The loop starts anew from what is measured next; no position is sent until then, and only
    /// a new command moves the joint.
    pub fn start_anew(&mut self, law: &Law, input: &Input) {
        self.end_command(input);
        self.resuming = true;
        self.release.forget();
        if self.started {
            self.started = false;
            // A drive that takes velocities keeps the last one: that has to be zero.
            self.mode = match law.kind {
                CommandInterface::Position => Mode::Waiting,
                CommandInterface::Velocity => Mode::Stopped,
            };
        }
    }

    /// What has been asked so far is over.
    fn end_command(&mut self, input: &Input) {
        self.ended = self.ended.max(input.desired.map(|d| d.command));
    }

    /// Hands over from one law to another, between two ticks. The setpoint does not jump: what
    /// would have been a jump is carried by the integrators or decays as a residue.
    ///
    /// Limits and model change at once, gains are blended over [`HAND_OVER`], the shaper's windows
    /// change when the reference rests. The caller lets a motion under way end first, where it can:
    /// see [`State::resting`] and [`LONGEST_WAIT`].
    ///
    /// A law for another setpoint kind starts the loop anew.
    pub fn take_over(&mut self, old: &Law, new: &Law, now: f64) {
        if old.kind != new.kind {
            self.release.forget();
            // What was sent is in other units.
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

/// One control tick at `now` s.
pub fn tick(
    joint: &Joint,
    law: &Law,
    state: &mut State,
    input: &Input,
    now: f64,
    out: &mut Output,
) {
    let pan_rate = match state.started {
        true => state.joint_model.rate().z,
        false => 0.0,
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
        // A hold outlives the wait: what was asked before it is not done after it.
        stop_reference(state, input);
    }
    if state.mode == Mode::Tracking {
        if !state.started {
            control_law::start(joint, law, state, input, now);
        }
        command(joint, law, state, input, now);
        abandon(law, state, input);
        stop_over_bent(state, estimate.bend);
        control_law::setpoints(joint, law, state, input, fresh, now, out);
    } else {
        state.settled_since = None;
        state.saturated = false;
        (out.feedback_limited, out.speed_limited, out.travel_limited) = (false, false, false);
        if released {
            state.release_on(now);
            if state.watch.stuck() {
                // Only what is asked after the clearing retensions it.
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

/// Judges the rules of supervision.
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

/// Time constant of the bend that `settled` looks at, s: against sensor noise.
const SETTLED_FILTER: f64 = 0.05;

/// Time constant with which the reference counts as further from its target, s: against the noise of a
/// stream's samples.
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
    // Nearer counts at once.
    state.short = if short.norm() <= state.short.norm() {
        short
    } else {
        state.short + (short - state.short) * weight(SHORT_FILTER)
    };
    let most = joint.settled_tolerance;
    let target = reference + state.short;
    let near = (target.xy() - state.settled_bend).norm() <= most
        && (joint.pan.is_none() || (target.z - out.estimate.pan).abs() <= most);
    // A target that moves is held where it is followed.
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

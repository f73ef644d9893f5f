//! Release and retensioning of the tendons: slow, open loop, on one smooth path of all motors.
//!
//! Released, the motors are at angles where no tendon pulls until the head leans beyond its own
//! equilibrium by [`CLEARANCE`]. A head that leans further, because the beam is weaker than
//! assumed, is caught there. Retensioning moves the motors to the angles of the present bend at
//! pretension; then the loop starts as usual.
//!
//! The path `q(t) = a + (b - a) s(t / T)` has the min mean square jerk from rest to rest,
//! `s(x) = 10 x^3 - 15 x^4 + 6 x^5` (Flash and Hogan 1985, "The coordination of arm movements"),
//! with the max speed `1.875 |b - a| / T` and acceleration `5.774 |b - a| / T^2`. Motors in motion
//! are braked on the way, at a constant deceleration.
#![allow(
    clippy::needless_range_loop,
    reason = "several arrays, one place per motor each, are iterated together"
)]

use super::{Input, Joint, Law, Mode, State};
use crate::control::controller::CommandInterface;
use crate::control::geometry::{Bend, bend_from};
use crate::control::kinematics::MAX_TENDONS;
use crate::control::self_support::SelfSupport;
use nalgebra::Vector3;

/// Inclination beyond the beam's own equilibrium at which a tendon begins to pull, rad (10 deg).
pub const CLEARANCE: f64 = 0.1745;
/// Shortest duration of a path, s.
pub const SHORTEST: f64 = 4.0;
/// Max fraction of a motor's greatest speed and acceleration that a path uses.
pub const SHARE: f64 = 0.2;
/// Fraction of a motor's acceleration with which it is braked if it was moving.
const BRAKING_SHARE: f64 = 0.5;
/// Time after a path in which the motors may still reach its end, s.
const SETTLING: f64 = 1.0;
/// Margin of a moving base's tilt to the range that the beam bears, rad (5 deg).
const TILT_MARGIN: f64 = 0.0873;
/// Look-ahead for the position limits with velocity setpoints, s.
const LOOK_AHEAD: f64 = 0.1;
/// Fraction of the pretension: tendons count as released if each pulls less and one is slack.
const SLACK_SHARE: f64 = 0.5;

/// Reason why the tendons are not released.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReleaseRefusal {
    /// The joint is not driven.
    NotDriven,
    /// It is not known if the beam alone carries the head.
    NotKnown,
    /// The beam alone does not carry the head.
    NotCarried,
    /// The base is tilted too far, or its tilt is unknown at present.
    Tilted,
    /// A motor's position limit is reached before its tendon is slack.
    Travel,
    /// An encoder is silent or stale.
    MotorStale,
}

/// Data of the law for releasing tension.
#[derive(Clone, Debug, Default)]
pub(super) struct ReleaseLaw {
    /// Result of the self-support check.
    pub self_support: SelfSupport,
    /// Motor angles at which no tendon pulls, rad; `None` if outside the position limits.
    angles: Option<Vec<f64>>,
}

impl ReleaseLaw {
    /// Computes the motor angles of released tendons if the beam carries the head. Allocates.
    pub(super) fn new(joint: &Joint, limits: &super::Limits, self_support: SelfSupport) -> Self {
        let SelfSupport::Carries { inclination, .. } = self_support else {
            return Self {
                self_support,
                angles: None,
            };
        };
        let kinematics = &joint.kinematics;
        let most = inclination + CLEARANCE;
        let mut longest = vec![0.0_f64; joint.motors()];
        let mut lengths = vec![0.0; joint.motors()];
        kinematics.lengths(Bend::zeros(), &mut lengths);
        let straight = lengths.clone();
        for ring in 0..=8 {
            for spoke in 0..36 {
                let at = bend_from(
                    most * f64::from(ring) / 8.0,
                    std::f64::consts::TAU * f64::from(spoke) / 36.0,
                );
                kinematics.lengths(at, &mut lengths);
                for ((longest, length), straight) in longest.iter_mut().zip(&lengths).zip(&straight)
                {
                    *longest = longest.max(length - straight);
                }
            }
        }
        let tendons = &kinematics.routing().tendons;
        let angles: Vec<f64> = (0..joint.motors())
            .map(|i| {
                let stretch = kinematics.balanced_tensions()[i] / tendons[i].stiffness;
                -kinematics.gearing(i) * (longest[i] + stretch)
            })
            .collect();
        let mut inside = angles.iter().zip(&limits.motors);
        let inside = inside.all(|(q, m)| (m.low..=m.high).contains(q));
        Self {
            self_support,
            angles: inside.then_some(angles),
        }
    }

    /// Returns true if the beam carries the head and the motors can make every tendon slack.
    pub(super) fn carries(&self) -> bool {
        self.angles.is_some()
    }
}

/// Phase of release or retensioning.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Phase {
    /// Tendons under tension: the loop runs as usual.
    #[default]
    Up,
    Releasing,
    Released,
    Retensioning,
}

/// Path of all motors from their present angles to rest at the final ones.
#[derive(Clone, Debug)]
struct Path {
    from: Vec<f64>,
    to: Vec<f64>,
    /// Speeds at the start, rad/s, and the time in which they are braked, s.
    speeds: Vec<f64>,
    braking: f64,
    /// Duration, s.
    duration: f64,
    /// Time on the path, s; stopped while the encoders are silent.
    at: f64,
}

impl Path {
    /// Plans the path from `from` to `to`, with `speeds` at the start.
    fn begin(&mut self, limits: &[super::MotorLimits]) {
        self.at = 0.0;
        self.braking = 0.0;
        for (speed, limit) in self.speeds.iter_mut().zip(limits) {
            *speed = speed.clamp(-limit.speed, limit.speed);
            let time = speed.abs() / (BRAKING_SHARE * limit.acceleration);
            self.braking = self.braking.max(time);
        }
        self.duration = SHORTEST;
        for (i, limit) in limits.iter().enumerate() {
            // Distance covered while braking at a constant deceleration.
            self.from[i] += 0.5 * self.speeds[i] * self.braking;
            let way = (self.to[i] - self.from[i]).abs();
            let by_speed = 1.875 * way / (SHARE * limit.speed);
            let by_acceleration = (5.774 * way / (SHARE * limit.acceleration)).sqrt();
            self.duration = self.duration.max(by_speed).max(by_acceleration);
        }
    }

    /// Returns angle (rad) and speed (rad/s) of motor `i`.
    fn motor(&self, i: usize) -> (f64, f64) {
        let x = (self.at / self.duration).clamp(0.0, 1.0);
        let way = self.to[i] - self.from[i];
        let place = self.from[i] + way * x * x * x * (10.0 + x * (6.0 * x - 15.0));
        let speed = way * 30.0 * x * x * (1.0 - x) * (1.0 - x) / self.duration;
        let left = (self.braking - self.at).max(0.0);
        if left == 0.0 {
            return (place, speed);
        }
        let share = left / self.braking;
        let braked = self.speeds[i] * share;
        (place - 0.5 * braked * left, speed + braked)
    }

    /// Returns true at the end of the path.
    fn over(&self) -> bool {
        self.at >= self.duration
    }
}

/// State of release and retensioning.
#[derive(Clone, Debug)]
pub(super) struct ReleaseState {
    phase: Phase,
    path: Path,
    /// Number of the last request to release tension that was answered, and its refusal, if any.
    seen: u64,
    refused: Option<ReleaseRefusal>,
    /// Setpoints of the previous tick.
    before: Vec<f64>,
    /// Expected motor angles by their lag, rad.
    expected: Vec<f64>,
}

impl ReleaseState {
    pub(super) fn new(motors: usize) -> Self {
        let zero = vec![0.0; motors];
        Self {
            phase: Phase::Up,
            path: Path {
                from: zero.clone(),
                to: zero.clone(),
                speeds: zero.clone(),
                braking: 0.0,
                duration: SHORTEST,
                at: 0.0,
            },
            seen: 0,
            refused: None,
            before: zero.clone(),
            expected: zero,
        }
    }

    /// Resets the phase, as after a change of command interface: the measured angles decide again.
    pub(super) fn forget(&mut self) {
        self.phase = Phase::Up;
    }

    /// Returns the number of the last answered request and the reason of its refusal, if any.
    pub(super) fn answer(&self) -> (u64, Option<ReleaseRefusal>) {
        (self.seen, self.refused)
    }
}

/// Returns the reason why the tendons must not be released now, or `None`.
pub(super) fn refusal(
    joint: &Joint,
    law: &Law,
    state: &State,
    input: &Input,
    now: f64,
) -> Option<ReleaseRefusal> {
    if input.inactive || !state.mode.sends() {
        return Some(ReleaseRefusal::NotDriven);
    }
    let tilts = match law.release.self_support {
        SelfSupport::NotKnown => return Some(ReleaseRefusal::NotKnown),
        SelfSupport::DoesNot { .. } => return Some(ReleaseRefusal::NotCarried),
        SelfSupport::Carries { tilts, .. } => tilts,
    };
    if law.release.angles.is_none() {
        return Some(ReleaseRefusal::Travel);
    }
    if !state.estimator.motors_complete(joint, law, input, now) {
        return Some(ReleaseRefusal::MotorStale);
    }
    if let Some(mounting) = &joint.base_from_imu {
        let stale = law.limits.stale_imu;
        let base = input.base.as_ref();
        let base = base.filter(|b| now - b.received <= stale && now - b.stamp <= stale);
        let tilt = base.map(|b| (mounting * -b.gravity).angle(&Vector3::z()));
        let (least, most) = tilts;
        // The tilt ranges from 0 (upright) to pi (hanging): no margin at these ends.
        let least = if least > 0.0 {
            least + TILT_MARGIN
        } else {
            least
        };
        let most = if most < std::f64::consts::PI {
            most - TILT_MARGIN
        } else {
            most
        };
        if !tilt.is_some_and(|tilt| (least..=most).contains(&tilt)) {
            return Some(ReleaseRefusal::Tilted);
        }
    }
    None
}

/// Returns the mode of this tick; `otherwise` applies while no tendon is released or retensioned.
/// `wanted`: a rule demands release. Answers new requests in `input.release_tension`; a refused one
/// holds the joint.
pub(super) fn mode(
    joint: &Joint,
    law: &Law,
    state: &mut State,
    input: &Input,
    otherwise: Mode,
    wanted: bool,
    now: f64,
) -> Mode {
    let asked =
        std::mem::replace(&mut state.release.seen, input.release_tension) != input.release_tension;
    let going = matches!(state.release.phase, Phase::Releasing | Phase::Released);
    if asked {
        let refused = if going {
            None
        } else {
            refusal(joint, law, state, input, now)
        };
        state.release.refused = refused;
        if refused.is_some() {
            super::stop_reference(law, state, input);
        }
    } else if wanted && !going {
        state.release.refused = refusal(joint, law, state, input, now);
    }
    if input.inactive {
        state.release.phase = Phase::Up;
        return otherwise;
    }
    let begins = otherwise == Mode::Tracking && !state.started;
    let granted = (asked || wanted) && state.release.refused.is_none();
    // Only a new command moves a released joint; a hold request also ends a release under way.
    let new_command = input.desired.map(|d| d.command) > state.ended;
    let held = state.hold != input.hold;
    let called = match state.release.phase {
        Phase::Released => new_command || held,
        Phase::Releasing => held,
        Phase::Up => begins && found_released(joint, state),
        Phase::Retensioning => false,
    };
    if granted && !going {
        release_tension(joint, law, state, input);
    } else if called && !wanted && otherwise != Mode::Faulted {
        retension(joint, law, state, input);
    }
    state.release.before.copy_from_slice(if begins {
        state.estimator.angles()
    } else {
        &state.sent
    });
    let fresh = state.estimator.motors_complete(joint, law, input, now);
    match (state.release.phase, otherwise) {
        (Phase::Up, otherwise) => otherwise,
        (Phase::Released, _) => Mode::Released,
        (Phase::Retensioning, Mode::Faulted) => {
            pause(law, state);
            Mode::Faulted
        }
        // Without encoder samples the path stops; it later resumes from rest.
        (Phase::Releasing | Phase::Retensioning, _) if !fresh => {
            pause(law, state);
            Mode::Holding
        }
        (Phase::Releasing, _) => Mode::ReleasingTension,
        (Phase::Retensioning, _) => Mode::Retensioning,
    }
}

/// Returns true if the motors' angles are those of released tendons: at least one is slack, and
/// none has its full tension.
pub(super) fn found_released(joint: &Joint, state: &State) -> bool {
    let kinematics = &joint.kinematics;
    let estimate = state.estimator.estimate();
    if estimate.slack == 0 {
        return false;
    }
    let mut at = [0.0; MAX_TENDONS];
    let at = &mut at[..joint.motors()];
    kinematics.motor_angles(estimate.motors_bend, at);
    let angles = state.estimator.angles();
    (0..joint.motors()).all(|i| {
        let tension = kinematics.tension(i, angles[i], at[i]);
        tension < SLACK_SHARE * kinematics.balanced_tensions()[i]
    })
}

/// Begins to release tension from the present setpoints.
fn release_tension(joint: &Joint, law: &Law, state: &mut State, input: &Input) {
    let Some(angles) = &law.release.angles else {
        return;
    };
    state.release.path.to.copy_from_slice(angles);
    set_out(joint, law, state, Phase::Releasing);
    (state.started, state.resuming) = (false, false);
    super::stop_reference(law, state, input);
}

/// Begins to retension to the present bend.
fn retension(joint: &Joint, law: &Law, state: &mut State, input: &Input) {
    // After an outage earlier commands are void; one given during retensioning runs after it.
    if std::mem::take(&mut state.resuming) {
        state.end_command(input);
    }
    if state.release.phase == Phase::Up {
        // Nothing has been sent yet.
        state.watch.begin();
        state.sent.copy_from_slice(state.estimator.angles());
        state.release.before.copy_from_slice(&state.sent);
        if law.kind == CommandInterface::Velocity {
            state.sent.fill(0.0);
        }
    }
    let bend = state.estimator.estimate().bend;
    let to = &mut state.release.path.to;
    joint.kinematics.motor_angles(bend, to);
    for (to, limit) in to.iter_mut().zip(&law.limits.motors) {
        *to = to.clamp(limit.low, limit.high);
    }
    set_out(joint, law, state, Phase::Retensioning);
}

/// Begins a path to `state.release.path.to`, from the present setpoints and speeds.
fn set_out(joint: &Joint, law: &Law, state: &mut State, phase: Phase) {
    let release = &mut state.release;
    let angles = state.estimator.angles();
    match law.kind {
        CommandInterface::Position => {
            for i in 0..joint.motors() {
                release.path.from[i] = state.sent[i];
                release.path.speeds[i] = (state.sent[i] - release.before[i]) / joint.period;
            }
        }
        CommandInterface::Velocity => {
            release.path.from.copy_from_slice(angles);
            release.path.speeds.copy_from_slice(&state.sent);
        }
    }
    release.expected.copy_from_slice(angles);
    release.path.begin(&law.limits.motors);
    release.phase = phase;
}

/// Stops the path where it is; it resumes later from rest.
fn pause(law: &Law, state: &mut State) {
    let path = &mut state.release.path;
    for i in 0..path.from.len() {
        path.from[i] = match law.kind {
            CommandInterface::Position => state.sent[i],
            CommandInterface::Velocity => path.motor(i).0,
        };
    }
    path.speeds.fill(0.0);
    path.begin(&law.limits.motors);
}

/// Runs one tick of it: fills `state.sent` and the motors' deviations from their expected angles.
pub(super) fn step(joint: &Joint, law: &Law, state: &mut State, input: &Input) {
    let dt = joint.period;
    let release = &mut state.release;
    let moving = release.phase != Phase::Released;
    if moving {
        release.path.at += dt;
    }
    let weight = dt / (joint.motor_time_constant + dt);
    let angles = state.estimator.angles();
    let mut arrived = true;
    for i in 0..joint.motors() {
        let limit = &law.limits.motors[i];
        let (place, speed) = release.path.motor(i);
        state.sent[i] = match law.kind {
            CommandInterface::Position => place.clamp(limit.low, limit.high),
            CommandInterface::Velocity if !moving => 0.0,
            CommandInterface::Velocity => {
                let slowest = ((limit.low - angles[i]) / LOOK_AHEAD).clamp(-limit.speed, 0.0);
                let fastest = ((limit.high - angles[i]) / LOOK_AHEAD).clamp(0.0, limit.speed);
                let change = limit.acceleration * dt;
                let asked = speed + law.tension_gain * (place - angles[i]);
                let asked = asked.clamp(state.sent[i] - change, state.sent[i] + change);
                asked.clamp(slowest, fastest)
            }
        };
        release.expected[i] += weight * (place - release.expected[i]);
        state.departures[i] = angles[i] - release.expected[i];
        state.expected[i] = release.expected[i];
        arrived &= (angles[i] - release.path.to[i]).abs() <= joint.following_error_limit;
    }
    if release.path.over() && (arrived || release.path.at >= release.path.duration + SETTLING) {
        match release.phase {
            Phase::Releasing => {
                release.phase = Phase::Released;
                // Commands given during the release are not carried out.
                state.end_command(input);
            }
            Phase::Retensioning => release.phase = Phase::Up,
            Phase::Up | Phase::Released => {}
        }
    }
}

//! Tendons released and retensioned: slow, open loop, along one smooth path of all motors together.
//!
//! Released, the motors stand where no tendon pulls as long as the head leans less than it does by itself, and
//! [`CLEARANCE`]: a head that leans further, because the beam is weaker than thought, is caught there. They
//! are retensioned to the angles of the bend that there is, at pretension; then the loop starts as it always does.
//!
//! The path `q(t) = a + (b - a) s(t / T)` has the least mean square jerk between two rests,
//! `s(x) = 10 x^3 - 15 x^4 + 6 x^5` (Flash and Hogan 1985, "The coordination of arm movements"), with greatest speed
//! `1.875 |b - a| / T` and acceleration `5.774 |b - a| / T^2`. Motors that were moving come to rest on the way, at a
//! constant deceleration.
#![allow(
    clippy::needless_range_loop,
    reason = "several arrays, one place per motor each, are walked in step"
)]

use super::{Input, Joint, Law, Mode, State};
use crate::controller::CommandInterface;
use crate::geometry::{Bend, bend_from};
use crate::kinematics::MAX_TENDONS;
use crate::self_support::SelfSupport;
use nalgebra::Vector3;

/// How far beyond the beam's own equilibrium the head leans before a tendon pulls, rad (10 deg).
pub const CLEARANCE: f64 = 0.1745;
/// Shortest time of a path, s.
pub const SHORTEST: f64 = 4.0;
/// Share of a motor's greatest speed and acceleration that a path asks for at most.
pub const SHARE: f64 = 0.2;
/// Share of a motor's acceleration with which it comes to rest where it was moving.
const BRAKING_SHARE: f64 = 0.5;
/// Time after a path in which the motors may still come to its end, s.
const SETTLING: f64 = 1.0;
/// A base that moves has to be this much less tilted than the beam bears, rad (5 deg).
const TILT_MARGIN: f64 = 0.0873;
/// Look-ahead for travel with velocity setpoints, s.
const LOOK_AHEAD: f64 = 0.1;
/// Tendons count as released where each pulls less than this share of its pretension, and one not at all.
const SLACK_SHARE: f64 = 0.5;

/// Why the tendons are not released.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReleaseRefusal {
    /// The joint is not driven.
    NotDriven,
    /// Whether the beam alone carries the head is not known.
    NotKnown,
    /// It does not carry it.
    NotCarried,
    /// The base is tilted too far for it, or its tilt is not known now.
    Tilted,
    /// A motor's travel ends before its tendon is slack.
    Travel,
    /// An encoder is silent.
    MotorStale,
}

/// What the law knows of releasing tension.
#[derive(Clone, Debug, Default)]
pub(super) struct ReleaseLaw {
    /// What the beam alone does.
    pub self_support: SelfSupport,
    /// Motor angles at which no tendon pulls, rad; none where the travel ends before.
    angles: Option<Vec<f64>>,
}

impl ReleaseLaw {
    /// Where `self_support` says that the beam carries the head, finds where the motors have to stand. Allocates.
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

    /// The beam carries the head, and the travel lets every tendon go slack.
    pub(super) fn carries(&self) -> bool {
        self.angles.is_some()
    }
}

/// Which way it goes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Phase {
    /// The loop is as it always is.
    #[default]
    Up,
    Releasing,
    Released,
    Retensioning,
}

/// A way of all motors from where they are to where they are to rest.
#[derive(Clone, Debug)]
struct Path {
    from: Vec<f64>,
    to: Vec<f64>,
    /// Speeds at the start, rad/s, and the time in which they are braked, s.
    speeds: Vec<f64>,
    braking: f64,
    /// s
    duration: f64,
    /// Time on the path, s: it stands still while the encoders are silent.
    at: f64,
}

impl Path {
    /// From `from` at rest to `to`; where `speeds` say so, from that motion.
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
            // Braked at a constant deceleration, it comes this much further.
            self.from[i] += 0.5 * self.speeds[i] * self.braking;
            let way = (self.to[i] - self.from[i]).abs();
            let by_speed = 1.875 * way / (SHARE * limit.speed);
            let by_acceleration = (5.774 * way / (SHARE * limit.acceleration)).sqrt();
            self.duration = self.duration.max(by_speed).max(by_acceleration);
        }
    }

    /// Place (rad) and speed (rad/s) of motor `i`.
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

    /// It has been gone along.
    fn over(&self) -> bool {
        self.at >= self.duration
    }
}

/// What the loop remembers of it.
#[derive(Clone, Debug)]
pub(super) struct ReleaseState {
    phase: Phase,
    path: Path,
    /// Requests to release tension that have been answered, and what was said to the last.
    seen: u64,
    refused: Option<ReleaseRefusal>,
    /// Setpoints of the tick before.
    before: Vec<f64>,
    /// Where the motors should be by their lag, rad.
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

    /// Setpoints of another kind begin anew: the motors tell where they are.
    pub(super) fn forget(&mut self) {
        self.phase = Phase::Up;
    }

    /// The request to release tension that was answered last, and why it was refused, if it was.
    pub(super) fn answer(&self) -> (u64, Option<ReleaseRefusal>) {
        (self.seen, self.refused)
    }
}

/// Why the tendons may not be released now; nothing where they may.
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
        // Upright and hanging no base is tilted less or more.
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

/// The mode of this tick, which would be `otherwise` if no tendon were released or retensioned. `wanted`: a rule asks
/// for releasing tension. Answers new requests in `input.release_tension`; one that is refused holds the joint.
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
        let refused = match going {
            true => None,
            false => refusal(joint, law, state, input, now),
        };
        state.release.refused = refused;
        if refused.is_some() {
            super::stop_reference(state, input);
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
    // Only what is new moves a joint that is down; a request to hold also ends releasing tension.
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
    state.release.before.copy_from_slice(match begins {
        true => state.estimator.angles(),
        false => &state.sent,
    });
    let fresh = state.estimator.motors_complete(joint, law, input, now);
    match (state.release.phase, otherwise) {
        (Phase::Up, otherwise) => otherwise,
        (Phase::Released, _) => Mode::Released,
        (Phase::Retensioning, Mode::Faulted) => {
            pause(law, state);
            Mode::Faulted
        }
        // Blind it goes no further; it goes on from rest.
        (Phase::Releasing | Phase::Retensioning, _) if !fresh => {
            pause(law, state);
            Mode::Holding
        }
        (Phase::Releasing, _) => Mode::Releasing,
        (Phase::Retensioning, _) => Mode::Retensioning,
    }
}

/// Whether the motors stand as they do with tendons released: one pulls not at all, and none as it does at pretension.
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

/// Begins to release tension from where the setpoints are.
fn release_tension(joint: &Joint, law: &Law, state: &mut State, input: &Input) {
    let Some(angles) = &law.release.angles else {
        return;
    };
    state.release.path.to.copy_from_slice(angles);
    set_out(joint, law, state, Phase::Releasing);
    (state.started, state.resuming) = (false, false);
    super::stop_reference(state, input);
}

/// Begins to retension to the bend that there is.
fn retension(joint: &Joint, law: &Law, state: &mut State, input: &Input) {
    // After an outage a command from before is old; one that comes on the way up is done after it.
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

/// Begins a path to where `state.release.path.to` says, from where the motors are sent to and as fast as they are.
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

/// The path goes on later, from where it is, at rest.
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

/// One tick of it: fills `state.sent`, and how far the motors are from where their lag has them.
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
                // What was asked meanwhile is not done now.
                state.end_command(input);
            }
            Phase::Retensioning => release.phase = Phase::Up,
            Phase::Up | Phase::Released => {}
        }
    }
}

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

use super::drives::Drives;
use super::estimate::Estimator;
use super::state::{Common, Hold};
use super::transition::Phase;
use super::{Input, Joint, Law, State};
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

/// Path of all motors from their present angles to rest at the final ones.
#[derive(Clone, Debug, Default)]
pub(super) struct Path {
    from: Vec<f64>,
    to: Vec<f64>,
    /// Speeds at the start, rad/s, and the time in which they are braked, s.
    speeds: Vec<f64>,
    braking: f64,
    /// Duration, s.
    duration: f64,
    /// Time on the path, s; stopped while the encoders are silent.
    at: f64,
    /// Expected motor angles by their lag, rad.
    expected: Vec<f64>,
}

impl Path {
    pub(super) fn new(motors: usize) -> Self {
        let zero = vec![0.0; motors];
        Self {
            from: zero.clone(),
            to: zero.clone(),
            speeds: zero.clone(),
            braking: 0.0,
            duration: SHORTEST,
            at: 0.0,
            expected: zero,
        }
    }

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

/// Requests to release tension.
#[derive(Clone, Debug, Default)]
pub(super) struct Requests {
    /// Number of the last request that was answered, and its refusal, if any.
    seen: u64,
    refused: Option<ReleaseRefusal>,
}

impl Requests {
    /// Returns the number of the last answered request and the reason of its refusal, if any.
    pub(super) fn answer(&self) -> (u64, Option<ReleaseRefusal>) {
        (self.seen, self.refused)
    }
}

/// Memory of tendons that are released, or on the way there or back.
#[derive(Clone, Debug)]
pub(super) struct Release {
    /// The loop is open: it restarts after the retensioning.
    pub hold: Hold,
    pub path: Path,
}

/// Returns the reason why the tendons must not be released now, or `None`.
fn refusal(
    joint: &Joint,
    law: &Law,
    phase: Phase,
    common: &Common,
    input: &Input,
    now: f64,
) -> Option<ReleaseRefusal> {
    if input.inactive || phase.is_idle() {
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
    if !common.estimator.motors_complete(joint, law, input, now) {
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

/// Answers a new request in `input.release_tension`. Returns true if the tendons are to be released
/// from this tick on. A refused request stops the reference. `demanded`: a rule demands release.
pub(super) fn granted(
    joint: &Joint,
    law: &Law,
    state: &mut State,
    input: &Input,
    demanded: bool,
    now: f64,
) -> bool {
    let phase = state.phase();
    let going = phase.is_release() && !phase.is_retensioning();
    let common = &mut state.common;
    let seen = std::mem::replace(&mut common.requests.seen, input.release_tension);
    let asked = seen != input.release_tension;
    if going {
        common.requests.refused = common.requests.refused.filter(|_| !asked);
        return false;
    }
    if !(asked || demanded) {
        return false;
    }
    let refused = refusal(joint, law, phase, common, input, now);
    common.requests.refused = refused;
    if asked && refused.is_some() {
        state.stop_reference(law, input);
    }
    refused.is_none()
}

/// Returns true if the motors' angles are those of released tendons: at least one is slack, and
/// none has its full tension.
pub(super) fn found_released(joint: &Joint, estimator: &Estimator) -> bool {
    let kinematics = &joint.kinematics;
    let estimate = estimator.estimate();
    if estimate.slack == 0 {
        return false;
    }
    let mut at = [0.0; MAX_TENDONS];
    let at = &mut at[..joint.motors()];
    kinematics.motor_angles(estimate.motors_bend, at);
    let angles = estimator.angles();
    (0..joint.motors()).all(|i| {
        let tension = kinematics.tension(i, angles[i], at[i]);
        tension < SLACK_SHARE * kinematics.balanced_tensions()[i]
    })
}

impl Release {
    pub(super) fn new(hold: Hold, path: Path) -> Self {
        Self { hold, path }
    }

    /// Plans the path of phase `to` from the present setpoints and speeds: to the angles of
    /// released tendons, or to those of the present bend at pretension.
    pub(super) fn set_out(&mut self, to: Phase, joint: &Joint, law: &Law, common: &Common) {
        let (path, drives) = (&mut self.path, &common.drives);
        let angles = common.estimator.angles();
        if to.is_retensioning() {
            let bend = common.estimator.estimate().bend;
            joint.kinematics.motor_angles(bend, &mut path.to);
            for (to, limit) in path.to.iter_mut().zip(&law.limits.motors) {
                *to = to.clamp(limit.low, limit.high);
            }
        } else if let Some(released) = &law.release.angles {
            path.to.copy_from_slice(released);
        }
        match law.kind {
            CommandInterface::Position => {
                for i in 0..joint.motors() {
                    path.from[i] = drives.sent[i];
                    path.speeds[i] = (drives.sent[i] - drives.before[i]) / joint.period;
                }
            }
            CommandInterface::Velocity => {
                path.from.copy_from_slice(angles);
                path.speeds.copy_from_slice(&drives.sent);
            }
        }
        path.expected.copy_from_slice(angles);
        path.begin(&law.limits.motors);
    }

    /// Stops the path where it is; it goes on later, from rest.
    pub(super) fn pause(&mut self, law: &Law, drives: &Drives) {
        let path = &mut self.path;
        for i in 0..path.from.len() {
            path.from[i] = match law.kind {
                CommandInterface::Position => drives.sent[i],
                CommandInterface::Velocity => path.motor(i).0,
            };
        }
        path.speeds.fill(0.0);
        path.begin(&law.limits.motors);
    }

    /// Runs one tick of it: fills setpoints and the motors' deviations from their expected angles.
    /// `moving`: the path goes on. Returns true if the motors are at its end.
    pub(super) fn step(
        &mut self,
        joint: &Joint,
        law: &Law,
        estimator: &Estimator,
        drives: &mut Drives,
        moving: bool,
    ) -> bool {
        let dt = joint.period;
        let path = &mut self.path;
        if moving {
            path.at += dt;
        }
        let weight = dt / (joint.motor_time_constant + dt);
        let angles = estimator.angles();
        let mut arrived = true;
        for i in 0..joint.motors() {
            let limit = &law.limits.motors[i];
            let (place, speed) = path.motor(i);
            drives.sent[i] = match law.kind {
                CommandInterface::Position => place.clamp(limit.low, limit.high),
                CommandInterface::Velocity if !moving => 0.0,
                CommandInterface::Velocity => {
                    let slowest = ((limit.low - angles[i]) / LOOK_AHEAD).clamp(-limit.speed, 0.0);
                    let fastest = ((limit.high - angles[i]) / LOOK_AHEAD).clamp(0.0, limit.speed);
                    let change = limit.acceleration * dt;
                    let asked = speed + law.tension_gain * (place - angles[i]);
                    let asked = asked.clamp(drives.sent[i] - change, drives.sent[i] + change);
                    asked.clamp(slowest, fastest)
                }
            };
            path.expected[i] += weight * (place - path.expected[i]);
            drives.departures[i] = angles[i] - path.expected[i];
            drives.expected[i] = path.expected[i];
            arrived &= (angles[i] - path.to[i]).abs() <= joint.following_error_limit;
        }
        path.over() && (arrived || path.at >= path.duration + SETTLING)
    }
}

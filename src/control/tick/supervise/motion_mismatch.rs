//! Detection of a head that moves otherwise than its motors: the wrong way, along another axis, too
//! far, or not at all.
//!
//! The motion of the head (IMU) is compared with that of the motors (encoders, through the
//! kinematics), both without their slow part, so that sag, zeros and a base that stands askew do
//! not count. Their difference `d` is regressed on the motors' motion `m` over the last seconds, `d
//! = D m`. A wrong build is such a linear map: its difference comes in step with the motors. A
//! push, a payload or a base that leans moves the head without the motors. The regression does not
//! explain this, which lowers the confidence. Source: linear least squares, and its coefficient of
//! determination.

use crate::control::geometry::Bend;
use nalgebra::Matrix2;

/// Time constant with which slow motion is removed, s.
const WASHOUT: f64 = 1.0;
/// Time constant with which past motion is forgotten, s.
const MEMORY: f64 = 3.0;
/// Time constant with which a light head follows its motors, s.
const HEAD_LAG: f64 = 0.02;
/// Longest further delay of a heavy head, s.
const LONGEST_DELAY: f64 = 0.06;
/// Interval at which delays are tried, s, and their number: an IMU's latency comes on top.
const INTERVAL: f64 = 0.005;
const DELAYS: usize = 32;
/// Motion that is added to the real one, rad^2 s: small motions prove nothing.
const RIDGE: f64 = 2e-5;
/// Difference below which nothing is suspected, rad (1.1 deg): noise, friction and play.
const LEAST: f64 = 0.02;
/// Greatest share of a mistake. Reversed motors differ by twice the motion. What differs by more is
/// not moved by the motors.
const GREATEST: f64 = 2.4;
/// Part of the motors' motion that has to be commanded. Against a push they move by themselves.
const COMMANDED: f64 = 0.25;
/// Part of the difference that the map may leave unexplained when the fault is confirmed. A base
/// that leans goes on when the motors stop.
const UNEXPLAINED: f64 = 0.2;
/// Time constant of the difference in that comparison, s: against oscillation of a wrong joint.
const FILTER: f64 = 0.1;
/// Share of the limit below which a suspicion ends.
const CALM: f64 = 0.6;
/// Time taken back per time without contradiction.
const FORGETS: f64 = 0.5;
/// Motion of the reference within which it counts as at rest, rad, and the time until the head is
/// at rest as well, s.
const REST_BAND: f64 = 0.003;
const REST: f64 = 0.3;
/// Motions at rest that the motors' reactions explain, as a multiple of these.
const REACTION: f64 = 3.0;
/// Time constant with which motions at rest are forgotten, s: several periods of a robot that sways.
const RESTLESS_MEMORY: f64 = 30.0;

/// Bends at one tick, rad.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Bends {
    /// By the head's IMU.
    pub imu: Bend,
    /// By the encoders.
    pub motors: Bend,
    /// Of the reference.
    pub reference: Bend,
    /// Age of the IMU's sample less that of the encoders', s.
    pub latency: f64,
}

/// Limits of the comparison.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bounds {
    /// Greatest share of the motion that may differ.
    pub limit: f64,
    /// Time for which it has to, s.
    pub after: f64,
    /// Difference between the bends that the joint's file permits beyond the usual one, rad.
    pub permitted: f64,
}

/// Motion of the head while its motors rest, as on a base that sways.
#[derive(Clone, Copy, Debug, Default)]
struct Restlessness {
    reference: Bend,
    since: f64,
    from: Bends,
    /// Greatest motion since: of the difference and of the motors, rad.
    extent: [f64; 2],
    /// Greatest unexplained motion that is remembered, rad.
    value: f64,
}

impl Restlessness {
    fn step(&mut self, bends: &Bends, dt: f64) {
        self.value -= self.value * dt / (RESTLESS_MEMORY + dt);
        if (bends.reference - self.reference).norm() > REST_BAND {
            (self.reference, self.since) = (bends.reference, 0.0);
        }
        self.since += dt;
        if self.since <= REST {
            (self.from, self.extent) = (*bends, [0.0; 2]);
            return;
        }
        let moved = bends.motors - self.from.motors;
        let differs = bends.imu - self.from.imu - moved;
        for (extent, size) in self.extent.iter_mut().zip([differs.norm(), moved.norm()]) {
            *extent = extent.max(size);
        }
        self.value = self.value.max(self.extent[0] - REACTION * self.extent[1]);
    }
}

/// Sums of the regression, each with weights that decay with [`MEMORY`], rad^2 s.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    motors: Matrix2<f64>,
    cross: Matrix2<f64>,
    difference: f64,
    reference: f64,
    /// Sum of the weights, s.
    weight: f64,
}

impl Sums {
    fn add(&mut self, difference: Bend, motors: Bend, reference: Bend, dt: f64) {
        let keep = MEMORY / (MEMORY + dt);
        self.motors = self.motors * keep + motors * motors.transpose() * dt;
        self.cross = self.cross * keep + difference * motors.transpose() * dt;
        self.difference = self.difference * keep + difference.norm_squared() * dt;
        self.reference = self.reference * keep + reference.norm_squared() * dt;
        self.weight = self.weight * keep + dt;
    }

    /// Returns the map from the motors' motion to the difference.
    fn map(&self) -> Matrix2<f64> {
        let normal = self.motors + Matrix2::identity() * RIDGE;
        // The ridge makes it positive definite.
        self.cross * normal.try_inverse().unwrap_or_else(Matrix2::zeros)
    }

    /// Returns the share of the motion by which the head differs, times the confidence that the
    /// motors cause it. `restless`: motion of the head without the motors, rad.
    fn share(&self, map: &Matrix2<f64>, restless: f64) -> f64 {
        let motion = self.motors.trace();
        let explained = (map * self.motors * map.transpose()).trace();
        let share = (explained / (motion + RIDGE)).sqrt();
        if !(share <= GREATEST && self.difference > 0.0) {
            return 0.0;
        }
        let left = self.difference - 2.0 * (map * self.cross.transpose()).trace() + explained;
        let left = left + restless * restless * self.weight;
        let confidence = (1.0 - left / self.difference).max(0.0);
        let commanded = (self.reference / (COMMANDED * motion + f64::EPSILON)).min(1.0);
        share * confidence * confidence * commanded
    }
}

/// Memory of the comparison.
#[derive(Clone, Debug, Default)]
pub(super) struct MotionDetector {
    /// Slow parts of the bends, rad; `None` before the first sample.
    slow: Option<Bends>,
    /// Motion of the motors as a light head follows it, now and before, rad.
    followed: Bend,
    past: [Bend; DELAYS],
    next: usize,
    since_past: f64,
    /// Motion of the reference with the same lag, rad.
    reference: Bend,
    sums: Sums,
    restless: Restlessness,
    /// Filtered difference and motion of the motors, rad.
    difference: Bend,
    motors: Bend,
    value: f64,
    suspects: bool,
    /// Time of contradiction, less the time taken back, s.
    time: f64,
}

impl MotionDetector {
    /// Takes the bends of a tick of `dt` s. Returns true once the head has moved otherwise for as
    /// long as `bounds` say. Work: constant.
    pub(super) fn step(&mut self, bends: &Bends, bounds: &Bounds, dt: f64) -> bool {
        let slow = self.slow.get_or_insert(*bends);
        let weight = dt / (WASHOUT + dt);
        slow.imu += (bends.imu - slow.imu) * weight;
        slow.motors += (bends.motors - slow.motors) * weight;
        slow.reference += (bends.reference - slow.reference) * weight;
        let (head, motors) = (bends.imu - slow.imu, bends.motors - slow.motors);
        let reference = bends.reference - slow.reference;
        let weight = dt / (HEAD_LAG + dt);
        self.followed += (motors - self.followed) * weight;
        self.reference += (reference - self.reference) * weight;
        self.remember(dt);
        let (difference, motors) = self.nearest(head, bends.latency);
        self.sums.add(difference, motors, self.reference, dt);
        self.restless.step(bends, dt);
        let map = self.sums.map();
        self.value = self.sums.share(&map, self.restless.value);
        let weight = dt / (FILTER + dt);
        self.difference += (difference - self.difference) * weight;
        self.motors += (motors - self.motors) * weight;
        if !(self.value.is_finite() && self.difference.norm().is_finite()) {
            self.forget();
            return false;
        }
        let size = self.difference.norm();
        let limit = bounds.limit * if self.suspects { CALM } else { 1.0 };
        self.suspects = self.value > limit && size > LEAST + bounds.permitted;
        let explained = (self.difference - map * self.motors).norm() <= UNEXPLAINED * size;
        self.time = if self.suspects && self.value > bounds.limit && explained {
            // The cap keeps a long contradiction from taking longer to be forgotten.
            (self.time + dt).min(bounds.after + dt)
        } else {
            (self.time - FORGETS * dt).max(0.0)
        };
        self.time > 0.0 && self.time + 0.5 * dt >= bounds.after
    }

    /// Keeps the motors' motion of the last moments.
    fn remember(&mut self, dt: f64) {
        self.since_past += dt;
        // A long tick fills several places.
        while self.since_past >= INTERVAL - 1e-9 {
            self.since_past -= INTERVAL;
            self.next = (self.next + 1) % DELAYS;
            self.past[self.next] = self.followed;
            if self.since_past > INTERVAL * DELAYS as f64 {
                self.since_past = 0.0;
            }
        }
    }

    /// Returns the difference of the head's motion from that of the motors, at the delay at which
    /// they differ least, and the latter.
    fn nearest(&self, head: Bend, latency: f64) -> (Bend, Bend) {
        let last = DELAYS - 1;
        let places = |delay: f64| ((delay / INTERVAL) as usize).min(last);
        let (first, end) = (
            places(latency.max(0.0)),
            places(latency.max(0.0) + LONGEST_DELAY + INTERVAL),
        );
        let at = |delay: usize| self.past[(self.next + DELAYS - delay) % DELAYS];
        let mut nearest = (head - at(first), at(first));
        for motors in (first..=end).map(at) {
            let difference = head - motors;
            if difference.norm_squared() < nearest.0.norm_squared() {
                nearest = (difference, motors);
            }
        }
        nearest
    }

    /// Returns the share of the motion by which the head differs.
    pub(super) fn value(&self) -> f64 {
        self.value
    }

    /// Returns true while the two contradict each other.
    pub(super) fn suspects(&self) -> bool {
        self.suspects
    }

    /// Returns the map from the motors' motion to the head's, and the motions it rests on, rad^2 s.
    pub(super) fn observed(&self) -> (Matrix2<f64>, Matrix2<f64>) {
        (self.sums.map() + Matrix2::identity(), self.sums.motors)
    }

    /// Starts anew, as after a pause of the samples. The restlessness of the base is kept.
    pub(super) fn forget(&mut self) {
        let restless = Restlessness {
            value: self.restless.value,
            ..Restlessness::default()
        };
        *self = Self {
            restless,
            ..Self::default()
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DT: f64 = 0.005;
    const BOUNDS: Bounds = Bounds {
        limit: 0.3,
        after: 0.3,
        permitted: 0.0,
    };

    /// Returns the motors' motion, rad: rest, and a move by `size` in 0.4 s from 1 s on.
    fn moved(size: f64, t: f64) -> Bend {
        let part = ((t - 1.0) / 0.4).clamp(0.0, 1.0);
        Bend::new(size, 0.0) * (part * part * (3.0 - 2.0 * part))
    }

    /// Moves the motors by `size` rad, and the head as `head` says of their motion 30 ms before and
    /// of the time. Returns the motors' motion at the first suspicion, and the time from there to
    /// the fault, s.
    fn run(size: f64, head: impl Fn(Bend, f64) -> Bend) -> (Option<f64>, Option<f64>) {
        let mut detector = MotionDetector::default();
        let (mut suspected, mut fault) = (None, None);
        for t in (0..1000).map(|tick| f64::from(tick) * DT) {
            let bends = Bends {
                imu: head(moved(size, t - 0.03), t) + Bend::new(0.1, -0.05),
                motors: moved(size, t),
                reference: moved(size, t),
                latency: 0.005,
            };
            let broken = detector.step(&bends, &BOUNDS, DT);
            if detector.suspects() {
                suspected = suspected.or(Some((moved(size, t).norm(), t)));
            }
            fault = fault.or(broken.then_some(t));
        }
        let late = suspected.zip(fault).map(|((_, from), at)| at - from);
        (suspected.map(|(way, _)| way), late)
    }

    #[test]
    fn heads_that_follow_are_believed() {
        for size in [0.01, 0.05, 0.7] {
            for gain in [1.0, 1.15, 0.85] {
                assert_eq!(run(size, |b, _| b * gain), (None, None), "{size} {gain}");
            }
        }
    }

    #[test]
    fn other_ways_other_sizes_and_no_motion_are_found_within_degrees() {
        let turned = |b: Bend, _| Bend::new(-b.y, b.x);
        for (name, found, head) in [
            ("reversed", 0.07, (|b, _| -b) as fn(Bend, f64) -> Bend),
            ("turned", 0.07, turned),
            ("twice", 0.07, |b, _| b * 2.0),
            ("none", 0.1, |_, _| Bend::zeros()),
            ("half", 0.2, |b, _| b * 0.5),
        ] {
            let (suspected, late) = run(0.3, head);
            println!("{name}: {suspected:?}, then {late:?} s");
            assert!(
                suspected.is_some_and(|s| s <= found),
                "{name} {suspected:?}"
            );
            assert!(late.is_some_and(|late| late <= 0.5), "{name} {late:?}");
        }
    }

    #[test]
    fn what_moves_the_head_without_the_motors_is_another_matter() {
        // A push of 0.15 s in mid-motion, with the oscillation after it.
        let push = |b: Bend, t: f64| {
            let since = (t - 1.2).max(0.0);
            b + Bend::new(0.1, 0.2) * (16.0 * since).sin() * (-6.0 * since).exp()
        };
        assert_eq!(run(0.3, push).1, None);
        // A base that has been swaying all the time.
        let sway = |b: Bend, t: f64| b + Bend::new(0.2, 0.1) * (3.0 * t).sin();
        assert_eq!(run(0.3, sway).1, None);
        // The same while nothing is commanded.
        assert_eq!(run(0.0, push), (None, None));
        assert_eq!(run(0.0, sway), (None, None));
    }

    #[test]
    fn reactions_of_the_motors_to_a_push_at_rest_are_not_compared() {
        let mut detector = MotionDetector::default();
        for tick in 0..400 {
            let pushed = (200..300).contains(&tick);
            let bends = Bends {
                imu: Bend::new(if pushed { 0.06 } else { 0.0 }, 0.0),
                motors: Bend::new(if pushed { -0.05 } else { 0.0 }, 0.0),
                ..Bends::default()
            };
            assert!(!detector.step(&bends, &BOUNDS, DT));
            assert!(!detector.suspects());
        }
    }

    #[test]
    fn a_value_that_is_no_number_is_forgotten() {
        let mut detector = MotionDetector::default();
        let spoilt = Bends {
            imu: Bend::new(f64::NAN, 0.0),
            ..Bends::default()
        };
        assert!(!detector.step(&spoilt, &BOUNDS, DT));
        assert!(!detector.step(&Bends::default(), &BOUNDS, DT));
        assert_eq!(detector.value(), 0.0);
    }
}

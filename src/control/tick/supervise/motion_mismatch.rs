//! Detection of a head that does not move as its motors do: the wrong way, too far or not at all.
//!
//! The bend by encoders, delayed as the head lags behind its motors, is compared with the bend by
//! IMU. Both count from where they last rested, so that sag, errors of zeros and a hand that leans
//! on the head do not matter. What the head may differ by grows with the motion.

use super::sensor_mismatch::MismatchDetector;
use crate::control::geometry::Bend;

/// Time constant with which the head follows its motors, s: that of a light head.
const HEAD_LAG: f64 = 0.02;
/// Longest further delay of a head, s, and the interval at which it is tried, s.
const LONGEST_DELAY: f64 = 0.05;
const INTERVAL: f64 = 0.005;
const DELAYS: usize = (LONGEST_DELAY / INTERVAL) as usize + 1;
/// Motion that is added to the real one before the share is taken, rad (3 deg): a share of a small
/// motion is below noise, friction and play.
const FLOOR: f64 = 0.0524;
/// Time constant with which past motion is forgotten, s.
const FORGETS: f64 = 1.0;
/// Motors count as at rest where their bend stayed within this for [`REST`] s, rad (0.1 deg).
const REST_BAND: f64 = 0.0017;
const REST: f64 = 0.5;
/// Time constant of the head's bend at rest, s.
const REST_FILTER: f64 = 0.05;
/// Motion of the reference from where it rested below which nothing is compared, rad (0.6 deg):
/// against a push at rest the motors move without command, and rightly the other way.
const COMMANDED: f64 = 0.01;

/// Bends at one tick, rad.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Bends {
    /// By the head's IMU.
    pub imu: Bend,
    /// By the encoders.
    pub motors: Bend,
    /// Of the reference.
    pub reference: Bend,
}

/// Memory of the comparison.
#[derive(Clone, Debug, Default)]
pub(super) struct MotionDetector {
    /// Bends where the motors last rested; `motors` delayed. None before the first sample.
    rested: Option<Bends>,
    /// The encoders' bend as the head follows it, rad, and that of the last moments.
    followed: Bend,
    past: [Bend; DELAYS],
    next: usize,
    since_past: f64,
    /// Greatest recent motion of the motors' bend, rad.
    greatest: f64,
    /// Where the motors may be at rest, rad, and for how long, s.
    rest_at: Bend,
    rest_for: f64,
    rests: bool,
    /// Filtered bend by IMU, rad.
    head: Bend,
    value: f64,
    time: MismatchDetector,
}

impl MotionDetector {
    /// Takes the bends of a tick of `dt` s. Returns true once the share of the motion by which they
    /// differ has been above `limit` for `after` s. Work: constant.
    pub(super) fn step(&mut self, bends: &Bends, limit: f64, after: f64, dt: f64) -> bool {
        self.rests = self.rested.is_none();
        let rested = match self.rested {
            Some(rested) => rested,
            None => self.begin(bends),
        };
        self.followed += (bends.motors - self.followed) * (dt / (HEAD_LAG + dt));
        self.head += (bends.imu - self.head) * (dt / (REST_FILTER + dt));
        self.since_past += dt;
        if self.since_past >= INTERVAL - 1e-9 {
            self.since_past = 0.0;
            self.past[self.next] = self.followed;
            self.next = (self.next + 1) % DELAYS;
        }
        let moved = (self.followed - rested.motors).norm();
        self.greatest = moved.max(self.greatest * (1.0 - dt / FORGETS));
        let head = bends.imu - rested.imu;
        let apart = (self.past.iter().chain([&self.followed]))
            .map(|motors| (head - (motors - rested.motors)).norm())
            .fold(f64::INFINITY, f64::min);
        let commanded = (bends.reference - rested.reference).norm() >= COMMANDED;
        self.value = if commanded {
            apart / (self.greatest + FLOOR)
        } else {
            0.0
        };
        self.look_for_rest(bends, dt);
        self.time.step(self.value, limit, after, dt)
    }

    fn begin(&mut self, bends: &Bends) -> Bends {
        (self.followed, self.head, self.rest_at) = (bends.motors, bends.imu, bends.motors);
        self.past.fill(bends.motors);
        (self.greatest, self.rest_for) = (0.0, 0.0);
        *self.rested.insert(*bends)
    }

    /// Takes new bends of rest where the motors rest.
    fn look_for_rest(&mut self, bends: &Bends, dt: f64) {
        if (bends.motors - self.rest_at).norm() > REST_BAND {
            (self.rest_at, self.rest_for) = (bends.motors, 0.0);
            return;
        }
        self.rest_for += dt;
        // A head that contradicts its motors is no place to count from.
        if self.rest_for >= REST && !self.suspects() {
            self.rested = Some(Bends {
                imu: self.head,
                motors: self.followed,
                reference: bends.reference,
            });
            self.greatest = 0.0;
            self.rests = true;
        }
    }

    /// Returns the difference as a share of the motion.
    pub(super) fn value(&self) -> f64 {
        self.value
    }

    /// Returns true while the two contradict each other.
    pub(super) fn suspects(&self) -> bool {
        self.time.any()
    }

    /// Returns the motion of the head from where it last rested, rad.
    pub(super) fn head_motion(&self) -> Bend {
        self.rested
            .map_or(Bend::zeros(), |rested| self.head - rested.imu)
    }

    /// Returns true if motions count from the last tick's bends.
    pub(super) fn rests(&self) -> bool {
        self.rests
    }

    /// Starts anew, as after a pause of the samples.
    pub(super) fn forget(&mut self) {
        *self = Self::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DT: f64 = 0.005;
    const LIMIT: f64 = 0.25;
    const AFTER: f64 = 0.1;

    /// Moves the motors by `size` rad in 0.4 s; the head by `head` of that, 20 ms later. Returns
    /// the motion at the first suspicion and at the fault, rad.
    fn run(size: f64, head: impl Fn(Bend) -> Bend) -> (Option<f64>, Option<f64>) {
        let mut detector = MotionDetector::default();
        let at = |t: f64| Bend::new(size, 0.0) * (t / 0.4).clamp(0.0, 1.0);
        let (mut suspected, mut fault) = (None, None);
        for tick in 0..400 {
            let t = f64::from(tick) * DT - 0.6;
            let bends = Bends {
                imu: head(at(t - 0.03)) + Bend::new(0.1, -0.05),
                motors: at(t),
                reference: at(t),
            };
            let broken = detector.step(&bends, LIMIT, AFTER, DT);
            let moved = Some(at(t).norm());
            suspected = suspected.or(moved.filter(|_| detector.suspects()));
            fault = fault.or(moved.filter(|_| broken));
        }
        (suspected, fault)
    }

    #[test]
    fn heads_that_follow_are_believed() {
        for size in [0.01, 0.05, 0.7] {
            assert_eq!(run(size, |b| b), (None, None));
            assert_eq!(run(size, |b| b * 1.15), (None, None));
            assert_eq!(run(size, |b| b * 0.85), (None, None));
        }
    }

    #[test]
    fn other_ways_other_sizes_and_no_motion_are_found_within_degrees() {
        let turned = |b: Bend| Bend::new(-b.y, b.x);
        for (name, found, head) in [
            ("reversed", 0.02, (|b| -b) as fn(Bend) -> Bend),
            ("turned", 0.03, turned),
            ("twice", 0.06, |b| b * 2.0),
            ("none", 0.06, |_| Bend::zeros()),
            ("half", 0.2, |b| b * 0.5),
        ] {
            let (suspected, fault) = run(0.3, head);
            assert!(
                suspected.is_some_and(|s| s <= found),
                "{name} {suspected:?}"
            );
            assert!(fault.is_some(), "{name}");
        }
    }

    #[test]
    fn pushes_at_rest_are_not_compared() {
        let mut detector = MotionDetector::default();
        for tick in 0..400 {
            let pushed = (200..300).contains(&tick);
            let bends = Bends {
                imu: Bend::new(if pushed { 0.2 } else { 0.0 }, 0.0),
                motors: Bend::new(if pushed { -0.03 } else { 0.0 }, 0.0),
                reference: Bend::zeros(),
            };
            assert!(!detector.step(&bends, LIMIT, AFTER, DT));
            assert!(!detector.suspects());
        }
    }
}

//! A predicted motion, and the record of how accurate past predictions were.

use super::MEMORY;
use nalgebra::Vector3;
use std::f64::consts::PI;

/// Max prediction, s after the newest sample: the longest lag, a period of the slowest stream and
/// the latency.
const FARTHEST_AHEAD: f64 = 0.65;

/// Max displacement predicted, rad: the chord that 20 deg at 1 Hz covers in the longest lag.
const FARTHEST: f64 = 0.7;

/// Frequencies below this, rad/s, count as none; it keeps divisions regular.
pub(super) const SLOW: f64 = 1e-3;

/// Time after which a motion is compared with the target, s: within the range of lags of joints.
const TRIAL: f64 = 0.3;

/// Max number of motions waiting for comparison.
const TRIED: usize = 8;

/// Time constant of the record of reversals, s: two periods at 1 Hz.
const TURN_MEMORY: f64 = 2.0;

/// Motion of a target, evaluated by the control tick between two samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Motion {
    /// Newest sample, rad.
    pub newest: Vector3<f64>,
    /// Stamp of the newest sample, s.
    pub stamp: f64,
    /// Time at which prediction ends if no sample follows, s.
    pub until: f64,
    /// Velocity and acceleration at the newest sample, rad/s and rad/s^2.
    pub(super) velocity: Vector3<f64>,
    pub(super) acceleration: Vector3<f64>,
    /// Frequency of the oscillation, rad/s.
    pub(super) frequency: f64,
    /// True if the target reverses within the newest samples.
    pub(super) turned: bool,
    /// Weights of a reversal and of the displacement, 0 to 1.
    pub(super) back: f64,
    pub(super) weight: f64,
}

impl Motion {
    /// Returns the motion of a target that stays at its newest sample.
    pub(super) fn still(newest: Vector3<f64>, stamp: f64, until: f64) -> Self {
        Self {
            newest,
            stamp,
            until,
            velocity: Vector3::zeros(),
            acceleration: Vector3::zeros(),
            frequency: SLOW,
            turned: false,
            back: 0.0,
            weight: 0.0,
        }
    }

    /// Returns the position of the target `ahead` s after `now` (s), rad: predicted up to `until`,
    /// then the newest sample, so that the joint holds if a stream stops. Always finite; continuous
    /// in `now` up to `until` and in `ahead`.
    pub fn at(&self, now: f64, ahead: f64) -> Vector3<f64> {
        if !(now <= self.until && ahead.is_finite()) {
            return self.newest;
        }
        self.newest + self.displacement(now + ahead - self.stamp)
    }

    /// Returns the time at which the velocity has no component left along the present one, s: |v|^2
    /// cos(w s) + a.v sin(w s)/w = 0.
    fn stop(&self) -> f64 {
        let rate = self.acceleration.dot(&self.velocity);
        (self.frequency * self.velocity.norm_squared()).atan2(-rate) / self.frequency
    }

    /// Returns the displacement from the newest sample predicted for `s` s after it, rad.
    fn displacement(&self, s: f64) -> Vector3<f64> {
        if !(self.weight > 0.0) {
            return Vector3::zeros();
        }
        let s = s.clamp(0.0, FARTHEST_AHEAD);
        let stop = self.stop();
        let mut way = self.swing(s.min(stop));
        if s > stop {
            // Round a bend, or stopped: beyond it the displacement is scaled by the share of the
            // speed left there.
            let (sin, cos) = (self.frequency * stop).sin_cos();
            let then = self.velocity * cos + self.acceleration * (sin / self.frequency);
            let left = then.norm() / self.velocity.norm();
            way += (self.swing(s) - way) * left.min(1.0).max(self.back);
        }
        way *= self.weight * if self.turned { self.back } else { 1.0 };
        let size = way.norm();
        if size > FARTHEST {
            way * (FARTHEST / size)
        } else {
            way
        }
    }

    /// Returns the displacement of the oscillation within `s` s, rad.
    pub(super) fn swing(&self, s: f64) -> Vector3<f64> {
        let w = self.frequency;
        let half = (0.5 * w * s).sin() / w;
        self.velocity * ((w * s).sin() / w) + self.acceleration * (2.0 * half * half)
    }
}

/// Record of how accurate the predictions of the last second were.
#[derive(Clone, Copy)]
pub(super) struct Record {
    /// Motions waiting for comparison, oldest first.
    motions: [Motion; TRIED],
    count: usize,
    /// Squared errors with prediction and without, with exponential forgetting, rad^2.
    with: f64,
    without: f64,
    /// The same for reversals alone, with the reversal and without.
    turning: f64,
    stopping: f64,
}

impl Record {
    pub(super) fn new() -> Self {
        Self {
            motions: [Motion::still(Vector3::zeros(), 0.0, 0.0); TRIED],
            count: 0,
            with: 0.0,
            without: 0.0,
            turning: 0.0,
            stopping: 0.0,
        }
    }

    /// Compares the motions that are due with a sample.
    pub(super) fn score(&mut self, value: Vector3<f64>, stamp: f64, gap: f64) {
        let kept = (-gap / MEMORY).exp();
        self.with *= kept;
        self.without *= kept;
        let kept = (-gap / TURN_MEMORY).exp();
        self.turning *= kept;
        self.stopping *= kept;
        while self.count > 0 && stamp - self.motions[0].stamp >= TRIAL {
            let motion = self.motions[0];
            let actual = value - motion.newest;
            let later = stamp - motion.stamp;
            let error = |back| {
                let told = Motion { back, ..motion };
                (actual - told.displacement(later)).norm_squared()
            };
            self.with += error(motion.back);
            // Only within half a period: beyond it an oscillation returns to any position.
            let half_period = PI / motion.frequency;
            if (motion.turned || motion.stop() < later) && later < half_period {
                self.turning += error(1.0);
                // A stop just short of the predicted one is no reversal: the target must be behind
                // its old position or, if it had reversed already, have moved on in its new
                // direction.
                let onward = actual.dot(&motion.velocity);
                let came = if motion.turned {
                    onward > 0.0
                } else {
                    onward < 0.0
                };
                self.stopping += if came {
                    error(0.0)
                } else {
                    error(0.0).min(error(1.0))
                };
            }
            self.without += actual.norm_squared();
            self.motions.copy_within(1.., 0);
            self.count -= 1;
        }
    }

    pub(super) fn keep(&mut self, motion: Motion) {
        let due = self.count == 0
            || motion.stamp - self.motions[self.count - 1].stamp >= TRIAL / TRIED as f64;
        if due && self.count < TRIED {
            self.motions[self.count] = motion;
            self.count += 1;
        }
    }

    /// Returns the weights of a displacement and of a reversal, 0 to 1.
    pub(super) fn trust(&self) -> (f64, f64) {
        // The share of the error that prediction removed.
        let share = |with: f64, without: f64| {
            if with < without {
                1.0 - with / without
            } else {
                0.0
            }
        };
        (
            share(self.with, self.without),
            share(self.turning, self.stopping),
        )
    }
}

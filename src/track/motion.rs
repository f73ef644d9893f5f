//! A motion, and the record of how motions came true.

use super::MEMORY;
use nalgebra::Vector3;
use std::f64::consts::PI;

/// Farthest prediction, s after the newest sample: the longest lag, a period of the slowest stream and the age.
const FARTHEST_AHEAD: f64 = 0.65;

/// Largest displacement predicted, rad: the chord that 20 deg at 1 Hz takes in the longest lag.
const FARTHEST: f64 = 0.7;

/// Frequencies below this, rad/s, are as good as none; keeps divisions regular.
pub(super) const SLOW: f64 = 1e-3;

/// A motion is tried on what the target did so much later, s: a lag amid those of joints.
const TRIAL: f64 = 0.3;

/// Motions on trial at a time.
const TRIED: usize = 8;

/// How long a turn back that came true, or did not, is remembered, s: two periods at 1 Hz.
const TURN_MEMORY: f64 = 2.0;

/// A target under way: evaluated by the control tick between two samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Motion {
    /// Newest sample, rad.
    pub newest: Vector3<f64>,
    /// Its stamp, s.
    pub stamp: f64,
    /// When prediction ends for want of a sample, s.
    pub until: f64,
    /// Velocity and acceleration at the newest sample, rad/s and rad/s^2.
    pub(super) velocity: Vector3<f64>,
    pub(super) acceleration: Vector3<f64>,
    /// Frequency of the swing, rad/s.
    pub(super) frequency: f64,
    /// Whether the target turns back within the newest samples.
    pub(super) turned: bool,
    /// How far a turn back is believed, and how far the displacement is, 0 to 1.
    pub(super) back: f64,
    pub(super) weight: f64,
}

impl Motion {
    /// A target that stays at its newest sample.
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

    /// Where the target is `ahead` s after `now`, s, rad: predicted up to `until`, the newest sample after it, so
    /// that a stream that stops holds. Always finite; continuous in `now` up to `until` and in `ahead`.
    pub fn at(&self, now: f64, ahead: f64) -> Vector3<f64> {
        if !(now <= self.until && ahead.is_finite()) {
            return self.newest;
        }
        self.newest + self.displacement(now + ahead - self.stamp)
    }

    /// When nothing is left of the present direction, s: |v|^2 cos(w s) + a.v sin(w s)/w = 0.
    fn stop(&self) -> f64 {
        let rate = self.acceleration.dot(&self.velocity);
        (self.frequency * self.velocity.norm_squared()).atan2(-rate) / self.frequency
    }

    /// What is predicted to be added to the newest sample after `s` s, rad.
    fn displacement(&self, s: f64) -> Vector3<f64> {
        if !(self.weight > 0.0) {
            return Vector3::zeros();
        }
        let s = s.clamp(0.0, FARTHEST_AHEAD);
        let stop = self.stop();
        let mut way = self.swing(s.min(stop));
        if s > stop {
            // Round a bend, or stopped: it goes on as far as it is still fast then.
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

    /// Way of the swing within `s` s.
    pub(super) fn swing(&self, s: f64) -> Vector3<f64> {
        let w = self.frequency;
        let half = (0.5 * w * s).sin() / w;
        self.velocity * ((w * s).sin() / w) + self.acceleration * (2.0 * half * half)
    }
}

/// How well the predictions of the last second came true.
#[derive(Clone, Copy)]
pub(super) struct Record {
    /// Motions whose time is still to come, oldest first.
    motions: [Motion; TRIED],
    count: usize,
    /// Squares of the errors with prediction and without, forgetting, rad^2.
    with: f64,
    without: f64,
    /// The same of turns back alone, with the turn and without.
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

    /// Tries the motions of old on a sample.
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
            // Within half a period: beyond it a swing comes by again at any place.
            let half_period = PI / motion.frequency;
            if (motion.turned || motion.stop() < later) && later < half_period {
                self.turning += error(1.0);
                // A stop just short of the one predicted is no turn back: the target must be behind where it was, or
                // have gone on the way that it had turned to.
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

    /// How far to believe a displacement, and a turn back, 0 to 1.
    pub(super) fn trust(&self) -> (f64, f64) {
        // The share of the error that was taken away.
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

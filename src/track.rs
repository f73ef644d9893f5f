//! A moving target from its samples, and where it is a little later.
//!
//! A joint follows its target late by its own lag. Told where the target will be that much later, it follows on time.
//! [`Track`] takes the samples of a stream as they come, unequally spaced and noisy; [`Motion`] is what it makes of
//! them, a value that a control tick evaluates between two samples. Values are (bend x, bend y, pan), rad; stamps are
//! s on any clock, the same for all.
//!
//! # Estimate
//! The newest samples are cut into three equal parts with means `m0`, `m1`, `m2` at the mean times `t0`, `t1`, `t2`.
//! Their first difference is a velocity, their second one an acceleration. The target is taken to swing, on
//! any ellipse about any centre at one frequency `w`, which in the limits is a circle at constant speed, to and fro
//! on a line, or straight on:
//!
//! ```text
//! x'' = -w^2 (x - centre),   x(s) = x + v sin(w s)/w + x'' (1 - cos(w s))/w^2
//! ```
//!
//! `w` and the centre are the regression of acceleration on place over the last half second. On a swing the means of
//! stretches of equal length are a swing too, so that their differences give `w` exactly, whatever the length. On a
//! circle this is the coordinated turn (Li and Jilkov, Survey of maneuvering target tracking, part I, IEEE Trans.
//! Aerospace and Electronic Systems 39(4), 2003; from memory). Noise makes `w` larger and so the prediction shorter.
//!
//! Limits: a target about to stop is carried on to its stop and no further, since whether it then turns back or stays
//! cannot be told beforehand; one that speeds up, only as far as the swing is certain.
//!
//! The displacement predicted is weighted by its significance, so that a noisy target at rest is not made to
//! jitter by prediction.

use nalgebra::Vector3;
use thiserror::Error;

/// Longest gap between two samples of one stream, s: 2.5 periods of the slowest stream, 10 Hz.
pub const LONGEST_GAP: f64 = 0.25;

/// Samples after which a stream is recognised: three for a prediction, a fourth that it is tried on.
pub const RECOGNISED: usize = 4;

/// Samples kept: the longest window at 200 Hz. Of faster streams the window is shorter.
const KEPT: usize = 60;

/// Shortest window, s. It decides how soon a sudden stop is noticed.
const SHORTEST_WINDOW: f64 = 0.12;

/// Longest window, s, used where noise asks for it. At 1 Hz a circle's means then lie 1.6 % inside it.
const LONGEST_WINDOW: f64 = 0.3;

/// The window grows until the target's way in it is so many times the noise in that way.
const CLEAR: f64 = 20.0;

/// A speed of so many times its own noise is believed by half.
const HALF_BELIEVED: f64 = 3.0;

/// How far back the regression of acceleration on place looks, s: half a period at 1 Hz.
const MEMORY: f64 = 0.5;

/// Samples over which the noise is averaged.
const NOISE_COUNT: f64 = 12.0;

/// Noise before any is known, rad.
const FIRST_NOISE: f64 = 0.003;

/// Largest acceleration of a target, rad/s^2: three times that of 20 deg at 1 Hz. What needs more is a new command.
const FASTEST_CHANGE: f64 = 40.0;

/// Prediction ends so many median periods after the newest sample, within [`HOLD_OFF`].
const PERIODS: f64 = 2.5;

/// Shortest and longest time after the newest sample at which prediction ends, s.
const HOLD_OFF: (f64, f64) = (0.06, 0.4);

/// Farthest prediction, s after the newest sample: the longest lag and a period of the slowest stream.
const FARTHEST_AHEAD: f64 = 0.6;

/// Largest displacement predicted, rad: the chord that 20 deg at 1 Hz takes in the longest lag.
const FARTHEST: f64 = 0.7;

/// Turn rates and frequencies below this, rad/s, are as good as none; keeps divisions regular.
const SLOW: f64 = 1e-3;

/// Why a sample is refused. The track is as before.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum Refusal {
    /// A number that is not finite.
    #[error("the sample {value:?} at {stamp} s is not finite")]
    NotFinite {
        /// The value given, rad.
        value: [f64; 3],
        /// The stamp given, s.
        stamp: f64,
    },
    /// A stamp that is not later than the one before.
    #[error("the sample's stamp {stamp} s is not later than the newest one, {newest} s")]
    NotLater {
        /// The stamp given, s.
        stamp: f64,
        /// The newest stamp, s.
        newest: f64,
    },
}

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
    velocity: Vector3<f64>,
    acceleration: Vector3<f64>,
    /// Frequency of the swing, rad/s.
    frequency: f64,
    /// How far the displacement is believed, 0 to 1.
    weight: f64,
}

impl Motion {
    /// A target that stays at its newest sample.
    fn still(newest: Vector3<f64>, stamp: f64, until: f64) -> Self {
        Self {
            newest,
            stamp,
            until,
            velocity: Vector3::zeros(),
            acceleration: Vector3::zeros(),
            frequency: SLOW,
            weight: 0.0,
        }
    }

    /// Where the target is `ahead` s after `now`, s, rad: predicted up to `until`, the newest sample after it, so
    /// that a stream that stops holds. Always finite; continuous in `now` up to `until` and in `ahead`.
    pub fn at(&self, now: f64, ahead: f64) -> Vector3<f64> {
        if !(now <= self.until && ahead.is_finite()) {
            return self.newest;
        }
        let displacement = self.displacement(now + ahead - self.stamp) * self.weight;
        let size = displacement.norm();
        if size > FARTHEST {
            return self.newest + displacement * (FARTHEST / size);
        }
        self.newest + displacement
    }

    /// Way from the newest sample within `s` s, before weight and bound.
    fn displacement(&self, s: f64) -> Vector3<f64> {
        let w = self.frequency;
        let speed = self.velocity.norm();
        if !(speed > 0.0) {
            return Vector3::zeros();
        }
        let s = s.clamp(0.0, FARTHEST_AHEAD);
        let way = |s: f64| {
            let half = (0.5 * w * s).sin() / w;
            self.velocity * ((w * s).sin() / w) + self.acceleration * (2.0 * half * half)
        };
        // When nothing is left of the present direction: |v| cos(w s) + a.v/|v| sin(w s)/w = 0.
        let rate = self.acceleration.dot(&self.velocity) / speed;
        let stop = (w * speed).atan2(-rate) / w;
        if s <= stop {
            return way(s);
        }
        // The target has turned round by then, or stopped: it goes on as far as it is still fast.
        let (sin, cos) = (w * stop).sin_cos();
        let left = (self.velocity * cos + self.acceleration * (sin / w)).norm() / speed;
        let turned = way(stop);
        turned + (way(s) - turned) * left.min(1.0)
    }
}

/// Three means of the newest samples.
#[derive(Clone, Copy)]
struct Means {
    value: [Vector3<f64>; 3],
    time: [f64; 3],
    /// Samples in each.
    count: usize,
}

impl Means {
    /// Standard deviation of the velocity over the whole for a noise of 1.
    fn velocity_noise(&self) -> f64 {
        (2.0 / self.count as f64).sqrt() / (self.time[2] - self.time[0])
    }

    fn way(&self) -> Vector3<f64> {
        self.value[2] - self.value[0]
    }
}

/// Regression of acceleration on place, forgetting.
#[derive(Clone, Copy, Default)]
struct Swing {
    weight: f64,
    place: Vector3<f64>,
    acceleration: Vector3<f64>,
    /// Sums of the squares of both and of their product, about the means.
    place_square: f64,
    acceleration_square: f64,
    product: f64,
}

impl Swing {
    fn add(&mut self, place: Vector3<f64>, acceleration: Vector3<f64>, gap: f64) {
        let kept = (-gap / MEMORY).exp();
        let weight = self.weight * kept + gap;
        let share = gap / weight;
        let (dx, da) = (place - self.place, acceleration - self.acceleration);
        self.place_square = self.place_square * kept + gap * (1.0 - share) * dx.norm_squared();
        self.acceleration_square =
            self.acceleration_square * kept + gap * (1.0 - share) * da.norm_squared();
        self.product = self.product * kept + gap * (1.0 - share) * dx.dot(&da);
        self.place += dx * share;
        self.acceleration += da * share;
        self.weight = weight;
    }

    /// Square of the frequency, rad^2/s^2, 0 where acceleration does not point back.
    fn frequency_squared(&self) -> f64 {
        if self.place_square > 0.0 {
            (-self.product / self.place_square).max(0.0)
        } else {
            0.0
        }
    }

    /// Square of the correlation, 0 to 1.
    fn certainty(&self) -> f64 {
        let both = self.place_square * self.acceleration_square;
        if self.product < 0.0 && both > 0.0 {
            (self.product * self.product / both).min(1.0)
        } else {
            0.0
        }
    }
}

/// Memory of a stream of samples. Of fixed size; nothing is allocated.
#[derive(Clone)]
pub struct Track {
    /// Samples of the stream, oldest first.
    values: [Vector3<f64>; KEPT],
    stamps: [f64; KEPT],
    count: usize,
    swing: Swing,
    /// Variance of a sample, all axes together, rad^2. Outlives a stream: it is the source's.
    variance: f64,
    /// The latest motion, told or not, and the means that it is made of.
    motion: Option<(Motion, Means)>,
}

impl Default for Track {
    fn default() -> Self {
        Self::new()
    }
}

impl Track {
    /// Nothing known.
    pub fn new() -> Self {
        Self {
            values: [Vector3::zeros(); KEPT],
            stamps: [0.0; KEPT],
            count: 0,
            swing: Swing::default(),
            variance: FIRST_NOISE * FIRST_NOISE,
            motion: None,
        }
    }

    /// Takes a sample: `value` in rad, `stamp` in s, when the target was there.
    ///
    /// `None` while no stream is recognised: fewer than [`RECOGNISED`] samples since the start, a gap longer than
    /// [`LONGEST_GAP`], or a jump that no target makes, which is a new command.
    /// Bound on work: some 1000 multiplications.
    ///
    /// # Errors
    /// [`Refusal`] for what is not finite or not later than the newest sample; the track is as before.
    pub fn sample(&mut self, value: Vector3<f64>, stamp: f64) -> Result<Option<Motion>, Refusal> {
        if !(stamp.is_finite() && value.iter().all(|v| v.is_finite())) {
            let value = value.into();
            return Err(Refusal::NotFinite { value, stamp });
        }
        if self.count > 0 {
            let newest = self.stamps[self.count - 1];
            if !(stamp > newest) {
                return Err(Refusal::NotLater { stamp, newest });
            }
            if !self.continues(value, stamp - newest) {
                self.count = 0;
                self.motion = None;
                self.swing = Swing::default();
            }
        }
        self.keep(value, stamp);
        self.motion = self.estimate();
        let told = self.count >= RECOGNISED;
        Ok(self.motion.filter(|_| told).map(|(motion, _)| motion))
    }

    /// Whether a sample belongs to the stream; the noise learns from it.
    fn continues(&mut self, value: Vector3<f64>, gap: f64) -> bool {
        if gap > LONGEST_GAP {
            return false;
        }
        let Some((motion, means)) = &self.motion else {
            // Two samples are no line yet: judged once there are three.
            return true;
        };
        let error = (value - motion.newest - motion.displacement(gap)).norm();
        // The error holds the noise of this sample, of the newest one, and of the velocity over the gap.
        let share = 2.0 + (means.velocity_noise() * gap).powi(2);
        let bound = 0.5 * FASTEST_CHANGE * gap * gap + 6.0 * (share * self.variance).sqrt();
        let counted = error.min(bound);
        self.variance += (counted * counted / share - self.variance) / NOISE_COUNT;
        error <= bound
    }

    fn keep(&mut self, value: Vector3<f64>, stamp: f64) {
        if self.count == KEPT {
            self.values.copy_within(1.., 0);
            self.stamps.copy_within(1.., 0);
            self.count -= 1;
        }
        self.values[self.count] = value;
        self.stamps[self.count] = stamp;
        self.count += 1;
    }

    /// Median of the last gaps, s, of two samples or more.
    fn period(&self) -> f64 {
        let mut gaps = [0.0; 8];
        let stamps = &self.stamps[self.count.saturating_sub(gaps.len() + 1)..self.count];
        let used = stamps.len() - 1;
        for (gap, pair) in gaps.iter_mut().zip(stamps.windows(2)) {
            *gap = pair[1] - pair[0];
        }
        gaps[..used].sort_unstable_by(f64::total_cmp);
        gaps[used / 2]
    }

    fn means(&self, count: usize) -> Means {
        let mut means = Means {
            value: [Vector3::zeros(); 3],
            time: [0.0; 3],
            count,
        };
        let share = 1.0 / count as f64;
        let newest = self.stamps[self.count - 1];
        for part in 0..3 {
            let from = self.count - (3 - part) * count;
            for i in from..from + count {
                means.value[part] += self.values[i] * share;
                // From the newest stamp: a large stamp would cost digits.
                means.time[part] += (self.stamps[i] - newest) * share;
            }
        }
        means
    }

    fn estimate(&mut self) -> Option<(Motion, Means)> {
        if self.count < 3 {
            return None;
        }
        let period = self.period();
        let (value, stamp) = (self.values[self.count - 1], self.stamps[self.count - 1]);
        let until = stamp + (PERIODS * period).clamp(HOLD_OFF.0, HOLD_OFF.1);
        let most = self.count / 3;
        let part = |window: f64| ((window / (3.0 * period)).round() as usize).clamp(1, most);
        let noise = self.variance.sqrt();
        let mut means = self.means(part(SHORTEST_WINDOW));
        while means.count < part(LONGEST_WINDOW)
            && means.way().norm() < CLEAR * noise * (2.0 / means.count as f64).sqrt()
        {
            means = self.means(means.count + 1);
        }
        Some((self.motion_of(&means, value, stamp, until), means))
    }

    fn motion_of(&mut self, means: &Means, newest: Vector3<f64>, stamp: f64, until: f64) -> Motion {
        let still = Motion::still(newest, stamp, until);
        let [m0, m1, m2] = means.value;
        let [t0, t1, t2] = means.time;
        let (v1, v2) = ((m1 - m0) / (t1 - t0), (m2 - m1) / (t2 - t1));
        let step = 0.5 * (t2 - t0);
        let gap = stamp - self.stamps[self.count - 2];
        self.swing.add(m1, (v2 - v1) / step, gap);
        if v1.dot(&v2) <= 0.0 {
            // Noise, or the target turned back.
            return still;
        }
        // A second difference over `step` of a swing at w is that of a swing at 2 sin(w step/2)/step.
        let squared = self.swing.frequency_squared();
        let half = (0.5 * step * squared.sqrt()).min(0.9);
        let w = (2.0 * half.asin() / step).max(SLOW);
        let mut acceleration = (self.swing.acceleration - (m1 - self.swing.place) * squared)
            * if squared > 0.0 { w * w / squared } else { 1.0 };
        let velocity = means.way() / (t2 - t0) * (w * step / (w * step).sin());
        let speed = velocity.norm();
        // What speeds the target up is carried on only as far as the swing is certain.
        let forward = velocity.dot(&acceleration) / (speed * speed);
        if forward > 0.0 {
            acceleration -= velocity * (forward * (1.0 - self.swing.certainty()));
        }
        // From the middle to the newest sample.
        let (sin, cos) = (-w * t1).sin_cos();
        let doubt = HALF_BELIEVED.powi(2) * means.velocity_noise().powi(2) * self.variance;
        Motion {
            velocity: velocity * cos + acceleration * (sin / w),
            acceleration: acceleration * cos - velocity * (w * sin),
            frequency: w,
            weight: speed * speed / (speed * speed + doubt),
            ..still
        }
    }
}

//! Prediction of a moving target from its samples.
//!
//! A joint follows its target with a lag of its own. With a prediction ahead by that lag, it
//! follows on time. [`Track`] takes the samples of a stream as they arrive, unequally spaced and
//! noisy. It returns a [`Motion`], a value that a control tick evaluates between two samples.
//! Values are (bend x, bend y, pan), rad. Stamps are in s on any clock, the same for all.
//!
//! # Estimate
//! The newest samples are split into three equal parts with means `m0`, `m1`, `m2` at the mean
//! times `t0`, `t1`, `t2`. Their first difference is a velocity, their second one an acceleration.
//! The target is modelled as an oscillation on any ellipse about any centre at one frequency `w`.
//! Its limits are a circle at constant speed, an oscillation on a line, and a straight motion:
//!
//! ```text
//! x'' = -w^2 (x - centre),   x(s) = x + v sin(w s)/w + x'' (1 - cos(w s))/w^2
//! ```
//!
//! `w` and the centre come from the regression of acceleration on position over the last half
//! second. The means of parts of equal length of an oscillation are an oscillation too, so their
//! differences give `w` exactly for any length. On a circle this is the coordinated turn (Li and
//! Jilkov, Survey of maneuvering target tracking, part I, IEEE Trans. Aerospace and Electronic
//! Systems 39(4), 2003; from memory). Noise makes `w` larger and so the prediction shorter.
//!
//! # Trust
//! An overshoot does more harm than a lag, so the weight of a prediction follows from past
//! predictions:
//!
//! - Every motion of the last second is compared with the target 0.3 s later. The share of the
//!   error that prediction removed is the weight of the next one. So a single quick move is not
//!   predicted at all. A steady motion loses half of its lag 0.4 s (100 Hz) to 1.4 s (10 Hz) after
//!   its start, later in noise.
//! - A target about to stop is predicted up to its stop and no further, since a reversal cannot be
//!   predicted at first. Only if reversals have occurred as predicted in the last 2 s, they are
//!   predicted too.
//! - A target that speeds up is predicted at its present speed, except in an oscillation.
//! - A velocity near its own noise gets little weight. The deviation of the newest sample from the
//!   motion before lowers the weight at once, so that a sudden stop is noticed with the first
//!   sample after it.
//!
//! A prediction made before a sudden stop cannot be undone: there it overshoots by speed times lag.

use motion::{Record, SLOW};
use nalgebra::Vector3;
use thiserror::Error;

mod motion;

pub use motion::Motion;

/// Max gap between two samples of one stream, s: 2.5 periods of the slowest stream, 10 Hz.
pub const LONGEST_GAP: f64 = 0.25;

/// Min gap between two samples, s; a closer one is the same sample again.
pub const SHORTEST_GAP: f64 = 1e-4;

/// Max angle, rad: some thousand turns of a pan.
pub const LARGEST: f64 = 1e4;

/// Number of samples after which a stream is recognised: three for a prediction, a fourth to check
/// it.
pub const RECOGNISED: usize = 4;

/// Number of samples kept: the longest window at 200 Hz. The window is shorter for faster streams.
const KEPT: usize = 100;

/// Min window, s. It determines how soon a sudden stop is noticed.
const SHORTEST_WINDOW: f64 = 0.12;

/// Max window, s, used if noise requires it. At 1 Hz the means of a circle then lie 4.5 % inside
/// it.
const LONGEST_WINDOW: f64 = 0.5;

/// The window grows until the displacement in it is this multiple of its noise: a velocity accurate
/// to 5 %.
const CLEAR: f64 = 20.0;

/// A speed of this multiple of its own noise gets half of the weight.
const HALF_BELIEVED: f64 = 2.0;

/// Time constant of the regression and of the record of predictions, s: half a period at 1 Hz.
const MEMORY: f64 = 0.5;

/// Number of samples over which the noise is averaged: about a second at 10 Hz.
const NOISE_COUNT: f64 = 12.0;

/// Initial noise, rad: 0.6 deg, a high value, so that the first windows are long.
const FIRST_NOISE: f64 = 0.01;

/// Max acceleration of a target, rad/s^2: three times that of 20 deg at 1 Hz. A sample that needs
/// more is a new command.
const FASTEST_CHANGE: f64 = 40.0;

/// Prediction ends this number of median periods after the newest sample, within [`HOLD_OFF`].
const PERIODS: f64 = 2.5;

/// Min and max time after the newest sample at which prediction ends, s.
const HOLD_OFF: (f64, f64) = (0.06, 0.4);

/// Reason why a sample is refused. The track does not change.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum Refusal {
    /// An angle out of range.
    #[error("the sample is {value:?} rad; accepted: angles from -{LARGEST} to {LARGEST} rad")]
    Value {
        /// The value given, rad.
        value: [f64; 3],
    },
    /// A stamp not later than the newest one.
    #[error(
        "the sample's stamp is {stamp} s; accepted: one at least {SHORTEST_GAP} s later than the \
         newest, {newest} s"
    )]
    Stamp {
        /// The stamp given, s.
        stamp: f64,
        /// The newest stamp, s; minus infinity before the first sample.
        newest: f64,
    },
}

/// Means of the three parts of the newest samples.
#[derive(Clone, Copy)]
struct Means {
    value: [Vector3<f64>; 3],
    time: [f64; 3],
    /// Number of samples in each part.
    count: usize,
}

impl Means {
    /// Returns the standard deviation of the velocity over all three parts for a noise of 1.
    fn velocity_noise(&self) -> f64 {
        (2.0 / self.count as f64).sqrt() / (self.time[2] - self.time[0])
    }

    fn way(&self) -> Vector3<f64> {
        self.value[2] - self.value[0]
    }
}

/// Regression of acceleration on position with exponential forgetting.
#[derive(Clone, Copy, Default)]
struct Oscillation {
    weight: f64,
    place: Vector3<f64>,
    acceleration: Vector3<f64>,
    /// Sums of the square of the position and of its product with the acceleration, about the
    /// means.
    square: f64,
    product: f64,
}

impl Oscillation {
    fn add(&mut self, place: Vector3<f64>, acceleration: Vector3<f64>, gap: f64) {
        let kept = (-gap / MEMORY).exp();
        let weight = self.weight * kept + gap;
        let share = gap / weight;
        let (dx, da) = (place - self.place, acceleration - self.acceleration);
        self.square = self.square * kept + gap * (1.0 - share) * dx.norm_squared();
        self.product = self.product * kept + gap * (1.0 - share) * dx.dot(&da);
        self.place += dx * share;
        self.acceleration += da * share;
        self.weight = weight;
    }

    /// Returns the square of the frequency, rad^2/s^2, 0 if the acceleration does not point back.
    fn frequency_squared(&self) -> f64 {
        // Values below this are rounding: a microradian for a microsecond.
        if self.square > 1e-18 {
            (-self.product / self.square).max(0.0)
        } else {
            0.0
        }
    }
}

/// Estimator of a moving target from a stream of samples. Of fixed size; nothing is allocated.
#[derive(Clone)]
pub struct Track {
    /// Samples of the stream, oldest first.
    values: [Vector3<f64>; KEPT],
    stamps: [f64; KEPT],
    count: usize,
    swing: Oscillation,
    record: Record,
    /// Square of the deviation of the newest sample from the motion before, beyond noise, in half
    /// steps.
    surprise: f64,
    /// Variance of a sample, all axes together, rad^2. It outlives a stream, since it belongs to
    /// the source.
    variance: f64,
    /// The latest motion, returned or not, and its means.
    motion: Option<(Motion, Means)>,
}

impl Default for Track {
    fn default() -> Self {
        Self::new()
    }
}

impl Track {
    /// Returns an empty track.
    pub fn new() -> Self {
        Self {
            values: [Vector3::zeros(); KEPT],
            stamps: [0.0; KEPT],
            count: 0,
            swing: Oscillation::default(),
            record: Record::new(),
            surprise: 0.0,
            variance: FIRST_NOISE * FIRST_NOISE,
            motion: None,
        }
    }

    /// Takes a sample: the target was at `value` (rad) at `stamp` (s). Returns the motion from now
    /// on.
    ///
    /// Returns `None` while no stream is recognised: fewer than [`RECOGNISED`] samples since the
    /// start, since a gap longer than [`LONGEST_GAP`], or since a jump beyond the max acceleration,
    /// which is a new command. Bound on work: some 5000 multiplications (at 100 Hz, with the max
    /// window).
    ///
    /// # Errors
    /// [`Refusal`] for an angle beyond [`LARGEST`], a stamp not later than the newest by
    /// [`SHORTEST_GAP`], or a value that is not finite; the track does not change. After the clock
    /// was set back, a new track is needed.
    pub fn sample(&mut self, value: Vector3<f64>, stamp: f64) -> Result<Option<Motion>, Refusal> {
        if !value.iter().all(|v| v.abs() <= LARGEST) {
            return Err(Refusal::Value {
                value: value.into(),
            });
        }
        let kept = self.stamps[..self.count].last().copied();
        let newest = kept.unwrap_or(f64::NEG_INFINITY);
        if !(stamp - newest >= SHORTEST_GAP && stamp < f64::INFINITY) {
            return Err(Refusal::Stamp { stamp, newest });
        }
        if self.count > 0 && !self.continues(value, stamp - newest) {
            self.count = 0;
            self.motion = None;
            self.swing = Oscillation::default();
            self.record = Record::new();
        }
        self.keep(value, stamp);
        self.motion = self.estimate();
        if let Some((motion, _)) = &mut self.motion {
            let gap = stamp - self.stamps[self.count - 2];
            self.record.score(value, stamp, gap);
            let (trust, back) = self.record.trust();
            motion.back = back;
            self.record.keep(*motion);
            motion.weight *= trust / (1.0 + self.surprise);
        }
        let told = self.count >= RECOGNISED;
        Ok(self.motion.filter(|_| told).map(|(motion, _)| motion))
    }

    /// Returns true if a sample belongs to the stream; updates the noise.
    fn continues(&mut self, value: Vector3<f64>, gap: f64) -> bool {
        if gap > LONGEST_GAP {
            return false;
        }
        let Some((motion, means)) = &self.motion else {
            // Two samples give no velocity yet; the check begins with the third.
            return true;
        };
        let error = (value - motion.newest - motion.swing(gap)).norm();
        // The error contains the noise of this sample, of the newest one, and of the velocity over
        // the gap.
        let share = 2.0 + (means.velocity_noise() * gap).powi(2);
        let bound = 0.5 * FASTEST_CHANGE * gap * gap + 6.0 * (share * self.variance).sqrt();
        let step = motion.velocity.norm() * gap;
        let beyond = error * error - 9.0 * share * self.variance;
        self.surprise = if beyond > 0.0 && step > 0.0 {
            4.0 * beyond / (step * step)
        } else {
            0.0
        };
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

    /// Returns the median of the last gaps, s; needs two samples or more.
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
                // Relative to the newest stamp: a large stamp would cost digits.
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
        // The second difference over `step` of an oscillation at w is sin(x)^2/x^2 of its
        // acceleration, x = w step/2. Dividing by it, with w as known so far, makes windows of all
        // lengths comparable.
        let x = (0.5 * step * self.swing.frequency_squared().sqrt()).min(1.1);
        let longer = if x > 1e-6 { x / x.sin() } else { 1.0 };
        self.swing.add(m1, (v2 - v1) / step * longer.powi(2), gap);
        // A step beyond two thirds of half a period determines no frequency.
        let squared = self.swing.frequency_squared().min((2.2 / step).powi(2));
        let w = squared.sqrt().max(SLOW);
        let mut acceleration = self.swing.acceleration - (m1 - self.swing.place) * squared;
        // At t1: the nearer neighbour has more weight. The chord over two steps is shorter than the
        // path.
        let chord = (v1 * (t2 - t1) + v2 * (t1 - t0)) / (t2 - t0);
        let velocity = chord * (w * step / (w * step).sin());
        let speed = velocity.norm();
        if !(speed > 0.0) {
            return still;
        }
        // An acceleration along the velocity is kept only in an oscillation: otherwise its end is
        // unknown.
        let forward = velocity.dot(&acceleration) / (speed * speed);
        if forward > 0.0 && squared == 0.0 {
            acceleration -= velocity * forward;
        }
        // From the middle to the newest sample.
        let (sin, cos) = (-w * t1).sin_cos();
        let doubt = HALF_BELIEVED.powi(2) * means.velocity_noise().powi(2) * self.variance;
        let now = velocity * cos + acceleration * (sin / w);
        let squared = now.norm_squared().max(speed * speed);
        Motion {
            velocity: now,
            turned: v1.dot(&v2) < 0.0 || now.dot(&v2) <= 0.0,
            acceleration: acceleration * cos - velocity * (w * sin),
            frequency: w,
            weight: squared / (squared + doubt),
            ..still
        }
    }
}

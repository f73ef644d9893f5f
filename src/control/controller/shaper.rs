//! The shaper: turns a target configuration into a smooth reference within the motors' limits.
//!
//! A point moves straight to the target at no more than `speed` in bend and `pan_speed` in pan, so
//! that bend and pan arrive together. Two moving averages smooth its path. A moving average is a
//! convex combination of past values, so the reference is never faster than the point, its
//! acceleration is at most `2 speed / longer window`, and it cannot overshoot the target. A window
//! as long as an oscillation's period puts its frequency on a zero of the average. Source: Singer
//! and Seering 1990, "Preshaping command inputs to reduce system vibration", for shaping by
//! convolution; the rectangular window's zeros are elementary.
//!
//! Stopped, the reference brakes from where it is at the greatest acceleration, without the path
//! that the averages still hold.

use crate::control::geometry::{Configuration, configuration};
use nalgebra::{SVector, Vector1};

/// Max length of a moving average, s.
pub const LONGEST_WINDOW: f64 = 2.0;

/// A checked shaper design. Immutable.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShaperDesign {
    /// Max speed of the reference, rad/s of bend.
    speed: f64,
    /// Max speed of the reference, rad/s of pan; 0 without a pan motor.
    pan_speed: f64,
    /// Max acceleration of the reference, rad/s^2 of bend and of pan.
    acceleration: f64,
    pan_acceleration: f64,
    dt: f64,
    windows: [usize; 2],
}

/// Reason why a shaper was refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ShaperError {
    /// A window is out of range.
    #[error("smoothing_s holds {0}; accepted: 0 to {LONGEST_WINDOW} s")]
    Window(f64),
    /// The speed is not positive.
    #[error("the motors' limits leave a bend speed of {0} rad/s; accepted: above 0")]
    Speed(f64),
}

impl ShaperDesign {
    /// Returns a shaper for ticks of `dt` s: `speed` rad/s and `acceleration` rad/s^2 in bend,
    /// windows in s. The longer window is stretched if the acceleration limit requires it.
    ///
    /// # Errors
    /// A window or a speed out of range.
    pub fn new(
        speed: f64,
        acceleration: f64,
        smoothing: [f64; 2],
        dt: f64,
    ) -> Result<Self, ShaperError> {
        if !(speed > 0.0 && speed.is_finite()) {
            return Err(ShaperError::Speed(speed));
        }
        let [first, second] = smoothing;
        for window in smoothing {
            if !(0.0..=LONGEST_WINDOW).contains(&window) {
                return Err(ShaperError::Window(window));
            }
        }
        let speed = speed.min(0.5 * acceleration * LONGEST_WINDOW);
        // The averaged ramp changes speed by at most 2 `speed` (a full reversal) within one window.
        let needed = (2.0 * speed / acceleration).min(LONGEST_WINDOW);
        // Rounded up: a shorter window would need more acceleration.
        let count = |seconds: f64| ((seconds / dt - 1e-9).ceil() as usize).max(1);
        let longer = first.max(second).max(needed);
        Ok(Self {
            speed,
            pan_speed: 0.0,
            acceleration,
            pan_acceleration: 0.0,
            dt,
            windows: [count(longer), count(first.min(second))],
        })
    }

    /// Returns the design with a pan of at most `speed` rad/s and `acceleration` rad/s^2. If the
    /// windows are too short for the acceleration the speed is reduced: the bend does not wait for
    /// the pan.
    pub fn with_pan(mut self, speed: f64, acceleration: f64) -> Self {
        let window = self.windows[0] as f64 * self.dt;
        self.pan_speed = speed.min(0.5 * acceleration * window).max(0.0);
        self.pan_acceleration = acceleration;
        self
    }

    /// Returns the max speeds of the reference, rad/s of bend and of pan.
    pub fn speeds(&self) -> (f64, f64) {
        (self.speed, self.pan_speed)
    }

    /// Returns the lag behind a steady ramp, s: `n - 1` half ticks for an average of `n` ticks.
    pub fn lag(&self) -> f64 {
        let ticks = self.windows.iter().map(|n| n - 1).sum::<usize>();
        0.5 * ticks as f64 * self.dt
    }

    /// Returns how long the reference keeps moving after its running point has arrived, s.
    pub fn tail(&self) -> f64 {
        (self.windows[0] + self.windows[1]) as f64 * self.dt
    }

    /// Returns where a reference at `value` that moves at `rate` (rad/s) comes to rest, rad.
    pub fn braked(&self, value: Configuration, rate: Configuration) -> Configuration {
        let bend = braking_way(rate.xy(), self.acceleration, self.dt);
        let pan = braking_way(Vector1::new(rate.z), self.pan_acceleration, self.dt);
        value + configuration(bend, pan.x)
    }
}

/// Moving average over a ring buffer.
#[derive(Clone, Debug, Default)]
struct Average {
    ring: Vec<Configuration>,
    length: usize,
    next: usize,
    sum: Configuration,
}

impl Average {
    fn new(longest: usize, at: Configuration) -> Self {
        let mut average = Self {
            ring: vec![at; longest],
            length: 1,
            next: 0,
            sum: Configuration::zeros(),
        };
        average.fill(1, at);
        average
    }

    fn fill(&mut self, length: usize, at: Configuration) {
        self.length = length.clamp(1, self.ring.len());
        self.ring[..self.length].fill(at);
        self.next = 0;
        self.sum = at * self.length as f64;
    }

    /// Adds a value and returns the average. Work: constant, except that the sum is recomputed once
    /// per turn of the ring (one pass over the window), so that rounding errors never accumulate.
    fn push(&mut self, value: Configuration) -> Configuration {
        self.sum += value - self.ring[self.next];
        self.ring[self.next] = value;
        self.next += 1;
        if self.next == self.length {
            self.next = 0;
            self.sum = self.ring[..self.length].iter().sum();
        }
        self.sum / self.length as f64
    }
}

/// State of the shaper. The default has no memory and is only a place for another one.
#[derive(Clone, Debug, Default)]
pub struct ShaperState {
    point: Configuration,
    averages: [Average; 2],
    windows: [usize; 2],
    /// Ticks since the point last moved.
    still: usize,
    value: Configuration,
    rate: Configuration,
    /// The reference brakes, and is at rest before it moves again.
    braking: bool,
}

impl ShaperState {
    /// Returns a state at rest at `at`, with space for every window at ticks of `dt` s.
    pub fn new(dt: f64, at: Configuration) -> Self {
        let longest = (LONGEST_WINDOW / dt).ceil() as usize + 1;
        Self {
            point: at,
            averages: [Average::new(longest, at), Average::new(longest, at)],
            windows: [1, 1],
            still: usize::MAX,
            value: at,
            rate: Configuration::zeros(),
            braking: false,
        }
    }

    /// Puts the reference at rest at `at`.
    pub fn rest_at(&mut self, at: Configuration) {
        self.point = at;
        for (average, window) in self.averages.iter_mut().zip(self.windows) {
            average.fill(window, at);
        }
        self.still = usize::MAX;
        self.value = at;
        self.rate = Configuration::zeros();
        self.braking = false;
    }

    /// Makes the reference brake from the next tick on. Returns where it will be at rest, rad.
    pub fn brake(&mut self, design: &ShaperDesign) -> Configuration {
        self.braking = self.rate != Configuration::zeros();
        self.still = 0;
        if !self.braking {
            // Nothing moves yet; what the averages hold is dropped.
            let at = self.value;
            self.rest_at(at);
        }
        self.point = design.braked(self.value, self.rate);
        self.point
    }

    /// Brakes for one tick.
    fn slow(&mut self, design: &ShaperDesign) {
        self.rate = configuration(
            slower(self.rate.xy(), design.acceleration * design.dt),
            slower(
                Vector1::new(self.rate.z),
                design.pan_acceleration * design.dt,
            )
            .x,
        );
        self.value += self.rate * design.dt;
        if self.rate == Configuration::zeros() {
            let at = self.value;
            self.rest_at(at);
        }
    }

    /// Returns the reference, rad.
    pub fn value(&self) -> Configuration {
        self.value
    }

    /// Returns the reference's rate, rad/s.
    pub fn rate(&self) -> Configuration {
        self.rate
    }

    /// Returns the configuration in which the reference comes to rest without a further target, rad.
    pub fn point(&self) -> Configuration {
        self.point
    }

    /// Returns true if the reference is at rest.
    pub fn at_rest(&self) -> bool {
        self.still > self.windows[0] + self.windows[1]
    }

    /// Runs one tick toward `target` at `pace`, a fraction of the max speed above 0. Changed
    /// windows take effect when the reference is at rest, where that has no effect on it.
    pub fn step(&mut self, design: &ShaperDesign, mut target: Configuration, pace: f64) {
        if self.windows != design.windows && self.at_rest() {
            self.windows = design.windows;
            let at = self.value;
            self.rest_at(at);
        }
        if self.braking {
            self.slow(design);
            return;
        }
        if design.pan_speed <= 0.0 {
            target.z = self.point.z;
        }
        let way = target - self.point;
        self.still = if way != Configuration::zeros() {
            0
        } else {
            self.still.saturating_add(1)
        };
        // Ticks needed by the slower of bend and pan.
        let bend = way.xy().norm() / (design.speed * design.dt);
        let pan = if way.z == 0.0 {
            0.0
        } else {
            way.z.abs() / (design.pan_speed * design.dt)
        };
        let ticks = bend.max(pan) / pace;
        self.point = if ticks > 1.0 {
            self.point + way / ticks
        } else {
            target
        };
        let once = self.averages[0].push(self.point);
        let value = self.averages[1].push(once);
        self.rate = (value - self.value) / design.dt;
        self.value = value;
    }
}

/// Returns `rate` less `change` of its norm, at least zero.
fn slower<const N: usize>(rate: SVector<f64, N>, change: f64) -> SVector<f64, N> {
    let speed = rate.norm();
    if speed > change {
        rate * (1.0 - change / speed)
    } else {
        SVector::zeros()
    }
}

/// Returns the way on which [`slower`] brings `rate` to zero in ticks of `dt` s, rad: the sum of
/// `n` rates that decrease by `acceleration dt` each.
fn braking_way<const N: usize>(
    rate: SVector<f64, N>,
    acceleration: f64,
    dt: f64,
) -> SVector<f64, N> {
    let (speed, change) = (rate.norm(), acceleration * dt);
    if speed == 0.0 {
        return SVector::zeros();
    }
    let ticks = (speed / change).floor();
    rate / speed * (dt * (ticks * speed - 0.5 * change * ticks * (ticks + 1.0)))
}

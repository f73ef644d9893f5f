//! The filtered fractional derivative.

use nalgebra::Complex;

use super::diffusive::{Diffusive, Memory, SlowTail};
use super::{MIN_CORNER, OperatorError, check_order, check_sample_time, shift};

/// The design of `s^order / (s/corner + 1)^roll_off`, a fractional-order derivative with its
/// roll-off.
///
/// With `m = 1` for orders up to 1 and `m = 2` above, it consists of `m` sections
/// `s/(s/corner + 1)`, `roll_off - m` sections `1/(s/corner + 1)`, and `s^-(m - order)` in the
/// diffusive form of the module. The sections use the bilinear transform, whose phase error at `w`
/// is of the order of `(w dt)^2/12`. In the last part the pole at zero is replaced by a leak below
/// 1e-4 rad/s. The response to a constant input therefore decays to zero from any initial state.
///
/// Accuracy against the filtered operator for `w dt <= 0.1`: phase within 0.1 deg, magnitude within
/// 0.15 dB (at worst 0.06 deg and 0.02 dB over orders 0.01 to 1.99 and corners 0.02/dt to 2/dt).
///
/// It acts on new samples: step it once per new sample, with `dt` the sensor's period. Between
/// samples its output holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Derivative {
    order: f64,
    corner: f64,
    roll_off: u8,
    dt: f64,
    /// Number of differentiating sections, 1 or 2.
    differentiators: u8,
    memory: Diffusive,
    /// Pole of every roll-off section, in [0, 1).
    pole: f64,
    /// Gain of a differentiating section on the difference of two samples, 1/s.
    slope_gain: f64,
    /// Gain of a low-pass section on the sum of two samples.
    sum_gain: f64,
}

/// State of one [`Derivative`]. The default has received no sample; the first sample starts it at
/// rest there, without a bump.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct DerivativeState {
    started: bool,
    input: f64,
    /// Outputs of the roll-off sections, in order.
    section: [f64; 2],
    memory: Memory,
    output: f64,
}

impl DerivativeState {
    /// Returns a state at rest at the input `value`, as after a long constant input.
    pub fn at_rest(value: f64) -> Self {
        Self {
            started: true,
            input: value,
            ..Default::default()
        }
    }
}

impl Derivative {
    /// Designs `s^order / (s/corner + 1)^roll_off`, `corner` in rad/s, for the sample time `dt`, s.
    ///
    /// # Errors
    /// [`OperatorError::Order`] unless `0 < order < 2`; [`OperatorError::SampleTime`] unless `dt`
    /// lies in [`super::MIN_SAMPLE_TIME`] to [`super::MAX_SAMPLE_TIME`]; [`OperatorError::Corner`]
    /// unless `corner` lies in [`super::MIN_CORNER`] to `2/dt` (above it the output would alternate
    /// from sample to sample); [`OperatorError::RollOff`] unless it is 1 or 2 and at least the
    /// order. NaN is refused throughout.
    pub fn new(order: f64, corner: f64, roll_off: u8, dt: f64) -> Result<Self, OperatorError> {
        check_order(order)?;
        check_sample_time(dt)?;
        let max = 2.0 / dt;
        if !(MIN_CORNER..=max).contains(&corner) {
            return Err(OperatorError::Corner { value: corner, max });
        }
        if !((1..=2).contains(&roll_off) && f64::from(roll_off) >= order) {
            return Err(OperatorError::RollOff {
                value: roll_off,
                order,
            });
        }
        let differentiators = if order > 1.0 { 2 } else { 1 };
        // s = 2/dt (z-1)/(z+1) in s/(s/corner + 1) and 1/(s/corner + 1), with x = corner dt/2.
        let x = 0.5 * corner * dt;
        Ok(Self {
            order,
            corner,
            roll_off,
            dt,
            differentiators,
            memory: Diffusive::new(f64::from(differentiators) - order, dt, SlowTail::Leaking),
            pole: (1.0 - x) / (1.0 + x),
            slope_gain: corner / (1.0 + x),
            sum_gain: x / (1.0 + x),
        })
    }

    /// Returns the order (dimensionless).
    pub fn order(&self) -> f64 {
        self.order
    }

    /// Returns the corner of the roll-off, rad/s.
    pub fn corner(&self) -> f64 {
        self.corner
    }

    /// Returns the number of roll-off poles.
    pub fn roll_off(&self) -> u8 {
        self.roll_off
    }

    /// Returns the sample time, s.
    pub fn dt(&self) -> f64 {
        self.dt
    }

    /// Takes the next new sample and returns the output at it. The first sample of a default state
    /// gives zero. The input must be finite.
    ///
    /// Work: two sections and at most 28 lags.
    pub fn step(&self, state: &mut DerivativeState, input: f64) -> f64 {
        if !state.started {
            *state = DerivativeState::at_rest(input);
        }
        let (mut before, mut now) = (state.input, input);
        for i in 0..usize::from(self.roll_off) {
            let old = state.section[i];
            let drive = if i < usize::from(self.differentiators) {
                self.slope_gain * (now - before)
            } else {
                self.sum_gain * (now + before)
            };
            let new = self.pole * old + drive;
            state.section[i] = new;
            (before, now) = (old, new);
        }
        state.input = input;
        state.output = self.memory.step(&mut state.memory, now);
        state.output
    }

    /// Returns the output at the last sample, zero before the first.
    pub fn output(&self, state: &DerivativeState) -> f64 {
        state.output
    }

    /// Returns the exact frequency response of the discrete law at `w` rad/s, `0 < w < pi/dt`, from
    /// new samples to output samples. The hold between samples is not included.
    pub fn response(&self, w: f64) -> Complex<f64> {
        self.at(shift(Complex::new(0.0, w * self.dt)))
    }

    /// Returns the transfer function of the discrete law at `z = 1 + less_one`, with `z` the shift
    /// from one new sample to the next, off its poles and off `z = -1`.
    pub fn at(&self, less_one: Complex<f64>) -> Complex<f64> {
        // The bilinear transform.
        let s = less_one / (less_one + 2.0) * (2.0 / self.dt);
        let section = (s / self.corner + 1.0).inv();
        let mut response = self.memory.at(less_one);
        for i in 0..self.roll_off {
            response *= if i < self.differentiators {
                s * section
            } else {
                section
            };
        }
        response
    }

    /// Returns the root-mean-square output for white noise of root mean square 1 on the samples, in
    /// s^-order.
    ///
    /// Parseval's relation, the mean of `|H|^2` over frequency, by the midpoint rule on 2048
    /// frequencies. For use at design time, not in a control tick.
    pub fn noise_gain(&self) -> f64 {
        const POINTS: u32 = 2048;
        let step = std::f64::consts::PI / self.dt / f64::from(POINTS);
        let sum: f64 = (0..POINTS)
            .map(|i| self.response((f64::from(i) + 0.5) * step).norm_sqr())
            .sum();
        (sum / f64::from(POINTS)).sqrt()
    }

    /// Returns the poles of the discrete law: first that of the roll-off sections, then those of
    /// the lags; all lie in [0, 1).
    pub fn poles(&self) -> impl Iterator<Item = f64> + '_ {
        std::iter::once(self.pole).chain(self.memory.poles().iter().copied())
    }
}

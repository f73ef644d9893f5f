//! Fractional-order operators in discrete time: the integral `s^-lambda` and the filtered
//! derivative `s^mu / (s/corner + 1)^n`, orders in (0, 2).
//!
//! A design ([`Integral`], [`Derivative`]) is immutable and holds the coefficients. A state
//! ([`IntegralState`], [`DerivativeState`]) is a plain `Copy` value of fixed size and holds the
//! memory. No step allocates. Time is in seconds, frequency in rad/s. The input may have any unit
//! `U`; the output then has the unit `U s^lambda` or `U s^-mu`.
//!
//! # Realisation
//!
//! For `0 < a < 1` (Euler's reflection integral, e.g. NIST DLMF 5.12.3 with 5.5.3)
//!
//! ```text
//! s^-a = sin(pi a)/pi  Integral over y from -inf to inf of  r^(1-a) / (s + r),   r = e^y.
//! ```
//!
//! The integrand is analytic in the strip `|Im y| < pi - |arg s|`, so the trapezoidal rule of step
//! 1 has at `s = jw` a relative error of the order of `e^(-pi^2)`, 5e-5 (Trefethen and Weideman
//! 2014, "The exponentially convergent trapezoidal rule", theorem 5.1; both numbers from memory).
//! Its terms are first-order lags with positive weights. Lags slower than 1e-4 rad/s are summed in
//! closed form (a geometric series) into a true integrator. Lags faster than max(1e4, 100/dt) rad/s
//! are summed into a feed-through. Each lag is discretised exactly for an input that is linear
//! between samples (first-order hold). The poles are `e^(-r dt)`, inside the unit circle, and one
//! at 1.
//!
//! Towards order 1 the weight of the lags tends to 0 and that of the integrator to 1. Towards order
//! 0 the feed-through tends to 1. Both limits are continuous, in floating point too.
//!
//! # Half-sample convention
//!
//! With a first-order hold, a sequence that starts with a nonzero sample is a ramp over the
//! interval before that sample. A step at sample 0 therefore acts as a step half an interval
//! earlier. The output at sample `k` is that of the continuous operator at `t = (k + 1/2) dt`.

use std::f64::consts::PI;

use nalgebra::Complex;

mod derivative;
mod diffusive;

pub use derivative::{Derivative, DerivativeState};
use diffusive::{Diffusive, Memory, SlowTail};

/// Min sample time of a design, s.
pub const MIN_SAMPLE_TIME: f64 = 1e-5;
/// Min corner of a derivative's roll-off, rad/s.
pub const MIN_CORNER: f64 = 1e-4;
/// Max sample time of a design, s.
pub const MAX_SAMPLE_TIME: f64 = 1.0;

/// Reason why an operator cannot be designed.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum OperatorError {
    /// The order is not a number strictly between 0 and 2.
    #[error("order {value} is not accepted: it must lie strictly between 0 and 2")]
    Order {
        /// The order given.
        value: f64,
    },
    /// The sample time is outside [`MIN_SAMPLE_TIME`] to [`MAX_SAMPLE_TIME`].
    #[error(
        "sample time {value} s is not accepted: it must lie between {MIN_SAMPLE_TIME} s and \
         {MAX_SAMPLE_TIME} s"
    )]
    SampleTime {
        /// The sample time given, s.
        value: f64,
    },
    /// The derivative's corner is slower than [`MIN_CORNER`] or too fast for the sample time.
    #[error(
        "derivative corner {value} rad/s is not accepted: it must lie between {MIN_CORNER} rad/s \
         and {max} rad/s (2 over the sample time)"
    )]
    Corner {
        /// The corner given, rad/s.
        value: f64,
        /// Max corner at this sample time, `2/dt`, rad/s.
        max: f64,
    },
    /// The derivative's roll-off is neither 1 nor 2, or smaller than its order.
    #[error(
        "derivative roll-off {value} is not accepted: it must be 1 or 2 and not below the order \
         {order}"
    )]
    RollOff {
        /// The number of roll-off poles given.
        value: u8,
        /// The order of the derivative.
        order: f64,
    },
}

// The conditions are written so that NaN fails them.
fn check_order(order: f64) -> Result<(), OperatorError> {
    let fits = order > 0.0 && order < 2.0;
    let refusal = OperatorError::Order { value: order };
    fits.then_some(()).ok_or(refusal)
}

fn check_sample_time(dt: f64) -> Result<(), OperatorError> {
    let fits = (MIN_SAMPLE_TIME..=MAX_SAMPLE_TIME).contains(&dt);
    let refusal = OperatorError::SampleTime { value: dt };
    fits.then_some(()).ok_or(refusal)
}

/// The design of `s^-order`, a fractional-order integral with a true pole at zero.
///
/// Order 1 is exactly the trapezoidal integrator. An order in (1, 2) is realised as the order minus
/// one, followed by an integrator that sums its exact areas.
///
/// Accuracy, for sampling from 100 Hz to 1 kHz, against `(jw)^-order` over three decades up to
/// `w dt = 0.3`: phase within 0.1 deg and magnitude within 0.15 dB (at worst 0.08 deg and 0.07 dB
/// over orders 0.01 to 1.99). The step response is within 0.15 % for `t >= 0.1 s` (at worst 0.07 %;
/// half-sample convention, see the module). Below about 1e-3 rad/s the response is that of an
/// integrator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Integral {
    order: f64,
    dt: f64,
    memory: Diffusive,
    /// True if an integrator follows the memory (orders above 1).
    cascade: bool,
}

/// State of one [`Integral`]: fractional memory and pole at zero. The default is empty, at rest at
/// zero input.
///
/// A state belongs to the design that stepped it. Another design may use it only if both have the
/// same order and sample time.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct IntegralState {
    memory: Memory,
    /// Output of the last integrator (orders above 1).
    last: f64,
}

impl Integral {
    /// Designs `s^-order` for the sample time `dt`, s.
    ///
    /// # Errors
    /// [`OperatorError::Order`] unless `0 < order < 2`; [`OperatorError::SampleTime`] unless `dt`
    /// lies in [`MIN_SAMPLE_TIME`] to [`MAX_SAMPLE_TIME`]. Both refuse NaN.
    pub fn new(order: f64, dt: f64) -> Result<Self, OperatorError> {
        check_order(order)?;
        check_sample_time(dt)?;
        let cascade = order > 1.0;
        let memory = if order == 1.0 {
            Diffusive::integrator(dt)
        } else {
            Diffusive::new(
                if cascade { order - 1.0 } else { order },
                dt,
                SlowTail::PoleAtZero,
            )
        };
        Ok(Self {
            order,
            dt,
            memory,
            cascade,
        })
    }

    /// Returns the order (dimensionless).
    pub fn order(&self) -> f64 {
        self.order
    }

    /// Returns the sample time, s.
    pub fn dt(&self) -> f64 {
        self.dt
    }

    /// Takes the next input sample and returns the output at that sample. The input must be finite.
    /// It is taken as linear from the sample before, which is zero for the first one.
    ///
    /// Work: at most 28 lags (20 at 100 Hz, 22 at 1 kHz), each three multiplications and three
    /// additions (four for orders above 1). No branch depends on the data.
    pub fn step(&self, state: &mut IntegralState, input: f64) -> f64 {
        if self.cascade {
            state.last += self.memory.area(&state.memory, input);
        }
        let output = self.memory.step(&mut state.memory, input);
        if self.cascade { state.last } else { output }
    }

    /// Returns the output at the last sample. Work: at most 28 additions.
    pub fn output(&self, state: &IntegralState) -> f64 {
        if self.cascade {
            state.last
        } else {
            self.memory.output(&state.memory)
        }
    }

    /// Moves the output by `delta` (in the output's unit) through the pole at zero, permanently.
    /// The fractional memory does not change. For orders above 1 it acts on the last integrator.
    /// Back-calculation and bumpless transfer use it. Work: one addition.
    pub fn shift(&self, state: &mut IntegralState, delta: f64) {
        if self.cascade {
            state.last += delta;
        } else {
            state.memory.pole += delta;
        }
    }

    /// Returns a state whose output is `value`, all of it carried by the pole at zero: the
    /// fractional memory is empty and the last input zero.
    pub fn with_output(&self, value: f64) -> IntegralState {
        let mut state = IntegralState::default();
        self.shift(&mut state, value);
        state
    }

    /// Returns a state whose output is `value` at a constant `input`, so that the branch starts
    /// without a bump under a nonzero input. The feed-through and the lags faster than the sampling
    /// are at their steady state for that input. Slower memory is empty; the pole at zero carries
    /// the rest. Work: one pass over at most 28 lags.
    pub fn with_output_at(&self, value: f64, input: f64) -> IntegralState {
        let mut state = IntegralState {
            memory: self.memory.settled_fast(input),
            ..Default::default()
        };
        let delta = value - self.output(&state);
        self.shift(&mut state, delta);
        state
    }

    /// Scales the fractional memory by `keep` (0 forgets all, 1 nothing; other values are clamped)
    /// and moves the removed part into the pole at zero, so that the output does not change. For
    /// orders above 1 the whole first stage is scaled, including its slow accumulation: that part
    /// winds up behind a limit and [`Integral::shift`] does not reach it.
    ///
    /// Work: one pass over at most 28 lags.
    pub fn fade(&self, state: &mut IntegralState, keep: f64) {
        // NaN counts as 0.
        let keep = if keep > 0.0 { keep.min(1.0) } else { 0.0 };
        let before = self.output(state);
        self.memory.fade(&mut state.memory, keep, self.cascade);
        let delta = before - self.output(state);
        self.shift(state, delta);
    }

    /// Returns the exact frequency response of the discrete law (including its first-order hold) at
    /// `w` rad/s, `0 < w < pi/dt`. It is the ratio of the output samples to the input samples. A
    /// zero-order hold at the output is not included.
    pub fn response(&self, w: f64) -> Complex<f64> {
        self.at(shift(Complex::new(0.0, w * self.dt)))
    }

    /// Returns the transfer function of the discrete law at `z = 1 + less_one`, off its poles.
    /// [`shift`] gives `less_one`.
    pub fn at(&self, less_one: Complex<f64>) -> Complex<f64> {
        if self.cascade {
            self.memory.integrated_at(less_one)
        } else {
            self.memory.at(less_one)
        }
    }

    /// Returns the gain of the pole at zero. With a constant input `u` the output finally rises by
    /// this times `u` per second (orders up to 1), or its rate does (orders above 1). It is
    /// positive for every order: the gain at zero frequency is infinite.
    pub fn pole_gain(&self) -> f64 {
        self.memory.pole_gain()
    }

    /// Returns the poles of the discrete law other than those at 1, `e^(-r dt)`, slowest first; all
    /// lie in [0, 1).
    pub fn poles(&self) -> &[f64] {
        self.memory.poles()
    }
}

/// Returns `z - 1` at `z = e^x`, without cancellation at small `x`: `x = s dt` is one shift by `dt`
/// at the complex frequency `s`.
pub fn shift(x: Complex<f64>) -> Complex<f64> {
    // e^(a + jb) - 1 = (e^a - 1) cos b - 2 sin^2(b/2) + j e^a sin b
    let half = (0.5 * x.im).sin();
    let (grown, turned) = (x.re.exp_m1(), x.im.cos());
    Complex::new(grown * turned - 2.0 * half * half, x.re.exp() * x.im.sin())
}

/// Returns `sin(pi a)/pi` for `0 < a < 1` without loss of digits at either end.
fn reflection_weight(a: f64) -> f64 {
    // 1 - a is exact for a >= 1/2 (Sterbenz), so the argument of the sine stays away from pi.
    (PI * a.min(1.0 - a)).sin() / PI
}

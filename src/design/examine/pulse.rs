//! A joint as seen by its sampled loop: exact pulse transfer functions behind a zero-order hold.
//!
//! The chain from setpoint to measurement is linear: an integrator (velocity drives), a motor's
//! lag, the joint's dynamics, dead time. With the setpoint held over a tick its state advances by
//! `x' = F x + G u`, both from one matrix exponential. With a dead time of whole ticks and a part,
//! `(whole + part) dt`, the measurement at tick k is that of the instant `(1 - part) dt` after tick
//! `k - whole - 1`. Source: Franklin, Powell and Workman 1998, "Digital Control of Dynamic
//! Systems", sections 4.3 and 4.5 (discrete models with delay; from memory).

use crate::control::fractional::shift;
use crate::design::model::{Dynamics, Plant};
use nalgebra::{Complex, SMatrix, SVector};

/// Maximum number of states: integrator, motor lag, two of the joint.
const MOST: usize = 4;

type Square = SMatrix<f64, MOST, MOST>;
pub(super) type Vector = SVector<f64, MOST>;
type Augmented = SMatrix<f64, 5, 5>;

/// Equation of motion `second y'' + first y' + stiffness y = gain in`, in units of the joint's
/// stiffness.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Motion {
    pub second: f64,
    pub first: f64,
    pub stiffness: f64,
    pub gain: f64,
}

impl Motion {
    pub(super) fn of(plant: &Plant) -> Self {
        let (second, first, stiffness) = match plant.dynamics {
            Dynamics::First { time_constant } => (0.0, time_constant, 1.0),
            Dynamics::Second(second) => {
                let (w, z) = second.parts();
                (1.0 / (w * w), 2.0 * z / w, 1.0)
            }
            Dynamics::Integrating { time_constant } => (time_constant, 1.0, 0.0),
        };
        Self {
            second,
            first,
            stiffness,
            gain: plant.gain,
        }
    }

    /// Returns the transfer function at `s`.
    pub(super) fn at(&self, s: Complex<f64>) -> Complex<f64> {
        (s * (s * self.second + self.first) + self.stiffness).inv() * self.gain
    }
}

/// The chain from setpoint to measurement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Chain {
    /// True for a velocity drive: the motor integrates its setpoint.
    pub integrator: bool,
    /// Time constant of the motor, s; 0 where the joint's dynamics include it.
    pub motor_lag: f64,
    pub motion: Motion,
    /// Dead time, s.
    pub dead_time: f64,
}

impl Chain {
    /// Returns the transfer function from setpoint to bend at `s`, without hold.
    pub(super) fn at(&self, s: Complex<f64>) -> Complex<f64> {
        let mut g = self.motion.at(s) * (-s * self.dead_time).exp() / (s * self.motor_lag + 1.0);
        if self.integrator {
            g /= s;
        }
        g
    }
}

/// A chain sampled every `tick` s.
#[derive(Clone, Debug)]
pub(super) struct Pulse {
    tick: f64,
    /// Number of ticks from setpoint to measurement, at least 1.
    ticks: i32,
    states: usize,
    /// Coefficients of the denominator in `z - 1` below the leading 1, highest power first.
    denominator: [f64; MOST],
    /// Coefficients of the numerators, from the power of the denominator down.
    bend: [f64; MOST + 1],
    rate: [f64; MOST + 1],
    /// State one tick later, from state and setpoint.
    advance: Square,
    advance_input: Vector,
    /// Bend and rate at the instant of measurement, from state and setpoint at the tick before.
    bend_row: (Vector, f64),
    rate_row: (Vector, f64),
}

impl Pulse {
    pub(super) fn new(chain: &Chain, tick: f64) -> Self {
        let mut a = Augmented::zeros();
        // The signal along the chain: a row over the states, the setpoint's coefficient last.
        let mut signal = SVector::<f64, 5>::zeros();
        signal[4] = 1.0;
        let mut states = 0;
        let mut put = |a: &mut Augmented, row: SVector<f64, 5>| {
            a.row_mut(states).copy_from(&row.transpose());
            states += 1;
            states - 1
        };
        let unit = |i: usize| {
            let mut row = SVector::<f64, 5>::zeros();
            row[i] = 1.0;
            row
        };
        if chain.integrator {
            signal = unit(put(&mut a, signal));
        }
        if chain.motor_lag > 0.0 {
            let i = put(&mut a, signal / chain.motor_lag);
            a[(i, i)] -= 1.0 / chain.motor_lag;
            signal = unit(i);
        }
        let motion = &chain.motion;
        let (bend, rate) = if motion.second > 0.0 {
            let y = put(&mut a, SVector::zeros());
            let v = put(&mut a, signal * (motion.gain / motion.second));
            a[(y, v)] = 1.0;
            a[(v, y)] -= motion.stiffness / motion.second;
            a[(v, v)] -= motion.first / motion.second;
            (unit(y), unit(v))
        } else {
            let y = put(&mut a, signal * (motion.gain / motion.first));
            a[(y, y)] -= motion.stiffness / motion.first;
            (unit(y), a.row(y).transpose())
        };
        let delay = chain.dead_time / tick;
        // The tolerance keeps a dead time of whole ticks whole in spite of rounding.
        let whole = (delay + 1e-9).floor();
        let part = (delay - whole).max(0.0);
        let full = (a * tick).exp();
        let to = (a * (tick * (1.0 - part))).exp();
        let split = |row: SVector<f64, 5>| (row.fixed_rows::<MOST>(0).into_owned(), row[4]);
        let advance = full.fixed_view::<MOST, MOST>(0, 0).into_owned();
        let advance_input = full.fixed_view::<MOST, 1>(0, 4).into_owned();
        let bend_row = split(to.transpose() * bend);
        let rate_row = split(to.transpose() * rate);
        let mut pulse = Self {
            tick,
            ticks: whole as i32 + 1,
            states,
            denominator: [0.0; MOST],
            bend: [0.0; MOST + 1],
            rate: [0.0; MOST + 1],
            advance,
            advance_input,
            bend_row,
            rate_row,
        };
        pulse.expand();
        pulse
    }

    /// Computes the coefficients of `row (delta I - M)^-1 G + direct` with `M = F - I`: the
    /// resolvent by Faddeev and LeVerrier. Powers of `z - 1` keep their digits at frequencies far
    /// below the tick's.
    fn expand(&mut self) {
        let n = self.states;
        let mut one = Square::zeros();
        for i in 0..n {
            one[(i, i)] = 1.0;
        }
        let mut m = Square::zeros();
        for i in 0..n {
            for j in 0..n {
                m[(i, j)] = self.advance[(i, j)] - one[(i, j)];
            }
        }
        let mut adjugate = one;
        self.bend[0] = self.bend_row.1;
        self.rate[0] = self.rate_row.1;
        for k in 0..n {
            let column = adjugate * self.advance_input;
            let moved = m * adjugate;
            let d = -moved.trace() / (k + 1) as f64;
            self.denominator[k] = d;
            self.bend[k + 1] = self.bend_row.0.dot(&column) + self.bend_row.1 * d;
            self.rate[k + 1] = self.rate_row.0.dot(&column) + self.rate_row.1 * d;
            adjugate = moved + one * d;
        }
    }

    /// Returns measured bend and rate, at the tick, for a setpoint that goes as `e^(s t)` from tick
    /// to tick.
    pub(super) fn at(&self, s: Complex<f64>) -> (Complex<f64>, Complex<f64>) {
        let delta = shift(s * self.tick);
        let mut below = Complex::from(1.0);
        let (mut bend, mut rate) = (Complex::from(self.bend[0]), Complex::from(self.rate[0]));
        for k in 0..self.states {
            below = below * delta + self.denominator[k];
            bend = bend * delta + self.bend[k + 1];
            rate = rate * delta + self.rate[k + 1];
        }
        let scale = (-s * (self.tick * f64::from(self.ticks))).exp() / below;
        (bend * scale, rate * scale)
    }

    /// Returns the number of ticks from setpoint to measurement, at least 1.
    pub(super) fn ticks(&self) -> usize {
        self.ticks as usize
    }

    /// Steps one tick with `setpoint`; returns the bend and rate that are measured [`Self::ticks`]
    /// later.
    pub(super) fn step(&self, state: &mut Vector, setpoint: f64) -> (f64, f64) {
        let seen = |row: &(Vector, f64)| row.0.dot(state) + row.1 * setpoint;
        let measured = (seen(&self.bend_row), seen(&self.rate_row));
        *state = self.advance * *state + self.advance_input * setpoint;
        measured
    }
}

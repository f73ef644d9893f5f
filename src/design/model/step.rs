//! The closed loop's response to a step of its reference.
//!
//! The response is the inverse Laplace transform of `L/(1 + L)/s`, by the Fourier series of Dubner
//! and Abate 1968, "Numerical inversion of Laplace transforms by relating them to the finite
//! Fourier cosine transform": a trapezoidal rule along a vertical line. All singularities of a
//! stable loop lie left of the line, however many the dead time adds, and dead time enters exactly.
//! Contours that wrap round the negative real axis would cut through its chain of poles.

use super::Loop;
use crate::control::solve::golden;
use nalgebra::Complex;
use std::f64::consts::PI;

/// The line's distance from the axis times half the series' period. The next period contributes
/// `e^-14`, 1e-6.
const SHIFT: f64 = 7.0;
/// The series runs to this multiple of the frequency above which the loop's magnitude is below 1.
pub(crate) const REACH: f64 = 100.0;
/// Maximum number of terms.
const MOST_TERMS: usize = 100_000;
/// Number of independent partial sums.
const CHAINS: usize = 4;
/// Number of times at which the peak is searched before it is refined.
const PLACES: usize = 300;

/// A closed loop's response to a unit step of its reference, evaluated at any time up to its
/// horizon.
#[derive(Clone, Debug)]
pub struct StepResponse {
    terms: Vec<Complex<f64>>,
    /// Half the period of the series, s.
    period: f64,
    dead_time: f64,
    horizon: f64,
    last: f64,
    /// Height of the jump at the start; the series holds the rest, which starts at 0.
    jump: f64,
}

/// Properties of a response that the inversion needs beforehand.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Expected {
    /// Time up to which the response is 0, s.
    pub dead_time: f64,
    /// Final value.
    pub last: f64,
    /// Height of the jump at the start, without dead time: the transfer function for large s.
    pub jump: f64,
}

/// Overshoot of a loop whose gain is scaled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Overshoot {
    /// Factor on the loop's gain.
    pub factor: f64,
    /// Overshoot over the final value, % of that value; none if the loop is unstable.
    pub percent: Option<f64>,
    /// Time of the highest value, s after the step; the horizon if there is no overshoot.
    pub at: f64,
}

impl StepResponse {
    /// Returns the unit step responses, up to `horizon` s, of the transfer functions `of`, whose
    /// singularities all lie in the left half-plane. Above `reach` rad/s only their jumps must
    /// remain, and the series ends there. Work: one call of `of` per term, at most 100 000.
    pub(crate) fn all<const N: usize>(
        of: impl Fn(Complex<f64>) -> [Complex<f64>; N],
        expected: [Expected; N],
        horizon: f64,
        reach: f64,
    ) -> [Self; N] {
        let period = 2.0 * horizon;
        // Casts of positive finite numbers; they saturate.
        let count = (reach * period / PI).ceil() as usize;
        let count = count.clamp(400, MOST_TERMS).next_multiple_of(CHAINS) - 1;
        let mut terms = [(); N].map(|()| Vec::with_capacity(count + 1));
        for k in 0..=count {
            let s = Complex::new(SHIFT, PI * k as f64) / period;
            // The ends of the trapezoidal rule.
            let weight = if k == 0 || k == count { 0.5 } else { 1.0 };
            for ((terms, value), expected) in terms.iter_mut().zip(of(s)).zip(&expected) {
                terms.push((value - expected.jump) / s * weight);
            }
        }
        let mut expected = expected.into_iter();
        terms.map(|terms| {
            // There is one entry per list of terms.
            let Expected {
                dead_time,
                last,
                jump,
            } = expected.next().unwrap_or_default();
            Self {
                terms,
                period,
                dead_time,
                horizon,
                last,
                jump,
            }
        })
    }

    /// Returns the response at `t` s after the step, from 0 to the horizon. Work: one pass over the
    /// series.
    pub fn value(&self, t: f64) -> f64 {
        self.sum(t, self.terms.len())
    }

    /// Returns the response from the first `count` terms; `count` and the number of terms are
    /// multiples of [`CHAINS`].
    fn sum(&self, t: f64, count: usize) -> f64 {
        if !(t > self.dead_time) {
            return 0.0;
        }
        let turn = Complex::from_polar(1.0, PI * t / self.period);
        // Horner's scheme on the powers of e^(j pi t/P), every fourth term in its own chain, so
        // that the chains run in parallel.
        let square = turn * turn;
        let fourth = square * square;
        let mut chains = [Complex::from(0.0); CHAINS];
        for terms in self.terms[..count].chunks_exact(CHAINS).rev() {
            for (chain, term) in chains.iter_mut().zip(terms) {
                *chain = *chain * fourth + term;
            }
        }
        let sum = chains[0] + turn * chains[1] + square * (chains[2] + turn * chains[3]);
        self.jump + (SHIFT * t / self.period).exp() / self.period * sum.re
    }

    /// Returns the response at `2^bits` equally spaced times from 0 up to its horizon, without the
    /// horizon itself. Values are those of [`Self::value`], except at the start, where it is the
    /// height of the jump. This is a discrete Fourier transform, since such times turn the terms by
    /// whole parts of a circle. Work: the terms, and `4 2^bits` times `bits + 2`.
    pub(crate) fn every(&self, bits: u32) -> Vec<f64> {
        let count = 1_usize << bits;
        let step = self.horizon / count as f64;
        // The first harmonic turns once in twice the period, which is four horizons.
        let mut around = vec![Complex::from(0.0); 4 * count];
        for (k, term) in self.terms.iter().enumerate() {
            around[k % (4 * count)] += term;
        }
        transform(&mut around);
        let at = |(i, sum): (usize, &Complex<f64>)| {
            let t = step * i as f64;
            match i {
                0 => self.jump,
                _ if !(t > self.dead_time) => 0.0,
                _ => self.jump + (SHIFT * t / self.period).exp() / self.period * sum.re,
            }
        };
        around[..count].iter().enumerate().map(at).collect()
    }

    /// Returns the time after the step up to which the response is known, s.
    pub fn horizon(&self) -> f64 {
        self.horizon
    }

    /// Returns the final value.
    pub fn last(&self) -> f64 {
        self.last
    }

    /// Returns the time and the height of the peak, up to the horizon.
    pub fn peak(&self) -> (f64, f64) {
        // An eighth of the series is enough to locate the peak; the whole series measures it.
        let few = (self.terms.len() / 8).next_multiple_of(CHAINS);
        let step = (self.horizon - self.dead_time) / PLACES as f64;
        let time = |i: usize| self.dead_time + step * i as f64;
        let (mut at, mut high) = (0, 0.0);
        for i in 1..=PLACES {
            let value = self.sum(time(i), few);
            if value > high {
                (at, high) = (i, value);
            }
        }
        if at == PLACES || at == 0 {
            return (time(at), self.value(time(at)));
        }
        let [(t, low), _] = golden(|t| -self.value(t), time(at - 1), time(at + 1), 18);
        (t, -low)
    }
}

impl Loop {
    /// Returns the closed loop's response to a unit step of its reference up to `horizon` s,
    /// accurate to some 1e-4 (close to the kink where the dead time ends: 5e-4). None if the loop
    /// is unstable.
    pub fn step_response(&self, horizon: f64) -> Option<StepResponse> {
        if Self::unstable_poles(&self.crossovers()) > 0 {
            return None;
        }
        let expected = Expected {
            dead_time: self.plant().dead_time,
            last: self.last(),
            jump: 0.0,
        };
        let of = |s| {
            let open = self.at(s);
            [open / (open + 1.0)]
        };
        let [response] = StepResponse::all(of, [expected], horizon, REACH * self.quiet());
        Some(response)
    }

    /// Returns the closed loop's final value after a unit step.
    fn last(&self) -> f64 {
        let gains = self.law().gains();
        if gains.ki > 0.0 || self.plant().integrates() && gains.kp > 0.0 {
            return 1.0;
        }
        let open = gains.kp * self.plant().gain;
        open / (1.0 + open)
    }

    /// Returns a horizon that covers the whole response, s: 40 rad of the lowest crossover, or 6
    /// times the integral's time.
    pub fn horizon(&self) -> f64 {
        let gains = self.law().gains();
        let crossing = self.crossovers().first().map(|c| c.frequency);
        let w = crossing
            .or(self.plant().corner())
            .unwrap_or(self.plant().gain);
        let usual = 40.0 / w + 4.0 * self.plant().dead_time;
        let integral = if gains.ki > 0.0 {
            6.0 * (gains.kp / gains.ki).powf(1.0 / gains.integral_order)
        } else {
            0.0
        };
        integral.clamp(usual, 8.0 * usual)
    }

    /// Returns the overshoot of this loop with its gain times each of `factors`, accurate to 0.05
    /// percentage points.
    pub fn overshoots(&self, factors: &[f64]) -> Vec<Overshoot> {
        let one = |&factor: &f64| {
            let scaled = self.scaled(factor);
            let response = scaled.step_response(scaled.horizon());
            let Some(response) = response else {
                let (percent, at) = (None, f64::NAN);
                return Overshoot {
                    factor,
                    percent,
                    at,
                };
            };
            let (at, high) = response.peak();
            let percent = (100.0 * (high / response.last() - 1.0)).max(0.0);
            Overshoot {
                factor,
                percent: Some(percent),
                at: if percent > 0.0 {
                    at
                } else {
                    response.horizon()
                },
            }
        };
        factors.iter().map(one).collect()
    }
}

/// Computes `sum_k x_k e^(2 pi j i k/n)` for every i, in place; the length is a power of two.
/// Source: Cooley and Tukey 1965, "An algorithm for the machine calculation of complex Fourier
/// series" (from memory).
fn transform(x: &mut [Complex<f64>]) {
    let n = x.len();
    let bits = n.trailing_zeros();
    for i in 0..n {
        let j = i.reverse_bits() >> (usize::BITS - bits);
        if i < j {
            x.swap(i, j);
        }
    }
    let mut half = 1;
    while half < n {
        let turns: Vec<Complex<f64>> = (0..half)
            .map(|i| Complex::from_polar(1.0, PI * i as f64 / half as f64))
            .collect();
        for block in x.chunks_exact_mut(2 * half) {
            let (even, odd) = block.split_at_mut(half);
            for ((even, odd), turn) in even.iter_mut().zip(odd).zip(&turns) {
                let turned = *odd * turn;
                (*even, *odd) = (*even + turned, *even - turned);
            }
        }
        half *= 2;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::controller::MotorGains;
    use crate::design::model::{Law, Plant};

    #[test]
    fn all_times_at_once_are_the_same_as_one_by_one() {
        let gains = MotorGains {
            kp: 0.4,
            ki: 6.0,
            kd: 0.0,
            integral_order: 0.9,
            derivative_order: 1.0,
            derivative_corner: 100.0,
        };
        let plant = Plant::second_order(0.9, 30.0, 0.4, 0.01);
        let response = Loop::of(plant, Law::new(&gains))
            .step_response(2.0)
            .unwrap();
        let all = response.every(8);
        assert_eq!(all.len(), 256);
        for (i, value) in all.iter().enumerate() {
            let t = 2.0 * i as f64 / 256.0;
            assert!((value - response.value(t)).abs() < 1e-12, "{t}");
        }
        assert!(all.iter().any(|v| *v > 0.9));
    }
}

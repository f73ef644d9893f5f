//! The closed loop's response to a step of its reference.
//!
//! The response is the inverse Laplace transform of `L/(1 + L)/s`, by the Fourier series of Dubner and Abate 1968,
//! "Numerical inversion of Laplace transforms by relating them to the finite Fourier cosine transform": a trapezoidal
//! rule along a vertical line. All singularities of a stable loop lie left of the line, however many dead time brings,
//! and dead time enters exactly; contours that wrap round the negative real axis would cut through its chain of poles.

use super::Loop;
use super::margins::golden;
use nalgebra::Complex;
use std::f64::consts::PI;

/// The line's distance from the axis times half the series' period. What is left of the next period is `e^-14`, 1e-6.
const SHIFT: f64 = 7.0;
/// The series runs to this many times the frequency above which the loop is below 1.
const REACH: f64 = 100.0;
/// Most terms.
const MOST_TERMS: usize = 100_000;
/// Sums that are run side by side.
const CHAINS: usize = 4;
/// Places where the peak is looked for before it is refined.
const PLACES: usize = 300;

/// A closed loop's response to a unit step of its reference, ready to be read at any time up to its horizon.
#[derive(Clone, Debug)]
pub struct StepResponse {
    terms: Vec<Complex<f64>>,
    /// Half the period of the series, s.
    period: f64,
    dead_time: f64,
    horizon: f64,
    last: f64,
}

/// How far a loop overshoots when its gain is another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Overshoot {
    /// Factor on the loop's gain.
    pub factor: f64,
    /// Overshoot over the value that is reached in the end, % of that; none if the loop is unstable.
    pub percent: Option<f64>,
    /// When the highest value comes, s after the step; the horizon if there is no overshoot.
    pub at: f64,
}

impl StepResponse {
    /// The response at `t` s after the step, from 0 to the horizon. Work: one pass over the series.
    pub fn value(&self, t: f64) -> f64 {
        self.sum(t, self.terms.len())
    }

    /// The same from the first `count` terms; both are multiples of [`CHAINS`].
    fn sum(&self, t: f64, count: usize) -> f64 {
        if !(t > self.dead_time) {
            return 0.0;
        }
        let turn = Complex::from_polar(1.0, PI * t / self.period);
        // Horner's scheme on the powers of e^(j pi t/P), every fourth term in a chain of its own: they do not wait
        // for each other.
        let square = turn * turn;
        let fourth = square * square;
        let mut chains = [Complex::from(0.0); CHAINS];
        for terms in self.terms[..count].chunks_exact(CHAINS).rev() {
            for (chain, term) in chains.iter_mut().zip(terms) {
                *chain = *chain * fourth + term;
            }
        }
        let sum = chains[0] + turn * chains[1] + square * (chains[2] + turn * chains[3]);
        (SHIFT * t / self.period).exp() / self.period * sum.re
    }

    /// How long after the step the response is known, s.
    pub fn horizon(&self) -> f64 {
        self.horizon
    }

    /// Where the response ends up.
    pub fn last(&self) -> f64 {
        self.last
    }

    /// When the response is highest and how high, up to the horizon.
    pub fn peak(&self) -> (f64, f64) {
        // An eighth of the series finds the place; the whole one measures it.
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
        let (t, low) = golden(|t| -self.value(t), time(at - 1), time(at + 1), 18);
        (t, -low)
    }
}

impl Loop {
    /// The closed loop's response to a unit step of its reference up to `horizon` s, accurate to some 1e-4 (close to
    /// the kink where the dead time ends: 5e-4). None if the loop
    /// is unstable.
    pub fn step_response(&self, horizon: f64) -> Option<StepResponse> {
        if Self::unstable_poles(&self.crossovers()) > 0 {
            return None;
        }
        let period = 2.0 * horizon;
        let reach = REACH * self.quiet();
        // Casts of positive finite numbers; they saturate.
        let count = (reach * period / PI).ceil() as usize;
        let count = count.clamp(400, MOST_TERMS).next_multiple_of(CHAINS) - 1;
        let terms = (0..=count).map(|k| {
            let s = Complex::new(SHIFT, PI * k as f64) / period;
            let open = self.at(s);
            let term = open / (open + 1.0) / s;
            // The ends of the trapezoidal rule.
            if k == 0 || k == count {
                term * 0.5
            } else {
                term
            }
        });
        Some(StepResponse {
            terms: terms.collect(),
            period,
            dead_time: self.plant().dead_time,
            horizon,
            last: self.last(),
        })
    }

    /// Where the closed loop ends up after a unit step.
    fn last(&self) -> f64 {
        let gains = self.law().gains();
        if gains.ki > 0.0 || self.plant().integrates() && gains.kp > 0.0 {
            return 1.0;
        }
        let open = gains.kp * self.plant().gain;
        open / (1.0 + open)
    }

    /// A horizon that shows the response whole: 40 rad of the lowest crossover, or 6 times the integral's time, s.
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

    /// The overshoot of this loop with its gain times each of `factors`, good to 0.05 points.
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

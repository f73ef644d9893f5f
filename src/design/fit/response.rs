//! The exact response of a linear model of unit gain to a sampled input.
//!
//! Between two samples the input is constant or linear, and the response has a closed form there.
//! No integration step is needed, and the dead time is not rounded to samples.

use super::Hold;
use crate::design::model::Dynamics;

/// An input as a function of time: value and slope from each knot's time on.
#[derive(Clone, Debug)]
pub(super) struct Course {
    knots: Vec<Knot>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Knot {
    time: f64,
    value: f64,
    slope: f64,
}

impl Course {
    /// Makes a course from rising times and as many values, at least one. Before the first sample
    /// the input has its first value, after the last its last value.
    pub(super) fn new(times: &[f64], values: &[f64], hold: Hold) -> Self {
        let mut knots: Vec<Knot> = Vec::new();
        for (i, (&time, &value)) in times.iter().zip(values).enumerate() {
            let next = (times.get(i + 1), values.get(i + 1));
            let slope = match (hold, next) {
                (Hold::Linear, (Some(t), Some(v))) => (v - value) / (t - time),
                _ => 0.0,
            };
            // Of equal neighbours the first is enough.
            let same = |k: &Knot| k.value == value && k.slope == 0.0 && slope == 0.0;
            if !knots.last().is_some_and(same) {
                knots.push(Knot { time, value, slope });
            }
        }
        Self { knots }
    }
}

/// Value and rate of change of the response.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct State {
    pub(super) value: f64,
    pub(super) rate: f64,
}

/// Dynamics of unit gain, prepared for many times.
///
/// First order, `T x' + x = u`: `x = u - slope T + (x_0 - value + slope T) e^(-t/T)`. Integrating:
/// the integral of that. Second order, `x'' + 2 z w x' + w^2 x = w^2 u`: particular solution
/// `u - 2 z slope / w`, and the exponential of the companion matrix for the rest, by hyperbolic
/// functions where `z > 1`. Source: any text on linear differential equations; checked against
/// SciPy.
#[derive(Clone, Copy, Debug)]
struct Prepared {
    dynamics: Dynamics,
    /// Of second order: `z w`, and `w sqrt(|1 - z^2|)`.
    decay: f64,
    d: f64,
    /// The slower of two real poles, without the difference of two large numbers.
    slow: f64,
}

/// Constants of the solution from one knot on.
#[derive(Clone, Copy, Debug)]
struct Solution {
    particular: f64,
    slope: f64,
    /// Value and rate at the knot; those that decay, beside the particular solution.
    value: f64,
    rate: f64,
}

impl Prepared {
    fn new(dynamics: Dynamics) -> Self {
        let (decay, d, slow) = match dynamics {
            Dynamics::First { .. } | Dynamics::Integrating { .. } => (0.0, 0.0, 0.0),
            Dynamics::Second(second) => {
                let (w, z) = second.parts();
                let d = w * ((1.0 - z).abs() * (1.0 + z)).sqrt();
                (z * w, d, -w * w / (z * w + d))
            }
        };
        Self {
            dynamics,
            decay,
            d,
            slow,
        }
    }

    /// Returns the solution under the input of `knot`, in this state there.
    fn from(&self, state: State, knot: &Knot) -> Solution {
        let State { value, rate } = state;
        let (input, slope) = (knot.value, knot.slope);
        let (particular, value, rate) = match self.dynamics {
            Dynamics::First { time_constant } => {
                let particular = input - slope * time_constant;
                (particular, value - particular, rate)
            }
            Dynamics::Integrating { time_constant } => {
                let particular = input - slope * time_constant;
                (particular, value, rate - particular)
            }
            Dynamics::Second(second) => {
                let (w, z) = second.parts();
                let particular = input - 2.0 * z * slope / w;
                (particular, value - particular, rate - slope)
            }
        };
        Solution {
            particular,
            slope,
            value,
            rate,
        }
    }

    /// Returns the state `t` s after the knot of the solution.
    #[inline]
    fn at(&self, solution: &Solution, t: f64) -> State {
        let Solution {
            particular,
            slope,
            value: x,
            rate: v,
        } = *solution;
        match self.dynamics {
            Dynamics::First { time_constant } => {
                let away = x * (-t / time_constant).exp();
                State {
                    value: particular + slope * t + away,
                    rate: slope - away / time_constant,
                }
            }
            Dynamics::Integrating { time_constant } => {
                let past = -t / time_constant;
                let lagged = -v * time_constant * past.exp_m1();
                State {
                    value: x + particular * t + 0.5 * slope * t * t + lagged,
                    rate: particular + slope * t + v * past.exp(),
                }
            }
            Dynamics::Second(second) => {
                let (w, z) = second.parts();
                let (c, s) = if z <= 1.0 {
                    self.oscillation(t)
                } else {
                    self.two_decays(t)
                };
                State {
                    value: particular + slope * t + (c + self.decay * s) * x + s * v,
                    rate: slope - w * w * s * x + (c - self.decay * s) * v,
                }
            }
        }
    }

    /// Returns `e^(-zwt) cos(dt)` and `e^(-zwt) sin(dt)/d`.
    fn oscillation(&self, t: f64) -> (f64, f64) {
        let fade = (-self.decay * t).exp();
        let (sin, cos) = (self.d * t).sin_cos();
        let s = if self.d * t < 1e-8 { t } else { sin / self.d };
        (fade * cos, fade * s)
    }

    /// Returns `e^(-zwt) cosh(dt)` and `e^(-zwt) sinh(dt)/d`.
    fn two_decays(&self, t: f64) -> (f64, f64) {
        let slow = (self.slow * t).exp();
        let x = -2.0 * self.d * t;
        let s = if self.d * t < 1e-8 {
            t
        } else {
            -x.exp_m1() / (2.0 * self.d)
        };
        (0.5 * slow * (1.0 + x.exp()), slow * s)
    }
}

/// Returns the response of unit gain at each of `times` (rising), delayed by `dead_time` s. It
/// starts at rest with the input before the first sample: at that input, or for an integrating
/// model at 0 and moving at the rate of that input.
pub(super) fn respond<'a>(
    dynamics: Dynamics,
    dead_time: f64,
    course: &'a Course,
    times: &'a [f64],
) -> impl Iterator<Item = State> + 'a {
    let knots = &course.knots;
    let first = knots.first().copied().unwrap_or_default();
    let rest = match dynamics {
        Dynamics::Integrating { .. } => State {
            value: 0.0,
            rate: first.value,
        },
        _ => State {
            value: first.value,
            rate: 0.0,
        },
    };
    let prepared = Prepared::new(dynamics);
    let mut solution = prepared.from(rest, &first);
    let (mut from, mut coming) = (first.time, knots.iter().skip(1).peekable());
    times.iter().map(move |time| {
        let time = time - dead_time;
        while let Some(knot) = coming.next_if(|k| k.time < time) {
            let state = prepared.at(&solution, knot.time - from);
            (solution, from) = (prepared.from(state, knot), knot.time);
        }
        let t = time - from;
        if t >= 0.0 {
            prepared.at(&solution, t)
        } else {
            // Before the record the joint is at rest, or moves at a constant rate.
            State {
                value: rest.value + rest.rate * t,
                ..rest
            }
        }
    })
}

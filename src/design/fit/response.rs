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

#[derive(Clone, Copy, Debug)]
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

/// Returns the state after `t` s under an input of `value + slope t`.
///
/// First order, `T x' + x = u`: `x = u - slope T + (x_0 - value + slope T) e^(-t/T)`. Integrating:
/// the integral of that. Second order, `x'' + 2 z w x' + w^2 x = w^2 u`: particular solution
/// `u - 2 z slope / w`, and the exponential of the companion matrix for the rest. Source: any text
/// on linear differential equations; checked against SciPy.
fn propagate(dynamics: Dynamics, state: State, value: f64, slope: f64, t: f64) -> State {
    match dynamics {
        Dynamics::First { time_constant } => {
            let fade = (-t / time_constant).exp();
            let particular = value - slope * time_constant;
            let away = (state.value - particular) * fade;
            State {
                value: particular + slope * t + away,
                rate: slope - away / time_constant,
            }
        }
        Dynamics::Integrating { time_constant } => {
            let particular = value - slope * time_constant;
            let away = state.rate - particular;
            let x = -t / time_constant;
            let lagged = -away * time_constant * x.exp_m1();
            State {
                value: state.value + particular * t + 0.5 * slope * t * t + lagged,
                rate: particular + slope * t + away * x.exp(),
            }
        }
        Dynamics::Second {
            natural_frequency: w,
            damping_ratio: z,
        } => {
            let particular = value - 2.0 * z * slope / w;
            let (x, v) = (state.value - particular, state.rate - slope);
            let (c, s) = swing(w, z, t);
            let damping = z * w;
            State {
                value: particular + slope * t + (c + damping * s) * x + s * v,
                rate: slope - w * w * s * x + (c - damping * s) * v,
            }
        }
    }
}

/// Returns `e^(-zwt) cos(dt)` and `e^(-zwt) sin(dt)/d` with `d = w sqrt(1 - z^2)`, by hyperbolic
/// functions where `z > 1`.
fn swing(w: f64, z: f64, t: f64) -> (f64, f64) {
    let damping = z * w;
    if z <= 1.0 {
        let d = w * ((1.0 - z) * (1.0 + z)).sqrt();
        let fade = (-damping * t).exp();
        let (sin, cos) = (d * t).sin_cos();
        let s = if d * t < 1e-8 { t } else { sin / d };
        (fade * cos, fade * s)
    } else {
        let d = w * ((z - 1.0) * (z + 1.0)).sqrt();
        // The slower pole, without the difference of two large numbers.
        let slow = (-w * w / (damping + d) * t).exp();
        let x = -2.0 * d * t;
        let s = if d * t < 1e-8 {
            t
        } else {
            -x.exp_m1() / (2.0 * d)
        };
        (0.5 * slow * (1.0 + x.exp()), slow * s)
    }
}

/// Computes the response of unit gain at `times` (rising), delayed by `dead_time` s. It starts at
/// rest with the input before the first sample: at that input, or for an integrating model at 0 and
/// moving at the rate of that input.
pub(super) fn respond(
    dynamics: Dynamics,
    dead_time: f64,
    course: &Course,
    times: &[f64],
    out: &mut Vec<State>,
) {
    out.clear();
    let knots = &course.knots;
    let Some(first) = knots.first() else { return };
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
    let (mut at, mut state) = (0, rest);
    for time in times {
        let time = time - dead_time;
        while knots.get(at + 1).is_some_and(|k| k.time < time) {
            let (knot, next) = (knots[at], knots[at + 1]);
            let long = next.time - knot.time;
            state = propagate(dynamics, state, knot.value, knot.slope, long);
            at += 1;
        }
        let knot = knots[at];
        let t = time - knot.time;
        out.push(if t >= 0.0 {
            propagate(dynamics, state, knot.value, knot.slope, t)
        } else {
            // Before the record the joint is at rest, or moves at a constant rate.
            State {
                value: rest.value + rest.rate * t,
                ..rest
            }
        });
    }
}

//! Nonlinear least squares: the parameters of one form of model that fit a record best.
//!
//! Gain and offset are linear: for given dynamics they follow from a line through response and
//! model. A grid of dynamics and dead times is scored that way. From its best points the method of
//! Levenberg and Marquardt continues with all parameters. Time constants, frequencies and damping
//! are searched by their logarithm, which keeps them above zero.
//!
//! The dead time is continuous and its derivative exact, `dy/dL = -K x'(t - L)`. The sum of squares
//! has a kink where a sample passes a step, so there may be several adjacent minima. The search is
//! therefore repeated from the neighbouring sampling intervals.
//!
//! Sources: Levenberg 1944 and Marquardt 1963; damping scaled by the diagonal as in Marquardt.
//! Variable projection: Golub and Pereyra 1973. From memory. (The crate that offers this method
//! needs another version of the linear algebra crate than this project, and has no bounds.)

use nalgebra::{DMatrix, DVector};

use super::Order;
use super::response::{Course, State, respond};
use crate::design::model::Dynamics;

/// Maximum number of steps of one search.
const STEPS: usize = 60;
/// Number of grid points from which the search continues.
const STARTS: usize = 4;
/// Approximate number of samples over which the grid is scored.
const SCORED: usize = 200;
/// Relative step of the numerical derivatives, in the logarithm; central, so that the error is
/// about its square.
const NUDGE: f64 = 1e-5;
/// Maximum damping of a step, as a share of the diagonal.
const STIFFEST: f64 = 1e12;

/// Response and input of a record for the search.
pub(super) struct Data<'a> {
    pub(super) course: &'a Course,
    pub(super) stamps: &'a [f64],
    pub(super) response: &'a [f64],
    /// Median period of the response, s.
    pub(super) period: f64,
    /// Duration of the longest rest of the input after a move, s.
    pub(super) dwell: f64,
}

/// The best parameters of one form: `[gain, offset, logarithms of the dynamics, dead time]`.
#[derive(Clone, Debug)]
pub(super) struct Estimate {
    pub(super) dynamics: Dynamics,
    pub(super) gain: f64,
    pub(super) offset: f64,
    pub(super) dead_time: f64,
    /// Sum of squared residuals.
    pub(super) rss: f64,
    /// Derivatives of the response with respect to gain, offset, the dynamics (in their own units)
    /// and dead time.
    pub(super) jacobian: DMatrix<f64>,
    /// Parameters that ended at a bound, by column of the Jacobian; their error is unknown.
    pub(super) bound: Vec<bool>,
}

/// Bounds of the logarithms and of the dead time.
struct Bounds {
    low: Vec<f64>,
    high: Vec<f64>,
}

impl Bounds {
    fn of(order: Order, data: &Data) -> Self {
        // The record cannot resolve what is faster than a twentieth of a period or slower than
        // fifty dwells.
        let (fast, slow) = (0.05 * data.period, 50.0 * data.dwell);
        let (low, high) = match order {
            Order::First | Order::Integrating => (vec![fast.ln()], vec![slow.ln()]),
            Order::Second => {
                let frequency = ((1.0 / slow).ln(), (1.0 / fast).ln());
                (
                    vec![frequency.0, 1e-3_f64.ln()],
                    vec![frequency.1, 20.0_f64.ln()],
                )
            }
        };
        let with = |mut logs: Vec<f64>, dead_time: f64| {
            logs.push(dead_time);
            logs
        };
        Self {
            low: with(low, 0.0),
            high: with(high, data.dwell),
        }
    }

    fn clamp(&self, shape: &mut [f64]) {
        for (value, (low, high)) in shape.iter_mut().zip(self.low.iter().zip(&self.high)) {
            *value = value.clamp(*low, *high);
        }
    }
}

fn dynamics(order: Order, shape: &[f64]) -> Dynamics {
    match order {
        Order::First => Dynamics::First {
            time_constant: shape[0].exp(),
        },
        Order::Integrating => Dynamics::Integrating {
            time_constant: shape[0].exp(),
        },
        Order::Second => Dynamics::Second {
            natural_frequency: shape[0].exp(),
            damping_ratio: shape[1].exp(),
        },
    }
}

/// Returns gain and offset of the line through response and model, and the remaining sum of
/// squares.
pub(super) fn line(states: &[State], response: &[f64]) -> (f64, f64, f64) {
    let n = states.len() as f64;
    let mean_x = states.iter().map(|s| s.value).sum::<f64>() / n;
    let mean_y = response.iter().sum::<f64>() / n;
    let (mut xx, mut xy) = (0.0, 0.0);
    for (s, y) in states.iter().zip(response) {
        xx += (s.value - mean_x).powi(2);
        xy += (s.value - mean_x) * (y - mean_y);
    }
    let gain = if xx > 0.0 { xy / xx } else { 0.0 };
    let offset = mean_y - gain * mean_x;
    let left = states.iter().zip(response);
    let rss = left
        .map(|(s, y)| (y - offset - gain * s.value).powi(2))
        .sum();
    (gain, offset, rss)
}

/// One point of the search.
#[derive(Clone)]
struct Point {
    /// Gain, offset.
    linear: [f64; 2],
    /// Logarithms, dead time.
    shape: Vec<f64>,
    states: Vec<State>,
    residuals: DVector<f64>,
    rss: f64,
}

struct Search<'a> {
    order: Order,
    data: &'a Data<'a>,
    bounds: Bounds,
}

impl Search<'_> {
    fn states(&self, shape: &[f64]) -> Vec<State> {
        let mut states = Vec::with_capacity(self.data.stamps.len());
        let (logs, dead_time) = shape.split_at(shape.len() - 1);
        respond(
            dynamics(self.order, logs),
            dead_time[0],
            self.data.course,
            self.data.stamps,
            &mut states,
        );
        states
    }

    fn at(&self, linear: [f64; 2], shape: Vec<f64>) -> Point {
        let states = self.states(&shape);
        let residuals: Vec<f64> = states
            .iter()
            .zip(self.data.response)
            .map(|(s, y)| y - linear[1] - linear[0] * s.value)
            .collect();
        let residuals = DVector::from_vec(residuals);
        Point {
            linear,
            shape,
            rss: residuals.norm_squared(),
            states,
            residuals,
        }
    }

    /// Returns the point with those dynamics, gain and offset from the line.
    fn projected(&self, shape: Vec<f64>) -> Point {
        let (gain, offset, _) = line(&self.states(&shape), self.data.response);
        self.at([gain, offset], shape)
    }

    /// Returns the derivatives of the modelled response with respect to
    /// `[gain, offset, logarithms, dead time]`.
    fn jacobian(&self, point: &Point) -> DMatrix<f64> {
        let rows = point.states.len();
        let logs = point.shape.len() - 1;
        let gain = point.linear[0];
        let mut jacobian = DMatrix::zeros(rows, 3 + logs);
        for (i, state) in point.states.iter().enumerate() {
            jacobian[(i, 0)] = state.value;
            jacobian[(i, 1)] = 1.0;
            jacobian[(i, 2 + logs)] = -gain * state.rate;
        }
        for k in 0..logs {
            let nudged = |by: f64| {
                let mut shape = point.shape.clone();
                shape[k] += by;
                self.states(&shape)
            };
            let (more, less) = (nudged(NUDGE), nudged(-NUDGE));
            for (i, (m, l)) in more.iter().zip(&less).enumerate() {
                jacobian[(i, 2 + k)] = gain * (m.value - l.value) / (2.0 * NUDGE);
            }
        }
        jacobian
    }

    /// Returns which parameters of `shape` are at a bound towards which the sum of squares falls.
    fn held(&self, point: &Point, gradient: &DVector<f64>) -> Vec<bool> {
        let mut held = vec![false; 2 + point.shape.len()];
        for (k, value) in point.shape.iter().enumerate() {
            // `gradient` is that of the response's fit, so positive means upward.
            let down = *value <= self.bounds.low[k] && gradient[2 + k] <= 0.0;
            let up = *value >= self.bounds.high[k] && gradient[2 + k] >= 0.0;
            held[2 + k] = down || up;
        }
        held
    }

    fn descend(&self, mut point: Point) -> Point {
        let mut stiffness = 1e-3;
        for _ in 0..STEPS {
            let jacobian = self.jacobian(&point);
            let gradient = jacobian.tr_mul(&point.residuals);
            let held = self.held(&point, &gradient);
            let free: Vec<usize> = (0..held.len()).filter(|k| !held[*k]).collect();
            let normal = jacobian.tr_mul(&jacobian);
            let before = point.rss;
            let mut moved = false;
            while stiffness < STIFFEST {
                let matrix = DMatrix::from_fn(free.len(), free.len(), |i, j| {
                    let value = normal[(free[i], free[j])];
                    let scale = if i == j { 1.0 + stiffness } else { 1.0 };
                    // A parameter without effect stays constant.
                    scale * value + if i == j { f64::MIN_POSITIVE } else { 0.0 }
                });
                let right = DVector::from_fn(free.len(), |i, _| gradient[free[i]]);
                let step = matrix.cholesky().map(|c| c.solve(&right));
                if let Some(step) = step.filter(|s| s.iter().all(|v| v.is_finite())) {
                    let tried = self.step(&point, &free, &step);
                    if tried.rss < point.rss {
                        point = tried;
                        stiffness = (0.1 * stiffness).max(1e-12);
                        moved = true;
                        break;
                    }
                }
                stiffness *= 10.0;
            }
            if !moved || before - point.rss <= 1e-11 * before {
                break;
            }
        }
        point
    }

    fn step(&self, point: &Point, free: &[usize], step: &DVector<f64>) -> Point {
        let mut linear = point.linear;
        let mut shape = point.shape.clone();
        for (k, by) in free.iter().zip(step.iter()) {
            match k {
                0 | 1 => linear[*k] += by,
                // At most a factor of e per step in the logarithms.
                _ => shape[k - 2] += by.clamp(-1.0, 1.0),
            }
        }
        self.bounds.clamp(&mut shape);
        self.at(linear, shape)
    }

    /// Returns the grid of dynamics and dead times.
    fn grid(&self) -> Vec<Vec<f64>> {
        let (period, dwell) = (self.data.period, self.data.dwell);
        let geometric = |low: f64, high: f64, n: usize| -> Vec<f64> {
            let ratio = (high / low).max(1.0).ln() / (n - 1) as f64;
            (0..n).map(|i| low.ln() + ratio * i as f64).collect()
        };
        let dead_times: Vec<f64> = [0.0, 0.01, 0.03, 0.08, 0.2, 0.4]
            .iter()
            .map(|share| share * dwell)
            .collect();
        let mut grid = Vec::new();
        match self.order {
            Order::First | Order::Integrating => {
                for log in geometric(period, 2.0 * dwell, 10) {
                    grid.extend(dead_times.iter().map(|l| vec![log, *l]));
                }
            }
            Order::Second => {
                for log in geometric(0.5 / dwell, 1.0 / period, 14) {
                    for damping in [0.05_f64, 0.25, 0.7, 1.5] {
                        let place = |l: &f64| vec![log, damping.ln(), *l];
                        grid.extend(dead_times.iter().map(place));
                    }
                }
            }
        }
        grid
    }

    fn best(&self) -> Point {
        // A subset of the samples is enough to rank the grid points.
        let every = (self.data.stamps.len() / SCORED).max(1);
        let thinned = |values: &[f64]| values.iter().copied().step_by(every).collect::<Vec<f64>>();
        let (stamps, response) = (thinned(self.data.stamps), thinned(self.data.response));
        let mut states = Vec::with_capacity(stamps.len());
        let mut scored = Vec::new();
        for mut shape in self.grid() {
            self.bounds.clamp(&mut shape);
            let (logs, dead_time) = shape.split_at(shape.len() - 1);
            let dynamics = dynamics(self.order, logs);
            respond(
                dynamics,
                dead_time[0],
                self.data.course,
                &stamps,
                &mut states,
            );
            scored.push((line(&states, &response).2, shape));
        }
        scored.sort_by(|a, b| a.0.total_cmp(&b.0));
        // Starts that differ in more than their dead time lead to different minima.
        let mut starts: Vec<Vec<f64>> = Vec::new();
        for (_, shape) in scored {
            let near = |s: &&Vec<f64>| s[..s.len() - 1] == shape[..shape.len() - 1];
            if starts.iter().filter(near).count() < 2 && starts.len() < STARTS {
                starts.push(shape);
            }
        }
        let found = starts.into_iter().map(|s| self.descend(self.projected(s)));
        let mut best = found
            .min_by(|a, b| a.rss.total_cmp(&b.rss))
            // The grid is never empty.
            .unwrap_or_else(|| self.projected(self.bounds.low.clone()));
        let centre = best.shape.clone();
        // A response of first order has a kink where it starts; the others start smoothly.
        let around: &[f64] = match self.order {
            Order::First => &[-3.0, -2.0, -1.0, 1.0, 2.0, 3.0],
            _ => &[-1.0, 1.0],
        };
        for k in around {
            let mut shape = centre.clone();
            if let Some(dead_time) = shape.last_mut() {
                *dead_time += 0.5 * *k * self.data.period;
            }
            self.bounds.clamp(&mut shape);
            let found = self.descend(self.projected(shape));
            if found.rss < best.rss {
                best = found;
            }
        }
        best
    }
}

/// Returns the parameters of a model of that order that fit best.
pub(super) fn estimate(order: Order, data: &Data) -> Estimate {
    let bounds = Bounds::of(order, data);
    let search = Search {
        order,
        data,
        bounds,
    };
    let best = search.best();
    let mut jacobian = search.jacobian(&best);
    let ends = search.bounds.low.iter().zip(&search.bounds.high);
    let shape = best.shape.iter().zip(ends);
    let shape = shape.map(|(value, (low, high))| value <= low || value >= high);
    let bound = [false; 2].into_iter().chain(shape).collect();
    let (logs, dead_time) = best.shape.split_at(best.shape.len() - 1);
    for (k, log) in logs.iter().enumerate() {
        // With respect to the value instead of its logarithm.
        jacobian.column_mut(2 + k).scale_mut((-log).exp());
    }
    Estimate {
        dynamics: dynamics(order, logs),
        gain: best.linear[0],
        offset: best.linear[1],
        dead_time: dead_time[0],
        rss: best.rss,
        jacobian,
        bound,
    }
}

//! Nonlinear least squares: the parameters of one form of model that fit a record best.
//!
//! Gain and offset are linear: for given dynamics they follow from a line through response and
//! model. A grid of dynamics and dead times is scored that way. From its best points a descent
//! continues with all parameters. Time constants, frequencies and damping are searched by their
//! logarithm, which keeps them above zero.
//!
//! The dead time is continuous and its derivative exact, `dy/dL = -K x'(t - L)`. The sum of squares
//! has a kink where a sample passes a step, so there may be several adjacent minima. The search is
//! therefore repeated from the neighbouring sampling intervals.
//!
//! Source: variable projection, Golub and Pereyra 1973 (from memory).

use nalgebra::{Const, DMatrix, DVector, Dyn, OMatrix, SMatrix, SVector};

use super::Order;
use super::response::{Course, State, respond};
use crate::control::solve::{Descent, Scale};
use crate::design::model::{Dynamics, SecondOrder};

/// Search from one start.
const DESCENT: Descent = Descent {
    steps: 60,
    tries: 1500,
    scale: Scale::Diagonal,
    damping: 1e-3,
    min_damping: 1e-12,
    factor: 10.0,
    worth: 1e-11,
};
/// Number of grid points from which the search continues.
const STARTS: usize = 4;
/// Approximate number of samples over which the grid is scored.
const SCORED: usize = 200;
/// Relative step of the numerical derivatives, in the logarithm; central, so that the error is
/// about its square.
const NUDGE: f64 = 1e-5;

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

/// Gain, offset, logarithms of the dynamics, dead time.
type Parameters<const N: usize> = SVector<f64, N>;
/// Number of parameters before the dynamics.
const LINEAR: usize = 2;

fn dynamics<const N: usize>(order: Order, at: &Parameters<N>) -> Dynamics {
    match order {
        Order::First => Dynamics::First {
            time_constant: at[LINEAR].exp(),
        },
        Order::Integrating => Dynamics::Integrating {
            time_constant: at[LINEAR].exp(),
        },
        Order::Second => Dynamics::Second(SecondOrder {
            natural_frequency: at[LINEAR].exp(),
            damping_ratio: at[LINEAR + 1].exp(),
        }),
    }
}

/// Returns gain and offset of the line through response and modelled values of unit gain, and the
/// remaining sum of squares.
pub(super) fn line(modelled: &[f64], response: &[f64]) -> (f64, f64, f64) {
    let n = modelled.len() as f64;
    let mean_x = modelled.iter().sum::<f64>() / n;
    let mean_y = response.iter().sum::<f64>() / n;
    let (mut xx, mut xy) = (0.0, 0.0);
    for (x, y) in modelled.iter().zip(response) {
        xx += (x - mean_x).powi(2);
        xy += (x - mean_x) * (y - mean_y);
    }
    let gain = if xx > 0.0 { xy / xx } else { 0.0 };
    let offset = mean_y - gain * mean_x;
    let left = modelled.iter().zip(response);
    let rss = left.map(|(x, y)| (y - offset - gain * x).powi(2)).sum();
    (gain, offset, rss)
}

/// One point of the search.
struct Point<const N: usize> {
    at: Parameters<N>,
    states: Vec<State>,
    residuals: DVector<f64>,
    rss: f64,
}

struct Search<'a, const N: usize> {
    order: Order,
    data: &'a Data<'a>,
    /// Bounds of the parameters.
    low: Parameters<N>,
    high: Parameters<N>,
}

impl<'a, const N: usize> Search<'a, N> {
    fn new(order: Order, data: &'a Data<'a>) -> Self {
        // The record cannot resolve what is faster than a twentieth of a period or slower than
        // fifty dwells.
        let (fast, slow) = (0.05 * data.period, 50.0 * data.dwell);
        let (low, high) = match order {
            Order::First | Order::Integrating => ([fast, 1.0], [slow, 1.0]),
            Order::Second => ([1.0 / slow, 1e-3], [1.0 / fast, 20.0]),
        };
        let bound = |linear: f64, dynamics: [f64; 2], dead_time: f64| {
            let mut bound = Self::place(&dynamics.map(f64::ln)[..N - LINEAR - 1], dead_time);
            bound.fixed_rows_mut::<LINEAR>(0).fill(linear);
            bound
        };
        Self {
            order,
            data,
            low: bound(f64::NEG_INFINITY, low, 0.0),
            high: bound(f64::INFINITY, high, data.dwell),
        }
    }

    /// Returns the parameters of those logarithms and that dead time, without gain and offset.
    fn place(logs: &[f64], dead_time: f64) -> Parameters<N> {
        let mut at = Parameters::<N>::zeros();
        at.as_mut_slice()[LINEAR..N - 1].copy_from_slice(logs);
        at[N - 1] = dead_time;
        at
    }

    fn clamp(&self, at: Parameters<N>) -> Parameters<N> {
        at.zip_zip_map(&self.low, &self.high, |value, low, high| {
            value.clamp(low, high)
        })
    }

    /// Returns the response of unit gain at some stamps.
    fn response<'b>(
        &'b self,
        at: Parameters<N>,
        stamps: &'b [f64],
    ) -> impl Iterator<Item = State> + 'b {
        let dynamics = dynamics(self.order, &at);
        respond(dynamics, at[N - 1], self.data.course, stamps)
    }

    fn point(&self, at: Parameters<N>, states: Vec<State>) -> Point<N> {
        let residual = |(s, y): (&State, &f64)| y - at[1] - at[0] * s.value;
        let residuals = states.iter().zip(self.data.response).map(residual);
        let residuals = DVector::from_iterator(states.len(), residuals);
        Point {
            at,
            rss: residuals.norm_squared(),
            states,
            residuals,
        }
    }

    /// Returns the point with those dynamics, gain and offset from the line.
    fn projected(&self, mut at: Parameters<N>) -> Point<N> {
        let states: Vec<State> = self.response(at, self.data.stamps).collect();
        let values: Vec<f64> = states.iter().map(|s| s.value).collect();
        (at[0], at[1], _) = line(&values, self.data.response);
        self.point(at, states)
    }

    /// Returns the derivatives of the modelled response with respect to the parameters.
    fn jacobian(&self, point: &Point<N>) -> OMatrix<f64, Dyn, Const<N>> {
        let gain = point.at[0];
        let mut jacobian = OMatrix::<f64, Dyn, Const<N>>::zeros(point.states.len());
        for (i, state) in point.states.iter().enumerate() {
            jacobian[(i, 0)] = state.value;
            jacobian[(i, 1)] = 1.0;
            jacobian[(i, N - 1)] = -gain * state.rate;
        }
        for k in LINEAR..N - 1 {
            let nudged = |by: f64| {
                let mut at = point.at;
                at[k] += by;
                self.response(at, self.data.stamps).map(|s| s.value)
            };
            let both = nudged(NUDGE).zip(nudged(-NUDGE));
            for (slope, (more, less)) in jacobian.column_mut(k).iter_mut().zip(both) {
                *slope = gain * (more - less) / (2.0 * NUDGE);
            }
        }
        jacobian
    }

    /// Returns half the downward slope of the sum of squares, and half its curvature. Parameters at
    /// a bound towards which the sum falls stay there.
    fn slope(&self, point: &Point<N>) -> (SVector<f64, N>, SMatrix<f64, N, N>) {
        let jacobian = self.jacobian(point);
        let mut downward = jacobian.tr_mul(&point.residuals);
        let mut curvature = jacobian.tr_mul(&jacobian);
        for k in LINEAR..N {
            let held = point.at[k] <= self.low[k] && downward[k] <= 0.0
                || point.at[k] >= self.high[k] && downward[k] >= 0.0;
            if held {
                downward[k] = 0.0;
                curvature.fill_row(k, 0.0);
                curvature.fill_column(k, 0.0);
            }
        }
        (downward, curvature)
    }

    fn descend(&self, start: Parameters<N>) -> Point<N> {
        DESCENT.from(
            self.projected(start),
            |point| point.rss,
            |point| self.slope(point),
            |point, mut step| {
                // At most a factor of e per step in the logarithms.
                let mut shape = step.rows_mut(LINEAR, N - LINEAR);
                shape.apply(|by| *by = by.clamp(-1.0, 1.0));
                let at = self.clamp(point.at + step);
                self.point(at, self.response(at, self.data.stamps).collect())
            },
        )
    }

    /// Returns the grid of dynamics and dead times.
    fn grid(&self) -> Vec<Parameters<N>> {
        let (period, dwell) = (self.data.period, self.data.dwell);
        let geometric = |low: f64, high: f64, n: usize| -> Vec<f64> {
            let ratio = (high / low).max(1.0).ln() / (n - 1) as f64;
            (0..n).map(|i| low.ln() + ratio * i as f64).collect()
        };
        let logs: Vec<[f64; 2]> = match self.order {
            Order::First | Order::Integrating => {
                let logs = geometric(period, 2.0 * dwell, 10).into_iter();
                logs.map(|log| [log, 0.0]).collect()
            }
            Order::Second => {
                let ratios = [0.05_f64, 0.25, 0.7, 1.5].map(f64::ln);
                let logs = geometric(0.5 / dwell, 1.0 / period, 14).into_iter();
                logs.flat_map(|log| ratios.map(|ratio| [log, ratio]))
                    .collect()
            }
        };
        let dead_times = [0.0, 0.01, 0.03, 0.08, 0.2, 0.4].map(|share| share * dwell);
        let places = logs
            .iter()
            .flat_map(|logs| dead_times.map(|late| Self::place(&logs[..N - LINEAR - 1], late)));
        places.map(|at| self.clamp(at)).collect()
    }

    /// Returns the starts of the search, the grid's best first.
    fn starts(&self) -> Vec<Parameters<N>> {
        // A subset of the samples is enough to rank the grid points.
        let every = (self.data.stamps.len() / SCORED).max(1);
        let thinned = |values: &[f64]| values.iter().copied().step_by(every).collect::<Vec<f64>>();
        let (stamps, response) = (thinned(self.data.stamps), thinned(self.data.response));
        let mut values = Vec::with_capacity(stamps.len());
        let mut scored = Vec::new();
        for at in self.grid() {
            values.clear();
            values.extend(self.response(at, &stamps).map(|s| s.value));
            scored.push((line(&values, &response).2, at));
        }
        scored.sort_by(|a, b| a.0.total_cmp(&b.0));
        // Starts that differ in more than their dead time lead to different minima.
        let mut starts: Vec<Parameters<N>> = Vec::new();
        for (_, at) in scored {
            let near = |s: &&Parameters<N>| s.as_slice()[..N - 1] == at.as_slice()[..N - 1];
            if starts.iter().filter(near).count() < 2 && starts.len() < STARTS {
                starts.push(at);
            }
        }
        starts
    }

    fn best(&self) -> Point<N> {
        let found = self.starts().into_iter().map(|at| self.descend(at));
        let mut best = found
            .min_by(|a, b| a.rss.total_cmp(&b.rss))
            // The grid is never empty.
            .unwrap_or_else(|| self.projected(self.low));
        let centre = best.at;
        // A response of first order has a kink where it starts; the others start smoothly.
        let around: &[f64] = match self.order {
            Order::First => &[-3.0, -2.0, -1.0, 1.0, 2.0, 3.0],
            _ => &[-1.0, 1.0],
        };
        for k in around {
            let mut at = centre;
            at[N - 1] += 0.5 * *k * self.data.period;
            let found = self.descend(self.clamp(at));
            if found.rss < best.rss {
                best = found;
            }
        }
        best
    }

    fn estimate(&self) -> Estimate {
        let best = self.best();
        let at = best.at;
        let mut jacobian = self.jacobian(&best);
        for k in LINEAR..N - 1 {
            // With respect to the value instead of its logarithm.
            jacobian.column_mut(k).scale_mut((-at[k]).exp());
        }
        let bound = |k: usize| k >= LINEAR && (at[k] <= self.low[k] || at[k] >= self.high[k]);
        Estimate {
            dynamics: dynamics(self.order, &at),
            gain: at[0],
            offset: at[1],
            dead_time: at[N - 1],
            rss: best.rss,
            jacobian: DMatrix::from_column_slice(jacobian.nrows(), N, jacobian.as_slice()),
            bound: (0..N).map(bound).collect(),
        }
    }
}

/// Returns the parameters of a model of that order that fit best.
pub(super) fn estimate(order: Order, data: &Data) -> Estimate {
    match order {
        Order::First | Order::Integrating => Search::<4>::new(order, data).estimate(),
        Order::Second => Search::<5>::new(order, data).estimate(),
    }
}

//! Models of a joint from records of step tests.
//!
//! Input is the commanded bend, from the motors' setpoints through the kinematics; response is the
//! measured bend. Both are taken in-plane, along the step; the cross-axis response is separate. A
//! record may hold one step or many, in both directions, noisy, with an offset, sampled at unequal
//! times. It starts at rest. The fitted models are
//!
//! ```text
//! first order    K e^(-L s) / (T s + 1)
//! second order   K w^2 e^(-L s) / (s^2 + 2 z w s + w^2)
//! integrating    K e^(-L s) / (s (T s + 1))
//! ```
//!
//! with an offset of the response, by least squares. The model's response is exact at every sample,
//! for any dead time. Standard errors are those of least squares with white noise of one variance,
//! `s^2 (J^T J)^-1` with `s^2` the sum of squared residuals over samples less parameters (Seber and
//! Wild 1989, "Nonlinear regression", chapter 2; from memory). Where [`Whiteness`] finds that the
//! residuals are not white, the model leaves something out, and the errors are too small.
//!
//! A head that is heavy for its joint tilts at once by the tendons' pull and then oscillates. A
//! second-order model compensates the initial tilt by more damping and less dead time than the
//! oscillation has: on the simulated joint's heaviest head 0.19 instead of 0.14. Its residuals are
//! then not white, which [`Family::caution`] reports.
//!
//! Bends in rad, times in s on one clock. This module does not access files or clocks.

mod estimate;
mod family;
mod record;
mod response;
mod statistics;

pub use family::{Extent, Family, Group, Member, Payload, Spread};
pub use record::{BadRecord, Hold, Record, StepTest};
pub use statistics::{WHITE_FROM, Whiteness, autocorrelation, chi_squared_beyond, interval_95};

use crate::design::model::{Dynamics, Plant};
use estimate::{Data, Estimate, estimate};
use nalgebra::DMatrix;
use record::Survey;
use response::{Course, respond};

/// Form of a model.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// First order.
    First,
    /// Second order.
    Second,
    /// Integrating, with a first-order lag.
    Integrating,
}

impl Order {
    /// All forms.
    pub const ALL: [Self; 3] = [Self::First, Self::Second, Self::Integrating];

    /// Returns the form of those dynamics.
    pub fn of(dynamics: Dynamics) -> Self {
        match dynamics {
            Dynamics::First { .. } => Self::First,
            Dynamics::Second(_) => Self::Second,
            Dynamics::Integrating { .. } => Self::Integrating,
        }
    }

    /// Returns the name of the form for display.
    pub fn name(self) -> &'static str {
        match self {
            Self::First => "first order",
            Self::Second => "second order",
            Self::Integrating => "integrating",
        }
    }
}

/// One parameter of a fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parameter {
    /// Name, with the unit as in files.
    pub name: &'static str,
    /// Value in that unit.
    pub value: f64,
    /// Standard error; none where the parameter ended at the bound of what the record can resolve.
    pub standard_error: Option<f64>,
}

/// One fitted model.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// The model.
    pub plant: Plant,
    /// Response where the model's response is zero, rad.
    pub offset: f64,
    /// Gain, offset, the dynamics' parameters, dead time.
    pub parameters: Vec<Parameter>,
    /// Covariance of the parameters, in their order; zero in rows of parameters at a bound.
    pub covariance: DMatrix<f64>,
    /// Number of samples.
    pub samples: usize,
    /// Standard deviation of the noise, rad: root of the residuals' sum of squares over samples
    /// less parameters.
    pub noise: f64,
    /// RMS of the residuals over the standard deviation of the response.
    pub nrmse: f64,
    /// Whiteness test of the residuals.
    pub whiteness: Whiteness,
    /// Akaike's criterion, corrected for few samples.
    pub aicc: f64,
    /// Bayesian criterion.
    pub bic: f64,
}

/// The cross-axis response to the step.
#[derive(Clone, Debug, PartialEq)]
pub struct Across {
    /// Cross-axis gain, with the dynamics of the in-plane model.
    pub gain: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Maximum deviation from the median of the cross-axis response, rad.
    pub greatest: f64,
    /// Maximum deviation over the range of the input.
    pub share: f64,
    /// Separate model, where one explains clearly more than none.
    pub fit: Option<Fit>,
}

/// Everything fitted to one record.
#[derive(Clone, Debug, PartialEq)]
pub struct Fitted {
    /// The model chosen.
    pub fit: Fit,
    /// The models not chosen, best first.
    pub others: Vec<Fit>,
    /// Cross-axis response.
    pub across: Across,
    /// Residuals of the chosen model, rad, one per stamp of the record.
    pub residuals: Vec<f64>,
    /// Duration of the longest rest of the input after a move, s.
    pub dwell: f64,
    /// Range of the input, rad.
    pub moved: f64,
}

/// Minimum gain, in standard errors, of a response that follows.
const FOLLOWS: f64 = 5.0;
/// Minimum rest, in multiples of dead time plus slowest time constant.
const LEAST_DWELL: f64 = 3.0;
/// Advantage in the Bayesian criterion from which one model is clearly better (Kass and Raftery
/// 1995, "Bayes factors", call 6 and more strong).
const CLEARLY: f64 = 6.0;

/// Fits a record: with the given form, or the one with the minimum Bayesian criterion.
///
/// # Errors
/// Returns the reason why nothing can be fitted to the record.
pub fn fit(record: &Record, order: Option<Order>) -> Result<Fitted, BadRecord> {
    let survey = record.survey()?;
    let course = Course::new(&record.times, &record.input, record.hold);
    let data = |response| Data {
        course: &course,
        stamps: &record.stamps,
        response,
        period: survey.period,
        dwell: survey.dwell.max(survey.period),
    };
    let along = data(&record.along);
    let orders = match &order {
        Some(order) => std::slice::from_ref(order),
        None => &Order::ALL[..],
    };
    let mut fits = all(orders, &along);
    let best = fits.remove(0);
    judge(&best, &fits, order, &survey)?;
    let residuals = residuals(&best, record, &record.along);
    let across = across(&best, record, &data(&record.across), &survey);
    Ok(Fitted {
        fit: best,
        others: fits,
        across,
        residuals,
        dwell: survey.dwell,
        moved: survey.moved,
    })
}

/// Returns the fits of those forms, best first.
fn all(orders: &[Order], data: &Data) -> Vec<Fit> {
    let one = |order: &Order| Fit::from_estimate(&estimate(*order, data), data);
    let mut fits: Vec<Fit> = orders.iter().map(one).collect();
    fits.sort_by(|a, b| a.bic.total_cmp(&b.bic));
    fits
}

/// Refuses fits that the record does not support.
fn judge(
    best: &Fit,
    others: &[Fit],
    order: Option<Order>,
    survey: &Survey,
) -> Result<(), BadRecord> {
    let gain = &best.parameters[0];
    // Without a following response the covariance is singular, or its other entries are
    // meaningless.
    let error = gain.standard_error.unwrap_or(f64::INFINITY);
    let explained = best.nrmse < 0.98;
    let settling = best.plant.dead_time + best.plant.dynamics.slowest();
    let share = survey.dwell / settling;
    let short = !(share >= LEAST_DWELL);
    if !explained || (!short && !(gain.value.abs() >= FOLLOWS * error)) {
        return Err(BadRecord::FollowingError {
            gain: gain.value,
            error,
        });
    }
    if !(gain.value > 0.0) {
        return Err(BadRecord::Backwards(gain.value));
    }
    if short {
        return Err(BadRecord::TooShort {
            dwell: survey.dwell,
            settling,
            share,
        });
    }
    let first = others
        .iter()
        .find(|f| Order::of(f.plant.dynamics) == Order::First);
    if let (None, Order::Integrating, Some(first)) = (order, Order::of(best.plant.dynamics), first)
        && first.bic - best.bic < CLEARLY
    {
        return Err(BadRecord::Ambiguous {
            dwell: survey.dwell,
            time_constant: first.plant.dynamics.lag(),
        });
    }
    let time_constant = best.plant.dynamics.slowest();
    if Order::of(best.plant.dynamics) != Order::Integrating
        && !(time_constant >= 0.5 * survey.period)
    {
        return Err(BadRecord::TooCoarse {
            time_constant,
            period: survey.period,
        });
    }
    Ok(())
}

fn residuals(fit: &Fit, record: &Record, response: &[f64]) -> Vec<f64> {
    let modelled = fit.response(record);
    response.iter().zip(modelled).map(|(y, m)| y - m).collect()
}

fn across(along: &Fit, record: &Record, data: &Data, survey: &Survey) -> Across {
    let plant = &along.plant;
    let states = respond(plant.dynamics, plant.dead_time, data.course, data.stamps);
    let modelled: Vec<f64> = states.map(|s| s.value).collect();
    let (gain, _, rss) = estimate::line(&modelled, data.response);
    let n = modelled.len() as f64;
    let mean = modelled.iter().sum::<f64>() / n;
    let spread: f64 = modelled.iter().map(|x| (x - mean).powi(2)).sum();
    let middle = statistics::median(&mut record.across.clone());
    let departures = record.across.iter().map(|y| (y - middle).abs());
    let greatest = departures.fold(0.0, f64::max);
    let mean = data.response.iter().sum::<f64>() / n;
    let nothing: f64 = data.response.iter().map(|y| (y - mean).powi(2)).sum();
    let of_its_own = all(&Order::ALL, data).into_iter().next().filter(|fit| {
        let scale = floor(data.response);
        let none = statistics::bic(nothing.max(scale), data.response.len(), 1);
        fit.bic < none - CLEARLY && fit.plant.dynamics.slowest() + fit.plant.dead_time < data.dwell
    });
    Across {
        gain,
        standard_error: (rss / (n - 2.0) / spread).sqrt(),
        greatest,
        share: greatest / survey.moved,
        fit: of_its_own,
    }
}

/// Returns the minimum sum of squares that counts: rounding. It also keeps logarithms finite.
fn floor(response: &[f64]) -> f64 {
    let scale = response.iter().map(|y| y * y).sum::<f64>();
    (1e-30 * scale).max(f64::MIN_POSITIVE)
}

impl Fit {
    fn from_estimate(found: &Estimate, data: &Data) -> Self {
        let n = data.response.len();
        let plant = Plant {
            gain: found.gain,
            dynamics: found.dynamics,
            dead_time: found.dead_time,
        };
        let mut values = plant.parameters();
        values.insert(1, ("offset_rad", found.offset));
        let count = values.len();
        let rss = found.rss.max(floor(data.response));
        let variance = rss / n.saturating_sub(count).max(1) as f64;
        let covariance = covariance(found, variance);
        let parameters = values.into_iter().enumerate();
        let parameters = parameters.map(|(i, (name, value))| {
            let error = covariance[(i, i)].sqrt();
            Parameter {
                name,
                value,
                standard_error: (error > 0.0 && error.is_finite()).then_some(error),
            }
        });
        let states = respond(found.dynamics, found.dead_time, data.course, data.stamps);
        let left: Vec<f64> = states
            .zip(data.response)
            .map(|(s, y)| y - found.offset - found.gain * s.value)
            .collect();
        let mean = data.response.iter().sum::<f64>() / n as f64;
        let spread: f64 = data.response.iter().map(|y| (y - mean).powi(2)).sum();
        Self {
            plant,
            offset: found.offset,
            parameters: parameters.collect(),
            samples: n,
            noise: variance.sqrt(),
            nrmse: (rss / spread.max(f64::MIN_POSITIVE)).sqrt(),
            whiteness: Whiteness::of(&left),
            aicc: statistics::aicc(rss, n, count),
            bic: statistics::bic(rss, n, count),
            covariance,
        }
    }

    /// Returns the model's response at the record's stamps, offset included, rad.
    pub fn response(&self, record: &Record) -> Vec<f64> {
        let course = Course::new(&record.times, &record.input, record.hold);
        let (dynamics, late) = (self.plant.dynamics, self.plant.dead_time);
        let states = respond(dynamics, late, &course, &record.stamps);
        let value = |s: response::State| self.offset + self.plant.gain * s.value;
        states.map(value).collect()
    }

    /// Returns the parameter with that name.
    pub fn parameter(&self, name: &str) -> Option<&Parameter> {
        self.parameters.iter().find(|p| p.name == name)
    }

    /// Returns the bounds of the 95 % interval of the parameter with that name.
    pub fn interval_95(&self, name: &str) -> Option<(f64, f64)> {
        let parameter = self.parameter(name)?;
        let freedom = self.samples.saturating_sub(self.parameters.len());
        let half = interval_95(freedom) * parameter.standard_error?;
        Some((parameter.value - half, parameter.value + half))
    }
}

/// Returns `variance (J^T J)^-1` over the free parameters, zero elsewhere.
fn covariance(found: &Estimate, variance: f64) -> DMatrix<f64> {
    let all = found.bound.len();
    let mut covariance = DMatrix::zeros(all, all);
    let free: Vec<usize> = (0..all).filter(|k| !found.bound[*k]).collect();
    let mut columns = found.jacobian.select_columns(&free);
    // Columns get unit length, since the parameters have different units.
    let scales: Vec<f64> = columns.column_iter().map(|c| c.norm()).collect();
    for (k, scale) in scales.iter().enumerate() {
        columns.column_mut(k).unscale_mut(*scale);
    }
    let Some(factor) = columns.tr_mul(&columns).cholesky() else {
        return covariance;
    };
    let inverse = factor.inverse();
    for (i, a) in free.iter().enumerate() {
        for (j, b) in free.iter().enumerate() {
            covariance[(*a, *b)] = variance * inverse[(i, j)] / (scales[i] * scales[j]);
        }
    }
    covariance
}

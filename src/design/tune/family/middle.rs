//! The model in the middle of a family.

use crate::control::controller::reference_model::{Lag, Model};
use crate::design::model::{Dynamics, Plant, SecondOrder};

/// Returns minimum and maximum.
fn ends(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.fold(None, |ends, x| match ends {
        None => Some((x, x)),
        Some((low, high)) => Some((low.min(x), high.max(x))),
    })
}

/// Rounds `x` to four digits.
fn four(x: f64) -> f64 {
    if !(x > 0.0 && x.is_finite()) {
        return x;
    }
    let unit = 10f64.powi(3 - x.log10().floor() as i32);
    (x * unit).round() / unit
}

/// Returns the family's middle: the mean of the extremes of gains and dead times, and the geometric
/// mean of those of frequencies, damping ratios and time constants. Damping acts on the rate beyond
/// the model's. It needs the lowest effort if the model is damped as the joint is then: to first
/// order in the damping d (s), `2 z/w + K d` of rate for `2 z/w`, a damping ratio of `z + K w d/2`.
pub(super) fn model(plants: &[Plant], damping: f64) -> Model {
    let between = |ends: Option<(f64, f64)>| ends.map(|(low, high)| 0.5 * (low + high));
    let geometric = |ends: Option<(f64, f64)>| ends.map(|(low, high)| (low * high).sqrt());
    let all = |f: &dyn Fn(&Plant) -> Option<f64>| ends(plants.iter().filter_map(f));
    let frequency = geometric(all(&|p| match p.dynamics {
        Dynamics::Second(second) => Some(second.natural_frequency),
        _ => None,
    }));
    let ratio = geometric(all(&|p| match p.dynamics {
        Dynamics::Second(second) => {
            let (w, z) = second.parts();
            Some(z + 0.5 * p.gain * w * damping)
        }
        _ => None,
    }));
    let time_constant = geometric(all(&|p| match p.dynamics {
        Dynamics::First { time_constant } => Some(time_constant),
        _ => None,
    }));
    let lag = match (frequency, ratio) {
        (Some(w), Some(z)) => Lag::Second(SecondOrder {
            natural_frequency: four(w),
            damping_ratio: four(z),
        }),
        _ => Lag::First {
            time_constant: four(time_constant.unwrap_or(0.0)),
        },
    };
    Model {
        gain: four(between(all(&|p| Some(p.gain))).unwrap_or(1.0)),
        lag,
        dead_time: (between(all(&|p| Some(p.dead_time))).unwrap_or(0.0) * 1e4).round() / 1e4,
    }
}

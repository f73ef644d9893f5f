//! Comparison of the fractional order with the integer PI of the same margin and crossover:
//! overshoot over a range of loop gains.

use super::{Design, integer_pi};
use crate::control::controller::MotorGains;
use crate::design::model::{Law, Loop, Overshoot};
use std::fmt;

/// Loop gains to try, a fourfold range, as factors on the design's.
pub const GAINS: [f64; 5] = [0.5, 0.7, 1.0, 1.4, 2.0];

/// Minimum reduction of the spread of overshoot that counts, in percentage points: what a measured
/// step can resolve (common practice, no source).
const WORTH: f64 = 0.5;
/// Overshoot up to this value counts as none, %.
const NONE: f64 = 0.5;

/// Benefit of a fractional order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Benefit {
    /// The overshoot spreads less over the gains.
    Pays,
    /// The overshoot spreads less, but the integer PI overshoots less at every one of the gains.
    IntegerOvershootsLess,
    /// No integer PI has this margin and crossover.
    NoInteger,
    /// The integer PI does not overshoot at any of the gains.
    IntegerWithoutOvershoot,
    /// The spread is no better than the integer PI's.
    Nothing,
}

/// A design and the integer PI for comparison.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// Overshoot of the design over [`GAINS`].
    pub fractional: Vec<Overshoot>,
    /// Integer PI of the same margin and crossover, if there is a stable one.
    pub integer_gains: Option<MotorGains>,
    /// Overshoot of the integer PI over [`GAINS`].
    pub integer: Vec<Overshoot>,
    /// Conclusion.
    pub benefit: Benefit,
}

/// Returns maximum less minimum overshoot, percentage points; none if the loop is unstable at one
/// of the gains, or if there are no gains.
fn spread(overshoots: &[Overshoot]) -> Option<f64> {
    let (low, high) = ends(overshoots)?;
    Some(high - low)
}

fn ends(overshoots: &[Overshoot]) -> Option<(f64, f64)> {
    let mut ends: Option<(f64, f64)> = None;
    for over in overshoots {
        let x = over.percent?;
        ends = Some(ends.map_or((x, x), |(low, high)| (low.min(x), high.max(x))));
    }
    ends
}

impl Comparison {
    /// Returns the spread of the design's overshoot, percentage points; none if it is unstable at
    /// one of the gains.
    pub fn spread(&self) -> Option<f64> {
        spread(&self.fractional)
    }

    /// Returns the spread of the integer PI's overshoot, percentage points.
    pub fn integer_spread(&self) -> Option<f64> {
        spread(&self.integer)
    }
}

impl fmt::Display for Comparison {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [low, .., high] = GAINS;
        let range = |overshoots| match ends(overshoots) {
            Some((low, high)) => format!("overshoots {low:.1} to {high:.1} %"),
            None => "is unstable at some".into(),
        };
        let (ours, theirs) = (range(&self.fractional), range(&self.integer));
        write!(
            f,
            "over loop gains {low} to {high} the fractional law {ours}"
        )?;
        match self.benefit {
            Benefit::Pays => write!(
                f,
                ", an integer PI of the same margin and crossover {theirs}"
            ),
            Benefit::IntegerOvershootsLess => write!(
                f,
                ", closer together than an integer PI of the same margin and crossover, which \
                 {theirs}: less at every gain"
            ),
            Benefit::NoInteger => {
                write!(
                    f,
                    "; no integer PI has this margin and crossover and is stable"
                )
            }
            Benefit::IntegerWithoutOvershoot => write!(
                f,
                ", and an integer PI of the same margin and crossover does not overshoot at all: a \
                 fractional order is not needed here"
            ),
            Benefit::Nothing => write!(
                f,
                ", an integer PI of the same margin and crossover {theirs}: a fractional order has \
                 no benefit here"
            ),
        }
    }
}

/// Compares a design with the integer PI of the same margin and crossover.
pub fn compare(design: &Design) -> Comparison {
    let fractional = design.open_loop().overshoots(&GAINS);
    let integer = integer_pi(&design.plant, &design.specification)
        .map(|gains| (gains, Loop::of(design.plant, Law::new(&gains))))
        .filter(|(_, open)| Loop::unstable_poles(&open.crossovers()) == 0);
    let (integer_gains, integer) = match integer {
        Some((gains, open)) => (Some(gains), open.overshoots(&GAINS)),
        None => (None, Vec::new()),
    };
    let benefit = match (spread(&fractional), ends(&integer)) {
        _ if integer_gains.is_none() => Benefit::NoInteger,
        (_, Some((_, most))) if most <= NONE => Benefit::IntegerWithoutOvershoot,
        (Some(_), None) => Benefit::Pays,
        (Some(ours), Some((low, high))) if ours < high - low - WORTH => {
            if ends(&fractional).is_some_and(|(least, _)| high < least) {
                Benefit::IntegerOvershootsLess
            } else {
                Benefit::Pays
            }
        }
        _ => Benefit::Nothing,
    };
    Comparison {
        fractional,
        integer_gains,
        integer,
        benefit,
    }
}

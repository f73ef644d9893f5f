//! Controller gains from a joint's model and specifications.
//!
//! A design meets three specifications at once: phase margin, gain crossover, and a flat phase at
//! the crossover. With a flat phase, a change of the loop's gain changes speed and not overshoot.
//! Some designs that meet all three are unstable, or cross magnitude 1 several times. Every design
//! is therefore checked before it is returned. A specification that cannot be met is refused with
//! the reason and the nearest one that works.
//!
//! Submodules: this file has specifications, designs, refusals and maps. `equations` solves for the
//! gains. `compare` compares the fractional order with an integer PI. `family` tunes one gain set
//! for all models of a joint.

mod compare;
mod equations;
mod family;

pub use compare::{Benefit, Comparison, GAINS, compare};
pub use equations::{flat_phase_order, integer_pi};
pub use family::{
    FamilyDesign, FamilyRefusal, FamilySpecification, OnModel, USUAL_DECAY, USUAL_PEAK, on_family,
    smoothing_for, tune_family,
};

use crate::control::bounds::OutOfRange;
use crate::control::controller::MotorGains;
use crate::control::solve::{bisect, halfway};
use crate::design::model::{Delays, Law, Loop, Plant, PlantError};
use std::f64::consts::PI;
use std::fmt;

/// Specification of the loop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Specification {
    /// Phase margin, rad, inside (0, pi).
    pub phase_margin: f64,
    /// Gain crossover, rad/s.
    pub crossover: f64,
}

impl Specification {
    /// Returns a specification from a margin in deg and a crossover in rad/s.
    pub fn of_degrees(phase_margin: f64, crossover: f64) -> Self {
        Self {
            phase_margin: phase_margin.to_radians(),
            crossover,
        }
    }
}

impl fmt::Display for Specification {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let degrees = self.phase_margin.to_degrees();
        write!(
            f,
            "a phase margin of {} deg at {} rad/s",
            Figure(degrees),
            Figure(self.crossover)
        )
    }
}

/// Form of the law.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Form {
    /// `kp + ki s^-nu`; nu is computed.
    ProportionalIntegral,
    /// `kp + kd s^nu` with its roll-off; nu is computed.
    ProportionalDerivative {
        /// Corner of the roll-off, rad/s; infinite for none.
        corner: f64,
    },
    /// `kp + ki s^-lambda + kd s^mu` with its roll-off, orders given.
    Full {
        /// Lambda, inside (0, 2).
        integral_order: f64,
        /// Mu, inside (0, 2).
        derivative_order: f64,
        /// Corner of the roll-off, rad/s; infinite for none.
        corner: f64,
    },
}

/// A design that meets its specification, is stable, and crosses magnitude 1 once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Design {
    /// Gains of one motor.
    pub gains: MotorGains,
    /// Specification that the gains meet.
    pub specification: Specification,
    /// Joint that the gains were computed for, delays included.
    pub plant: Plant,
}

impl Design {
    /// Returns the loop of the design.
    pub fn open_loop(&self) -> Loop {
        Loop::of(self.plant, Law::new(&self.gains))
    }
}

/// The reason why a specification cannot be met.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reason {
    /// A value is out of range.
    Value(OutOfRange),
    /// The model is out of range.
    Plant(PlantError),
    /// A derivative without roll-off whose order is not below the joint's relative degree.
    RollOff,
    /// The joint lags too much for this form to reach the margin.
    TooMuchLag {
        /// Upper limit of the phase margin, rad; it cannot be reached itself.
        most: f64,
    },
    /// The joint alone has more than the requested margin, so that no phase lead is needed.
    NoLeadNeeded {
        /// Lower limit of the phase margin, rad; it cannot be reached itself.
        least: f64,
    },
    /// The joint's own phase does not fall there, so that no order is determined.
    FlatAlready,
    /// No order (or no gains at the orders given) makes the phase flat.
    NoOrder,
    /// A gain would be negative.
    NegativeGain {
        /// Name of the gain.
        key: &'static str,
        /// Its value.
        value: f64,
    },
    /// All three specifications hold, but the closed loop has poles in the right half-plane.
    Unstable {
        /// Number of those poles.
        poles: u32,
        /// Number of gain crossovers.
        crossovers: usize,
    },
    /// All three specifications hold, but the loop crosses magnitude 1 several times.
    SeveralCrossovers {
        /// Number of crossovers.
        count: usize,
        /// Lowest crossover, rad/s.
        lowest: f64,
        /// Highest crossover, rad/s.
        highest: f64,
        /// Their phase margin of minimum magnitude, rad.
        margin: f64,
    },
}

/// The nearest specifications that give a stable design with one crossover.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Nearest {
    /// The nearest phase margin at the same crossover, rad.
    pub phase_margin: Option<f64>,
    /// The nearest crossover at the same margin, rad/s.
    pub crossover: Option<f64>,
}

/// A specification that cannot be met, with the reason and the nearest that can.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Refusal {
    /// Requested specification.
    pub asked: Specification,
    /// Reason for the refusal.
    pub reason: Reason,
    /// Specifications that work instead.
    pub nearest: Nearest,
}

impl std::error::Error for Refusal {}

/// A number for display, with four digits.
pub(crate) struct Figure(pub f64);

impl fmt::Display for Figure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let size = self.0.abs();
        if !(size > 0.0 && size.is_finite()) {
            return write!(f, "{}", self.0);
        }
        let digits = 3 - size.log10().floor() as i32;
        if (0..=6).contains(&digits) {
            let text = format!("{:.*}", digits as usize, self.0);
            let short = if text.contains('.') {
                text.trim_end_matches('0').trim_end_matches('.')
            } else {
                &text
            };
            f.write_str(short)
        } else {
            write!(f, "{:.3e}", self.0)
        }
    }
}

impl Refusal {
    fn write_reason(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let asked = self.asked;
        let degrees = |x: f64| Figure(x.to_degrees());
        match self.reason {
            Reason::Value(error) => write!(f, "{error}"),
            Reason::Plant(error) => write!(f, "{error}"),
            Reason::RollOff => write!(
                f,
                "{asked} needs a derivative that grows as fast as the joint falls off: give the \
                 corner of its roll-off"
            ),
            Reason::TooMuchLag { most } if most > 0.0 => write!(
                f,
                "{asked} is not feasible: the joint's lag leaves less than {} deg there",
                degrees(most)
            ),
            Reason::TooMuchLag { .. } => write!(
                f,
                "{asked} is not feasible: the joint's lag leaves no margin there"
            ),
            Reason::NoLeadNeeded { least } => write!(
                f,
                "{asked} is not feasible with a derivative: the joint alone has {} deg there",
                degrees(least)
            ),
            Reason::FlatAlready => write!(
                f,
                "{asked} determines no order: the joint's phase is flat there by itself, and a \
                 proportional gain is enough"
            ),
            Reason::NoOrder => write!(f, "{asked} is not feasible with a flat phase in this form"),
            Reason::NegativeGain { key, value } => write!(
                f,
                "{asked} would need {key} = {}; accepted: 0 or more",
                Figure(value)
            ),
            Reason::Unstable { poles, crossovers } => write!(
                f,
                "{asked} is met with a flat phase, but the loop crosses magnitude 1 {} and is \
                 unstable: {poles} poles in the right half-plane",
                times(crossovers)
            ),
            Reason::SeveralCrossovers {
                count,
                lowest,
                highest,
                margin,
            } => write!(
                f,
                "{asked} is met with a flat phase, but the loop crosses magnitude 1 {}, from {} to \
                 {} rad/s, and the minimum margin is {} deg",
                times(count),
                Figure(lowest),
                Figure(highest),
                degrees(margin)
            ),
        }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.write_reason(f)?;
        match self.reason {
            Reason::Value(_) | Reason::Plant(_) | Reason::FlatAlready => Ok(()),
            _ => self.nearest.fmt(f),
        }
    }
}

impl fmt::Display for Nearest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let margin = self.phase_margin.map(|m| Figure(m.to_degrees()));
        match (margin, self.crossover.map(Figure)) {
            (Some(margin), Some(w)) => write!(
                f,
                "; nearest feasible: {margin} deg at this crossover, or {w} rad/s at this margin"
            ),
            (Some(margin), None) => {
                write!(f, "; nearest feasible: {margin} deg at this crossover")
            }
            (None, Some(w)) => write!(f, "; nearest feasible: {w} rad/s at this margin"),
            (None, None) => write!(f, "; nothing near it is feasible"),
        }
    }
}

fn times(count: usize) -> String {
    match count {
        1 => "once".into(),
        2 => "twice".into(),
        n => format!("{n} times"),
    }
}

fn check(plant: &Plant, asked: &Specification, form: Form) -> Result<(), Reason> {
    plant.check().map_err(Reason::Plant)?;
    values_fit(asked, form).map_err(Reason::Value)
}

fn values_fit(asked: &Specification, form: Form) -> Result<(), OutOfRange> {
    let margin = asked.phase_margin.to_degrees();
    let (key, fits) = ("the phase margin in deg", margin > 0.0 && margin < 180.0);
    OutOfRange::unless(fits, key, margin, "above 0 and below 180 deg")?;
    let (key, accepted) = ("the crossover", "0.001 to 100000 rad/s");
    OutOfRange::unless_within(1e-3, 1e5, key, asked.crossover, accepted)?;
    let corner = match form {
        Form::ProportionalIntegral => return Ok(()),
        Form::ProportionalDerivative { corner } => corner,
        Form::Full {
            integral_order,
            derivative_order,
            corner,
        } => {
            let orders = [
                ("the integral order", integral_order),
                ("the derivative order", derivative_order),
            ];
            for (key, order) in orders {
                let fits = order > 0.0 && order < 2.0;
                OutOfRange::unless(fits, key, order, "above 0 and below 2")?;
            }
            corner
        }
    };
    let key = "the derivative's corner";
    OutOfRange::unless(corner > 0.0, key, corner, "above 0 rad/s")
}

/// Returns gains whose loop was checked, for values in range; `plant` includes the delays.
fn sound(plant: &Plant, asked: &Specification, form: Form) -> Result<MotorGains, Reason> {
    let gains = equations::gains(plant, asked, form)?;
    let proper = gains.kd == 0.0
        || gains.derivative_corner.is_finite()
        || gains.derivative_order < plant.relative_degree();
    if !proper {
        return Err(Reason::RollOff);
    }
    let open = Loop::of(*plant, Law::new(&gains));
    // With a single crossover the phase there, -pi + margin, adds no turns: the loop is stable.
    if open.crosses_once_at(asked.crossover) {
        return Ok(gains);
    }
    let crossovers = open.crossovers();
    let poles = Loop::unstable_poles(&crossovers);
    if poles > 0 {
        let crossovers = crossovers.len();
        return Err(Reason::Unstable { poles, crossovers });
    }
    if let [first, .., last] = &crossovers[..] {
        let margins = crossovers.iter().map(|c| c.margin);
        return Err(Reason::SeveralCrossovers {
            count: crossovers.len(),
            lowest: first.frequency,
            highest: last.frequency,
            margin: margins.fold(PI, |a, b| if b.abs() < a.abs() { b } else { a }),
        });
    }
    Ok(gains)
}

/// Designs a law of `form` that gives `plant` with `delays` the margin, the crossover and a flat
/// phase there.
///
/// # Errors
/// Returns a refusal with the reason and the nearest specification that works. Reasons are a value
/// out of range, a specification that cannot be met, and a design that is unstable or crosses
/// magnitude 1 several times.
pub fn tune(
    plant: &Plant,
    delays: &Delays,
    asked: &Specification,
    form: Form,
) -> Result<Design, Refusal> {
    let plant = plant.delayed(delays.total());
    let refused = |reason| Refusal {
        asked: *asked,
        reason,
        nearest: Nearest::default(),
    };
    check(&plant, asked, form).map_err(refused)?;
    match sound(&plant, asked, form) {
        Ok(gains) => Ok(Design {
            gains,
            specification: *asked,
            plant,
        }),
        Err(Reason::FlatAlready) => Err(refused(Reason::FlatAlready)),
        Err(reason) => Err(Refusal {
            nearest: nearest(&plant, asked, form),
            ..refused(reason)
        }),
    }
}

/// Returns a value close to `from` that works. It searches outwards in both directions by
/// `place(k)`, k = -40..40, then bisects between the last that fails and the first that works.
/// `place` returns None outside the range.
fn outwards(works: impl Fn(f64) -> bool, place: impl Fn(f64) -> Option<f64>) -> Option<f64> {
    const PLACES: i32 = 40;
    for k in 1..=PLACES {
        for sign in [-1.0, 1.0] {
            let at = |k: f64| place(sign * k).filter(|x| works(*x));
            let (out, inside) = (f64::from(k - 1), f64::from(k));
            if at(inside).is_some() {
                let fails = |k| at(k).is_none();
                return at(bisect((out, inside), 24, halfway, fails).1);
            }
        }
    }
    None
}

/// Returns `x`, in multiples of `one`, to the four digits that [`Figure`] shows, where that still
/// works; else `x`.
fn rounded(x: f64, one: f64, works: impl Fn(f64) -> bool) -> f64 {
    let unit = one * 10f64.powf((x / one).log10().floor() - 3.0);
    let down = (x / unit).floor() * unit;
    let both = [down, down + unit].into_iter();
    both.filter(|x| works(*x))
        .min_by(|a, b| (a - x).abs().total_cmp(&(b - x).abs()))
        .unwrap_or(x)
}

fn nearest(plant: &Plant, asked: &Specification, form: Form) -> Nearest {
    let works = |s: Specification| check(plant, &s, form).is_ok() && sound(plant, &s, form).is_ok();
    let of_margin = |phase_margin| {
        works(Specification {
            phase_margin,
            ..*asked
        })
    };
    let of_crossover = |crossover| {
        works(Specification {
            crossover,
            ..*asked
        })
    };
    // Margins in 40 steps down to zero and as many up; crossovers in 40 steps down to a hundredth
    // and as many up.
    let margin = |k: f64| Some(asked.phase_margin + k / 40.0 * PI).filter(|m| *m > 0.0 && *m < PI);
    let crossover = |k: f64| Some(asked.crossover * 10f64.powf(k / 20.0));
    Nearest {
        phase_margin: outwards(of_margin, margin).map(|m| rounded(m, 1f64.to_radians(), of_margin)),
        crossover: outwards(of_crossover, crossover).map(|w| rounded(w, 1.0, of_crossover)),
    }
}

/// Returns designs for every pair of `margins` (rad) and `crossovers` (rad/s), one row per margin.
///
/// Each pair has gains or the reason for a refusal; the map itself shows the nearest that works.
pub fn map(
    plant: &Plant,
    delays: &Delays,
    form: Form,
    margins: &[f64],
    crossovers: &[f64],
) -> Vec<Vec<Result<MotorGains, Reason>>> {
    let plant = plant.delayed(delays.total());
    let one = |phase_margin: f64, crossover: f64| {
        let asked = Specification {
            phase_margin,
            crossover,
        };
        check(&plant, &asked, form)?;
        sound(&plant, &asked, form)
    };
    let row = |&m: &f64| crossovers.iter().map(|&w| one(m, w)).collect();
    margins.iter().map(row).collect()
}

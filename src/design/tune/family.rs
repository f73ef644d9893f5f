//! One gain set for a whole family of models: the fastest one whose worst sensitivity peak stays
//! below a limit.
//!
//! # The loop
//! The set has two degrees of freedom: the reference carries the motion, the loop corrects the
//! model's errors, and damping acts on the bend rate. Around one model `P(s)`, delays included, the
//! loop is
//!
//! ```text
//! L = (C(s) + d s) P(s),   C = kp + ki s^-lambda,
//! ```
//!
//! since a setpoint offset of `-d` times the bend rate is a derivative of gain d (s). All figures
//! are those of this loop, exact in the dead time ([`Loop::figures`]). A first-order model does not
//! fall off faster than a rate grows; there the rate rolls off at
//! [`FamilySpecification::rate_corner`].
//!
//! # The search
//! For a damping d, the search finds the largest ki that meets three conditions: the worst peak
//! over the family is below the limit, every member is stable, and the remaining mode decays fast
//! enough beside the integral loop ([`FamilySpecification::decay`]). Over d, up to where the
//! damping loop alone reaches the limit, it takes the one with the largest ki. A heavy head's slow
//! mode needs more damping, a light head's delays less; the best d satisfies both. The crossover is
//! that of the integral loop around the damped joint, `C P/(1 + d s P)`; the lowest of all members
//! counts.
//!
//! Work is bounded: some 30 dampings times at most 100 integral gains times the members, each some
//! 50 us; once per order and proportional gain tried.

mod middle;
mod search;

use super::Figure;
use super::equations::UNUSED_CORNER;
use crate::control::bounds::OutOfRange;
use crate::control::controller::reference_model::{ModelError, ReferenceModel};
use crate::control::controller::shaper::LONGEST_WINDOW;
use crate::control::controller::{CommandInterface, GainSet, MotorGains, Structure};
use crate::design::model::{Delays, Loop, Peak, Plant, PlantError, SecondOrder};
use search::{Found, Search, fastest, least_peak, peak_for};
use std::fmt;

/// Default sensitivity peak; 1.2 to 2 are usual, Astrom and Hagglund 2006, "Advanced PID Control",
/// section 4.7 (from memory).
pub const USUAL_PEAK: f64 = 1.7;
/// Default decay of the remaining mode, as a share of the crossover. Found by trial on a simulated
/// joint. With 0.7 to 1 the joint returns in time after a push or an added payload; with less it
/// keeps oscillating, though the sensitivity peak is the same.
pub const USUAL_DECAY: f64 = 0.8;
/// Second window as a share of the first. Found by search on a simulated joint, no source.
const SECOND_WINDOW: f64 = 0.15;
/// The delay may grow until the worst peak is the specified one times this (our choice, no source).
const LATE_PEAK: f64 = 1.2;
/// Maximum dead time that a set may allow, s.
const MOST_DELAY: f64 = 0.5;

/// Specification of a gain set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FamilySpecification {
    /// Maximum sensitivity peak on any model.
    pub sensitivity_peak: f64,
    /// Minimum decay of the remaining mode, as a share of the integral loop's crossover: the
    /// crossover gives the speed only if everything else decays as fast. 0 for no requirement.
    pub decay: f64,
    /// Minimum crossover on every model, rad/s; none: as high as possible.
    pub crossover: Option<f64>,
    /// Proportional gain; none: searched.
    pub proportional: Option<f64>,
    /// Integral order; none: searched.
    pub order: Option<f64>,
    /// Corner of the rate's roll-off around models of first order, rad/s.
    pub rate_corner: f64,
    /// Number of motors of the joint, all alike.
    pub motors: usize,
}

impl FamilySpecification {
    /// Returns the default specification: a peak of [`USUAL_PEAK`], integral action of order 1
    /// without a proportional part, a sensor that reports every `sensor_period` s.
    pub fn usual(motors: usize, sensor_period: f64) -> Self {
        Self {
            sensitivity_peak: USUAL_PEAK,
            decay: USUAL_DECAY,
            crossover: None,
            proportional: Some(0.0),
            order: Some(1.0),
            rate_corner: crate::control::controller::highest_corner(sensor_period),
            motors,
        }
    }
}

/// Figures of the set on one model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OnModel {
    /// The model.
    pub plant: Plant,
    /// Crossover of the integral loop around the damped joint, rad/s.
    pub crossover: f64,
    /// Phase margin there, rad.
    pub phase_margin: f64,
    /// Sensitivity peak of the whole loop.
    pub sensitivity: Peak,
    /// Sensitivity peak of the damping loop.
    pub damping_sensitivity: Peak,
    /// Number of closed-loop poles in the right half-plane.
    pub unstable_poles: u32,
    /// Remaining mode with the loop closed; none where it does not oscillate.
    pub swing: Option<SecondOrder>,
}

/// The fastest gain set for a family.
#[derive(Clone, Debug, PartialEq)]
pub struct FamilyDesign {
    /// The gain set, as it is saved.
    pub gains: GainSet,
    /// Figures on each model, in the family's order.
    pub models: Vec<OnModel>,
    /// Index of the model with the lowest crossover.
    pub slowest: usize,
    /// Index of the model with the highest sensitivity peak.
    pub worst: usize,
    /// Index of the model that limits the integral gain.
    pub integral_limit: usize,
    /// True if that limit is the decay of the remaining mode, false if it is the sensitivity peak.
    pub limited_by_mode: bool,
    /// Index of the model that limits the damping.
    pub damping_limit: usize,
    /// Index of the model whose mode the shaper's first window is matched to.
    pub swings: usize,
    /// The largest crossover at order 1, if the order was searched.
    pub integer_crossover: Option<f64>,
}

/// The reason why there is no set.
#[derive(Clone, Debug, PartialEq)]
pub enum FamilyRefusal {
    /// No model.
    NoModel,
    /// A model is out of range.
    Plant {
        /// Index of the model, from 0.
        index: usize,
        /// Error of the model.
        error: PlantError,
    },
    /// A value is out of range.
    Value(OutOfRange),
    /// A model integrates: the reference cannot be fed forward to a rest position.
    Integrates {
        /// Index of the model, from 0.
        index: usize,
    },
    /// The model of the family's middle cannot be used in a set.
    Middle(ModelError),
    /// The sensitivity peak cannot be reached.
    Peak {
        /// Requested peak.
        asked: f64,
        /// Minimum peak that works; none if nothing does.
        least: Option<f64>,
    },
    /// The peak can be reached, but not with that crossover.
    Crossover {
        /// Requested crossover, rad/s.
        asked: f64,
        /// Maximum crossover, rad/s.
        most: f64,
        /// Index of the model that limits it.
        worst: usize,
        /// Requested peak.
        peak: f64,
        /// Peak at which the crossover can be reached; none up to 10.
        needed: Option<f64>,
    },
}

impl std::error::Error for FamilyRefusal {}

impl fmt::Display for FamilyRefusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.words(&[]))
    }
}

/// Returns the name of a model, or its number from 0 where `names` has none.
fn name(names: &[String], index: usize) -> String {
    let name = names.get(index).cloned();
    name.unwrap_or_else(|| format!("model {index}"))
}

impl FamilyRefusal {
    /// Returns true if a given value is out of range, false if the set is out of reach.
    pub fn is_input(&self) -> bool {
        !matches!(self, Self::Peak { .. } | Self::Crossover { .. })
    }

    /// Returns the refusal as one sentence, with models called by `names`.
    pub fn words(&self, names: &[String]) -> String {
        match self {
            Self::NoModel => "there is no model to tune on".into(),
            Self::Plant { index, error } => format!("{}: {error}", name(names, *index)),
            Self::Value(error) => error.to_string(),
            Self::Integrates { index } => format!(
                "{} integrates; accepted: models that come to rest, since the set feeds the \
                 reference forward",
                name(names, *index)
            ),
            Self::Middle(error) => format!("the middle of the family: {error}"),
            Self::Peak { asked, least } => {
                let least = match least {
                    Some(least) => format!("minimum feasible: {}", Figure(*least)),
                    None => "none up to 10 is feasible".into(),
                };
                let asked = Figure(*asked);
                format!("a sensitivity peak of {asked} is not feasible on every model; {least}")
            }
            Self::Crossover {
                asked,
                most,
                worst,
                peak,
                needed,
            } => {
                let needed = match needed {
                    Some(needed) => format!(", or a peak of {}", Figure(*needed)),
                    None => String::new(),
                };
                format!(
                    "a crossover of {} rad/s on every model is not feasible with a sensitivity \
                     peak of {}: {} limits it; nearest feasible: {} rad/s with this peak{needed}",
                    Figure(*asked),
                    Figure(*peak),
                    name(names, *worst),
                    Figure(*most),
                )
            }
        }
    }
}

impl FamilyDesign {
    /// Returns the lowest crossover over the family, rad/s.
    pub fn crossover(&self) -> f64 {
        self.models[self.slowest].crossover
    }

    /// Returns the highest sensitivity peak over the family.
    pub fn peak(&self) -> f64 {
        self.models[self.worst].sensitivity.value
    }

    /// Returns the whole loop around the model of that index: integral action and damping together,
    /// as searched under `specification`.
    pub fn open_loop(&self, index: usize, specification: &FamilySpecification) -> Option<Loop> {
        let (on, gains) = (self.models.get(index)?, self.gains.motors.first()?);
        let found = Found {
            proportional: gains.kp,
            integral: gains.ki,
            order: gains.integral_order,
            damping: self.gains.damping,
        };
        Some(Search::new(&[], 0.0, specification).open(&on.plant, &found))
    }

    /// Returns the limits of the set as one sentence, with models called by `names`.
    pub fn limits(&self, names: &[String]) -> String {
        let on = &self.models[self.integral_limit];
        let why = match on.swing {
            Some(swing) if self.limited_by_mode => format!(
                "its remaining mode, {} rad/s with a damping ratio of {}, would decay too slowly",
                Figure(swing.natural_frequency),
                Figure(swing.damping_ratio)
            ),
            _ => format!(
                "its sensitivity peak, {} at {} rad/s",
                Figure(on.sensitivity.value),
                Figure(on.sensitivity.frequency)
            ),
        };
        format!(
            "More integral gain is limited by {}: {why}; more damping is limited by {}.",
            name(names, self.integral_limit),
            name(names, self.damping_limit),
        )
    }

    /// Returns the benefit of an order other than 1, if the order was searched.
    pub fn order_words(&self) -> Option<String> {
        let integer = self.integer_crossover?;
        let order = self.gains.motors.first().map_or(1.0, |g| g.integral_order);
        Some(if order == 1.0 {
            "A fractional order has no benefit here: none from 0.8 to 1.2 is faster by 5 % than \
             order 1."
                .into()
        } else {
            format!(
                "Order {order} gives more crossover: {} rad/s against {} rad/s of order 1; the \
                 remaining error then decays as a slow power of time.",
                Figure(self.crossover()),
                Figure(integer)
            )
        })
    }
}

fn check(
    family: &[Plant],
    delays: &Delays,
    specification: &FamilySpecification,
) -> Result<(), FamilyRefusal> {
    if family.is_empty() {
        return Err(FamilyRefusal::NoModel);
    }
    for (index, plant) in family.iter().enumerate() {
        let error = |error| FamilyRefusal::Plant { index, error };
        plant.check().map_err(error)?;
        if plant.integrates() {
            return Err(FamilyRefusal::Integrates { index });
        }
    }
    values_fit(delays, specification).map_err(FamilyRefusal::Value)
}

fn values_fit(delays: &Delays, specification: &FamilySpecification) -> Result<(), OutOfRange> {
    let within = OutOfRange::unless_within;
    within(0.0, MOST_DELAY, "the delay", delays.total(), "0 to 0.5 s")?;
    let (key, peak) = ("the sensitivity peak", specification.sensitivity_peak);
    let fits = peak > 1.0 && peak <= 10.0;
    OutOfRange::unless(fits, key, peak, "above 1, at most 10")?;
    if let Some(w) = specification.crossover {
        let accepted = "above 0, at most 1000 rad/s";
        OutOfRange::unless(w > 0.0 && w <= 1000.0, "the crossover", w, accepted)?;
    }
    if let Some(kp) = specification.proportional {
        within(0.0, 1000.0, "kp", kp, "0 to 1000")?;
    }
    if let Some(order) = specification.order {
        let (key, fits) = ("the integral order", order > 0.0 && order < 2.0);
        OutOfRange::unless(fits, key, order, "above 0 and below 2")?;
    }
    let decay = specification.decay;
    within(0.0, 10.0, "the mode's decay", decay, "0 to 10")?;
    let (key, corner) = ("the rate's corner", specification.rate_corner);
    let fits = corner > 0.0 && corner.is_finite();
    OutOfRange::unless(fits, key, corner, "above 0 rad/s")
}

/// Rounds `x` down to three digits.
fn three(x: f64) -> f64 {
    down(x, 3)
}

/// Rounds `x` down to that many digits.
fn down(x: f64, count: i32) -> f64 {
    if !(x > 0.0 && x.is_finite()) {
        return 0.0;
    }
    // Computed so that whole powers of ten and their quotients have no rounding digits.
    let digits = count - 1 - x.log10().floor() as i32;
    if digits >= 0 {
        let unit = 10f64.powi(digits);
        (x * unit).floor() / unit
    } else {
        let unit = 10f64.powi(-digits);
        (x / unit).floor() * unit
    }
}

/// Rounds the gains to few digits where they still hold.
fn plain(search: &Search, found: Found, peak: f64) -> Found {
    let damping = three(found.damping);
    let short = Found { damping, ..found };
    let integral = search.most_integral(&short, peak).map(three);
    match integral {
        Some(integral) => {
            let short = Found { integral, ..short };
            if search.holds(&short, peak) {
                short
            } else {
                found
            }
        }
        None => found,
    }
}

/// Returns the shaper's two moving averages, s; the first is as long as `window`.
fn smoothing(window: f64) -> [f64; 2] {
    let first = (window.min(LONGEST_WINDOW) * 1e3).round() / 1e3;
    [first, (SECOND_WINDOW * first * 1e3).round() / 1e3]
}

/// Returns the shaper's two moving averages for a single model without damping, s.
pub fn smoothing_for(plant: &Plant) -> [f64; 2] {
    smoothing(search::window(plant, search::own_mode(plant), 0.0))
}

/// Returns the index of the maximum.
fn greatest(values: impl Iterator<Item = f64>) -> usize {
    let all = values.enumerate();
    all.max_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(i, _)| i)
}

/// Returns the figures of gains with damping around each model of a family with `delays`, as
/// [`tune_family`] reports for its own set.
///
/// # Errors
/// Returns a refusal for a model or value out of range, or a model that integrates.
pub fn on_family(
    family: &[Plant],
    delays: &Delays,
    gains: &MotorGains,
    damping: f64,
    specification: &FamilySpecification,
) -> Result<Vec<OnModel>, FamilyRefusal> {
    let specification = FamilySpecification {
        proportional: Some(gains.kp),
        order: Some(gains.integral_order),
        ..*specification
    };
    check(family, delays, &specification)?;
    for (key, value) in [("ki", gains.ki), ("the damping", damping)] {
        OutOfRange::unless_within(0.0, 1000.0, key, value, "0 to 1000")
            .map_err(FamilyRefusal::Value)?;
    }
    let search = Search::new(family, delays.total(), &specification);
    let found = Found {
        proportional: gains.kp,
        integral: gains.ki,
        order: gains.integral_order,
        damping,
    };
    Ok(search.plants.iter().map(|p| search.on(p, &found)).collect())
}

/// Returns the fastest set for the whole family with `delays`; for the method see the module's
/// documentation.
///
/// # Errors
/// Returns a refusal for a value out of range, and for a peak or a crossover that cannot be reached
/// on every model, with one that can.
pub fn tune_family(
    family: &[Plant],
    delays: &Delays,
    specification: &FamilySpecification,
) -> Result<FamilyDesign, FamilyRefusal> {
    check(family, delays, specification)?;
    let search = Search::new(family, delays.total(), specification);
    let peak = specification.sensitivity_peak;
    let Some((found, integer_crossover)) = fastest(&search, peak) else {
        return Err(FamilyRefusal::Peak {
            asked: peak,
            least: least_peak(&search),
        });
    };
    let found = plain(&search, found, peak);
    let models: Vec<OnModel> = search.plants.iter().map(|p| search.on(p, &found)).collect();
    let slowest = greatest(models.iter().map(|m| -m.crossover));
    let worst = greatest(models.iter().map(|m| m.sensitivity.value));
    let (integral_limit, limited_by_mode) = integral_limit(&search, &found, peak);
    if let Some(asked) = specification.crossover
        && models[slowest].crossover < asked
    {
        return Err(FamilyRefusal::Crossover {
            asked,
            // Rounded down, so that the value shown works as well.
            most: down(models[slowest].crossover, 4),
            worst: integral_limit,
            peak,
            needed: peak_for(&search, &found, asked),
        });
    }
    let damped = Found {
        damping: 1.1 * found.damping + 1e-3,
        ..found
    };
    let window = |m: &OnModel| search::window(&m.plant, m.swing, found.damping);
    let swings = greatest(models.iter().map(window));
    let smoothing = smoothing(window(&models[swings]));
    Ok(FamilyDesign {
        gains: gain_set(&search, &found, smoothing, delays.total())?,
        slowest,
        worst,
        integral_limit,
        limited_by_mode,
        damping_limit: greatest(search.peaks(&damped).into_iter()),
        swings,
        integer_crossover,
        models,
    })
}

/// Returns the index of the model that limits the integral gain, as gains slightly above those
/// found show, and true if it does so by its remaining mode.
fn integral_limit(search: &Search, found: &Found, peak: f64) -> (usize, bool) {
    let stiffer = Found {
        integral: 1.05 * found.integral,
        ..*found
    };
    let peaks = search.peaks(&stiffer);
    let late = search.plants.iter().map(|p| search.lateness(p, &stiffer));
    let both: Vec<(f64, f64)> = peaks.into_iter().map(|x| x / peak).zip(late).collect();
    let limit = greatest(both.iter().map(|(peak, late)| peak.max(*late)));
    (limit, both[limit].1 > both[limit].0)
}

/// Returns the set of those gains; `total` is the delay, s, that the search includes.
fn gain_set(
    search: &Search,
    found: &Found,
    smoothing: [f64; 2],
    total: f64,
) -> Result<GainSet, FamilyRefusal> {
    let specification = search.specification;
    let peak = LATE_PEAK * specification.sensitivity_peak;
    let spare = search.spare(found, peak, MOST_DELAY - total);
    let model = middle::model(&search.plants, found.damping);
    ReferenceModel::new(&model, 1e-3).map_err(FamilyRefusal::Middle)?;
    let motor = MotorGains {
        kd: 0.0,
        ..found.gains(UNUSED_CORNER)
    };
    Ok(GainSet {
        kind: CommandInterface::Position,
        structure: Structure::TwoDegreesOfFreedom,
        motors: vec![motor; specification.motors],
        damping: found.damping,
        model,
        smoothing,
        integrator_deadband: None,
        delay_allowed: ((total + spare) * 1e4).floor() / 1e4,
        tension_gain: 0.0,
    })
}

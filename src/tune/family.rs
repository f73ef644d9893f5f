//! One gain set for a whole family of models: the fastest whose worst sensitivity peak stays below a figure.
//!
//! # The loop
//! The set is that of two degrees of freedom: the reference carries the motion, the loop corrects what its model got wrong,
//! and damping acts on the bend rate. Round one model `P(s)`, delays included, the loop is
//!
//! ```text
//! L = (C(s) + d s) P(s),   C = kp + ki s^-lambda,
//! ```
//!
//! since a setpoint offset of `-d` times the bend rate is a derivative of gain d (s). All figures are those of this loop,
//! exact in the dead time ([`Loop::figures`]). A first-order model does not fall off faster than a rate grows; there the rate rolls off at
//! [`FamilySpecification::rate_corner`].
//!
//! # The search
//! For a damping d the largest ki whose worst peak over the family is below the figure, with every member stable and whatever still
//! swings dying down beside the integral loop ([`FamilySpecification::decay`]); over d, up to where damping alone reaches the figure, the one
//! with the largest ki. A heavy head's slow swing asks for more damping, a light head's delays for less: the best d is where both hold. Crossover is that of the integral loop round the damped joint,
//! `C P/(1 + d s P)`; the lowest of all members counts.
//!
//! Work is bounded: some 30 dampings by at most 100 integral gains by the members, each some 50 us; once per order and
//! proportional gain tried.

mod middle;
mod search;

use super::Figure;
use crate::controller::shaper::LONGEST_WINDOW;
use crate::controller::{CommandInterface, GainSet, MotorGains, Structure};
use crate::model::{Delays, Loop, Peak, Plant, PlantError};
use search::{Found, Search, fastest, least_peak, peak_for};
use std::fmt;

/// Sensitivity peak that is usual where nothing else is said: 1.2 to 2 are, Astrom and Hagglund 2006, "Advanced PID Control",
/// section 4.7 (from memory).
pub const USUAL_PEAK: f64 = 1.7;
/// Decay of what swings, over the crossover, where nothing else is said. Found by trial on a simulated joint: with 0.7 to 1 it is
/// back in time after a push or with a payload set on, with less it swings on, though the sensitivity peak is the same.
pub const USUAL_DECAY: f64 = 0.8;
/// The second window as a share of the first. Found by search on a simulated joint, no source.
const SECOND_WINDOW: f64 = 0.15;
/// More delay is allowed up to where the worst peak is that of the figure asked times this (our choice, no source).
const LATE_PEAK: f64 = 1.2;
/// Longest dead time that a set may allow, s.
const MOST_DELAY: f64 = 0.5;

/// What the set is to do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FamilySpecification {
    /// Greatest sensitivity peak on any model.
    pub sensitivity_peak: f64,
    /// How fast a swing that is left has to die down, as a share of the integral loop's crossover: a crossover is a speed
    /// only where all else is as fast. 0 for no matter.
    pub decay: f64,
    /// Crossover that is needed on every model, rad/s; none: as much as there is.
    pub crossover: Option<f64>,
    /// Proportional gain; none: found.
    pub proportional: Option<f64>,
    /// Integral order; none: found.
    pub order: Option<f64>,
    /// Where the rate rolls off round models of first order, rad/s.
    pub rate_corner: f64,
    /// Motors of the joint, all alike.
    pub motors: usize,
}

impl FamilySpecification {
    /// The usual: a peak of [`USUAL_PEAK`], integral action of order 1 without a proportional part, a sensor that reports every
    /// `sensor_period` s.
    pub fn usual(motors: usize, sensor_period: f64) -> Self {
        Self {
            sensitivity_peak: USUAL_PEAK,
            decay: USUAL_DECAY,
            crossover: None,
            proportional: Some(0.0),
            order: Some(1.0),
            rate_corner: crate::controller::highest_corner(sensor_period),
            motors,
        }
    }
}

/// A swing: natural frequency and damping ratio.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Swing {
    /// rad/s.
    pub natural_frequency: f64,
    /// 1.
    pub damping_ratio: f64,
}

/// What the set does on one model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OnModel {
    /// The model.
    pub plant: Plant,
    /// Crossover of the integral loop round the damped joint, rad/s.
    pub crossover: f64,
    /// Phase margin there, rad.
    pub phase_margin: f64,
    /// Sensitivity peak of the whole loop.
    pub sensitivity: Peak,
    /// And of damping alone.
    pub damping_sensitivity: Peak,
    /// Closed-loop poles in the right half-plane.
    pub unstable_poles: u32,
    /// The swing that is left with the loop closed; none where it does not swing.
    pub swing: Option<Swing>,
}

/// The fastest set for a family.
#[derive(Clone, Debug, PartialEq)]
pub struct FamilyDesign {
    /// The whole set.
    pub gains: GainSet,
    /// On each model, in the family's order.
    pub models: Vec<OnModel>,
    /// Index of the model with the lowest crossover.
    pub slowest: usize,
    /// Index of the model with the highest sensitivity peak.
    pub worst: usize,
    /// Index of the model on which more integral gain would be too much first.
    pub integral_limit: usize,
    /// Whether that is because its swing would die down too slowly, rather than because of its peak.
    pub limited_by_mode: bool,
    /// Index of the model on which more damping would be too much first.
    pub damping_limit: usize,
    /// Index of the model whose swing the shaper's first window is matched to.
    pub swings: usize,
    /// The largest crossover at order 1, if an order was to be found.
    pub integer_crossover: Option<f64>,
}

/// Why there is no set.
#[derive(Clone, Debug, PartialEq)]
pub enum FamilyRefusal {
    /// No model.
    NoModel,
    /// A model is out of range.
    Plant {
        /// Which one, from 0.
        index: usize,
        /// What is wrong.
        error: PlantError,
    },
    /// A value is out of range.
    Value {
        /// Which value.
        key: &'static str,
        /// The value given.
        value: f64,
        /// What is accepted.
        accepted: &'static str,
    },
    /// A model integrates: it has no rest that a reference could be fed forward to.
    Integrates {
        /// Which one, from 0.
        index: usize,
    },
    /// The model of the family's middle cannot stand in a set.
    Middle(crate::controller::reference_model::ModelError),
    /// The peak cannot be had.
    Peak {
        /// What was asked.
        asked: f64,
        /// The least that works; none if nothing does.
        least: Option<f64>,
    },
    /// The peak can be had, but not with that crossover.
    Crossover {
        /// What was asked, rad/s.
        asked: f64,
        /// The largest, rad/s.
        most: f64,
        /// Index of the model that limits it.
        worst: usize,
        /// The peak that was asked.
        peak: f64,
        /// The peak at which the crossover can be had; none up to 10.
        needed: Option<f64>,
    },
}

impl std::error::Error for FamilyRefusal {}

impl fmt::Display for FamilyRefusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.words(&[]))
    }
}

/// The name of a model, or its number from 0 where `names` has none.
fn name(names: &[String], index: usize) -> String {
    let name = names.get(index).cloned();
    name.unwrap_or_else(|| format!("model {index}"))
}

impl FamilyRefusal {
    /// Whether a value that was given is out of range, rather than a set out of reach.
    pub fn is_input(&self) -> bool {
        !matches!(self, Self::Peak { .. } | Self::Crossover { .. })
    }

    /// One sentence, with models called by `names`.
    pub fn words(&self, names: &[String]) -> String {
        match self {
            Self::NoModel => "there is no model to tune on".into(),
            Self::Plant { index, error } => format!("{}: {error}", name(names, *index)),
            Self::Value {
                key,
                value,
                accepted,
            } => format!("{key} is {value}; accepted: {accepted}"),
            Self::Integrates { index } => format!(
                "{} integrates; accepted: models that come to rest, since the set feeds the reference forward",
                name(names, *index)
            ),
            Self::Middle(error) => format!("the middle of the family: {error}"),
            Self::Peak { asked, least } => {
                let least = match least {
                    Some(least) => format!("least that works: {}", Figure(*least)),
                    None => "none up to 10 can".into(),
                };
                let asked = Figure(*asked);
                format!("a sensitivity peak of {asked} cannot be had on every model; {least}")
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
                    "a crossover of {} rad/s on every model cannot be had with a sensitivity peak of {}: {} limits it; nearest that works: {} rad/s with this peak{needed}",
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
    /// The lowest crossover over the family, rad/s.
    pub fn crossover(&self) -> f64 {
        self.models[self.slowest].crossover
    }

    /// The highest sensitivity peak over the family.
    pub fn peak(&self) -> f64 {
        self.models[self.worst].sensitivity.value
    }

    /// The whole loop round the model of that index: integral action and damping together, as it was searched under `specification`.
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

    /// What limits it, in one sentence, with models called by `names`.
    pub fn limits(&self, names: &[String]) -> String {
        let on = &self.models[self.integral_limit];
        let why = match on.swing {
            Some(swing) if self.limited_by_mode => format!(
                "what is left of its swing, {} rad/s with a damping ratio of {}, would die down too slowly",
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

    /// What an order other than 1 brought, if one was to be found.
    pub fn order_words(&self) -> Option<String> {
        let integer = self.integer_crossover?;
        let order = self.gains.motors.first().map_or(1.0, |g| g.integral_order);
        Some(if order == 1.0 {
            "A fractional order brings nothing here: none from 0.8 to 1.2 is faster by 5 % than order 1."
                .into()
        } else {
            format!(
                "Order {order} gives more crossover: {} rad/s against {} rad/s of order 1; what is left of an error then fades as a slow power of time.",
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
    let value = |key, value, accepted, good: bool| {
        if good {
            Ok(())
        } else {
            Err(FamilyRefusal::Value {
                key,
                value,
                accepted,
            })
        }
    };
    let total = delays.total();
    let accepted = "0 to 0.5 s";
    value(
        "the delay",
        total,
        accepted,
        (0.0..=MOST_DELAY).contains(&total),
    )?;
    let peak = specification.sensitivity_peak;
    let accepted = "above 1, at most 10";
    value(
        "the sensitivity peak",
        peak,
        accepted,
        peak > 1.0 && peak <= 10.0,
    )?;
    if let Some(w) = specification.crossover {
        let accepted = "above 0, at most 1000 rad/s";
        value("the crossover", w, accepted, w > 0.0 && w <= 1000.0)?;
    }
    if let Some(kp) = specification.proportional {
        value("kp", kp, "0 to 1000", (0.0..=1000.0).contains(&kp))?;
    }
    if let Some(order) = specification.order {
        let accepted = "above 0 and below 2";
        value(
            "the integral order",
            order,
            accepted,
            order > 0.0 && order < 2.0,
        )?;
    }
    let decay = specification.decay;
    value(
        "the swing's decay",
        decay,
        "0 to 10",
        (0.0..=10.0).contains(&decay),
    )?;
    let corner = specification.rate_corner;
    value(
        "the rate's corner",
        corner,
        "above 0 rad/s",
        corner > 0.0 && corner.is_finite(),
    )
}

/// `x` down to three digits.
fn three(x: f64) -> f64 {
    down(x, 3)
}

/// `x` down to that many digits.
fn down(x: f64, count: i32) -> f64 {
    if !(x > 0.0 && x.is_finite()) {
        return 0.0;
    }
    // Whole powers of ten and their quotients come out as people write them.
    let digits = count - 1 - x.log10().floor() as i32;
    if digits >= 0 {
        let unit = 10f64.powi(digits);
        (x * unit).floor() / unit
    } else {
        let unit = 10f64.powi(-digits);
        (x / unit).floor() * unit
    }
}

/// Numbers of few digits close by, where they hold as well.
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

/// The shaper's two moving averages, s, the first as long as `window`.
fn smoothing(window: f64) -> [f64; 2] {
    let first = (window.min(LONGEST_WINDOW) * 1e3).round() / 1e3;
    [first, (SECOND_WINDOW * first * 1e3).round() / 1e3]
}

/// The shaper's two moving averages for a single model without damping, s.
pub fn smoothing_for(plant: &Plant) -> [f64; 2] {
    smoothing(search::window(plant, search::own_mode(plant), 0.0))
}

/// The index of the greatest.
fn greatest(values: impl Iterator<Item = f64>) -> usize {
    let all = values.enumerate();
    all.max_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(i, _)| i)
}

/// Figures of gains with damping round each model of a family behind `delays`: what [`tune_family`] reports of its own.
///
/// # Errors
/// A model out of range, or one that integrates; a value out of range.
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
        if !(0.0..=1000.0).contains(&value) {
            let accepted = "0 to 1000";
            return Err(FamilyRefusal::Value {
                key,
                value,
                accepted,
            });
        }
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

/// The fastest set for the whole family behind `delays`: see the top of this file.
///
/// # Errors
/// A value out of range; a peak, or a crossover, that cannot be had on every model: with the one that can.
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
    // What a little more would be too much for.
    let stiffer = Found {
        integral: 1.05 * found.integral,
        ..found
    };
    let peaks = search.peaks(&stiffer).into_iter().map(|x| x / peak);
    let late = search.plants.iter().map(|p| search.lateness(p, &stiffer));
    let (peaks, late): (Vec<f64>, Vec<f64>) = (peaks.collect(), late.collect());
    let both = peaks.iter().zip(&late).map(|(a, b)| a.max(*b));
    let integral_limit = greatest(both);
    let limited_by_mode = late[integral_limit] > peaks[integral_limit];
    if let Some(asked) = specification.crossover
        && models[slowest].crossover < asked
    {
        return Err(FamilyRefusal::Crossover {
            asked,
            // As it is shown it has to work.
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
    let damping_limit = greatest(search.peaks(&damped).into_iter());
    let windows: Vec<f64> = models
        .iter()
        .map(|m| search::window(&m.plant, m.swing, found.damping))
        .collect();
    let swings = greatest(windows.iter().copied());
    let smoothing = smoothing(windows[swings]);
    let total = delays.total();
    let spare = search.spare(&found, LATE_PEAK * peak, MOST_DELAY - total);
    let model = middle::model(&search.plants, found.damping);
    crate::controller::reference_model::ReferenceModel::new(&model, 1e-3)
        .map_err(FamilyRefusal::Middle)?;
    let motor = MotorGains {
        kp: found.proportional,
        ki: found.integral,
        kd: 0.0,
        integral_order: found.order,
        derivative_order: 1.0,
        derivative_corner: 100.0,
    };
    let gains = GainSet {
        kind: CommandInterface::Position,
        structure: Structure::TwoDegreesOfFreedom,
        motors: vec![motor; specification.motors],
        damping: found.damping,
        model,
        smoothing,
        integrator_deadband: None,
        delay_allowed: ((total + spare) * 1e4).floor() / 1e4,
        tension_gain: 0.0,
    };
    Ok(FamilyDesign {
        gains,
        models,
        slowest,
        worst,
        integral_limit,
        limited_by_mode,
        damping_limit,
        swings,
        integer_crossover,
    })
}

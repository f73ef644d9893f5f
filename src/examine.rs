//! What a gain set is worth on every model of a joint's family, all tendons taut and each one slack.
//!
//! # The loop
//! At a bend `b` the motors' Jacobian is `J` (N x 2), their tendons' stiffness `W` (N m/rad at the shafts, on the
//! diagonal). What the node runs maps a bend error `e` (rad) to setpoints `J e_q`, `e_q = A diag(C_i(z)) J e` with `A =
//! (J^T W J)^-1 J^T W`: one fractional-order controller per motor, projected into bend space. Damping adds `d` (s)
//! times the bend rate that the IMU shows. A model `g(s)` answers setpoints with a bend, so that
//!
//! ```text
//! L = A diag(C_i) J g + d s g I,
//! ```
//!
//! opened at the setpoints, all motors in their places.
//!
//! All of it is taken as it is sampled: the operators' own discrete forms, the derivative that steps at new samples
//! only, a sample held until the next one comes, setpoints held over a tick, dead time of any length. With a sensor
//! period of m ticks the sampled loop at w is the sum of m terms at `w + 2 pi l/T`, which folds every frequency onto
//! its own. All of this is exact, and so is stability; margins and sensitivity are those of the sum, which for m above
//! 1 leaves out that bend and rate are folded apart. A sensor period that is no whole number of ticks is rounded to
//! one. Not in it are limits of travel, speed and authority, integrator deadband, stiction, and what changes while the joint
//! moves from bend to bend.
//!
//! # A slack tendon
//! A tendon that hangs slack pulls no more: the joint is softer there, and its motor moves nothing. Per unit of bend
//! the tendons hold with `K_t = J^T W J`, beam and gravity with `K_b` (both N m/rad). At rest `K_b b = J^T W (q - J
//! b)`; for setpoints `q = J r` that gives `b = (K_b + K_t)^-1 K_t r`, which is the model's gain `g0`: `K_b = K_t (1/g0
//! - 1)`. With the dynamics of the model, `d(s)` (1 at rest), on the whole stiffness `K_t/g0`, and without tendon i's
//! `K_i = J_i w_i J_i^T`,
//!
//! ```text
//! ((K_t/g0) d(s) - K_i) b = (K_t - K_i) r.
//! ```
//!
//! Inertia and damping of the beam stay what they were. In the direction `K_t^(-1/2) K_t^(-1/2) J_i`, where K_i has the
//! share `mu = w_i J_i^T K_t^-1 J_i`, this is `g0 (1 - mu)/(d - g0 mu)`: a joint that is softer, slower and less
//! damped; at a right angle to it (in the metric `K_t`) nothing changes. A joint with `g0 mu >= 1` falls over, whatever
//! the loop does. An integrating model says nothing of stiffness; slack is not looked at there. Source: derived here
//! from the balance of moments.
//!
//! A first-order model's bend takes up speed at once, which no joint with motors does, and damping feeds that back.
//! Under damping, as much of its dead time as the motors' time constant is therefore read as their lag: alike at
//! frequencies where the model holds.
//!
//! Models are alike in all directions of bend. A joint that follows differently along and across is two models of the
//! family.
//!
//! # The continuous law
//! Beside it stand the figures of the law as it was designed: continuous operators, exact delays, half a sensor period for the
//! holds. How it moves comes from inverse Laplace transforms: the bend measured and the setpoint after a step of the reference,
//! and after the shaped reference that the node makes. Overshoot, settling and greatest setpoint are read off these as off the
//! discrete law's; jumps of an continuous setpoint count with their height. Sensors' noise has the same density as samples have,
//! up to their Nyquist frequency and none above. An continuous law that is unstable above the Nyquist frequency is not noticed.
//!
//! Frequencies in rad/s, times in s, angles in rad. Design-time work, off the real-time thread.

mod continuous;
mod contour;
mod loops;
mod motion;
mod pulse;
mod verdict;

pub use motion::{Course, Demand, Load, Moment, Move};
pub use verdict::Floor;

use crate::geometry::{Bend, bend_from};
use crate::kinematics::Kinematics;
use crate::model::{Peak, Plant};
use crate::tick::{Joint, Law};
use contour::{Grid, Which};
use loops::{Case, Frame, Place};
use nalgebra::Complex;

/// One model of a joint's family.
#[derive(Clone, Debug, PartialEq)]
pub struct Member {
    /// What it is called.
    pub name: String,
    /// How the joint follows position setpoints, from the bend asked to the bend measured, the sensor's usual age
    /// included.
    pub plant: Plant,
    /// Time constant of the motors where `plant` is the joint behind them, s; 0 where `plant` holds them too.
    pub motor_lag: f64,
}

impl Member {
    /// A model of the whole, motors included.
    pub fn new(name: impl Into<String>, plant: Plant) -> Self {
        Self {
            name: name.into(),
            plant,
            motor_lag: 0.0,
        }
    }
}

/// What the loop runs under.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Conditions {
    /// Age of samples when they are used, beyond the models' dead time, s.
    pub age: f64,
    /// Delay of setpoints on their way out, s.
    pub output: f64,
    /// Noise of the bend that the sensors say, rad rms per axis, new with every sample.
    pub orientation_noise: f64,
    /// Noise of the angular velocity, rad/s rms per axis.
    pub gyro_noise: f64,
}

/// A frequency and what was found there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossing {
    /// rad/s.
    pub frequency: f64,
    /// A phase margin, rad, a delay, s, or a factor on the gain.
    pub value: f64,
}

/// Figures of one 2 x 2 loop; margins are those of its eigenvalues' loci.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoopFigures {
    /// Closed-loop poles outside the stable region.
    pub unstable_poles: u32,
    /// The phase margin of least size; none where nothing crosses magnitude 1.
    pub phase_margin: Option<Crossing>,
    /// The least delay more that takes a stable loop to -1 at a gain crossover: the lag to there over the frequency, s. For a
    /// law that runs on samples it leaves out what these fold, see [`OnModel::delay_margin`].
    pub delay_margin: Option<Crossing>,
    /// Lowest and highest gain crossover, rad/s.
    pub crossovers: Option<[f64; 2]>,
    /// The least factor by which all gains may rise, up to 100.
    pub gain_margin: Option<Crossing>,
    /// The greatest factor below 1 at which the loop meets -1.
    pub least_gain: Option<Crossing>,
    /// Peak of the largest singular value of `(I + L)^-1`.
    pub sensitivity: Peak,
}

impl LoopFigures {
    /// Whether the closed loop is stable.
    pub fn stable(&self) -> bool {
        self.unstable_poles == 0
    }

    /// Whether it is worse than `other`: unstable, or of a higher sensitivity peak.
    fn worse(&self, other: &Self) -> bool {
        (!self.stable(), self.sensitivity.value) > (!other.stable(), other.sensitivity.value)
    }

    /// Least phase margin, rad; pi where nothing crosses.
    pub fn margin(&self) -> f64 {
        let margin = self.phase_margin.map_or(std::f64::consts::PI, |c| c.value);
        if self.stable() { margin } else { -margin.abs() }
    }
}

/// Figures of the worst loop of several, and where it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Worst {
    /// Its figures.
    pub figures: LoopFigures,
    /// At which bend, rad.
    pub bend: Bend,
}

/// A slack tendon.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Slack {
    /// The loop is then this at worst.
    Loop(Worst),
    /// The joint then falls over by itself.
    Falls {
        /// Share of the tendons' stiffness that is lost.
        share: f64,
        /// At which bend, rad.
        bend: Bend,
    },
}

impl Slack {
    /// Whether the joint is held.
    pub fn stable(&self) -> bool {
        matches!(self, Self::Loop(worst) if worst.figures.stable())
    }
}

/// What the gain set does on one model.
#[derive(Clone, Debug, PartialEq)]
pub struct OnModel {
    /// The model.
    pub member: Member,
    /// The law that the node runs, all tendons taut, at the worst bend.
    pub discrete: Worst,
    /// How much older samples may grow, or setpoints be later, at that bend, s: the loop is stable up to there. None unless
    /// asked for and stable, and where no such delay ends it.
    pub delay_margin: Option<f64>,
    /// The continuous law with the holds' delays, all tendons taut, at the worst bend; looked at up to the Nyquist
    /// frequency. None unless asked for.
    pub continuous: Option<Worst>,
    /// The law that the node runs with each tendon slack; empty for integrating models.
    pub slack: Vec<Slack>,
    /// How it moves by the law that the node runs, straight; none unless asked for and stable.
    pub course: Option<Course>,
    /// What that asks of the motors; none unless asked for and stable.
    pub demand: Option<Demand>,
    /// How it moves by the continuous law; none unless asked for and stable.
    pub continuous_course: Option<Course>,
    /// What that asks of the motors; none unless asked for and stable.
    pub continuous_demand: Option<Demand>,
}

impl OnModel {
    /// The delay that the continuous law bears at its worst bend, s.
    pub fn continuous_delay_margin(&self) -> Option<f64> {
        let figures = &self.continuous.as_ref()?.figures;
        let margin = figures.delay_margin.filter(|_| figures.stable())?;
        Some(margin.value)
    }

    /// Whether it is stable, with all tendons taut and with each one slack.
    pub fn stable(&self) -> bool {
        self.discrete.figures.stable() && self.slack.iter().all(Slack::stable)
    }
}

/// What a gain set is worth.
#[derive(Clone, Debug, PartialEq)]
pub struct Examination {
    /// On each model.
    pub models: Vec<OnModel>,
    /// Stable on all of them.
    pub stable: bool,
    /// Index of the model with the least phase margin, all tendons taut.
    pub least_margin: usize,
    /// Index of the model with the highest sensitivity peak, all tendons taut.
    pub greatest_sensitivity: usize,
    /// What is wrong, one sentence each.
    pub reasons: Vec<String>,
}

/// How much is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Depth {
    /// What the verdict needs: of a slack tendon's loop, while it is stable, no margins.
    Verdict,
    /// The continuous law, motion and demands on the motors too.
    Full,
}

/// Why nothing can be examined.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ExamineError {
    /// No model.
    #[error("there is no model of the joint to examine on")]
    NoModel,
    /// A model is out of range.
    #[error("model {name}: {error}")]
    Model {
        /// Its name.
        name: String,
        /// What is wrong.
        error: crate::model::PlantError,
    },
    /// A condition is out of range.
    #[error("{key} is {value}; accepted: {accepted}")]
    Condition {
        /// Which value.
        key: &'static str,
        /// The value given.
        value: f64,
        /// What is accepted.
        accepted: &'static str,
    },
}

/// Directions of bend that are looked at, at half and at full inclination.
const SPOKES: u32 = 8;

/// Examines a law on every model of a family.
///
/// # Errors
/// No model, or a value out of range.
pub fn examine(
    joint: &Joint,
    law: &Law,
    family: &[Member],
    conditions: &Conditions,
    depth: Depth,
) -> Result<Examination, ExamineError> {
    check(family, conditions)?;
    let frame = Frame::new(joint, law, conditions);
    let discrete = Grid::new(&frame, Which::Discrete);
    let continuous = (depth == Depth::Full).then(|| Grid::new(&frame, Which::Continuous));
    let places = places(&joint.kinematics, law.limits().inclination);
    // Motors that are alike make the same loop at every bend while all tendons are taut.
    let taut = if frame.motors == 1 {
        &places[..1]
    } else {
        &places[..]
    };
    let slack = slack_places(&frame, &places);
    let models = family.iter().map(|member| {
        let worst = worst_taut(&frame, member, &discrete, taut);
        let stable = worst.figures.stable();
        let course =
            (depth == Depth::Full && stable).then(|| motion::course(&frame, member, &places[0]));
        let of_worst = |place: &&Place| depth == Depth::Full && place.bend == worst.bend;
        let delay_margin = (taut.iter().find(of_worst))
            .and_then(|place| Case::new(&frame, member, place, None).ok())
            .and_then(|case| discrete.delay_margin(&case, &worst.figures));
        let taut_continuous = continuous
            .as_ref()
            .map(|grid| worst_taut(&frame, member, grid, taut));
        let continuous_course = taut_continuous
            .filter(|worst| worst.figures.stable())
            .and_then(|worst| continuous::course(&frame, member, &places[0], &worst.figures));
        let demand = |course: Option<Course>, which| {
            course.map(|c| motion::demand(&frame, member, &places, conditions, &c, which))
        };
        let slack = if member.plant.integrates() {
            Vec::new()
        } else {
            let one = |(i, places): (usize, &Vec<&Place>)| {
                worst_slack(
                    &frame,
                    member,
                    &discrete,
                    places,
                    i,
                    depth == Depth::Verdict,
                )
            };
            slack.iter().enumerate().map(one).collect()
        };
        OnModel {
            member: member.clone(),
            discrete: worst,
            delay_margin,
            continuous: taut_continuous,
            slack,
            course,
            demand: demand(course, Which::Discrete),
            continuous_course,
            continuous_demand: demand(continuous_course, Which::Continuous),
        }
    });
    Ok(Examination::of(models.collect(), law))
}

/// A move on one model by the law as the node runs it, tick by tick, straight, and what its setpoints are for the motors: of
/// the feedback alone after a step of its reference, or `shaped`. Limits are not applied.
///
/// # Errors
/// A value out of range.
pub fn course(
    joint: &Joint,
    law: &Law,
    member: &Member,
    conditions: &Conditions,
    shaped: bool,
) -> Result<(Vec<Moment>, Load), ExamineError> {
    check(std::slice::from_ref(member), conditions)?;
    let frame = Frame::new(joint, law, conditions);
    let places = places(&joint.kinematics, law.limits().inclination);
    // Straight comes first.
    let moments = motion::moments(&frame, member, &places[0], shaped);
    Ok((moments, Load::new(&frame, &places)))
}

fn check(family: &[Member], conditions: &Conditions) -> Result<(), ExamineError> {
    if family.is_empty() {
        return Err(ExamineError::NoModel);
    }
    for member in family {
        member.plant.check().map_err(|error| ExamineError::Model {
            name: member.name.clone(),
            error,
        })?;
    }
    let times = family.iter().map(|m| ("motor lag", m.motor_lag, 10.0));
    let others = [
        ("age", conditions.age, 10.0),
        ("output delay", conditions.output, 10.0),
        ("orientation noise", conditions.orientation_noise, 1e3),
        ("gyro noise", conditions.gyro_noise, 1e3),
    ];
    for (key, value, most) in times.chain(others) {
        if !(0.0..=most).contains(&value) {
            let accepted = if most > 10.0 {
                "0 to 1000"
            } else {
                "0 to 10 s"
            };
            return Err(ExamineError::Condition {
                key,
                value,
                accepted,
            });
        }
    }
    Ok(())
}

/// Straight, and all directions at half and full inclination.
fn places(kinematics: &Kinematics, inclination: f64) -> Vec<Place> {
    let ring = |share: f64| {
        let direction = |i| std::f64::consts::TAU * f64::from(i) / f64::from(SPOKES);
        (0..SPOKES).map(move |i| bend_from(share * inclination, direction(i)))
    };
    let bends = std::iter::once(Bend::zeros())
        .chain(ring(0.5))
        .chain(ring(1.0));
    // A checked joint commands both directions everywhere in its range.
    bends.filter_map(|b| Place::new(kinematics, b)).collect()
}

/// Where each tendon is looked at slack. What a slack tendon does with motors that are alike depends on its share of
/// the stiffness alone, apart from the metric of the bend: the greatest and the least share are looked at.
fn slack_places<'a>(frame: &Frame, places: &'a [Place]) -> Vec<Vec<&'a Place>> {
    let of = |tendon: usize| -> Vec<&Place> {
        if frame.motors > 1 {
            return places.iter().collect();
        }
        let by = |a: &&Place, b: &&Place| a.share(tendon).total_cmp(&b.share(tendon));
        let ends = [places.iter().min_by(by), places.iter().max_by(by)];
        ends.into_iter().flatten().collect()
    };
    (0..frame.joint.motors()).map(of).collect()
}

fn worst_taut(frame: &Frame, member: &Member, grid: &Grid, places: &[Place]) -> Worst {
    let mut worst: Option<Worst> = None;
    for place in places {
        let Ok(case) = Case::new(frame, member, place, None) else {
            continue;
        };
        take(&mut worst, grid.figures(&case, false), place.bend);
    }
    // Straight is always a place and a taut joint never falls, so this is for a joint without rank at all.
    worst.unwrap_or(Worst {
        figures: LoopFigures {
            unstable_poles: 1,
            phase_margin: None,
            delay_margin: None,
            crossovers: None,
            gain_margin: None,
            least_gain: None,
            sensitivity: Peak {
                frequency: 0.0,
                value: f64::INFINITY,
            },
        },
        bend: Bend::zeros(),
    })
}

fn worst_slack(
    frame: &Frame,
    member: &Member,
    grid: &Grid,
    places: &[&Place],
    tendon: usize,
    briefly: bool,
) -> Slack {
    let mut worst: Option<Worst> = None;
    for place in places {
        match Case::new(frame, member, place, Some(tendon)) {
            Ok(case) => take(&mut worst, grid.figures(&case, briefly), place.bend),
            Err(falls) => {
                return Slack::Falls {
                    share: falls.share,
                    bend: place.bend,
                };
            }
        }
    }
    match worst {
        Some(worst) => Slack::Loop(worst),
        None => Slack::Falls {
            share: 1.0,
            bend: Bend::zeros(),
        },
    }
}

fn take(worst: &mut Option<Worst>, figures: LoopFigures, bend: Bend) {
    if worst.is_none_or(|w| figures.worse(&w.figures)) {
        *worst = Some(Worst { figures, bend });
    }
}

/// The sampled loop of a model at a bend, opened at the setpoints: what comes back of a setpoint, both as bends, at `w`
/// rad/s below the Nyquist frequency of the samples, sign left out; and the determinant of the return difference. With
/// tendon `slack` slack. None where the joint falls over, or has no rank.
pub fn loop_response(
    joint: &Joint,
    law: &Law,
    member: &Member,
    conditions: &Conditions,
    at: (Bend, Option<usize>),
    w: f64,
) -> Option<(nalgebra::Matrix2<Complex<f64>>, Complex<f64>)> {
    let frame = Frame::new(joint, law, conditions);
    let place = Place::new(&joint.kinematics, at.0)?;
    let case = Case::new(&frame, member, &place, at.1).ok()?;
    let seen = case.discrete(&frame.discrete(Complex::new(0.0, w)));
    Some((seen.open, seen.determinant))
}

/// How much delay more that loop bears, s; none where it is not stable, or no delay ends it.
pub fn delay_margin(
    joint: &Joint,
    law: &Law,
    member: &Member,
    conditions: &Conditions,
    at: (Bend, Option<usize>),
) -> Option<f64> {
    let frame = Frame::new(joint, law, conditions);
    let place = Place::new(&joint.kinematics, at.0)?;
    let case = Case::new(&frame, member, &place, at.1).ok()?;
    let grid = Grid::new(&frame, Which::Discrete);
    grid.delay_margin(&case, &grid.figures(&case, false))
}

/// Figures of that loop.
pub fn loop_figures(
    joint: &Joint,
    law: &Law,
    member: &Member,
    conditions: &Conditions,
    at: (Bend, Option<usize>),
) -> Option<LoopFigures> {
    let frame = Frame::new(joint, law, conditions);
    let place = Place::new(&joint.kinematics, at.0)?;
    let case = Case::new(&frame, member, &place, at.1).ok()?;
    Some(Grid::new(&frame, Which::Discrete).figures(&case, false))
}

//! Stability and performance of a gain set on every model of a joint's family, with all tendons
//! taut and with each one slack.
//!
//! # The loop
//! At a bend `b` the motors' Jacobian is `J` (N x 2), their tendons' stiffness `W` (N m/rad at the
//! shafts, on the diagonal). The node maps a bend error `e` (rad) to setpoints `J e_q`,
//! `e_q = A diag(C_i(z)) J e` with `A = (J^T W J)^-1 J^T W`: one fractional-order controller per
//! motor, projected into bend space. Damping adds `d` (s) times the bend rate from the IMU. A model
//! `g(s)` maps setpoints to a bend, so that
//!
//! ```text
//! L = A diag(C_i) J g + d s g I,
//! ```
//!
//! opened at the setpoints, all motors together.
//!
//! The loop is treated as discretised. This includes the operators' own discrete forms, a
//! derivative that steps at new samples only, a sample held until the next one comes, setpoints
//! held over a tick, and dead time of any length. With a sensor period of m ticks the sampled loop
//! at w is the sum of m terms at `w + 2 pi l/T`, which folds every frequency onto its own. All of
//! this is exact, and so is stability. Margins and sensitivity are those of the sum, which for m
//! above 1 leaves out that bend and rate are folded separately. A sensor period is rounded to a
//! whole number of ticks. Not included are limits of position, speed and feedback, integrator
//! deadband, stiction, and changes while the joint moves from bend to bend.
//!
//! # A slack tendon
//! A slack tendon exerts no force: the joint is softer there, and its motor moves nothing. Per unit
//! of bend the tendons hold with `K_t = J^T W J`, beam and gravity with `K_b` (both N m/rad). At
//! rest `K_b b = J^T W (q - J b)`; for setpoints `q = J r` that gives `b = (K_b + K_t)^-1 K_t r`,
//! which is the model's gain `g0`: `K_b = K_t (1/g0 - 1)`. With the dynamics of the model, `d(s)`
//! (1 at rest), on the whole stiffness `K_t/g0`, and without tendon i's `K_i = J_i w_i J_i^T`,
//!
//! ```text
//! ((K_t/g0) d(s) - K_i) b = (K_t - K_i) r.
//! ```
//!
//! Inertia and damping of the beam are unchanged. In the direction `K_t^(-1/2) K_t^(-1/2) J_i`,
//! where K_i has the share `mu = w_i J_i^T K_t^-1 J_i`, this is `g0 (1 - mu)/(d - g0 mu)`: a joint
//! that is softer, slower and less damped. At a right angle to it (in the metric `K_t`) nothing
//! changes. A joint with `g0 mu >= 1` falls over, with any loop. An integrating model defines
//! no stiffness, so slack is not examined there. Source: derived here from the balance of moments.
//!
//! In a first-order model the bend rate jumps, which no joint with motors does, and damping
//! feeds that back. Under damping, a part of the dead time as long as the motors' time constant is
//! therefore treated as their lag. Both are equivalent at frequencies where the model holds.
//!
//! Models are the same in all directions of bend. A joint with different in-plane and cross-axis
//! dynamics is two models of the family.
//!
//! # The continuous law
//! The figures of the continuous law as designed are given for comparison: continuous operators,
//! exact delays, half a sensor period for the holds. Its motion comes from inverse Laplace
//! transforms: the measured bend and the setpoint after a step of the reference, and after the
//! node's shaped reference. Overshoot, settling and maximum setpoint are computed as for the
//! discretised law; jumps of a continuous setpoint count with their height. Sensor noise has the
//! same density as that of samples up to their Nyquist frequency, and none above. A continuous law
//! that is unstable above the Nyquist frequency is not detected.
//!
//! Frequencies in rad/s, times in s, angles in rad. Design-time work, off the real-time thread.

mod continuous;
mod contour;
mod loops;
mod motion;
mod pulse;
mod verdict;

pub use motion::{Course, Demand, Excitation, Load, Moment, Move};
pub use verdict::Floor;

use crate::control::bounds::OutOfRange;
use crate::control::geometry::{Bend, bend_from};
use crate::control::kinematics::Kinematics;
use crate::control::tick::{Joint, Law};
use crate::design::model::{Peak, Plant};
use contour::{Grid, Which};
use loops::{Case, Frame, Place};
use nalgebra::Complex;

/// One model of a joint's family.
#[derive(Clone, Debug, PartialEq)]
pub struct Member {
    /// Name for display.
    pub name: String,
    /// Model from the commanded to the measured bend for position setpoints, including the usual
    /// sensor latency.
    pub plant: Plant,
    /// Time constant of the motors where `plant` is the joint behind them, s; 0 where `plant`
    /// includes them.
    pub motor_lag: f64,
}

impl Member {
    /// Returns a model of the whole joint, motors included.
    pub fn new(name: impl Into<String>, plant: Plant) -> Self {
        Self {
            name: name.into(),
            plant,
            motor_lag: 0.0,
        }
    }
}

/// Operating conditions of the loop.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Conditions {
    /// Sensor latency beyond the models' dead time, s.
    pub age: f64,
    /// Output delay of setpoints, s.
    pub output: f64,
    /// Noise of the measured bend, rad rms per axis, new with every sample.
    pub orientation_noise: f64,
    /// Noise of the measured angular velocity, rad/s rms per axis.
    pub gyro_noise: f64,
}

/// A frequency and a value found there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossing {
    /// Frequency, rad/s.
    pub frequency: f64,
    /// A phase margin, rad, a delay, s, or a factor on the gain.
    pub value: f64,
}

/// Figures of one 2 x 2 loop; margins are those of the loci of its eigenvalues.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoopFigures {
    /// Number of closed-loop poles outside the stable region.
    pub unstable_poles: u32,
    /// Phase margin of minimum magnitude; none where nothing crosses magnitude 1.
    pub phase_margin: Option<Crossing>,
    /// Minimum additional delay that takes a stable loop to -1 at a gain crossover, s: the lag to
    /// -1 over the frequency. For a discretised law it leaves out what sampling folds, see
    /// [`OnModel::delay_margin`].
    pub delay_margin: Option<Crossing>,
    /// Lowest and highest gain crossover, rad/s.
    pub crossovers: Option<[f64; 2]>,
    /// Minimum factor by which all gains may rise, up to 100.
    pub gain_margin: Option<Crossing>,
    /// Maximum factor below 1 at which the loop meets -1.
    pub least_gain: Option<Crossing>,
    /// Peak of the largest singular value of `(I + L)^-1`.
    pub sensitivity: Peak,
}

impl LoopFigures {
    /// Returns true if the closed loop is stable.
    pub fn stable(&self) -> bool {
        self.unstable_poles == 0
    }

    /// Returns true if it is worse than `other`: unstable, or with a higher sensitivity peak.
    fn worse(&self, other: &Self) -> bool {
        (!self.stable(), self.sensitivity.value) > (!other.stable(), other.sensitivity.value)
    }

    /// Returns the minimum phase margin, rad, negative if unstable; pi where nothing crosses.
    pub fn margin(&self) -> f64 {
        let margin = self.phase_margin.map_or(std::f64::consts::PI, |c| c.value);
        if self.stable() { margin } else { -margin.abs() }
    }
}

/// Figures of the worst of several loops, with its bend.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Worst {
    /// Figures of that loop.
    pub figures: LoopFigures,
    /// Bend of that loop, rad.
    pub bend: Bend,
}

/// Result for a slack tendon.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Slack {
    /// The worst loop with the tendon slack.
    Loop(Worst),
    /// The joint falls over by itself.
    Falls {
        /// Share of the tendons' stiffness that is lost.
        share: f64,
        /// Bend at which it falls, rad.
        bend: Bend,
    },
}

impl Slack {
    /// Returns true if the joint is held.
    pub fn stable(&self) -> bool {
        matches!(self, Self::Loop(worst) if worst.figures.stable())
    }
}

/// Figures of the gain set on one model.
#[derive(Clone, Debug, PartialEq)]
pub struct OnModel {
    /// The model.
    pub member: Member,
    /// Discretised law, all tendons taut, at the worst bend.
    pub discrete: Worst,
    /// Maximum additional sensor latency or output delay with a stable loop at that bend, s. None
    /// at [`Depth::Verdict`], where unstable, and where no such delay makes it unstable.
    pub delay_margin: Option<f64>,
    /// Continuous law with the holds' delays, all tendons taut, at the worst bend, examined up to
    /// the Nyquist frequency. None at [`Depth::Verdict`].
    pub continuous: Option<Worst>,
    /// Discretised law with each tendon slack; empty for integrating models.
    pub slack: Vec<Slack>,
    /// Motion with the discretised law, straight; none at [`Depth::Verdict`] and where unstable.
    pub course: Option<Course>,
    /// Motor effort of that motion; none at [`Depth::Verdict`] and where unstable.
    pub demand: Option<Demand>,
    /// Motion with the continuous law; none at [`Depth::Verdict`] and where unstable.
    pub continuous_course: Option<Course>,
    /// Motor effort of that motion; none at [`Depth::Verdict`] and where unstable.
    pub continuous_demand: Option<Demand>,
}

impl OnModel {
    /// Returns the delay margin of the continuous law at its worst bend, s.
    pub fn continuous_delay_margin(&self) -> Option<f64> {
        let figures = &self.continuous.as_ref()?.figures;
        let margin = figures.delay_margin.filter(|_| figures.stable())?;
        Some(margin.value)
    }

    /// Returns true if the loop is stable, with all tendons taut and with each one slack.
    pub fn stable(&self) -> bool {
        self.discrete.figures.stable() && self.slack.iter().all(Slack::stable)
    }
}

/// Result of examining a gain set.
#[derive(Clone, Debug, PartialEq)]
pub struct Examination {
    /// Results on each model.
    pub models: Vec<OnModel>,
    /// True if stable on all models.
    pub stable: bool,
    /// Index of the model with the minimum phase margin, all tendons taut.
    pub least_margin: usize,
    /// Index of the model with the highest sensitivity peak, all tendons taut.
    pub greatest_sensitivity: usize,
    /// Reasons against the set, one sentence each.
    pub reasons: Vec<String>,
}

/// Extent of the examination.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Depth {
    /// Only what the verdict needs: a slack tendon's loop has no margins while it is stable.
    Verdict,
    /// The continuous law, motion and motor effort, too.
    Full,
}

/// The reason why nothing can be examined.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ExamineError {
    /// No model.
    #[error("there is no model of the joint to examine on")]
    NoModel,
    /// A model is out of range.
    #[error("model {name}: {error}")]
    Model {
        /// Name of the model.
        name: String,
        /// Error of the model.
        error: crate::design::model::PlantError,
    },
    /// A condition is out of range.
    #[error(transparent)]
    Condition(#[from] OutOfRange),
}

/// Number of directions of bend examined, at half and at full inclination.
const SPOKES: u32 = 8;

/// Examines a law on every model of a family.
///
/// # Errors
/// Returns an error without a model, or for a value out of range.
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
    // Motors that are alike give the same loop at every bend while all tendons are taut.
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

/// Returns a move on one model with the discretised law, tick by tick, straight, and the motor
/// effort of its setpoints. Limits are not applied.
///
/// # Errors
/// Returns an error for a value out of range.
pub fn course(
    joint: &Joint,
    law: &Law,
    member: &Member,
    conditions: &Conditions,
    excitation: Excitation,
) -> Result<(Vec<Moment>, Load), ExamineError> {
    check(std::slice::from_ref(member), conditions)?;
    let frame = Frame::new(joint, law, conditions);
    let places = places(&joint.kinematics, law.limits().inclination);
    // Straight comes first.
    let moments = motion::moments(&frame, member, &places[0], excitation);
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
        let accepted = match most {
            10.0 => "0 to 10 s",
            _ => "0 to 1000",
        };
        OutOfRange::unless_within(0.0, most, key, value, accepted)?;
    }
    Ok(())
}

/// Returns the straight bend, and all directions at half and full inclination.
fn places(kinematics: &Kinematics, inclination: f64) -> Vec<Place> {
    let ring = |share: f64| {
        let direction = |i| std::f64::consts::TAU * f64::from(i) / f64::from(SPOKES);
        (0..SPOKES).map(move |i| bend_from(share * inclination, direction(i)))
    };
    let bends = std::iter::once(Bend::zeros())
        .chain(ring(0.5))
        .chain(ring(1.0));
    // A checked joint can command both directions everywhere in its range.
    bends.filter_map(|b| Place::new(kinematics, b)).collect()
}

/// Returns the bends at which each tendon is examined slack. With motors that are alike, the effect
/// of a slack tendon depends on its share of the stiffness alone, apart from the metric of the
/// bend. The bends of maximum and minimum share are examined.
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
    // The list includes straight and a taut joint never falls, so this covers a joint without full
    // rank.
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

/// Returns the sampled loop of a model at a bend, opened at the setpoints, and the determinant of
/// the return difference. The loop is from setpoint to setpoint, both as bends, at `w` rad/s below
/// the Nyquist frequency of the samples, without the sign. `at` holds the bend and the slack
/// tendon, if any. None where the joint falls over, or lacks full rank.
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

/// Returns the delay margin of that loop, s; none where it is not stable, or no delay makes it
/// unstable.
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

/// Returns the figures of that loop.
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

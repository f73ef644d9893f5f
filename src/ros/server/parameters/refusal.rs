//! Reasons why parameters are refused.

use crate::control::tick::LawError;
use crate::design::examine::{ExamineError, Floor};
use crate::files::{ConfigError, law_sentence};

/// Reason why a set of changes was refused: one sentence.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// No such parameter.
    #[error("{0} is not a parameter of this node; accepted: the names that list_parameters gives")]
    Unknown(String),
    /// The same parameter twice in one set.
    #[error("{0} is set twice; accepted: once")]
    Twice(String),
    /// A value of a wrong type or out of range.
    #[error("{name} is {value}; accepted: {accepted}")]
    Value {
        /// Name of the parameter.
        name: String,
        /// The value given.
        value: String,
        /// The accepted values.
        accepted: String,
    },
    /// A parameter without a value.
    #[error("{name} cannot be removed; accepted: {accepted}")]
    Removed {
        /// Name of the parameter.
        name: String,
        /// The accepted values.
        accepted: &'static str,
    },
    /// A read-only parameter.
    #[error("{name} cannot be changed while the node runs{why}")]
    ReadOnly {
        /// Name of the parameter.
        name: String,
        /// Reason, with the punctuation before it.
        why: &'static str,
    },
    /// A gain-set file together with other parameters.
    #[error(
        "gain_set_file is set together with others; accepted: gain_set_file alone; gain_set then \
         chooses by name"
    )]
    NotAlone,
    /// A gain-set file that cannot be read.
    #[error(transparent)]
    File(#[from] ConfigError),
    /// A gain set that cannot be added to the joint.
    #[error("gain_set_file {file}: {reason}")]
    Added {
        /// Path of the file.
        file: String,
        /// What is wrong with it, and what is accepted.
        reason: String,
    },
    /// A gain set for another command interface.
    #[error(
        "gain_set '{set}' is for {kind} setpoints and the motors take {motors} setpoints; \
         accepted: a set for them"
    )]
    Interface {
        /// Name of the set.
        set: String,
        /// Its command interface.
        kind: &'static str,
        /// Command interface of the motors.
        motors: &'static str,
    },
    /// A gain set for less dead time than is measured.
    #[error(
        "gain_set '{set}' is made for a dead time of at most {allowed:.1} ms from measurement to \
         setpoint, and {measured:.1} ms are measured; accepted: a set made for that much"
    )]
    DeadTime {
        /// Name of the set.
        set: String,
        /// Max. dead time of the set, ms.
        allowed: f64,
        /// Dead time measured, ms.
        measured: f64,
    },
    /// A payload that no gain set is made for.
    #[error(
        "payload.mass of {mass} kg at payload.height {height} m is a moment of {moment:.4} kg m, \
         and no gain set is made for it; accepted: {least} to {most} kg m, or a gain_set chosen in \
         the same request"
    )]
    Payload {
        /// Mass, kg.
        mass: f64,
        /// Height of its centre above the beam's end, m.
        height: f64,
        /// Their product, kg m.
        moment: f64,
        /// Min. moment of all sets, kg m.
        least: f64,
        /// Max. moment of all sets, kg m.
        most: f64,
    },
    /// A stricter limit that excludes where the joint is.
    #[error(
        "{name} is {limit:.4} rad, and {what} is at {is:.4} rad; accepted: a limit that does not \
         exclude it, or the same once the joint has moved inside"
    )]
    Excludes {
        /// Name of the parameter.
        name: String,
        /// The limit, rad.
        limit: f64,
        /// What is excluded.
        what: &'static str,
        /// Where it is, rad.
        is: f64,
    },
    /// Gains or limits that make no law.
    #[error("{}", law_sentence(error, motor_names))]
    Law {
        /// What is wrong with them.
        error: LawError,
        /// Names of the motors.
        motor_names: Vec<String>,
    },
    /// Gains that cannot be examined.
    #[error("the gains cannot be examined: {0}")]
    Examination(#[from] ExamineError),
    /// Gains below the floor on a model of the joint.
    #[error(
        "gain_set '{set}'{changed} is not good enough for {payload}: {reason}; accepted: stable, \
         a phase margin of at least {:.1} deg and a sensitivity peak of at most {:.2} on every \
         model of the joint",
        floor.margin.to_degrees(),
        floor.sensitivity
    )]
    NotGood {
        /// Name of the set.
        set: String,
        /// Says that its gains were changed, if they were.
        changed: &'static str,
        /// The payload examined for.
        payload: String,
        /// The problem, with model and figures.
        reason: String,
        /// The floor.
        floor: Floor,
    },
    /// Nothing to save.
    #[error(
        "no gain was changed since gain set '{0}' was chosen; accepted: gains that were changed"
    )]
    Unchanged(String),
    /// No name for a new gain set.
    #[error(
        "no number up to {most} is free for the new gain set; accepted: a folder with fewer of \
         them, after old ones are removed or renamed"
    )]
    NoNumber {
        /// The largest number.
        most: u32,
    },
}

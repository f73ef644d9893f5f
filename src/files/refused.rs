//! Refusals by lower layers, reported at the key that a user can change.

use super::table::Table;
use super::{ConfigError, NamedGainSet};
use crate::control::bounds::{self, OutOfRange};
use crate::control::controller::GainError;
use crate::control::controller::reference_model::ModelError;
use crate::control::kinematics::RoutingError;
use crate::control::tick::LawError;

/// Reports tendons that do not work together.
pub(super) fn routing_refused(top: &Table, error: &RoutingError) -> ConfigError {
    let refuse = |key: &str, value: String, accepted: String| top.refuse_as(key, value, accepted);
    match error {
        RoutingError::Gap {
            gap_deg,
            widest_deg,
            inclination_deg,
            direction_deg,
        } => refuse(
            "tendons",
            format!(
                "a ring with a gap of {gap_deg:.1} deg between neighbouring pulls (at an inclination \
                 of {inclination_deg:.0} deg toward {direction_deg:.0} deg)"
            ),
            format!(
                "tendons on all sides, with gaps of at most {widest_deg:.0} deg, so that all can be \
                 taut and in balance"
            ),
        ),
        RoutingError::OneDirection {
            inclination_deg,
            direction_deg,
        } => refuse(
            "tendons",
            format!(
                "a row that commands one direction of bend only (at an inclination of \
                 {inclination_deg:.0} deg toward {direction_deg:.0} deg)"
            ),
            "tendons that pull in at least two directions".into(),
        ),
        RoutingError::NoLength {
            tendon,
            inclination_deg,
            direction_deg,
        } => refuse(
            &format!("tendons[{}]", tendon - 1),
            format!(
                "without length at an inclination of {inclination_deg:.0} deg toward \
                 {direction_deg:.0} deg"
            ),
            "offsets and radii that keep its anchors apart up to beam.max_inclination_deg".into(),
        ),
        RoutingError::Size {
            tendon,
            what,
            value,
            accepted,
        } => refuse(
            &format!("tendons[{}]", tendon - 1),
            format!("one whose {what} is {value}"),
            (*accepted).into(),
        ),
        RoutingError::JointSize(OutOfRange {
            key,
            value,
            accepted,
        }) => refuse(
            "beam",
            format!("one whose {key} is {value}"),
            (*accepted).into(),
        ),
        counts @ (RoutingError::TendonCount { .. }
        | RoutingError::MotorCount { .. }
        | RoutingError::PretensionCount { .. }) => refuse(
            "tendons",
            counts.to_string(),
            "one motor and one pretension for each of 3 or more tendons".into(),
        ),
    }
}

/// Reports a gain set that does not fit the joint, at the key that a user can change: in the joint
/// file `joint` or in the gain set's file `top`.
pub(super) fn law_refused(
    joint: &Table,
    top: &Table,
    set: &NamedGainSet,
    error: &LawError,
) -> ConfigError {
    let set_value =
        |key: String, value: f64, accepted: String| top.refuse_as(&key, value, accepted);
    // Gains stand under the motor's name or, for all motors, once.
    let motor = |key: &str, motor: usize| {
        let name = set.motor_names.get(motor).map_or("", String::as_str);
        let own = format!("motors.{name}.{key}");
        match top.has(&own) {
            true => own,
            false => format!("all_motors.{key}"),
        }
    };
    match error {
        LawError::Gains(GainError::Corner {
            motor: i,
            value,
            most,
        }) => set_value(
            motor("derivative_corner_rad_s", *i),
            *value,
            format!(
                "above 0 and at most {most:.1} rad/s, 2 times the sampling rate of the feedback in {}",
                joint.file().display()
            ),
        ),
        LawError::Gains(GainError::Value(value)) | LawError::Model(ModelError(value)) => {
            set_value(value.key.into(), value.value, value.accepted.into())
        }
        LawError::Limit {
            key,
            value,
            accepted,
        } => joint.refuse_as(key, value, *accepted),
        other => match of_motor(other) {
            Some((key, i, value, accepted)) => top.refuse_as(&motor(key, i), value, accepted),
            None => top.refuse_as(
                "the gain set",
                format!("one that the joint cannot take: {other}"),
                "a set that fits the joint",
            ),
        },
    }
}

/// Returns key, motor, value and accepted values of an error that concerns one motor.
fn of_motor(error: &LawError) -> Option<(&'static str, usize, String, String)> {
    let LawError::Gains(error) = error else {
        return None;
    };
    match *error {
        GainError::Gain { key, motor, value } => {
            let accepted = format!("a number from 0 to {}", bounds::GAIN);
            Some((key, motor, value.to_string(), accepted))
        }
        GainError::Order { key, motor, value } => {
            let accepted = "above 0 and below 2".into();
            Some((key, motor, value.to_string(), accepted))
        }
        GainError::Corner { motor, value, most } => {
            let accepted = format!("above 0, at most {most}");
            let value = format!("{value} rad/s");
            Some(("derivative_corner", motor, value, accepted))
        }
        GainError::Count { .. } | GainError::Value(_) => None,
    }
}

/// Returns the sentence of `error`, with the motor's name of `motor_names` for its number.
pub fn law_sentence(error: &LawError, motor_names: &[String]) -> String {
    match of_motor(error) {
        Some((key, motor, value, accepted)) if motor < motor_names.len() => {
            let name = &motor_names[motor];
            format!("{key} of motor {name} is {value}; accepted: {accepted}")
        }
        _ => error.to_string(),
    }
}

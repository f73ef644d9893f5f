//! Refusals by lower layers, reported at the key that a user can change.

use super::table::Table;
use super::{ConfigError, NamedGainSet};
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
        RoutingError::JointSize {
            what,
            value,
            accepted,
        } => refuse(
            "beam",
            format!("one whose {what} is {value}"),
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
        LawError::Gains(GainError::Gain {
            key,
            motor: i,
            value,
        }) => set_value(
            motor(key, *i),
            *value,
            "a finite number of 0 or more".into(),
        ),
        LawError::Gains(GainError::Order {
            key,
            motor: i,
            value,
        }) => set_value(motor(key, *i), *value, "above 0 and below 2".into()),
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
        LawError::Gains(GainError::Value {
            key,
            value,
            accepted,
        })
        | LawError::Model(ModelError {
            key,
            value,
            accepted,
        }) => set_value((*key).into(), *value, (*accepted).into()),
        LawError::Limit {
            key,
            value,
            accepted,
        } => joint.refuse_as(key, value, *accepted),
        other => top.refuse_as(
            "the gain set",
            format!("one that the joint cannot take: {other}"),
            "a set that fits the joint",
        ),
    }
}

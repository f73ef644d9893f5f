//! `~/target_state`: the target in force and its outcome.

use r2r::diagnostic_msgs::msg::{DiagnosticStatus, KeyValue};

use super::refused::RefusedTargets;
use super::status::InForce;
use crate::control::gaze::Outcome;

/// Levels of diagnostic_msgs/DiagnosticStatus; the bindings give them the type of their C header.
pub const OK: u8 = 0;
/// Warning level.
pub const WARN: u8 = 1;
/// Error level.
pub const ERROR: u8 = 2;

/// The content whose changes are published at once.
#[derive(Clone, Debug, PartialEq)]
pub struct TargetReport {
    command: Option<u64>,
    outcome: Option<Outcome>,
    settled: bool,
    refused: RefusedTargets,
}

impl TargetReport {
    /// Creates it from the target in force, the command whose target is held within tolerance, and
    /// the refused targets.
    pub fn of(in_force: Option<&InForce>, settled: Option<u64>, refused: RefusedTargets) -> Self {
        let command = in_force.map(|t| t.command);
        Self {
            command,
            outcome: in_force.map(|t| t.aimed.outcome),
            settled: command.is_some() && settled == command,
            refused,
        }
    }
}

/// Returns the diagnostic level and the words for an outcome.
pub fn words(outcome: Outcome) -> (u8, &'static str) {
    match outcome {
        Outcome::Reached => (OK, "reached"),
        Outcome::BestPossible => (WARN, "best possible"),
        Outcome::OutOfReach => (ERROR, "out of reach"),
    }
}

/// Returns the message. Numeric values parse as numbers; the key holds the unit.
pub fn target_message(
    joint: &str,
    in_force: Option<&InForce>,
    told: &TargetReport,
) -> DiagnosticStatus {
    let (level, message) = match in_force {
        Some(target) => words(target.aimed.outcome),
        None => (OK, "no target"),
    };
    let mut values = Vec::new();
    let mut add = |key: &str, value: String| {
        values.push(KeyValue {
            key: key.into(),
            value,
        });
    };
    if let Some(target) = in_force {
        let aimed = &target.aimed;
        add("command", target.command.to_string());
        add("topic", target.topic.into());
        add("source", target.source.clone());
        add("frame", target.frame.clone());
        add("residual_min_rad", format!("{:.6}", aimed.residual));
        add("bend_x_rad", format!("{:.6}", aimed.configuration.x));
        add("bend_y_rad", format!("{:.6}", aimed.configuration.y));
        add("pan_rad", format!("{:.6}", aimed.configuration.z));
        add("moving", u8::from(target.moving).to_string());
        add("settled", u8::from(told.settled).to_string());
    }
    // These concern targets other than the one in force.
    add("refused", told.refused.count.to_string());
    add("last_refusal_topic", told.refused.topic.into());
    add("last_refusal", told.refused.last.clone());
    DiagnosticStatus {
        level,
        name: format!("{}: target", joint.trim_start_matches('/')),
        message: message.into(),
        hardware_id: String::new(),
        values,
    }
}

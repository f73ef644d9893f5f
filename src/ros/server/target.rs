//! The target in force, and `~/target_state`: its outcome.

use r2r::diagnostic_msgs::msg::DiagnosticStatus;
use tokio::sync::watch;

use super::refused::RefusedTargets;
use super::report::{Level, Values, report};
use super::topic::Topic;
use crate::control::aim::{Aimed, Target};
use crate::control::gaze::Outcome;
use crate::control::tick::Desired;

/// The target in force.
#[derive(Clone, Debug)]
pub struct InForce {
    /// The command to the loop.
    pub desired: Desired,
    /// Topic on which the target arrived.
    pub topic: Topic,
    pub source: String,
    /// Frame in which the target was given.
    pub frame: String,
    /// Target in the base frame.
    pub target: Target,
    /// Configuration found for the target.
    pub aimed: Aimed,
}

/// Returns the target in force, unless its command is among those that have `ended`.
pub fn in_force(targets: &watch::Receiver<Option<InForce>>, ended: Option<u64>) -> Option<InForce> {
    let target = targets.borrow();
    target.clone().filter(|t| ended < Some(t.desired.command))
}

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
        let command = in_force.map(|t| t.desired.command);
        Self {
            command,
            outcome: in_force.map(|t| t.aimed.outcome),
            settled: command.is_some() && settled == command,
            refused,
        }
    }
}

/// Returns the diagnostic level and the words for an outcome.
pub fn words(outcome: Outcome) -> (Level, &'static str) {
    match outcome {
        Outcome::Reached => (Level::Ok, "reached"),
        Outcome::BestPossible => (Level::Warn, "best possible"),
        Outcome::OutOfReach => (Level::Error, "out of reach"),
    }
}

/// Returns the message of `content` on the target in force.
pub fn target_message(
    joint: &str,
    in_force: Option<&InForce>,
    content: &TargetReport,
) -> DiagnosticStatus {
    let verdict = match in_force {
        Some(target) => words(target.aimed.outcome),
        None => (Level::Ok, "no target"),
    };
    let mut values = Values::default();
    if let Some(target) = in_force {
        let configuration = target.aimed.configuration;
        values.add("command", target.desired.command);
        values.add("topic", target.topic.name());
        values.add("source", &target.source);
        values.add("frame", &target.frame);
        values.number("residual_min_rad", target.aimed.residual);
        values.number("bend_x_rad", configuration.x);
        values.number("bend_y_rad", configuration.y);
        values.number("pan_rad", configuration.z);
        values.flag("moving", target.desired.continues);
        values.flag("settled", content.settled);
    }
    // These concern targets other than the one in force.
    values.add("refused", content.refused.count);
    values.add("last_refusal_topic", content.refused.topic);
    values.add("last_refusal", &content.refused.last);
    report(joint, "target", verdict, "", values)
}

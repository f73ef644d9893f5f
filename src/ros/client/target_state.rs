//! `~/target_state` of a joint's node, as its clients read it.

use r2r::diagnostic_msgs::msg::DiagnosticStatus;

use crate::control::gaze::Outcome;
use crate::ros::messages::value_of;
use crate::ros::server::target_words;

/// The target in force as reported by the joint.
#[derive(Clone, Debug, PartialEq)]
pub struct ReportedTarget {
    /// Number of the command.
    pub command: u64,
    /// Topic of the command.
    pub topic: String,
    /// Outcome of the target.
    pub outcome: Outcome,
    /// Min. residual that will remain, rad.
    pub residual_min: f64,
    /// Norm of the bend, rad.
    pub bend: f64,
    /// Pan, rad.
    pub pan: f64,
    /// True if the target is held within tolerance.
    pub settled: bool,
}

impl ReportedTarget {
    /// Returns the outcome in words.
    pub fn outcome_words(&self) -> &'static str {
        target_words(self.outcome).1
    }
}

/// The content of a message.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TargetState {
    /// The target in force, if there is one.
    pub in_force: Option<ReportedTarget>,
    /// Number of targets refused.
    pub refused: u64,
    /// Topic and sentence of the last refusal; empty without one.
    pub last_refusal: (String, String),
}

impl TargetState {
    /// Reads a message; without all values of a target there is none in force.
    pub fn read(message: &DiagnosticStatus) -> Self {
        let outcomes = [Outcome::Reached, Outcome::BestPossible, Outcome::OutOfReach];
        let value = |key: &str| value_of(message, key);
        let number = |key: &str| value(key).parse::<f64>().ok();
        let in_force = || {
            Some(ReportedTarget {
                command: value("command").parse().ok()?,
                topic: value("topic").into(),
                outcome: outcomes
                    .into_iter()
                    .find(|o| target_words(*o).1 == message.message)?,
                residual_min: number("residual_min_rad")?,
                bend: number("bend_x_rad")?.hypot(number("bend_y_rad")?),
                pan: number("pan_rad")?,
                settled: value("settled") == "1",
            })
        };
        Self {
            in_force: in_force(),
            refused: value("refused").parse().unwrap_or(0),
            last_refusal: (
                value("last_refusal_topic").into(),
                value("last_refusal").into(),
            ),
        }
    }
}

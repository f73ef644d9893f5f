//! What the acts of the demo share: the plants of the bed, the payloads, failures and scores.

use std::io;
use std::path::{Path, PathBuf};

use super::children::{Process, ProcessError, wait};
use crate::cli::simulate::StillError;
use crate::control::geometry::{Bend, DIRECTION_FLOOR, bend_from, direction, inclination};
use crate::design::trial::{MoveFigures, TrialError};
use crate::files::ConfigError;
use crate::ros::client::ClientError;
use crate::ros::client::bend_client::BendClient;
use crate::ros::context::NodeError;

/// A payload on the head plate: name, mass, kg, height of its centre above the beam's end, m, and
/// its gain set. Invented numbers.
pub(super) struct Payload {
    pub(super) name: &'static str,
    pub(super) mass: f64,
    pub(super) height: f64,
    pub(super) gain_set: &'static str,
}

pub(super) const PAYLOADS: [Payload; 3] = [
    Payload {
        name: "bare head plate",
        mass: 0.0,
        height: 0.04,
        gain_set: "bare",
    },
    Payload {
        name: "camera head",
        mass: 0.210,
        height: 0.050,
        gain_set: "camera",
    },
    Payload {
        name: "camera head and lamp",
        mass: 0.380,
        height: 0.060,
        gain_set: "camera-and-lamp",
    },
];
/// The plants of the bed: inclination, deg, and steps of 30 deg from [`FIRST_DIRECTION`]. They
/// cover all twelve directions of the circle.
pub(super) const TARGETS: [(f64, f64); 12] = [
    (12.0, 0.0),
    (20.0, 1.0),
    (12.0, 3.0),
    (20.0, 4.0),
    (20.0, 6.0),
    (12.0, 8.0),
    (20.0, 9.0),
    (12.0, 11.0),
    (20.0, 10.0),
    (12.0, 7.0),
    (20.0, 5.0),
    (12.0, 2.0),
];
const FIRST_DIRECTION: f64 = 17.0;
const DIRECTION_STEP: f64 = 30.0;
/// Time for messages in transit, s.
pub(super) const MARGIN: f64 = 0.06;

/// The length of the demo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Length {
    Whole,
    /// About a minute.
    Quick,
}

/// Reason why the demo ended early.
#[derive(Debug, thiserror::Error)]
pub(super) enum Failure {
    #[error(transparent)]
    Graph(#[from] ClientError),
    #[error(transparent)]
    Node(#[from] NodeError),
    #[error(transparent)]
    Process(#[from] ProcessError),
    #[error(transparent)]
    File(#[from] ConfigError),
    #[error(transparent)]
    Still(#[from] StillError),
    #[error(transparent)]
    System(#[from] io::Error),
    #[error("the record cannot be scored: {0}")]
    Trial(#[from] TrialError),
    #[error("the demo ended early: its output is closed, and its results would not be seen")]
    Unread,
    #[error("after 20 s on the ROS graph {missing}; see {}", listed(logs))]
    Missing {
        missing: &'static str,
        logs: Vec<PathBuf>,
    },
    #[error("{0} has no camera")]
    NoCamera(&'static str),
    #[error("the node does not report a target state for the {0}")]
    NoTargetState(&'static str),
    #[error("{} cannot be written: {source}", file.display())]
    Write { file: PathBuf, source: io::Error },
    #[error("withy {words}: {reason}")]
    Command { words: String, reason: String },
}

fn listed(files: &[PathBuf]) -> String {
    let files: Vec<_> = files.iter().map(|f| f.display().to_string()).collect();
    files.join(" and ")
}

impl Failure {
    /// Returns the function that names `file` in an error of writing it.
    pub(super) fn write(file: &Path) -> impl Fn(io::Error) -> Self {
        move |source| Self::Write {
            file: file.to_path_buf(),
            source,
        }
    }
}

pub(super) fn target(index: usize) -> Bend {
    let (inclination, steps) = TARGETS[index % TARGETS.len()];
    let direction = FIRST_DIRECTION + DIRECTION_STEP * steps;
    bend_from(inclination.to_radians(), direction.to_radians())
}

/// Returns a bend for people: inclination and direction, deg.
pub(super) fn pose(bend: Bend, decimals: usize) -> String {
    let theta = inclination(bend).to_degrees();
    match direction(bend) {
        Some(phi) if inclination(bend) >= DIRECTION_FLOOR => {
            let phi = phi.to_degrees().rem_euclid(360.0);
            format!("{theta:.decimals$} at {phi:.decimals$}")
        }
        _ => format!("{theta:.decimals$}"),
    }
}

/// Commands a bend, waits for `dwell` s and scores the move. Returns the time of the command, s, and
/// the figures.
pub(super) fn visit(
    client: &BendClient,
    processes: &mut [Process],
    bend: Bend,
    dwell: f64,
) -> Result<(f64, MoveFigures), Failure> {
    let sent = client.point(bend)?;
    let end = sent + dwell;
    let connection = &client.connection;
    wait(
        connection.session(),
        processes,
        end + MARGIN - connection.now(),
    )?;
    let figures = client.look(|r| MoveFigures::score(&r.bends, bend, sent, end))?;
    Ok((sent, figures))
}

/// Returns the headings of [`move_words`].
pub(super) fn move_headings() -> String {
    format!(
        "{:>10}  {:>14}  {:>6}  {:>15}  {:>7}",
        "commanded", "reached", "error", "overshoot", "settled"
    )
}

/// Returns the figures of a move to `bend` as columns.
pub(super) fn move_words(bend: Bend, figures: &MoveFigures) -> String {
    let settled = figures.settling;
    let settled = settled.map_or("never".into(), |s| format!("{s:.2} s"));
    format!(
        "{:>10}  {:>14}  {:>6.3}  {:>6.3} ({:>4.1} %)  {settled:>7}",
        pose(bend, 0),
        pose(figures.reached, 2),
        figures.error.to_degrees(),
        figures.overshoot.to_degrees(),
        100.0 * figures.overshoot_share(),
    )
}

//! What the acts of the demo share: the plants of the bed, the payloads, names and scores.

use crate::control::geometry::{Bend, DIRECTION_FLOOR, bend_from, direction, inclination};
use crate::design::trial::{MoveFigures, TrialError};
use crate::ros::client::ClientError;
use crate::ros::client::bend_client::Recorded;

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
/// Reason why the demo ended early.
#[derive(Debug, thiserror::Error)]
pub(super) enum Failure {
    #[error(transparent)]
    Graph(#[from] ClientError),
    #[error("the record cannot be scored: {0}")]
    Trial(#[from] TrialError),
    #[error("the demo ended early: its output is closed, and its results would not be seen")]
    Unread,
    #[error("{0}")]
    Other(String),
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

pub(super) fn full_name(namespace: &str, name: &str) -> String {
    format!("{}/{name}", namespace.trim_end_matches('/'))
}

pub(super) fn score_move(
    recorded: &Recorded,
    bend: Bend,
    sent: f64,
    end: f64,
) -> Result<MoveFigures, TrialError> {
    MoveFigures::score(&recorded.bends, bend, sent, end)
}

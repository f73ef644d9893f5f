//! The loop's last record as a joint's other threads see it.
//!
//! The publisher sends it in each of its rounds: after the setpoints of that record, and before its
//! acknowledgement. Tasks that wait for an answer of the loop wait for a condition on it.

use std::time::Duration;

use nalgebra::Vector3;
use tokio::sync::watch;

use super::parameters::Place;
use super::sensor_clock::Ahead;
use crate::control::geometry::{Bend, Configuration};
use crate::control::tick::{Faults, Mode, Readiness, ReleaseRefusal};
use crate::runtime::link::LoopRequest;

/// The state of a joint at the loop's last record.
#[derive(Clone, Copy, Debug, Default)]
pub struct Snapshot {
    /// Rounds of the publisher so far.
    pub rounds: u64,
    /// Time of the last record, loop time, s.
    pub time: f64,
    /// True while a loop runs. Otherwise mode, readiness and faults are those before the first
    /// record.
    pub running: bool,
    pub mode: Mode,
    pub readiness: Readiness,
    pub faults: Faults,
    /// Nothing moves.
    pub at_rest: bool,
    /// The joint's reference, rad.
    pub reference: Configuration,
    /// Measured bend, rad.
    pub bend: Bend,
    /// Configuration measured by the motors, rad.
    pub motors: Configuration,
    /// Direction of gravity in the head frame.
    pub gravity_head: Vector3<f64>,
    /// Measured dead time, s; 0 before it is known.
    pub delay: f64,
    /// The last command that has ended; all before it have ended too.
    pub ended: Option<u64>,
    /// The command whose target is held within tolerance.
    pub settled: Option<u64>,
    /// Residual of the target in force at the last measured configuration.
    pub residual: Option<Residual>,
    /// There are enough samples to judge the sensors' clocks.
    pub clocks_judged: bool,
    /// A sensor whose clock is ahead.
    pub ahead: Option<Ahead>,
    /// Numbers of the last requests that were answered, by kind.
    pub answered: [u64; 3],
    /// Reason why the last request to release tension was refused, if it was.
    pub release_refusal: Option<ReleaseRefusal>,
}

/// Residual of a target at the measured configuration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Residual {
    /// Command that the target belongs to.
    pub command: u64,
    /// Residual angle, rad.
    pub angle: f64,
    /// Stamp of the measurement, loop time, s.
    pub stamp: f64,
}

impl Snapshot {
    /// Returns where the joint is.
    pub fn place(&self) -> Place {
        Place {
            reference: self.reference.xy(),
            measured: self.bend,
            motors: self.motors.xy(),
        }
    }

    /// Returns true if the loop has answered request `number` of that kind.
    pub fn has_answered(&self, kind: LoopRequest, number: u64) -> bool {
        self.answered[kind as usize] >= number
    }
}

/// Waits until `condition` holds, for at most `most`; returns the snapshot for which it does.
pub async fn wait_for(
    snapshots: &watch::Receiver<Snapshot>,
    most: Duration,
    condition: impl FnMut(&Snapshot) -> bool,
) -> Option<Snapshot> {
    let mut snapshots = snapshots.clone();
    let met = tokio::time::timeout(most, snapshots.wait_for(condition)).await;
    // The channel closes with the publisher, at the end of the node.
    Some(*met.ok()?.ok()?)
}

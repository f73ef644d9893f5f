//! A step test as a table: recorded streams with separate stamps, joined at the setpoints.

use super::{BendSample, SetpointSample};
use crate::control::geometry::Bend;

/// One set of motor angles.
#[derive(Clone, Debug, PartialEq)]
pub struct AngleSample {
    /// Time of the measurement, s.
    pub time: f64,
    /// Motor angles, rad, in motor order.
    pub angles: Vec<f64>,
}

/// Recorded streams, each in order of time, all times on one clock.
#[derive(Clone, Debug, Default)]
pub struct StepStreams {
    /// Setpoints by the time from which they applied; each holds until the next.
    pub setpoints: Vec<SetpointSample>,
    /// Motor angles.
    pub angles: Vec<AngleSample>,
    /// Measured bend.
    pub bends: Vec<BendSample>,
}

/// One row of the table.
#[derive(Clone, Debug, PartialEq)]
pub struct StepRow {
    /// Time from which the setpoints applied, s.
    pub time: f64,
    /// Setpoints, rad.
    pub setpoints: Vec<f64>,
    /// Motor angles at this time, rad, interpolated.
    pub angles: Vec<f64>,
    /// Last bend measured by then, rad.
    pub bend: Bend,
    /// Time of that measurement, s.
    pub stamp: f64,
}

impl StepStreams {
    /// Returns the rows whose time is at least `from` and below `until`: one per setpoint, so that
    /// no change of the input is moved in time. A setpoint gives no row without a measured bend
    /// before it, without motor angles on both sides, or if its time is not after the row before.
    pub fn rows(&self, from: f64, until: f64) -> Vec<StepRow> {
        let mut rows: Vec<StepRow> = Vec::new();
        for sample in &self.setpoints {
            let time = sample.time;
            let later = rows.last().is_none_or(|last| time > last.time);
            if !(later && time >= from && time < until) {
                continue;
            }
            let bends = self.bends.partition_point(|s| s.time <= time);
            let bend = bends.checked_sub(1).map(|i| self.bends[i]);
            if let (Some(bend), Some(angles)) = (bend, self.angles_at(time)) {
                rows.push(StepRow {
                    time,
                    setpoints: sample.setpoints.clone(),
                    angles,
                    bend: bend.bend,
                    stamp: bend.time,
                });
            }
        }
        rows
    }

    fn angles_at(&self, time: f64) -> Option<Vec<f64>> {
        let after = self.angles.partition_point(|s| s.time <= time);
        let (a, b) = (&self.angles[after.checked_sub(1)?], self.angles.get(after)?);
        let share = (time - a.time) / (b.time - a.time);
        let pairs = a.angles.iter().zip(&b.angles);
        Some(pairs.map(|(a, b)| a + share * (b - a)).collect())
    }
}

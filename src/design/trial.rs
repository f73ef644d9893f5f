//! Metrics of a recorded trial: the motion of a joint that was commanded, loaded and pushed.
//!
//! All metrics are computed from samples of the *true* bend and of the setpoints, not from the
//! controller's own estimates. A move goes from `start` (the true bend when the command was
//! received) to `target`; with `d = target - start` in the bend plane and
//! `x = (b - start) . d / |d|`:
//!
//! - overshoot: maximum of `x - |d|`, at least 0;
//! - settling time: from the command's receipt to the last time that `|x - |d||` exceeds 5 % of
//!   `|d|`;
//! - cross-axis: maximum deviation from the straight line from start to target;
//! - error: mean of `|b - target|`, both directions counted, over the last half second.
//!
//! Overshoot and settling are defined as in any control text (for example Franklin, Powell and
//! Emami-Naeini, "Feedback Control of Dynamic Systems", time-domain specifications; from memory),
//! here in-plane, along `d`.
//!
//! Bends in rad, times in s on one clock, samples in order of time. The caller handles files, ROS
//! graph and clock.

mod steps;
mod verdict;

pub use steps::{AngleSample, StepRow, StepStreams};
pub use verdict::{Bar, Bars, Unit, Verdict};

use crate::control::controller::CommandInterface;
use crate::control::geometry::Bend;
use crate::control::tick::MotorLimits;

/// Half width of the settling band as a share of `|d|`.
pub const SETTLING_BAND: f64 = 0.05;
/// Length of the window at the end of a record that gives the final position, s.
pub const LAST: f64 = 0.5;
/// Duration observed after a swap at rest, s.
pub const SWAP_WATCH: f64 = 5.0;
/// Bend error within which the joint has recovered from an added payload, rad (0.3 deg).
pub const PAYLOAD_BAND: f64 = 0.3 * std::f64::consts::PI / 180.0;
/// Bend error within which the joint has recovered from a push, rad (1 deg).
pub const PUSH_BAND: f64 = std::f64::consts::PI / 180.0;

/// One sample of the true bend.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BendSample {
    /// Time, s.
    pub time: f64,
    /// Bend, rad.
    pub bend: Bend,
}

/// One set of setpoints as sent.
#[derive(Clone, Debug, PartialEq)]
pub struct SetpointSample {
    /// Time of sending or of receipt, s.
    pub time: f64,
    /// Stamp of the measurement that it is based on, s.
    pub stamp: f64,
    /// Setpoints, rad or rad/s, in motor order.
    pub setpoints: Vec<f64>,
}

/// The reason why a record cannot be scored, in one sentence.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum TrialError {
    /// A window has no samples.
    #[error("no sample of the true bend between {from:.3} s and {to:.3} s")]
    NoSamples {
        /// Start of the window, s.
        from: f64,
        /// End of the window, s.
        to: f64,
    },
    /// Target and start are the same.
    #[error("a move of {0} rad; accepted: at least 0.001 rad")]
    NoMove(f64),
}

/// Returns the samples with `from <= time < to`.
pub fn between(samples: &[BendSample], from: f64, to: f64) -> &[BendSample] {
    let first = samples.partition_point(|s| s.time < from);
    let end = samples.partition_point(|s| s.time < to).max(first);
    &samples[first..end]
}

/// Returns the samples as [`between`] does; an error if there are none.
fn window(samples: &[BendSample], from: f64, to: f64) -> Result<&[BendSample], TrialError> {
    match between(samples, from, to) {
        [] => Err(TrialError::NoSamples { from, to }),
        some => Ok(some),
    }
}

/// Returns the true bend at `time`, rad, by linear interpolation; beyond the record, that at its
/// end.
///
/// # Errors
/// Returns an error for an empty record.
pub fn bend_at(samples: &[BendSample], time: f64) -> Result<Bend, TrialError> {
    let after = samples.partition_point(|s| s.time <= time);
    match (after.checked_sub(1).map(|i| samples[i]), samples.get(after)) {
        (Some(a), Some(b)) => {
            Ok(a.bend + (b.bend - a.bend) * ((time - a.time) / (b.time - a.time)))
        }
        (Some(a), None) => Ok(a.bend),
        (None, Some(b)) => Ok(b.bend),
        (None, None) => Err(TrialError::NoSamples {
            from: time,
            to: time,
        }),
    }
}

/// Returns the mean bend over a window, rad.
///
/// # Errors
/// Returns an error for an empty window.
pub fn mean_bend(samples: &[BendSample], from: f64, to: f64) -> Result<Bend, TrialError> {
    let window = window(samples, from, to)?;
    let sum: Bend = window.iter().map(|s| s.bend).sum();
    Ok(sum / window.len() as f64)
}

/// Returns the mean distance from `target` over a window, rad.
///
/// # Errors
/// Returns an error for an empty window.
pub fn mean_error(
    samples: &[BendSample],
    target: Bend,
    from: f64,
    to: f64,
) -> Result<f64, TrialError> {
    let window = window(samples, from, to)?;
    let sum: f64 = window.iter().map(|s| (s.bend - target).norm()).sum();
    Ok(sum / window.len() as f64)
}

/// Returns the maximum distance from `from_bend` over a window, rad.
///
/// # Errors
/// Returns an error for an empty window.
pub fn greatest_departure(
    samples: &[BendSample],
    from_bend: Bend,
    from: f64,
    to: f64,
) -> Result<f64, TrialError> {
    let window = window(samples, from, to)?;
    let distances = window.iter().map(|s| (s.bend - from_bend).norm());
    Ok(distances.fold(0.0, f64::max))
}

/// Returns the time from `from` to the last time that `departure` exceeds `band`, s; 0 if it never
/// does, `None` if it does at the end of the record. The crossing is interpolated between samples.
fn last_outside(
    samples: &[BendSample],
    from: f64,
    to: f64,
    band: f64,
    departure: impl Fn(Bend) -> f64,
) -> Result<Option<f64>, TrialError> {
    let window = window(samples, from, to)?;
    let outside = |s: &BendSample| !(departure(s.bend) <= band);
    let Some(last) = window.iter().rposition(outside) else {
        return Ok(Some(0.0));
    };
    let a = window[last];
    Ok(window.get(last + 1).map(|b| {
        let (far, near) = (departure(a.bend), departure(b.bend));
        let share = if far > near {
            ((far - band) / (far - near)).clamp(0.0, 1.0)
        } else {
            1.0
        };
        a.time + (b.time - a.time) * share - from
    }))
}

/// Returns the time from `from` until the bend stays within `band` of `target` (distance in the
/// bend plane), s; `None` if it does not by `to`.
///
/// # Errors
/// Returns an error for an empty window.
pub fn time_back(
    samples: &[BendSample],
    target: Bend,
    band: f64,
    from: f64,
    to: f64,
) -> Result<Option<f64>, TrialError> {
    last_outside(samples, from, to, band, |b| (b - target).norm())
}

/// Metrics of one move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MoveFigures {
    /// True bend when the command was received, rad.
    pub start: Bend,
    /// Commanded bend, rad.
    pub target: Bend,
    /// Mean bend over the last half second, rad.
    pub reached: Bend,
    /// `|d|`, rad.
    pub distance: f64,
    /// In-plane overshoot along `d`, rad.
    pub overshoot: f64,
    /// Settling time into 5 % of `|d|`, s; `None` if the record ends outside.
    pub settling: Option<f64>,
    /// Maximum cross-axis deviation from `d`, rad.
    pub across: f64,
    /// Mean error over the last half second, rad.
    pub error: f64,
}

impl MoveFigures {
    /// Scores a move that was commanded at `received` and recorded until `end`.
    ///
    /// # Errors
    /// Returns an error without samples in the record or in its last half second, and for a move
    /// that is too small.
    pub fn score(
        samples: &[BendSample],
        target: Bend,
        received: f64,
        end: f64,
    ) -> Result<Self, TrialError> {
        let start = bend_at(samples, received)?;
        let d = target - start;
        let distance = d.norm();
        if !(distance >= 1e-3) {
            return Err(TrialError::NoMove(distance));
        }
        let along = d / distance;
        let across = Bend::new(-along.y, along.x);
        let beyond = |b: Bend| (b - target).dot(&along);
        let record = window(samples, received, end)?;
        let greatest =
            |f: &dyn Fn(Bend) -> f64| record.iter().map(|s| f(s.bend)).fold(0.0, f64::max);
        let settling = last_outside(samples, received, end, SETTLING_BAND * distance, |b| {
            beyond(b).abs()
        })?;
        Ok(Self {
            start,
            target,
            reached: mean_bend(samples, end - LAST, end)?,
            distance,
            overshoot: greatest(&beyond),
            settling,
            across: greatest(&|b| (b - start).dot(&across).abs()),
            error: mean_error(samples, target, end - LAST, end)?,
        })
    }

    /// Returns the overshoot as a share of `|d|`.
    pub fn overshoot_share(&self) -> f64 {
        self.overshoot / self.distance
    }
}

/// Metrics of a payload that was added to a held pose.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PayloadFigures {
    /// Maximum distance from the target, rad.
    pub peak: f64,
    /// Time until the bend stays within [`PAYLOAD_BAND`] of the target, s.
    pub back: Option<f64>,
    /// Mean error over the last half second, rad.
    pub error: f64,
}

impl PayloadFigures {
    /// Scores a payload that was added at `at`, while `target` was held, and recorded until `end`.
    ///
    /// # Errors
    /// Returns an error for an empty record.
    pub fn score(
        samples: &[BendSample],
        target: Bend,
        at: f64,
        end: f64,
    ) -> Result<Self, TrialError> {
        Ok(Self {
            peak: greatest_departure(samples, target, at, end)?,
            back: time_back(samples, target, PAYLOAD_BAND, at, end)?,
            error: mean_error(samples, target, end - LAST, end)?,
        })
    }
}

/// Metrics of a push on the head plate in a held pose.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PushFigures {
    /// Maximum distance from the bend at the start of the push, rad.
    pub peak: f64,
    /// Peak of the same push with the motors stopped, rad.
    pub peak_still: f64,
    /// Time from the start of the push until the bend stays within [`PUSH_BAND`] of the target, s.
    pub back: Option<f64>,
    /// Maximum distance from the target at rest afterwards, over the last half second, rad. This is
    /// stricter than a peak-to-peak measure, which a joint at rest in the wrong position would
    /// pass.
    pub rest: f64,
}

impl PushFigures {
    /// Scores a push that began at `at`, while `target` was held, and was recorded until `end`;
    /// `peak_still` is the [`push_peak`] of the same push with the motors stopped.
    ///
    /// # Errors
    /// Returns an error for an empty record.
    pub fn score(
        samples: &[BendSample],
        target: Bend,
        at: f64,
        end: f64,
        peak_still: f64,
    ) -> Result<Self, TrialError> {
        Ok(Self {
            peak: push_peak(samples, at, end)?,
            peak_still,
            back: time_back(samples, target, PUSH_BAND, at, end)?,
            rest: greatest_departure(samples, target, end - LAST, end)?,
        })
    }

    /// Returns the peak as a share of that with the motors stopped.
    pub fn ratio(&self) -> f64 {
        self.peak / self.peak_still
    }
}

/// Returns the maximum distance from the bend at the start of a push at `at`, rad.
///
/// # Errors
/// Returns an error for an empty record.
pub fn push_peak(samples: &[BendSample], at: f64, end: f64) -> Result<f64, TrialError> {
    greatest_departure(samples, bend_at(samples, at)?, at, end)
}

/// Metrics of a gaze at a point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GazeFigures {
    /// True angle between optical axis and line of sight, rad: mean over the last half second; RMS
    /// over the whole record where the point moves.
    pub angle: f64,
    /// Reported residual angle, rad.
    pub told: f64,
    /// Time until the angle stayed within [`GAZE_BAND`] of its mean, s.
    pub arrived: f64,
    /// True if the point moved.
    pub moving: bool,
}

/// Band of the angle within which a gaze has arrived, rad (1 deg).
pub const GAZE_BAND: f64 = std::f64::consts::PI / 180.0;

impl GazeFigures {
    /// Scores (time, angle) samples of a gaze at a point from `sent` to `end`, s; `told` is the
    /// reported residual angle, rad.
    ///
    /// # Errors
    /// Returns an error for an empty record.
    pub fn score(
        samples: &[(f64, f64)],
        told: f64,
        moving: bool,
        sent: f64,
        end: f64,
    ) -> Result<Self, TrialError> {
        let within = |from: f64| {
            let of = samples.iter().filter(move |s| (from..=end).contains(&s.0));
            of.map(|s| s.1)
        };
        let from = if moving { sent } else { end - LAST };
        let count = within(from).count();
        if count == 0 {
            return Err(TrialError::NoSamples { from, to: end });
        }
        let count = count as f64;
        let angle = if moving {
            (within(from).map(|a| a * a).sum::<f64>() / count).sqrt()
        } else {
            within(from).sum::<f64>() / count
        };
        let mut all = samples.iter().filter(|s| (sent..=end).contains(&s.0));
        let last = all.rfind(|s| (s.1 - angle).abs() > GAZE_BAND);
        Ok(Self {
            angle,
            told,
            arrived: last.map_or(0.0, |s| s.0 - sent),
            moving,
        })
    }
}

/// Metrics of a swap of gain sets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SwapFigures {
    /// Maximum distance from the bend at the swap, over [`SWAP_WATCH`], rad.
    pub moved: f64,
    /// Maximum change of a setpoint from one message to the next around the swap, rad or rad/s.
    pub step: f64,
    /// Maximum change in the second before, rad or rad/s: an ordinary tick.
    pub ordinary_step: f64,
}

/// Margins of the window for a swap's step, before the request and after completion, s.
const SWAP_WINDOW: (f64, f64) = (0.02, 0.05);

impl SwapFigures {
    /// Scores a swap at rest that was requested at `asked` and known to be complete at `done`.
    ///
    /// # Errors
    /// Returns an error for an empty record.
    pub fn score(
        samples: &[BendSample],
        setpoints: &[SetpointSample],
        (asked, done): (f64, f64),
    ) -> Result<Self, TrialError> {
        let (before, after) = SWAP_WINDOW;
        let end = asked + SWAP_WATCH;
        Ok(Self {
            moved: greatest_departure(samples, bend_at(samples, asked)?, asked, end)?,
            step: greatest_step(setpoints, asked - before, done + after),
            ordinary_step: greatest_step(setpoints, asked - before - 1.0, asked - before),
        })
    }
}

/// Returns the maximum change of any setpoint between messages sent from `from` to `to`, rad or
/// rad/s.
pub fn greatest_step(setpoints: &[SetpointSample], from: f64, to: f64) -> f64 {
    let first = setpoints.partition_point(|s| s.time < from);
    let end = setpoints.partition_point(|s| s.time < to).max(first);
    let pairs = setpoints[first..end].windows(2);
    pairs.map(|w| step(&w[0], &w[1])).fold(0.0, f64::max)
}

fn step(a: &SetpointSample, b: &SetpointSample) -> f64 {
    let changes = a.setpoints.iter().zip(&b.setpoints);
    changes.map(|(a, b)| (b - a).abs()).fold(0.0, f64::max)
}

/// Peaks of the setpoints as shares of the motors' limits; 1 is at the limit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SetpointPeak {
    /// Share of the position range: angle over the limit on its side. 0 for velocity setpoints,
    /// which do not show the angle.
    pub travel: f64,
    /// Share of the speed limit.
    pub speed: f64,
}

/// Returns the time between two setpoints, s: the larger of the differences of receipt and of
/// stamp.
fn time_between(before: &SetpointSample, now: &SetpointSample) -> f64 {
    (now.time - before.time).max(now.stamp - before.stamp)
}

/// Maximum number of setpoints that arrive together after a stall.
const BUNCH: usize = 20;

/// Returns the index of the setpoint that setpoint `i` is compared with. That is the one before it
/// or, where several arrived together, the last one that did not arrive with them.
fn earlier(sent: &[SetpointSample], i: usize, period: f64) -> Option<usize> {
    let last = i.checked_sub(1)?;
    let first = i.saturating_sub(BUNCH);
    let apart = |j: &usize| time_between(&sent[*j], &sent[i]) >= 0.7 * period * (i - j) as f64;
    Some((first..=last).rev().find(apart).unwrap_or(last))
}

impl SetpointPeak {
    /// Returns the peaks of the setpoints sent from `from` to `to` by a loop with a tick of
    /// `period` s.
    ///
    /// The speed of position setpoints is their change over the time between them, in whole
    /// periods, at least one. That time is the larger of the differences of receipt and of stamp,
    /// so that jitter of either does not count and a lost message does not look like a jump.
    /// Setpoints that arrive together, after a stall of the machine, are compared with the one
    /// before the stall.
    pub fn score(
        setpoints: &[SetpointSample],
        limits: &[MotorLimits],
        kind: CommandInterface,
        period: f64,
        (from, to): (f64, f64),
    ) -> Self {
        let first = setpoints.partition_point(|s| s.time < from);
        let end = setpoints.partition_point(|s| s.time < to).max(first);
        let mut peak = Self::default();
        let sent = &setpoints[first..end];
        for (i, now) in sent.iter().enumerate() {
            for (m, (u, limit)) in now.setpoints.iter().zip(limits).enumerate() {
                match kind {
                    CommandInterface::Velocity => {
                        peak.speed = peak.speed.max(u.abs() / limit.speed)
                    }
                    CommandInterface::Position => {
                        peak.travel = peak
                            .travel
                            .max(u / if *u < 0.0 { limit.low } else { limit.high });
                        if let Some(j) = earlier(sent, i, period) {
                            let before = &sent[j];
                            let between = time_between(before, now);
                            let periods = (between / period).round().max(1.0);
                            let speed = (u - before.setpoints[m]).abs() / (periods * period);
                            peak.speed = peak.speed.max(speed / limit.speed);
                        }
                    }
                }
            }
        }
        peak
    }

    /// Returns the larger of the two shares.
    pub fn share(&self) -> f64 {
        self.travel.max(self.speed)
    }

    /// Returns the larger of each of two peaks.
    pub fn max(self, other: Self) -> Self {
        Self {
            travel: self.travel.max(other.travel),
            speed: self.speed.max(other.speed),
        }
    }
}

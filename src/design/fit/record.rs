//! Records of step tests, and the checks that refuse unusable ones.

use super::statistics::median;
use crate::control::geometry::Bend;

/// Course of the input between two samples.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Hold {
    /// Constant from one sample to the next: setpoints.
    #[default]
    Constant,
    /// Linear to the next sample.
    Linear,
}

/// A step test in bend space, as recorded.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StepTest {
    /// Times of the commanded bends, s.
    pub times: Vec<f64>,
    /// Commanded bend, from the motors' setpoints through the kinematics, rad (rad/s for velocity
    /// drives).
    pub asked: Vec<Bend>,
    /// Times of the measurements, s; as many as `times`. A stamp that does not rise repeats the
    /// last measurement.
    pub stamps: Vec<f64>,
    /// Measured bend, rad.
    pub measured: Vec<Bend>,
    /// Course of the input between samples.
    pub hold: Hold,
    /// Direction of the step, from +x toward +y, rad. The default is that of the first move along
    /// the line on which the commanded bend moves most.
    pub direction: Option<f64>,
    /// Magnitude at which the commanded bend was clipped, rad, if known.
    pub limit: Option<f64>,
}

/// One input with its in-plane and cross-axis response. The cross-axis direction is 90 deg from the
/// step's direction, from +x toward +y.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// Times of the input, s, rising.
    pub times: Vec<f64>,
    /// In-plane commanded bend, rad.
    pub input: Vec<f64>,
    /// Times of the response, s, rising.
    pub stamps: Vec<f64>,
    /// In-plane measured bend, rad.
    pub along: Vec<f64>,
    /// Cross-axis measured bend, rad.
    pub across: Vec<f64>,
    /// Course of the input between samples.
    pub hold: Hold,
    /// Magnitude at which the input was clipped, rad, if known.
    pub limit: Option<f64>,
}

/// The reason why nothing can be fitted to a record, in one sentence with numbers.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadRecord {
    /// Columns of different lengths.
    #[error(
        "{times} times, {inputs} commanded and {responses} measured values; accepted: equally many"
    )]
    Uneven {
        /// Number of times.
        times: usize,
        /// Number of commanded values.
        inputs: usize,
        /// Number of measured values.
        responses: usize,
    },
    /// Too few samples.
    #[error("too few samples: {0}; accepted: at least 30")]
    TooFew(usize),
    /// A value is not finite.
    #[error("no number: the {what} of sample {sample} is {value}; accepted: finite numbers")]
    NotFinite {
        /// Name of the value.
        what: &'static str,
        /// Sample number, from 1.
        sample: usize,
        /// The value.
        value: f64,
    },
    /// Time does not rise.
    #[error(
        "times do not rise: sample {sample} is at {time:.6} s, the one before at {before:.6} s"
    )]
    NotRising {
        /// Sample number, from 1.
        sample: usize,
        /// Its time, s.
        time: f64,
        /// Time of the sample before, s.
        before: f64,
    },
    /// Samples are missing.
    #[error(
        "samples lost: {gap:.3} s without one after {after:.3} s, {periods:.0} median periods; \
         accepted: at most 10"
    )]
    Lost {
        /// Length of the gap, s.
        gap: f64,
        /// Start of the gap, s.
        after: f64,
        /// Its length in median periods.
        periods: f64,
    },
    /// The input does not move.
    #[error("no step: the input moves by {moved:.5} rad; accepted: at least {least:.5} rad{why}")]
    NoStep {
        /// Range of the input, rad.
        moved: f64,
        /// Minimum range accepted, rad.
        least: f64,
        /// Reason for that bound.
        why: &'static str,
    },
    /// A signal stays at a limit.
    #[error(
        "clipped: the {what} sits at {value:.5} rad for {run} samples from {from:.3} s on; \
         accepted: fewer than 5"
    )]
    Clipped {
        /// Name of the signal.
        what: &'static str,
        /// Value at which it stays, rad.
        value: f64,
        /// Number of samples in a row.
        run: usize,
        /// Time of the first of them, s.
        from: f64,
    },
    /// The oscillation of the response diverges while the input rests.
    #[error(
        "unstable: after the step at {from:.3} s the response oscillates over {first:.4}, \
         {middle:.4} and {last:.4} rad in the three thirds of the rest; accepted: an oscillation \
         that decays"
    )]
    Growing {
        /// Time when the input came to rest, s.
        from: f64,
        /// Range of the response in the first third, rad.
        first: f64,
        /// Range in the second third, rad.
        middle: f64,
        /// Range in the last third, rad.
        last: f64,
    },
    /// The response does not follow the input.
    #[error(
        "the response does not follow: its gain is {gain:.4} with a standard error of {error:.4}; \
         accepted: at least 5 standard errors"
    )]
    FollowingError {
        /// In-plane gain.
        gain: f64,
        /// Its standard error.
        error: f64,
    },
    /// The response has the opposite sign.
    #[error("the response is opposite to the input: its gain is {0:.4}; accepted: above 0")]
    Backwards(f64),
    /// The response did not settle.
    #[error(
        "too short: the longest rest after a move is {dwell:.3} s, {share:.1} times the \
         {settling:.3} s of dead time and slowest time constant; accepted: at least 3"
    )]
    TooShort {
        /// Longest rest of the input after a move, s.
        dwell: f64,
        /// Dead time and slowest time constant, s.
        settling: f64,
        /// Their ratio.
        share: f64,
    },
    /// The record fits an integrating joint and a slow one alike.
    #[error(
        "too short: in a longest rest of {dwell:.3} s an integrating joint and one with a time \
         constant of {time_constant:.3} s look alike; accepted: a longer rest, or a fit with the \
         order given"
    )]
    Ambiguous {
        /// Longest rest of the input after a move, s.
        dwell: f64,
        /// Time constant of the slow joint, s.
        time_constant: f64,
    },
    /// The response is faster than the sampling resolves.
    #[error(
        "too coarse: a time constant of {time_constant:.4} s between samples {period:.4} s apart; \
         accepted: at least half a period"
    )]
    TooCoarse {
        /// Time constant, s.
        time_constant: f64,
        /// Median period, s.
        period: f64,
    },
}

/// Minimum number of samples.
const FEWEST: usize = 30;
/// Maximum gap, in median periods.
const LONGEST_GAP: f64 = 10.0;
/// Minimum move, rad: below it friction and backlash dominate.
const LEAST_MOVE: f64 = 1e-3;
/// Minimum move in standard deviations of the response's noise.
const LEAST_MOVE_IN_NOISE: f64 = 4.0;
/// Number of equal samples at an end that count as clipped.
const CLIPPED_RUN: usize = 5;
/// Departure of the input that counts as a move, as a share of its range.
const MOVE: f64 = 0.02;

impl StepTest {
    /// Returns the in-plane and cross-axis record of the test, and the step's direction from +x
    /// toward +y, rad.
    ///
    /// # Errors
    /// Returns an error for uneven columns, too few samples, values that are not finite, or an
    /// input that does not move.
    pub fn record(&self) -> Result<(Record, f64), BadRecord> {
        let n = self.times.len();
        if self.asked.len() != n || self.measured.len() != n || self.stamps.len() != n {
            return Err(BadRecord::Uneven {
                times: n,
                inputs: self.asked.len(),
                responses: self.measured.len().min(self.stamps.len()),
            });
        }
        finite("time", &self.times)?;
        finite("stamp", &self.stamps)?;
        for k in 0..2 {
            let part = |bends: &[Bend]| bends.iter().map(|b| b[k]).collect::<Vec<f64>>();
            finite("commanded bend", &part(&self.asked))?;
            finite("measured bend", &part(&self.measured))?;
        }
        if n < FEWEST {
            return Err(BadRecord::TooFew(n));
        }
        let direction = match self.direction {
            Some(direction) => direction,
            None => self.principal()?,
        };
        let (sin, cos) = direction.sin_cos();
        let (e, side) = (Bend::new(cos, sin), Bend::new(-sin, cos));
        let mut record = Record {
            times: self.times.clone(),
            input: self.asked.iter().map(|b| b.dot(&e)).collect(),
            stamps: Vec::with_capacity(n),
            along: Vec::with_capacity(n),
            across: Vec::with_capacity(n),
            hold: self.hold,
            limit: self.limit,
        };
        for (stamp, bend) in self.stamps.iter().zip(&self.measured) {
            // This skips a repeated measurement. The checks report one with an earlier stamp.
            if record.stamps.last() != Some(stamp) {
                record.stamps.push(*stamp);
                record.along.push(bend.dot(&e));
                record.across.push(bend.dot(&side));
            }
        }
        Ok((record, direction))
    }

    /// Returns the direction of the first move along the principal axis of the commanded bends,
    /// rad.
    fn principal(&self) -> Result<f64, BadRecord> {
        let n = self.asked.len() as f64;
        let mean: Bend = self.asked.iter().sum::<Bend>() / n;
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for b in &self.asked {
            let d = b - mean;
            xx += d.x * d.x;
            xy += d.x * d.y;
            yy += d.y * d.y;
        }
        let axis = 0.5 * (2.0 * xy).atan2(xx - yy);
        let e = Bend::new(axis.cos(), axis.sin());
        let (low, high) = extent(&self.asked.iter().map(|b| b.dot(&e)).collect::<Vec<f64>>());
        let moved = high - low;
        if !(moved >= LEAST_MOVE) {
            return Err(BadRecord::NoStep {
                moved,
                least: LEAST_MOVE,
                why: "",
            });
        }
        let from = self.asked[0].dot(&e);
        let first = self.asked.iter().map(|b| b.dot(&e) - from);
        let first = first.into_iter().find(|m| m.abs() > 0.1 * moved);
        Ok(match first {
            Some(m) if m < 0.0 && axis > 0.0 => axis - std::f64::consts::PI,
            Some(m) if m < 0.0 => axis + std::f64::consts::PI,
            _ => axis,
        })
    }
}

/// Results of the checks that the fit uses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Survey {
    /// Median period of the response, s.
    pub(super) period: f64,
    /// Longest time that the input rests after a move, s.
    pub(super) dwell: f64,
    /// Range of the input, rad.
    pub(super) moved: f64,
}

impl Record {
    /// Checks the record; refuses one that nothing can be fitted to.
    pub(super) fn survey(&self) -> Result<Survey, BadRecord> {
        let (n, m) = (self.times.len(), self.stamps.len());
        if self.input.len() != n || self.along.len() != m || self.across.len() != m {
            return Err(BadRecord::Uneven {
                times: n,
                inputs: self.input.len(),
                responses: self.along.len().min(self.across.len()),
            });
        }
        if n.min(m) < FEWEST {
            return Err(BadRecord::TooFew(n.min(m)));
        }
        finite("time", &self.times)?;
        finite("input", &self.input)?;
        finite("stamp", &self.stamps)?;
        finite("response", &self.along)?;
        finite("cross-axis response", &self.across)?;
        steady(&self.times)?;
        let period = steady(&self.stamps)?;
        let (low, high) = extent(&self.input);
        let moved = high - low;
        let noise = noise(&self.along);
        let against_noise = LEAST_MOVE_IN_NOISE * noise;
        let (least, why) = if against_noise > LEAST_MOVE {
            (against_noise, ", 4 times the noise of the response")
        } else {
            (LEAST_MOVE, "")
        };
        if !(moved >= least) {
            return Err(BadRecord::NoStep { moved, least, why });
        }
        self.clipped()?;
        let (from, dwell) = self.rest(MOVE * moved);
        self.growing(from, dwell, noise)?;
        Ok(Survey {
            period,
            dwell,
            moved,
        })
    }

    /// Returns start and length of the longest rest of the input after its first move, s. A rest
    /// ends with the response at the latest.
    fn rest(&self, band: f64) -> (f64, f64) {
        let end = self.stamps[self.stamps.len() - 1];
        let (mut from, mut best) = (0, (end, 0.0));
        for i in 1..=self.input.len() {
            if i < self.input.len() && (self.input[i] - self.input[from]).abs() <= band {
                continue;
            }
            let until = self.times.get(i).map_or(end, |t| t.min(end));
            let long = until - self.times[from];
            // Values before the first move do not respond to anything.
            if from > 0 && long > best.1 {
                best = (self.times[from], long);
            }
            from = i;
        }
        best
    }

    fn clipped(&self) -> Result<(), BadRecord> {
        if let Some(limit) = self.limit {
            let at = |v: &f64| v.abs() >= limit * (1.0 - 1e-9);
            let (from, run) = longest_run(self.input.iter().map(at));
            if run >= CLIPPED_RUN {
                return Err(BadRecord::Clipped {
                    what: "input",
                    value: self.input[from],
                    run,
                    from: self.times[from],
                });
            }
        }
        let y = &self.along;
        let (low, high) = extent(y);
        // Values from the start on show the joint before its first step.
        let start = y.iter().take_while(|v| **v == y[0]).count();
        // A joint without noise repeats its values where it comes to rest, but gets there slowly. A
        // quantised one gets there by one step.
        let slow = (1e-6 * (high - low)).max(2.5 * quantum(y));
        for end in [low, high] {
            let (from, run) = longest_run(y[start..].iter().map(|v| *v == end));
            let from = start + from;
            if run >= CLIPPED_RUN && (y[from] - y[from - 1]).abs() > slow {
                return Err(BadRecord::Clipped {
                    what: "response",
                    value: end,
                    run,
                    from: self.stamps[from],
                });
            }
        }
        Ok(())
    }

    fn growing(&self, from: f64, dwell: f64, noise: f64) -> Result<(), BadRecord> {
        let third = |k: f64| {
            let (a, b) = (from + k * dwell / 3.0, from + (k + 1.0) * dwell / 3.0);
            let inside = self.stamps.iter().zip(&self.along);
            let inside = inside.filter(|(t, _)| **t >= a && **t < b);
            let values: Vec<f64> = inside.map(|(_, y)| *y).collect();
            let (low, high) = extent(&values);
            (high - low).max(0.0)
        };
        let (first, middle, last) = (third(0.0), third(1.0), third(2.0));
        // Noise alone spreads over some six standard deviations.
        let (a, b, c) = (first + 6.0 * noise, middle, last - 6.0 * noise);
        if c > 1.5 * b && b > 1.2 * a {
            return Err(BadRecord::Growing {
                from,
                first,
                middle,
                last,
            });
        }
        Ok(())
    }
}

fn finite(what: &'static str, values: &[f64]) -> Result<(), BadRecord> {
    match values.iter().position(|v| !v.is_finite()) {
        None => Ok(()),
        Some(i) => Err(BadRecord::NotFinite {
            what,
            sample: i + 1,
            value: values[i],
        }),
    }
}

/// Returns the median period, s; refuses times that do not rise or that leave gaps.
fn steady(times: &[f64]) -> Result<f64, BadRecord> {
    let mut periods: Vec<f64> = times.windows(2).map(|w| w[1] - w[0]).collect();
    if let Some(i) = periods.iter().position(|p| !(*p > 0.0)) {
        return Err(BadRecord::NotRising {
            sample: i + 2,
            time: times[i + 1],
            before: times[i],
        });
    }
    let longest = (0..periods.len()).max_by(|a, b| periods[*a].total_cmp(&periods[*b]));
    let gap = longest.map_or((0.0, 0.0), |i| (periods[i], times[i]));
    let period = median(&mut periods);
    let share = gap.0 / period;
    if share > LONGEST_GAP {
        return Err(BadRecord::Lost {
            gap: gap.0,
            after: gap.1,
            periods: share,
        });
    }
    Ok(period)
}

fn extent(values: &[f64]) -> (f64, f64) {
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    (
        low,
        values.iter().copied().fold(f64::NEG_INFINITY, f64::max),
    )
}

/// Returns the standard deviation of white noise on a smooth signal. It is the median magnitude of
/// the second differences, which are `sqrt(6)` times as wide as the noise, over 0.6745, the normal
/// distribution's upper quartile.
fn noise(values: &[f64]) -> f64 {
    let second = values.windows(3).map(|w| (w[2] - 2.0 * w[1] + w[0]).abs());
    median(&mut second.collect::<Vec<f64>>()) / (0.6745 * 6.0_f64.sqrt())
}

/// Returns the quantisation step of the values: the minimum change, if all others are multiples of
/// it; otherwise 0.
fn quantum(values: &[f64]) -> f64 {
    let changes = values.windows(2).map(|w| (w[1] - w[0]).abs());
    let changes: Vec<f64> = changes.filter(|c| *c > 0.0).collect();
    let least = changes.iter().copied().fold(f64::INFINITY, f64::min);
    let counted = changes.iter().all(|c| {
        let steps = c / least;
        (steps - steps.round()).abs() < 1e-3
    });
    if counted && least.is_finite() {
        least
    } else {
        0.0
    }
}

/// Returns start and length of the longest run of `true`.
fn longest_run(flags: impl Iterator<Item = bool>) -> (usize, usize) {
    let (mut run, mut best) = (0, (0, 0));
    for (i, flag) in flags.enumerate() {
        run = if flag { run + 1 } else { 0 };
        if run > best.1 {
            best = (i + 1 - run, run);
        }
    }
    best
}

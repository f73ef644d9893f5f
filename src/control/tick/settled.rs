//! Detector of `settled`: the target has been held within tolerance for the dwell time.

use super::Joint;
use crate::control::geometry::{Bend, Configuration};

/// Time constant of the bend used for `settled`, s: filters sensor noise.
const SETTLED_FILTER: f64 = 0.05;

/// Time constant with which the distance from the target grows, s: filters a stream's noise.
const SHORT_FILTER: f64 = 0.5;

/// What one tick shows of it.
pub(super) struct Seen {
    pub bend: Bend,
    pub pan: f64,
    pub target: Configuration,
    pub reference: Configuration,
    /// The reference is at rest; `None` while the loop is open.
    pub at_rest: Option<bool>,
}

/// State of the detector. Its filters run in all phases.
#[derive(Clone, Debug)]
pub(super) struct Settling {
    since: Option<f64>,
    bend: Bend,
    /// Distance of the reference from the target, filtered against the noise of a stream.
    short: Configuration,
}

impl Default for Settling {
    fn default() -> Self {
        Self {
            since: None,
            bend: Bend::zeros(),
            short: Configuration::zeros(),
        }
    }
}

impl Settling {
    /// Begins anew: the target is now `short` from the reference.
    pub(super) fn restart(&mut self, short: Configuration) {
        (self.since, self.short) = (None, short);
    }

    /// Runs one tick at `now`. Returns true if the joint is settled.
    pub(super) fn step(&mut self, joint: &Joint, seen: &Seen, now: f64) -> bool {
        let weight = |filter: f64| joint.period / (filter + joint.period);
        self.bend += (seen.bend - self.bend) * weight(SETTLED_FILTER);
        let short = seen.target - seen.reference;
        // A decrease takes effect at once.
        self.short = if short.norm() <= self.short.norm() {
            short
        } else {
            self.short + (short - self.short) * weight(SHORT_FILTER)
        };
        let most = joint.settled_tolerance;
        let target = seen.reference + self.short;
        let near = (target.xy() - self.bend).norm() <= most
            && (joint.pan.is_none() || (target.z - seen.pan).abs() <= most);
        // A moving target counts as reached where the reference follows it.
        let follows = self.short.norm() <= 0.5 * most;
        self.since = match seen.at_rest {
            Some(at_rest) if near && (at_rest || follows) => self.since.or(Some(now)),
            _ => None,
        };
        self.since
            .is_some_and(|since| now - since >= joint.settled_dwell)
    }
}

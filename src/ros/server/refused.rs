//! Counts of refused messages, by topic and reason.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use crate::ros::messages::Refusal;

/// Topics on which targets arrive.
const TARGETS: [&str; 3] = ["desired_pose", "gaze_point", "point_head"];

/// Counts of the messages refused on one joint's topics.
#[derive(Debug, Default)]
pub struct Refused {
    counts: Mutex<Counted>,
}

#[derive(Debug, Default)]
struct Counted {
    by_reason: BTreeMap<(&'static str, &'static str), u64>,
    total: u64,
    last: String,
    targets: RefusedTargets,
}

/// The refused targets.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RefusedTargets {
    /// Their number.
    pub count: u64,
    /// Topic of the last one; empty without one.
    pub topic: &'static str,
    /// Sentence on the last one, which begins with its topic; empty without one.
    pub last: String,
}

impl Refused {
    /// Counts a refusal on `topic`; returns true if it is the first of its kind.
    pub fn count(&self, topic: &'static str, refusal: &Refusal) -> bool {
        let mut counted = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        counted.total += 1;
        counted.last = format!("{topic}: {}", refusal.sentence);
        if TARGETS.contains(&topic) {
            counted.targets = RefusedTargets {
                count: counted.targets.count + 1,
                topic,
                last: counted.last.clone(),
            };
        }
        let count = counted
            .by_reason
            .entry((topic, refusal.reason))
            .or_default();
        *count += 1;
        *count == 1
    }

    /// Counts a refusal, and logs the first of its kind.
    pub fn tell(&self, joint: &str, topic: &'static str, refusal: &Refusal) {
        if self.count(topic, refusal) {
            let sentence = &refusal.sentence;
            tracing::warn!(
                joint,
                "message on {topic} dropped (more of this kind are counted in /diagnostics only): {sentence}"
            );
        }
    }

    /// Returns the refused targets.
    pub fn targets(&self) -> RefusedTargets {
        let counted = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        counted.targets.clone()
    }

    /// Returns all counts by topic and reason, their sum, and the sentence of the last refusal.
    pub fn list(&self) -> (Vec<(String, u64)>, u64, String) {
        let counted = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        let name = |(topic, reason): &(&str, &str)| format!("{topic}.{reason}");
        let list = counted.by_reason.iter().map(|(k, n)| (name(k), *n));
        (list.collect(), counted.total, counted.last.clone())
    }
}

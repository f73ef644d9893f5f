//! Counts of refused messages, by topic and reason.

use std::collections::BTreeMap;
use std::sync::Mutex;

use super::topic::Topic;
use crate::ros::messages::Refusal;
use crate::runtime::locked;

/// The messages refused on one joint's topics.
#[derive(Debug, Default)]
pub struct Refused(Mutex<Counts>);

/// Counts of refused messages.
#[derive(Clone, Debug, Default)]
pub struct Counts {
    /// By topic and reason, in this order.
    pub by_reason: BTreeMap<(Topic, &'static str), u64>,
    /// Number of all.
    pub total: u64,
    /// Topic and sentence of the last one; empty: none.
    pub last: String,
    targets: RefusedTargets,
}

/// Refused targets: their number, and topic and sentence of the last one.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RefusedTargets {
    pub count: u64,
    /// Topic of the last one; empty without one.
    pub topic: &'static str,
    /// Sentence on the last one, which begins with its topic; empty without one.
    pub last: String,
}

impl Refused {
    /// Counts a refusal on `topic`; returns true if it is the first of its kind.
    pub fn count(&self, topic: Topic, refusal: &Refusal) -> bool {
        let mut counts = locked(&self.0);
        counts.total += 1;
        counts.last = format!("{}: {}", topic.name(), refusal.sentence);
        if topic.has_targets() {
            counts.targets = RefusedTargets {
                count: counts.targets.count + 1,
                topic: topic.name(),
                last: counts.last.clone(),
            };
        }
        let count = counts.by_reason.entry((topic, refusal.reason)).or_default();
        *count += 1;
        *count == 1
    }

    /// Counts a refusal, and logs the first of its kind.
    pub fn count_and_log(&self, joint: &str, topic: Topic, refusal: &Refusal) {
        if self.count(topic, refusal) {
            let (topic, sentence) = (topic.name(), &refusal.sentence);
            tracing::warn!(
                joint,
                "message on {topic} dropped (more of this kind are counted in /diagnostics only): {sentence}"
            );
        }
    }

    pub fn targets(&self) -> RefusedTargets {
        locked(&self.0).targets.clone()
    }

    pub fn total(&self) -> u64 {
        locked(&self.0).total
    }

    pub fn counts(&self) -> Counts {
        locked(&self.0).clone()
    }
}

impl Counts {
    /// Returns the counts with names as in `imu.not_finite`.
    pub fn named(&self) -> impl Iterator<Item = (String, u64)> {
        let counts = self.by_reason.iter();
        counts.map(|((topic, reason), count)| (format!("{}.{reason}", topic.name()), *count))
    }
}

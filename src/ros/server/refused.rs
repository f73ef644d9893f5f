//! Counts of refused messages, by topic and reason, and the log of all refusals: what others send
//! fills neither the log nor an answer.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use super::topic::Topic;
use crate::ros::messages::Refusal;
use crate::runtime::locked;

/// Max. length of a text of others in a sentence, and of a refusal in the log, characters.
const SHOWN: usize = 200;
/// Max. number of log lines about refusals within [`SPAN`]; the others are counted.
const LINES: u32 = 20;
const SPAN: Duration = Duration::from_secs(10);

/// Returns a text with at most [`SHOWN`] characters, on one line.
pub fn cut(text: &str) -> Cow<'_, str> {
    let end = text.char_indices().nth(SHOWN).map(|(end, _)| end);
    if end.is_none() && !text.contains(char::is_control) {
        return text.into();
    }
    let mut shown = text[..end.unwrap_or(text.len())].replace(char::is_control, "?");
    if end.is_some() {
        shown.push_str("...");
    }
    shown.into()
}

/// Limits the rate of log lines. Times are of the machine.
#[derive(Debug, Default)]
struct Pace {
    begun: Option<Instant>,
    lines: u32,
    left_out: u64,
}

impl Pace {
    /// Returns the number of lines left out before this one; `None` to leave it out too.
    fn admit(&mut self, now: Instant) -> Option<u64> {
        if self.begun.is_none_or(|begun| now - begun >= SPAN) {
            (self.begun, self.lines) = (Some(now), 0);
        }
        if self.lines == LINES {
            self.left_out += 1;
            return None;
        }
        self.lines += 1;
        Some(std::mem::take(&mut self.left_out))
    }
}

/// The messages refused on one joint's topics, and the pace of the log of refusals.
#[derive(Debug, Default)]
pub struct Refused {
    counts: Mutex<Counts>,
    pace: Mutex<Pace>,
}

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
        let mut counts = locked(&self.counts);
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
            let what = format!(
                "message on {topic} dropped (more of this kind are counted in /diagnostics only): "
            );
            self.log(joint, &what, sentence);
        }
    }

    /// Logs a refusal: `what` was refused, and the reason, of which others may have sent a part.
    pub fn log(&self, joint: &str, what: &str, reason: &str) {
        let Some(left_out) = locked(&self.pace).admit(Instant::now()) else {
            return;
        };
        let more = match left_out {
            0 => String::new(),
            n => format!(" ({n} refusals before it were not logged)"),
        };
        tracing::warn!(joint, "{what}{}{more}", cut(reason));
    }

    pub fn targets(&self) -> RefusedTargets {
        locked(&self.counts).targets.clone()
    }

    pub fn total(&self) -> u64 {
        locked(&self.counts).total
    }

    pub fn counts(&self) -> Counts {
        locked(&self.counts).clone()
    }
}

impl Counts {
    /// Returns the counts with names as in `imu.not_finite`.
    pub fn named(&self) -> impl Iterator<Item = (String, u64)> {
        let counts = self.by_reason.iter();
        counts.map(|((topic, reason), count)| (format!("{}.{reason}", topic.name()), *count))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_of_others_are_cut_and_have_one_line() {
        assert_eq!(cut("neck"), "neck");
        assert_eq!(cut("two\nlines"), "two?lines");
        let long = cut(&"ä".repeat(65_538)).into_owned();
        assert_eq!(long.chars().count(), SHOWN + 3);
        assert!(long.ends_with("ä..."));
        assert_eq!(cut(&"x".repeat(SHOWN)).len(), SHOWN);
    }

    #[test]
    fn refusals_are_logged_at_a_limited_rate_and_the_others_counted() {
        let mut pace = Pace::default();
        let begin = Instant::now();
        let at = |seconds: f64| begin + Duration::from_secs_f64(seconds);
        for _ in 0..LINES {
            assert_eq!(pace.admit(at(1.0)), Some(0));
        }
        for _ in 0..1000 {
            assert_eq!(pace.admit(at(2.0)), None);
        }
        assert_eq!(pace.admit(at(11.0)), Some(1000));
        assert_eq!(pace.admit(at(11.1)), Some(0));
    }
}

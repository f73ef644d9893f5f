//! Arbitration between the sources of commands. Free of middleware and clocks: source and time of a
//! command in, acceptance out.
//!
//! The source that commanded last holds the joint until it has been silent for
//! `commands.release_after` or a hold is requested. Meanwhile commands of other sources are
//! reported, and refused if command is exclusive. After a hold, a stream that continues is refused
//! until it pauses; otherwise its next sample would undo the hold.

pub mod listen;
mod names;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::sync::Mutex;

use super::topic::Topic;
use crate::files::{ACTION, Commands};
use crate::ros::messages::Refusal;
use crate::runtime::locked;

/// Max. time between two commands of a stream, s: a person is slower.
const STREAM_GAP: f64 = 0.5;
/// Number of consecutive commands that make a stream.
const STREAM: u32 = 3;
/// Max. number of remembered sources; the one heard longest ago is forgotten first.
const MOST: usize = 32;
/// Name shown for a node whose name is unknown.
const UNKNOWN: &str = "a node that is not known";

/// The source of a command.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Source {
    /// The clients of the action.
    Action,
    /// A source with its own topics.
    Named(String),
    /// The only node that publishes on a topic.
    Node(String),
    /// One of several nodes that publish on a topic; which one is unknown.
    OneOf(Vec<String>),
    /// A node whose name the ROS graph does not report, or not yet.
    Unknown,
}

impl Source {
    /// Returns the source of a message on a topic with publishers of these names; an empty name is
    /// unknown.
    fn among(publishers: &[String]) -> Self {
        match publishers {
            [] => Self::Unknown,
            [one] if one.is_empty() => Self::Unknown,
            [one] => Self::Node(one.clone()),
            several => Self::OneOf(several.to_vec()),
        }
    }

    /// Returns the possible names of the source.
    fn names(&self) -> Vec<&str> {
        match self {
            Self::Action => vec![ACTION],
            Self::Named(name) | Self::Node(name) => vec![name],
            Self::OneOf(names) => names.iter().map(|n| known(n)).collect(),
            Self::Unknown => vec![UNKNOWN],
        }
    }

    /// Returns true if both may be the same source.
    fn may_be(&self, other: &Self) -> bool {
        let names = other.names();
        self.names().iter().any(|name| names.contains(name))
    }
}

fn known(name: &str) -> &str {
    if name.is_empty() { UNKNOWN } else { name }
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.names().join(" or "))
    }
}

/// Returns the elapsed time, s; infinite if simulated time has jumped back.
fn since(then: f64, now: f64) -> f64 {
    if now >= then {
        now - then
    } else {
        f64::INFINITY
    }
}

/// The record of one source.
#[derive(Clone, Debug)]
struct Heard {
    source: Source,
    /// Time of its last command, accepted or not, s.
    at: f64,
    /// Number of consecutive commands no further apart than [`STREAM_GAP`].
    row: u32,
    /// A hold was requested while it streamed.
    barred: bool,
    /// Time of its last command while another source held the joint, s.
    contended: f64,
    /// The contention has been logged.
    logged: bool,
}

/// The state of the arbitration for diagnostics.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Report {
    /// The source that holds the joint.
    pub commanding: Option<Source>,
    /// Other sources that commanded recently, sorted by name.
    pub contending: Vec<String>,
    /// Number of commands while another source held the joint, or from an unknown one of several.
    pub contended: u64,
    /// Number of commands refused because of their source.
    pub refused: u64,
}

impl Report {
    /// Returns all sources that command the joint.
    pub fn all(&self) -> BTreeSet<String> {
        // Of a source that is one of several, all contend.
        let holder = self.commanding.iter();
        let holder = holder.filter(|source| !matches!(source, Source::OneOf(_)));
        let holder = holder.map(ToString::to_string);
        self.contending.iter().cloned().chain(holder).collect()
    }

    /// Returns the name of the source that holds the joint; empty: none.
    pub fn commanding(&self) -> String {
        self.commanding
            .as_ref()
            .map_or_else(String::new, ToString::to_string)
    }
}

/// The sources of one joint's commands. Times are on any one clock, s.
#[derive(Debug, Default)]
struct Sources {
    exclusive: bool,
    release_after: f64,
    /// Number of goals of the action under way.
    goals: usize,
    holder: Option<(Source, f64)>,
    heard: Vec<Heard>,
    /// Number of hold requests seen so far.
    holds: u64,
    contended: u64,
    refused: u64,
}

impl Sources {
    /// Registers hold requests: the holder loses the joint, and running streams have to pause.
    fn note_holds(&mut self, holds: u64, now: f64) {
        if holds == self.holds {
            return;
        }
        self.holds = holds;
        self.holder = None;
        for heard in &mut self.heard {
            heard.barred |= heard.row >= STREAM && since(heard.at, now) < self.release_after;
        }
    }

    /// Returns the source that holds the joint if its last command is recent; a goal under way
    /// keeps it recent.
    fn holder(&self, now: f64) -> Option<&Source> {
        let (source, at) = self.holder.as_ref()?;
        let busy = self.goals > 0 && *source == Source::Action;
        (busy || since(*at, now) < self.release_after).then_some(source)
    }

    /// Registers a command of a source now; returns the index of its record.
    fn hear(&mut self, source: &Source, now: f64) -> usize {
        let place = self.heard.iter().position(|h| h.source == *source);
        if let Some(place) = place {
            let heard = &mut self.heard[place];
            heard.row = if since(heard.at, now) <= STREAM_GAP && *source != Source::Action {
                heard.row.saturating_add(1)
            } else {
                1
            };
            heard.at = now;
            return place;
        }
        if self.heard.len() >= MOST {
            let ages = self.heard.iter().enumerate();
            let oldest = ages.min_by(|a, b| a.1.at.total_cmp(&b.1.at));
            if let Some((oldest, _)) = oldest {
                self.heard.swap_remove(oldest);
            }
        }
        self.heard.push(Heard {
            source: source.clone(),
            at: now,
            row: 1,
            barred: false,
            contended: f64::NEG_INFINITY,
            logged: false,
        });
        self.heard.len() - 1
    }

    /// Returns true if a stream that may be this source's continues after a hold. A stream that has
    /// paused is free again.
    fn barred(&mut self, source: &Source, now: f64) -> bool {
        let mut barred = false;
        for heard in &mut self.heard {
            heard.barred &= since(heard.at, now) < self.release_after;
            if heard.barred && heard.source.may_be(source) {
                // Under another name it is still the same stream.
                heard.at = now;
                barred = true;
            }
        }
        barred
    }

    /// Judges a command of `source`; returns a warning if there is reason for one.
    fn judge(&mut self, source: &Source, now: f64) -> Result<Option<String>, Refusal> {
        let barred = self.barred(source, now);
        let place = self.hear(source, now);
        if barred {
            self.refused += 1;
            let pause = self.release_after;
            return Err(Refusal {
                reason: "stream_after_hold",
                sentence: format!(
                    "a hold was requested while {source} sent a stream of commands; accepted from \
                     it: a command after a pause of {pause} s"
                ),
            });
        }
        let holder = self.holder(now);
        // An unnamed source never holds the joint.
        let other = holder.filter(|h| *h != source && **h != Source::Unknown);
        let other = other.map(ToString::to_string);
        let several = matches!(source, Source::OneOf(_));
        if !several && other.is_none() {
            return Ok(None);
        }
        self.contended += 1;
        let heard = &mut self.heard[place];
        heard.contended = now;
        let first = !std::mem::replace(&mut heard.logged, true);
        let (reason, fact, accepted) = if several {
            (
                "several_publishers",
                format!(
                    "{} publish on this topic, and the source of a command cannot be determined",
                    source.names().join(", ")
                ),
                "one node per topic, each source on topics of its own (commands.sources in the \
                 joint file)"
                    .to_string(),
            )
        } else {
            let (other, pause) = (other.unwrap_or_default(), self.release_after);
            (
                "other_source",
                format!("{source} commands while {other} holds the joint"),
                format!("{other}, or another source after a silence of {pause} s"),
            )
        };
        if self.exclusive {
            self.refused += 1;
            return Err(Refusal {
                reason,
                sentence: format!("{fact}; accepted under commands.exclusive: {accepted}"),
            });
        }
        Ok(first.then_some(fact))
    }

    /// Registers an accepted command of `source`.
    fn take(&mut self, source: &Source, now: f64) {
        self.holder = Some((source.clone(), now));
    }

    fn report(&self, now: f64) -> Report {
        let holder = self.holder(now);
        let recent = |h: &&Heard| since(h.contended, now) < self.release_after;
        let contenders = self.heard.iter().filter(recent);
        let mut contending: Vec<String> = contenders
            .filter(|h| Some(&h.source) != holder || matches!(h.source, Source::OneOf(_)))
            .flat_map(|h| h.source.names())
            .map(ToString::to_string)
            .collect();
        contending.sort();
        contending.dedup();
        Report {
            commanding: holder.cloned(),
            contending,
            contended: self.contended,
            refused: self.refused,
        }
    }
}

/// Returns what is wrong with several nodes that publish on the topic of a sensor.
pub fn several(topic: Topic, names: &[String]) -> Option<String> {
    if names.len() < 2 || !Topic::SENSORS.contains(&topic) {
        return None;
    }
    let listed = names.iter().map(|name| known(name)).collect::<Vec<_>>();
    let (names, topic) = (listed.join(", "), topic.name());
    // The rest of the robot may publish its own joints there.
    let mixed = match topic {
        "joint_states" => "the angles of a motor that more than one of them sends are mixed",
        _ => "their samples are mixed",
    };
    Some(format!(
        "{names} publish on {topic}, and {mixed}; accepted: one node for each sensor"
    ))
}

/// The topics on which a target arrived.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SourceTopics {
    /// The topics that all sources share.
    Shared,
    /// The topics of one source, by its name.
    Own(String),
}

/// The sources of one joint's commands, shared by its threads.
#[derive(Debug, Default)]
pub struct SharedSources {
    sources: Mutex<Sources>,
    /// Names of the nodes that publish on each shared topic; an empty name is unknown.
    publishers: Mutex<BTreeMap<Topic, Vec<String>>>,
}

impl SharedSources {
    /// Sets the rules for sources.
    pub fn set_rules(&self, commands: &Commands) {
        let mut sources = locked(&self.sources);
        sources.exclusive = commands.exclusive;
        sources.release_after = commands.release_after;
    }

    /// Sets the nodes that publish on a topic. Returns a warning if these are several nodes on a
    /// sensor's topic, and others than before.
    fn set_publishers(&self, topic: Topic, mut names: Vec<String>) -> Option<String> {
        names.sort();
        names.dedup();
        let warning = several(topic, &names);
        let before = locked(&self.publishers).insert(topic, names.clone());
        warning.filter(|_| before != Some(names))
    }

    /// Returns the names of the nodes that publish on each topic of a sensor.
    pub fn sensors(&self) -> Vec<(Topic, Vec<String>)> {
        let publishers = locked(&self.publishers);
        let of = |topic: Topic| Some((topic, publishers.get(&topic)?.clone()));
        Topic::SENSORS.into_iter().filter_map(of).collect()
    }

    /// Returns the source of a message.
    pub fn source(&self, topic: Topic, topics: SourceTopics) -> Source {
        match topics {
            SourceTopics::Shared => {
                let publishers = locked(&self.publishers);
                Source::among(publishers.get(&topic).map_or(&[], Vec::as_slice))
            }
            SourceTopics::Own(name) => Source::Named(name),
        }
    }

    /// Sets the number of goals of the action under way.
    #[cfg_attr(
        not(has_control_msgs),
        expect(dead_code, reason = "only the action has goals")
    )]
    pub fn set_goals(&self, under_way: usize) {
        locked(&self.sources).goals = under_way;
    }

    /// Judges a command of `source` after `holds` hold requests; returns a warning if there is
    /// reason for one.
    ///
    /// # Errors
    /// The refusal, if the command is not accepted.
    pub fn judge(&self, source: &Source, now: f64, holds: u64) -> Result<Option<String>, Refusal> {
        let mut sources = locked(&self.sources);
        sources.note_holds(holds, now);
        sources.judge(source, now)
    }

    /// Registers an accepted command of `source`.
    pub fn take(&self, source: &Source, now: f64) {
        locked(&self.sources).take(source, now);
    }

    /// Forgets holder and streams while the joint is not driven: arbitration starts afresh.
    pub fn forget(&self, holds: u64) {
        let mut sources = locked(&self.sources);
        (sources.holds, sources.holder) = (holds, None);
        sources.heard.clear();
    }

    /// Returns the state after the last command; a hold since then shows with the next one.
    pub fn report(&self, now: f64) -> Report {
        locked(&self.sources).report(now)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn node(name: &str) -> Source {
        Source::Node(name.into())
    }

    fn sources(exclusive: bool) -> Sources {
        Sources {
            exclusive,
            release_after: 2.0,
            ..Sources::default()
        }
    }

    /// Sends a command at `now`; returns true if it is accepted.
    fn says(s: &mut Sources, source: &Source, now: f64) -> bool {
        let taken = s.judge(source, now).is_ok();
        if taken {
            s.take(source, now);
        }
        taken
    }

    fn reason(s: &mut Sources, source: &Source, now: f64) -> &'static str {
        s.judge(source, now).unwrap_err().reason
    }

    #[test]
    fn two_publishers_of_a_sensor_are_named_once() {
        let shared = SharedSources::default();
        let set = |topic: Topic, names: &[&str]| {
            shared.set_publishers(topic, names.iter().map(ToString::to_string).collect())
        };
        assert_eq!(set(Topic::Imu, &["/driver"]), None);
        assert_eq!(
            set(Topic::Imu, &["/test", "/driver", "/driver"]).unwrap(),
            "/driver, /test publish on imu, and their samples are mixed; accepted: one node for each \
             sensor"
        );
        assert_eq!(set(Topic::Imu, &["/driver", "/test"]), None);
        let joints = set(Topic::JointStates, &["/arm", ""]).unwrap();
        assert!(joints.contains("a node that is not known, /arm publish on joint_states"));
        // Commands have their own rules.
        assert_eq!(set(Topic::DesiredPose, &["/a", "/b"]), None);
        let sensors = shared.sensors();
        assert_eq!(
            sensors[0],
            (Topic::Imu, vec!["/driver".into(), "/test".into()])
        );
        assert_eq!(sensors.len(), 2);
    }

    #[test]
    fn the_last_to_command_holds_the_joint_until_it_is_silent() {
        let (a, b) = (node("/a"), node("/b"));
        let mut s = sources(true);
        assert!(says(&mut s, &a, 10.0));
        let refused = s.judge(&b, 11.9).unwrap_err();
        assert_eq!(refused.reason, "other_source");
        for word in ["/b", "/a holds", "a silence of 2 s"] {
            assert!(refused.sentence.contains(word), "{}", refused.sentence);
        }
        let report = s.report(11.9);
        assert_eq!(report.commanding(), "/a");
        assert_eq!(report.contending, ["/b"]);
        assert_eq!((report.contended, report.refused), (1, 1));
        // The holder has been silent for 2 s: the refused command did not extend its time.
        assert!(says(&mut s, &b, 12.0));
        assert_eq!(reason(&mut s, &a, 12.1), "other_source");
        // A holder that continues keeps the joint.
        for i in 0..100 {
            assert!(says(&mut s, &b, 12.0 + 1.9 * f64::from(i)));
        }
        // Long after, no source holds the joint.
        let report = s.report(1000.0);
        assert_eq!(report.commanding(), "");
        assert!(report.contending.is_empty());
    }

    #[test]
    fn without_exclusion_all_are_taken_and_told() {
        let (a, b) = (node("/a"), Source::Named("desk".into()));
        let mut s = sources(false);
        let mut warnings = 0;
        for i in 0..20 {
            let now = 0.1 * f64::from(i);
            let source = if i % 2 == 0 { &a } else { &b };
            let told = s.judge(source, now).unwrap();
            s.take(source, now);
            warnings += u32::from(told.is_some());
        }
        let report = s.report(2.0);
        assert_eq!(report.commanding(), "desk");
        assert_eq!(report.contending, ["/a"]);
        assert_eq!((report.contended, report.refused), (19, 0));
        // One warning per source.
        assert_eq!(warnings, 2);
    }

    #[test]
    fn of_several_on_one_topic_nobody_can_tell_which() {
        let both = Source::among(&["/a".into(), "/b".into()]);
        let refused = sources(true).judge(&both, 0.0).unwrap_err();
        assert_eq!(refused.reason, "several_publishers");
        for word in ["/a, /b", "commands.sources"] {
            assert!(refused.sentence.contains(word), "{}", refused.sentence);
        }
        let mut s = sources(false);
        let told = s.judge(&both, 0.0).unwrap().unwrap();
        assert!(told.contains("/a, /b"), "{told}");
        s.take(&both, 0.0);
        let report = s.report(0.0);
        assert_eq!(report.commanding(), "/a or /b");
        assert_eq!(report.contending, ["/a", "/b"]);
        assert_eq!(Source::among(&["/a".into()]), node("/a"));
        for nobody in [vec![], vec![String::new()]] {
            assert_eq!(Source::among(&nobody), Source::Unknown);
        }
    }

    #[test]
    fn who_cannot_be_named_holds_nothing() {
        let mut s = sources(true);
        assert!(says(&mut s, &Source::Unknown, 0.0));
        assert!(says(&mut s, &node("/a"), 0.1));
        assert_eq!(reason(&mut s, &Source::Unknown, 0.2), "other_source");
    }

    #[test]
    fn a_goal_under_way_is_not_silence() {
        let mut s = sources(true);
        assert!(says(&mut s, &Source::Action, 0.0));
        s.goals = 1;
        assert!(s.judge(&node("/a"), 30.0).is_err());
        s.goals = 0;
        assert!(s.judge(&node("/a"), 30.0).is_ok());
    }

    #[test]
    fn a_hold_holds_against_a_stream_until_it_pauses() {
        let (a, b) = (node("/a"), node("/b"));
        for exclusive in [false, true] {
            let mut s = sources(exclusive);
            for i in 0..10 {
                assert!(says(&mut s, &a, 0.1 * f64::from(i)));
            }
            s.note_holds(1, 0.95);
            assert_eq!(s.report(0.95).commanding(), "");
            // For as long as it continues, and under any name.
            for i in 0..100 {
                let now = 1.0 + 0.1 * f64::from(i);
                assert_eq!(reason(&mut s, &a, now), "stream_after_hold");
            }
            let both = Source::among(&["/a".into(), "/c".into()]);
            assert_eq!(reason(&mut s, &both, 11.0), "stream_after_hold");
            // Another source may command meanwhile, and the stream stays refused.
            assert!(says(&mut s, &b, 11.0));
            assert_eq!(reason(&mut s, &a, 12.9), "stream_after_hold");
            assert!(says(&mut s, &a, 14.9));
        }
    }

    #[test]
    fn a_command_after_a_hold_is_no_stream() {
        let a = node("/a");
        let mut s = sources(true);
        // Occasional commands, before and after.
        for (now, holds) in [(0.0, 0), (0.6, 1), (0.7, 2), (3.0, 3), (3.6, 3), (4.2, 4)] {
            s.note_holds(holds, now);
            assert!(says(&mut s, &a, now), "{now}");
        }
        // Goals never make a stream, however fast they come.
        let mut s = sources(true);
        for i in 0..20_u32 {
            let now = 0.1 * f64::from(i);
            s.note_holds(i.into(), now);
            assert!(says(&mut s, &Source::Action, now));
        }
    }

    proptest! {
        // While one source holds the joint, no other is accepted; the number of remembered sources
        // is bounded.
        #[test]
        fn one_has_the_joint_for_itself(
            said in proptest::collection::vec((0_u8..60, 0.0..1.5_f64, 0_u8..40), 1..300),
        ) {
            let mut s = sources(true);
            let (mut now, mut holds) = (0.0, 0);
            let mut holder: Option<(u8, f64)> = None;
            for (who, pause, hold) in said {
                now += pause;
                if hold == 0 {
                    holds += 1;
                    holder = None;
                }
                s.note_holds(holds, now);
                let taken = says(&mut s, &node(&format!("/n{who}")), now);
                let others = holder.is_some_and(|(h, at)| h != who && now - at < 2.0);
                prop_assert!(!(taken && others));
                if taken {
                    holder = Some((who, now));
                }
                prop_assert!(s.heard.len() <= MOST);
            }
        }
    }
}

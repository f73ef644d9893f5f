//! Simulated time in lockstep: the nodes that answer on topics `acknowledged`, and the time limits
//! for them.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use futures::FutureExt;
use futures::stream::{BoxStream, StreamExt};
use r2r::builtin_interfaces::msg::Time;
use r2r::std_msgs::msg::Header;
use r2r::{Node, QosProfile};

/// Machine time after which a node that has never answered is reported as missing.
const MISSING: Duration = Duration::from_secs(5);

/// A node that simulated time waits for.
pub struct Partner {
    topic: String,
    answers: BoxStream<'static, Header>,
    /// The last acknowledged stamp, by topic.
    newest: BTreeMap<String, Time>,
    presence: Presence,
}

/// The state of a partner.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Presence {
    /// It has never answered: time does not start without it.
    Awaited,
    /// The same, and this has been logged.
    Missing,
    /// It answers.
    Here,
    /// It has not answered for too long: time continues without it.
    Gone,
}

impl Partner {
    /// Subscribes to the acknowledgements on `topic`.
    ///
    /// # Errors
    /// The middleware rejects the subscription.
    pub fn new(node: &mut Node, topic: &str) -> r2r::Result<Self> {
        let all = QosProfile::default().keep_last(100).reliable();
        Ok(Self {
            answers: node.subscribe(topic, all)?.boxed(),
            topic: topic.into(),
            newest: BTreeMap::new(),
            presence: Presence::Awaited,
        })
    }

    /// Takes the acknowledgements received; returns true if there were any.
    pub fn take(&mut self) -> bool {
        let mut any = false;
        while let Some(Some(Header { stamp, frame_id })) = self.answers.next().now_or_never() {
            any = true;
            self.newest.insert(frame_id, stamp);
        }
        any
    }

    /// Returns true if it has acknowledged the message on `topic` with this stamp.
    pub fn has_acknowledged(&self, topic: &str, stamp: &Time) -> bool {
        self.newest.get(topic) == Some(stamp)
    }

    /// Returns true if time may continue: `answered` is true of the node, or it has not answered
    /// since `begin` for longer than `patience`.
    pub fn lets_go(
        &mut self,
        answered: impl FnOnce(&Self) -> bool,
        begin: Instant,
        patience: Duration,
    ) -> bool {
        if answered(self) {
            self.answers();
            return true;
        }
        self.is_given_up(begin.elapsed(), patience)
    }

    fn answers(&mut self) {
        let topic = &self.topic;
        match self.presence {
            Presence::Missing => tracing::info!("answers come on {topic}: time goes on"),
            Presence::Gone => tracing::info!("answers come on {topic} again: in lockstep again"),
            Presence::Awaited | Presence::Here => {}
        }
        self.presence = Presence::Here;
    }

    fn is_given_up(&mut self, waited: Duration, patience: Duration) -> bool {
        let topic = &self.topic;
        match self.presence {
            Presence::Awaited if waited > MISSING => {
                tracing::warn!(
                    "simulated time waits: nothing has arrived on {topic} yet; a node answers with \
                     use_sim_time set"
                );
                self.presence = Presence::Missing;
            }
            Presence::Here if waited > patience => {
                tracing::warn!(
                    "no answer on {topic} for {} s: time goes on without it, at the machine's \
                     rate, until it answers",
                    patience.as_secs_f64()
                );
                self.presence = Presence::Gone;
            }
            _ => {}
        }
        self.is_gone()
    }

    /// Returns true if time continues without it.
    pub fn is_gone(&self) -> bool {
        self.presence == Presence::Gone
    }
}

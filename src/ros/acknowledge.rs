//! `~/acknowledged`, in simulated time only: the messages that have been handled, for nodes that
//! let time advance only then.
//!
//! A node that publishes `/clock` and waits for the joint at each step runs simulated time in
//! lockstep with it: nothing depends on the speed of the machine. A message is handled when the
//! loop has seen it, has made every tick that was due, and their results have been published.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

use r2r::builtin_interfaces::msg::Time;
use r2r::std_msgs::msg::Header;
use r2r::{Node, Publisher, QosProfile};

use crate::runtime::link::Handle;
use crate::runtime::locked;

/// Max. number of messages pending in the loop; beyond it the oldest are never acknowledged. A node
/// that waits for answers sends only a few.
const MOST_PENDING: usize = 1000;

/// Registers messages for acknowledgement. In real time it does nothing.
#[derive(Clone, Default)]
pub struct Acknowledger(Option<Arc<Inner>>);

struct Inner {
    handle: Handle,
    /// Registered messages, with their numbers for the loop.
    pending: Mutex<VecDeque<(u64, Header)>>,
}

impl Acknowledger {
    /// Creates one for a joint in simulated time with the loop of `handle`.
    pub fn new(handle: Handle) -> Self {
        Self(Some(Arc::new(Inner {
            handle,
            pending: Mutex::default(),
        })))
    }

    /// Registers a message on `topic` with this stamp that has been passed to the loop or refused.
    pub fn add(&self, topic: &str, stamp: &Time) {
        let Some(inner) = &self.0 else { return };
        let header = Header {
            stamp: stamp.clone(),
            frame_id: topic.into(),
        };
        // Locked until the message is in the list, so that a reader that sees the number finds it
        // there.
        let mut pending = locked(&inner.pending);
        if pending.len() >= MOST_PENDING {
            pending.pop_front();
        }
        pending.push_back((inner.handle.bring(), header));
    }

    /// Returns the registered messages that the loop has handled, oldest first.
    fn take(&self, dealt_with: u64) -> Vec<Header> {
        let Some(inner) = &self.0 else {
            return Vec::new();
        };
        let mut pending = locked(&inner.pending);
        let count = pending.partition_point(|(number, _)| *number <= dealt_with);
        pending.drain(..count).map(|(_, header)| header).collect()
    }
}

/// Publisher of acknowledgements.
pub struct Acknowledgements {
    noted: Acknowledger,
    publisher: Option<Publisher<Header>>,
}

impl Acknowledgements {
    /// Creates the publisher on `node`, unless `noted` is inactive.
    ///
    /// # Errors
    /// The middleware rejects the publisher.
    pub fn new(node: &mut Node, noted: Acknowledger) -> r2r::Result<Self> {
        let all = QosProfile::default().keep_last(100).reliable();
        let publisher = match noted.0 {
            None => None,
            Some(_) => Some(node.create_publisher("~/acknowledged", all)?),
        };
        Ok(Self { noted, publisher })
    }

    /// Publishes the messages handled among the first `dealt_with` passed to the loop.
    ///
    /// # Errors
    /// The middleware rejects a message.
    pub fn publish(&self, dealt_with: u64) -> r2r::Result<()> {
        let Some(publisher) = &self.publisher else {
            return Ok(());
        };
        let heard = publisher.get_inter_process_subscription_count()? > 0;
        for header in self.noted.take(dealt_with) {
            if heard {
                publisher.publish(&header)?;
            }
        }
        Ok(())
    }
}

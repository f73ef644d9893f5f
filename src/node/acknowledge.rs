//! `~/acknowledged`, in simulated time only: which messages have been dealt with, for those who let time go on only then.
//!
//! Whoever says the time on `/clock` and waits for the joint at each step has simulated time in lockstep with it: nothing
//! depends on how fast the machine is. A message counts as dealt with when the loop has looked at it, has made every
//! tick that was due, and what these say has been published.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use r2r::builtin_interfaces::msg::Time;
use r2r::std_msgs::msg::Header;
use r2r::{Node, Publisher, QosProfile};

use crate::link::Handle;

/// Messages that may wait for the loop; of more the oldest are never acknowledged. Who waits for an answer sends no more
/// than a few.
const MOST_PENDING: usize = 1000;

/// Takes note of what has come in. In real time it does nothing.
#[derive(Clone, Default)]
pub struct Acknowledger(Option<Arc<Inner>>);

struct Inner {
    handle: Handle,
    /// What has come in, with its number for the loop.
    pending: Mutex<VecDeque<(u64, Header)>>,
}

impl Acknowledger {
    /// For a joint in simulated time, whose loop `handle` reaches.
    pub fn new(handle: Handle) -> Self {
        Self(Some(Arc::new(Inner {
            handle,
            pending: Mutex::default(),
        })))
    }

    /// A message on `topic` with this stamp has been handed to the loop, or refused.
    pub fn add(&self, topic: &str, stamp: &Time) {
        let Some(inner) = &self.0 else { return };
        let header = Header {
            stamp: stamp.clone(),
            frame_id: topic.into(),
        };
        // Locked until it is in the list: whoever sees the number finds it there.
        let mut pending = inner.pending.lock().unwrap_or_else(PoisonError::into_inner);
        if pending.len() >= MOST_PENDING {
            pending.pop_front();
        }
        pending.push_back((inner.handle.bring(), header));
    }

    /// What of it the loop has dealt with, oldest first.
    fn take(&self, dealt_with: u64) -> Vec<Header> {
        let Some(inner) = &self.0 else {
            return Vec::new();
        };
        let mut pending = inner.pending.lock().unwrap_or_else(PoisonError::into_inner);
        let count = pending.partition_point(|(number, _)| *number <= dealt_with);
        pending.drain(..count).map(|(_, header)| header).collect()
    }
}

/// The publishing end.
pub struct Acknowledgements {
    noted: Acknowledger,
    publisher: Option<Publisher<Header>>,
}

impl Acknowledgements {
    /// Makes the publisher on `node` where `noted` takes note of anything.
    ///
    /// # Errors
    /// What the middleware refuses.
    pub fn new(node: &mut Node, noted: Acknowledger) -> r2r::Result<Self> {
        let all = QosProfile::default().keep_last(100).reliable();
        let publisher = match noted.0 {
            None => None,
            Some(_) => Some(node.create_publisher("~/acknowledged", all)?),
        };
        Ok(Self { noted, publisher })
    }

    /// Says what has been dealt with of the first `dealt_with` that were brought to the loop.
    ///
    /// # Errors
    /// What the middleware refuses.
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

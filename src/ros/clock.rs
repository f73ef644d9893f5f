//! Input of `/clock`: simulated time, if the parameter `use_sim_time` is set.

use std::time::Duration;

use futures::StreamExt;
use r2r::rosgraph_msgs::msg::Clock as ClockMessage;
use r2r::{Node, QosProfile};

use super::acknowledge::Acknowledger;
use crate::runtime::rt::{ClockSetter, Moved};

/// Time without a first message after which a joint logs a warning.
const SILENCE: Duration = Duration::from_secs(5);
/// Number of messages over which the steps of `/clock` are averaged.
const LOOKED_AT: u32 = 200;
/// Mean step of `/clock`, in periods of the loop, above which it is too slow; rounding and a lost
/// message stay below.
const TOO_SLOW: f64 = 1.1;

/// Subscribes to `/clock` with the ROS 2 profile: best effort, the last one.
///
/// # Errors
/// The middleware rejects the subscription.
pub fn subscribe(
    node: &mut Node,
) -> r2r::Result<impl futures::Stream<Item = ClockMessage> + Unpin + Send + use<>> {
    let newest = QosProfile::default().keep_last(1).best_effort().volatile();
    node.subscribe("/clock", newest)
}

/// Sets `joint`'s clock from the messages and wakes the loop, which ticks every `period` s, until
/// the stream ends.
pub async fn follow(
    joint: String,
    mut messages: impl futures::Stream<Item = ClockMessage> + Unpin,
    mut setter: ClockSetter,
    acknowledger: Acknowledger,
    period: f64,
) {
    let mut pace = Some(Pace::default());
    let mut silent = true;
    loop {
        let next = if silent {
            match tokio::time::timeout(SILENCE, messages.next()).await {
                Ok(next) => next,
                Err(_) => {
                    silent = false;
                    tracing::warn!(
                        joint,
                        "use_sim_time is set and nothing comes on /clock: nothing moves until it does"
                    );
                    continue;
                }
            }
        } else {
            messages.next().await
        };
        let Some(message) = next else { return };
        silent = false;
        let stamp = &message.clock;
        match setter.set(stamp.sec, stamp.nanosec) {
            Moved::Begun => tracing::info!(joint, "simulated time runs, from /clock"),
            Moved::Jumped(by) => {
                pace = pace.map(|_| Pace::default());
                tracing::warn!(
                    joint,
                    "simulated time has jumped by {by:.3} s: the loop restarts from the measured \
                     pose, and only a new command moves the joint"
                );
            }
            Moved::On | Moved::Stands => {}
        }
        acknowledger.add("clock", stamp);
        if let Some(step) = pace.as_mut().and_then(|p| p.mean_step(stamp)) {
            pace = None;
            if step > TOO_SLOW * period {
                tracing::warn!(
                    joint,
                    "/clock comes every {:.1} ms of simulated time and a tick is due every {:.1} \
                     ms: ticks are missed and the joint moves slower than it should; have /clock \
                     published at least at tick_rate_hz",
                    1e3 * step,
                    1e3 * period
                );
            }
        }
    }
}

/// The steps of `/clock` from message to message.
#[derive(Default)]
struct Pace {
    first: Option<f64>,
    last: f64,
    steps: u32,
}

impl Pace {
    /// Returns the mean step after enough messages, s.
    fn mean_step(&mut self, stamp: &r2r::builtin_interfaces::msg::Time) -> Option<f64> {
        let now = f64::from(stamp.sec) + 1e-9 * f64::from(stamp.nanosec);
        let first = *self.first.get_or_insert(now);
        // Messages may continue while simulated time stands.
        self.steps += u32::from(now > self.last && now > first);
        self.last = now;
        (self.steps >= LOOKED_AT).then(|| (now - first) / f64::from(self.steps))
    }
}

//! Logging to `/rosout`: a log layer that passes events to the publishing thread.

use std::fmt::{Debug, Write};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Duration;

use r2r::rcl_interfaces::msg::Log;
use r2r::{Node, Publisher, QosProfile};
use tracing::field::{Field, Visit};
use tracing::{Event, Level, Subscriber};
use tracing_subscriber::Layer;
use tracing_subscriber::layer::Context;

use crate::ros::messages::time;
use crate::runtime::rt::Clock;

/// Max. number of queued events; more are dropped, so that logging never blocks.
const EVENTS: usize = 256;

#[derive(Debug)]
struct Entry {
    level: u8,
    joint: Option<String>,
    message: String,
    file: String,
    line: u32,
    at: (i32, u32),
}

/// Log layer that queues events for `/rosout`.
pub struct RosoutLayer {
    sender: SyncSender<Entry>,
    clock: Clock,
}

/// The publishing end of the layer.
pub struct Rosout(Receiver<Entry>);

/// Returns a layer and its publishing end.
pub fn rosout(clock: Clock) -> (RosoutLayer, Rosout) {
    let (sender, receiver) = sync_channel(EVENTS);
    (RosoutLayer { sender, clock }, Rosout(receiver))
}

/// The fields of a log event.
#[derive(Default)]
pub(super) struct Fields {
    pub message: String,
    /// Name of the joint's node, if the event concerns one.
    pub joint: Option<String>,
}

impl Visit for Fields {
    fn record_str(&mut self, field: &Field, value: &str) {
        if field.name() == "joint" {
            self.joint = Some(value.into());
        } else {
            self.record_debug(field, &value);
        }
    }

    fn record_debug(&mut self, field: &Field, value: &dyn Debug) {
        // Writing to a string does not fail.
        let _ = match field.name() {
            "message" => write!(self.message, "{value:?}"),
            "joint" => {
                self.joint = Some(format!("{value:?}").trim_matches('"').into());
                Ok(())
            }
            name => write!(self.message, " {name}={value:?}"),
        };
    }
}

impl<S: Subscriber> Layer<S> for RosoutLayer {
    fn on_event(&self, event: &Event<'_>, _: Context<'_, S>) {
        let mut fields = Fields::default();
        event.record(&mut fields);
        let metadata = event.metadata();
        // Levels of rcl_interfaces/Log.
        let level = match *metadata.level() {
            Level::ERROR => 40,
            Level::WARN => 30,
            Level::INFO => 20,
            Level::DEBUG | Level::TRACE => 10,
        };
        let entry = Entry {
            level,
            joint: fields.joint,
            message: fields.message,
            file: metadata.file().unwrap_or_default().into(),
            line: metadata.line().unwrap_or_default(),
            at: self.clock.stamp_of(self.clock.now()),
        };
        // If the queue is full or closed, the event still appears on standard error.
        let _ = self.sender.try_send(entry);
    }
}

/// Returns a node's name as a logger name: dots for slashes.
fn logger(node: &str) -> String {
    node.trim_start_matches('/').replace('/', ".")
}

impl Rosout {
    /// Publishes events on `node` from its own thread, as long as `node` lives.
    pub fn start(self, node: &mut Node) -> r2r::Result<()> {
        // The ROS 2 profile of this topic.
        let qos = QosProfile::default()
            .keep_last(1000)
            .reliable()
            .transient_local()
            .lifespan(Duration::from_secs(10));
        let publisher: Publisher<Log> = node.create_publisher("/rosout", qos)?;
        let name = node.fully_qualified_name()?;
        let thread = std::thread::Builder::new().name("rosout".into());
        let spawned = thread.spawn(move || {
            while let Ok(entry) = self.0.recv() {
                let message = Log {
                    stamp: time(entry.at),
                    level: entry.level,
                    name: logger(entry.joint.as_deref().unwrap_or(&name)),
                    msg: entry.message.replace('\0', ""),
                    file: entry.file,
                    function: String::new(),
                    line: entry.line,
                };
                if publisher.publish(&message).is_err() {
                    break;
                }
            }
        });
        // Without the thread only standard error remains.
        drop(spawned);
        Ok(())
    }
}

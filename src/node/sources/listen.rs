//! The sources on the graph: the topics that they use, and the nodes behind them.

use std::sync::Arc;
use std::time::{Duration, Instant};

use futures::stream::{BoxStream, StreamExt};
use r2r::{Node, QosProfile};

use super::names::full_name;
use super::{Lane, Topic};
use crate::config::JointFile;
use crate::node::aim::Asked;
use crate::node::status::Status;

/// Time between two looks at who publishes.
const LOOK: Duration = Duration::from_millis(50);
/// Longest name of a node that is told.
const LONGEST: usize = 256;
/// What the middleware calls a node that it does not know, or not yet.
const NOT_KNOWN: &str = "_NODE_NAME_UNKNOWN_";

/// Listens to the targets of all sources.
///
/// # Errors
/// What the middleware refuses.
pub fn listen(node: &mut Node, file: &JointFile) -> r2r::Result<Vec<BoxStream<'static, Asked>>> {
    let qos = || QosProfile::default().keep_last(1).reliable();
    let own = file.commands.sources.iter().cloned().map(Lane::Own);
    let mut streams = Vec::new();
    for lane in [Lane::Shared].into_iter().chain(own) {
        let name = |topic: Topic| match &lane {
            Lane::Shared => format!("~/{}", topic.name()),
            Lane::Own(source) => format!("~/{source}/{}", topic.name()),
        };
        let (poses, points) = (lane.clone(), lane.clone());
        let stream = node.subscribe(&name(Topic::Pose), qos())?;
        streams.push(stream.map(move |m| Asked::Pose(m, poses.clone())).boxed());
        let stream = node.subscribe(&name(Topic::Point), qos())?;
        streams.push(stream.map(move |m| Asked::Point(m, points.clone())).boxed());
    }
    Ok(streams)
}

/// Looks who publishes on the topics that all share, where it is time to; for the thread that spins the node of full name
/// `name`. The bindings drop what the middleware says of a message's sender, so that only this tells one from another.
pub fn look_at_publishers(name: &str, status: Arc<Status>) -> impl FnMut(&Node) + Send + 'static {
    let topics = Topic::ALL.map(|topic| {
        let relative = format!("~/{}", topic.name());
        (topic, full_name(name, &relative, std::env::args()))
    });
    let mut due = Instant::now();
    move |node| {
        if Instant::now() < due {
            return;
        }
        for (topic, full) in &topics {
            // Without an answer what was known stands.
            if let Ok(found) = node.get_publishers_info_by_topic(full, false) {
                let names = found
                    .iter()
                    .map(|p| node_name(&p.node_namespace, &p.node_name));
                status.sources.set_publishers(*topic, names.collect());
            }
        }
        due = Instant::now() + LOOK;
    }
}

/// A node's full name, fit to be shown; empty: not known.
fn node_name(namespace: &str, name: &str) -> String {
    if name == NOT_KNOWN || name.is_empty() {
        return String::new();
    }
    let full = format!("{}/{name}", namespace.trim_end_matches('/'));
    // It comes from the network: nothing says that it is a name.
    let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '/');
    let shown = full.chars().take(LONGEST);
    shown.map(|c| if good(c) { c } else { '?' }).collect()
}

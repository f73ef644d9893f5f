//! Subscriptions to the targets of all sources, and the nodes that publish them.

use std::time::{Duration, Instant};

use futures::stream::{BoxStream, StreamExt};
use r2r::{Node, QosProfile};

use super::SourceTopics;
use super::names::full_name;
use crate::files::JointFile;
use crate::ros::server::JointContext;
use crate::ros::server::aim::TargetMessage;
use crate::ros::server::topic::Topic;

/// Period of the checks on publishers: the bindings do not report changes of the graph.
const LOOK: Duration = Duration::from_millis(50);
/// Max. length of a displayed node name.
const LONGEST: usize = 256;
/// Name that the middleware gives to a node that it does not know, or not yet.
const NOT_KNOWN: &str = "_NODE_NAME_UNKNOWN_";

/// Subscribes to the targets of all sources.
pub fn listen(
    node: &mut Node,
    file: &JointFile,
) -> r2r::Result<Vec<BoxStream<'static, TargetMessage>>> {
    let qos = || QosProfile::default().keep_last(1).reliable();
    let own = file.commands.sources.iter().cloned().map(SourceTopics::Own);
    let mut streams = Vec::new();
    for topics in [SourceTopics::Shared].into_iter().chain(own) {
        let name = |topic: Topic| match &topics {
            SourceTopics::Shared => format!("~/{}", topic.name()),
            SourceTopics::Own(source) => format!("~/{source}/{}", topic.name()),
        };
        let (poses, points) = (topics.clone(), topics.clone());
        let stream = node.subscribe(&name(Topic::DesiredPose), qos())?;
        let pose = move |m| TargetMessage::Pose(m, poses.clone());
        streams.push(stream.map(pose).boxed());
        let stream = node.subscribe(&name(Topic::GazePoint), qos())?;
        let point = move |m| TargetMessage::Point(m, points.clone());
        streams.push(stream.map(point).boxed());
    }
    Ok(streams)
}

/// Returns a function that updates, when due, which nodes publish on the shared topics and on those
/// of the sensors; for the thread that spins the joint's node. The bindings drop the middleware's
/// information on a message's sender, so that only this distinguishes the sources.
pub fn look_at_publishers(context: &JointContext) -> impl FnMut(&Node) + Send + 'static {
    let (name, sources) = (&context.name, context.sources.clone());
    // Dropped with the thread's node.
    let guard = context.stop.guard("the node's spin thread");
    let full = |topic: Topic, relative: &str| (topic, full_name(name, relative, std::env::args()));
    let targets = Topic::TARGETS.map(|topic| full(topic, &format!("~/{}", topic.name())));
    let sensors = Topic::SENSORS.map(|topic| full(topic, topic.name()));
    let topics = [targets.as_slice(), &sensors].concat();
    let joint = name.clone();
    let mut due = Instant::now();
    move |node| {
        let _held = &guard;
        if Instant::now() < due {
            return;
        }
        for (topic, full) in &topics {
            // Without an answer the previous names stay.
            if let Ok(found) = node.get_publishers_info_by_topic(full, false) {
                let names = found
                    .iter()
                    .map(|p| node_name(&p.node_namespace, &p.node_name));
                if let Some(several) = sources.set_publishers(*topic, names.collect()) {
                    tracing::warn!(joint, "{several}");
                }
            }
        }
        due = Instant::now() + LOOK;
    }
}

/// Returns a node's full name, safe to display; empty: unknown.
fn node_name(namespace: &str, name: &str) -> String {
    if name == NOT_KNOWN || name.is_empty() {
        return String::new();
    }
    let full = format!("{}/{name}", namespace.trim_end_matches('/'));
    // It comes from the network and may not be a valid name.
    let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '/');
    let shown = full.chars().take(LONGEST);
    shown.map(|c| if good(c) { c } else { '?' }).collect()
}

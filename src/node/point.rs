//! A pose sent by hand: wait for the joint's node, send, wait until it is held, read what was reached.

use std::time::{Duration, Instant};

use futures::stream::{Stream, StreamExt};
use nalgebra::UnitQuaternion;
use r2r::geometry_msgs::msg::PoseStamped;
use r2r::std_msgs::msg::Bool;
use r2r::{Node, Publisher, QosProfile};

use super::messages::{read_pose, time};
use super::{NodeError, Spinner, context};
use crate::geometry::{Bend, rotation, swing_twist};
use crate::rt::Clock;

/// Head poses that are averaged for what was reached.
const POSES: usize = 20;

/// What came of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// The bend reached, rad; none if no head pose was seen.
    pub reached: Option<Bend>,
    /// Whether it was held within the node's tolerance.
    pub held: bool,
    /// From sending to the report that it is held, or to giving up, s.
    pub took: f64,
}

/// Why a pose could not be sent.
#[derive(Debug, thiserror::Error)]
pub enum PointError {
    /// The graph cannot be used.
    #[error(transparent)]
    Node(#[from] NodeError),
    /// Nobody is there.
    #[error(
        "no joint answers as {node}: nobody listens to {node}/desired_pose and tells {node}/settled; is its node running, and in this ROS domain?"
    )]
    NobodyThere {
        /// The node asked for.
        node: String,
    },
}

/// Sends `bend` to the joint whose node is `node`, a full name, and waits at most for `most` until it is held.
///
/// # Errors
/// [`PointError`].
pub fn point(node: &str, bend: Bend, most: Duration) -> Result<Point, PointError> {
    let context = context()?;
    let name = format!("withy_point_{}", std::process::id());
    let graph = |source| NodeError::Graph {
        node: name.clone(),
        source,
    };
    let mut own = Node::create(context, &name, "").map_err(graph)?;
    let newest = || QosProfile::default().keep_last(1).reliable();
    let target = node.trim_end_matches('/');
    let publisher = own
        .create_publisher(&format!("{target}/desired_pose"), newest())
        .map_err(graph)?;
    let settled = own
        .subscribe(
            &format!("{target}/settled"),
            newest().keep_last(10).transient_local(),
        )
        .map_err(graph)?;
    let poses = own
        .subscribe(&format!("{target}/head_pose"), QosProfile::sensor_data())
        .map_err(graph)?;
    let spinner = Spinner::new(own).map_err(NodeError::System)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(NodeError::System)?;
    let result = runtime.block_on(send(target, publisher, settled, poses, bend, most));
    drop(spinner);
    result
}

async fn send(
    node: &str,
    publisher: Publisher<PoseStamped>,
    mut settled: impl Stream<Item = Bool> + Unpin,
    mut poses: impl Stream<Item = PoseStamped> + Unpin,
    bend: Bend,
    most: Duration,
) -> Result<Point, PointError> {
    let nobody = || PointError::NobodyThere { node: node.into() };
    let begin = Instant::now();
    // The last word on `settled` is kept for those who come late: it says that the node is there.
    let was_settled = tokio::time::timeout(most, settled.next()).await;
    let Ok(Some(Bool {
        data: mut is_settled,
    })) = was_settled
    else {
        return Err(nobody());
    };
    while publisher
        .get_inter_process_subscription_count()
        .unwrap_or(0)
        == 0
    {
        if begin.elapsed() > most {
            return Err(nobody());
        }
        tokio::time::sleep(Duration::from_millis(5)).await;
    }

    let sent = Instant::now();
    let clock = Clock::new();
    let mut message = PoseStamped::default();
    message.header.stamp = time(clock.stamp_of(clock.now()));
    // An empty frame name means the joint's base frame.
    let q = UnitQuaternion::from_rotation_matrix(&rotation(bend));
    let o = &mut message.pose.orientation;
    (o.x, o.y, o.z, o.w) = (q.i, q.j, q.k, q.w);
    publisher.publish(&message).map_err(|source| {
        let node = node.into();
        NodeError::Graph { node, source }
    })?;

    // A command makes `settled` false first; only what comes after is about it.
    let mut answered = !is_settled;
    let mut recent = std::collections::VecDeque::with_capacity(POSES);
    let mut held = false;
    while !held {
        let left = most.saturating_sub(sent.elapsed());
        tokio::select! {
            word = settled.next() => {
                let Some(word) = word else { break };
                is_settled = word.data;
                answered |= !is_settled;
                held = answered && is_settled;
            }
            pose = poses.next() => {
                let Some(pose) = pose else { break };
                if let Ok(attitude) = read_pose(&pose) {
                    if recent.len() == POSES {
                        recent.pop_front();
                    }
                    recent.push_back(swing_twist(&attitude).1);
                }
            }
            () = tokio::time::sleep(left) => break,
        }
    }
    let count = recent.len();
    let sum = recent.into_iter().sum::<Bend>();
    Ok(Point {
        reached: (count > 0).then(|| sum / count as f64),
        held,
        took: sent.elapsed().as_secs_f64(),
    })
}

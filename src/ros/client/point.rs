//! A target sent by hand: waits for the joint's node, sends, waits until the target is held, and
//! reads the result.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use futures::future::FutureExt;
use futures::stream::{Stream, StreamExt};
use nalgebra::{UnitQuaternion, Vector3};
use r2r::diagnostic_msgs::msg::DiagnosticStatus;
use r2r::geometry_msgs::msg::{PointStamped, PoseStamped};
use r2r::std_msgs::msg::Float64;
use r2r::{Node, Publisher, QosProfile, WrappedTypesupport};

use crate::control::geometry::{Configuration, configuration, orientation, swing_twist};
use crate::ros::context::{NodeError, Spinner, context};
use crate::ros::messages::{read_pose, value_of};

/// Number of measurements averaged for the result.
const SAMPLES: usize = 20;

/// A target to send.
#[derive(Clone, Debug, PartialEq)]
pub enum PointTarget {
    /// A pose: bend and yaw of the head plate in the base frame, rad.
    Pose(Configuration),
    /// A point to look at, m.
    Point {
        /// Coordinates in `frame`, m.
        at: Vector3<f64>,
        /// A frame known to the node; empty: the base frame.
        frame: String,
    },
}

/// The result of a sent target.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Point {
    /// Configuration reached, rad: the mean of the newest head poses; `None` without any.
    pub reached: Option<Configuration>,
    /// Measured residual, rad: the mean of the newest; `None` without any.
    pub residual: Option<f64>,
    /// The node's last report on the target.
    pub said: Option<Said>,
    /// True if it was held within the node's tolerance.
    pub held: bool,
    /// True if another command, a hold or an outage ended it.
    pub ended: bool,
    /// Time from sending to the report that it is held, or to giving up, s.
    pub took: f64,
}

/// The report of `~/target_state` on a target.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Said {
    /// Outcome in words; `reached` if complete.
    pub outcome: String,
    /// Min. residual that will remain, rad.
    pub least: f64,
    command: Option<u64>,
    topic: String,
    settled: bool,
    refused: u64,
    last_refusal: String,
}

impl Said {
    fn read(message: &DiagnosticStatus) -> Self {
        let value = |key: &str| value_of(message, key);
        Self {
            outcome: message.message.clone(),
            least: value("residual_min_rad").parse().unwrap_or(f64::NAN),
            command: value("command").parse().ok(),
            topic: value("topic").into(),
            settled: value("settled") == "1",
            refused: value("refused").parse().unwrap_or(0),
            last_refusal: value("last_refusal").into(),
        }
    }
}

/// The reason why a target could not be sent.
#[derive(Debug, thiserror::Error)]
pub enum PointError {
    /// The ROS graph cannot be used.
    #[error(transparent)]
    Node(#[from] NodeError),
    /// No node of that name is present.
    #[error(
        "no joint answers as {node}: no node subscribes to {node}/{topic} and publishes \
         {node}/target_state; is its node running, and in this ROS domain?"
    )]
    NobodyThere {
        /// Name of the node.
        node: String,
        /// Topic of the target.
        topic: &'static str,
    },
    /// The node refuses the target.
    #[error("{node} refuses the target: {reason}")]
    Refused {
        /// Name of the node.
        node: String,
        /// Reason of the refusal.
        reason: String,
    },
}

/// Sends a target to the joint whose node has the full name `node`, and waits for at most `most`
/// until it is held.
///
/// # Errors
/// [`PointError`].
pub fn point(node: &str, target: &PointTarget, most: Duration) -> Result<Point, PointError> {
    match target {
        PointTarget::Pose(asked) => {
            // An empty frame means the joint's base frame; without a stamp the target applies now,
            // on any clock.
            let mut message = PoseStamped::default();
            let q = UnitQuaternion::from_rotation_matrix(&orientation(asked.z, asked.xy()));
            let o = &mut message.pose.orientation;
            (o.x, o.y, o.z, o.w) = (q.i, q.j, q.k, q.w);
            exchange(node, "desired_pose", &message, most)
        }
        PointTarget::Point { at, frame } => {
            // Without a stamp: where the frame is now.
            let mut message = PointStamped::default();
            message.header.frame_id.clone_from(frame);
            let p = &mut message.point;
            (p.x, p.y, p.z) = (at.x, at.y, at.z);
            exchange(node, "gaze_point", &message, most)
        }
    }
}

fn exchange<T: WrappedTypesupport + 'static>(
    node: &str,
    topic: &'static str,
    message: &T,
    most: Duration,
) -> Result<Point, PointError> {
    let context = context()?;
    let name = format!("withy_point_{}", std::process::id());
    let graph = |source| NodeError::Graph {
        node: name.clone(),
        source,
    };
    let mut own = Node::create(context, &name, "").map_err(graph)?;
    let newest = || QosProfile::default().keep_last(1).reliable();
    let joint = node.trim_end_matches('/');
    let of = |topic: &str| format!("{joint}/{topic}");
    let publisher = own.create_publisher(&of(topic), newest()).map_err(graph)?;
    let states = newest().keep_last(10).transient_local();
    let states = own.subscribe(&of("target_state"), states).map_err(graph)?;
    let sensor = QosProfile::sensor_data;
    let poses = own.subscribe(&of("head_pose"), sensor()).map_err(graph)?;
    let residuals = own.subscribe(&of("residual"), sensor()).map_err(graph)?;
    let spinner = Spinner::new(own).map_err(NodeError::System)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(NodeError::System)?;
    let streams = Streams {
        states: states.map(|m| Said::read(&m)),
        poses,
        residuals,
    };
    let result = runtime.block_on(send(joint, topic, &publisher, message, streams, most));
    drop(spinner);
    result
}

/// The received streams of the joint's node.
struct Streams<S, P, R> {
    states: S,
    poses: P,
    residuals: R,
}

async fn send<T: WrappedTypesupport + 'static>(
    node: &str,
    topic: &'static str,
    publisher: &Publisher<T>,
    message: &T,
    mut streams: Streams<
        impl Stream<Item = Said> + Unpin,
        impl Stream<Item = PoseStamped> + Unpin,
        impl Stream<Item = Float64> + Unpin,
    >,
    most: Duration,
) -> Result<Point, PointError> {
    let nobody = || PointError::NobodyThere {
        node: node.into(),
        topic,
    };
    let begin = Instant::now();
    // The last report is latched for late subscribers: it shows that the node is present.
    let first = tokio::time::timeout(most, streams.states.next()).await;
    let Ok(Some(mut before)) = first else {
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
    while let Some(Some(newer)) = streams.states.next().now_or_never() {
        before = newer;
    }

    let sent = Instant::now();
    publisher.publish(message).map_err(|source| {
        let node = node.into();
        NodeError::Graph { node, source }
    })?;

    let mut answer = Point::default();
    let mut configurations = VecDeque::with_capacity(SAMPLES);
    let mut residuals = VecDeque::with_capacity(SAMPLES);
    while !answer.held && !answer.ended {
        let left = most.saturating_sub(sent.elapsed());
        tokio::select! {
            word = streams.states.next() => {
                let Some(word) = word else { break };
                if word.refused > before.refused && word.last_refusal.starts_with(topic) {
                    let (node, reason) = (node.into(), word.last_refusal);
                    return Err(PointError::Refused { node, reason });
                }
                let own = match &answer.said {
                    Some(said) => word.command == said.command,
                    // The next command of this topic is taken as the one sent.
                    None => word.command.is_some() && word.command != before.command && word.topic == topic,
                };
                if own {
                    answer.held = word.settled;
                    answer.said = Some(word);
                } else {
                    answer.ended = answer.said.is_some();
                }
            }
            pose = streams.poses.next() => {
                let Some(pose) = pose else { break };
                if let Ok(q) = read_pose(&pose) {
                    keep(&mut configurations, q);
                }
            }
            residual = streams.residuals.next() => {
                let Some(residual) = residual else { break };
                keep(&mut residuals, residual.data);
            }
            () = tokio::time::sleep(left) => break,
        }
    }
    answer.took = sent.elapsed().as_secs_f64();
    answer.reached = mean(&configurations);
    let count = residuals.len();
    answer.residual = (count > 0).then(|| residuals.iter().sum::<f64>() / count as f64);
    Ok(answer)
}

fn keep<T>(samples: &mut VecDeque<T>, newest: T) {
    if samples.len() == SAMPLES {
        samples.pop_front();
    }
    samples.push_back(newest);
}

/// Returns the mean configuration of some orientations; yaws are added as directions, so that those
/// near half a turn do not cancel.
fn mean(orientations: &VecDeque<UnitQuaternion<f64>>) -> Option<Configuration> {
    let (mut sum, mut sine, mut cosine) = (nalgebra::Vector2::zeros(), 0.0, 0.0);
    for q in orientations {
        let (twist, bend) = swing_twist(q);
        sum += bend;
        sine += twist.sin();
        cosine += twist.cos();
    }
    let count = orientations.len();
    (count > 0).then(|| configuration(sum / count as f64, sine.atan2(cosine)))
}

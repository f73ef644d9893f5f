//! A target sent by hand: waits for the joint's node, sends, waits until the target is held, and
//! reads the result.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use futures::future::FutureExt;
use futures::stream::{BoxStream, StreamExt};
use nalgebra::{UnitQuaternion, Vector3};
use r2r::geometry_msgs::msg::{PointStamped, PoseStamped};
use r2r::rcl_interfaces::srv::GetParameters;
use r2r::std_msgs::msg::Float64;
use r2r::{Client, Node, Publisher, QosProfile, WrappedTypesupport};

use super::session::newest;
use super::target_state::{ReportedTarget, TargetState};
use crate::control::geometry::{Configuration, configuration, orientation, swing_twist};
use crate::ros::context::{NodeError, Spinner, context};
use crate::ros::messages::read_pose;

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
        /// A frame known to the node; empty: the joint's base frame.
        frame: String,
    },
}

/// The result of a sent target.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// Configuration reached, rad: the mean of the newest head poses; `None` without any.
    pub reached: Option<Configuration>,
    /// Measured residual, rad: the mean of the newest; `None` without any.
    pub residual: Option<f64>,
    /// The node's last report on the target.
    pub target: Option<ReportedTarget>,
    /// The end of the wait for it.
    pub end: PointEnd,
    /// Time from sending to the report that it is held, or to giving up, s.
    pub took: f64,
}

/// The end of the wait for a sent target.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PointEnd {
    /// It is held within the node's tolerance.
    Held,
    /// Another command, a hold or an outage ended it.
    Replaced,
    /// It was not held in time.
    TimedOut,
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

/// Sends a target to the joint whose node has the full name `node`, and waits for at most `limit`
/// until it is held.
///
/// # Errors
/// [`PointError`].
pub fn point(node: &str, target: &PointTarget, limit: Duration) -> Result<Point, PointError> {
    match target {
        PointTarget::Pose(commanded) => exchange(node, "desired_pose", limit, |base| {
            // Without a stamp the target applies now, on any clock.
            let mut message = PoseStamped::default();
            message.header.frame_id = base;
            let rotation = orientation(commanded.z, commanded.xy());
            let q = UnitQuaternion::from_rotation_matrix(&rotation);
            let o = &mut message.pose.orientation;
            (o.x, o.y, o.z, o.w) = (q.i, q.j, q.k, q.w);
            message
        }),
        PointTarget::Point { at, frame } => exchange(node, "gaze_point", limit, |base| {
            // Without a stamp: where the frame is now.
            let mut message = PointStamped::default();
            message.header.frame_id = match frame.as_str() {
                "" => base,
                frame => frame.into(),
            };
            let p = &mut message.point;
            (p.x, p.y, p.z) = (at.x, at.y, at.z);
            message
        }),
    }
}

fn exchange<T: WrappedTypesupport + 'static>(
    node: &str,
    topic: &'static str,
    limit: Duration,
    message: impl FnOnce(String) -> T,
) -> Result<Point, PointError> {
    let name = format!("withy_point_{}", std::process::id());
    let graph = NodeError::of(&name);
    let mut own = Node::create(context()?, &name, "").map_err(graph)?;
    let joint = node.trim_end_matches('/');
    let of = |topic: &str| format!("{joint}/{topic}");
    let publisher = own.create_publisher(&of(topic), newest()).map_err(graph)?;
    let states = newest().keep_last(10).transient_local();
    let states = own.subscribe(&of("target_state"), states).map_err(graph)?;
    let sensor = QosProfile::sensor_data;
    let poses = own.subscribe(&of("head_pose"), sensor()).map_err(graph)?;
    let residuals = own.subscribe(&of("residual"), sensor()).map_err(graph)?;
    let service = of("get_parameters");
    let parameters = own.create_client(&service, QosProfile::services_default());
    let parameters = parameters.map_err(graph)?;
    let spinner = Spinner::new(own).map_err(NodeError::System)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(NodeError::System)?;
    let streams = Streams {
        states: states.map(|m| TargetState::read(&m)).boxed(),
        poses: poses.boxed(),
        residuals: residuals.boxed(),
    };
    let client = PointClient {
        node: joint,
        topic,
        streams,
        parameters,
    };
    let result = runtime.block_on(client.send(&publisher, message, limit));
    drop(spinner);
    result
}

/// Asks for the name of the joint's base frame.
fn base_frame(
    parameters: &Client<GetParameters::Service>,
) -> r2r::Result<impl Future<Output = r2r::Result<String>>> {
    let available = Node::is_available(parameters)?;
    Ok(async move {
        available.await?;
        let request = GetParameters::Request {
            names: vec!["base_frame".into()],
        };
        let answer = parameters.request(&request)?.await?;
        let value = answer.values.into_iter().next();
        Ok(value.unwrap_or_default().string_value)
    })
}

/// The received streams of the joint's node.
struct Streams {
    states: BoxStream<'static, TargetState>,
    poses: BoxStream<'static, PoseStamped>,
    residuals: BoxStream<'static, Float64>,
}

/// The client of a node for one target.
struct PointClient<'a> {
    node: &'a str,
    /// Topic of the target.
    topic: &'static str,
    streams: Streams,
    parameters: Client<GetParameters::Service>,
}

impl PointClient<'_> {
    /// Sends the target and waits until it is held, each for at most `limit`.
    async fn send<T: WrappedTypesupport + 'static>(
        mut self,
        publisher: &Publisher<T>,
        message: impl FnOnce(String) -> T,
        limit: Duration,
    ) -> Result<Point, PointError> {
        let graph = NodeError::of(self.node);
        let subscribed = publisher.wait_for_inter_process_subscribers();
        let subscribed = subscribed.map_err(graph)?;
        // The last report is latched for late subscribers: it shows that the node is present.
        let base = base_frame(&self.parameters).map_err(graph)?;
        let present = async {
            (
                self.streams.states.next().await,
                subscribed.await,
                base.await,
            )
        };
        let present = tokio::time::timeout(limit, present).await;
        let Ok((Some(mut before), Ok(()), Ok(base))) = present else {
            return Err(PointError::NobodyThere {
                node: self.node.into(),
                topic: self.topic,
            });
        };
        let message = message(base);
        while let Some(Some(newer)) = self.streams.states.next().now_or_never() {
            before = newer;
        }
        let sent = Instant::now();
        publisher.publish(&message).map_err(graph)?;
        let mut newest = Newest::default();
        let until_end = self.until_end(&before, &mut newest);
        let end = match tokio::time::timeout(limit, until_end).await {
            Ok(end) => end?,
            Err(_) => PointEnd::TimedOut,
        };
        let count = newest.residuals.len();
        Ok(Point {
            took: sent.elapsed().as_secs_f64(),
            reached: mean(&newest.orientations),
            residual: (count > 0).then(|| newest.residuals.iter().sum::<f64>() / count as f64),
            target: newest.target,
            end,
        })
    }

    /// Keeps what the node publishes until the sent target is held or ended; `before` was the
    /// state when it was sent.
    async fn until_end(
        &mut self,
        before: &TargetState,
        newest: &mut Newest,
    ) -> Result<PointEnd, PointError> {
        let streams = &mut self.streams;
        loop {
            tokio::select! {
                state = streams.states.next() => {
                    let Some(state) = state else { return Ok(PointEnd::TimedOut) };
                    let (refused, reason) = &state.last_refusal;
                    if state.refused > before.refused && refused == self.topic {
                        let (node, reason) = (self.node.into(), reason.clone());
                        return Err(PointError::Refused { node, reason });
                    }
                    if let Some(end) = newest.take(state, before, self.topic) {
                        return Ok(end);
                    }
                }
                pose = streams.poses.next() => {
                    let Some(pose) = pose else { return Ok(PointEnd::TimedOut) };
                    if let Ok(orientation) = read_pose(&pose) {
                        keep(&mut newest.orientations, orientation);
                    }
                }
                residual = streams.residuals.next() => {
                    let Some(residual) = residual else { return Ok(PointEnd::TimedOut) };
                    keep(&mut newest.residuals, residual.data);
                }
            }
        }
    }
}

/// The newest measurements, and the last report on the sent target.
#[derive(Default)]
struct Newest {
    orientations: VecDeque<UnitQuaternion<f64>>,
    residuals: VecDeque<f64>,
    target: Option<ReportedTarget>,
}

impl Newest {
    /// Takes a report; returns the end of the sent target if it tells one.
    fn take(&mut self, state: TargetState, before: &TargetState, topic: &str) -> Option<PointEnd> {
        let command = |target: &Option<ReportedTarget>| target.as_ref().map(|t| t.command);
        let own = state.in_force.filter(|target| match &self.target {
            Some(known) => target.command == known.command,
            // The next command of this topic is taken as the one sent.
            None => Some(target.command) != command(&before.in_force) && target.topic == topic,
        });
        match own {
            Some(target) => {
                let held = target.settled.then_some(PointEnd::Held);
                self.target = Some(target);
                held
            }
            None => self.target.is_some().then_some(PointEnd::Replaced),
        }
    }
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

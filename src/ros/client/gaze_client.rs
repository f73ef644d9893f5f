//! A ROS client that commands points to look at and records the camera's true direction, for
//! scoring. It uses the joint as any behaviour does, by its topics; in addition it subscribes to
//! `~/true_pose` of the simulated joint.

use nalgebra::{Quaternion, UnitQuaternion, Vector3};
use r2r::diagnostic_msgs::msg::DiagnosticStatus;
use r2r::geometry_msgs::msg::{PointStamped, PoseStamped};
use r2r::sensor_msgs::msg::JointState;
use r2r::std_msgs::msg::Bool;
use r2r::{Node, Publisher, QosProfile};
use tokio::sync::watch;

use super::connection::{Connection, Need, Nodes};
use super::error::ClientError;
use super::session::{Keeps, Session, many, newest};
use super::target_state::{ReportedTarget, TargetState};
use crate::ros::context::NodeError;
use crate::ros::messages::time;

/// The head's true pose in the base frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeadSample {
    /// Stamp of the simulated joint, s on the client's clock.
    pub time: f64,
    /// Centre of the head plate, base frame, m.
    pub place: Vector3<f64>,
    /// Orientation of the head plate in the base frame.
    pub orientation: UnitQuaternion<f64>,
}

/// The recorded data; times are on the client's clock.
#[derive(Clone, Debug, Default)]
pub struct Recorded {
    /// True head poses.
    pub heads: Vec<HeadSample>,
    /// Times of receipt, s, and angles of the pan motor, rad.
    pub pans: Vec<(f64, f64)>,
    /// The last report on the target.
    pub target: Option<ReportedTarget>,
    /// True if the target is held within tolerance.
    pub settled: bool,
}

/// Client that commands points to look at.
pub struct GazeClient {
    points: Publisher<PointStamped>,
    recorded: watch::Receiver<Recorded>,
    /// The connection to the joint and the simulated joint.
    pub connection: Connection,
}

impl GazeClient {
    /// Creates the client's node with the given name, for a joint with the pan motor `pan_motor`.
    /// SIGINT and SIGTERM are handled from here on.
    ///
    /// # Errors
    /// [`NodeError`].
    pub fn new(
        nodes: Nodes,
        pan_motor: Option<&str>,
        name: &str,
        keeps: Keeps,
    ) -> Result<Self, NodeError> {
        let topics = nodes.clone();
        let (connection, (points, recorded)) =
            Connection::new(nodes, name, keeps, "gaze_point", |node, session| {
                let recorded = record(node, session, &topics, pan_motor)?;
                let points = node.create_publisher(&topics.of_joint("gaze_point"), newest())?;
                Ok((points, recorded))
            })?;
        Ok(Self {
            points,
            recorded,
            connection,
        })
    }

    /// Returns the subscriptions of the nodes that the client needs.
    pub fn subscribers(&self) -> Vec<Need<'static>> {
        let joint = "the joint's node does not subscribe to points";
        let payload = "the simulated joint does not subscribe to payloads";
        vec![
            Need::subscriber(joint, &self.points),
            self.connection.payload_need(payload),
        ]
    }

    /// Commands a point to look at (base frame, m); returns the time of sending, s.
    ///
    /// # Errors
    /// [`ClientError::Send`].
    pub fn look_at(&self, point: Vector3<f64>) -> Result<f64, ClientError> {
        self.connection.command(&self.points, |stamp| {
            let mut message = PointStamped::default();
            let frame = &mut message.header.frame_id;
            frame.clone_from(&self.connection.nodes.base_frame);
            message.header.stamp = time(stamp);
            let p = &mut message.point;
            (p.x, p.y, p.z) = (point.x, point.y, point.z);
            message
        })
    }

    /// Returns the result of `look` on the data recorded so far.
    pub fn recorded<T>(&self, look: impl FnOnce(&Recorded) -> T) -> T {
        look(&self.recorded.borrow())
    }
}

/// Records the true head poses, the angles of the pan motor and the reports on the target.
fn record(
    node: &mut Node,
    session: &Session,
    nodes: &Nodes,
    pan_motor: Option<&str>,
) -> r2r::Result<watch::Receiver<Recorded>> {
    let latched = || newest().transient_local();
    let heads = node.subscribe::<PoseStamped>(&nodes.of_simulated("true_pose"), many())?;
    let states = node.subscribe::<DiagnosticStatus>(&nodes.of_joint("target_state"), latched())?;
    let settled = node.subscribe::<Bool>(&nodes.of_joint("settled"), latched())?;
    let namespace = nodes
        .joint
        .rsplit_once('/')
        .map_or("", |(parent, _)| parent);
    let motors = format!("{namespace}/joint_states");
    let motors = node.subscribe::<JointState>(&motors, QosProfile::sensor_data())?;

    let (record, recorded) = watch::channel(Recorded::default());
    let (clock, own) = (session.clock().clone(), record.clone());
    session.each(heads, move |message| {
        let stamp = &message.header.stamp;
        let (p, q) = (&message.pose.position, &message.pose.orientation);
        let sample = HeadSample {
            time: clock.time_of(stamp.sec, stamp.nanosec),
            place: Vector3::new(p.x, p.y, p.z),
            orientation: UnitQuaternion::from_quaternion(Quaternion::new(q.w, q.x, q.y, q.z)),
        };
        own.send_modify(|recorded| recorded.heads.push(sample));
    });
    let own = record.clone();
    session.each(states, move |message| {
        own.send_modify(|recorded| recorded.target = TargetState::read(&message).in_force);
    });
    let own = record.clone();
    session.each(settled, move |message| {
        own.send_modify(|recorded| recorded.settled = message.data);
    });
    let clock = session.clock().clone();
    let pan_motor = pan_motor.map(String::from);
    session.each(motors, move |message| {
        let mut names = message.name.iter();
        let place = names.position(|name| Some(name) == pan_motor.as_ref());
        if let Some(angle) = place.and_then(|i| message.position.get(i)) {
            let sample = (clock.now(), *angle);
            record.send_modify(|recorded| recorded.pans.push(sample));
        }
    });
    Ok(recorded)
}

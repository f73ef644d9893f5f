//! A ROS client that commands points to look at and records the camera's true direction, for
//! scoring. It uses the joint as any behaviour does, by its topics; in addition it subscribes to
//! `~/true_pose` of the simulated joint.

use std::sync::{Arc, Mutex};

use nalgebra::{Quaternion, UnitQuaternion, Vector3};
use r2r::diagnostic_msgs::msg::DiagnosticStatus;
use r2r::geometry_msgs::msg::{Inertia, PointStamped, PoseStamped};
use r2r::sensor_msgs::msg::JointState;
use r2r::std_msgs::msg::Bool;
use r2r::{Node, Publisher, QosProfile};

use super::bend_client::payload_message;
use super::error::ClientError;
use super::session::{Answers, Keeps, Lifecycle, Session};
use crate::ros::context::{NodeError, Spinner, context};
use crate::ros::messages::{time, value_of};
use crate::runtime::locked;

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

/// The target as reported by the joint.
#[derive(Clone, Debug, PartialEq)]
pub struct TargetWords {
    /// Number of the command.
    pub command: u64,
    /// "reached", "best possible", "out of reach".
    pub outcome: String,
    /// Residual that will remain, rad.
    pub left_over: f64,
    /// Norm of the bend, rad.
    pub bend: f64,
    /// Pan, rad.
    pub pan: f64,
}

impl TargetWords {
    fn read(message: &DiagnosticStatus) -> Option<Self> {
        let value = |key: &str| value_of(message, key).parse::<f64>().ok();
        Some(Self {
            command: value("command")? as u64,
            outcome: message.message.clone(),
            left_over: value("residual_min_rad")?,
            bend: value("bend_x_rad")?.hypot(value("bend_y_rad")?),
            pan: value("pan_rad")?,
        })
    }
}

/// The recorded data; times are on the client's clock.
#[derive(Clone, Debug, Default)]
pub struct Recorded {
    /// True head poses.
    pub heads: Vec<HeadSample>,
    /// Times of receipt, s, and angles of the pan motor, rad.
    pub pans: Vec<(f64, f64)>,
    /// The last report on the target.
    pub target: Option<TargetWords>,
    /// True if the target is held within tolerance.
    pub settled: bool,
}

/// Client that commands points to look at.
pub struct GazeClient {
    base_frame: String,
    points: Publisher<PointStamped>,
    payload: Publisher<Inertia>,
    looked: Arc<Mutex<Recorded>>,
    answers: Answers,
    lifecycle: Lifecycle,
    // Dropped in this order: tasks must not outlive for long the node that feeds them.
    session: Session,
    _spinner: Spinner,
}

impl GazeClient {
    /// Creates the client's node with the given name, for a joint and a simulated joint (full names
    /// of their nodes), the joint's base frame and its pan motor. SIGINT and SIGTERM are handled
    /// from here on.
    ///
    /// # Errors
    /// [`NodeError`].
    pub fn new(
        joint: &str,
        simulated: &str,
        base_frame: &str,
        pan_motor: Option<&str>,
        name: &str,
        keeps: Keeps,
    ) -> Result<Self, NodeError> {
        let graph = |source| NodeError::Graph {
            node: name.into(),
            source,
        };
        let mut node = Node::create(context()?, name, "").map_err(graph)?;
        let newest = || QosProfile::default().keep_last(1).reliable();
        let many = || QosProfile::default().keep_last(100).reliable();
        let heads = node
            .subscribe::<PoseStamped>(&format!("{simulated}/true_pose"), many())
            .map_err(graph)?;
        let words = node
            .subscribe::<DiagnosticStatus>(
                &format!("{joint}/target_state"),
                newest().transient_local(),
            )
            .map_err(graph)?;
        let settled = node
            .subscribe::<Bool>(&format!("{joint}/settled"), newest().transient_local())
            .map_err(graph)?;
        let namespace = joint
            .rsplit_once('/')
            .map_or("", |(namespace, _)| namespace);
        let motors = node
            .subscribe::<JointState>(
                &format!("{namespace}/joint_states"),
                QosProfile::sensor_data(),
            )
            .map_err(graph)?;
        let points = node
            .create_publisher(&format!("{joint}/gaze_point"), newest())
            .map_err(graph)?;
        let payload = node
            .create_publisher(&format!("{simulated}/payload"), newest())
            .map_err(graph)?;
        let mut session = Session::new(keeps)?;
        let looked = Arc::new(Mutex::new(Recorded::default()));
        let (clock, record) = (session.clock().clone(), looked.clone());
        session.each(heads, move |message| {
            let stamp = &message.header.stamp;
            let (p, q) = (&message.pose.position, &message.pose.orientation);
            locked(&record).heads.push(HeadSample {
                time: clock.time_of(stamp.sec, stamp.nanosec),
                place: Vector3::new(p.x, p.y, p.z),
                orientation: UnitQuaternion::from_quaternion(Quaternion::new(q.w, q.x, q.y, q.z)),
            });
        });
        let record = looked.clone();
        session.each(words, move |message| {
            locked(&record).target = TargetWords::read(&message);
        });
        let record = looked.clone();
        session.each(settled, move |message| {
            locked(&record).settled = message.data;
        });
        let (clock, record) = (session.clock().clone(), looked.clone());
        let pan_motor = pan_motor.map(String::from);
        session.each(motors, move |message| {
            let place = message
                .name
                .iter()
                .position(|n| Some(n) == pan_motor.as_ref());
            if let Some(angle) = place.and_then(|i| message.position.get(i)) {
                locked(&record).pans.push((clock.now(), *angle));
            }
        });
        let answers = session.listen_to_answers(&mut node, joint, "gaze_point");
        let answers = answers.map_err(graph)?;
        let lifecycle = Lifecycle::new(&mut node, joint).map_err(graph)?;
        session.listen_to_time(&mut node).map_err(graph)?;
        Ok(Self {
            answers,
            lifecycle,
            base_frame: base_frame.into(),
            points,
            payload,
            looked,
            session,
            _spinner: Spinner::new(node)?,
        })
    }

    /// Returns the present time on the client's clock, s.
    pub fn now(&self) -> f64 {
        self.session.now()
    }

    /// Returns the session.
    pub fn session(&self) -> &Session {
        &self.session
    }

    /// Returns a stream or subscription that is still missing, if any.
    pub fn missing(&self) -> Option<&'static str> {
        if locked(&self.looked).heads.is_empty() {
            Some("the simulated joint does not publish its head's pose")
        } else {
            self.unheard()
        }
    }

    /// Returns a subscription of the nodes that is still missing, if any.
    pub fn unheard(&self) -> Option<&'static str> {
        let heard = |count: r2r::Result<usize>| count.is_ok_and(|c| c > 0);
        if !heard(self.points.get_inter_process_subscription_count()) {
            Some("the joint's node does not subscribe to points")
        } else if !heard(self.payload.get_inter_process_subscription_count()) {
            Some("the simulated joint does not subscribe to payloads")
        } else {
            None
        }
    }

    /// Configures and activates the joint; see [`Session::bring_up`].
    ///
    /// # Errors
    /// The joint's node does not answer, or refuses.
    pub fn bring_up(&self) -> Result<(), ClientError> {
        self.session.bring_up(&self.lifecycle)
    }

    /// Commands a point to look at (base frame, m); returns the time of sending, s.
    ///
    /// # Errors
    /// [`ClientError::Send`].
    pub fn look_at(&self, point: Vector3<f64>) -> Result<f64, ClientError> {
        let sent = self.now();
        let mut message = PointStamped::default();
        message.header.frame_id.clone_from(&self.base_frame);
        let stamp = self.session.clock().stamp_of(sent);
        message.header.stamp = time(stamp);
        let p = &mut message.point;
        (p.x, p.y, p.z) = (point.x, point.y, point.z);
        self.points.publish(&message)?;
        self.session.until_answered(&self.answers, stamp);
        Ok(sent)
    }

    /// Sets a payload of `mass` kg, its centre `height` m above the beam's end.
    ///
    /// # Errors
    /// [`ClientError::Send`].
    pub fn set_payload(&self, mass: f64, height: f64) -> Result<(), ClientError> {
        self.payload.publish(&payload_message(mass, height))?;
        Ok(())
    }

    /// Returns the result of `look` on the data recorded so far.
    pub fn recorded<T>(&self, look: impl FnOnce(&Recorded) -> T) -> T {
        look(&locked(&self.looked))
    }
}

//! A ROS client that commands a joint and a simulated joint and records the true bend, for scoring.
//!
//! It uses the joint as any behaviour does, by its topics and parameter services; in addition it
//! subscribes to `~/true_bend` of the simulated joint.

use nalgebra::{UnitQuaternion, Vector3};
use r2r::geometry_msgs::msg::{PoseStamped, Vector3Stamped, WrenchStamped};
use r2r::rcl_interfaces::msg::{Parameter, ParameterValue};
use r2r::rcl_interfaces::srv::SetParameters;
use r2r::sensor_msgs::msg::JointState;
use r2r::{Node, Publisher};
use tokio::sync::watch;

use super::connection::{Connection, Need, Nodes};
use super::error::ClientError;
use super::session::{Keeps, Service, Session, many, newest};
use crate::control::geometry::{Bend, rotation};
use crate::design::trial::{BendSample, SetpointSample};
use crate::ros::context::NodeError;
use crate::ros::messages::time;

/// The recorded data; times are on the client's clock.
#[derive(Clone, Debug, Default)]
pub struct Recorded {
    /// True bend, with the stamps of the simulated joint.
    pub bends: Vec<BendSample>,
    /// Setpoints, with the times of receipt; in simulated time with their stamps.
    pub setpoints: Vec<SetpointSample>,
}

/// Returns the stamped command for a bend.
pub(super) fn pose_message(frame: &str, bend: Bend, stamp: (i32, u32)) -> PoseStamped {
    let mut message = PoseStamped::default();
    message.header.frame_id = frame.into();
    message.header.stamp = time(stamp);
    let q = UnitQuaternion::from_rotation_matrix(&rotation(bend));
    let o = &mut message.pose.orientation;
    (o.x, o.y, o.z, o.w) = (q.i, q.j, q.k, q.w);
    message
}

/// Returns the value of a string parameter.
pub(super) fn text_value(text: &str) -> ParameterValue {
    ParameterValue {
        type_: 4, // PARAMETER_STRING of rcl_interfaces/msg/ParameterType
        string_value: text.into(),
        ..ParameterValue::default()
    }
}

/// Client that commands bends and records the true ones.
pub struct BendClient {
    desired: Publisher<PoseStamped>,
    push: Publisher<WrenchStamped>,
    set: Service<SetParameters::Service>,
    recorded: watch::Receiver<Recorded>,
    /// The connection to the joint and the simulated joint.
    pub connection: Connection,
}

impl BendClient {
    /// Creates the client's node with the given name, for a joint with the motors `motor_names`.
    /// SIGINT and SIGTERM are handled from here on.
    ///
    /// # Errors
    /// [`NodeError`].
    pub fn new(
        nodes: Nodes,
        motor_names: &[String],
        name: &str,
        keeps: Keeps,
    ) -> Result<Self, NodeError> {
        let topics = nodes.clone();
        let (connection, own) =
            Connection::new(nodes, name, keeps, "desired_pose", |node, session| {
                let recorded = record(node, session, &topics, motor_names, keeps)?;
                let desired = node.create_publisher(&topics.of_joint("desired_pose"), newest())?;
                let push = node.create_publisher(&topics.of_simulated("push"), newest())?;
                let set = Service::new(node, topics.of_joint("set_parameters"))?;
                Ok((desired, push, set, recorded))
            })?;
        let (desired, push, set, recorded) = own;
        Ok(Self {
            desired,
            push,
            set,
            recorded,
            connection,
        })
    }

    /// Returns the subscriptions of the nodes that the client needs.
    pub fn subscribers(&self) -> Vec<Need<'static>> {
        const WORLD: &str = "the simulated joint does not subscribe to payloads and pushes";
        let joint = "the joint's node does not subscribe to poses";
        vec![
            Need::subscriber(joint, &self.desired),
            self.connection.payload_need(WORLD),
            Need::subscriber(WORLD, &self.push),
        ]
    }

    /// Returns the streams to record that the client needs, without which nothing can be scored.
    pub fn streams(&self) -> Vec<Need<'static>> {
        let recorded = |has: fn(&Recorded) -> bool| {
            let mut recorded = self.recorded.clone();
            // The sender lives as long as the session.
            async move { drop(recorded.wait_for(has).await) }
        };
        vec![
            Need::new(
                "the simulated joint does not publish its bend",
                recorded(|r| !r.bends.is_empty()),
            ),
            Need::new(
                "the joint's node sends no setpoints",
                recorded(|r| !r.setpoints.is_empty()),
            ),
        ]
    }

    /// Commands a bend; returns the time of sending, s.
    ///
    /// # Errors
    /// [`ClientError::Send`].
    pub fn point(&self, bend: Bend) -> Result<f64, ClientError> {
        let frame = &self.connection.nodes.base_frame;
        self.connection
            .command(&self.desired, |stamp| pose_message(frame, bend, stamp))
    }

    /// Pushes the head plate with `force`, N, base frame; returns the time of sending, s.
    ///
    /// # Errors
    /// [`ClientError::Send`].
    pub fn push(&self, force: Vector3<f64>) -> Result<f64, ClientError> {
        let mut message = WrenchStamped::default();
        let frame = &mut message.header.frame_id;
        frame.clone_from(&self.connection.nodes.base_frame);
        let f = &mut message.wrench.force;
        (f.x, f.y, f.z) = (force.x, force.y, force.z);
        let sent = self.connection.now();
        self.push.publish(&message)?;
        Ok(sent)
    }

    /// Selects a gain set; returns the times of request and reply, s.
    ///
    /// # Errors
    /// The service does not answer, or refuses.
    pub fn swap(&self, gain_set: &str) -> Result<(f64, f64), ClientError> {
        self.set_text("gain_set", gain_set)
    }

    /// Sets a string parameter; returns the times of request and reply, s.
    ///
    /// # Errors
    /// The service does not answer, or refuses.
    pub fn set_text(&self, parameter: &str, text: &str) -> Result<(f64, f64), ClientError> {
        let request = SetParameters::Request {
            parameters: vec![Parameter {
                name: parameter.into(),
                value: text_value(text),
            }],
        };
        let requested = self.connection.now();
        let reply = self.set.ask(self.connection.session(), &request)?;
        let done = self.connection.now();
        match reply.results.first() {
            Some(result) if result.successful => Ok((requested, done)),
            other => Err(ClientError::Refused {
                parameter: parameter.into(),
                reason: other.map_or("no result".into(), |r| r.reason.clone()),
            }),
        }
    }

    /// Returns the result of `look` on the data recorded so far.
    pub fn look<T>(&self, look: impl FnOnce(&Recorded) -> T) -> T {
        look(&self.recorded.borrow())
    }
}

/// Records the true bend and the setpoints of the motors `motor_names`.
fn record(
    node: &mut Node,
    session: &Session,
    nodes: &Nodes,
    motor_names: &[String],
    keeps: Keeps,
) -> r2r::Result<watch::Receiver<Recorded>> {
    let bends = node.subscribe::<Vector3Stamped>(&nodes.of_simulated("true_bend"), many())?;
    let setpoints = node.subscribe::<JointState>(&nodes.of_joint("motor_setpoints"), many())?;
    let (record, recorded) = watch::channel(Recorded::default());
    let (clock, own) = (session.clock().clone(), record.clone());
    session.each(bends, move |message| {
        let stamp = &message.header.stamp;
        let sample = BendSample {
            time: clock.time_of(stamp.sec, stamp.nanosec),
            bend: Bend::new(message.vector.x, message.vector.y),
        };
        own.send_modify(|recorded| recorded.bends.push(sample));
    });
    let clock = session.clock().clone();
    let motors = motor_names.to_vec();
    session.each(setpoints, move |message| {
        let of = |motor| {
            let place = message.name.iter().position(|name| name == motor)?;
            let values = if message.position.is_empty() {
                &message.velocity
            } else {
                &message.position
            };
            values.get(place).copied()
        };
        // A message that lacks a motor is not the joint's.
        if let Some(setpoints) = motors.iter().map(of).collect() {
            let stamp = &message.header.stamp;
            let stamp = clock.time_of(stamp.sec, stamp.nanosec);
            let sample = SetpointSample {
                time: match keeps {
                    Keeps::Machine => clock.now(),
                    Keeps::Simulated => stamp,
                },
                stamp,
                setpoints,
            };
            record.send_modify(|recorded| recorded.setpoints.push(sample));
        }
    });
    Ok(recorded)
}

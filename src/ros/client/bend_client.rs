//! A ROS client that commands a joint and a simulated joint and records the true bend, for scoring.
//!
//! It uses the joint as any behaviour does, by its topics and parameter services; in addition it
//! subscribes to `~/true_bend` of the simulated joint.

use std::sync::{Arc, Mutex};

use nalgebra::{UnitQuaternion, Vector3};
use r2r::geometry_msgs::msg::{Inertia, PoseStamped, Vector3Stamped, WrenchStamped};
use r2r::rcl_interfaces::msg::{Parameter, ParameterValue};
use r2r::rcl_interfaces::srv::SetParameters;
use r2r::sensor_msgs::msg::JointState;
use r2r::{Client, Node, Publisher, QosProfile};

use super::error::ClientError;
use super::session::{Answers, Keeps, Lifecycle, Session};
use crate::control::geometry::{Bend, rotation};
use crate::design::trial::{BendSample, SetpointSample};
use crate::ros::context::{NodeError, Spinner, context};
use crate::ros::messages::time;
use crate::runtime::locked;

/// The nodes to observe, by full name.
#[derive(Clone, Debug)]
pub struct Observed {
    /// Full name of the joint's node.
    pub joint: String,
    /// Full name of the simulated joint's node.
    pub simulated: String,
    /// Base frame of the joint.
    pub base_frame: String,
    /// Motors of the joint, in order.
    pub motor_names: Vec<String>,
}

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

/// Returns the message for a payload of `mass` kg, its centre `height` m above the beam's end.
pub(super) fn payload_message(mass: f64, height: f64) -> Inertia {
    let mut message = Inertia {
        m: mass,
        ..Inertia::default()
    };
    message.com.z = height;
    message
}

/// Client that commands bends and records the true ones.
pub struct BendClient {
    observed: Observed,
    desired: Publisher<PoseStamped>,
    payload: Publisher<Inertia>,
    push: Publisher<WrenchStamped>,
    set: Client<SetParameters::Service>,
    recorded: Arc<Mutex<Recorded>>,
    answers: Answers,
    lifecycle: Lifecycle,
    // Dropped in this order: tasks must not outlive for long the node that feeds them.
    session: Session,
    _spinner: Spinner,
}

impl BendClient {
    /// Creates the client's node with the given name. SIGINT and SIGTERM are handled from here on.
    ///
    /// # Errors
    /// [`NodeError`].
    pub fn new(observed: Observed, name: &str, keeps: Keeps) -> Result<Self, NodeError> {
        let graph = |source| NodeError::Graph {
            node: name.into(),
            source,
        };
        let mut node = Node::create(context()?, name, "").map_err(graph)?;
        let newest = || QosProfile::default().keep_last(1).reliable();
        let many = || QosProfile::default().keep_last(100).reliable();
        let joint = |topic: &str| format!("{}/{topic}", observed.joint.trim_end_matches('/'));
        let simulated =
            |topic: &str| format!("{}/{topic}", observed.simulated.trim_end_matches('/'));
        let bends = node
            .subscribe::<Vector3Stamped>(&simulated("true_bend"), many())
            .map_err(graph)?;
        let setpoints = node
            .subscribe::<JointState>(&joint("motor_setpoints"), many())
            .map_err(graph)?;
        let desired = node
            .create_publisher(&joint("desired_pose"), newest())
            .map_err(graph)?;
        let payload = node
            .create_publisher(&simulated("payload"), newest())
            .map_err(graph)?;
        let push = node
            .create_publisher(&simulated("push"), newest())
            .map_err(graph)?;
        let services = QosProfile::services_default();
        let set = node
            .create_client::<SetParameters::Service>(&joint("set_parameters"), services)
            .map_err(graph)?;

        let mut session = Session::new(keeps)?;
        let clock = session.clock().clone();
        let recorded = Arc::new(Mutex::new(Recorded::default()));
        let (stamps, record) = (clock.clone(), recorded.clone());
        session.each(bends, move |message| {
            let stamp = &message.header.stamp;
            locked(&record).bends.push(BendSample {
                time: stamps.time_of(stamp.sec, stamp.nanosec),
                bend: Bend::new(message.vector.x, message.vector.y),
            });
        });
        let (stamps, record) = (clock, recorded.clone());
        let motors = observed.motor_names.clone();
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
                let stamp = stamps.time_of(stamp.sec, stamp.nanosec);
                locked(&record).setpoints.push(SetpointSample {
                    time: match keeps {
                        Keeps::Machine => stamps.now(),
                        Keeps::Simulated => stamp,
                    },
                    stamp,
                    setpoints,
                });
            }
        });
        let answers = session.listen_to_answers(&mut node, &observed.joint, "desired_pose");
        let answers = answers.map_err(graph)?;
        let lifecycle = Lifecycle::new(&mut node, &observed.joint).map_err(graph)?;
        session.listen_to_time(&mut node).map_err(graph)?;
        Ok(Self {
            answers,
            lifecycle,
            desired,
            payload,
            push,
            set,
            recorded,
            session,
            _spinner: Spinner::new(node)?,
            observed,
        })
    }

    /// Returns the present time on the client's clock, s.
    pub fn now(&self) -> f64 {
        self.session.now()
    }

    /// Returns a stream or subscription that is still missing, if any.
    pub fn missing(&self) -> Option<&'static str> {
        let recorded = locked(&self.recorded);
        if recorded.bends.is_empty() {
            Some("the simulated joint does not publish its bend")
        } else if recorded.setpoints.is_empty() {
            Some("the joint's node sends no setpoints")
        } else {
            self.unheard()
        }
    }

    /// Returns a subscription of the nodes that is still missing, if any.
    pub fn unheard(&self) -> Option<&'static str> {
        let heard = |count: r2r::Result<usize>| count.is_ok_and(|c| c > 0);
        if !heard(self.desired.get_inter_process_subscription_count()) {
            Some("the joint's node does not subscribe to poses")
        } else if !heard(self.payload.get_inter_process_subscription_count())
            || !heard(self.push.get_inter_process_subscription_count())
        {
            Some("the simulated joint does not subscribe to payloads and pushes")
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

    /// Returns the session.
    pub fn session(&self) -> &Session {
        &self.session
    }

    /// Commands a bend; returns the time of sending, s.
    ///
    /// # Errors
    /// [`ClientError::Send`].
    pub fn point(&self, bend: Bend) -> Result<f64, ClientError> {
        let sent = self.now();
        let stamp = self.session.clock().stamp_of(sent);
        let message = pose_message(&self.observed.base_frame, bend, stamp);
        self.desired.publish(&message)?;
        self.session.until_answered(&self.answers, stamp);
        Ok(sent)
    }

    /// Sets a payload of `mass` kg, its centre `height` m above the beam's end; returns the time of
    /// sending, s.
    ///
    /// # Errors
    /// [`ClientError::Send`].
    pub fn set_payload(&self, mass: f64, height: f64) -> Result<f64, ClientError> {
        let message = payload_message(mass, height);
        let sent = self.now();
        self.payload.publish(&message)?;
        Ok(sent)
    }

    /// Pushes the head plate with `force`, N, base frame; returns the time of sending, s.
    ///
    /// # Errors
    /// [`ClientError::Send`].
    pub fn push(&self, force: Vector3<f64>) -> Result<f64, ClientError> {
        let mut message = WrenchStamped::default();
        message
            .header
            .frame_id
            .clone_from(&self.observed.base_frame);
        let f = &mut message.wrench.force;
        (f.x, f.y, f.z) = (force.x, force.y, force.z);
        let sent = self.now();
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
        let parameter = parameter.to_string();
        let value = ParameterValue {
            type_: 4, // PARAMETER_STRING of rcl_interfaces/msg/ParameterType
            string_value: text.into(),
            ..ParameterValue::default()
        };
        let request = SetParameters::Request {
            parameters: vec![Parameter {
                name: parameter.clone(),
                value,
            }],
        };
        let service = format!("{}/set_parameters", self.observed.joint);
        let asked = self.now();
        let reply = self.session.ask(&self.set, &service, &request)?;
        let done = self.now();
        match reply.results.first() {
            Some(result) if result.successful => Ok((asked, done)),
            other => Err(ClientError::Refused {
                parameter,
                reason: other.map_or("no result".into(), |r| r.reason.clone()),
            }),
        }
    }

    /// Returns the result of `look` on the data recorded so far.
    pub fn look<T>(&self, look: impl FnOnce(&Recorded) -> T) -> T {
        look(&locked(&self.recorded))
    }
}

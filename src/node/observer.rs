//! A client of the graph that commands a joint and a simulated joint and records what was really so: for scoring.
//!
//! It knows a joint as any behaviour does, by its topics and parameter services; in addition it listens to
//! `~/true_bend` of the simulated joint.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use futures::stream::{Stream, StreamExt};
use nalgebra::{UnitQuaternion, Vector3};
use r2r::geometry_msgs::msg::{Inertia, PoseStamped, Vector3Stamped, WrenchStamped};
use r2r::rcl_interfaces::msg::{Parameter, ParameterValue};
use r2r::rcl_interfaces::srv::SetParameters;
use r2r::sensor_msgs::msg::JointState;
use r2r::{Client, Node, Publisher, QosProfile, WrappedServiceTypeSupport};
use tokio::runtime::Runtime;
use tokio::signal::unix::{SignalKind, signal};

use super::messages::time;
use super::{NodeError, Spinner, context};
use crate::geometry::{Bend, rotation};
use crate::rt::Clock;
use crate::trial::{BendSample, SetpointSample};

/// How long a service may take to answer.
const PATIENCE: Duration = Duration::from_secs(5);

/// Whom to observe. Full names of nodes.
#[derive(Clone, Debug)]
pub struct Observed {
    /// The joint's node.
    pub joint: String,
    /// The simulated joint's node.
    pub simulated: String,
    /// The joint's base frame.
    pub base_frame: String,
    /// The joint's motors, in order.
    pub motor_names: Vec<String>,
}

/// Why something could not be done on the graph.
#[derive(Debug, thiserror::Error)]
pub enum ObserverError {
    /// The graph cannot be used.
    #[error(transparent)]
    Node(#[from] NodeError),
    /// A message could not be sent.
    #[error("a message could not be sent: {0}")]
    Send(#[from] r2r::Error),
    /// A service does not answer.
    #[error("{0} did not answer within {1} s")]
    Silent(String, u64),
    /// A parameter was refused.
    #[error("{parameter} was refused: {reason}")]
    Refused {
        /// The parameter.
        parameter: String,
        /// Why.
        reason: String,
    },
    /// SIGINT or SIGTERM.
    #[error("interrupted")]
    Interrupted,
}

/// What was recorded, times on the observer's clock.
#[derive(Clone, Debug, Default)]
pub struct Recorded {
    /// True bend, by the simulated joint's stamps.
    pub bends: Vec<BendSample>,
    /// Setpoints, by their receipt.
    pub setpoints: Vec<SetpointSample>,
}

/// What a client needs besides its node: a clock, a runtime, and an ear for SIGINT and SIGTERM.
pub struct Session {
    clock: Clock,
    interrupted: Arc<AtomicBool>,
    runtime: Runtime,
}

impl Session {
    /// From here on SIGINT and SIGTERM are taken note of.
    ///
    /// # Errors
    /// The system gives no thread or no signals.
    pub fn new() -> std::io::Result<Self> {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()?;
        let interrupted = Arc::new(AtomicBool::new(false));
        {
            let _guard = runtime.enter();
            for kind in [SignalKind::interrupt(), SignalKind::terminate()] {
                let mut told = signal(kind)?;
                let interrupted = interrupted.clone();
                tokio::spawn(async move {
                    told.recv().await;
                    interrupted.store(true, Ordering::Release);
                });
            }
        }
        Ok(Self {
            clock: Clock::new(),
            interrupted,
            runtime,
        })
    }

    /// The clock that it records by.
    pub fn clock(&self) -> &Clock {
        &self.clock
    }

    /// Present time on its clock, s.
    pub fn now(&self) -> f64 {
        self.clock.now()
    }

    /// Whether SIGINT or SIGTERM has come.
    pub fn interrupted(&self) -> bool {
        self.interrupted.load(Ordering::Acquire)
    }

    /// Lets `seconds` pass.
    ///
    /// # Errors
    /// [`ObserverError::Interrupted`].
    pub fn wait(&self, seconds: f64) -> Result<(), ObserverError> {
        let end = self.now() + seconds;
        loop {
            if self.interrupted() {
                return Err(ObserverError::Interrupted);
            }
            let left = end - self.now();
            if left <= 0.0 {
                return Ok(());
            }
            std::thread::sleep(Duration::from_secs_f64(left.min(0.05)));
        }
    }

    /// Hands each message of a stream to `take`.
    pub fn each<T>(
        &self,
        stream: impl Stream<Item = T> + Send + 'static,
        mut take: impl FnMut(T) + Send + 'static,
    ) {
        self.runtime.spawn(stream.for_each(move |message| {
            take(message);
            std::future::ready(())
        }));
    }

    /// Asks `service` and waits for its answer, at most 5 s for it to be there and 5 s for the answer.
    ///
    /// # Errors
    /// No answer.
    pub fn ask<T: WrappedServiceTypeSupport + 'static>(
        &self,
        client: &Client<T>,
        service: &str,
        request: &T::Request,
    ) -> Result<T::Response, ObserverError> {
        self.ask_for(client, service, request, PATIENCE)
    }

    /// The same of a service that may take longer for its answer.
    ///
    /// # Errors
    /// No answer.
    pub fn ask_for<T: WrappedServiceTypeSupport + 'static>(
        &self,
        client: &Client<T>,
        service: &str,
        request: &T::Request,
        most: Duration,
    ) -> Result<T::Response, ObserverError> {
        let silent = |most: Duration| ObserverError::Silent(service.into(), most.as_secs());
        let available = Node::is_available(client)?;
        let available = self.block_on(available, PATIENCE);
        available.ok_or_else(|| silent(PATIENCE))??;
        let reply = client.request(request)?;
        Ok(self.block_on(reply, most).ok_or_else(|| silent(most))??)
    }

    /// The outcome, or none when patience is at its end.
    fn block_on<F: Future>(&self, future: F, most: Duration) -> Option<F::Output> {
        self.runtime
            .block_on(async { tokio::time::timeout(most, future).await })
            .ok()
    }
}

/// The command for a bend, stamped.
pub(super) fn pose_message(frame: &str, bend: Bend, stamp: (i32, u32)) -> PoseStamped {
    let mut message = PoseStamped::default();
    message.header.frame_id = frame.into();
    message.header.stamp = time(stamp);
    let q = UnitQuaternion::from_rotation_matrix(&rotation(bend));
    let o = &mut message.pose.orientation;
    (o.x, o.y, o.z, o.w) = (q.i, q.j, q.k, q.w);
    message
}

/// A payload of `mass` kg, its centre `height` m above the beam's end.
pub(super) fn payload_message(mass: f64, height: f64) -> Inertia {
    let mut message = Inertia {
        m: mass,
        ..Inertia::default()
    };
    message.com.z = height;
    message
}

/// The client.
pub struct Observer {
    observed: Observed,
    desired: Publisher<PoseStamped>,
    payload: Publisher<Inertia>,
    push: Publisher<WrenchStamped>,
    set: Client<SetParameters::Service>,
    recorded: Arc<Mutex<Recorded>>,
    // Dropped in this order: no task may outlive the node that feeds it by long.
    session: Session,
    _spinner: Spinner,
}

impl Observer {
    /// Joins the graph. From here on SIGINT and SIGTERM are taken note of.
    ///
    /// # Errors
    /// [`NodeError`].
    pub fn new(observed: Observed) -> Result<Self, NodeError> {
        let name = format!("bed_inspector_{}", std::process::id());
        let graph = |source| NodeError::Graph {
            node: name.clone(),
            source,
        };
        let mut node = Node::create(context()?, &name, "").map_err(graph)?;
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

        let session = Session::new()?;
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
                locked(&record).setpoints.push(SetpointSample {
                    time: stamps.now(),
                    stamp: stamps.time_of(stamp.sec, stamp.nanosec),
                    setpoints,
                });
            }
        });
        Ok(Self {
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

    /// Present time on the observer's clock, s.
    pub fn now(&self) -> f64 {
        self.session.now()
    }

    /// What is still missing before joint and simulated joint can be observed, if anything.
    pub fn missing(&self) -> Option<&'static str> {
        let heard = |count: r2r::Result<usize>| count.is_ok_and(|c| c > 0);
        let recorded = locked(&self.recorded);
        if recorded.bends.is_empty() {
            Some("the simulated joint does not tell its bend")
        } else if recorded.setpoints.is_empty() {
            Some("the joint's node sends no setpoints")
        } else if !heard(self.desired.get_inter_process_subscription_count()) {
            Some("the joint's node does not listen to poses")
        } else if !heard(self.payload.get_inter_process_subscription_count())
            || !heard(self.push.get_inter_process_subscription_count())
        {
            Some("the simulated joint does not listen to payloads and pushes")
        } else {
            None
        }
    }

    /// What it shares with other clients.
    pub fn session(&self) -> &Session {
        &self.session
    }

    /// Commands a bend; when it was sent, s.
    ///
    /// # Errors
    /// [`ObserverError::Send`].
    pub fn point(&self, bend: Bend) -> Result<f64, ObserverError> {
        let sent = self.now();
        let stamp = self.session.clock.stamp_of(sent);
        let message = pose_message(&self.observed.base_frame, bend, stamp);
        self.desired.publish(&message)?;
        Ok(sent)
    }

    /// Sets a payload of `mass` kg on, its centre `height` m above the beam's end; when, s.
    ///
    /// # Errors
    /// [`ObserverError::Send`].
    pub fn set_payload(&self, mass: f64, height: f64) -> Result<f64, ObserverError> {
        let message = payload_message(mass, height);
        let sent = self.now();
        self.payload.publish(&message)?;
        Ok(sent)
    }

    /// Pushes the head plate with `force`, N, base frame; when, s.
    ///
    /// # Errors
    /// [`ObserverError::Send`].
    pub fn push(&self, force: Vector3<f64>) -> Result<f64, ObserverError> {
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

    /// Chooses a gain set; when it was asked for and when the reply came, s.
    ///
    /// # Errors
    /// No answer, or a refusal.
    pub fn swap(&self, gain_set: &str) -> Result<(f64, f64), ObserverError> {
        self.set_text("gain_set", gain_set)
    }

    /// Sets a parameter that is a text; when it was asked for and when the reply came, s.
    ///
    /// # Errors
    /// No answer, or a refusal.
    pub fn set_text(&self, parameter: &str, text: &str) -> Result<(f64, f64), ObserverError> {
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
        let silent = || ObserverError::Silent(service.clone(), PATIENCE.as_secs());
        let available = Node::is_available(&self.set)?;
        let available = self.session.block_on(available, PATIENCE);
        available.ok_or_else(silent)??;
        let asked = self.now();
        let reply = self.set.request(&request)?;
        let reply = self.session.block_on(reply, PATIENCE);
        let reply = reply.ok_or_else(silent)??;
        let done = self.now();
        match reply.results.first() {
            Some(result) if result.successful => Ok((asked, done)),
            other => Err(ObserverError::Refused {
                parameter,
                reason: other.map_or("no result".into(), |r| r.reason.clone()),
            }),
        }
    }

    /// Looks at what has been recorded so far.
    pub fn look<T>(&self, look: impl FnOnce(&Recorded) -> T) -> T {
        look(&locked(&self.recorded))
    }
}

fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    // Lists that only grow: a panic elsewhere leaves nothing half done.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

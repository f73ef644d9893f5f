//! The common part of the clients that record a joint and a simulated joint for scoring.

use futures::FutureExt;
use futures::future::LocalBoxFuture;
use r2r::geometry_msgs::msg::Inertia;
use r2r::{Node, Publisher, WrappedTypesupport};

use super::error::ClientError;
use super::session::{Answers, Keeps, Lifecycle, Session, newest};
use crate::ros::context::{NodeError, Spinner, context};

/// The nodes that a client commands and records.
#[derive(Clone, Debug)]
pub struct Nodes {
    /// Full name of the joint's node.
    pub joint: String,
    /// Full name of the simulated joint's node.
    pub simulated: String,
    /// Base frame of the joint.
    pub base_frame: String,
}

impl Nodes {
    /// Returns the name of a topic or service of the joint's node.
    pub(super) fn of_joint(&self, name: &str) -> String {
        format!("{}/{name}", self.joint.trim_end_matches('/'))
    }

    /// Returns the name of a topic of the simulated joint's node.
    pub(super) fn of_simulated(&self, name: &str) -> String {
        format!("{}/{name}", self.simulated.trim_end_matches('/'))
    }
}

/// Something on the graph that a client needs before it begins.
pub struct Need<'a> {
    /// The sentence on its absence.
    pub missing: &'static str,
    /// Ends when it is there.
    pub arrival: LocalBoxFuture<'a, ()>,
}

impl<'a> Need<'a> {
    /// Returns the need of an event.
    pub fn new(missing: &'static str, arrival: impl Future<Output = ()> + 'a) -> Self {
        Self {
            missing,
            arrival: arrival.boxed_local(),
        }
    }

    /// Returns the need of a subscription to the topic of `publisher`.
    pub(super) fn subscriber<T: WrappedTypesupport + 'static>(
        missing: &'static str,
        publisher: &Publisher<T>,
    ) -> Self {
        let subscribed = publisher.wait_for_inter_process_subscribers();
        Self::new(missing, async {
            // An error appears where the publisher is used.
            if let Ok(subscribed) = subscribed {
                let _ = subscribed.await;
            }
        })
    }
}

/// A client's node, with what every client for scoring uses of a joint and its simulation.
pub struct Connection {
    pub(super) nodes: Nodes,
    payload: Publisher<Inertia>,
    answers: Answers,
    lifecycle: Lifecycle,
    // Dropped in this order: tasks must not outlive for long the node that feeds them.
    session: Session,
    _spinner: Spinner,
}

impl Connection {
    /// Creates the client's node with the given name; `join` creates the client's own publishers
    /// and subscriptions on it. The client waits for the acknowledgements of its commands on the
    /// topic `command`. SIGINT and SIGTERM are handled from here on.
    ///
    /// # Errors
    /// [`NodeError`].
    pub(super) fn new<T>(
        nodes: Nodes,
        name: &str,
        keeps: Keeps,
        command: &'static str,
        join: impl FnOnce(&mut Node, &Session) -> r2r::Result<T>,
    ) -> Result<(Self, T), NodeError> {
        let graph = NodeError::of(name);
        let mut node = Node::create(context()?, name, "").map_err(graph)?;
        let mut session = Session::new(keeps)?;
        let own = join(&mut node, &session).map_err(graph)?;
        let payload = node.create_publisher(&nodes.of_simulated("payload"), newest());
        let answers = session.listen_to_answers(&mut node, &nodes.joint, command);
        let lifecycle = Lifecycle::new(&mut node, &nodes.joint).map_err(graph)?;
        session.listen_to_time(&mut node).map_err(graph)?;
        let connection = Self {
            payload: payload.map_err(graph)?,
            answers: answers.map_err(graph)?,
            nodes,
            lifecycle,
            session,
            _spinner: Spinner::new(node)?,
        };
        Ok((connection, own))
    }

    /// Returns the session.
    pub fn session(&self) -> &Session {
        &self.session
    }

    /// Returns the present time on the client's clock, s.
    pub fn now(&self) -> f64 {
        self.session.now()
    }

    /// Configures and activates the joint; see [`Session::bring_up`].
    ///
    /// # Errors
    /// The joint's node does not answer, or refuses.
    pub fn bring_up(&self) -> Result<(), ClientError> {
        self.session.bring_up(&self.lifecycle)
    }

    /// Returns the need of the simulated joint's subscription to payloads.
    pub(super) fn payload_need(&self, missing: &'static str) -> Need<'static> {
        Need::subscriber(missing, &self.payload)
    }

    /// Sets a payload of `mass` kg, its centre `height` m above the beam's end; returns the time of
    /// sending, s.
    ///
    /// # Errors
    /// [`ClientError::Send`].
    pub fn set_payload(&self, mass: f64, height: f64) -> Result<f64, ClientError> {
        let mut message = Inertia {
            m: mass,
            ..Inertia::default()
        };
        message.com.z = height;
        let sent = self.now();
        self.payload.publish(&message)?;
        Ok(sent)
    }

    /// Publishes a command with the stamp of now, s and ns, and in simulated time waits until the
    /// joint has handled it. Returns the time of sending, s.
    ///
    /// # Errors
    /// [`ClientError::Send`].
    pub(super) fn command<T: WrappedTypesupport + 'static>(
        &self,
        publisher: &Publisher<T>,
        message: impl FnOnce((i32, u32)) -> T,
    ) -> Result<f64, ClientError> {
        let sent = self.now();
        let stamp = self.session.clock().stamp_of(sent);
        publisher.publish(&message(stamp))?;
        self.session.until_answered(&self.answers, stamp);
        Ok(sent)
    }
}

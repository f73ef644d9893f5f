//! A ROS client that requests a lifecycle transition of a joint's node, and reads the reason of a
//! failure.

use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use r2r::diagnostic_msgs::msg::DiagnosticArray;
use r2r::lifecycle_msgs::srv::{ChangeState, GetState};
use r2r::{Node, QosProfile};

use super::error::ClientError;
use super::session::{Keeps, Session};
use crate::ros::context::{NodeError, Spinner, context};
use crate::ros::messages::value_of;
use crate::runtime::locked;

/// Time limit for a transition: longer than any time limit in the node.
const PATIENCE: Duration = Duration::from_secs(15);
/// Time limit for `/diagnostics` to report the reason.
const WORDS: Duration = Duration::from_secs(3);

/// The result of a requested transition.
#[derive(Clone, Debug, PartialEq)]
pub struct Transition {
    /// Label of the state before.
    pub from: String,
    /// Label of the state after.
    pub to: String,
    /// True if the transition was made.
    pub success: bool,
    /// Reason of the failure in `/diagnostics`; empty if not reported.
    pub reason: String,
    /// Time from request to answer, s.
    pub took: f64,
}

/// The reason why a transition could not be requested.
#[derive(Debug, thiserror::Error)]
pub enum TransitionError {
    /// The ROS graph cannot be used.
    #[error(transparent)]
    Node(#[from] NodeError),
    /// No node of that name is present.
    #[error("no node answers as {0} ({1}); is it running, and in this ROS domain?")]
    NobodyThere(String, Box<ClientError>),
    /// The node stopped answering.
    #[error("{0}")]
    Silent(Box<ClientError>),
}

impl From<ClientError> for TransitionError {
    fn from(error: ClientError) -> Self {
        Self::Silent(Box::new(error))
    }
}

/// Requests the transition `label` from the node with the full name `joint`.
///
/// # Errors
/// [`TransitionError`].
pub fn transition(joint: &str, label: &str) -> Result<Transition, TransitionError> {
    let name = format!("withy_transition_{}", std::process::id());
    let graph = |source| NodeError::Graph {
        node: name.clone(),
        source,
    };
    let mut node = Node::create(context()?, &name, "").map_err(graph)?;
    let joint = joint.trim_end_matches('/');
    let of = |service: &str| format!("{joint}/{service}");
    let services = QosProfile::services_default;
    let (change_state, get_state) = (of("change_state"), of("get_state"));
    let change = node
        .create_client::<ChangeState::Service>(&change_state, services())
        .map_err(graph)?;
    let get = node
        .create_client::<GetState::Service>(&get_state, services())
        .map_err(graph)?;
    let reports = node
        .subscribe::<DiagnosticArray>("/diagnostics", QosProfile::default())
        .map_err(graph)?;
    let session = Session::new(Keeps::Machine).map_err(NodeError::System)?;
    let reason = Arc::new(Mutex::new(None));
    let own = format!("{}: control loop", joint.trim_start_matches('/'));
    let heard = reason.clone();
    session.each(reports, move |message| {
        for status in message.status.into_iter().filter(|s| s.name == own) {
            let value = |key: &str| value_of(&status, key).to_string();
            *locked(&heard) = Some((value("lifecycle_reason_of"), value("lifecycle_reason")));
        }
    });
    let _spinner = Spinner::new(node).map_err(NodeError::System)?;
    let state = || {
        let answer = session.ask(&get, &get_state, &GetState::Request::default());
        answer.map(|a| a.current_state.label)
    };
    let from =
        state().map_err(|error| TransitionError::NobodyThere(joint.into(), Box::new(error)))?;
    let mut request = ChangeState::Request::default();
    request.transition.label = label.into();
    let begin = Instant::now();
    let answer = session.ask_for(&change, &change_state, &request, PATIENCE)?;
    let took = begin.elapsed().as_secs_f64();
    let mut answer = Transition {
        from,
        to: state()?,
        success: answer.success,
        reason: String::new(),
        took,
    };
    if !answer.success {
        *locked(&reason) = None;
        let begin = Instant::now();
        let ours = |(of, _): &(String, String)| of == label;
        while begin.elapsed() < WORDS && !locked(&reason).as_ref().is_some_and(ours) {
            session.wait(0.01)?;
        }
        answer.reason = locked(&reason).clone().unwrap_or_default().1;
    }
    Ok(answer)
}

//! A ROS client that requests a lifecycle transition of a joint's node, and reads the reason of a
//! failure.

use std::time::{Duration, Instant};

use r2r::diagnostic_msgs::msg::DiagnosticArray;
use r2r::{Node, QosProfile};
use tokio::sync::watch;

use super::error::ClientError;
use super::session::{Keeps, Lifecycle, Session};
use crate::ros::context::{NodeError, Spinner, context};
use crate::ros::messages::{control_loop, value_of};

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
    /// The end of the transition.
    pub end: TransitionEnd,
    /// Time from request to answer, s.
    pub took: f64,
}

/// The end of a transition.
#[derive(Clone, Debug, PartialEq)]
pub enum TransitionEnd {
    /// It was made.
    Made,
    /// It failed, with the reason if `/diagnostics` reports one.
    Failed(Option<String>),
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
    let graph = NodeError::of(&name);
    let mut node = Node::create(context()?, &name, "").map_err(graph)?;
    let joint = joint.trim_end_matches('/');
    let lifecycle = Lifecycle::new(&mut node, joint).map_err(graph)?;
    let reports = node
        .subscribe::<DiagnosticArray>("/diagnostics", QosProfile::default())
        .map_err(graph)?;
    let session = Session::new(Keeps::Machine).map_err(NodeError::System)?;
    // The transition that failed last, and its reason.
    let (report, mut failure) = watch::channel(None);
    let (own, reported) = (joint.to_string(), report.clone());
    session.each(reports, move |message| {
        if let Some(status) = control_loop(message, &own) {
            let value = |key: &str| value_of(&status, key).to_string();
            reported.send_replace(Some((
                value("lifecycle_reason_of"),
                value("lifecycle_reason"),
            )));
        }
    });
    let _spinner = Spinner::new(node).map_err(NodeError::System)?;
    let from = lifecycle
        .state(&session)
        .map_err(|error| TransitionError::NobodyThere(joint.into(), Box::new(error)))?
        .label;
    let begin = Instant::now();
    let success = lifecycle.request(&session, label, PATIENCE)?;
    let took = begin.elapsed().as_secs_f64();
    let to = lifecycle.state(&session)?.label;
    let end = if success {
        TransitionEnd::Made
    } else {
        report.send_replace(None);
        let ours = async {
            let ours = |last: &Option<(String, _)>| last.as_ref().is_some_and(|l| l.0 == label);
            // The sender lives as long as this function.
            let _ = failure.wait_for(ours).await;
        };
        session.event(ours, WORDS)?;
        let reason = report.borrow().as_ref().map(|(_, reason)| reason.clone());
        TransitionEnd::Failed(reason.filter(|reason| !reason.is_empty()))
    };
    Ok(Transition {
        from,
        to,
        end,
        took,
    })
}

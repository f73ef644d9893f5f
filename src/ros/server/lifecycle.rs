//! The lifecycle of one joint's node: services and events of lifecycle_msgs, and the work of each
//! transition.
//!
//! - configure: checks all parameters together, creates the control loop and starts it. The loop
//!   monitors; no setpoints are sent.
//! - activate: if the joint is ready, the loop drives it from its measured angles. The joint stays
//!   where it is.
//! - deactivate: the reference stops, the joint comes to rest, and no more setpoints are sent.
//!   Drives that take velocities get a last zero.
//! - cleanup: ends the loop; the parameters stay.
//! - shutdown: deactivates first if active, then ends the loop for good.
//!
//! A transition that fails and changes nothing is a failure: the node returns to the state before.
//! A loop that ends by itself or does not answer is an error: the joint is no longer driven. The
//! node is then unconfigured if the loop could be ended and can be created anew, else finalized.
//! Other joints of the process continue. The reason appears in the log and in `/diagnostics`.
//!
//! One task answers requests at any time; another makes the transitions, one after the other.

mod executor;
pub mod machine;

pub use executor::{ParameterLock, TransitionExecutor};

use std::fmt;
use std::sync::{Arc, Mutex};

use futures::stream::{BoxStream, StreamExt, select_all};
use r2r::lifecycle_msgs::msg;
use r2r::lifecycle_msgs::srv::{
    ChangeState, GetAvailableStates, GetAvailableTransitions, GetState,
};
use r2r::{Node, Publisher, QosProfile, ServiceRequest};
use tokio::sync::{mpsc, oneshot, watch};

use super::refused::{Refused, cut};
use super::requester::check_reply;
use super::{JointContext, Phase};
use crate::runtime::link::RealTimeEndpoint;
use crate::runtime::locked;
use crate::runtime::rt::Clock;
use machine::{GRAPH, Machine, NotPossible, Outcome, State, Transition};

/// The lifecycle of the node as reported.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Lifecycle {
    pub state: State,
    pub reason: Reason,
    pub autostart_waits: bool,
    /// The control loop is lost and cannot be created anew.
    pub lost: bool,
}

/// Reason for the state: of the last transition that did not succeed, or of an autostart's wait.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Reason {
    /// All went well.
    #[default]
    None,
    /// An autostart waits, for this condition if it is known.
    AutostartWaits(Option<String>),
    /// The request for the transition of this label was refused.
    Refused(String, NotPossible),
    /// The transition of this label failed.
    Failed(&'static str, String),
}

impl Reason {
    /// Returns the label of the transition that it is about; empty if it is about an autostart.
    pub fn of(&self) -> &str {
        match self {
            Self::None | Self::AutostartWaits(_) => "",
            Self::Refused(label, _) => label,
            Self::Failed(label, _) => label,
        }
    }
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::None => Ok(()),
            Self::AutostartWaits(None) => f.write_str("autostart waits"),
            Self::AutostartWaits(Some(why)) => write!(f, "autostart waits: {why}"),
            Self::Refused(_, why) => write!(f, "refused: {why}"),
            Self::Failed(label, why) => write!(f, "{label} failed: {why}"),
        }
    }
}

enum Request {
    Change(ServiceRequest<ChangeState::Service>),
    State(ServiceRequest<GetState::Service>),
    States(ServiceRequest<GetAvailableStates::Service>),
    Transitions(ServiceRequest<GetAvailableTransitions::Service>),
    Graph(ServiceRequest<GetAvailableTransitions::Service>),
}

/// A command to the transition executor.
pub enum Order {
    /// Makes a transition that has begun, and answers the request.
    Change(&'static Transition, ServiceRequest<ChangeState::Service>),
    /// Brings the joint to rest, shuts the node down, and drops the sender.
    Finish(oneshot::Sender<()>),
}

fn state_message(state: State) -> msg::State {
    msg::State {
        id: state as u8,
        label: state.label().into(),
    }
}

fn description(transition: &Transition) -> msg::TransitionDescription {
    msg::TransitionDescription {
        transition: msg::Transition {
            id: transition.id,
            label: transition.label.into(),
        },
        start_state: state_message(transition.start),
        goal_state: state_message(transition.goal),
    }
}

/// The lifecycle state of one node, shared by the tasks that change it.
struct Standing {
    joint: String,
    clock: Clock,
    reported: watch::Sender<Lifecycle>,
    /// The publisher is under the same lock, so that events keep the order of the state changes.
    machine: Mutex<(Machine, Publisher<msg::TransitionEvent>)>,
}

impl Standing {
    fn state(&self) -> State {
        locked(&self.machine).0.state()
    }

    /// Changes the state if `change` makes a transition, and publishes the transition event.
    fn change<E>(
        &self,
        change: impl FnOnce(&mut Machine) -> Result<&'static Transition, E>,
    ) -> Result<&'static Transition, E> {
        let mut locked = locked(&self.machine);
        let (machine, events) = &mut *locked;
        let transition = change(machine)?;
        let state = machine.state();
        self.reported.send_modify(|l| l.state = state);
        let (seconds, nanoseconds) = self.clock.stamp_of(self.clock.now());
        let described = description(transition);
        let event = msg::TransitionEvent {
            // The clocks of this node never stand before 1970.
            timestamp: u64::try_from(seconds).unwrap_or(0) * 1_000_000_000 + u64::from(nanoseconds),
            transition: described.transition,
            start_state: described.start_state,
            goal_state: described.goal_state,
        };
        if let Err(error) = events.publish(&event) {
            let joint = &self.joint;
            tracing::warn!(joint, "a transition event could not be sent: {error}");
        }
        Ok(transition)
    }

    fn begin(&self, id: u8, label: &str) -> Result<&'static Transition, NotPossible> {
        self.change(|machine| machine.begin(id, label))
    }

    fn end(&self, outcome: Outcome) {
        // Only the transition executor ends transitions, so there is always one to end.
        let _ = self.change(|machine| machine.end(outcome).ok_or(()));
    }

    fn report(&self, reason: Reason) {
        self.reported.send_modify(|l| l.reason = reason);
    }
}

/// Task that answers the lifecycle services.
pub struct LifecycleServices {
    standing: Arc<Standing>,
    phase: watch::Receiver<Phase>,
    requests: BoxStream<'static, Request>,
    orders: mpsc::UnboundedSender<Order>,
    refused: Arc<Refused>,
}

/// Creates the services and events on `node`, and the transition executor with the sender of its
/// orders. The executor gives `endpoint` to each loop in turn, and requests the parameter lock over
/// `locks`.
pub fn new(
    node: &mut Node,
    context: &JointContext,
    endpoint: RealTimeEndpoint,
    locks: mpsc::UnboundedSender<ParameterLock>,
) -> r2r::Result<(
    LifecycleServices,
    TransitionExecutor,
    mpsc::UnboundedSender<Order>,
)> {
    let requests = requests(node)?;
    let events = QosProfile::default().keep_last(10).reliable();
    let events = node.create_publisher("~/transition_event", events)?;
    let standing = Arc::new(Standing {
        joint: context.name.clone(),
        clock: context.clock.clone(),
        reported: context.lifecycle.clone(),
        machine: Mutex::new((Machine::default(), events)),
    });
    let (orders, inbox) = mpsc::unbounded_channel();
    let services = LifecycleServices {
        standing: standing.clone(),
        phase: context.phase.subscribe(),
        requests,
        orders: orders.clone(),
        refused: context.refused.clone(),
    };
    let executor = TransitionExecutor::new(context, standing, inbox, endpoint, locks);
    Ok((services, executor, orders))
}

fn requests(node: &mut Node) -> r2r::Result<BoxStream<'static, Request>> {
    type Transitions = GetAvailableTransitions::Service;
    let qos = QosProfile::services_default;
    let change = node.create_service::<ChangeState::Service>("~/change_state", qos())?;
    let state = node.create_service::<GetState::Service>("~/get_state", qos())?;
    let states =
        node.create_service::<GetAvailableStates::Service>("~/get_available_states", qos())?;
    let transitions = node.create_service::<Transitions>("~/get_available_transitions", qos())?;
    let graph = node.create_service::<Transitions>("~/get_transition_graph", qos())?;
    let all = [
        change.map(Request::Change).boxed(),
        state.map(Request::State).boxed(),
        states.map(Request::States).boxed(),
        transitions.map(Request::Transitions).boxed(),
        graph.map(Request::Graph).boxed(),
    ];
    Ok(select_all(all).boxed())
}

impl LifecycleServices {
    /// Answers requests until the stream ends.
    pub async fn run(mut self) {
        while let Some(request) = self.requests.next().await {
            let standing = &self.standing;
            let sent = match request {
                Request::Change(request) => self.change(request),
                Request::State(request) => request.respond(GetState::Response {
                    current_state: state_message(standing.state()),
                }),
                Request::States(request) => request.respond(GetAvailableStates::Response {
                    available_states: State::ALL.into_iter().map(state_message).collect(),
                }),
                Request::Transitions(request) => {
                    let available = standing.state().transitions().map(description);
                    request.respond(GetAvailableTransitions::Response {
                        available_transitions: available.collect(),
                    })
                }
                Request::Graph(request) => request.respond(GetAvailableTransitions::Response {
                    available_transitions: GRAPH.iter().map(description).collect(),
                }),
            };
            check_reply(&standing.joint, sent);
        }
    }

    fn change(&self, request: ServiceRequest<ChangeState::Service>) -> r2r::Result<()> {
        let standing = &self.standing;
        let requested = &request.message.transition;
        let begun = if self.phase.borrow().closing() {
            Err(NotPossible::Closing)
        } else {
            standing.begin(requested.id, &requested.label)
        };
        match begun {
            Ok(transition) => {
                // If the transition executor has ended, the node has ended too.
                let _ = self.orders.send(Order::Change(transition, request));
                Ok(())
            }
            Err(reason) => {
                let joint = &standing.joint;
                let label = cut(&requested.label).into_owned();
                self.refused
                    .log(joint, "transition refused: ", &reason.to_string());
                standing.report(Reason::Refused(label, reason));
                request.respond(ChangeState::Response { success: false })
            }
        }
    }
}

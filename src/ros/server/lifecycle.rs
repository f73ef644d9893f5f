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

pub mod machine;

use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use futures::stream::{BoxStream, StreamExt, select_all};
use r2r::lifecycle_msgs::msg;
use r2r::lifecycle_msgs::srv::{
    ChangeState, GetAvailableStates, GetAvailableTransitions, GetState,
};
use r2r::{Node, Publisher, QosProfile, ServiceRequest};
use tokio::sync::{mpsc, oneshot};
use tokio::time::{MissedTickBehavior, sleep};

use super::faults::Words;
use super::status::{Newest, Status};
use crate::control::tick::{Mode, Readiness};
use crate::files::{JointFile, TickSource};
use crate::runtime::link::{Handle, LoopRequest, Program, RealTimeEndpoint};
use crate::runtime::rt::{self, Clock, RunningLoop};
use machine::{GRAPH, Machine, Outcome, State, Transition};

/// Time limit for a joint to come to rest.
pub const REST_WAIT: Duration = Duration::from_secs(4);
/// Time limit for an activation to wait for the first sensor samples, and for the loop to start
/// tracking.
const START_WAIT: Duration = Duration::from_secs(2);
/// Time limit for the loop to answer, or to end.
const LOOP_WAIT: Duration = Duration::from_secs(1);
/// Longest time that a parameter change in progress may delay a transition.
const PARAMETER_WAIT: Duration = Duration::from_secs(5);
/// Polling period of waits.
const STEP: Duration = Duration::from_millis(2);
/// Period of the checks on the loop and on an autostart.
const LOOK: Duration = Duration::from_millis(20);
/// Pause of an autostart after a failed activation.
const AGAIN: Duration = Duration::from_secs(1);

/// Numbers of the transitions that the node makes by itself.
const CONFIGURE: u8 = 1;
const CLEANUP: u8 = 2;
const ACTIVATE: u8 = 3;
const DEACTIVATE: u8 = 4;

/// A service request.
enum Request {
    Change(ServiceRequest<ChangeState::Service>),
    State(ServiceRequest<GetState::Service>),
    States(ServiceRequest<GetAvailableStates::Service>),
    Transitions(ServiceRequest<GetAvailableTransitions::Service>),
    Graph(ServiceRequest<GetAvailableTransitions::Service>),
}

/// A request for the parameter lock: while it is held, no parameter change is in progress.
pub struct ParameterLock {
    /// Receives the program of the parameters in force, checked together, or what is wrong with
    /// them.
    pub granted: oneshot::Sender<Result<Program, String>>,
    /// The lock is released when the other end is dropped.
    pub done: oneshot::Receiver<()>,
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
    status: Arc<Status>,
    /// The publisher is under the same lock, so that events keep the order of the state changes.
    machine: Mutex<(Machine, Publisher<msg::TransitionEvent>)>,
}

impl Standing {
    fn state(&self) -> State {
        self.look(Machine::state)
    }

    fn look<T>(&self, look: impl FnOnce(&Machine) -> T) -> T {
        // Plain data: a panic elsewhere leaves nothing inconsistent.
        look(
            &self
                .machine
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .0,
        )
    }

    /// Changes the state if `change` makes a transition, and publishes the transition event.
    fn change<E>(
        &self,
        change: impl FnOnce(&mut Machine) -> Result<&'static Transition, E>,
    ) -> Result<&'static Transition, E> {
        let mut locked = self.machine.lock().unwrap_or_else(PoisonError::into_inner);
        let (machine, events) = &mut *locked;
        let transition = change(machine)?;
        let state = machine.state();
        self.status.change_lifecycle(|l| l.state = state);
        let (seconds, nanoseconds) = self.clock.stamp_of(self.clock.now());
        let told = description(transition);
        let event = msg::TransitionEvent {
            // The clocks of this node never stand before 1970.
            timestamp: u64::try_from(seconds).unwrap_or(0) * 1_000_000_000 + u64::from(nanoseconds),
            transition: told.transition,
            start_state: told.start_state,
            goal_state: told.goal_state,
        };
        if let Err(error) = events.publish(&event) {
            let joint = &self.joint;
            tracing::warn!(joint, "a transition event could not be sent: {error}");
        }
        Ok(transition)
    }

    fn begin(&self, id: u8, label: &str) -> Result<&'static Transition, String> {
        self.change(|machine| machine.ask(id, label))
    }

    fn end(&self, outcome: Outcome) {
        // Only the transition executor ends transitions, so there is always one to end.
        let _ = self.change(|machine| machine.end(outcome).ok_or(()));
    }

    /// Reports why the transition `of` did not succeed; of an autostart, what it waits for.
    fn reason(&self, of: &str, reason: impl Into<String>) {
        let (of, reason) = (of.to_string(), reason.into());
        self.status
            .change_lifecycle(|l| (l.reason_of, l.reason) = (of, reason));
    }
}

/// Task that answers the lifecycle services.
pub struct LifecycleServices {
    standing: Arc<Standing>,
    requests: BoxStream<'static, Request>,
    orders: mpsc::UnboundedSender<Order>,
}

/// The transition executor: task that makes the transitions.
pub struct TransitionExecutor {
    standing: Arc<Standing>,
    orders: mpsc::UnboundedReceiver<Order>,
    turns: mpsc::UnboundedSender<ParameterLock>,
    handle: Handle,
    status: Arc<Status>,
    clock: Clock,
    tick: TickSource,
    motor_names: Vec<String>,
    velocity: bool,
    /// The real-time endpoint of the channels, while no loop owns it.
    side: Option<RealTimeEndpoint>,
    looping: Option<RunningLoop>,
    autostart: Option<Autostart>,
    /// The missing real-time priority of the loop has been logged.
    priority_told: bool,
}

/// An autostart that is not finished.
struct Autostart {
    told: String,
    not_before: Instant,
}

/// The reason why a transition did not succeed.
struct Fault {
    outcome: Outcome,
    reason: String,
}

fn failure(reason: impl Into<String>) -> Fault {
    let (outcome, reason) = (Outcome::Failure, reason.into());
    Fault { outcome, reason }
}

fn error(reason: impl Into<String>) -> Fault {
    let (outcome, reason) = (Outcome::Error, reason.into());
    Fault { outcome, reason }
}

/// Start of the reason while an autostart is waiting.
const AUTOSTART: &str = "autostart waits";
const PANICKED: &str = "the control loop ended by itself (see standard error)";
const STUCK: &str = "the control loop does not answer";

/// Channel ends and settings of the lifecycle of one joint.
pub struct Ends {
    /// The real-time endpoint of the channels.
    pub side: RealTimeEndpoint,
    /// Handle of the control loop.
    pub handle: Handle,
    /// Sends requests for the parameter lock to the parameter server.
    pub turns: mpsc::UnboundedSender<ParameterLock>,
    /// True if the node activates by itself.
    pub autostart: bool,
}

/// Creates the services and events on `node`, and the transition executor with the sender of its
/// orders.
///
/// # Errors
/// The middleware rejects a service or a publisher.
pub fn new(
    node: &mut Node,
    joint: &str,
    file: &JointFile,
    clock: &Clock,
    status: &Arc<Status>,
    ends: Ends,
) -> r2r::Result<(
    LifecycleServices,
    TransitionExecutor,
    mpsc::UnboundedSender<Order>,
)> {
    let qos = QosProfile::services_default;
    let requests = select_all([
        node.create_service::<ChangeState::Service>("~/change_state", qos())?
            .map(Request::Change)
            .boxed(),
        node.create_service::<GetState::Service>("~/get_state", qos())?
            .map(Request::State)
            .boxed(),
        node.create_service::<GetAvailableStates::Service>("~/get_available_states", qos())?
            .map(Request::States)
            .boxed(),
        node.create_service::<GetAvailableTransitions::Service>(
            "~/get_available_transitions",
            qos(),
        )?
        .map(Request::Transitions)
        .boxed(),
        node.create_service::<GetAvailableTransitions::Service>("~/get_transition_graph", qos())?
            .map(Request::Graph)
            .boxed(),
    ]);
    let events = QosProfile::default().keep_last(10).reliable();
    let events = node.create_publisher("~/transition_event", events)?;
    let standing = Arc::new(Standing {
        joint: joint.into(),
        clock: clock.clone(),
        status: status.clone(),
        machine: Mutex::new((Machine::default(), events)),
    });
    let (orders, inbox) = mpsc::unbounded_channel();
    let desk = LifecycleServices {
        standing: standing.clone(),
        requests: requests.boxed(),
        orders: orders.clone(),
    };
    let keeper = TransitionExecutor {
        standing,
        orders: inbox,
        turns: ends.turns,
        handle: ends.handle,
        status: status.clone(),
        clock: clock.clone(),
        tick: file.tick,
        motor_names: file.all_motor_names(),
        velocity: file.kind == crate::control::controller::CommandInterface::Velocity,
        side: Some(ends.side),
        looping: None,
        autostart: ends.autostart.then(|| Autostart {
            told: String::new(),
            not_before: Instant::now(),
        }),
        priority_told: false,
    };
    if ends.autostart {
        status.change_lifecycle(|l| (l.reason, l.waits) = (AUTOSTART.into(), true));
    }
    Ok((desk, keeper, orders))
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
                    let here = standing.look(|m| m.available().map(description).collect());
                    request.respond(GetAvailableTransitions::Response {
                        available_transitions: here,
                    })
                }
                Request::Graph(request) => request.respond(GetAvailableTransitions::Response {
                    available_transitions: GRAPH.iter().map(description).collect(),
                }),
            };
            if let Err(error) = sent {
                let joint = &self.standing.joint;
                tracing::warn!(joint, "a service's reply could not be sent: {error}");
            }
        }
    }

    fn change(&self, request: ServiceRequest<ChangeState::Service>) -> r2r::Result<()> {
        let standing = &self.standing;
        let asked = &request.message.transition;
        let begun = if standing.status.closing() {
            Err("the node is shutting down; accepted: nothing more".into())
        } else {
            standing.begin(asked.id, &asked.label)
        };
        match begun {
            Ok(transition) => {
                // If the transition executor has ended, the node has ended too.
                let _ = self.orders.send(Order::Change(transition, request));
                Ok(())
            }
            Err(reason) => {
                let joint = &standing.joint;
                tracing::warn!(joint, "transition refused: {reason}");
                standing.reason(&asked.label, format!("refused: {reason}"));
                request.respond(ChangeState::Response { success: false })
            }
        }
    }
}

impl TransitionExecutor {
    /// Makes transitions until [`Order::Finish`] arrives.
    pub async fn run(mut self) {
        let mut every = tokio::time::interval(LOOK);
        every.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                order = self.orders.recv() => match order {
                    Some(Order::Change(transition, request)) => {
                        // A client that requests a transition replaces the autostart.
                        self.autostart = None;
                        let success = self.perform(transition).await;
                        if let Err(error) = request.respond(ChangeState::Response { success }) {
                            let joint = &self.standing.joint;
                            tracing::warn!(joint, "a service's reply could not be sent: {error}");
                        }
                    }
                    Some(Order::Finish(_done)) => {
                        self.finish().await;
                        return;
                    }
                    None => return,
                },
                _ = every.tick() => self.look_after().await,
            }
        }
    }

    /// Checks that the loop still runs, and advances an autostart.
    async fn look_after(&mut self) {
        let state = self.standing.state();
        if matches!(state, State::Inactive | State::Active) && self.handle.ended() {
            // A request that arrives between two checks finds the same condition.
            let way = match state {
                State::Active => DEACTIVATE,
                _ => CLEANUP,
            };
            if let Ok(transition) = self.standing.begin(way, "") {
                self.ended(transition, error(PANICKED)).await;
            }
            return;
        }
        let Some(autostart) = &self.autostart else {
            return;
        };
        if Instant::now() < autostart.not_before || self.status.closing() {
            return;
        }
        match state {
            State::Unconfigured => {
                if let Ok(transition) = self.standing.begin(CONFIGURE, "")
                    && !self.perform(transition).await
                {
                    self.autostart = None;
                }
            }
            State::Inactive => {
                let newest = self.status.newest();
                if newest.readiness == Readiness::Ready {
                    if let Ok(transition) = self.standing.begin(ACTIVATE, "")
                        && !self.perform(transition).await
                        && let Some(autostart) = &mut self.autostart
                    {
                        autostart.not_before = Instant::now() + AGAIN;
                    }
                    return;
                }
                let why = self.unready(&newest);
                if let Some(autostart) = &mut self.autostart
                    && autostart.told != why
                {
                    let joint = &self.standing.joint;
                    tracing::info!(joint, "{AUTOSTART}: {why}");
                    self.standing.reason("", format!("{AUTOSTART}: {why}"));
                    self.status.change_lifecycle(|l| l.waits = true);
                    autostart.told = why;
                }
            }
            _ => self.autostart = None,
        }
        if self.autostart.is_none() {
            self.status.change_lifecycle(|l| l.waits = false);
        }
    }

    /// Makes a transition that has begun; returns true on success.
    async fn perform(&mut self, transition: &'static Transition) -> bool {
        let begin = Instant::now();
        let waits = self.autostart.is_some();
        self.status.change_lifecycle(|l| l.waits = waits);
        let done = match transition.goal {
            State::Configuring => self.configure().await,
            State::CleaningUp => self.clean_up().await,
            State::Activating => self.activate().await,
            State::Deactivating => self.deactivate().await,
            _ => self.shut_down().await,
        };
        match done {
            Ok(words) => {
                let through = transition.goal != State::Configuring || self.autostart.is_none();
                self.standing
                    .reason("", if through { "" } else { AUTOSTART });
                self.standing.end(Outcome::Success);
                let (joint, took) = (&self.standing.joint, begin.elapsed().as_secs_f64());
                let state = self.standing.state().label();
                tracing::info!(joint, "{state} after {took:.2} s: {words}");
                true
            }
            Err(fault) => {
                self.ended(transition, fault).await;
                false
            }
        }
    }

    /// Ends a transition that did not succeed.
    async fn ended(&mut self, transition: &Transition, fault: Fault) {
        let reason = format!("{} failed: {}", transition.label, fault.reason);
        self.standing.reason(transition.label, reason.as_str());
        self.standing.end(fault.outcome);
        if fault.outcome == Outcome::Error {
            let recovered = self.recover().await;
            let again = recovered && !self.status.closing();
            self.standing.end(if again {
                Outcome::Success
            } else {
                Outcome::Failure
            });
            self.status.change_lifecycle(|l| l.lost = !recovered);
        }
        let (joint, state) = (&self.standing.joint, self.standing.state().label());
        match fault.outcome {
            Outcome::Error => tracing::error!(joint, "{reason}; {state}"),
            _ => tracing::warn!(joint, "{reason}; {state} as before"),
        }
    }

    /// Ends the loop if possible; returns true if a new one can be created.
    async fn recover(&mut self) -> bool {
        self.handle.set_active(false);
        if self.looping.is_some() {
            self.end_loop().await.is_ok()
        } else {
            self.side.is_some()
        }
    }

    /// Takes the parameter lock; returns the program of the parameters in force, and the lock.
    async fn turn(&mut self) -> Result<(Result<Program, String>, oneshot::Sender<()>), Fault> {
        let busy = || failure("the parameters are busy; try again");
        let (granted, wait) = oneshot::channel();
        let (done, until) = oneshot::channel();
        let turn = ParameterLock {
            granted,
            done: until,
        };
        self.turns.send(turn).map_err(|_| busy())?;
        let program = tokio::time::timeout(PARAMETER_WAIT, wait).await;
        Ok((program.map_err(|_| busy())?.map_err(|_| busy())?, done))
    }

    async fn configure(&mut self) -> Result<String, Fault> {
        let (program, _turn) = self.turn().await?;
        let program = program.map_err(failure)?;
        let side = self.side.take();
        let side = side.ok_or_else(|| error("the control loop's channels are lost"))?;
        self.handle.set_active(false);
        self.status.set_newest(Newest::default());
        let looping = rt::start(program, side, self.clock.clone(), self.tick);
        let looping = looping.map_err(|e| {
            error(format!(
                "the thread of the control loop could not be started: {e}"
            ))
        })?;
        if let Some(missing) = &looping.without_priority
            && !std::mem::replace(&mut self.priority_told, true)
        {
            let joint = &self.standing.joint;
            tracing::warn!(
                joint,
                "not real time: {missing}; under load ticks may come late"
            );
        }
        self.looping = Some(looping);
        Ok("the control loop runs, and no setpoints are sent".into())
    }

    async fn clean_up(&mut self) -> Result<String, Fault> {
        let (_, _turn) = self.turn().await?;
        self.end_loop().await?;
        Ok("the control loop has ended; the parameters stay".into())
    }

    async fn activate(&mut self) -> Result<String, Fault> {
        let begin = Instant::now();
        loop {
            if self.handle.ended() {
                return Err(error(PANICKED));
            }
            let newest = self.status.newest();
            match newest.readiness {
                Readiness::Ready => break,
                // Waiting for the first samples and their latency.
                Readiness::Waiting | Readiness::LatencyTooHigh
                    if begin.elapsed() < START_WAIT && !self.status.closing() =>
                {
                    sleep(STEP).await;
                }
                _ => return Err(failure(self.unready(&newest))),
            }
        }
        self.handle.set_active(true);
        let started = |mode| matches!(mode, Mode::Tracking | Mode::Retensioning);
        let on_its_way =
            |s: &Self| !started(s.status.newest().mode) && !s.handle.ended() && !s.status.closing();
        self.wait(START_WAIT, on_its_way).await;
        let newest = self.status.newest();
        if started(newest.mode) && !self.handle.ended() {
            return Ok("the joint is driven from its present pose; setpoints are sent".into());
        }
        self.rest().await?;
        Err(failure(if self.status.closing() {
            "the node is shutting down".into()
        } else {
            format!(
                "the control loop did not start within {} s; it was undone: {}",
                START_WAIT.as_secs(),
                self.unready(&newest)
            )
        }))
    }

    async fn deactivate(&mut self) -> Result<String, Fault> {
        let begin = Instant::now();
        self.status.set_at_rest(false);
        let hold = self.handle.ask(LoopRequest::Hold);
        let unseen = |s: &Self| !s.handle.seen(LoopRequest::Hold, hold) && !s.handle.ended();
        self.wait(LOOP_WAIT, unseen).await;
        let stops = !unseen(self);
        if stops {
            let moves = |s: &Self| !s.status.at_rest() && !s.handle.ended();
            self.wait(REST_WAIT, moves).await;
        }
        let rested = stops && self.status.at_rest();
        let took = begin.elapsed().as_secs_f64();
        if !rested {
            let joint = &self.standing.joint;
            tracing::warn!(joint, "not at rest after {took:.2} s: deactivated anyway");
        }
        self.rest().await?;
        let left = if self.velocity {
            "the last setpoints were zero"
        } else {
            "the motors keep the last setpoints"
        };
        Ok(if rested {
            format!("at rest after {took:.2} s; no more setpoints are sent, {left}")
        } else {
            format!("no more setpoints are sent, {left}")
        })
    }

    async fn shut_down(&mut self) -> Result<String, Fault> {
        let mut words = String::new();
        if self.handle.active() {
            words = self.deactivate().await? + "; ";
        }
        if self.looping.is_some() {
            self.end_loop().await?;
        }
        Ok(words + "the node is finalized")
    }

    /// Stops the setpoints, and waits until the loop has seen that.
    async fn rest(&mut self) -> Result<(), Fault> {
        self.handle.set_active(false);
        let sends = |s: &Self| s.status.newest().mode != Mode::Inactive && !s.handle.ended();
        self.wait(LOOP_WAIT, sends).await;
        if self.handle.ended() {
            return Err(error(PANICKED));
        }
        // Where simulated time stands, the loop stands too: it sees this at its next tick, before
        // any setpoint is sent.
        if sends(self) && !self.clock.is_simulated() {
            Err(error(STUCK))
        } else {
            Ok(())
        }
    }

    /// Ends the loop and takes the real-time endpoint back.
    async fn end_loop(&mut self) -> Result<(), Fault> {
        let panicked = self.handle.ended();
        self.handle.stop();
        self.wait(LOOP_WAIT, |s| !s.handle.ended()).await;
        if !self.handle.ended() {
            return Err(error(STUCK));
        }
        // The loop has ended, so that the join does not block.
        self.side = self.looping.take().and_then(RunningLoop::join);
        if panicked || self.side.is_none() {
            Err(error(PANICKED))
        } else {
            Ok(())
        }
    }

    /// Waits while `condition` holds, for at most `most`.
    async fn wait(&mut self, most: Duration, condition: impl Fn(&Self) -> bool) {
        let begin = Instant::now();
        while begin.elapsed() < most && condition(self) {
            sleep(STEP).await;
        }
    }

    /// Returns why the joint is not ready.
    fn unready(&self, newest: &Newest) -> String {
        let (supervision, _) = self.status.supervision();
        let words = Words {
            supervision: &supervision,
            motor_names: &self.motor_names,
        };
        let why = words.unready(newest.readiness, &newest.faults);
        match why.as_str() {
            "" => "the control loop did not start tracking".into(),
            _ => why,
        }
    }

    /// Brings the joint to rest and shuts the node down.
    async fn finish(&mut self) {
        self.autostart = None;
        if let Ok(transition) = self.standing.begin(DEACTIVATE, "deactivate") {
            self.perform(transition).await;
        }
        if let Ok(transition) = self.standing.begin(0, "shutdown") {
            self.perform(transition).await;
        }
    }
}

//! The transition executor: the work of each transition, and autostart.

use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::MissedTickBehavior;

use super::machine::{Outcome, State, Transition};
use super::{Order, Reason, Standing};
use crate::control::controller::CommandInterface;
use crate::control::tick::{Mode, Readiness};
use crate::files::TickSource;
use crate::ros::server::faults::Words;
use crate::ros::server::requester::check_reply;
use crate::ros::server::services::{NotSet, Settings};
use crate::ros::server::snapshot::{self, Snapshot};
use crate::ros::server::{JointContext, Phase};
use crate::runtime::link::{Handle, LoopRequest, Program, RealTimeEndpoint};
use crate::runtime::rt::{self, Clock, RunningLoop};

/// Time limit for a joint to come to rest.
const REST_WAIT: Duration = Duration::from_secs(4);
/// Time limit for an activation to wait for the first sensor samples, and for the loop to start
/// tracking.
const START_WAIT: Duration = Duration::from_secs(2);
/// Time limit for the loop to answer, or to end.
const LOOP_WAIT: Duration = Duration::from_secs(1);
/// Longest time that a parameter change in progress may delay a transition.
const PARAMETER_WAIT: Duration = Duration::from_secs(5);
/// Period of the checks on the loop and on an autostart. They need not follow each record, and a
/// task that waited for one would be woken by all.
const LOOK: Duration = Duration::from_millis(20);
/// Pause of an autostart after a failed activation.
const AGAIN: Duration = Duration::from_secs(1);

/// Numbers of the transitions that the node makes by itself.
const CONFIGURE: u8 = 1;
const CLEANUP: u8 = 2;
const ACTIVATE: u8 = 3;
const DEACTIVATE: u8 = 4;

/// A request for the parameter lock: while it is held, no parameter change is in progress.
pub struct ParameterLock {
    /// Receives the program of the parameters in force, checked together.
    pub granted: oneshot::Sender<Result<Program, NotSet>>,
    /// The lock is released when the other end is dropped.
    pub done: oneshot::Receiver<()>,
}

/// Reason why a transition did not succeed.
#[derive(Debug, thiserror::Error)]
enum Fault {
    #[error("the parameters are busy; try again")]
    ParametersBusy,
    #[error(transparent)]
    Parameters(#[from] NotSet),
    #[error("{0}")]
    NotReady(String),
    #[error("the node is shutting down")]
    Closing,
    #[error(
        "the control loop did not start within {} s; it was undone: {why}",
        START_WAIT.as_secs()
    )]
    NotStarted { why: String },
    #[error("the control loop's channels are lost")]
    ChannelsLost,
    #[error("the thread of the control loop could not be started: {0}")]
    Thread(#[from] std::io::Error),
    #[error("the control loop ended by itself (see standard error)")]
    LoopEnded,
    #[error("the control loop does not answer")]
    LoopStuck,
}

impl Fault {
    fn outcome(&self) -> Outcome {
        match self {
            Self::ParametersBusy
            | Self::Parameters(_)
            | Self::NotReady(_)
            | Self::Closing
            | Self::NotStarted { .. } => Outcome::Failure,
            Self::ChannelsLost | Self::Thread(_) | Self::LoopEnded | Self::LoopStuck => {
                Outcome::Error
            }
        }
    }
}

/// An autostart that is not finished.
struct Autostart {
    /// The condition that it waits for, as logged.
    logged: String,
    not_before: Instant,
}

/// The control loop, and what ends the waits for it.
struct Control {
    handle: Handle,
    snapshots: watch::Receiver<Snapshot>,
    phase: watch::Receiver<Phase>,
}

impl Control {
    fn newest(&self) -> Snapshot {
        *self.snapshots.borrow()
    }

    fn closing(&self) -> bool {
        self.phase.borrow().closing()
    }

    /// Waits until `condition` holds, for at most `most` and while a loop runs; returns true if it
    /// holds.
    async fn wait(&self, most: Duration, condition: impl Fn(&Snapshot) -> bool) -> bool {
        let over = |s: &Snapshot| condition(s) || self.handle.ended();
        let met = snapshot::wait_for(&self.snapshots, most, over).await;
        met.is_some_and(|s| condition(&s))
    }

    /// The same, and ends with the node.
    async fn wait_unless_closing(&self, most: Duration, condition: impl Fn(&Snapshot) -> bool) {
        let mut phase = self.phase.clone();
        tokio::select! {
            _ = self.wait(most, condition) => {}
            _ = phase.wait_for(|phase| phase.closing()) => {}
        }
    }

    /// Waits for the end of a loop that is requested to stop, until the publisher has seen it too:
    /// the next loop begins without old records.
    async fn wait_for_end(&self) {
        let over = |s: &Snapshot| !s.running && self.handle.ended();
        snapshot::wait_for(&self.snapshots, LOOP_WAIT, over).await;
    }
}

/// The transition executor: task that makes the transitions.
pub struct TransitionExecutor {
    standing: Arc<Standing>,
    orders: mpsc::UnboundedReceiver<Order>,
    locks: mpsc::UnboundedSender<ParameterLock>,
    control: Control,
    settings: watch::Receiver<Settings>,
    clock: Clock,
    tick: TickSource,
    motor_names: Vec<String>,
    kind: CommandInterface,
    /// The real-time endpoint of the channels, while no loop owns it.
    endpoint: Option<RealTimeEndpoint>,
    running: Option<RunningLoop>,
    autostart: Option<Autostart>,
    /// The missing real-time priority of the loop has been logged.
    priority_logged: bool,
}

impl TransitionExecutor {
    pub(super) fn new(
        context: &JointContext,
        standing: Arc<Standing>,
        orders: mpsc::UnboundedReceiver<Order>,
        endpoint: RealTimeEndpoint,
        locks: mpsc::UnboundedSender<ParameterLock>,
    ) -> Self {
        let file = &context.file;
        if context.autostart {
            standing.reported.send_modify(|l| {
                (l.reason, l.autostart_waits) = (Reason::AutostartWaits(None), true);
            });
        }
        Self {
            standing,
            orders,
            locks,
            control: Control {
                handle: context.handle.clone(),
                snapshots: context.snapshots.subscribe(),
                phase: context.phase.subscribe(),
            },
            settings: context.settings.subscribe(),
            clock: context.clock.clone(),
            tick: file.tick,
            motor_names: file.all_motor_names(),
            kind: file.kind,
            endpoint: Some(endpoint),
            running: None,
            autostart: context.autostart.then(|| Autostart {
                logged: String::new(),
                not_before: Instant::now(),
            }),
            priority_logged: false,
        }
    }

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
                        let success = self.perform(transition).await.is_ok();
                        let response = super::ChangeState::Response { success };
                        check_reply(&self.standing.joint, request.respond(response));
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
        if matches!(state, State::Inactive | State::Active) && self.control.handle.ended() {
            // A request that arrives between two checks finds the same condition.
            let way = match state {
                State::Active => DEACTIVATE,
                _ => CLEANUP,
            };
            if let Ok(transition) = self.standing.begin(way, "") {
                self.fail(transition, &Fault::LoopEnded).await;
            }
            return;
        }
        let Some(autostart) = &self.autostart else {
            return;
        };
        if Instant::now() < autostart.not_before || self.control.closing() {
            return;
        }
        match state {
            State::Unconfigured => {
                if let Ok(transition) = self.standing.begin(CONFIGURE, "")
                    && self.perform(transition).await.is_err()
                {
                    self.autostart = None;
                }
            }
            State::Inactive => return self.start_if_ready().await,
            _ => self.autostart = None,
        }
        if self.autostart.is_none() {
            self.report_autostart();
        }
    }

    /// Activates the joint of an autostart once it is ready.
    async fn start_if_ready(&mut self) {
        let newest = self.control.newest();
        // With the first samples it is not known yet whether their clocks agree with ours.
        if newest.readiness == Readiness::Ready && !newest.clocks_judged {
            return;
        }
        if newest.readiness == Readiness::Ready && newest.ahead.is_none() {
            if let Ok(transition) = self.standing.begin(ACTIVATE, "")
                && self.perform(transition).await.is_err()
                && let Some(autostart) = &mut self.autostart
            {
                autostart.not_before = Instant::now() + AGAIN;
            }
            return;
        }
        let why = self.unready(&newest);
        if let Some(autostart) = &mut self.autostart
            && autostart.logged != why
        {
            autostart.logged.clone_from(&why);
            let (joint, reason) = (&self.standing.joint, Reason::AutostartWaits(Some(why)));
            tracing::info!(joint, "{reason}");
            self.standing.report(reason);
            self.report_autostart();
        }
    }

    fn report_autostart(&self) {
        let waits = self.autostart.is_some();
        self.standing
            .reported
            .send_modify(|l| l.autostart_waits = waits);
    }

    /// Makes a transition that has begun.
    async fn perform(&mut self, transition: &'static Transition) -> Result<(), Fault> {
        let begin = Instant::now();
        self.report_autostart();
        let done = match transition.goal {
            State::Configuring => self.configure().await,
            State::CleaningUp => self.clean_up().await,
            State::Activating => self.activate().await,
            State::Deactivating => self.deactivate().await,
            _ => self.shut_down().await,
        };
        let words = match done {
            Ok(words) => words,
            Err(fault) => {
                self.fail(transition, &fault).await;
                return Err(fault);
            }
        };
        let half_way = transition.goal == State::Configuring && self.autostart.is_some();
        self.standing.report(if half_way {
            Reason::AutostartWaits(None)
        } else {
            Reason::None
        });
        self.standing.end(Outcome::Success);
        let (joint, took) = (&self.standing.joint, begin.elapsed().as_secs_f64());
        let state = self.standing.state().label();
        tracing::info!(joint, "{state} after {took:.2} s: {words}");
        Ok(())
    }

    /// Ends a transition that did not succeed.
    async fn fail(&mut self, transition: &'static Transition, fault: &Fault) {
        let reason = Reason::Failed(transition.label, fault.to_string());
        let outcome = fault.outcome();
        self.standing.report(reason.clone());
        self.standing.end(outcome);
        if outcome == Outcome::Error {
            let recovered = self.recover().await;
            let again = recovered && !self.control.closing();
            self.standing.end(if again {
                Outcome::Success
            } else {
                Outcome::Failure
            });
            self.standing.reported.send_modify(|l| l.lost = !recovered);
        }
        let (joint, state) = (&self.standing.joint, self.standing.state().label());
        match outcome {
            Outcome::Error => tracing::error!(joint, "{reason}; {state}"),
            _ => tracing::warn!(joint, "{reason}; {state} as before"),
        }
    }

    /// Ends the loop if possible; returns true if a new one can be created.
    async fn recover(&mut self) -> bool {
        self.control.handle.set_active(false);
        if self.running.is_some() {
            self.end_loop().await.is_ok()
        } else {
            self.endpoint.is_some()
        }
    }

    /// Takes the parameter lock; returns the program of the parameters in force, and the lock.
    async fn lock(&mut self) -> Result<(Result<Program, NotSet>, oneshot::Sender<()>), Fault> {
        let (granted, wait) = oneshot::channel();
        let (lock, done) = oneshot::channel();
        let sent = self.locks.send(ParameterLock { granted, done });
        sent.map_err(|_| Fault::ParametersBusy)?;
        match tokio::time::timeout(PARAMETER_WAIT, wait).await {
            Ok(Ok(program)) => Ok((program, lock)),
            _ => Err(Fault::ParametersBusy),
        }
    }

    async fn configure(&mut self) -> Result<String, Fault> {
        let (program, _lock) = self.lock().await?;
        let program = program?;
        let endpoint = self.endpoint.take().ok_or(Fault::ChannelsLost)?;
        self.control.handle.set_active(false);
        let running = rt::start(program, endpoint, self.clock.clone(), self.tick)?;
        if let Some(missing) = &running.without_priority
            && !std::mem::replace(&mut self.priority_logged, true)
        {
            let joint = &self.standing.joint;
            tracing::warn!(
                joint,
                "not real time: {missing}; under load ticks may come late"
            );
        }
        self.running = Some(running);
        Ok("the control loop runs, and no setpoints are sent".into())
    }

    async fn clean_up(&mut self) -> Result<String, Fault> {
        let (_, _lock) = self.lock().await?;
        self.end_loop().await?;
        Ok("the control loop has ended; the parameters stay".into())
    }

    async fn activate(&mut self) -> Result<String, Fault> {
        // Waits for the first samples and their latency.
        let decided = |s: &Snapshot| match s.readiness {
            Readiness::Waiting | Readiness::LatencyTooHigh => false,
            Readiness::Ready => s.clocks_judged,
            _ => true,
        };
        self.control.wait_unless_closing(START_WAIT, decided).await;
        if self.control.handle.ended() {
            return Err(Fault::LoopEnded);
        }
        let newest = self.control.newest();
        if newest.readiness != Readiness::Ready || newest.ahead.is_some() {
            return Err(Fault::NotReady(self.unready(&newest)));
        }
        self.control.handle.set_active(true);
        let started = |s: &Snapshot| matches!(s.mode, Mode::Tracking | Mode::Retensioning);
        self.control.wait_unless_closing(START_WAIT, started).await;
        let newest = self.control.newest();
        if started(&newest) && !self.control.handle.ended() {
            return Ok("the joint is driven from its present pose; setpoints are sent".into());
        }
        self.rest().await?;
        Err(if self.control.closing() {
            Fault::Closing
        } else {
            let why = self.unready(&newest);
            Fault::NotStarted { why }
        })
    }

    async fn deactivate(&mut self) -> Result<String, Fault> {
        let begin = Instant::now();
        let hold = self.control.handle.request(LoopRequest::Hold);
        let held = |s: &Snapshot| s.has_answered(LoopRequest::Hold, hold);
        let rested = self.control.wait(LOOP_WAIT, held).await
            && self.control.wait(REST_WAIT, |s| s.at_rest).await;
        let took = begin.elapsed().as_secs_f64();
        if !rested {
            let joint = &self.standing.joint;
            tracing::warn!(joint, "not at rest after {took:.2} s: deactivated anyway");
        }
        self.rest().await?;
        let left = match self.kind {
            CommandInterface::Velocity => "the last setpoints were zero",
            CommandInterface::Position => "the motors keep the last setpoints",
        };
        Ok(if rested {
            format!("at rest after {took:.2} s; no more setpoints are sent, {left}")
        } else {
            format!("no more setpoints are sent, {left}")
        })
    }

    async fn shut_down(&mut self) -> Result<String, Fault> {
        let mut words = String::new();
        if self.control.handle.active() {
            words = self.deactivate().await? + "; ";
        }
        if self.running.is_some() {
            self.end_loop().await?;
        }
        Ok(words + "the node is finalized")
    }

    /// Stops the setpoints, and waits until the loop has seen that.
    async fn rest(&mut self) -> Result<(), Fault> {
        self.control.handle.set_active(false);
        let silent = self
            .control
            .wait(LOOP_WAIT, |s| s.mode == Mode::Inactive)
            .await;
        if self.control.handle.ended() {
            return Err(Fault::LoopEnded);
        }
        // Where simulated time stands, the loop stands too: it sees this at its next tick, before
        // any setpoint is sent.
        if silent || self.clock.is_simulated() {
            Ok(())
        } else {
            Err(Fault::LoopStuck)
        }
    }

    /// Ends the loop and takes the real-time endpoint back.
    async fn end_loop(&mut self) -> Result<(), Fault> {
        let panicked = self.control.handle.ended();
        self.control.handle.stop();
        self.control.wait_for_end().await;
        if !self.control.handle.ended() {
            return Err(Fault::LoopStuck);
        }
        // The loop has ended, so that the join does not block.
        self.endpoint = self.running.take().and_then(RunningLoop::join);
        if panicked || self.endpoint.is_none() {
            Err(Fault::LoopEnded)
        } else {
            Ok(())
        }
    }

    /// Returns why the joint is not ready.
    fn unready(&self, newest: &Snapshot) -> String {
        let settings = self.settings.borrow();
        let words = Words {
            supervision: &settings.supervision,
            motor_names: &self.motor_names,
        };
        let why = words.unready(newest.readiness, &newest.faults);
        let why = why.or_else(|| newest.ahead.map(|ahead| ahead.to_string()));
        why.unwrap_or_else(|| "the control loop did not start tracking".into())
    }

    /// Brings the joint to rest and shuts the node down.
    async fn finish(&mut self) {
        self.autostart = None;
        for (id, label) in [(DEACTIVATE, "deactivate"), (0, "shutdown")] {
            if let Ok(transition) = self.standing.begin(id, label) {
                // A failure has been logged and reported.
                let _ = self.perform(transition).await;
            }
        }
    }
}

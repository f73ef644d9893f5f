//! The common part of ROS clients: a clock, a runtime, and handling of SIGINT and SIGTERM.
//!
//! In simulated time (`use_sim_time`) the clock follows `/clock`. Time then advances only while the
//! client waits: it acknowledges each message on `/clock` on its topic `~/acknowledged` when its
//! work at that time is done, for a simulation that waits for it. A simulation that does not wait
//! continues regardless.

use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use futures::stream::{Stream, StreamExt};
use r2r::builtin_interfaces::msg::Time;
use r2r::lifecycle_msgs::msg::State;
use r2r::lifecycle_msgs::srv::{ChangeState, GetState};
use r2r::std_msgs::msg::Header;
use r2r::{Client, Node, ParameterValue, Publisher, QosProfile, WrappedServiceTypeSupport};
use tokio::runtime::Runtime;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::watch;
use tokio::time::{sleep, timeout};

use super::error::ClientError;
use crate::ros::clock::subscribe;
use crate::ros::server::USE_SIM_TIME;
use crate::runtime::locked;
use crate::runtime::rt::{Clock, ClockSetter};

/// Time limit for a service to answer.
const PATIENCE: Duration = Duration::from_secs(5);
/// Time for which simulated time stands during a request; it then continues, since some answers
/// need a tick.
const STANDS: Duration = Duration::from_secs(2);
/// Time for which simulated time stands at each of its steps while a request goes on, so that an
/// answer to the step before is not late.
const STANDS_BETWEEN: Duration = Duration::from_millis(1);
/// Duration of the start in simulated time, s.
const BEGINNING: f64 = 2.0;
/// State of lifecycle_msgs/msg/State from which an activation starts.
const INACTIVE: u8 = 2;
/// Time for which simulated time may stand before a wait for it ends.
const STOPPED: Duration = Duration::from_secs(1);

/// The time base of a client.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keeps {
    /// The machine's clock.
    Machine,
    /// Simulated time on `/clock`.
    Simulated,
}

impl Keeps {
    /// Returns the time base set by the parameter `use_sim_time` of a node.
    pub fn of(node: &Node) -> Self {
        match locked(&node.params).get(USE_SIM_TIME).map(|p| &p.value) {
            Some(ParameterValue::Bool(true)) => Self::Simulated,
            _ => Self::Machine,
        }
    }
}

/// Control of simulated time by acknowledgements.
struct Gate {
    /// The newest message on `/clock`.
    newest: watch::Sender<Option<Time>>,
    acknowledged: Mutex<Acknowledged>,
}

/// The acknowledgements of messages on `/clock`.
struct Acknowledged {
    out: Publisher<Header>,
    last: Option<Time>,
}

impl Acknowledged {
    fn add(&mut self, stamp: Time) {
        let header = Header {
            stamp: stamp.clone(),
            frame_id: "clock".into(),
        };
        // A failure appears as simulated time that stands.
        let _ = self.out.publish(&header);
        self.last = Some(stamp);
    }
}

impl Gate {
    /// Takes a message on `/clock`.
    fn take(&self, stamp: Time, setter: &mut ClockSetter) {
        setter.set(stamp.sec, stamp.nanosec);
        let mut acknowledged = locked(&self.acknowledged);
        if acknowledged.last.as_ref() == Some(&stamp) {
            // A repeated message: the simulation missed the acknowledgement, or is new.
            acknowledged.add(stamp.clone());
        }
        self.newest.send_replace(Some(stamp));
    }

    /// Acknowledges the newest message and waits for the next.
    async fn next(&self) {
        let mut newest = self.newest.subscribe();
        let seen = newest.borrow().clone();
        if let Some(stamp) = seen.clone() {
            let mut acknowledged = locked(&self.acknowledged);
            if acknowledged.last.as_ref() != Some(&stamp) {
                acknowledged.add(stamp);
            }
        }
        // The sender is this gate's.
        let _ = newest.wait_for(|newest| *newest != seen).await;
    }
}

/// Quality of service of commands: the newest one, delivered.
pub(super) fn newest() -> QosProfile {
    QosProfile::default().keep_last(1).reliable()
}

/// Quality of service of streams of which none may be lost.
pub(super) fn many() -> QosProfile {
    QosProfile::default().keep_last(100).reliable()
}

/// A service of a node.
pub(super) struct Service<T: WrappedServiceTypeSupport + 'static> {
    client: Client<T>,
    name: String,
}

impl<T: WrappedServiceTypeSupport + 'static> Service<T> {
    pub(super) fn new(node: &mut Node, name: String) -> r2r::Result<Self> {
        let client = node.create_client(&name, QosProfile::services_default())?;
        Ok(Self { client, name })
    }

    /// Calls the service and returns its answer. Waits at most 5 s for the service and 5 s for the
    /// answer.
    ///
    /// # Errors
    /// The service does not answer.
    pub(super) fn ask(
        &self,
        session: &Session,
        request: &T::Request,
    ) -> Result<T::Response, ClientError> {
        self.ask_for(session, request, PATIENCE)
    }

    /// Like [`Service::ask`], for an answer that may take up to `limit`.
    fn ask_for(
        &self,
        session: &Session,
        request: &T::Request,
        limit: Duration,
    ) -> Result<T::Response, ClientError> {
        let available = session.outcome(Node::is_available(&self.client)?, PATIENCE, STANDS);
        available.ok_or_else(|| self.silent(PATIENCE))??;
        let reply = session.outcome(self.client.request(request)?, limit, STANDS);
        Ok(reply.ok_or_else(|| self.silent(limit))??)
    }

    fn silent(&self, limit: Duration) -> ClientError {
        ClientError::Silent(self.name.clone(), limit.as_secs())
    }

    /// Returns the error that it refuses `what`, part of itself.
    pub(super) fn refused(&self, what: &str, reason: String) -> ClientError {
        ClientError::Refused {
            parameter: format!("{}{what}", self.name),
            reason,
        }
    }
}

/// Lifecycle client of one node.
pub struct Lifecycle {
    change: Service<ChangeState::Service>,
    get: Service<GetState::Service>,
}

impl Lifecycle {
    /// Creates the clients on `node` for the node `joint`.
    ///
    /// # Errors
    /// The middleware rejects a client.
    pub fn new(node: &mut Node, joint: &str) -> r2r::Result<Self> {
        let name = |service: &str| format!("{}/{service}", joint.trim_end_matches('/'));
        Ok(Self {
            change: Service::new(node, name("change_state"))?,
            get: Service::new(node, name("get_state"))?,
        })
    }

    /// Returns the present state.
    ///
    /// # Errors
    /// The service does not answer.
    pub fn state(&self, session: &Session) -> Result<State, ClientError> {
        let answer = self.get.ask(session, &GetState::Request::default());
        answer.map(|answer| answer.current_state)
    }

    /// Requests the transition `label`, which may take up to `limit`; returns true if it was made.
    ///
    /// # Errors
    /// The service does not answer.
    pub fn request(
        &self,
        session: &Session,
        label: &str,
        limit: Duration,
    ) -> Result<bool, ClientError> {
        let answer = self.change.ask_for(session, &transition(label), limit);
        answer.map(|answer| answer.success)
    }

    fn refused(&self, label: &str) -> ClientError {
        let reason = "the node's log says why".into();
        self.change.refused(&format!(" {label}"), reason)
    }
}

fn transition(label: &str) -> ChangeState::Request {
    let mut request = ChangeState::Request::default();
    request.transition.label = label.into();
    request
}

/// The stamp of the last command that the joint's node has handled, in simulated time.
pub struct Answers(Option<watch::Receiver<Option<(i32, u32)>>>);

/// Returns a runtime, and a flag that becomes true at SIGINT or SIGTERM while the runtime lives.
///
/// # Errors
/// The system refuses a thread or signal handlers.
pub fn until_signal() -> std::io::Result<(Runtime, watch::Receiver<bool>)> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()?;
    let (stop, stopped) = watch::channel(false);
    {
        let _guard = runtime.enter();
        for kind in [SignalKind::interrupt(), SignalKind::terminate()] {
            let mut signals = signal(kind)?;
            let stop = stop.clone();
            tokio::spawn(async move {
                signals.recv().await;
                stop.send_replace(true);
            });
        }
    }
    Ok((runtime, stopped))
}

/// The common part of a ROS client; see the module.
pub struct Session {
    clock: Clock,
    setter: Option<ClockSetter>,
    gate: Option<Arc<Gate>>,
    interrupted: watch::Receiver<bool>,
    runtime: Runtime,
}

impl Session {
    /// Creates a session. SIGINT and SIGTERM are handled from here on.
    ///
    /// # Errors
    /// The system refuses a thread or signal handlers.
    pub fn new(keeps: Keeps) -> std::io::Result<Self> {
        let (runtime, interrupted) = until_signal()?;
        let (clock, setter) = match keeps {
            Keeps::Machine => (Clock::new(), None),
            Keeps::Simulated => {
                let (clock, setter) = Clock::simulated();
                (clock, Some(setter))
            }
        };
        Ok(Self {
            clock,
            setter,
            gate: None,
            interrupted,
            runtime,
        })
    }

    /// Subscribes to `/clock` in simulated time. Call it after all other subscriptions, so that
    /// messages from before a message on `/clock` are handled first.
    ///
    /// # Errors
    /// The middleware rejects the subscription.
    pub fn listen_to_time(&mut self, node: &mut Node) -> r2r::Result<()> {
        let Some(mut setter) = self.setter.take() else {
            return Ok(());
        };
        let acknowledged = Acknowledged {
            out: node.create_publisher("~/acknowledged", many())?,
            last: None,
        };
        let gate = Arc::new(Gate {
            newest: watch::Sender::new(None),
            acknowledged: Mutex::new(acknowledged),
        });
        let times = subscribe(node)?;
        let own = gate.clone();
        self.each(times, move |message| own.take(message.clock, &mut setter));
        self.gate = Some(gate);
        Ok(())
    }

    /// Returns the clock used for recording.
    pub fn clock(&self) -> &Clock {
        &self.clock
    }

    /// Returns the present time of the clock, s.
    pub fn now(&self) -> f64 {
        self.clock.now()
    }

    /// Returns true if SIGINT or SIGTERM has arrived.
    pub fn interrupted(&self) -> bool {
        *self.interrupted.borrow()
    }

    /// Waits until time runs; simulated time stands meanwhile.
    pub async fn time_runs(&self) {
        if let Some(gate) = &self.gate {
            // The sender is the gate's.
            let _ = gate.newest.subscribe().wait_for(Option::is_some).await;
        }
    }

    /// Waits for `seconds`; less if simulated time stands.
    ///
    /// # Errors
    /// [`ClientError::Interrupted`].
    pub fn wait(&self, seconds: f64) -> Result<(), ClientError> {
        self.wait_unless(seconds, std::future::pending::<()>())?;
        Ok(())
    }

    /// Waits like [`Session::wait`], at most until `event`, whose outcome it returns then.
    ///
    /// # Errors
    /// [`ClientError::Interrupted`].
    pub fn wait_unless<T>(
        &self,
        seconds: f64,
        event: impl Future<Output = T>,
    ) -> Result<Option<T>, ClientError> {
        self.unless_interrupted(async {
            tokio::select! {
                biased;
                outcome = event => Some(outcome),
                () = self.pass(seconds) => None,
            }
        })
    }

    /// Waits for `event` while simulated time stands; returns its outcome, or `None` after `limit`.
    ///
    /// # Errors
    /// [`ClientError::Interrupted`].
    pub fn event<T>(
        &self,
        event: impl Future<Output = T>,
        limit: Duration,
    ) -> Result<Option<T>, ClientError> {
        self.unless_interrupted(async { timeout(limit, event).await.ok() })
    }

    fn unless_interrupted<T>(&self, event: impl Future<Output = T>) -> Result<T, ClientError> {
        let mut interrupted = self.interrupted.clone();
        self.runtime.block_on(async {
            tokio::select! {
                biased;
                Ok(_) = interrupted.wait_for(|is| *is) => Err(ClientError::Interrupted),
                outcome = event => Ok(outcome),
            }
        })
    }

    /// Lets time pass for `seconds`; less if simulated time stands.
    async fn pass(&self, seconds: f64) {
        let end = self.now() + seconds;
        while self.now() < end {
            let Some(gate) = &self.gate else {
                let left = (end - self.now()).max(0.0);
                sleep(Duration::from_secs_f64(left)).await;
                continue;
            };
            let limit = if self.clock.runs() {
                STOPPED
            } else {
                STOPPED.min(Duration::from_secs_f64(seconds))
            };
            if timeout(limit, gate.next()).await.is_err() {
                return;
            }
        }
    }

    /// Subscribes to the acknowledgements of commands on `topic` by the node `joint`, in simulated
    /// time.
    ///
    /// # Errors
    /// The middleware rejects the subscription.
    pub fn listen_to_answers(
        &self,
        node: &mut Node,
        joint: &str,
        topic: &'static str,
    ) -> r2r::Result<Answers> {
        if !self.clock.is_simulated() {
            return Ok(Answers(None));
        }
        let joint = joint.trim_end_matches('/');
        let answers = node.subscribe(&format!("{joint}/acknowledged"), many())?;
        let (newest, answered) = watch::channel(None);
        self.each(answers, move |header: Header| {
            if header.frame_id == topic {
                newest.send_replace(Some((header.stamp.sec, header.stamp.nanosec)));
            }
        });
        Ok(Answers(Some(answered)))
    }

    /// In simulated time, waits until the command with this stamp has been handled; time stands at
    /// first. A lost acknowledgement appears in the motion.
    pub fn until_answered(&self, answers: &Answers, stamp: (i32, u32)) {
        if let Answers(Some(answered)) = answers {
            let mut answered = answered.clone();
            let answer = async { drop(answered.wait_for(|newest| *newest == Some(stamp)).await) };
            self.outcome(answer, PATIENCE, STANDS);
        }
    }

    /// In simulated time, waits until a multiple of `period`, s.
    ///
    /// # Errors
    /// [`ClientError::Interrupted`].
    pub fn wait_for_even_time(&self, period: f64) -> Result<(), ClientError> {
        if !self.clock.is_simulated() {
            return Ok(());
        }
        let (seconds, nanoseconds) = self.clock.stamp_of(self.now());
        let now = f64::from(seconds) + 1e-9 * f64::from(nanoseconds);
        self.wait(period - now.rem_euclid(period))
    }

    /// Passes each message of a stream to `take`.
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

    /// Configures and activates a joint's node. In simulated time this happens at a set time, so
    /// that all runs start alike, and takes two seconds of it.
    ///
    /// # Errors
    /// The service does not answer, a transition fails, or SIGINT or SIGTERM arrives.
    pub fn bring_up(&self, lifecycle: &Lifecycle) -> Result<(), ClientError> {
        let begun = self.now();
        if !lifecycle.request(self, "configure", PATIENCE)? {
            return Err(lifecycle.refused("configure"));
        }
        self.wait(0.5 * BEGINNING)?;
        // The transition begins while time stands; the loop then needs ticks to drive the joint.
        let reply = lifecycle.change.client.request(&transition("activate"))?;
        for _ in 0..2 {
            self.until_under_way(lifecycle)?;
        }
        let reply = self.outcome(reply, PATIENCE, Duration::ZERO);
        let reply = reply.ok_or_else(|| lifecycle.change.silent(PATIENCE))?;
        if !reply?.success {
            return Err(lifecycle.refused("activate"));
        }
        self.wait(begun + BEGINNING - self.now())
    }

    /// Waits until a joint is no longer inactive.
    fn until_under_way(&self, lifecycle: &Lifecycle) -> Result<(), ClientError> {
        let begun = Instant::now();
        // Each answer is waited for. An event of the transition would not tell whether the request
        // that is under way has begun it.
        while lifecycle.state(self)?.id == INACTIVE && begun.elapsed() <= PATIENCE {}
        Ok(())
    }

    /// Waits for `future` while simulated time goes on; returns its outcome, or `None` after
    /// `limit`.
    pub fn going_on<F: Future>(&self, future: F, limit: Duration) -> Option<F::Output> {
        self.outcome(future, limit, Duration::ZERO)
    }

    /// Returns the outcome of `future`, or `None` after `limit`. Simulated time stands for `stands`
    /// and then continues.
    fn outcome<F: Future>(
        &self,
        future: F,
        limit: Duration,
        stands: Duration,
    ) -> Option<F::Output> {
        let outcome = async {
            let mut future = std::pin::pin!(future);
            let Some(gate) = &self.gate else {
                return future.await;
            };
            let mut stands = stands;
            loop {
                if let Ok(outcome) = timeout(stands, &mut future).await {
                    return outcome;
                }
                tokio::select! {
                    biased;
                    outcome = &mut future => return outcome,
                    // The outcome needs simulated time to advance.
                    () = gate.next() => stands = STANDS_BETWEEN,
                }
            }
        };
        let limited = async { timeout(limit, outcome).await.ok() };
        self.runtime.block_on(limited)
    }
}

//! The common part of ROS clients: a clock, a runtime, and handling of SIGINT and SIGTERM.
//!
//! In simulated time (`use_sim_time`) the clock follows `/clock`. Time then advances only while the
//! client waits: it acknowledges each message on `/clock` on its topic `~/acknowledged` when its
//! work at that time is done, for a simulation that waits for it. A simulation that does not wait
//! continues regardless.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

use futures::stream::{Stream, StreamExt};
use r2r::builtin_interfaces::msg::Time;
use r2r::lifecycle_msgs::srv::{ChangeState, GetState};
use r2r::std_msgs::msg::Header;
use r2r::{Client, Node, ParameterValue, Publisher, QosProfile, WrappedServiceTypeSupport};
use tokio::runtime::Runtime;
use tokio::signal::unix::{SignalKind, signal};

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
/// Duration of the start in simulated time, s.
const BEGINNING: f64 = 2.0;
/// State of lifecycle_msgs/msg/State from which an activation starts.
const INACTIVE: u8 = 2;
/// Max. sleep: how soon a signal is noticed.
const NAP: Duration = Duration::from_millis(50);
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
    state: Mutex<GateState>,
    changed: Condvar,
}

struct GateState {
    out: Publisher<Header>,
    /// The newest message on `/clock`, and the last acknowledged one.
    newest: Option<Time>,
    acknowledged: Option<Time>,
}

impl GateState {
    fn acknowledge(&mut self, stamp: Time) {
        let header = Header {
            stamp: stamp.clone(),
            frame_id: "clock".into(),
        };
        // A failure appears as simulated time that stands.
        let _ = self.out.publish(&header);
        self.acknowledged = Some(stamp);
    }
}

impl Gate {
    /// Takes a message on `/clock`.
    fn take(&self, stamp: Time, hand: &mut ClockSetter) {
        let mut state = locked(&self.state);
        hand.set(stamp.sec, stamp.nanosec);
        if state.acknowledged.as_ref() == Some(&stamp) {
            // A repeated message: the simulation missed the acknowledgement, or is new.
            state.acknowledge(stamp.clone());
        }
        state.newest = Some(stamp);
        self.changed.notify_all();
    }

    /// Acknowledges the newest message and waits for the next, for at most `most`; returns true if
    /// it came.
    fn let_go(&self, most: Duration) -> bool {
        let mut state = locked(&self.state);
        let seen = state.newest.clone();
        if let Some(stamp) = &seen
            && state.acknowledged.as_ref() != Some(stamp)
        {
            state.acknowledge(stamp.clone());
        }
        let same = |state: &mut GateState| state.newest == seen;
        let waited = self.changed.wait_timeout_while(state, most, same);
        !waited.unwrap_or_else(PoisonError::into_inner).1.timed_out()
    }
}

/// Lifecycle client of one node.
pub struct Lifecycle {
    change: Client<ChangeState::Service>,
    change_name: String,
    get: Client<GetState::Service>,
    get_name: String,
}

impl Lifecycle {
    /// Creates the clients on `node` for the node `joint`.
    ///
    /// # Errors
    /// The middleware rejects a client.
    pub fn new(node: &mut Node, joint: &str) -> r2r::Result<Self> {
        let name = |service: &str| format!("{}/{service}", joint.trim_end_matches('/'));
        let (change_name, get_name) = (name("change_state"), name("get_state"));
        let services = QosProfile::services_default;
        Ok(Self {
            change: node.create_client::<ChangeState::Service>(&change_name, services())?,
            get: node.create_client::<GetState::Service>(&get_name, services())?,
            change_name,
            get_name,
        })
    }

    fn check(&self, success: bool, transition: &str) -> Result<(), ClientError> {
        if success {
            return Ok(());
        }
        Err(ClientError::Refused {
            parameter: format!("{} {transition}", self.change_name),
            reason: "the node's log says why".into(),
        })
    }
}

fn transition(label: &str) -> ChangeState::Request {
    let mut request = ChangeState::Request::default();
    request.transition.label = label.into();
    request
}

/// The stamp of the last command that the joint's node has handled.
pub struct Answers(Arc<Mutex<Option<(i32, u32)>>>);

/// Returns a runtime, and a flag that becomes true at SIGINT or SIGTERM while the runtime lives.
///
/// # Errors
/// The system refuses a thread or signal handlers.
pub fn until_signal() -> std::io::Result<(Runtime, Arc<AtomicBool>)> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()?;
    let stop = Arc::new(AtomicBool::new(false));
    {
        let _guard = runtime.enter();
        for kind in [SignalKind::interrupt(), SignalKind::terminate()] {
            let mut told = signal(kind)?;
            let stop = stop.clone();
            tokio::spawn(async move {
                told.recv().await;
                stop.store(true, Ordering::Release);
            });
        }
    }
    Ok((runtime, stop))
}

/// The common part of a ROS client; see the module.
pub struct Session {
    clock: Clock,
    hand: Option<ClockSetter>,
    gate: Option<Arc<Gate>>,
    interrupted: Arc<AtomicBool>,
    runtime: Runtime,
}

impl Session {
    /// Creates a session. SIGINT and SIGTERM are handled from here on.
    ///
    /// # Errors
    /// The system refuses a thread or signal handlers.
    pub fn new(keeps: Keeps) -> std::io::Result<Self> {
        let (runtime, interrupted) = until_signal()?;
        let (clock, hand) = match keeps {
            Keeps::Machine => (Clock::new(), None),
            Keeps::Simulated => {
                let (clock, hand) = Clock::simulated();
                (clock, Some(hand))
            }
        };
        Ok(Self {
            clock,
            hand,
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
        let Some(mut hand) = self.hand.take() else {
            return Ok(());
        };
        let all = QosProfile::default().keep_last(100).reliable();
        let gate = Arc::new(Gate {
            state: Mutex::new(GateState {
                out: node.create_publisher("~/acknowledged", all)?,
                newest: None,
                acknowledged: None,
            }),
            changed: Condvar::new(),
        });
        let times = subscribe(node)?;
        let told = gate.clone();
        self.each(times, move |message| told.take(message.clock, &mut hand));
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
        self.interrupted.load(Ordering::Acquire)
    }

    /// Waits for `seconds`; less if simulated time stands.
    ///
    /// # Errors
    /// [`ClientError::Interrupted`].
    pub fn wait(&self, seconds: f64) -> Result<(), ClientError> {
        let (end, begun) = (self.now() + seconds, Instant::now());
        let mut went_on = begun;
        loop {
            if self.interrupted() {
                return Err(ClientError::Interrupted);
            }
            let left = end - self.now();
            if left <= 0.0 {
                return Ok(());
            }
            let Some(gate) = &self.gate else {
                std::thread::sleep(NAP.min(Duration::from_secs_f64(left)));
                continue;
            };
            if gate.let_go(NAP) {
                went_on = Instant::now();
            } else if went_on.elapsed() > STOPPED
                || !self.clock.runs() && begun.elapsed().as_secs_f64() > seconds
            {
                return Ok(());
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
        let newest = Arc::new(Mutex::new(None));
        if self.clock.is_simulated() {
            let all = QosProfile::default().keep_last(100).reliable();
            let joint = joint.trim_end_matches('/');
            let answers = node.subscribe(&format!("{joint}/acknowledged"), all)?;
            let heard = newest.clone();
            self.each(answers, move |header: Header| {
                if header.frame_id == topic {
                    let stamp = (header.stamp.sec, header.stamp.nanosec);
                    *locked(&heard) = Some(stamp);
                }
            });
        }
        Ok(Answers(newest))
    }

    /// In simulated time, waits until the command with this stamp has been handled; time stands
    /// meanwhile. A lost acknowledgement appears in the motion.
    pub fn until_answered(&self, answers: &Answers, stamp: (i32, u32)) {
        if self.clock.is_simulated() {
            let newest = || *locked(&answers.0);
            self.until(PATIENCE, || newest() == Some(stamp));
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

    /// Calls `service` and returns its answer. Waits at most 5 s for the service and 5 s for the
    /// answer.
    ///
    /// # Errors
    /// The service does not answer.
    pub fn ask<T: WrappedServiceTypeSupport + 'static>(
        &self,
        client: &Client<T>,
        service: &str,
        request: &T::Request,
    ) -> Result<T::Response, ClientError> {
        self.ask_for(client, service, request, PATIENCE)
    }

    /// Like [`Session::ask`], for a service whose answer may take up to `most`.
    ///
    /// # Errors
    /// The service does not answer.
    pub fn ask_for<T: WrappedServiceTypeSupport + 'static>(
        &self,
        client: &Client<T>,
        service: &str,
        request: &T::Request,
        most: Duration,
    ) -> Result<T::Response, ClientError> {
        let silent = |most: Duration| ClientError::Silent(service.into(), most.as_secs());
        let available = Node::is_available(client)?;
        let available = self.block_on(available, PATIENCE);
        available.ok_or_else(|| silent(PATIENCE))??;
        let reply = client.request(request)?;
        Ok(self.block_on(reply, most).ok_or_else(|| silent(most))??)
    }

    /// Waits until `heard()` is true; simulated time stands at first. Returns true if that happens
    /// within `most`.
    fn until(&self, most: Duration, heard: impl Fn() -> bool) -> bool {
        let look = async {
            let mut often = tokio::time::interval(Duration::from_millis(1));
            while !heard() {
                often.tick().await;
            }
        };
        self.block_on(look, most).is_some()
    }

    /// Configures and activates a joint's node. In simulated time this happens at a set time, so
    /// that all runs start alike, and takes two seconds of it.
    ///
    /// # Errors
    /// The service does not answer, a transition fails, or SIGINT or SIGTERM arrives.
    pub fn bring_up(&self, lifecycle: &Lifecycle) -> Result<(), ClientError> {
        let begun = self.now();
        let name = &lifecycle.change_name;
        let configured = self.ask(&lifecycle.change, name, &transition("configure"))?;
        lifecycle.check(configured.success, "configure")?;
        self.wait(0.5 * BEGINNING)?;
        // The transition begins while time stands; the loop then needs ticks to drive the joint.
        let reply = lifecycle.change.request(&transition("activate"))?;
        for _ in 0..2 {
            self.until_under_way(lifecycle)?;
        }
        let silent = || ClientError::Silent(name.clone(), PATIENCE.as_secs());
        let reply = self.block_on_going(reply, PATIENCE, Duration::ZERO);
        lifecycle.check(reply.ok_or_else(silent)??.success, "activate")?;
        self.wait(begun + BEGINNING - self.now())
    }

    /// Waits until a joint is no longer inactive.
    fn until_under_way(&self, lifecycle: &Lifecycle) -> Result<(), ClientError> {
        let begun = Instant::now();
        loop {
            let request = GetState::Request::default();
            let answer = self.ask(&lifecycle.get, &lifecycle.get_name, &request)?;
            if answer.current_state.id != INACTIVE || begun.elapsed() > PATIENCE {
                return Ok(());
            }
        }
    }

    /// Returns the outcome; `None` after `most`.
    fn block_on<F: Future>(&self, future: F, most: Duration) -> Option<F::Output> {
        self.block_on_going(future, most, STANDS)
    }

    /// The same; simulated time stands for `stands` and then continues.
    fn block_on_going<F: Future>(
        &self,
        future: F,
        most: Duration,
        stands: Duration,
    ) -> Option<F::Output> {
        let begun = Instant::now();
        let mut future = std::pin::pin!(future);
        let mut wait = self.gate.as_ref().map_or(most, |_| stands.min(most));
        loop {
            let soon = async { tokio::time::timeout(wait, &mut future).await };
            if let Ok(outcome) = self.runtime.block_on(soon) {
                return Some(outcome);
            }
            if begun.elapsed() >= most {
                return None;
            }
            // The outcome needs simulated time to advance.
            if let Some(gate) = &self.gate {
                gate.let_go(NAP);
                wait = Duration::from_millis(1);
            }
        }
    }
}

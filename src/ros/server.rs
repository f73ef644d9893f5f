//! The node: the only module that uses the ROS graph.
//!
//! Creates one ROS 2 node per joint file, all in one process and one context. Each joint has four
//! threads: the real-time loop ([`crate::runtime::rt`]), the publisher, the watchdog, and one that spins the
//! node. Tasks on a small runtime shared by all joints receive messages and requests. What one of
//! them knows and others need, it sends on a watch channel of its own (`JointContext`).

mod aim;
mod capture;
mod diagnostics;
mod ending;
mod fault_log;
mod faults;
mod incident;
mod lifecycle;
mod motor_stop;
pub mod parameters;
mod point_head;
mod publisher;
mod refused;
mod report;
mod requester;
mod rosout;
mod sensor_clock;
mod services;
mod snapshot;
mod sources;
mod subscriptions;
mod target;
mod tf;
mod topic;
mod watchdog;

pub use incident::{LogCapture, LogCaptureLayer, log_capture};
pub(in crate::ros) use parameters::USE_SIM_TIME;
pub use rosout::{Rosout, RosoutLayer, rosout};
pub use target::words as target_words;

use std::collections::BTreeSet;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use r2r::{Context, Node, ParameterValue, QosProfile};
use tokio::sync::{mpsc, oneshot, watch};

use crate::control::controller::CommandInterface;
use crate::files::JointFile;
use crate::ros::acknowledge::{Acknowledgements, Acknowledger};
use crate::ros::clock;
use crate::ros::context::{NodeError, Spinner, context};
use crate::runtime::link::{Handle, LawSender, Link, Program};
use crate::runtime::locked;
use crate::runtime::recorder::IncidentRecorder;
use crate::runtime::rt::{self, Clock, ClockSetter};
use aim::{SharedTree, TargetResolver};
use ending::Ending;
use futures::future::join_all;
use futures::stream::{StreamExt, select_all};
use incident::Writing;
use lifecycle::{Lifecycle, Order, ParameterLock};
use motor_stop::{HaltAtEnd, MotorStop, MotorStops};
use parameters::{Parameters, Value};
use point_head::PointHead;
use publisher::TelemetryPublisher;
use refused::Refused;
use services::{Requests, Server, Settings, value_at_start};
use snapshot::Snapshot;
use sources::SharedSources;
use sources::listen::{listen, look_at_publishers};
use subscriptions::{Judged, Subscriptions};
use target::InForce;
use watchdog::Watchdog;

/// Time for the last messages to leave the process.
const LAST_WORDS: Duration = Duration::from_millis(60);

/// A joint whose node exists, with its parameters as given at start.
struct Prepared {
    node: Node,
    name: String,
    file: JointFile,
    parameters: Parameters,
    program: Program,
}

/// Phase of a joint's node.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Phase {
    #[default]
    Serving,
    /// The joint comes to rest, and commands are refused.
    Closing,
    /// All reports end.
    Over,
}

impl Phase {
    fn closing(self) -> bool {
        self != Self::Serving
    }
}

/// What the parts of a joint are made from: its description, and the channels between them. Each
/// part keeps the ends that it needs, and each channel has one writer.
struct JointContext {
    /// Fully qualified name of the joint's node.
    name: String,
    file: JointFile,
    clock: Clock,
    handle: Handle,
    /// The node activates by itself.
    autostart: bool,
    /// From the publisher.
    snapshots: watch::Sender<Snapshot>,
    /// From the target resolver.
    targets: watch::Sender<Option<InForce>>,
    /// From the transition executor and the lifecycle services, under one lock.
    lifecycle: watch::Sender<Lifecycle>,
    /// From the parameter server.
    settings: watch::Sender<Settings>,
    /// From the process.
    phase: watch::Sender<Phase>,
    sources: Arc<SharedSources>,
    refused: Arc<Refused>,
    stop: MotorStop,
}

impl JointContext {
    /// Starts a task of the joint. Its panic halts the motors and ends the process.
    fn spawn(&self, part: &'static str, task: impl Future<Output = ()> + Send + 'static) {
        let guard = self.stop.guard(part);
        tokio::spawn(async move {
            let _guard = guard;
            task.await;
        });
    }
}

/// A joint whose threads and tasks run.
struct Joint {
    name: String,
    lifecycle: watch::Receiver<Lifecycle>,
    phase: watch::Sender<Phase>,
    orders: mpsc::UnboundedSender<Order>,
    threads: [JoinHandle<()>; 2],
    writing: Writing,
    spinner: Spinner,
    stop: MotorStop,
}

/// Runs one node per joint file until SIGINT or SIGTERM, then brings the joints to rest and
/// returns.
///
/// # Errors
/// [`NodeError`]; if the cause exists at start, no joint has moved.
pub fn run(
    files: Vec<JointFile>,
    clock: Clock,
    rosout: Rosout,
    log_capture: &LogCapture,
) -> Result<(), NodeError> {
    let context = context()?;
    let mut prepared = Vec::new();
    let mut names = BTreeSet::new();
    for file in files {
        let joint = prepare(&context, file)?;
        if !names.insert(joint.name.clone()) {
            return Err(NodeError::SameName(joint.name));
        }
        prepared.push(joint);
    }
    if let Some(first) = prepared.first_mut() {
        let node = first.name.clone();
        rosout
            .start(&mut first.node)
            .map_err(|source| NodeError::Graph { node, source })?;
    }
    caution();
    let memory = rt::lock_memory().err();
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()?;
    let result = runtime.block_on(async {
        let stops = MotorStops::default();
        let mut ending = Ending::new(stops.clone())?;
        let (panics, mut panicked) = mpsc::unbounded_channel();
        if let Some(missing) = memory {
            tracing::warn!("not real time: {missing}; under load ticks may come late");
        }
        let mut joints = Vec::new();
        // Dropped before the joints, whose nodes send the last zeros.
        let _halt = HaltAtEnd(stops.clone());
        for joint in prepared {
            if joint.file.kind == CommandInterface::Velocity {
                let joint = &joint.name;
                tracing::warn!(
                    joint,
                    "the motors take velocities and keep the last one: if this process dies, only \
                     a timeout in the drives stops them"
                );
            }
            let joint = start(joint, &clock, log_capture, panics.clone())?;
            stops.add(&joint.stop);
            joints.push(joint);
        }
        for joint in &joints {
            tracing::info!(joint = joint.name, "running");
        }
        let panic = supervise(&joints, &mut ending, &mut panicked).await;
        ending.begin();
        let finished = finish(joints).await;
        match panic {
            Some(part) => Err(NodeError::Panicked(part)),
            None => finished,
        }
    });
    runtime.shutdown_timeout(Duration::from_millis(500));
    result
}

fn caution() {
    tracing::warn!(
        "motors under tension pinch and tendons whip: keep hands and faces away, and have a \
         hardware emergency stop, mechanical end stops and motor-current limits"
    );
    tracing::warn!(
        "the software stop is not a safety function: your risk assessment, local codes and \
         licensed practice decide (ISO 12100, ISO 13482, ISO 13850, IEC 60204-1)"
    );
    if is_variable(SECURITY, "true") && !is_variable("ROS_SECURITY_STRATEGY", "Enforce") {
        tracing::warn!(
            "{SECURITY} is true and ROS_SECURITY_STRATEGY is not Enforce: where keys are missing, \
             ROS runs unprotected and does not report it"
        );
    }
}

/// Environment variable that enables DDS security (ROS 2 design documents, "ROS 2 DDS-Security
/// Integration").
const SECURITY: &str = "ROS_SECURITY_ENABLE";

/// Returns true if the environment variable has exactly this value.
fn is_variable(name: &str, value: &str) -> bool {
    std::env::var(name).is_ok_and(|is| is == value)
}

/// Creates the node and checks all parameters given at start together.
fn prepare(context: &Context, file: JointFile) -> Result<Prepared, NodeError> {
    let graph = |source| NodeError::Graph {
        node: file.name.clone(),
        source,
    };
    let node = Node::create(context.clone(), &file.name, &file.namespace);
    let node = node.map_err(|source| {
        if is_variable(SECURITY, "true") {
            NodeError::Security {
                node: file.name.clone(),
                keystore: std::env::var("ROS_SECURITY_KEYSTORE").unwrap_or_default(),
                source,
            }
        } else {
            graph(source)
        }
    })?;
    let name = node.fully_qualified_name().map_err(graph)?;
    let mut given = Vec::new();
    let mut simulated_time = false;
    let mut parameters;
    {
        let overrides = locked(&node.params);
        if let Some(ParameterValue::Bool(asked)) = overrides.get(USE_SIM_TIME).map(|p| &p.value) {
            simulated_time = *asked;
        }
        parameters = Parameters::new(file.clone(), simulated_time);
        for (key, parameter) in overrides.iter() {
            if parameters.entries().contains_key(key) {
                given.push((key.clone(), value_at_start(&parameter.value)));
            } else if key != "start_type_description_service" && !key.starts_with("qos_overrides.")
            {
                tracing::warn!(
                    joint = name,
                    "parameter {key} was given at start, and this node has no such parameter: \
                     ignored"
                );
            }
        }
    }
    let candidate = parameters
        .check(&given, 0.0, true)
        .map_err(|reason| NodeError::Parameter {
            node: name.clone(),
            reason: reason.to_string(),
        })?;
    let program = candidate.program.clone();
    log_given(&name, &parameters.commit(candidate));
    Ok(Prepared {
        node,
        name,
        file,
        parameters,
        program,
    })
}

/// Logs the parameters given at start, with one line for those that differ in the last part of their
/// names only, as the gains of a motor do.
fn log_given(joint: &str, given: &[(String, Value)]) {
    fn split(key: &str) -> (&str, &str) {
        key.rsplit_once('.').unwrap_or((key, ""))
    }
    for group in given.chunk_by(|a, b| split(&a.0).0 == split(&b.0).0) {
        if let [(key, value)] = group {
            tracing::info!(joint, "given at start: {key} = {value}");
            continue;
        }
        let values = group.iter();
        let values = values.map(|(key, value)| format!("{} = {value}", split(key).1));
        let values = values.collect::<Vec<_>>().join(", ");
        let name = split(&group[0].0).0;
        tracing::info!(joint, "given at start: {name}: {values}");
    }
}

/// Makes the parts of a joint and starts them, the transition executor last: nothing moves before
/// all is there.
fn start(
    prepared: Prepared,
    clock: &Clock,
    log_capture: &LogCapture,
    panics: mpsc::UnboundedSender<String>,
) -> Result<Joint, NodeError> {
    let Prepared {
        mut node,
        name,
        file,
        parameters,
        program,
    } = prepared;
    let graph = |source| NodeError::Graph {
        node: name.clone(),
        source,
    };
    // Each joint has its own simulated time; the rest of the process uses the machine's clock.
    let (clock, setter) = if parameters.simulated_time() {
        let (clock, setter) = Clock::simulated();
        (clock, Some(setter))
    } else {
        (clock.clone(), None)
    };
    let link = Link::new(file.motor_names.len());
    let stop = MotorStop::new(&mut node, &name, &file, panics).map_err(graph)?;
    let context = JointContext {
        name: name.clone(),
        file,
        clock,
        handle: link.handle,
        autostart: parameters.autostart(),
        snapshots: watch::Sender::default(),
        targets: watch::Sender::default(),
        lifecycle: watch::Sender::default(),
        settings: watch::Sender::default(),
        phase: watch::Sender::default(),
        sources: Arc::default(),
        refused: Arc::default(),
        stop,
    };
    let mut acknowledger = Acknowledger::default();
    if let Some(setter) = setter {
        acknowledger = Acknowledger::new(context.handle.clone());
        follow_clock(&mut node, &context, setter, &acknowledger).map_err(graph)?;
    }
    let tree = tf::tree(&context.file);
    let judged = resolve_targets(&mut node, &context, &tree, &program).map_err(graph)?;
    let subscriptions = Subscriptions::new(&mut node, &context, link.input, judged, &acknowledger);
    context.spawn("the subscriptions", subscriptions.map_err(graph)?.run());
    let settings = parameters.kept().clone();
    let (kept, writing) =
        incident::start(&mut node, &context, &settings, log_capture).map_err(graph)?;
    let incident = writing.incident();
    let locks = serve(&mut node, &context, parameters, link.laws, incident).map_err(graph)?;
    let lifecycle = lifecycle::new(&mut node, &context, link.endpoint, locks);
    let (services, executor, orders) = lifecycle.map_err(graph)?;
    let watchdog = Watchdog::new(&mut node, &context).map_err(graph)?;
    let acknowledgements = Acknowledgements::new(&mut node, acknowledger).map_err(graph)?;
    let publisher =
        TelemetryPublisher::new(&mut node, &context, link.records, tree, acknowledgements);
    let threads = [
        publisher.map_err(graph)?.start(kept)?,
        watchdog.start(incident.clone())?,
    ];
    context.spawn("the lifecycle services", services.run());
    context.spawn("the transition executor", executor.run());
    let look = look_at_publishers(&context);
    Ok(Joint {
        lifecycle: context.lifecycle.subscribe(),
        phase: context.phase,
        name,
        orders,
        threads,
        writing,
        spinner: Spinner::watching(node, look)?,
        stop: context.stop,
    })
}

/// Follows `/clock`.
fn follow_clock(
    node: &mut Node,
    context: &JointContext,
    setter: ClockSetter,
    acknowledger: &Acknowledger,
) -> r2r::Result<()> {
    let times = clock::subscribe(node)?;
    let (joint, period) = (context.name.clone(), context.file.joint.period);
    let acknowledger = acknowledger.clone();
    let follow = clock::follow(joint, times, setter, acknowledger, period);
    context.spawn("the clock", follow);
    Ok(())
}

/// Takes targets in all frames of `tree`; returns the commands that have been judged.
fn resolve_targets(
    node: &mut Node,
    context: &JointContext,
    tree: &SharedTree,
    program: &Program,
) -> r2r::Result<mpsc::UnboundedReceiver<Judged>> {
    let mut messages = listen(node, &context.file)?;
    messages.push(tf::listen(node, context, tree)?);
    let (pointing, goals, commands) = PointHead::new(node, context)?;
    messages.push(commands);
    log_view(&context.name, &context.file);
    let (judged, commands) = mpsc::unbounded_channel();
    let resolver = TargetResolver {
        joint: context.name.clone(),
        clock: context.clock.clone(),
        frames: context.file.frames.clone(),
        aim: context.file.aim(),
        speeds: program.law.reference_speeds(),
        snapshots: context.snapshots.subscribe(),
        lifecycle: context.lifecycle.subscribe(),
        phase: context.phase.subscribe(),
        sources: context.sources.clone(),
        refused: context.refused.clone(),
        tree: tree.clone(),
        handle: context.handle.clone(),
        out: context.targets.clone(),
        judged,
    };
    let resolve = resolver.run(select_all(messages).boxed());
    context.spawn("the target resolver", resolve);
    context.spawn("the action", pointing.run(goals));
    Ok(commands)
}

/// Serves the parameters; returns the sender of requests for the parameter lock.
fn serve(
    node: &mut Node,
    context: &JointContext,
    parameters: Parameters,
    laws: LawSender,
    incident: &IncidentRecorder,
) -> r2r::Result<mpsc::UnboundedSender<ParameterLock>> {
    let (locks, requests) = mpsc::unbounded_channel();
    let requests = Requests::new(node, requests)?;
    let server = Server {
        joint: context.name.clone(),
        motor_names: context.file.all_motor_names(),
        parameters,
        laws,
        handle: context.handle.clone(),
        snapshots: context.snapshots.subscribe(),
        settings: context.settings.clone(),
        sources: context.sources.clone(),
        refused: context.refused.clone(),
        clock: context.clock.clone(),
        incident: incident.clone(),
        events: node.create_publisher("/parameter_events", QosProfile::parameter_events())?,
    };
    context.spawn("the parameter services", server.run(requests));
    Ok(locks)
}

/// Logs the azimuth range of the joint's camera.
fn log_view(joint: &str, file: &JointFile) {
    let Some(gazer) = &file.gazer else {
        tracing::info!(
            joint,
            "no camera in the joint file: gaze points are refused"
        );
        return;
    };
    let (low, high) = gazer.azimuth_range();
    let (low, high) = (low.to_degrees(), high.to_degrees());
    if high - low >= 360.0 {
        tracing::info!(joint, "the camera can look to all azimuths");
    } else if file.joint.pan.is_some() {
        tracing::info!(
            joint,
            "the camera can look to azimuths of {low:.1} to {high:.1} deg"
        );
    } else {
        tracing::warn!(
            joint,
            "without a pan motor the camera can only look to azimuths of {low:.1} to {high:.1} \
             deg, however far the joint bends"
        );
    }
}

/// Waits for a signal, a panic, or until no joint can run any more. Returns the part that has
/// panicked.
async fn supervise(
    joints: &[Joint],
    ending: &mut Ending,
    panicked: &mut mpsc::UnboundedReceiver<String>,
) -> Option<String> {
    // A joint whose channel closes has lost its tasks.
    let lost = joints.iter().map(|joint| async {
        let _ = joint.lifecycle.clone().wait_for(|l| l.lost).await;
    });
    tokio::select! {
        name = ending.signal.recv() => {
            let name = name.unwrap_or("signals cannot be received");
            tracing::info!("{name}: bringing the joints to rest");
        }
        part = panicked.recv() => return part,
        _ = join_all(lost) => {}
    }
    None
}

/// Brings the joints to rest and shuts their nodes down.
async fn finish(joints: Vec<Joint>) -> Result<(), NodeError> {
    let begin = Instant::now();
    let mut finished = Vec::new();
    for joint in &joints {
        joint.phase.send_replace(Phase::Closing);
        let (done, finish) = oneshot::channel();
        let _ = joint.orders.send(Order::Finish(done));
        finished.push(finish);
    }
    for finish in finished {
        // The transition executor signals the end by dropping the sender.
        let _ = finish.await;
    }
    let lost = joints.iter().find(|j| j.lifecycle.borrow().lost);
    let lost = lost.map(|j| j.name.clone());
    let mut spinners = Vec::new();
    for joint in joints {
        joint.phase.send_replace(Phase::Over);
        for thread in joint.threads {
            // The panic of that thread has already been printed; the shutdown continues.
            let _ = thread.join();
        }
        joint.writing.end();
        spinners.push(joint.spinner);
    }
    tracing::info!("shut down after {:.2} s", begin.elapsed().as_secs_f64());
    tokio::time::sleep(LAST_WORDS).await;
    drop(spinners);
    match lost {
        Some(joint) => Err(NodeError::LoopEnded(joint)),
        None => Ok(()),
    }
}

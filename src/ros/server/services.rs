//! The services of one joint: the six parameter services, `~/save_gains` and
//! `~/capture_base_orientation`; and `~/hold`, `~/clear_faults` and `~/release_tension`, which the
//! loop answers itself.
//!
//! One task answers the former, one at a time, so that a read returns the value that was set. The
//! reply to a change of the law is sent once the loop has taken the law. The latter wait neither
//! for that nor for each other.

use std::sync::Arc;
use std::time::Duration;

use futures::stream::{BoxStream, StreamExt, select_all};
use r2r::rcl_interfaces::msg as rcl;
use r2r::rcl_interfaces::srv::{
    DescribeParameters, GetParameterTypes, GetParameters, ListParameters, SetParameters,
    SetParametersAtomically,
};
use r2r::std_srvs::srv::Trigger;
use r2r::{Node, Publisher, QosProfile, ServiceRequest};
use tokio::sync::mpsc::UnboundedReceiver;
use tokio::sync::watch;
use tokio::task::{JoinError, spawn_blocking};

use super::capture::{self, NotMeasured};
use super::lifecycle::ParameterLock;
use super::parameters::{Candidate, Entry, Parameters, Refusal, Value};
use super::refused::Refused;
use super::requester::{Requester, check_reply, response};
use super::snapshot::{self, Snapshot};
use super::sources::SharedSources;
use crate::control::self_support::SelfSupport;
use crate::control::tick::Supervision;
use crate::files::{ConfigError, save_gain_set};
use crate::ros::messages::time;
use crate::runtime::link::{Handle, LawSender, LoopRequest};
use crate::runtime::recorder::IncidentRecorder;
use crate::runtime::rt::Clock;

/// Time limit for the loop to take a law: a law waits for the motion in progress,
/// [`crate::control::tick::LONGEST_WAIT`] at most.
const PATIENCE: Duration = Duration::from_secs(3);

/// The parameters in force as other threads see them.
#[derive(Clone, Debug, Default)]
pub struct Settings {
    /// Name of the gain set.
    pub gain_set: String,
    /// True if gains were changed since it was chosen.
    pub gains_changed: bool,
    /// Max. dead time that the gain set allows, s.
    pub delay_allowed: f64,
    /// Problem of the gain set on the joint's models; empty if none.
    pub warning: String,
    /// The guards, each with its effective limit.
    pub supervision: Supervision,
    /// Self-support of the beam.
    pub self_support: SelfSupport,
    /// Number of parameter changes refused so far.
    pub refused: u64,
    /// Reason of the last refusal.
    pub last_refusal: String,
}

/// Reason why the parameters were not changed.
#[derive(Debug, thiserror::Error)]
pub enum NotSet {
    #[error(transparent)]
    NotAccepted(#[from] Refusal),
    #[error(
        "the control loop did not take the change within {} s, and nothing was changed; is the \
         machine overloaded?",
        PATIENCE.as_secs_f64()
    )]
    NotTaken,
}

/// Reason why the base's orientation was not captured.
#[derive(Debug, thiserror::Error)]
enum NotCaptured {
    #[error(
        "the base's own IMU measures its orientation (base_imu in the joint file); accepted: a \
         joint without one"
    )]
    BaseImu,
    /// The mass of the payload as set, kg.
    #[error(
        "payload.mass is {}; accepted: 0: take the payload off, set payload.mass to 0.0, and try \
         again",
        .0.map_or("not set".into(), |mass| format!("{mass} kg"))
    )]
    Payload(Option<f64>),
    #[error(transparent)]
    NotMeasured(#[from] NotMeasured),
    #[error(transparent)]
    NotSet(#[from] NotSet),
}

/// Reason why the live gains were not saved.
#[derive(Debug, thiserror::Error)]
enum NotSaved {
    #[error(transparent)]
    NotNew(#[from] Refusal),
    #[error(transparent)]
    NotWritten(#[from] ConfigError),
    #[error(transparent)]
    Panicked(#[from] JoinError),
}

enum Request {
    Get(ServiceRequest<GetParameters::Service>),
    Types(ServiceRequest<GetParameterTypes::Service>),
    Describe(ServiceRequest<DescribeParameters::Service>),
    List(ServiceRequest<ListParameters::Service>),
    Set(ServiceRequest<SetParameters::Service>),
    SetAtomically(ServiceRequest<SetParametersAtomically::Service>),
    SaveGains(ServiceRequest<Trigger::Service>),
    CaptureBase(ServiceRequest<Trigger::Service>),
    ParameterLock(ParameterLock),
}

/// The requests to one joint's services.
pub struct Requests {
    in_turn: BoxStream<'static, Request>,
    holds: Triggers,
    clears: Triggers,
    releases: Triggers,
}

/// Requests that the loop answers itself.
type Triggers = BoxStream<'static, ServiceRequest<Trigger::Service>>;

impl Requests {
    /// Creates the services on `node`. Requests for the parameter lock (`locks`) are queued with
    /// theirs.
    pub fn new(node: &mut Node, mut locks: UnboundedReceiver<ParameterLock>) -> r2r::Result<Self> {
        let qos = QosProfile::services_default;
        let locks = futures::stream::poll_fn(move |context| locks.poll_recv(context));
        let mut all: Vec<BoxStream<'static, Request>> =
            vec![locks.map(Request::ParameterLock).boxed()];
        macro_rules! serve {
            ($name:literal, $service:ident, $request:ident) => {
                let stream = node.create_service::<$service::Service>($name, qos())?;
                all.push(stream.map(Request::$request).boxed());
            };
        }
        serve!("~/get_parameters", GetParameters, Get);
        serve!("~/get_parameter_types", GetParameterTypes, Types);
        serve!("~/describe_parameters", DescribeParameters, Describe);
        serve!("~/list_parameters", ListParameters, List);
        serve!("~/set_parameters", SetParameters, Set);
        serve!(
            "~/set_parameters_atomically",
            SetParametersAtomically,
            SetAtomically
        );
        serve!("~/save_gains", Trigger, SaveGains);
        serve!("~/capture_base_orientation", Trigger, CaptureBase);
        let mut triggers = |name| -> r2r::Result<Triggers> {
            Ok(node
                .create_service::<Trigger::Service>(name, qos())?
                .boxed())
        };
        Ok(Self {
            in_turn: select_all(all).boxed(),
            holds: triggers("~/hold")?,
            clears: triggers("~/clear_faults")?,
            releases: triggers("~/release_tension")?,
        })
    }
}

pub struct Server {
    pub joint: String,
    /// Names of the motors, the pan's last.
    pub motor_names: Vec<String>,
    pub parameters: Parameters,
    pub laws: LawSender,
    pub handle: Handle,
    pub snapshots: watch::Receiver<Snapshot>,
    pub settings: watch::Sender<Settings>,
    pub sources: Arc<SharedSources>,
    pub refused: Arc<Refused>,
    pub clock: Clock,
    pub incident: IncidentRecorder,
    pub events: Publisher<rcl::ParameterEvent>,
}

impl Server {
    /// Answers until the streams end, one request at a time. Requests that the loop answers run
    /// beside them: they wait neither for a pending law nor for the disk.
    pub async fn run(mut self, requests: Requests) {
        self.publish(self.parameters.all().collect(), Vec::new());
        let Requests {
            mut in_turn,
            holds,
            clears,
            releases,
        } = requests;
        let requester = Requester {
            joint: self.joint.clone(),
            motor_names: self.motor_names.clone(),
            handle: self.handle.clone(),
            refused: self.refused.clone(),
            clock: self.clock.clone(),
            snapshots: self.snapshots.clone(),
            settings: self.settings.subscribe(),
        };
        let answer_others = async {
            while let Some(request) = in_turn.next().await {
                let sent = self.answer(request).await;
                check_reply(&requester.joint, sent);
            }
        };
        tokio::join!(
            requester.answer(LoopRequest::Hold, holds),
            requester.answer(LoopRequest::Clear, clears),
            requester.answer(LoopRequest::ReleaseTension, releases),
            answer_others
        );
    }

    async fn answer(&mut self, request: Request) -> r2r::Result<()> {
        match request {
            Request::Get(r) => {
                let values = r.message.names.iter().map(|n| self.get(n)).collect();
                r.respond(GetParameters::Response { values })
            }
            Request::Types(r) => {
                let kind = |n: &String| self.parameters.get(n).map_or(0, |v| v.kind());
                let types = r.message.names.iter().map(kind).collect();
                r.respond(GetParameterTypes::Response { types })
            }
            Request::Describe(r) => {
                let names = r.message.names.iter();
                let descriptors = names.map(|n| self.describe(n)).collect();
                r.respond(DescribeParameters::Response { descriptors })
            }
            Request::List(r) => {
                let (names, prefixes) = self.parameters.list(&r.message.prefixes, r.message.depth);
                let result = rcl::ListParametersResult { names, prefixes };
                r.respond(ListParameters::Response { result })
            }
            Request::Set(r) => {
                let mut results = Vec::new();
                for parameter in &r.message.parameters {
                    let change = (parameter.name.clone(), value_from(&parameter.value));
                    results.push(result(self.set(&[change]).await));
                }
                r.respond(SetParameters::Response { results })
            }
            Request::SetAtomically(r) => {
                let changes = r.message.parameters.iter();
                let changes: Vec<_> = changes
                    .map(|p| (p.name.clone(), value_from(&p.value)))
                    .collect();
                let result = result(self.set(&changes).await);
                r.respond(SetParametersAtomically::Response { result })
            }
            Request::SaveGains(r) => {
                let outcome = self.save_gains().await;
                r.respond(response(
                    &self.joint,
                    &self.refused,
                    "gains not saved: ",
                    outcome,
                ))
            }
            Request::CaptureBase(r) => {
                let outcome = self.capture_base().await;
                let failure = "base orientation not captured: ";
                r.respond(response(&self.joint, &self.refused, failure, outcome))
            }
            Request::ParameterLock(lock) => {
                let program = self.check(&[]).map(|c| c.program);
                // A client that stopped waiting does not get the lock.
                if lock.granted.send(program).is_ok() {
                    let _ = lock.done.await;
                }
                Ok(())
            }
        }
    }

    fn get(&self, name: &str) -> rcl::ParameterValue {
        message_of(self.parameters.get(name).unwrap_or(Value::NotSet))
    }

    fn describe(&self, name: &str) -> rcl::ParameterDescriptor {
        match self.parameters.entries().get(name) {
            Some(entry) => {
                let kind = self.parameters.get(name).map_or(0, |v| v.kind());
                descriptor(name, kind, entry)
            }
            // An unknown parameter gets its name and no type.
            None => rcl::ParameterDescriptor {
                name: name.into(),
                ..Default::default()
            },
        }
    }

    /// Applies all of `changes` or none.
    async fn set(&mut self, changes: &[(String, Value)]) -> Result<(), NotSet> {
        let outcome = self.try_set(changes).await;
        let joint = &self.joint;
        match &outcome {
            Ok(()) => {
                let names: Vec<_> = changes.iter().map(|(n, v)| format!("{n} = {v}")).collect();
                tracing::info!(joint, "parameters set: {}", names.join(", "));
            }
            Err(reason) => {
                self.refused
                    .log(joint, "parameters not set: ", &reason.to_string());
                self.settings.send_modify(|s| {
                    s.refused += 1;
                    s.last_refusal = reason.to_string();
                });
            }
        }
        outcome
    }

    async fn try_set(&mut self, changes: &[(String, Value)]) -> Result<(), NotSet> {
        let candidate = self.check(changes)?;
        if changes.is_empty() {
            return Ok(());
        }
        // A joint that is not driven may be anywhere; its activation checks where it is.
        let place = {
            let newest = self.snapshots.borrow();
            newest.mode.sends().then(|| newest.place())
        };
        if let Some(place) = place {
            self.parameters.holds(&candidate, &place)?;
        }
        self.install(candidate).await
    }

    fn check(&self, changes: &[(String, Value)]) -> Result<Candidate, NotSet> {
        let delay = self.snapshots.borrow().delay;
        Ok(self.parameters.check(changes, delay, false)?)
    }

    /// Passes a candidate to the loop, then applies it to the parameters.
    async fn install(&mut self, candidate: Candidate) -> Result<(), NotSet> {
        // If no loop runs, the next one starts with the parameters then in force.
        if !self.handle.ended() {
            self.hand_over(&candidate).await?;
        }
        let changed = self.parameters.commit(candidate);
        self.publish(Vec::new(), changed);
        Ok(())
    }

    async fn hand_over(&mut self, candidate: &Candidate) -> Result<(), NotSet> {
        let pending = self.laws.offer(candidate.program.clone());
        let pending = pending.ok_or(NotSet::NotTaken)?;
        // The loop wakes the publisher when it has taken the law.
        let taken = |_: &Snapshot| pending.taken();
        let taken = snapshot::wait_for(&self.snapshots, PATIENCE, taken).await;
        if taken.is_none() && pending.withdraw() {
            return Err(NotSet::NotTaken);
        }
        self.laws.collect();
        Ok(())
    }

    async fn capture_base(&mut self) -> Result<String, NotCaptured> {
        if self.parameters.base_is_measured() {
            return Err(NotCaptured::BaseImu);
        }
        match self.parameters.payload_mass() {
            Some(0.0) => {}
            set => return Err(NotCaptured::Payload(set)),
        }
        let gravity = capture::gravity(self.snapshots.clone()).await?;
        let candidate = self.parameters.on_base(gravity).map_err(NotSet::from)?;
        self.install(candidate).await?;
        let (roll, pitch) = capture::roll_and_pitch(gravity);
        Ok(format!(
            "the base is tilted by roll {roll:.2} deg, pitch {pitch:.2} deg until the node ends; \
             to keep it, write base_orientation_deg: {{roll: {roll:.2}, pitch: {pitch:.2}, yaw: \
             0}} into the joint file"
        ))
    }

    async fn save_gains(&mut self) -> Result<String, NotSaved> {
        let set = self.parameters.live_gain_set()?;
        // The disk may be slow; the executor's threads do not wait for it.
        let saved = spawn_blocking(move || save_gain_set(&set.file, &set).map(|_| set));
        let set = saved.await??;
        let (name, file) = (set.name.clone(), set.file.display().to_string());
        let changed = self.parameters.saved(set);
        self.publish(Vec::new(), changed);
        let joint_file = self.parameters.joint_file().display();
        Ok(format!(
            "the live gains are gain set '{name}' now, saved in {file}; list it under gain_sets in \
             {joint_file} to have it at the next start"
        ))
    }

    /// Passes the parameters in force on to other threads, and publishes new and changed ones. A
    /// new problem of the gains is logged once.
    fn publish(&self, new: Vec<(String, Value)>, changed: Vec<(String, Value)>) {
        let parameters = &self.parameters;
        let all = parameters.all().map(|(n, v)| (n, v.to_string()));
        self.incident.set_parameters(all.collect());
        self.sources.set_rules(parameters.commands());
        let warning = parameters.warning().unwrap_or_default();
        if !warning.is_empty() && warning != self.settings.borrow().warning {
            tracing::warn!(joint = self.joint, "{warning}");
        }
        let (gain_set, gains_changed) = parameters.gain_set();
        self.settings.send_modify(|s| {
            *s = Settings {
                gain_set: gain_set.into(),
                gains_changed,
                delay_allowed: parameters.delay_allowed(),
                warning: warning.into(),
                supervision: parameters.supervision(),
                self_support: parameters.self_support(),
                ..std::mem::take(s)
            };
        });
        if new.is_empty() && changed.is_empty() {
            return;
        }
        let list = |values: Vec<(String, Value)>| {
            let values = values.into_iter().map(|(name, value)| rcl::Parameter {
                name,
                value: message_of(value),
            });
            values.collect()
        };
        let event = rcl::ParameterEvent {
            stamp: time(self.clock.stamp_of(self.clock.now())),
            node: self.joint.clone(),
            new_parameters: list(new),
            changed_parameters: list(changed),
            deleted_parameters: Vec::new(),
        };
        if let Err(error) = self.events.publish(&event) {
            let joint = &self.joint;
            tracing::warn!(joint, "/parameter_events could not be sent: {error}");
        }
    }
}

fn result(outcome: Result<(), NotSet>) -> rcl::SetParametersResult {
    rcl::SetParametersResult {
        successful: outcome.is_ok(),
        reason: outcome.map_or_else(|reason| reason.to_string(), |()| String::new()),
    }
}

fn value_from(message: &rcl::ParameterValue) -> Value {
    match message.type_ {
        0 => Value::NotSet,
        1 => Value::Bool(message.bool_value),
        2 => Value::Integer(message.integer_value),
        3 => Value::Double(message.double_value),
        4 => Value::Text(message.string_value.clone()),
        5 => Value::Other(5, "an array of bytes"),
        6 => Value::Other(6, "an array of bools"),
        7 => Value::Other(7, "an array of integers"),
        8 => Value::Other(8, "an array of doubles"),
        9 => Value::Texts(message.string_array_value.clone()),
        other => Value::Other(other, "of an unknown type"),
    }
}

/// Returns the value that a file or an argument gave at start.
pub fn value_at_start(value: &r2r::ParameterValue) -> Value {
    use r2r::ParameterValue as P;
    match value {
        P::NotSet => Value::NotSet,
        P::Bool(v) => Value::Bool(*v),
        P::Integer(v) => Value::Integer(*v),
        P::Double(v) => Value::Double(*v),
        P::String(v) => Value::Text(v.clone()),
        P::ByteArray(_) => Value::Other(5, "an array of bytes"),
        P::BoolArray(_) => Value::Other(6, "an array of bools"),
        P::IntegerArray(_) => Value::Other(7, "an array of integers"),
        P::DoubleArray(_) => Value::Other(8, "an array of doubles"),
        P::StringArray(v) => Value::Texts(v.clone()),
    }
}

fn message_of(value: Value) -> rcl::ParameterValue {
    let mut message = rcl::ParameterValue {
        type_: value.kind(),
        ..Default::default()
    };
    match value {
        Value::Bool(v) => message.bool_value = v,
        Value::Integer(v) => message.integer_value = v,
        Value::Double(v) => message.double_value = v,
        Value::Text(v) => message.string_value = v,
        Value::Texts(v) => message.string_array_value = v,
        Value::NotSet | Value::Other(..) => {}
    }
    message
}

fn descriptor(name: &str, kind: u8, entry: &Entry) -> rcl::ParameterDescriptor {
    let range = entry.range.map(|range| rcl::FloatingPointRange {
        from_value: range.low,
        to_value: range.high,
        // 0: any value in the range.
        step: 0.0,
    });
    rcl::ParameterDescriptor {
        name: name.into(),
        type_: kind,
        description: entry.description.clone(),
        additional_constraints: entry.constraints.clone(),
        read_only: entry.read_only(),
        dynamic_typing: false,
        floating_point_range: range.into_iter().collect(),
        integer_range: Vec::new(),
    }
}

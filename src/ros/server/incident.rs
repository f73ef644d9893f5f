//! The incident recording of a node: its log entries, its folder, `~/save_incident`, and its
//! diagnostics.

use std::path::PathBuf;
use std::sync::mpsc::RecvTimeoutError;
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use futures::stream::{BoxStream, StreamExt};
use r2r::diagnostic_msgs::msg::DiagnosticStatus;
use r2r::std_srvs::srv::Trigger;
use r2r::{Node, QosProfile, ServiceRequest};
use tracing::{Event, Subscriber};
use tracing_subscriber::Layer;
use tracing_subscriber::layer::Context;

use super::refused::Refused;
use super::report::{Level, Values, report};
use super::requester::check_reply;
use super::rosout::Fields;
use super::{JointContext, parameters};
use crate::files::JointFile;
use crate::runtime::locked;
use crate::runtime::recorder::{
    self, About, Facts, IncidentRecorder, KeepError, Layout, Pace, Recorder, RecordingStore, Writer,
};
use crate::runtime::rt::Clock;

/// Time limit for writing a requested file.
const PATIENCE: Duration = Duration::from_secs(30);

/// Max. number of requests that share a pending answer.
const MOST_WAITING: usize = 64;

const NS: i64 = 1_000_000_000;

/// The incident recorders of this process with the names of their nodes.
#[derive(Clone, Default)]
pub struct LogCapture(Arc<Mutex<Vec<(String, IncidentRecorder)>>>);

impl LogCapture {
    fn add(&self, node: &str, incident: &IncidentRecorder) {
        locked(&self.0).push((node.into(), incident.clone()));
    }
}

/// Log layer that adds entries about a joint, or about none, to the incident recordings.
pub struct LogCaptureLayer {
    log_capture: LogCapture,
    clock: Clock,
}

/// Returns an empty log capture, and the log layer that feeds it.
pub fn log_capture(clock: Clock) -> (LogCaptureLayer, LogCapture) {
    let log_capture = LogCapture::default();
    let layer = LogCaptureLayer {
        log_capture: log_capture.clone(),
        clock,
    };
    (layer, log_capture)
}

impl<S: Subscriber> Layer<S> for LogCaptureLayer {
    fn on_event(&self, event: &Event<'_>, _: Context<'_, S>) {
        let level = match *event.metadata().level() {
            tracing::Level::ERROR => recorder::Level::Error,
            tracing::Level::WARN => recorder::Level::Warn,
            tracing::Level::INFO => recorder::Level::Info,
            _ => return,
        };
        let mut fields = Fields::default();
        event.record(&mut fields);
        let at = ns(self.clock.stamp_of(self.clock.now()));
        for (node, incident) in locked(&self.log_capture.0).iter() {
            if fields.joint.as_ref().is_none_or(|joint| joint == node) {
                incident.note(at, level, &fields.message);
            }
        }
    }
}

fn ns((seconds, nanoseconds): (i32, u32)) -> i64 {
    i64::from(seconds) * NS + i64::from(nanoseconds)
}

/// The publisher's part of one joint's incident recording.
pub struct Kept {
    /// Recorder that takes the telemetry.
    pub recorder: Recorder,
    incident: IncidentRecorder,
    folder: String,
    file: String,
    /// Nothing is written.
    off: bool,
}

impl Kept {
    /// Returns the diagnostics of the recording.
    pub fn report(&self, joint: &str) -> DiagnosticStatus {
        let written = self.incident.report();
        let last = written.last.map(|path| path.display().to_string());
        let verdict = match written.failure.as_str() {
            _ if self.off => (Level::Ok, "off: incidents.disk_limit is 0".into()),
            "" => (Level::Ok, "recording".into()),
            why => (
                Level::Warn,
                format!("the last file could not be written: {why}"),
            ),
        };
        let mut values = Values::default();
        values.add("files_written", written.written);
        values.add("files_failed", written.failed);
        values.add("last_file", last.unwrap_or_default());
        values.add("last_failure", &written.failure);
        values.add("folder", &self.folder);
        report(joint, "incidents", verdict, &self.file, values)
    }
}

/// The writer of one joint's incident recording, for the lifetime of the joint.
pub struct Writing {
    incident: IncidentRecorder,
    thread: Option<JoinHandle<()>>,
}

impl Writing {
    /// Returns the recorder, for triggers and notes.
    pub fn incident(&self) -> &IncidentRecorder {
        &self.incident
    }

    /// Writes pending files, and ends.
    pub fn end(self) {
        self.incident.end();
        if let Some(thread) = self.thread {
            // The panic of that thread has already been printed.
            let _ = thread.join();
        }
    }
}

/// Returns the default folder (XDG Base Directory Specification 0.8: state data).
fn usual_folder(flat: &str) -> PathBuf {
    let absolute = |name: &str| {
        let path = std::env::var_os(name).map(PathBuf::from);
        path.filter(|path| path.is_absolute())
    };
    let state = absolute("XDG_STATE_HOME")
        .or_else(|| absolute("HOME").map(|home| home.join(".local/state")))
        .unwrap_or_else(std::env::temp_dir);
    state.join("withy").join(flat)
}

/// Returns what a recording says about its joint.
fn about(name: &str, file: &JointFile) -> About {
    let mut lines = vec![("joint_file".to_string(), file.file.display().to_string())];
    if let Ok(text) = std::fs::read_to_string(&file.file) {
        lines.push(("joint_file_text".into(), text));
    }
    let sets = file.gain_sets.iter();
    lines.extend(sets.map(|set| ("gain_set_text".into(), set.to_yaml())));
    About {
        node: name.into(),
        version: env!("CARGO_PKG_VERSION").into(),
        period: file.joint.period,
        layout: Layout {
            motors: file.motor_names.clone(),
            pan: file.pan_name.clone(),
            base_imu: file.joint.base_from_imu.is_some(),
            kind: file.kind,
        },
        lines,
    }
}

/// Starts the incident recording of a joint, with its service.
pub fn start(
    node: &mut Node,
    context: &JointContext,
    settings: &parameters::Kept,
    log_capture: &LogCapture,
) -> r2r::Result<(Kept, Writing)> {
    let (name, file) = (&context.name, &context.file);
    let (incident, recorder) = IncidentRecorder::new(about(name, file));
    log_capture.add(name, &incident);
    let folder = match settings.folder.as_str() {
        "" => usual_folder(&name.trim_start_matches('/').replace('/', ".")),
        folder => PathBuf::from(folder),
    };
    let kept = Kept {
        recorder,
        incident: incident.clone(),
        folder: folder.display().to_string(),
        file: file.file.display().to_string(),
        off: settings.disk_limit == 0.0,
    };
    let service =
        node.create_service::<Trigger::Service>("~/save_incident", QosProfile::services_default())?;
    let requests = SaveRequests {
        joint: name.clone(),
        incident: incident.clone(),
        off: kept.off,
    };
    context.spawn("~/save_incident", requests.answer(service.boxed()));
    let thread = if kept.off {
        None
    } else {
        let store = RecordingStore::new(folder, name, (settings.disk_limit * 1e6) as u64);
        let (clock, refused) = (context.clock.clone(), context.refused.clone());
        let facts = move || facts(&clock, &refused);
        let writer = Writer::new(incident.clone(), store, Pace::default(), facts);
        // The joint continues without recordings.
        let failed = |why: &std::io::Error| {
            tracing::error!(joint = name, "no incident recording is written: {why}");
            incident.end();
        };
        writer.start().inspect_err(failed).ok()
    };
    Ok((kept, Writing { incident, thread }))
}

/// Returns what a file says beside its records.
fn facts(clock: &Clock, refused: &Refused) -> Facts {
    let counts = refused.counts();
    let mut lines = vec![("refused_messages".to_string(), counts.total.to_string())];
    let named = counts.named();
    lines.extend(named.map(|(what, n)| ("refused".into(), format!("{what} = {n}"))));
    if counts.total > 0 {
        lines.push(("last_refused".into(), counts.last));
    }
    Facts {
        zero_ns: ns(clock.stamp_of(0.0)),
        lines,
    }
}

/// Reason why a requested file was not written.
#[derive(Debug, thiserror::Error)]
enum NotWritten {
    #[error("nothing is written: incidents.disk_limit is 0")]
    Off,
    #[error(
        "{MOST_WAITING} requests wait for a file already; accepted: one more when it is written"
    )]
    TooMany,
    #[error("not written within {} s; is the disk slow?", PATIENCE.as_secs())]
    TooSlow,
    #[error("nothing is written any more: the node is shutting down")]
    Ended,
    #[error(transparent)]
    Failed(#[from] KeepError),
}

/// Answers `~/save_incident`. Clients that ask while a file is being made share the answer, so that
/// requests cost one file and one waiting thread at a time, however many there are.
struct SaveRequests {
    joint: String,
    incident: IncidentRecorder,
    off: bool,
}

type SaveRequest = ServiceRequest<Trigger::Service>;
type Written = tokio::task::JoinHandle<Result<PathBuf, NotWritten>>;

impl SaveRequests {
    async fn answer(self, mut requests: BoxStream<'static, SaveRequest>) {
        let mut waiting: Vec<SaveRequest> = Vec::new();
        let mut written: Option<Written> = None;
        loop {
            let outcome = async {
                match &mut written {
                    Some(written) => written.await.unwrap_or(Err(NotWritten::Ended)),
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                request = requests.next() => match request {
                    Some(request) if self.off => self.respond([request], Err(NotWritten::Off)),
                    Some(request) if waiting.len() == MOST_WAITING => {
                        self.respond([request], Err(NotWritten::TooMany));
                    }
                    Some(request) => {
                        waiting.push(request);
                        written.get_or_insert_with(|| self.file());
                    }
                    None => return,
                },
                outcome = outcome => {
                    written = None;
                    self.respond(waiting.drain(..), outcome);
                }
            }
        }
    }

    /// Requests a file; a slow disk delays neither the joint's other services nor the executor.
    fn file(&self) -> Written {
        let written = self.incident.request();
        tokio::task::spawn_blocking(move || match written.recv_timeout(PATIENCE) {
            Ok(written) => written.map_err(NotWritten::from),
            Err(RecvTimeoutError::Timeout) => Err(NotWritten::TooSlow),
            Err(RecvTimeoutError::Disconnected) => Err(NotWritten::Ended),
        })
    }

    fn respond(
        &self,
        requests: impl IntoIterator<Item = SaveRequest>,
        outcome: Result<PathBuf, NotWritten>,
    ) {
        let success = outcome.is_ok();
        let message = outcome.map_or_else(|why| why.to_string(), |path| path.display().to_string());
        for request in requests {
            let message = message.clone();
            check_reply(
                &self.joint,
                request.respond(Trigger::Response { success, message }),
            );
        }
    }
}

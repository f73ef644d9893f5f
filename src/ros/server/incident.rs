//! The incident recording of a node: its log entries, its folder, `~/save_incident`, and its
//! diagnostics.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use futures::stream::{BoxStream, StreamExt};
use r2r::diagnostic_msgs::msg::{DiagnosticStatus, KeyValue};
use r2r::std_srvs::srv::Trigger;
use r2r::{Node, QosProfile, ServiceRequest};
use tracing::{Event, Subscriber};
use tracing_subscriber::Layer;
use tracing_subscriber::layer::Context;

use super::parameters;
use super::rosout::Fields;
use super::status::Status;
use super::target::{OK, WARN};
use crate::files::JointFile;
use crate::runtime::recorder::{
    self, About, Facts, IncidentRecorder, Layout, Pace, Recorder, RecordingStore, Writer,
};
use crate::runtime::rt::Clock;

/// Time limit for writing a requested file.
const PATIENCE: Duration = Duration::from_secs(30);

const NS: i64 = 1_000_000_000;

/// The incident recorders of this process with the names of their nodes.
#[derive(Clone, Default)]
pub struct LogCapture(Arc<Mutex<Vec<(String, IncidentRecorder)>>>);

impl LogCapture {
    fn add(&self, node: &str, incident: &IncidentRecorder) {
        let mut boxes = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        boxes.push((node.into(), incident.clone()));
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
        let boxes = self.log_capture.0.lock();
        for (node, incident) in boxes.unwrap_or_else(PoisonError::into_inner).iter() {
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
    /// Path of the joint file.
    file: String,
    /// True if nothing is written.
    off: bool,
}

impl Kept {
    /// Returns the diagnostics of the recording.
    pub fn report(&self, joint: &str) -> DiagnosticStatus {
        let report = self.incident.report();
        let last = report.last.map(|path| path.display().to_string());
        let (level, message) = match report.failure.as_str() {
            _ if self.off => (OK, "off: incidents.disk_limit is 0".into()),
            "" => (OK, "recording".into()),
            why => (WARN, format!("the last file could not be written: {why}")),
        };
        let value = |key: &str, value: String| KeyValue {
            key: key.into(),
            value,
        };
        DiagnosticStatus {
            level,
            name: format!("{}: incidents", joint.trim_start_matches('/')),
            message,
            hardware_id: self.file.clone(),
            values: vec![
                value("files_written", report.written.to_string()),
                value("files_failed", report.failed.to_string()),
                value("last_file", last.unwrap_or_default()),
                value("last_failure", report.failure),
                value("folder", self.folder.clone()),
            ],
        }
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

/// Starts the incident recording of a joint, with its service.
///
/// # Errors
/// The middleware rejects the service.
pub fn start(
    node: &mut Node,
    name: &str,
    file: &JointFile,
    settings: &parameters::Kept,
    clock: &Clock,
    status: &Arc<Status>,
    log_capture: &LogCapture,
) -> r2r::Result<(Kept, Writing)> {
    let mut lines = vec![("joint_file".to_string(), file.file.display().to_string())];
    if let Ok(text) = std::fs::read_to_string(&file.file) {
        lines.push(("joint_file_text".into(), text));
    }
    let sets = file.gain_sets.iter();
    lines.extend(sets.map(|set| ("gain_set_text".into(), set.to_yaml())));
    let about = About {
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
    };
    let (incident, recorder) = IncidentRecorder::new(about);
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
    tokio::spawn(answer(
        service.boxed(),
        name.into(),
        incident.clone(),
        kept.off,
    ));
    let thread = if kept.off {
        None
    } else {
        let store = RecordingStore::new(folder, name, (settings.disk_limit * 1e6) as u64);
        let (clock, status) = (clock.clone(), status.clone());
        let facts = move || {
            let (refused, total, last) = status.refused.list();
            let mut lines = vec![("refused_messages".to_string(), total.to_string())];
            lines.extend(
                refused
                    .into_iter()
                    .map(|(what, n)| ("refused".into(), format!("{what} = {n}"))),
            );
            if total > 0 {
                lines.push(("last_refused".into(), last));
            }
            Facts {
                zero_ns: ns(clock.stamp_of(0.0)),
                lines,
            }
        };
        let writer = Writer::new(incident.clone(), store, Pace::default(), facts);
        match writer.start() {
            Ok(thread) => Some(thread),
            Err(why) => {
                // The joint continues without recordings.
                tracing::error!(joint = name, "no incident recording is written: {why}");
                incident.end();
                None
            }
        }
    };
    Ok((kept, Writing { incident, thread }))
}

/// Answers requests for a file.
async fn answer(
    mut requests: BoxStream<'static, ServiceRequest<Trigger::Service>>,
    joint: String,
    incident: IncidentRecorder,
    off: bool,
) {
    while let Some(request) = requests.next().await {
        let answer = incident.request();
        let joint = joint.clone();
        // A slow disk delays neither the next request nor the joint's other services.
        tokio::task::spawn_blocking(move || {
            let outcome = if off {
                Err("nothing is written: incidents.disk_limit is 0".into())
            } else {
                let kept = answer.recv_timeout(PATIENCE);
                kept.map(|kept| kept.map_err(|why| why.to_string()))
                    .unwrap_or_else(|why| {
                        Err(match why {
                            std::sync::mpsc::RecvTimeoutError::Timeout => {
                                format!(
                                    "not written within {} s; is the disk slow?",
                                    PATIENCE.as_secs()
                                )
                            }
                            std::sync::mpsc::RecvTimeoutError::Disconnected => {
                                "nothing is written any more: the node is shutting down".into()
                            }
                        })
                    })
            };
            let success = outcome.is_ok();
            let message = outcome.map_or_else(|why| why, |path| path.display().to_string());
            if let Err(error) = request.respond(Trigger::Response { success, message }) {
                tracing::warn!(joint, "a service's reply could not be sent: {error}");
            }
        });
    }
}

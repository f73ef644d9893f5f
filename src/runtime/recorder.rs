//! The incident recording of a joint: inputs, setpoints and state of the last minute, tick by tick,
//! with parameters and events. It is kept in memory and written to disk after a fault and on
//! request.
//!
//! - [`Recorder`] receives telemetry outside the control loop; it does not allocate after
//!   construction.
//! - [`IncidentRecorder`] accepts events and parameters from any thread, and requests for a file.
//! - [`Writer`] writes the files on its own thread, so that a slow disk delays nothing else.
//!
//! Files are text: lines of `#`, then comma-separated columns ([`Layout`]). A file under its final
//! name is complete ([`RecordingStore`]). Successive faults share a file, see [`Pace`].

mod columns;
mod file;
mod read;
mod store;
mod watch;
mod writer;

pub use columns::Layout;
pub use file::{Event, Level};
pub use read::{Flaw, IncidentFile, Misread};
pub use store::{KeepError, PART, RecordingStore, own_name, utc_words};
pub use writer::{Pace, Writer};

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Condvar, Mutex};
use std::time::Instant;

use crate::runtime::link::Record;
use crate::runtime::locked;
use columns::Column;
use watch::Watch;

/// Length of the recording, s.
pub const SPAN: f64 = 60.0;
/// Maximum number of events; the oldest are dropped first.
const EVENTS: usize = 1000;
/// Maximum length of an event's text, bytes.
const LONGEST: usize = 500;
/// Maximum number of causes listed in one file; further ones are counted.
const CAUSES: usize = 32;

/// Static description of an incident recording.
#[derive(Clone, Debug)]
pub struct About {
    /// Fully qualified name of the joint's node.
    pub node: String,
    /// Version of the program.
    pub version: String,
    /// Tick period, s.
    pub period: f64,
    /// Columns of the rows.
    pub layout: Layout,
    /// Further constant lines of the file's head: key and value.
    pub lines: Vec<(String, String)>,
}

/// Facts that are collected when a file is written.
#[derive(Clone, Debug, Default)]
pub struct Facts {
    /// ROS time of loop time 0, ns.
    pub zero_ns: i64,
    /// Further lines of the file's head: key and value.
    pub lines: Vec<(String, String)>,
}

/// State of the writing so far.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Report {
    /// Number of files written.
    pub written: u64,
    /// Number of files that could not be written.
    pub failed: u64,
    /// The last file written.
    pub last: Option<PathBuf>,
    /// Reason why the last file could not be written; empty if it was written.
    pub failure: String,
}

/// Ring buffer with the rows of the last minute.
#[derive(Debug)]
struct Ring {
    width: usize,
    capacity: usize,
    values: Vec<f64>,
    /// Total number of rows pushed.
    count: u64,
}

impl Ring {
    fn new(width: usize, capacity: usize) -> Self {
        Self {
            width,
            capacity,
            // Not zero, so that the memory pages are mapped from the start.
            values: vec![f64::NAN; width * capacity],
            count: 0,
        }
    }

    fn place(&self, index: u64) -> std::ops::Range<usize> {
        let at = (index % self.capacity as u64) as usize * self.width;
        at..at + self.width
    }

    fn push(&mut self, fill: impl FnOnce(&mut [f64])) {
        let place = self.place(self.count);
        fill(&mut self.values[place]);
        self.count += 1;
    }
}

/// Recorded events and the current parameters.
#[derive(Debug, Default)]
struct Notes {
    events: VecDeque<Event>,
    /// Number of events dropped.
    gone: u64,
    parameters: Vec<(String, String)>,
}

/// Cause of a file.
#[derive(Clone, Debug)]
struct Cause {
    name: String,
    /// Loop time, s, if a tick shows the cause.
    at: Option<f64>,
}

/// The first pending fault.
#[derive(Clone, Copy, Debug)]
struct Since {
    at: Instant,
    /// Number of rows at that moment, if a tick shows the fault and others will follow.
    rows: Option<u64>,
}

type Reply = Sender<Result<PathBuf, KeepError>>;

/// Pending work of the writer.
#[derive(Debug, Default)]
struct Orders {
    causes: Vec<Cause>,
    /// Number of causes beyond those listed.
    more: u64,
    since: Option<Since>,
    requests: Vec<Reply>,
    ending: bool,
}

struct Inner {
    about: About,
    columns: Vec<Column>,
    ring: Mutex<Ring>,
    notes: Mutex<Notes>,
    orders: Mutex<Orders>,
    wake: Condvar,
    report: Mutex<Report>,
}

/// Handle to the incident recording of one joint; it can be cloned.
#[derive(Clone)]
pub struct IncidentRecorder(Arc<Inner>);

/// The end that receives telemetry.
pub struct Recorder {
    inner: IncidentRecorder,
    watch: Watch,
}

impl IncidentRecorder {
    /// Returns an empty incident recording. All memory for its rows is allocated here.
    pub fn new(about: About) -> (Self, Recorder) {
        let columns = about.layout.columns();
        // A minimum number of rows for any period.
        let rows = (SPAN / about.period).ceil().clamp(16.0, 1e6) as usize;
        let inner = Inner {
            ring: Mutex::new(Ring::new(columns.len(), rows)),
            notes: Mutex::new(Notes {
                events: VecDeque::with_capacity(EVENTS),
                ..Notes::default()
            }),
            orders: Mutex::default(),
            wake: Condvar::new(),
            report: Mutex::default(),
            columns,
            about,
        };
        let this = Self(Arc::new(inner));
        let recorder = Recorder {
            inner: this.clone(),
            watch: Watch::default(),
        };
        (this, recorder)
    }

    /// Returns the maximum number of ticks kept.
    pub fn capacity(&self) -> usize {
        locked(&self.0.ring).capacity
    }

    /// Records an event at `at`, ROS time, ns.
    pub fn note(&self, at: i64, level: Level, text: &str) {
        let mut end = text.len().min(LONGEST);
        while !text.is_char_boundary(end) {
            end -= 1;
        }
        let text = text[..end].to_string();
        let mut notes = locked(&self.0.notes);
        if notes.events.len() == EVENTS {
            notes.events.pop_front();
            notes.gone += 1;
        }
        notes.events.push_back(Event { at, level, text });
    }

    /// Sets all parameters.
    pub fn set_parameters(&self, parameters: Vec<(String, String)>) {
        locked(&self.0.notes).parameters = parameters;
    }

    /// Reports a fault, which causes a file to be written.
    pub fn fault(&self, name: &str) {
        self.order(name, None);
    }

    fn order(&self, name: &str, at: Option<f64>) {
        let rows = at.map(|_| locked(&self.0.ring).count);
        let mut orders = locked(&self.0.orders);
        if orders.causes.len() < CAUSES {
            let name = name.to_string();
            orders.causes.push(Cause { name, at });
        } else {
            orders.more += 1;
        }
        orders.since.get_or_insert_with(|| Since {
            at: Instant::now(),
            rows,
        });
        self.0.wake.notify_all();
    }

    /// Requests a file now. The receiver gets its path, or the reason why there is none.
    pub fn request(&self) -> Receiver<Result<PathBuf, KeepError>> {
        let (reply, answer) = channel();
        let mut orders = locked(&self.0.orders);
        // If the writer has ended, the channel closes.
        if !orders.ending {
            orders.requests.push(reply);
            self.0.wake.notify_all();
        }
        answer
    }

    /// Ends the recording: pending files are written at once, and none after them.
    pub fn end(&self) {
        locked(&self.0.orders).ending = true;
        self.0.wake.notify_all();
    }

    /// Returns the state of the writing so far.
    pub fn report(&self) -> Report {
        locked(&self.0.report).clone()
    }
}

impl Recorder {
    /// Records one tick. Requests a file if the tick shows a new fault.
    pub fn see(&mut self, record: &Record) {
        let inner = &self.inner.0;
        locked(&inner.ring).push(|row| {
            for (place, column) in row.iter_mut().zip(&inner.columns) {
                *place = column.value(record);
            }
        });
        if let Some(cause) = self.watch.look(&record.output) {
            self.inner.order(cause, Some(record.at));
        }
    }

    /// Reports that the loop ended without a request.
    pub fn lost_loop(&mut self) {
        if self.watch.lost_loop() {
            self.inner.fault("loop_ended");
        }
    }
}

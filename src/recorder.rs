//! The incident recording of a joint: the last minute of inputs, setpoints and state, tick by tick, with the parameters and what
//! was said meanwhile, kept in memory and written to disk after a fault and on request.
//!
//! - [`Recorder`] is fed with telemetry, beside the loop; it allocates nothing after construction.
//! - [`IncidentRecorder`] takes notes of events and parameters from anyone, and is asked for a file.
//! - [`Writer`] writes the files, on a thread of its own, so that a slow disk holds nobody up.
//!
//! Files are text: lines of `#`, then comma-separated columns ([`Layout`]). A file under its final name is whole
//! ([`RecordingStore`]). Faults in a row go into one file, see [`Pace`].

mod columns;
mod file;
mod read;
mod store;
mod watch;
mod writer;

pub use columns::Layout;
pub use file::{Event, Level};
pub use read::{IncidentFile, Misread};
pub use store::{PART, RecordingStore, own_name, utc_words};
pub use writer::{Pace, Writer};

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use crate::link::Record;
use columns::Column;
use watch::Watch;

/// What is kept, s.
pub const SPAN: f64 = 60.0;
/// Events kept; the oldest go first.
const EVENTS: usize = 1000;
/// Longest text of an event, bytes.
const LONGEST: usize = 500;
/// Causes told in one file; more are counted.
const CAUSES: usize = 32;

/// What an incident recording belongs to.
#[derive(Clone, Debug)]
pub struct About {
    /// Fully qualified name of the joint's node.
    pub node: String,
    /// Which version of the program runs.
    pub version: String,
    /// Tick period, s.
    pub period: f64,
    /// What the rows hold.
    pub layout: Layout,
    /// Further lines of the file's head that never change: key and value.
    pub lines: Vec<(String, String)>,
}

/// What is asked for at the time of writing.
#[derive(Clone, Debug, Default)]
pub struct Facts {
    /// ROS time of loop time 0, ns.
    pub zero_ns: i64,
    /// Further lines of the file's head: key and value.
    pub lines: Vec<(String, String)>,
}

/// How the writing went so far.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Report {
    /// Files written.
    pub written: u64,
    /// Files that could not be written.
    pub failed: u64,
    /// The last file written.
    pub last: Option<PathBuf>,
    /// Why the last one could not be written; empty where it was.
    pub failure: String,
}

/// The rows of the last minute.
#[derive(Debug)]
struct Ring {
    width: usize,
    capacity: usize,
    values: Vec<f64>,
    /// Rows ever put in.
    count: u64,
}

impl Ring {
    fn new(width: usize, capacity: usize) -> Self {
        Self {
            width,
            capacity,
            // Not zero, so that the pages are there from the start.
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

/// What was noted, and what holds.
#[derive(Debug, Default)]
struct Notes {
    events: VecDeque<Event>,
    /// Events that had to go.
    gone: u64,
    parameters: Vec<(String, String)>,
}

/// Why a file is to be written.
#[derive(Clone, Debug)]
struct Cause {
    name: String,
    /// Loop time, s, where a tick shows it.
    at: Option<f64>,
}

type Reply = Sender<Result<PathBuf, String>>;

/// What the writer has to do.
#[derive(Debug, Default)]
struct Orders {
    causes: Vec<Cause>,
    /// Causes beyond those that are told.
    more: u64,
    since: Option<Instant>,
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

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // Plain data: a panic elsewhere leaves nothing half done.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// One joint's incident recording; any number of copies.
#[derive(Clone)]
pub struct IncidentRecorder(Arc<Inner>);

/// The end that is fed with telemetry.
pub struct Recorder {
    inner: IncidentRecorder,
    watch: Watch,
}

impl IncidentRecorder {
    /// An empty incident recording. All memory for its rows is taken here.
    pub fn new(about: About) -> (Self, Recorder) {
        let columns = about.layout.columns();
        // At least some rows for any period.
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

    /// How many ticks are kept at most.
    pub fn capacity(&self) -> usize {
        locked(&self.0.ring).capacity
    }

    /// Notes what happened at `at`, ROS time, ns.
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

    /// Says what all parameters are.
    pub fn set_parameters(&self, parameters: Vec<(String, String)>) {
        locked(&self.0.notes).parameters = parameters;
    }

    /// Something went wrong that asks for a file.
    pub fn fault(&self, name: &str) {
        self.order(name, None);
    }

    fn order(&self, name: &str, at: Option<f64>) {
        let mut orders = locked(&self.0.orders);
        if orders.causes.len() < CAUSES {
            let name = name.to_string();
            orders.causes.push(Cause { name, at });
        } else {
            orders.more += 1;
        }
        orders.since.get_or_insert_with(Instant::now);
        self.0.wake.notify_all();
    }

    /// Requests for a file now. The answer says where it is, or why there is none.
    pub fn request(&self) -> Receiver<Result<PathBuf, String>> {
        let (reply, answer) = channel();
        let mut orders = locked(&self.0.orders);
        // Where the writer has ended, the channel closes.
        if !orders.ending {
            orders.requests.push(reply);
            self.0.wake.notify_all();
        }
        answer
    }

    /// The joint's end: what waits is written at once, and then nothing more.
    pub fn end(&self) {
        locked(&self.0.orders).ending = true;
        self.0.wake.notify_all();
    }

    /// How the writing went so far.
    pub fn report(&self) -> Report {
        locked(&self.0.report).clone()
    }
}

impl Recorder {
    /// Takes in one tick. Requests for a file where the tick shows a new fault.
    pub fn see(&mut self, record: &Record) {
        let layout = &self.inner.0.about.layout;
        locked(&self.inner.0.ring).push(|row| layout.encode(record, row));
        if let Some(cause) = self.watch.look(&record.output) {
            self.inner.order(cause, Some(record.at));
        }
    }

    /// The loop ended, and nobody had asked it to.
    pub fn lost_loop(&mut self) {
        if self.watch.lost_loop() {
            self.inner.fault("loop_ended");
        }
    }
}

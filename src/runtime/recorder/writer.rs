//! Writing of the files, and its timing.

use std::io;
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime};

use super::columns::write_stamp;
use super::file::{Head, write_head, write_row};
use super::store::{KeepError, REQUEST, RecordingStore, utc_words};
use super::{Cause, Facts, IncidentRecorder, Reply, Ring, Since};
use crate::runtime::locked;

/// Factor on the delay of a file while simulated time is slow or stands.
const SLOW: u32 = 5;
/// Interval at which the writer then looks for rows.
const LOOK: Duration = Duration::from_millis(100);
/// Rows copied at a time while the recorder waits.
const SLICE: u64 = 64;

/// Timing of the files.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pace {
    /// Delay from a fault to its file, so that the file also contains the consequences.
    pub after: Duration,
    /// Minimum interval between the files of two faults. Faults in between go into the next file.
    /// If faults continue, the interval doubles each time.
    pub interval_min: Duration,
    /// Maximum of that interval. It is shorter than [`super::SPAN`] by at least `after`, so that no
    /// fault is lost.
    pub interval_max: Duration,
    /// Minimum interval between two requested files.
    pub request_interval: Duration,
}

impl Default for Pace {
    fn default() -> Self {
        Self {
            after: Duration::from_secs(2),
            interval_min: Duration::from_secs(10),
            interval_max: Duration::from_secs(50),
            request_interval: Duration::from_secs(2),
        }
    }
}

/// The writing end of an incident recording.
pub struct Writer {
    of: IncidentRecorder,
    store: RecordingStore,
    pace: Pace,
    facts: Box<dyn Fn() -> Facts + Send>,
    /// Copy of the rows; all memory is allocated at construction.
    rows: Vec<f64>,
    /// Time of the last file of a fault and the interval before the next one.
    last: Option<Instant>,
    pause: Duration,
    last_request: Option<Instant>,
}

/// One file to write.
struct Work {
    causes: Vec<Cause>,
    more: u64,
    replies: Vec<Reply>,
}

impl Writer {
    /// Returns a writer of `of`; `facts` is called for each file.
    pub fn new(
        of: IncidentRecorder,
        store: RecordingStore,
        pace: Pace,
        facts: impl Fn() -> Facts + Send + 'static,
    ) -> Self {
        let rows = vec![f64::NAN; locked(&of.0.ring).values.len()];
        Self {
            of,
            store,
            pace,
            facts: Box::new(facts),
            rows,
            last: None,
            pause: pace.interval_min,
            last_request: None,
        }
    }

    /// Writes on its own thread until [`IncidentRecorder::end`].
    ///
    /// # Errors
    /// The system cannot create a thread.
    pub fn start(self) -> io::Result<JoinHandle<()>> {
        std::thread::Builder::new()
            .name("incident recording".into())
            .spawn(move || self.run())
    }

    fn run(mut self) {
        match self.store.open() {
            Ok(0) => {}
            Ok(left) => {
                let joint = &self.of.0.about.node;
                tracing::info!(joint, "incident recording: {left} unfinished files removed");
            }
            Err(why) => self.failed(&why),
        }
        while let Some(work) = self.next() {
            let result = self.write(&work);
            match &result {
                Ok(path) => {
                    let mut report = locked(&self.of.0.report);
                    report.written += 1;
                    report.last = Some(path.clone());
                    report.failure.clear();
                    drop(report);
                    let joint = &self.of.0.about.node;
                    tracing::info!(joint, "incident recording written: {}", path.display());
                }
                Err(why) => self.failed(why),
            }
            for reply in &work.replies {
                // The requester may have gone.
                let _ = reply.send(result.clone());
            }
        }
    }

    fn failed(&self, why: &KeepError) {
        let mut report = locked(&self.of.0.report);
        report.failed += 1;
        let first = report.failure.is_empty();
        report.failure = why.to_string();
        drop(report);
        if first {
            let joint = &self.of.0.about.node;
            tracing::error!(
                joint,
                "the incident recording cannot be written (logged once): {why}"
            );
        }
    }

    /// Waits for the next file to write. Returns `None` at the end.
    fn next(&mut self) -> Option<Work> {
        let inner = &self.of.0;
        let mut orders = locked(&inner.orders);
        loop {
            let now = Instant::now();
            let followed = orders.since.is_some_and(|since| self.has_followed(since));
            let fault_due = orders.since.map(|Since { at, .. }| {
                let earliest = self.last.map_or(at, |last| last + self.pause);
                let after = if followed { 1 } else { SLOW } * self.pace.after;
                earliest.max(at + after)
            });
            let request_due = (!orders.requests.is_empty()).then(|| {
                self.last_request
                    .map_or(now, |last| last + self.pace.request_interval)
            });
            let ending = orders.ending;
            let due = |at: Option<Instant>| at.is_some_and(|at| at <= now || ending);
            if due(fault_due) || due(request_due) {
                let mut work = Work {
                    causes: Vec::new(),
                    more: 0,
                    replies: std::mem::take(&mut orders.requests),
                };
                if !work.replies.is_empty() {
                    self.last_request = Some(now);
                }
                // A fault whose delay has not passed gets its own file later, with its
                // consequences.
                if due(fault_due)
                    && let Some(since) = orders.since.take()
                {
                    work.causes = std::mem::take(&mut orders.causes);
                    work.more = std::mem::take(&mut orders.more);
                    let go_on = self
                        .last
                        .is_some_and(|last| since.at < last + 2 * self.pace.interval_max);
                    self.pause = if go_on {
                        (2 * self.pause).min(self.pace.interval_max)
                    } else {
                        self.pace.interval_min
                    };
                    self.last = Some(now);
                }
                return Some(work);
            }
            if ending {
                return None;
            }
            let next = [fault_due, request_due].into_iter().flatten().min();
            orders = match next {
                Some(at) => {
                    let wait = if followed {
                        at - now
                    } else {
                        LOOK.min(at - now)
                    };
                    let waited = inner.wake.wait_timeout(orders, wait);
                    waited.unwrap_or_else(std::sync::PoisonError::into_inner).0
                }
                None => {
                    let waited = inner.wake.wait(orders);
                    waited.unwrap_or_else(std::sync::PoisonError::into_inner)
                }
            };
        }
    }

    /// Returns true if the rows of the time after a fault are there, or none will come.
    fn has_followed(&self, since: Since) -> bool {
        let inner = &self.of.0;
        let rows = (self.pace.after.as_secs_f64() / inner.about.period) as u64;
        let there = || locked(&inner.ring).count;
        since.rows.is_none_or(|before| there() >= before + rows)
    }

    /// Copies the rows in slices, so that the recorder never waits long. Returns the range of rows
    /// copied; row `i` stands at its place in the ring. Rows overwritten before they are copied are
    /// left out.
    fn copy(&mut self) -> std::ops::Range<u64> {
        let overwritten = |ring: &Ring| ring.count.saturating_sub(ring.capacity as u64);
        let (mut good, end) = {
            let ring = locked(&self.of.0.ring);
            (overwritten(&ring), ring.count)
        };
        let mut from = good;
        while from < end {
            let to = (from + SLICE).min(end);
            let ring = locked(&self.of.0.ring);
            let over = overwritten(&ring);
            if over > from {
                good = over.min(end);
            }
            for row in from.max(over)..to {
                let place = ring.place(row);
                self.rows[place.clone()].copy_from_slice(&ring.values[place]);
            }
            from = to;
        }
        good..end
    }

    fn write(&mut self, work: &Work) -> Result<std::path::PathBuf, KeepError> {
        let rows = self.copy();
        let facts = (self.facts)();
        let now = SystemTime::now();
        let inner = &self.of.0;
        let about = &inner.about;
        let (first, cause) = match work.causes.first() {
            Some(cause) => (cause.name.as_str(), cause.name.clone()),
            None => (REQUEST, REQUEST.into()),
        };
        let (events, gone, parameters) = {
            let notes = locked(&inner.notes);
            let events: Vec<_> = notes.events.iter().cloned().collect();
            (events, notes.gone, notes.parameters.clone())
        };
        let mut lines = vec![
            ("node", about.node.clone()),
            ("version", about.version.clone()),
            ("cause", cause),
            ("written_utc", utc_words(now).1),
            ("period_s", about.period.to_string()),
            ("rows", (rows.end - rows.start).to_string()),
            ("ros_time_of_zero_s", stamp(facts.zero_ns)),
        ];
        for cause in &work.causes {
            let at = match cause.at {
                Some(at) => stamp((at * 1e9).round() as i64 + facts.zero_ns),
                None => "-".into(),
            };
            lines.push(("fault", format!("{at} {}", cause.name)));
        }
        if work.more > 0 {
            lines.push(("faults_not_listed", work.more.to_string()));
        }
        if !work.replies.is_empty() {
            lines.push(("requests", work.replies.len().to_string()));
        }
        let more = about.lines.iter().chain(&facts.lines);
        lines.extend(more.map(|(key, text)| (key.as_str(), text.clone())));
        let named = parameters
            .iter()
            .map(|(k, v)| ("parameter", format!("{k} = {v}")));
        lines.extend(named);
        if gone > 0 {
            lines.push(("events_not_listed", gone.to_string()));
        }
        let head = Head {
            lines,
            events,
            columns: &inner.columns,
        };
        let (width, capacity) = {
            let ring = locked(&inner.ring);
            (ring.width, ring.capacity as u64)
        };
        let kept = &self.rows;
        self.store.keep(first, now, |mut out| {
            write_head(&mut out, &head)?;
            // Rows are formatted in memory, which needs far fewer system calls.
            let mut text = Vec::with_capacity(64 * 1024);
            for row in rows {
                let at = (row % capacity) as usize * width;
                write_row(
                    &mut text,
                    &inner.columns,
                    &kept[at..at + width],
                    facts.zero_ns,
                )?;
                if text.len() > 48 * 1024 {
                    out.write_all(&text)?;
                    text.clear();
                }
            }
            out.write_all(&text)
        })
    }
}

fn stamp(ns: i64) -> String {
    let mut text = Vec::new();
    // Writing to memory does not fail.
    let _ = write_stamp(&mut text, ns);
    String::from_utf8_lossy(&text).into_owned()
}

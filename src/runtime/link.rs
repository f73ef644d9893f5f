//! Channels between the ROS threads and a joint's real-time thread.
//!
//! Nothing here blocks or allocates on the real-time thread:
//! - the [`Input`] goes in through a triple buffer, since only the newest matters;
//! - telemetry goes out through a ring of preallocated boxes, which return through another ring;
//! - a law goes in through a ring, and the law it replaced returns through another, so that it is
//!   freed outside the real-time loop. The return of a law, replaced or withdrawn, is the
//!   acknowledgement;
//! - requests go in as counters, and the telemetry of a tick shows those that it has seen.

pub mod inbox;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicU64, Ordering};
use std::time::Duration;

use crossbeam_utils::sync::{Parker, Unparker};

use crate::control::tick::{Input, Joint, Law, Output};

/// Max telemetry records in transit; a publisher that falls further behind loses the newest.
const RECORDS: usize = 64;
/// Max laws in transit to the loop; at most one more returns.
const LAWS: usize = 4;

/// Counters of the loop. Times in s.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Counts {
    /// Ticks since the loop began.
    pub ticks: u64,
    /// Ticks that began late: for `timer` more than a fifth of the period after their deadline, for
    /// `imu` more than a fifth of the period off the nominal one.
    pub late: u64,
    /// Deadlines that passed without a tick, because the tick before took too long or the machine
    /// slept.
    pub missed: u64,
    /// Ticks by the timer because no IMU sample arrived (`imu` only).
    pub without_sample: u64,
    /// Telemetry records lost because the publisher fell behind.
    pub lost: u64,
    /// Max duration of a tick since the loop began.
    pub longest: f64,
    /// Max delay of a tick after its deadline since the loop began.
    pub latest: f64,
}

/// Telemetry of one tick.
#[derive(Clone, Debug, Default)]
pub struct Record {
    /// Start of the tick, s on the loop's clock.
    pub at: f64,
    /// Sequence number of its command.
    pub sequence: Option<u64>,
    /// Input of the tick.
    pub input: Input,
    /// Output of the tick.
    pub output: Output,
    /// Counters of the loop so far.
    pub counts: Counts,
}

impl Record {
    /// Returns a record with capacity for `motors` motors.
    pub fn new(motors: usize) -> Self {
        Self {
            input: Input::new(motors),
            output: Output::new(motors),
            ..Self::default()
        }
    }
}

const WAITING: u8 = 0;
const TAKEN: u8 = 1;
const WITHDRAWN: u8 = 2;

/// The loop's joint and law. Immutable; exchanged as a whole.
#[derive(Clone, Debug)]
pub struct Program {
    /// The joint, with the sample period of the active feedback.
    pub joint: Joint,
    /// The control law.
    pub law: Law,
}

/// A program offered to the loop.
#[derive(Debug)]
struct Offer {
    program: Box<Program>,
    fate: Arc<AtomicU8>,
}

/// A request to the loop, possible at any time; see [`Input`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LoopRequest {
    /// Stop the reference and hold.
    Hold,
    /// Clear latched faults whose cause no longer exists.
    Clear,
    /// Release the tendons.
    ReleaseTension,
}

/// State shared by both sides.
#[derive(Debug, Default)]
struct Shared {
    /// Numbers of the requests so far, by kind.
    requests: [AtomicU64; 3],
    /// True if the joint is to be driven, false if it is only monitored.
    active: AtomicBool,
    stop: AtomicBool,
    /// True while a loop runs.
    running: AtomicBool,
    /// Heartbeat, incremented while the loop runs.
    beats: AtomicU64,
    /// Number of events that the loop has to process, and number of those processed.
    brought: AtomicU64,
    dealt_with: AtomicU64,
}

impl Shared {
    fn requests(&self, kind: LoopRequest) -> u64 {
        self.requests[kind as usize].load(Ordering::Acquire)
    }
}

/// The real-time endpoint, used on the real-time thread.
pub struct RealTimeEndpoint {
    input: triple_buffer::Output<Input>,
    records_out: rtrb::Producer<Box<Record>>,
    records_back: rtrb::Consumer<Box<Record>>,
    offers: rtrb::Consumer<Offer>,
    returned: rtrb::Producer<Offer>,
    shared: Arc<Shared>,
    publisher: Unparker,
    wake: Parker,
    lost: u64,
    /// Samples received before this loop time are ignored, s.
    since: f64,
}

/// Sender of inputs to the loop.
pub struct InputSender {
    input: triple_buffer::Input<Input>,
    wake: Unparker,
}

/// Receiver of telemetry.
pub struct RecordReceiver {
    records: rtrb::Consumer<Box<Record>>,
    back: rtrb::Producer<Box<Record>>,
    wake: Parker,
    shared: Arc<Shared>,
}

/// Sender of laws to the loop.
pub struct LawSender {
    offers: rtrb::Producer<Offer>,
    returned: rtrb::Consumer<Offer>,
    under_way: usize,
}

/// A law that was offered to the loop.
#[derive(Debug)]
pub struct Pending {
    fate: Arc<AtomicU8>,
}

/// Handle for requests to the loop, such as hold or stop; may be cloned.
#[derive(Clone)]
pub struct Handle {
    shared: Arc<Shared>,
    wake: Unparker,
    publisher: Unparker,
}

/// All endpoints of one joint's channels.
pub struct Link {
    /// For the real-time thread.
    pub endpoint: RealTimeEndpoint,
    /// For the receiver of messages.
    pub input: InputSender,
    /// For the publisher.
    pub records: RecordReceiver,
    /// For the setter of parameters.
    pub laws: LawSender,
    /// For any thread.
    pub handle: Handle,
}

impl Link {
    /// Returns the channels of a joint with `motors` motors. Everything is allocated here.
    pub fn new(motors: usize) -> Self {
        let (input_in, input_out) = triple_buffer::triple_buffer(&Input::new(motors));
        let (records_out, records) = rtrb::RingBuffer::new(RECORDS);
        let (mut back, records_back) = rtrb::RingBuffer::new(RECORDS);
        for _ in 0..RECORDS {
            // The ring holds exactly this many.
            let _ = back.push(Box::new(Record::new(motors)));
        }
        let (offers_in, offers) = rtrb::RingBuffer::new(LAWS);
        let (returned, returned_out) = rtrb::RingBuffer::new(LAWS);
        let shared = Shared {
            // Before the first loop the state is that after a requested stop.
            stop: AtomicBool::new(true),
            ..Shared::default()
        };
        let shared = Arc::new(shared);
        let (publisher, wake) = (Parker::new(), Parker::new());
        let publisher_waker = publisher.unparker().clone();
        Self {
            input: InputSender {
                input: input_in,
                wake: wake.unparker().clone(),
            },
            records: RecordReceiver {
                records,
                back,
                wake: publisher,
                shared: shared.clone(),
            },
            laws: LawSender {
                offers: offers_in,
                returned: returned_out,
                under_way: 0,
            },
            handle: Handle {
                shared: shared.clone(),
                wake: wake.unparker().clone(),
                publisher: publisher_waker.clone(),
            },
            endpoint: RealTimeEndpoint {
                input: input_out,
                records_out,
                records_back,
                offers,
                returned,
                shared,
                publisher: publisher_waker,
                wake,
                lost: 0,
                since: f64::NEG_INFINITY,
            },
        }
    }
}

impl RealTimeEndpoint {
    /// Returns the newest input with the requests so far, and whether it is new.
    pub fn input(&mut self) -> (&Input, bool) {
        let new = self.input.update();
        let shared = &self.shared;
        let input = self.input.output_buffer_mut();
        input.hold = shared.requests(LoopRequest::Hold);
        input.clear = shared.requests(LoopRequest::Clear);
        input.release_tension = shared.requests(LoopRequest::ReleaseTension);
        input.inactive = !shared.active.load(Ordering::Acquire);
        let since = self.since;
        for sample in input.motors.iter_mut().chain([&mut input.pan]) {
            sample.take_if(|s| s.received < since);
        }
        for sample in [&mut input.head, &mut input.base] {
            sample.take_if(|s| s.received < since);
        }
        (input, new)
    }

    /// From now on samples received before loop time `since`, s, count as never received.
    pub fn forget_before(&mut self, since: f64) {
        self.since = since;
    }

    /// Returns the input fetched last.
    pub fn last_input(&self) -> &Input {
        self.input.output_buffer()
    }

    /// Increments the heartbeat: with each tick, and while the loop waits for the next one.
    pub fn beat(&self) {
        self.shared.beats.fetch_add(1, Ordering::AcqRel);
    }

    /// Returns the number of events so far; call it before processing them.
    pub fn brought(&self) -> u64 {
        self.shared.brought.load(Ordering::Acquire)
    }

    /// Reports that the first `brought` events have been processed.
    pub fn dealt_with(&self, brought: u64) {
        if self.shared.dealt_with.swap(brought, Ordering::AcqRel) != brought {
            self.publisher.unpark();
        }
    }

    /// Returns true if the joint is to be driven.
    pub fn active(&self) -> bool {
        self.shared.active.load(Ordering::Acquire)
    }

    /// Returns true if a law is on offer.
    pub fn law_waits(&self) -> bool {
        !self.offers.is_empty()
    }

    /// Takes one law on offer, unless it was withdrawn: `swap` exchanges it for the active law,
    /// which returns to be freed elsewhere. Wakes the publisher, which tells those that wait.
    pub fn take_law(&mut self, swap: impl FnOnce(&mut Box<Program>)) {
        let Ok(mut offer) = self.offers.pop() else {
            return;
        };
        let fate = &offer.fate;
        if fate
            .compare_exchange(WAITING, TAKEN, Ordering::AcqRel, Ordering::Acquire)
            .is_ok()
        {
            swap(&mut offer.program);
            self.publisher.unpark();
        }
        if let Err(rtrb::PushError::Full(offer)) = self.returned.push(offer) {
            // Cannot happen while the sender keeps its count; a leak is better here than freeing
            // memory.
            std::mem::forget(offer);
        }
    }

    /// Sends `record`, and replaces it by an older one to be overwritten.
    pub fn send(&mut self, record: &mut Box<Record>) {
        if let Ok(mut empty) = self.records_back.pop() {
            std::mem::swap(record, &mut empty);
            // There are as many slots as boxes: never full.
            if let Err(rtrb::PushError::Full(record)) = self.records_out.push(empty) {
                std::mem::forget(record);
            }
        } else {
            self.lost += 1;
        }
        self.publisher.unpark();
    }

    /// Returns the number of records lost so far.
    pub fn lost(&self) -> u64 {
        self.lost
    }

    /// Returns true if the loop is requested to stop.
    pub fn stopping(&self) -> bool {
        self.shared.stop.load(Ordering::Acquire)
    }

    /// Sleeps until an input sender or a handle wakes the loop, at most for `most`.
    pub fn sleep(&self, most: Duration) {
        self.wake.park_timeout(most);
    }
}

impl RealTimeEndpoint {
    /// Marks the start of a loop.
    pub fn begin(&self) {
        // In this order; see `ended_by_itself`.
        self.shared.running.store(true, Ordering::Release);
        self.shared.stop.store(false, Ordering::Release);
    }

    /// Marks the end of the loop; this endpoint serves the next one.
    pub fn end(&self) {
        self.shared.running.store(false, Ordering::Release);
        self.publisher.unpark();
    }
}

impl Drop for RealTimeEndpoint {
    fn drop(&mut self) {
        self.end();
    }
}

impl InputSender {
    /// Sends a copy of `input`.
    pub fn send(&mut self, input: &Input) {
        self.input.input_buffer_mut().clone_from(input);
        self.input.publish();
    }

    /// Wakes a loop that sleeps until the next sample.
    pub fn wake(&self) {
        self.wake.unpark();
    }
}

impl RecordReceiver {
    /// Sleeps until there is telemetry, an event has been processed, a law has been taken, the loop
    /// ends, or `most` has passed.
    pub fn wait(&self, most: Duration) {
        if self.records.is_empty() {
            self.wake.park_timeout(most);
        }
    }

    /// Returns the number of processed events, whose telemetry is available. If no loop runs,
    /// returns that of all events.
    pub fn dealt_with(&self) -> u64 {
        if self.ended() {
            return self.shared.brought.load(Ordering::Acquire);
        }
        self.shared.dealt_with.load(Ordering::Acquire)
    }

    /// Passes every available record to `use_it`, oldest first, with the number of those behind it.
    pub fn drain(&mut self, mut use_it: impl FnMut(&Record, usize)) {
        let mut left = self.records.slots();
        while left > 0
            && let Ok(record) = self.records.pop()
        {
            left -= 1;
            use_it(&record, left);
            let _ = self.back.push(record);
        }
    }

    /// Returns true if no loop runs; no record follows before the next one begins.
    pub fn ended(&self) -> bool {
        !self.shared.running.load(Ordering::Acquire)
    }

    /// Returns true if the loop has ended without a request to stop.
    pub fn ended_by_itself(&self) -> bool {
        // A loop that begins meanwhile is marked as running before its stop is withdrawn.
        let asked = self.shared.stop.load(Ordering::Acquire);
        !asked && self.ended()
    }
}

impl LawSender {
    /// Offers a law. Returns `None` if too many are in transit, which means that the loop does not
    /// run.
    pub fn offer(&mut self, program: Program) -> Option<Pending> {
        self.collect();
        if self.under_way >= LAWS {
            return None;
        }
        let fate = Arc::new(AtomicU8::new(WAITING));
        let offer = Offer {
            program: Box::new(program),
            fate: fate.clone(),
        };
        self.offers.push(offer).ok()?;
        self.under_way += 1;
        Some(Pending { fate })
    }

    /// Frees the returned laws.
    pub fn collect(&mut self) {
        while self.returned.pop().is_ok() {
            self.under_way -= 1;
        }
    }
}

impl Pending {
    /// Returns true if the loop has taken the law.
    pub fn taken(&self) -> bool {
        self.fate.load(Ordering::Acquire) == TAKEN
    }

    /// Withdraws the law. Returns false if the loop has already taken it.
    pub fn withdraw(&self) -> bool {
        self.fate
            .compare_exchange(WAITING, WITHDRAWN, Ordering::AcqRel, Ordering::Acquire)
            .is_ok()
    }
}

impl Handle {
    /// Sends a request to the loop. Returns the number of the request.
    pub fn request(&self, kind: LoopRequest) -> u64 {
        self.shared.requests[kind as usize].fetch_add(1, Ordering::AcqRel) + 1
    }

    /// Returns the number of requests of that kind so far.
    pub fn requests(&self, kind: LoopRequest) -> u64 {
        self.shared.requests(kind)
    }

    /// Sets whether the joint is to be driven; at first it is only monitored.
    pub fn set_active(&self, active: bool) {
        self.shared.active.store(active, Ordering::Release);
        self.wake.unpark();
    }

    /// Reports an event, and wakes the loop to process it, or the publisher if no loop runs.
    /// Returns the event's number; see [`RecordReceiver::dealt_with`].
    pub fn bring(&self) -> u64 {
        let number = self.shared.brought.fetch_add(1, Ordering::AcqRel) + 1;
        self.wake.unpark();
        if self.ended() {
            self.publisher.unpark();
        }
        number
    }

    /// Requests the loop to stop.
    pub fn stop(&self) {
        self.shared.stop.store(true, Ordering::Release);
        self.wake.unpark();
    }

    /// Returns true if no loop runs.
    pub fn ended(&self) -> bool {
        !self.shared.running.load(Ordering::Acquire)
    }

    /// Returns true if the joint is to be driven.
    pub fn active(&self) -> bool {
        self.shared.active.load(Ordering::Acquire)
    }

    /// Returns the heartbeat count of the loop.
    pub fn beats(&self) -> u64 {
        self.shared.beats.load(Ordering::Acquire)
    }
}

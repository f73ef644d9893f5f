//! The real-time loop of one joint, on its own thread, and the clock.
//!
//! The loop wakes at absolute deadlines or at each IMU sample, fetches the newest input, takes a
//! law on offer, ticks, and sends the telemetry. It never calls the middleware, logs or allocates.
//! A stop takes at most one tick.
//!
//! With simulated time the same loop ticks once per period of simulated time, at the message on
//! `/clock` nearest to it, since few clocks step in parts of a period. While simulated time stands,
//! nothing ticks and no data becomes stale. A message that advances time by several periods causes
//! one tick, since there is one set of measurements: further ticks on it would be control without
//! feedback. The others are counted as missed, as on a busy machine. A tick advances the reference
//! by one period, so the joint then moves slower than it should. After a jump, back or far ahead,
//! the loop restarts from the present measurements, and only a new command moves the joint.

mod clock;

pub use clock::{Clock, ClockSetter, Moved};

use std::io;
use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::Duration;

use nix::errno::Errno;
use nix::sys::mman::{MlockAllFlags, mlockall};
use nix::sys::resource::{RLIM_INFINITY, Resource, getrlimit};

use crate::control::tick::{LONGEST_WAIT, State, tick};
use crate::files::TickSource;
use crate::runtime::link::{Counts, Program, RealTimeEndpoint, Record};
use clock::{NS, monotonic};

/// Max deviation of a tick that counts as on time, as a share of the period.
const IN_TIME: f64 = 0.2;
/// Real-time priority of the loop, 0 to 99 of the system's range: above ordinary work, below the
/// kernel's own threads.
const PRIORITY: u8 = 60;
/// Max sleep while simulated time stands: the loop then still shows that it lives, and takes a law
/// whose wait has become long.
const NAP: Duration = Duration::from_millis(20);

/// Stack that the loop uses at most, with a wide margin, bytes.
const TICK_STACK: usize = 256 * 1024;

/// The reason why the process's memory is not locked.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NotLocked {
    /// The limit would refuse later allocations.
    #[error("the limit on locked memory (memlock) is not unlimited")]
    Limit,
    /// The system refuses.
    #[error("locking memory: {}", .0.desc())]
    System(#[from] Errno),
}

/// Locks the process's memory, each page once it is used, so that no tick waits twice for a page.
/// Locking all at once would fill the stacks of all threads, most of which is never used.
///
/// # Errors
/// [`NotLocked`].
pub fn lock_memory() -> Result<(), NotLocked> {
    // With a limit, later allocations would be refused, which is worse than a page fault.
    let limit = getrlimit(Resource::RLIMIT_MEMLOCK).map(|(soft, _)| soft);
    let root = nix::unistd::Uid::effective().is_root();
    if limit != Ok(RLIM_INFINITY) && !root {
        return Err(NotLocked::Limit);
    }
    // The library has no name for this one (mlockall(2), since Linux 4.4).
    let as_used = MlockAllFlags::from_bits_retain(nix::libc::MCL_ONFAULT);
    Ok(mlockall(
        MlockAllFlags::MCL_CURRENT | MlockAllFlags::MCL_FUTURE | as_used,
    )?)
}

/// Uses as much of the thread's stack as a tick may need, so that the first ticks find it locked.
#[inline(never)]
fn use_stack() {
    std::hint::black_box(&mut [0_u8; TICK_STACK]);
}

/// The reason why a loop has no real-time priority.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoPriority {
    /// The priority is out of the system's range.
    #[error("priority {PRIORITY}: {0}")]
    Range(String),
    /// The system refuses.
    #[error("the system does not grant real-time priority (rtprio)")]
    NotGranted,
}

fn raise_priority() -> Result<(), NoPriority> {
    use thread_priority::{
        RealtimeThreadSchedulePolicy, ThreadPriority, ThreadSchedulePolicy,
        set_thread_priority_and_policy, thread_native_id,
    };
    let priority = PRIORITY.try_into().map_err(NoPriority::Range)?;
    set_thread_priority_and_policy(
        thread_native_id(),
        ThreadPriority::Crossplatform(priority),
        ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo),
    )
    .map_err(|_| NoPriority::NotGranted)
}

/// A running loop.
pub struct RunningLoop {
    thread: JoinHandle<RealTimeEndpoint>,
    /// Reason why it has no real-time priority, if so.
    pub without_priority: Option<NoPriority>,
}

impl RunningLoop {
    /// Waits for the end of a loop that was requested to stop. Returns its endpoint for the next
    /// loop, or `None` after a panic, which has been printed.
    pub fn join(self) -> Option<RealTimeEndpoint> {
        self.thread.join().ok()
    }
}

/// Starts a loop that runs `program` on its own thread.
///
/// # Errors
/// If the system cannot create a thread.
pub fn start(
    program: Program,
    side: RealTimeEndpoint,
    clock: Clock,
    source: TickSource,
) -> io::Result<RunningLoop> {
    side.begin();
    let (outcome, priority) = mpsc::channel();
    let thread = std::thread::Builder::new()
        .name("loop".into())
        .spawn(move || {
            // The starter may have gone.
            let _ = outcome.send(raise_priority().err());
            use_stack();
            Loop::new(program, side, clock, source).run()
        })?;
    let without_priority = priority.recv().unwrap_or(None);
    Ok(RunningLoop {
        thread,
        without_priority,
    })
}

struct Loop {
    program: Box<Program>,
    state: State,
    side: RealTimeEndpoint,
    clock: Clock,
    source: TickSource,
    record: Box<Record>,
    counts: Counts,
    period: i64,
    /// Machine time since which a law is on offer, s: those waiting for it do not stand still with
    /// simulated time.
    law_waits_since: Option<f64>,
    /// Generation of the clock in which it runs.
    generation: u64,
    /// Loop time of the last tick, ns.
    ticked: i64,
    /// Number of events when it last looked; see [`RealTimeEndpoint::dealt_with`].
    brought: u64,
}

impl Loop {
    fn new(program: Program, side: RealTimeEndpoint, clock: Clock, source: TickSource) -> Self {
        let Program { joint, law } = &program;
        let record = Record::new(joint.motors());
        Self {
            state: State::new(joint, law),
            generation: clock.generation(),
            side,
            clock,
            source,
            record: Box::new(record),
            counts: Counts::default(),
            period: ((joint.period * NS as f64).round() as i64).max(1),
            program: Box::new(program),
            law_waits_since: None,
            ticked: i64::MIN,
            brought: 0,
        }
    }

    fn run(mut self) -> RealTimeEndpoint {
        match self.source {
            TickSource::Timer => self.run_by_timer(),
            TickSource::Imu => self.run_by_imu(),
        }
        self.side.end();
        self.side
    }

    fn run_by_timer(&mut self) {
        let mut deadline = self.clock.now_ns() + self.period;
        while self.wait_until(deadline) {
            if self.begins_anew() {
                // Ticks are on whole periods of simulated time, whatever the start.
                deadline = self.clock.next_multiple(self.period);
                continue;
            }
            let began = self.clock.now_ns();
            let behind = began - deadline;
            self.late(behind, behind);
            if self.clock.is_simulated() {
                // This tick serves all deadlines that its message has passed; it is on time for the
                // nearest of them.
                let missed = ((behind + self.period / 2) / self.period).max(0);
                self.counts.missed += missed as u64;
                deadline += missed * self.period;
            }
            self.tick(began);
            deadline += self.period;
            if !self.clock.is_simulated() {
                let missed = (self.clock.now_ns() - deadline).max(0) / self.period;
                self.counts.missed += missed as u64;
                deadline += missed * self.period;
            }
        }
    }

    /// Ticks at each IMU sample, with a min distance of four fifths of the period. If no sample
    /// arrives within six fifths of it, the timer ticks instead and continues at the period.
    fn run_by_imu(&mut self) {
        let slack = (self.period as f64 * IN_TIME) as i64;
        let mut last = self.clock.now_ns();
        let mut stamp = f64::NEG_INFINITY;
        let mut substitute = true;
        while !self.side.stopping() {
            let wait = if substitute { 0 } else { slack };
            let deadline = last + self.period + wait;
            let sample = loop {
                self.brought = self.side.brought();
                let newest = self.side.input().0.head.map_or(stamp, |h| h.stamp);
                if newest > stamp {
                    stamp = newest;
                    break true;
                }
                let left = deadline - self.clock.now_ns();
                if left <= 0 || self.side.stopping() {
                    break false;
                }
                self.nap(left);
            };
            let mut began = self.clock.now_ns();
            if self.begins_anew() {
                began = self.clock.now_ns();
                last = began - self.period;
            }
            let off = began - last - self.period;
            // With simulated time a sample may arrive before its message on `/clock`.
            if sample && -off > slack {
                self.wait_until(last + self.period - slack);
                self.begins_anew();
                began = self.clock.now_ns();
            }
            if !sample {
                self.counts.without_sample += 1;
            }
            self.late(off.abs(), off);
            if off >= self.period {
                self.counts.missed += (off / self.period) as u64;
            }
            self.tick(began);
            // A sample that arrived while this tick waited for its time is used up.
            stamp = self.side.last_input().head.map_or(stamp, |h| h.stamp);
            last = began;
            substitute = !sample;
        }
    }

    /// Waits until loop time `deadline`, ns, or until simulated time jumps. Returns false if the
    /// loop is to stop.
    fn wait_until(&mut self, deadline: i64) -> bool {
        if self.clock.is_simulated() {
            loop {
                self.brought = self.side.brought();
                if self.side.stopping()
                    || self.is_due(deadline)
                    || self.clock.generation() != self.generation
                {
                    break;
                }
                self.nap(i64::MAX);
            }
        } else {
            self.clock.sleep_until(deadline);
        }
        !self.side.stopping()
    }

    /// Returns true if the present message on `/clock` is the one for `deadline`, ns: the deadline
    /// has passed, or the next message will not be nearer to it.
    fn is_due(&self, deadline: i64) -> bool {
        let now = self.clock.now_ns();
        let left = deadline - now;
        now > self.ticked && (left <= 0 || left <= self.clock.next_step() - left)
    }

    /// Sleeps until an event, at most for `limit` ns of loop time, before which nothing is due.
    fn nap(&mut self, limit: i64) {
        if !self.clock.is_simulated() {
            self.side.sleep(Duration::from_nanos(limit.max(0) as u64));
            return;
        }
        self.side.dealt_with(self.brought);
        self.side.sleep(NAP);
        self.side.beat();
        // Simulated time may stand for long; a law need not wait for it.
        self.look_for_law(self.clock.now());
    }

    /// If simulated time has begun or jumped, forgets the samples from before. Returns true if so.
    fn begins_anew(&mut self) -> bool {
        let generation = self.clock.generation();
        if generation == self.generation {
            return false;
        }
        self.generation = generation;
        self.side
            .forget_before(self.clock.since() as f64 / NS as f64);
        let (input, _) = self.side.input();
        if generation > 1 {
            self.state.start_anew(input);
        }
        true
    }

    fn late(&mut self, off: i64, behind: i64) {
        if off as f64 > IN_TIME * self.period as f64 {
            self.counts.late += 1;
        }
        self.counts.latest = self.counts.latest.max(behind as f64 / NS as f64);
    }

    /// Takes a law on offer, at loop time `now`. One motion uses one law: a motion in progress ends
    /// first, unless it takes too long.
    fn look_for_law(&mut self, now: f64) {
        if !self.side.law_waits() {
            return;
        }
        let machine = self.clock.machine();
        let since = *self.law_waits_since.get_or_insert(machine);
        let (program, state) = (&mut self.program, &mut self.state);
        if state.resting() || machine - since >= LONGEST_WAIT {
            self.law_waits_since = None;
            self.side.take_law(|new| {
                state.take_over(&program.law, &new.law, now);
                std::mem::swap(program, new);
            });
        }
    }

    /// Runs one tick that began at `began`, ns of loop time.
    fn tick(&mut self, began: i64) {
        let begun = monotonic();
        // A jump since `began` counts as far as it is known.
        let now = began.max(self.clock.since()) as f64 / NS as f64;
        self.ticked = began;
        self.look_for_law(now);
        let (input, _) = self.side.input();
        let record = &mut *self.record;
        tick(
            &self.program.joint,
            &self.program.law,
            &mut self.state,
            input,
            now,
            &mut record.output,
        );
        let sequence = input.desired.map(|d| d.sequence);
        record.input.copy_from(input);
        self.side.beat();
        self.counts.ticks += 1;
        self.counts.lost = self.side.lost();
        let took = (monotonic() - begun) as f64 / NS as f64;
        self.counts.longest = self.counts.longest.max(took);
        (record.at, record.sequence, record.counts) = (now, sequence, self.counts);
        self.side.send(&mut self.record);
    }
}

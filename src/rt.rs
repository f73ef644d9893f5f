//! The real-time loop of one joint, on a thread of its own, and the one clock.
//!
//! The loop wakes at absolute deadlines (or at each IMU sample), fetches the newest input, takes over a law on
//! offer, ticks, and hands the telemetry on. It never calls the middleware, logs or allocates. Whoever stops it
//! waits at most for one tick.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::Duration;

use nix::errno::Errno;
use nix::sys::mman::{MlockAllFlags, mlockall};
use nix::sys::resource::{RLIM_INFINITY, Resource, getrlimit};
use nix::sys::time::TimeSpec;
use nix::time::{ClockId, ClockNanosleepFlags, clock_gettime, clock_nanosleep};

use crate::config::TickSource;
use crate::link::{Counts, LoopSide, Program, Record};
use crate::tick::{LONGEST_WAIT, Output, State, tick};

const NS: i64 = 1_000_000_000;
/// Departure of the system clock from the loop's that counts as a step, ns. Below it one offset serves, so
/// that a stamp comes out exactly as it came in.
const STEP_NS: i64 = 1_000_000;
/// Share of the period by which a tick may be late or early and still be in time.
const IN_TIME: f64 = 0.2;
/// Real-time priority of the loop, 0 to 99 of the system's range: above ordinary work, below the
/// kernel's own threads.
const PRIORITY: u8 = 60;

fn read_ns(clock: ClockId) -> i64 {
    // Both clocks exist on every Linux; were one missing, time would stand still and the data be stale.
    clock_gettime(clock).map_or(0, |t| t.tv_sec() * NS + t.tv_nsec())
}

/// The one clock of the process: loop time in s since it was made, on the monotonic clock; and the conversion
/// of stamps, which are on the system clock.
#[derive(Clone, Debug)]
pub struct Clock {
    epoch: i64,
    /// System clock less monotonic clock, ns.
    offset: Arc<AtomicI64>,
    steps: Arc<AtomicU64>,
}

impl Default for Clock {
    fn default() -> Self {
        Self::new()
    }
}

impl Clock {
    /// A clock that starts now.
    pub fn new() -> Self {
        let clock = Self {
            epoch: read_ns(ClockId::CLOCK_MONOTONIC),
            offset: Arc::default(),
            steps: Arc::default(),
        };
        clock.offset.store(clock.measure(), Ordering::Relaxed);
        clock
    }

    fn measure(&self) -> i64 {
        read_ns(ClockId::CLOCK_REALTIME) - read_ns(ClockId::CLOCK_MONOTONIC)
    }

    /// Loop time, s.
    pub fn now(&self) -> f64 {
        self.seconds(read_ns(ClockId::CLOCK_MONOTONIC))
    }

    fn seconds(&self, monotonic: i64) -> f64 {
        (monotonic - self.epoch) as f64 / NS as f64
    }

    /// Loop time of a stamp on the system clock. A step of the system clock is noticed here.
    pub fn time_of(&self, seconds: i32, nanoseconds: u32) -> f64 {
        let measured = self.measure();
        let mut offset = self.offset.load(Ordering::Relaxed);
        if (measured - offset).abs() > STEP_NS {
            offset = measured;
            self.offset.store(offset, Ordering::Relaxed);
            self.steps.fetch_add(1, Ordering::Relaxed);
        }
        self.seconds(i64::from(seconds) * NS + i64::from(nanoseconds) - offset)
    }

    /// The stamp (s, ns) of a loop time; gives back exactly what [`Clock::time_of`] took.
    pub fn stamp_of(&self, time: f64) -> (i32, u32) {
        let offset = self.offset.load(Ordering::Relaxed);
        let ns = (time * NS as f64).round() as i64 + self.epoch + offset;
        // Stamps hold 32 bits of seconds: until 2038.
        let seconds = i32::try_from(ns.div_euclid(NS)).unwrap_or(i32::MAX);
        (seconds, ns.rem_euclid(NS) as u32)
    }

    /// How often the system clock was found to have stepped.
    pub fn steps(&self) -> u64 {
        self.steps.load(Ordering::Relaxed)
    }
}

/// Locks the process's memory, so that a tick never waits for a page.
///
/// # Errors
/// Why not, for people.
pub fn lock_memory() -> Result<(), String> {
    // With a limit, memory asked for later would be refused, which is worse than a page fault.
    let limit = getrlimit(Resource::RLIMIT_MEMLOCK).map(|(soft, _)| soft);
    let root = nix::unistd::Uid::effective().is_root();
    if limit != Ok(RLIM_INFINITY) && !root {
        return Err("the limit on locked memory (memlock) is not unlimited".into());
    }
    mlockall(MlockAllFlags::MCL_CURRENT | MlockAllFlags::MCL_FUTURE)
        .map_err(|e| format!("locking memory: {}", e.desc()))
}

fn raise_priority() -> Result<(), String> {
    use thread_priority::{
        RealtimeThreadSchedulePolicy, ThreadPriority, ThreadSchedulePolicy,
        set_thread_priority_and_policy, thread_native_id,
    };
    let priority = PRIORITY
        .try_into()
        .map_err(|e| format!("priority {PRIORITY}: {e}"))?;
    set_thread_priority_and_policy(
        thread_native_id(),
        ThreadPriority::Crossplatform(priority),
        ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo),
    )
    .map_err(|_| "the system does not grant real-time priority (rtprio)".into())
}

/// A loop that runs.
pub struct RunningLoop {
    thread: JoinHandle<LoopSide>,
    /// Why it has no real-time priority, if so.
    pub without_priority: Option<String>,
}

impl RunningLoop {
    /// Waits for the end of a loop that was asked to stop. Gives back its ends of the channels, for the next loop; none
    /// after a panic, which has been printed.
    pub fn join(self) -> Option<LoopSide> {
        self.thread.join().ok()
    }
}

/// Starts a loop that runs on `program`, on a thread of its own.
///
/// # Errors
/// The system gives no thread.
pub fn start(
    program: Program,
    side: LoopSide,
    clock: Clock,
    source: TickSource,
) -> io::Result<RunningLoop> {
    side.begin();
    let (tell, told) = mpsc::channel();
    let thread = std::thread::Builder::new()
        .name("loop".into())
        .spawn(move || {
            let _ = tell.send(raise_priority().err());
            Loop::new(program, side, clock, source).run()
        })?;
    let without_priority = told.recv().unwrap_or(None);
    Ok(RunningLoop {
        thread,
        without_priority,
    })
}

struct Loop {
    program: Box<Program>,
    state: State,
    side: LoopSide,
    clock: Clock,
    source: TickSource,
    record: Box<Record>,
    counts: Counts,
    period: i64,
    /// Since when a law is on offer.
    law_waits_since: Option<f64>,
}

impl Loop {
    fn new(program: Program, side: LoopSide, clock: Clock, source: TickSource) -> Self {
        let Program { joint, law } = &program;
        let record = Record {
            output: Output::new(joint.motors()),
            ..Record::default()
        };
        Self {
            state: State::new(joint, law),
            side,
            clock,
            source,
            record: Box::new(record),
            counts: Counts::default(),
            period: ((joint.period * NS as f64).round() as i64).max(1),
            program: Box::new(program),
            law_waits_since: None,
        }
    }

    fn run(mut self) -> LoopSide {
        match self.source {
            TickSource::Timer => self.run_by_timer(),
            TickSource::Imu => self.run_by_imu(),
        }
        self.side.end();
        self.side
    }

    fn run_by_timer(&mut self) {
        let mut deadline = read_ns(ClockId::CLOCK_MONOTONIC) + self.period;
        while !self.side.stopping() {
            sleep_until(deadline);
            let began = read_ns(ClockId::CLOCK_MONOTONIC);
            let behind = began - deadline;
            self.late(behind, behind);
            self.tick(began);
            deadline += self.period;
            let now = read_ns(ClockId::CLOCK_MONOTONIC);
            if now > deadline + self.period {
                let missed = (now - deadline) / self.period;
                self.counts.missed += missed as u64;
                deadline += missed * self.period;
            }
        }
    }

    /// Ticks at each IMU sample, never closer than four fifths of the period. Where no sample comes within
    /// six fifths of it the timer ticks instead, and goes on at the period.
    fn run_by_imu(&mut self) {
        let slack = (self.period as f64 * IN_TIME) as i64;
        let mut last = read_ns(ClockId::CLOCK_MONOTONIC);
        let mut stamp = f64::NEG_INFINITY;
        let mut substitute = true;
        while !self.side.stopping() {
            let wait = if substitute { 0 } else { slack };
            let deadline = last + self.period + wait;
            let sample = loop {
                let newest = self.side.input().0.head.map_or(stamp, |h| h.stamp);
                if newest > stamp {
                    stamp = newest;
                    break true;
                }
                let left = deadline - read_ns(ClockId::CLOCK_MONOTONIC);
                if left <= 0 || self.side.stopping() {
                    break false;
                }
                self.side.sleep(Duration::from_nanos(left as u64));
            };
            let mut began = read_ns(ClockId::CLOCK_MONOTONIC);
            let off = began - last - self.period;
            if sample && -off > slack {
                sleep_until(last + self.period - slack);
                began = read_ns(ClockId::CLOCK_MONOTONIC);
            }
            if !sample {
                self.counts.without_sample += 1;
            }
            self.late(off.abs(), off);
            if off > self.period {
                self.counts.missed += (off / self.period) as u64;
            }
            self.tick(began);
            // A sample that came while this tick waited for its time is used up.
            stamp = self.side.last_input().head.map_or(stamp, |h| h.stamp);
            last = began;
            substitute = !sample;
        }
    }

    fn late(&mut self, off: i64, behind: i64) {
        if off as f64 > IN_TIME * self.period as f64 {
            self.counts.late += 1;
        }
        self.counts.latest = self.counts.latest.max(behind as f64 / NS as f64);
    }

    /// One tick that began at `began`, ns on the monotonic clock.
    fn tick(&mut self, began: i64) {
        let now = self.clock.seconds(began);
        let (program, state) = (&mut self.program, &mut self.state);
        // One motion, one law: a motion under way ends first, unless it takes too long.
        if self.side.law_waits() {
            let since = *self.law_waits_since.get_or_insert(now);
            if state.resting() || now - since >= LONGEST_WAIT {
                self.law_waits_since = None;
                self.side.take_law(|new| {
                    state.take_over(&program.law, &new.law, now);
                    std::mem::swap(program, new);
                });
            }
        }
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
        self.side.seen();
        self.counts.ticks += 1;
        self.counts.lost = self.side.lost();
        let took = (read_ns(ClockId::CLOCK_MONOTONIC) - began) as f64 / NS as f64;
        self.counts.longest = self.counts.longest.max(took);
        (record.at, record.sequence, record.counts) = (now, sequence, self.counts);
        self.side.send(&mut self.record);
    }
}

/// Sleeps until `deadline`, ns on the monotonic clock.
fn sleep_until(deadline: i64) {
    let until = TimeSpec::new(deadline.div_euclid(NS), deadline.rem_euclid(NS));
    let flags = ClockNanosleepFlags::TIMER_ABSTIME;
    while clock_nanosleep(ClockId::CLOCK_MONOTONIC, flags, &until) == Err(Errno::EINTR) {}
}

//! The clock of the process: loop time, and the stamps of messages.
//!
//! Loop time never decreases and is the same for all holders of the clock. With the system clock it
//! is the monotonic clock, which is never set; stamps are on the system clock, which may step. With
//! simulated time it advances with each message on `/clock` and stands between them. A jump of
//! simulated time is treated like a step of the system clock: loop time continues [`GAP`] later,
//! and stamps have a new offset from then on. So no time from before a jump is ever ahead of one
//! after it.

use std::collections::VecDeque;
use std::fmt;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};

use nix::errno::Errno;
use nix::sys::time::TimeSpec;
use nix::time::{ClockId, ClockNanosleepFlags, clock_gettime, clock_nanosleep};

pub(super) const NS: i64 = 1_000_000_000;
/// Min deviation of the system clock from loop time that counts as a step, ns. Below it the offset
/// is kept, so that a stamp is returned exactly as received.
const STEP_NS: i64 = 1_000_000;
/// Max readings of both clocks for one comparison.
const READINGS: u32 = 5;
/// Max number of recent steps of simulated time, and min number from which the next one is
/// predicted.
const STEPS: usize = 16;
const FEW: usize = 4;
/// Max advance of simulated time by one message, ns; more is a jump.
const FARTHEST: i64 = NS;
/// Max decrease of simulated time that counts as a message out of order, ns; time then stands until
/// it is reached again.
const OUT_OF_ORDER: i64 = NS / 10;
/// Advance of loop time at a jump of simulated time, ns: more than any stamp is accepted ahead.
const GAP: i64 = 3 * NS;

pub(super) fn monotonic() -> i64 {
    read_ns(ClockId::CLOCK_MONOTONIC)
}

fn read_ns(clock: ClockId) -> i64 {
    // Both clocks exist on every Linux. If one were missing, time would stand still and the data be
    // stale.
    clock_gettime(clock).map_or(0, |t| t.tv_sec() * NS + t.tv_nsec())
}

fn seconds(ns: i64) -> f64 {
    ns as f64 / NS as f64
}

/// The clock: loop time in s since its creation, and the conversion of stamps. Clones are the same
/// clock.
#[derive(Clone, Debug)]
pub struct Clock(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    /// Time of creation, ns on the monotonic clock.
    epoch: i64,
    stamps: Stamps,
    /// Time of the stamps' clock less loop time, ns.
    offset: AtomicI64,
    /// Steps of the system clock; with simulated time its start and its jumps.
    steps: AtomicU64,
}

/// The clock of the stamps.
enum Stamps {
    /// The system clock, ns.
    System(Box<dyn Fn() -> i64 + Send + Sync>),
    Simulated(Simulated),
}

/// Simulated loop time, ns.
#[derive(Debug, Default)]
struct Simulated {
    now: AtomicI64,
    /// Loop time of its start or last jump.
    since: AtomicI64,
    /// Predicted advance by the next message; 0 before there were a few.
    next_step: AtomicI64,
}

impl fmt::Debug for Stamps {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::System(_) => out.write_str("System"),
            Self::Simulated(simulated) => simulated.fmt(out),
        }
    }
}

impl Default for Clock {
    fn default() -> Self {
        Self::new()
    }
}

impl Clock {
    /// Returns a clock that starts now, with stamps on the system clock.
    pub fn new() -> Self {
        Self::stamped_by(|| read_ns(ClockId::CLOCK_REALTIME))
    }

    /// Returns a clock that starts now, with stamps on `system`, which returns ns and may step.
    pub fn stamped_by(system: impl Fn() -> i64 + Send + Sync + 'static) -> Self {
        let clock = Self::on(Stamps::System(Box::new(system)));
        if let Some(offset) = clock.measure() {
            clock.0.offset.store(offset, Ordering::Relaxed);
        }
        clock
    }

    /// Returns a clock on simulated time, which stands at 0 until it is set.
    pub fn simulated() -> (Self, ClockSetter) {
        let clock = Self::on(Stamps::Simulated(Simulated::default()));
        let setter = ClockSetter {
            clock: clock.clone(),
            last: None,
            steps: VecDeque::with_capacity(STEPS),
        };
        (clock, setter)
    }

    fn on(stamps: Stamps) -> Self {
        Self(Arc::new(Inner {
            epoch: monotonic(),
            stamps,
            offset: AtomicI64::new(0),
            steps: AtomicU64::new(0),
        }))
    }

    /// Returns true if time is simulated.
    pub fn is_simulated(&self) -> bool {
        matches!(self.0.stamps, Stamps::Simulated(_))
    }

    /// Returns true if time runs; simulated time does from the first message on.
    pub fn runs(&self) -> bool {
        !self.is_simulated() || self.0.steps.load(Ordering::Acquire) > 0
    }

    /// Returns the name of the stamps' clock for messages to people.
    pub fn words(&self) -> &'static str {
        match self.0.stamps {
            Stamps::System(_) => "this machine's clock",
            Stamps::Simulated(_) => "the simulated time on /clock",
        }
    }

    /// Measures the present time of the stamps' clock less loop time, ns; `None` if time is
    /// simulated.
    fn measure(&self) -> Option<i64> {
        match &self.0.stamps {
            Stamps::System(system) => {
                // A pause of this thread between the two readings would look like a step, so take
                // the closest of a few.
                let mut closest = (i64::MAX, 0);
                for _ in 0..READINGS {
                    let before = monotonic();
                    let read = system();
                    let took = monotonic() - before;
                    if took < closest.0 {
                        closest = (took, read - (before + took / 2 - self.0.epoch));
                    }
                    if took < STEP_NS / 4 {
                        break;
                    }
                }
                Some(closest.1)
            }
            Stamps::Simulated(_) => None,
        }
    }

    /// Returns the time of the stamps' clock less loop time, ns. Detects a step of the system
    /// clock.
    fn offset(&self) -> i64 {
        let offset = self.0.offset.load(Ordering::Acquire);
        let Some(measured) = self.measure() else {
            return offset;
        };
        if (measured - offset).abs() <= STEP_NS {
            return offset;
        }
        // Of several threads that detect a step, one counts it.
        let order = (Ordering::AcqRel, Ordering::Acquire);
        let stored = (self.0.offset).compare_exchange(offset, measured, order.0, order.1);
        if stored.is_ok() {
            self.0.steps.fetch_add(1, Ordering::AcqRel);
        }
        measured
    }

    /// Returns the loop time, s.
    pub fn now(&self) -> f64 {
        seconds(self.now_ns())
    }

    /// Returns the loop time, ns.
    pub(super) fn now_ns(&self) -> i64 {
        match &self.0.stamps {
            Stamps::System(_) => monotonic() - self.0.epoch,
            Stamps::Simulated(time) => time.now.load(Ordering::Acquire),
        }
    }

    /// Returns the machine time, s since the clock was created: for waits of people and other
    /// processes, which do not stand still with simulated time. With the system clock it is loop
    /// time.
    pub fn machine(&self) -> f64 {
        seconds(monotonic() - self.0.epoch)
    }

    /// Returns the loop time of a stamp, s.
    pub fn time_of(&self, seconds_of_stamp: i32, nanoseconds: u32) -> f64 {
        seconds(i64::from(seconds_of_stamp) * NS + i64::from(nanoseconds) - self.offset())
    }

    /// Returns the stamp (s, ns) of a loop time; the exact inverse of [`Clock::time_of`].
    pub fn stamp_of(&self, time: f64) -> (i32, u32) {
        let ns = (time * NS as f64).round() as i64 + self.offset();
        // Stamps hold 32 bits of seconds, until 2038.
        let limits = (i64::from(i32::MIN), i64::from(i32::MAX));
        let seconds = ns.div_euclid(NS).clamp(limits.0, limits.1) as i32;
        (seconds, ns.rem_euclid(NS) as u32)
    }

    /// Returns the number of changes of the stamps' offset: steps of the system clock, jumps of
    /// simulated time.
    pub fn steps(&self) -> u64 {
        let steps = self.0.steps.load(Ordering::Acquire);
        steps - u64::from(self.is_simulated() && steps > 0)
    }

    /// Returns the number of starts and jumps of simulated time, 0 with the system clock.
    pub(super) fn generation(&self) -> u64 {
        match self.0.stamps {
            Stamps::System(_) => 0,
            Stamps::Simulated(_) => self.0.steps.load(Ordering::Acquire),
        }
    }

    /// Returns the loop time, ns, of the start or last jump of simulated time; older times are
    /// invalid. With the system clock there is no limit.
    pub(super) fn since(&self) -> i64 {
        match &self.0.stamps {
            Stamps::System(_) => i64::MIN,
            Stamps::Simulated(time) => time.since.load(Ordering::Acquire),
        }
    }

    /// Returns the loop time, ns, of the next stamp that is a multiple of `period`, ns; now, if the
    /// present stamp is one.
    pub(super) fn next_multiple(&self, period: i64) -> i64 {
        let now = self.now_ns();
        now + (-(now + self.offset())).rem_euclid(period)
    }

    /// Returns the predicted advance by the next message on `/clock`, s; 0 on the system clock.
    pub fn step(&self) -> f64 {
        seconds(self.next_step())
    }

    /// Returns the predicted advance by the next message on `/clock`, ns; 0 before there were a
    /// few, and if time is not simulated.
    pub(super) fn next_step(&self) -> i64 {
        match &self.0.stamps {
            Stamps::System(_) => 0,
            Stamps::Simulated(time) => time.next_step.load(Ordering::Acquire),
        }
    }

    /// Sleeps until loop time `deadline`, ns. Valid only if loop time is machine time.
    pub(super) fn sleep_until(&self, deadline: i64) {
        let deadline = deadline + self.0.epoch;
        let until = TimeSpec::new(deadline.div_euclid(NS), deadline.rem_euclid(NS));
        let flags = ClockNanosleepFlags::TIMER_ABSTIME;
        while clock_nanosleep(ClockId::CLOCK_MONOTONIC, flags, &until) == Err(Errno::EINTR) {}
    }
}

/// Sets a clock on simulated time.
#[derive(Debug)]
pub struct ClockSetter {
    clock: Clock,
    /// Last setting, ns of simulated time.
    last: Option<i64>,
    /// Recent advances, ns, the last one at the end.
    steps: VecDeque<i64>,
}

/// Result of setting a clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Moved {
    /// Simulated time has begun.
    Begun,
    /// It has advanced.
    On,
    /// It stands: the same time again, or slightly earlier, which is a message out of order.
    Stands,
    /// It has jumped by this time, s.
    Jumped(f64),
}

/// Returns the predicted advance by the next message after an advance by `by` ns, which is added to
/// `steps`. It is the one that followed the last equal advance, since clocks step evenly or in a
/// pattern; without an equal one, the min of all.
fn next_step(steps: &mut VecDeque<i64>, by: i64) -> i64 {
    let like = steps.iter().rposition(|step| *step == by);
    let after = like.map(|place| steps.get(place + 1).copied().unwrap_or(by));
    if steps.len() == STEPS {
        steps.pop_front();
    }
    steps.push_back(by);
    if steps.len() < FEW {
        return 0;
    }
    let shortest = steps.iter().copied().min();
    after.or(shortest).unwrap_or(0)
}

impl ClockSetter {
    /// Sets simulated time to a stamp.
    pub fn set(&mut self, seconds_of_stamp: i32, nanoseconds: u32) -> Moved {
        let stamp = i64::from(seconds_of_stamp) * NS + i64::from(nanoseconds);
        let Stamps::Simulated(time) = &self.clock.0.stamps else {
            // Only simulated time is set.
            return Moved::Stands;
        };
        let now = time.now.load(Ordering::Relaxed);
        let by = self.last.map(|last| stamp - last);
        match by {
            Some(by) if (1..=FARTHEST).contains(&by) => {
                let next = next_step(&mut self.steps, by);
                time.next_step.store(next, Ordering::Release);
                time.now.store(now + by, Ordering::Release);
                self.last = Some(stamp);
                return Moved::On;
            }
            Some(by) if (-OUT_OF_ORDER..=0).contains(&by) => return Moved::Stands,
            _ => {}
        }
        // A reader of the new loop time also sees the new offset of stamps, and the jump.
        let after = now + GAP;
        self.clock.0.offset.store(stamp - after, Ordering::Release);
        time.since.store(after, Ordering::Release);
        self.clock.0.steps.fetch_add(1, Ordering::AcqRel);
        time.now.store(after, Ordering::Release);
        self.last = Some(stamp);
        by.map_or(Moved::Begun, |by| Moved::Jumped(seconds(by)))
    }
}

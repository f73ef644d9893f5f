//! The one clock: loop time, and the stamps of messages.
//!
//! Loop time never goes back and is the same for everybody who holds the clock. With the system clock it is the
//! monotonic clock, which nobody sets; stamps are on the system clock, which may step. With simulated time it goes on
//! as far as each message on `/clock` says, and stands while none comes. A jump of simulated time is to it what a step is
//! to the system clock: loop time goes on, [`GAP`] later, and the stamps mean something else from then on. So nothing
//! of before is ever ahead of anything after, whoever has kept it.

use std::collections::VecDeque;
use std::fmt;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};

use nix::errno::Errno;
use nix::sys::time::TimeSpec;
use nix::time::{ClockId, ClockNanosleepFlags, clock_gettime, clock_nanosleep};

pub(super) const NS: i64 = 1_000_000_000;
/// Departure of the system clock from the loop's that counts as a step, ns. Below it one offset serves, so
/// that a stamp comes out exactly as it came in.
const STEP_NS: i64 = 1_000_000;
/// Most readings of both clocks for one comparison.
const READINGS: u32 = 5;
/// How many steps of simulated time count as lately, and from how many on they tell what the next one will be.
const STEPS: usize = 16;
const FEW: usize = 4;
/// How far one message may take simulated time on, ns; farther is a jump.
const FARTHEST: i64 = NS;
/// How far simulated time may go back, ns, and only be out of order; it then stands until it is there again.
const OUT_OF_ORDER: i64 = NS / 10;
/// How much later loop time goes on after a jump of simulated time, ns: more than any stamp is accepted ahead.
const GAP: i64 = 3 * NS;

pub(super) fn monotonic() -> i64 {
    read_ns(ClockId::CLOCK_MONOTONIC)
}

fn read_ns(clock: ClockId) -> i64 {
    // Both clocks exist on every Linux; were one missing, time would stand still and the data be stale.
    clock_gettime(clock).map_or(0, |t| t.tv_sec() * NS + t.tv_nsec())
}

fn seconds(ns: i64) -> f64 {
    ns as f64 / NS as f64
}

/// The one clock: loop time in s since it was made, and the conversion of stamps. Copies are the same clock.
#[derive(Clone, Debug)]
pub struct Clock(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    /// When it was made, ns on the monotonic clock.
    epoch: i64,
    stamps: Stamps,
    /// What stamps are on, less loop time, ns.
    offset: AtomicI64,
    /// Steps of the system clock; with simulated time its begin and its jumps.
    steps: AtomicU64,
}

/// What the stamps are on.
enum Stamps {
    /// The system clock, ns.
    System(Box<dyn Fn() -> i64 + Send + Sync>),
    Simulated(Simulated),
}

/// Loop time where it is simulated, ns.
#[derive(Debug, Default)]
struct Simulated {
    now: AtomicI64,
    /// When it began or jumped last.
    since: AtomicI64,
    /// How far the next message will go on, as far as that can be told; 0 before there were a few.
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
    /// A clock that starts now; stamps are on the system clock.
    pub fn new() -> Self {
        Self::stamped_by(|| read_ns(ClockId::CLOCK_REALTIME))
    }

    /// A clock that starts now; stamps are on `system`, which gives ns and may step.
    pub fn stamped_by(system: impl Fn() -> i64 + Send + Sync + 'static) -> Self {
        let clock = Self::on(Stamps::System(Box::new(system)));
        if let Some(offset) = clock.measure() {
            clock.0.offset.store(offset, Ordering::Relaxed);
        }
        clock
    }

    /// A clock that stands at 0 until its hand is moved: simulated time.
    pub fn simulated() -> (Self, Hand) {
        let clock = Self::on(Stamps::Simulated(Simulated::default()));
        let hand = Hand {
            clock: clock.clone(),
            last: None,
            steps: VecDeque::with_capacity(STEPS),
        };
        (clock, hand)
    }

    fn on(stamps: Stamps) -> Self {
        Self(Arc::new(Inner {
            epoch: monotonic(),
            stamps,
            offset: AtomicI64::new(0),
            steps: AtomicU64::new(0),
        }))
    }

    /// Whether time is simulated.
    pub fn is_simulated(&self) -> bool {
        matches!(self.0.stamps, Stamps::Simulated(_))
    }

    /// Whether time runs: simulated time does from the first message on.
    pub fn runs(&self) -> bool {
        !self.is_simulated() || self.0.steps.load(Ordering::Acquire) > 0
    }

    /// What stamps are compared with, for people.
    pub fn words(&self) -> &'static str {
        match self.0.stamps {
            Stamps::System(_) => "this machine's clock",
            Stamps::Simulated(_) => "the simulated time on /clock",
        }
    }

    /// What the stamps are on, less loop time, ns, as it is now; where time is simulated nobody need measure it.
    fn measure(&self) -> Option<i64> {
        match &self.0.stamps {
            Stamps::System(system) => {
                // A pause of this thread between the two readings would pass for a step: the closest of a few counts.
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

    /// What stamps are on, less loop time, ns. A step of the system clock is noticed here.
    fn offset(&self) -> i64 {
        let offset = self.0.offset.load(Ordering::Acquire);
        let Some(measured) = self.measure() else {
            return offset;
        };
        if (measured - offset).abs() <= STEP_NS {
            return offset;
        }
        // Of several who notice it one counts it.
        let order = (Ordering::AcqRel, Ordering::Acquire);
        let stored = (self.0.offset).compare_exchange(offset, measured, order.0, order.1);
        if stored.is_ok() {
            self.0.steps.fetch_add(1, Ordering::AcqRel);
        }
        measured
    }

    /// Loop time, s.
    pub fn now(&self) -> f64 {
        seconds(self.now_ns())
    }

    /// Loop time, ns.
    pub(super) fn now_ns(&self) -> i64 {
        match &self.0.stamps {
            Stamps::System(_) => monotonic() - self.0.epoch,
            Stamps::Simulated(time) => time.now.load(Ordering::Acquire),
        }
    }

    /// Machine time, s since the clock was made: what people and other processes wait by, who do not stand still with
    /// simulated time. With the system clock it is loop time.
    pub fn machine(&self) -> f64 {
        seconds(monotonic() - self.0.epoch)
    }

    /// Loop time of a stamp.
    pub fn time_of(&self, seconds_of_stamp: i32, nanoseconds: u32) -> f64 {
        seconds(i64::from(seconds_of_stamp) * NS + i64::from(nanoseconds) - self.offset())
    }

    /// The stamp (s, ns) of a loop time; gives back exactly what [`Clock::time_of`] took.
    pub fn stamp_of(&self, time: f64) -> (i32, u32) {
        let ns = (time * NS as f64).round() as i64 + self.offset();
        // Stamps hold 32 bits of seconds: until 2038.
        let limits = (i64::from(i32::MIN), i64::from(i32::MAX));
        let seconds = ns.div_euclid(NS).clamp(limits.0, limits.1) as i32;
        (seconds, ns.rem_euclid(NS) as u32)
    }

    /// How often the stamps were found to mean something else than before: steps of the system clock, jumps of simulated
    /// time.
    pub fn steps(&self) -> u64 {
        let steps = self.0.steps.load(Ordering::Acquire);
        steps - u64::from(self.is_simulated() && steps > 0)
    }

    /// How often simulated time has begun or jumped; loop time on the monotonic clock never does.
    pub(super) fn generation(&self) -> u64 {
        match self.0.stamps {
            Stamps::System(_) => 0,
            Stamps::Simulated(_) => self.0.steps.load(Ordering::Acquire),
        }
    }

    /// Loop time, ns, since which it goes on without a jump; what is older is from another time. Always, but for
    /// simulated time.
    pub(super) fn since(&self) -> i64 {
        match &self.0.stamps {
            Stamps::System(_) => i64::MIN,
            Stamps::Simulated(time) => time.since.load(Ordering::Acquire),
        }
    }

    /// Loop time, ns, of the next stamp that is a multiple of `period`, ns; now, where the present one is.
    pub(super) fn next_multiple(&self, period: i64) -> i64 {
        let now = self.now_ns();
        now + (-(now + self.offset())).rem_euclid(period)
    }

    /// How far the next message on `/clock` will go on, ns, as far as that can be told; 0 before there were a few, and where
    /// time is not simulated.
    pub(super) fn next_step(&self) -> i64 {
        match &self.0.stamps {
            Stamps::System(_) => 0,
            Stamps::Simulated(time) => time.next_step.load(Ordering::Acquire),
        }
    }

    /// Sleeps until loop time `deadline`, ns, where loop time is machine time.
    pub(super) fn sleep_until(&self, deadline: i64) {
        let deadline = deadline + self.0.epoch;
        let until = TimeSpec::new(deadline.div_euclid(NS), deadline.rem_euclid(NS));
        let flags = ClockNanosleepFlags::TIMER_ABSTIME;
        while clock_nanosleep(ClockId::CLOCK_MONOTONIC, flags, &until) == Err(Errno::EINTR) {}
    }
}

/// The hand of a clock on simulated time.
#[derive(Debug)]
pub struct Hand {
    clock: Clock,
    /// Where it was set last, ns of simulated time.
    last: Option<i64>,
    /// How far it was moved lately, ns, the last one at the end.
    steps: VecDeque<i64>,
}

/// What moving the hand came to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Moved {
    /// Simulated time has begun.
    Begun,
    /// It has gone on.
    On,
    /// It stands: the same time again, or a little earlier, which is a message out of order.
    Stands,
    /// It has jumped, by s.
    Jumped(f64),
}

/// How far the next message will go on after one that has gone on `by` ns, which joins `steps`: as after the last one like
/// it, since clocks step evenly or in a pattern; without one, as far as the shortest.
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

impl Hand {
    /// Simulated time is now at a stamp.
    pub fn set(&mut self, seconds_of_stamp: i32, nanoseconds: u32) -> Moved {
        let stamp = i64::from(seconds_of_stamp) * NS + i64::from(nanoseconds);
        let Stamps::Simulated(time) = &self.clock.0.stamps else {
            // Only simulated time has a hand.
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
        // Who sees the new loop time sees what stamps mean by then, and that it has jumped.
        let after = now + GAP;
        self.clock.0.offset.store(stamp - after, Ordering::Release);
        time.since.store(after, Ordering::Release);
        self.clock.0.steps.fetch_add(1, Ordering::AcqRel);
        time.now.store(after, Ordering::Release);
        self.last = Some(stamp);
        by.map_or(Moved::Begun, |by| Moved::Jumped(seconds(by)))
    }
}

//! The real-time loop at 500 Hz against the simulated joint in real time, for a minute: random
//! targets, faults on the wire, a gain set swapped each second. Memory stays flat, no law is lost,
//! every output is finite. A cycle is late only where a bare loop with the same deadlines is late
//! as well.
//!
//! `WITHY_SOAK=600` runs for as many seconds.

use std::f64::consts::TAU;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, OnceLock};
use std::time::{Duration, Instant};

use crate::bench_support::faults::{Fault, Kind, Message, Stream, Wire};
use crate::bench_support::{Random, not_finite, sequence};
use crate::common::skip::skip;
use crate::common::{Neck, PAYLOADS, pose};
use nix::sched::{CpuSet, sched_getaffinity, sched_setaffinity};
use nix::sys::time::TimeSpec;
use nix::time::{ClockId, ClockNanosleepFlags, clock_gettime, clock_nanosleep};
use nix::unistd::Pid;
use thread_priority::{
    RealtimeThreadSchedulePolicy, ThreadPriority, ThreadPriorityValue, ThreadSchedulePolicy,
    set_thread_priority_and_policy, thread_native_id,
};
use withy::control::geometry::configuration;
use withy::control::tick::{Desired, Law, Mode};
use withy::files::TickSource;
use withy::runtime::link::inbox::{ImuPlace, ImuReading, Inbox, When};
use withy::runtime::link::{Counts, InputSender, Link, LoopRequest, Program, RecordReceiver};
use withy::runtime::rt::{self, Clock};
use withy::sim::beam::{DriveKind, Plant};

const PERIOD: f64 = 0.002;
const PERIOD_NS: i64 = 2_000_000;
/// The loop's own criterion: late by more than a fifth of the period.
const LATE_NS: i64 = PERIOD_NS / 5;
/// Only failures wait this long.
const PATIENCE: Duration = Duration::from_secs(20);
/// Growth of the resident set that is not a leak, bytes: the allocator and lazily mapped pages.
const SLACK: u64 = 1 << 20;

/// State shared by the threads.
#[derive(Default)]
struct Seen {
    counts: Mutex<Counts>,
    wrong: Mutex<Vec<String>>,
    tracking: AtomicU64,
    records: AtomicU64,
    /// Late cycles of the loop.
    late: Mutex<Vec<Wait>>,
    /// One of the loop's deadlines, ns of the monotonic clock; the others are whole periods off.
    deadline: OnceLock<i64>,
    over: AtomicBool,
}

/// Time when a thread should have run, and when it did, ns of the monotonic clock.
#[derive(Clone, Copy, Debug)]
struct Wait {
    due: i64,
    ran: i64,
}

impl Wait {
    /// Returns true if both waited at one moment.
    fn meets(&self, other: &Self) -> bool {
        self.due < other.ran && other.due < self.ran
    }
}

fn monotonic() -> i64 {
    let t = clock_gettime(ClockId::CLOCK_MONOTONIC).unwrap();
    t.tv_sec() * 1_000_000_000 + t.tv_nsec()
}

/// Returns the resident set, bytes (proc(5): the second field of statm, in pages; 4096 bytes on the
/// supported machines).
fn resident() -> u64 {
    let statm = std::fs::read_to_string("/proc/self/statm").unwrap();
    let pages: u64 = statm.split(' ').nth(1).unwrap().parse().unwrap();
    pages * 4096
}

/// Returns the processors that this process may run on.
fn processors() -> Vec<usize> {
    let allowed = sched_getaffinity(Pid::from_raw(0)).unwrap();
    (0..CpuSet::count())
        .filter(|cpu| allowed.is_set(*cpu).unwrap())
        .collect()
}

/// Keeps this thread, and those that it starts, to `processors`.
fn keep_to(processors: &[usize]) {
    let mut set = CpuSet::new();
    for &processor in processors {
        set.set(processor).unwrap();
    }
    sched_setaffinity(Pid::from_raw(0), &set).unwrap();
}

/// Runs an empty loop with the loop's absolute deadlines. Returns its waits of more than half of
/// the late criterion.
fn bare(seen: &Seen, priority: bool) -> Vec<Wait> {
    if priority {
        // Above the loop, so that a cycle that takes too long does not excuse the next one.
        let value = ThreadPriorityValue::try_from(61).unwrap();
        set_thread_priority_and_policy(
            thread_native_id(),
            ThreadPriority::Crossplatform(value),
            ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo),
        )
        .unwrap();
    }
    let mut waits = Vec::with_capacity(100_000);
    let mut due = None;
    while !seen.over.load(Ordering::Relaxed) {
        let Some(last) = due.or(seen.deadline.get().copied()) else {
            std::thread::sleep(Duration::from_millis(10));
            continue;
        };
        let mut next = last + PERIOD_NS;
        // Past deadlines are skipped, as in the loop.
        next += (monotonic() - next).max(0) / PERIOD_NS * PERIOD_NS;
        let until = TimeSpec::new(next / 1_000_000_000, next % 1_000_000_000);
        let flags = ClockNanosleepFlags::TIMER_ABSTIME;
        let _ = clock_nanosleep(ClockId::CLOCK_MONOTONIC, flags, &until);
        let ran = monotonic();
        if ran - next > LATE_NS / 2 {
            waits.push(Wait { due: next, ran });
        }
        due = Some(next);
    }
    waits
}

/// Runs the joint in real time with its sensors, the wire and the commanding client.
fn joint(
    neck: &Neck,
    clock: &Clock,
    mut sender: InputSender,
    mut records: RecordReceiver,
    seen: &Seen,
) {
    let names = neck.file.all_motor_names();
    let mut plant = Plant::new(&neck.description, &neck.options, neck.seed).unwrap();
    plant.set_payload(PAYLOADS[1].0, PAYLOADS[1].1).unwrap();
    let (mut inbox, mut wire, mut random) = (
        Inbox::new(names.clone(), names.len()),
        Wire::new(3),
        Random(4),
    );
    let start = clock.now();
    let epoch = monotonic() - (1e9 * start) as i64;
    let (mut last, mut began) = (Counts::default(), Vec::new());
    let (mut next, mut sequence, mut faults) = (2.0, 0, Vec::<Fault>::new());
    let mut setpoints: Option<Vec<f64>> = None;
    while !seen.over.load(Ordering::Relaxed) {
        records.drain(|record, _| {
            seen.records.fetch_add(1, Ordering::Relaxed);
            let counts = record.counts;
            *seen.counts.lock().unwrap() = counts;
            let ran = epoch + (1e9 * record.at) as i64;
            if counts.late > last.late {
                // The time of lost records is unknown; the cycles in between were a period each.
                let skipped = (counts.ticks - last.ticks - 1) as i64;
                let due = ran - LATE_NS - skipped * PERIOD_NS;
                seen.late.lock().unwrap().push(Wait { due, ran });
            }
            last = counts;
            if seen.deadline.get().is_none() {
                began.push(ran);
                if began.len() == 500 {
                    // The mean on the circle of a period. A straight mean of times late by a
                    // millisecond, or the earliest, would give early deadlines.
                    let turn = |t: &i64| TAU * (t - ran) as f64 / PERIOD_NS as f64;
                    let sum = |of: fn(f64) -> f64| began.iter().map(|t| of(turn(t))).sum::<f64>();
                    let mean = sum(f64::sin).atan2(sum(f64::cos)) / TAU * PERIOD_NS as f64;
                    let _ = seen.deadline.set(ran + mean as i64);
                }
            }
            let out = &record.output;
            seen.tracking
                .fetch_add(u64::from(out.mode == Mode::Tracking), Ordering::Relaxed);
            let limits = &neck.file.limits.motors;
            let inside =
                (out.setpoints.iter().zip(limits)).all(|(s, m)| (m.low..=m.high).contains(s));
            let what = not_finite(out)
                .or((out.mode.sends() && !inside).then_some("a setpoint outside its travel"));
            if let Some(what) = what {
                let mut wrong = seen.wrong.lock().unwrap();
                if wrong.len() < 5 {
                    wrong.push(format!("{what} at {:.3} s in {:?}", record.at, out.mode));
                }
            }
            if out.mode.sends() {
                setpoints.get_or_insert_default().clone_from(&out.setpoints);
            }
        });
        if let Some(setpoints) = setpoints.take() {
            plant.command(DriveKind::Position, &setpoints).unwrap();
        }
        let t = clock.now() - start;
        plant.run_until(t);
        if t >= next {
            next = t + random.between(0.5, 2.0);
            sequence += 1;
            let bend = pose(random.between(0.0, 30.0), random.between(0.0, 360.0));
            inbox.desire(Desired {
                configuration: configuration(bend, 0.0),
                command: sequence,
                sequence,
                ..Desired::default()
            });
            sender.send(inbox.input());
            faults.retain(|f| f.until > t);
            let kind = sequence::kind(&mut random, 4, 4);
            let of_machine = matches!(
                kind,
                Kind::Cut(_)
                    | Kind::Stalled(_)
                    | Kind::LoopStall
                    | Kind::LoopStep(_)
                    | Kind::TimeJump
            );
            if random.chance(0.5) && !of_machine {
                let (from, until) = (t, t + random.between(0.02, 0.7));
                faults.push(Fault { kind, from, until });
            }
        }
        while let Some(reading) = plant.take_motor_reading() {
            let stamp = reading.stamp + start;
            wire.send(
                Message::new(Stream::Motors, stamp, reading.angles.clone(), &names),
                t,
                &faults,
            );
        }
        while let Some(reading) = plant.take_imu_reading() {
            let (q, w) = (reading.orientation, reading.angular_velocity);
            let numbers = vec![q.i, q.j, q.k, q.w, w.x, w.y, w.z];
            wire.send(
                Message::new(Stream::Head, reading.stamp + start, numbers, &[]),
                t,
                &faults,
            );
        }
        let mut new = false;
        for message in wire.arrived(t) {
            let when = || When::new(message.stamp, clock.now(), "the clock");
            let at = |i: usize| message.numbers.get(i).copied().unwrap_or(0.0);
            new |= match message.stream {
                Stream::Motors => inbox.motors(&message.names, &message.numbers, when).is_ok(),
                _ => ImuReading::new([0, 1, 2, 3].map(at), [4, 5, 6].map(at))
                    .and_then(|reading| inbox.imu(&reading, when()?, ImuPlace::Head))
                    .is_ok(),
            };
        }
        if new {
            sender.send(inbox.input());
        }
        std::thread::sleep(Duration::from_millis(1));
    }
}

#[test]
fn a_minute_at_500_hz() {
    let seconds: u64 = std::env::var("WITHY_SOAK").map_or(60, |s| s.parse().unwrap());
    let mut neck = Neck::position();
    neck.file.joint.period = PERIOD;
    let program = |set: usize| {
        let file = &neck.file;
        let gains = &file.gain_sets[set].gains;
        Program {
            joint: file.joint.clone(),
            law: Law::new(&file.joint, gains, &file.limits, file.feedback).unwrap(),
        }
    };
    let (clock, link, processors) = (Clock::new(), Link::new(4), processors());
    let seen = Seen::default();
    let Link {
        endpoint,
        input,
        records,
        mut laws,
        handle,
    } = link;
    handle.set_active(true);
    // A machine may hold up a single processor: the loop and the bare one are kept to the same.
    keep_to(&processors[..1]);
    let running = rt::start(program(0), endpoint, clock.clone(), TickSource::Timer).unwrap();
    keep_to(&processors);
    let priority = running.without_priority.is_none();
    // The resident set each second.
    let mut sizes = Vec::new();
    let mut swaps = 0;
    let bare = std::thread::scope(|scope| {
        let (neck, clock, seen) = (&neck, &clock, &seen);
        let bare = scope.spawn(move || {
            keep_to(&processors[..1]);
            bare(seen, priority)
        });
        scope.spawn(move || joint(neck, clock, input, records, seen));
        let begin = Instant::now();
        for second in 1..=seconds {
            let pending = laws.offer(program((second % 4) as usize));
            let taken = pending.is_some_and(|p| {
                let end = Instant::now() + PATIENCE;
                while !p.taken() && Instant::now() < end {
                    std::thread::sleep(Duration::from_millis(1));
                }
                p.taken()
            });
            swaps += u64::from(taken);
            laws.collect();
            handle.request(LoopRequest::Clear);
            let until = begin + Duration::from_secs(second);
            std::thread::sleep(until.saturating_duration_since(Instant::now()));
            sizes.push(resident());
        }
        seen.over.store(true, Ordering::Relaxed);
        bare.join().unwrap()
    });
    handle.stop();
    running.join().expect("the loop does not panic");

    let wrong = seen.wrong.lock().unwrap();
    assert!(wrong.is_empty(), "{wrong:?}");
    assert_eq!(swaps, seconds, "laws taken of those offered");
    let counts = *seen.counts.lock().unwrap();
    let records = seen.records.load(Ordering::Relaxed);
    let tracking = seen.tracking.load(Ordering::Relaxed) as f64 / records as f64;
    let third = sizes.len() / 3;
    let [first, rest] = [&sizes[..third], &sizes[third..]].map(|s| *s.iter().max().unwrap());
    // The bare loop did not run before its deadlines were known.
    let known = *seen.deadline.get().expect("half a thousand ticks");
    let mut late = seen.late.lock().unwrap().clone();
    late.retain(|tick| tick.due > known + PERIOD_NS);
    let alone = |tick: &&Wait| !bare.iter().any(|b| tick.meets(b));
    let alone: Vec<_> = late.iter().filter(alone).collect();
    println!(
        "{seconds} s: {} ticks, {} late, {} of them alone, {} missed, longest {:.3} ms; \
         tracking {:.0} %; resident set {} kB, later {} kB; priority {priority}",
        counts.ticks,
        late.len(),
        alone.len(),
        counts.missed,
        1e3 * counts.longest,
        100.0 * tracking,
        first / 1024,
        rest / 1024
    );
    assert!(
        tracking > 0.1,
        "the loop was closed for {tracking} of the time"
    );
    assert!(
        rest <= first + SLACK,
        "the resident set grew from {first} to {rest} bytes: {sizes:?}"
    );
    // A delay of the machine may begin after the bare loop has run and before the loop has. Without
    // real-time priority the scheduler may delay one and run the other.
    let most = counts.ticks as usize / 10_000 + late.len() / 20;
    // A machine on which the bare loop misses one deadline in a thousand says nothing about this one.
    let disturbed = bare.len() > counts.ticks as usize / 1000;
    if priority && alone.len() > most && disturbed {
        let (late, bare) = (late.len(), bare.len());
        return skip(&format!(
            "the machine stood still: {bare} waits of a bare loop were late, and {late} ticks"
        ));
    }
    assert!(
        !priority || alone.len() <= most,
        "of {} late ticks {} were late when a bare loop was not; deadlines at {known}: {alone:?}",
        late.len(),
        alone.len()
    );
}

//! The real-time loop at 500 Hz against the simulated joint in real time, for a minute: random targets, faults on the wire, a
//! gain set swapped each second. Memory stays flat, no law is lost, everything that comes out is a number, and ticks are not
//! later than those of bare loops beside it, one on each processor.
//!
//! `WITHY_SOAK=600` runs for as many seconds.

mod bench_support;
mod common;

use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use bench_support::faults::{Fault, Kind, Message, Stream, Wire};
use bench_support::{Random, not_finite, sequence};
use common::{Neck, PAYLOADS, pose};
use nix::sched::{CpuSet, sched_getaffinity, sched_setaffinity};
use nix::sys::time::TimeSpec;
use nix::time::{ClockId, ClockNanosleepFlags, clock_gettime, clock_nanosleep};
use nix::unistd::Pid;
use thread_priority::{
    RealtimeThreadSchedulePolicy, ThreadPriority, ThreadPriorityValue, ThreadSchedulePolicy,
    set_thread_priority_and_policy, thread_native_id,
};
use withy::beam::{DriveKind, Plant};
use withy::config::TickSource;
use withy::geometry::posture;
use withy::link::inbox::{ImuReading, Inbox, When};
use withy::link::{Ask, Counts, InputSender, Link, Program, RecordReceiver};
use withy::rt::{self, Clock};
use withy::tick::{Desired, Law, Mode};

const PERIOD: f64 = 0.002;
const PERIOD_NS: i64 = 2_000_000;
/// As the loop counts: late by more than a fifth of the period.
const LATE_NS: i64 = PERIOD_NS / 5;
/// Only failures wait this long.
const PATIENCE: Duration = Duration::from_secs(20);
/// Growth of the resident set that is not a leak, bytes: what the allocator and lazily mapped pages come to.
const SLACK: u64 = 1 << 20;

/// What the threads tell each other.
#[derive(Default)]
struct Seen {
    counts: Mutex<Counts>,
    wrong: Mutex<Vec<String>>,
    tracking: AtomicU64,
    records: AtomicU64,
    /// Late ticks of each bare loop.
    bare_late: Vec<AtomicU64>,
    over: AtomicBool,
}

/// Resident set, bytes (proc(5): the second field of statm, in pages; 4096 bytes on the machines that this runs on).
fn resident() -> u64 {
    let statm = std::fs::read_to_string("/proc/self/statm").unwrap();
    let pages: u64 = statm.split(' ').nth(1).unwrap().parse().unwrap();
    pages * 4096
}

/// The processors that this may run on.
fn processors() -> Vec<usize> {
    let allowed = sched_getaffinity(Pid::from_raw(0)).unwrap();
    (0..CpuSet::count())
        .filter(|cpu| allowed.is_set(*cpu).unwrap())
        .collect()
}

/// A loop with absolute deadlines and nothing in it, kept to one processor.
fn bare(seen: &Seen, late: &AtomicU64, processor: usize, priority: bool) {
    let mut set = CpuSet::new();
    set.set(processor).unwrap();
    sched_setaffinity(Pid::from_raw(0), &set).unwrap();
    if priority {
        let value = ThreadPriorityValue::try_from(60).unwrap();
        set_thread_priority_and_policy(
            thread_native_id(),
            ThreadPriority::Crossplatform(value),
            ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo),
        )
        .unwrap();
    }
    let now = || {
        let t = clock_gettime(ClockId::CLOCK_MONOTONIC).unwrap();
        t.tv_sec() * 1_000_000_000 + t.tv_nsec()
    };
    let mut deadline = now() + PERIOD_NS;
    while !seen.over.load(Ordering::Relaxed) {
        let until = TimeSpec::new(deadline / 1_000_000_000, deadline % 1_000_000_000);
        let flags = ClockNanosleepFlags::TIMER_ABSTIME;
        let _ = clock_nanosleep(ClockId::CLOCK_MONOTONIC, flags, &until);
        if now() - deadline > LATE_NS {
            late.fetch_add(1, Ordering::Relaxed);
        }
        deadline += PERIOD_NS;
        let behind = now() - deadline;
        if behind > PERIOD_NS {
            deadline += behind / PERIOD_NS * PERIOD_NS;
        }
    }
}

/// The joint in real time, its sensors and what is between, and whoever commands it.
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
    let (mut inbox, mut wire, mut random) =
        (Inbox::new(names.clone(), false), Wire::new(3), Random(4));
    let start = clock.now();
    let (mut next, mut sequence, mut faults) = (2.0, 0, Vec::<Fault>::new());
    let mut setpoints: Option<Vec<f64>> = None;
    while !seen.over.load(Ordering::Relaxed) {
        records.drain(|record, _| {
            seen.records.fetch_add(1, Ordering::Relaxed);
            *seen.counts.lock().unwrap() = record.counts;
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
                posture: posture(bend, 0.0),
                command: sequence,
                sequence,
                ..Desired::default()
            });
            sender.send(inbox.input(), false);
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
            let (q, w) = (reading.attitude, reading.angular_velocity);
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
                    .and_then(|reading| inbox.imu(&reading, when()?, false))
                    .is_ok(),
            };
        }
        if new {
            sender.send(inbox.input(), false);
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
    let seen = Seen {
        bare_late: processors.iter().map(|_| AtomicU64::new(0)).collect(),
        ..Seen::default()
    };
    let Link {
        loop_side,
        input,
        records,
        mut laws,
        handle,
    } = link;
    handle.set_active(true);
    let running = rt::start(program(0), loop_side, clock.clone(), TickSource::Timer).unwrap();
    let priority = running.without_priority.is_none();
    // Each second: resident set, and late ticks of the loop and of each bare one.
    let (mut sizes, mut late) = (Vec::new(), Vec::new());
    let mut swaps = 0;
    std::thread::scope(|scope| {
        let (neck, clock, seen) = (&neck, &clock, &seen);
        scope.spawn(move || joint(neck, clock, input, records, seen));
        for (late, processor) in seen.bare_late.iter().zip(processors) {
            scope.spawn(move || bare(seen, late, processor, priority));
        }
        let begin = Instant::now();
        for second in 1..=seconds {
            let pending = laws.offer(program((second % 4) as usize));
            let taken = pending.is_some_and(|p| p.wait(PATIENCE));
            swaps += u64::from(taken);
            laws.collect();
            handle.ask(Ask::Clear);
            let until = begin + Duration::from_secs(second);
            std::thread::sleep(until.saturating_duration_since(Instant::now()));
            sizes.push(resident());
            late.push((
                seen.counts.lock().unwrap().late,
                (seen.bare_late.iter())
                    .map(|l| l.load(Ordering::Relaxed))
                    .collect::<Vec<_>>(),
            ));
        }
        seen.over.store(true, Ordering::Relaxed);
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
    // Late ticks come in bursts, and by processor, so that counts say little: compared are seconds, with the later of the bare
    // loops. Where that is no later than the loop each second in which they differ goes against the loop with chance one half
    // at most; three standard deviations of that binomial are allowed.
    let each: Vec<_> = (late.windows(2))
        .map(|w| {
            let ((before, bare_before), (now, bare)) = (&w[0], &w[1]);
            let worst = bare.iter().zip(bare_before).map(|(b, a)| b - a).max();
            (now - before, worst.unwrap_or(0))
        })
        .collect();
    let more = each.iter().filter(|(ours, bare)| ours > bare).count() as f64;
    let differ = each.iter().filter(|(ours, bare)| ours != bare).count() as f64;
    let most = 0.5 * differ + 1.5 * differ.sqrt();
    let (ours, theirs) = &late[late.len() - 1];
    println!(
        "{seconds} s: {} ticks, {ours} late, {} missed, longest {:.3} ms; bare loops {theirs:?} late; later in {more} of {differ} seconds, at most {most:.1}; \
         tracking {:.0} %; resident set {} kB, later {} kB; priority {priority}",
        counts.ticks,
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
    assert!(
        more <= most,
        "later than a bare loop in {more} of {differ} seconds"
    );
}

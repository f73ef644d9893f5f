//! The joint under faults, on virtual time: a table of single faults, pinned, and random sequences
//! of them.
//!
//! Environment: `WITHY_GOLDEN=renew` rewrites the table; `WITHY_SEQUENCES=20000` runs as many
//! sequences; `WITHY_SEED=17` runs one and prints its events.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicU64, Ordering};

use crate::bench_support::faults::{Fault, Kind, Stream};
use crate::bench_support::golden::{Row, compare, table};
use crate::bench_support::sequence::{Plan, Start};
use crate::bench_support::{Event, Rig};
use crate::common::{HEAVIEST, Neck};

/// Longest time that is not safe, s: the delay of the rules before they hold (`over_bend` longest,
/// 1.5 s), and as long again for the reaction, a move to the target or the end of an oscillation.
const IN_TIME: f64 = 3.0;

/// Greatest bend as a share of the largest of: that with the motors held still, that of the
/// commands, and that of the same run without faults. In 20000 sequences 17881 are without a cut
/// tendon. 8 of these bend further, by up to 1.29 times (15 instead of 12 deg), with an IMU or
/// cycles that are missing in mid-motion, and fail that run. In one more, time jumps while the
/// encoders are frozen: the joint starts from the frozen angles.
const BEYOND: f64 = 1.1;

/// Share of the sequences with a cut tendon that may miss the two bounds above, none of 500, and
/// only up to the next two. In 20000 sequences a tendon is cut in 2119, and 30 of these miss: 28
/// bend up to 1.90 times as far, 2 take up to 3.13 s. Of the first 4000 one misses. A heavy head
/// then falls to the side without a tendon, wherever the motors stand; with motors held still at
/// the cut, it may happen to stand on the other side. Many of those that miss are cut in mid-motion
/// to that side, and are past it when IMU and encoders begin to differ by more than in ordinary
/// work, 0.2 s later. In others that tendon has no effect where the head stands, or the IMU is
/// silent meanwhile, until a command moves it over.
const SHARE_CUT: f64 = 0.015;
const BEYOND_CUT: f64 = 2.0;
const IN_TIME_CUT: f64 = 3.2;

fn starts() -> Vec<Start> {
    let necks = [
        ("position", Neck::position()),
        ("velocity", Neck::velocity()),
        ("pan", Neck::pan()),
    ];
    let each = necks.iter().flat_map(|(name, neck)| {
        [0, HEAVIEST].map(|payload| Start {
            name: format!("{name}, payload {payload}"),
            rig: Rig::ready(neck, payload),
        })
    });
    each.collect()
}

fn variable(name: &str) -> Option<u64> {
    let text = std::env::var(name).ok()?;
    Some(
        text.parse()
            .unwrap_or_else(|_| panic!("{name} is {text:?}; accepted: a number")),
    )
}

/// Results of some sequences, those with a cut tendon last.
#[derive(Default)]
struct Found {
    /// Seeds that miss a bound, with a flag for those that may, and the reason.
    bad: Vec<(u64, bool, String)>,
    count: [usize; 2],
    /// Greatest bend as a share of its bound, and the longest time that is not safe, s, each with
    /// its seed.
    bend: [(f64, u64); 2],
    time: [(f64, u64); 2],
}

/// Returns the greater of two, with its seed.
fn greater(a: (f64, u64), b: (f64, u64)) -> (f64, u64) {
    if b.0 > a.0 { b } else { a }
}

impl Found {
    fn with(mut self, other: Self) -> Self {
        self.bad.extend(other.bad);
        for class in [0, 1] {
            self.count[class] += other.count[class];
            self.bend[class] = greater(self.bend[class], other.bend[class]);
            self.time[class] = greater(self.time[class], other.time[class]);
        }
        self
    }
}

#[test]
fn random_sequences_leave_the_joint_safe() {
    let starts = starts();
    let seeds = match variable("WITHY_SEED") {
        Some(seed) => seed..seed + 1,
        None => 0..variable("WITHY_SEQUENCES").unwrap_or(500),
    };
    let tell = seeds.end - seeds.start == 1;
    let next = AtomicU64::new(seeds.start);
    let work = || {
        let mut found = Found::default();
        loop {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            if seed >= seeds.end {
                return found;
            }
            let plan = Plan::new(seed, &starts);
            if tell {
                println!("{plan:#?}");
            }
            let class = usize::from(plan.cuts());
            found.count[class] += 1;
            let seen = catch_unwind(AssertUnwindSafe(|| plan.run(seed, &starts, tell)));
            let (wrong, some_may) = match seen {
                Ok(runs) => {
                    if tell {
                        println!("{runs:#?}");
                    }
                    let time = (runs.closed.longest_unsafe.0, seed);
                    found.bend[class] = greater(found.bend[class], (runs.beyond(), seed));
                    found.time[class] = greater(found.time[class], time);
                    let some_may = plan.cuts() && runs.wrong(IN_TIME_CUT, BEYOND_CUT).is_empty();
                    (runs.wrong(IN_TIME, BEYOND), some_may)
                }
                Err(_) => (vec!["panics".into()], false),
            };
            if !wrong.is_empty() {
                let name = &starts[plan.start].name;
                let what = format!("{name}: {}\n    {:?}", wrong.join("; "), plan.faults);
                found.bad.push((seed, some_may, what));
            }
        }
    };
    let mut found = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..2).map(|_| scope.spawn(work)).collect();
        let joined = workers.into_iter().map(|w| w.join());
        let each = joined.map(|found| found.expect("panics are caught"));
        each.fold(Found::default(), Found::with)
    });
    found.bad.sort();
    for (class, what) in ["without a cut tendon", "with a cut tendon"]
        .iter()
        .enumerate()
    {
        let (count, (bend, of_bend)) = (found.count[class], found.bend[class]);
        let (time, of_time) = found.time[class];
        println!(
            "{count} sequences {what}: greatest bend {bend:.3} of what it may be (seed {of_bend}), \
             longest not safe {time:.2} s (seed {of_time})"
        );
    }
    for (seed, some_may, what) in &found.bad {
        let may = if *some_may { " (some may)" } else { "" };
        println!("seed {seed}{may}: {what}");
    }
    let some = found.bad.iter().filter(|b| b.1).count();
    assert!(
        found.bad.len() == some && some as f64 <= SHARE_CUT * found.count[1] as f64,
        "{} of {} sequences, {some} of them such that some may",
        found.bad.len(),
        seeds.end - seeds.start
    );
}

/// Single faults; the flag marks those with a different effect on the joint with a pan motor.
fn single() -> Vec<(&'static str, Kind, bool)> {
    use Kind::*;
    use Stream::{Base, Head, Motors};
    vec![
        ("IMU silent", Silent(Head), true),
        ("IMU half lost", Dropped(Head, 0.5), false),
        ("IMU 300 ms late", Late(Head, 0.3), false),
        ("IMU 40 ms late", Late(Head, 0.04), false),
        ("IMU doubled", Doubled(Head), false),
        ("IMU out of order", Shuffled(Head, 0.03), false),
        ("IMU bits flipped", Flipped(Head, 0.2), false),
        ("IMU no numbers", Nan(Head, 1.0), false),
        ("IMU wild", Wild(Head, 0.2), false),
        ("IMU frozen", Frozen(Head, 1), true),
        ("IMU clock ahead", ClockStep(Head, 1.0), false),
        ("IMU clock back", ClockStep(Head, -1.0), false),
        ("base IMU silent", Silent(Base), true),
        ("base IMU frozen", Frozen(Base, 1), true),
        ("encoders silent", Silent(Motors), true),
        ("encoders half lost", Dropped(Motors, 0.5), false),
        ("encoders 300 ms late", Late(Motors, 0.3), false),
        ("encoders out of order", Shuffled(Motors, 0.03), false),
        ("encoders bits flipped", Flipped(Motors, 0.2), false),
        ("encoders no numbers", Nan(Motors, 0.5), false),
        ("encoders wild", Wild(Motors, 0.2), false),
        ("encoders of wrong size", Missized(Motors, 0.5), false),
        ("encoder 1 silent", Unnamed(1), false),
        ("encoder 1 frozen", Frozen(Motors, 2), false),
        ("encoders frozen", Frozen(Motors, 31), true),
        ("encoders' clock back", ClockStep(Motors, -1.0), false),
        ("motor 1 jammed", Stalled(1), false),
        ("pan motor jammed", Stalled(4), true),
        ("tendon 1 cut", Cut(1), true),
        ("tendon 3 cut", Cut(3), false),
        ("no ticks", LoopStall, true),
        ("time ahead", LoopStep(1.0), false),
        ("simulated time jumps", TimeJump, true),
    ]
}

/// Duration of a single fault, and of its observation, s.
const LASTS: f64 = 3.0;
const WATCHED: f64 = 5.0;

/// At rest 15 deg out, or moving from there to the other side, with the heaviest payload.
fn row(neck: &str, rest: &Rig, moving: bool, name: &str, kind: Kind) -> Row {
    let mut closed = rest.clone();
    let now = closed.time();
    let mut from = now;
    if moving {
        closed.events = vec![(now, Event::Command(20.0, 227.0, -0.4))];
        from += 0.15;
    }
    closed.faults = vec![Fault {
        kind,
        from,
        until: from + LASTS,
    }];
    closed.seed(7);
    closed.watch_from = from;
    closed.run(from - now);
    let mut held = closed.clone();
    held.motors_held_from = held.time();
    closed.run(WATCHED);
    held.run(WATCHED);
    assert!(
        closed.seen.wrong.is_empty(),
        "{neck}, {name}: {:?}",
        closed.seen.wrong
    );
    let seen = &closed.seen;
    Row {
        words: vec![
            neck.into(),
            if moving { "moving" } else { "at rest" }.into(),
            name.into(),
            seen.cause.map_or("-", |_| seen.reaction.name()).into(),
            seen.cause.map_or("-", |cause| cause.name()).into(),
            format!("{:?}", closed.out.mode),
        ],
        numbers: [
            (seen.last_unsafe - from + closed.joint.period).max(0.0),
            100.0 * seen.travel,
            100.0 * seen.speed,
            seen.peak.to_degrees(),
            held.seen.peak.to_degrees(),
        ],
    }
}

#[test]
fn single_faults_do_what_the_table_says() {
    let mut rows = Vec::new();
    let necks = [
        ("position", Neck::position()),
        ("velocity", Neck::velocity()),
        ("pan", Neck::pan()),
    ];
    for (neck, model) in necks {
        let mut rest = Rig::ready(&model, HEAVIEST);
        rest.events = vec![(rest.time(), Event::Command(15.0, 47.0, 0.3))];
        rest.run(3.0);
        for (name, kind, with_pan) in single() {
            let of_pan = matches!(
                kind,
                Kind::Silent(Stream::Base) | Kind::Frozen(Stream::Base, _) | Kind::Stalled(4)
            );
            if (neck == "pan" && !with_pan) || (neck != "pan" && of_pan) {
                continue;
            }
            for moving in [false, true] {
                rows.push(row(neck, &rest, moving, name, kind.clone()));
            }
        }
    }
    let file =
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench_support/golden.txt");
    let now = table(&rows);
    if std::env::var_os("WITHY_GOLDEN").is_some_and(|v| v == "renew") {
        std::fs::write(&file, &now).unwrap();
        return;
    }
    let pinned = std::fs::read_to_string(&file).unwrap_or_default();
    let differences = compare(&pinned, &now);
    assert!(
        differences.is_empty(),
        "{}\n\n\
         If that is as it should be: WITHY_GOLDEN=renew cargo test --release --test control fault_bench:: \
         writes the table anew.",
        differences.join("\n")
    );
}

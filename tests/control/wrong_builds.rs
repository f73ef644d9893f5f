//! Joints that are not as their file says, on virtual time: signs, order, drums, mounting, zeros,
//! crossed tendons. The head stays near where a right joint would be, and the joint is held.
//! And right joints in all that is ordinary, which are not held.
//!
//! `WITHY_TABLE=1` prints the table.

use std::fmt::Write as _;

use crate::bench_support::Random;
use crate::common::{HEAVIEST, Loop, Neck, PAYLOADS, pose};
use nalgebra::{UnitQuaternion, Vector3};
use withy::control::geometry::Bend;
use withy::control::tick::{Feedback, Mode, Reaction, Rule, WrongBuild};
use withy::sim::beam::{BaseMotion, BaseOscillation, JointDescription, Tolerances};

/// Contradiction from which the time to the hold counts, rad (2 deg), and its bound, s.
const SEEN: f64 = 0.0349;
const IN_TIME: f64 = 0.5;
/// Greatest distance of the head from where a right joint would be, rad (12 deg).
const NEAR: f64 = 0.2094;
/// Time before a command, and after it, s.
const BEFORE: f64 = 2.0;
const AFTER: f64 = 2.0;

/// A mistake of the builder, and whether a cause names it.
#[derive(Clone, Copy)]
struct Mistake {
    name: &'static str,
    make: fn(&mut JointDescription),
    named: fn(WrongBuild) -> bool,
}

fn reversed(description: &mut JointDescription, tendon: usize) {
    let tendon = &mut description.tendons[tendon];
    tendon.positive_reels_in = !tendon.positive_reels_in;
}

fn drums(description: &mut JointDescription, factor: f64) {
    for tendon in &mut description.tendons {
        tendon.drum_radius *= factor;
    }
}

fn mounted(description: &mut JointDescription, axis: Vector3<f64>, deg: f64) {
    let turn = UnitQuaternion::new(axis * deg.to_radians());
    description.imu_mounting = turn * description.imu_mounting;
}

fn crossed(description: &mut JointDescription, a: usize, b: usize) {
    let angle = description.tendons[a].head_angle;
    description.tendons[a].head_angle = description.tendons[b].head_angle;
    description.tendons[b].head_angle = angle;
}

const fn mistake(
    name: &'static str,
    make: fn(&mut JointDescription),
    named: fn(WrongBuild) -> bool,
) -> Mistake {
    Mistake { name, make, named }
}

use WrongBuild::{Drums, Reversed, Sign, Swapped, Turned};

const MISTAKES: [Mistake; 15] = [
    mistake(
        "all signs",
        |d| (0..4).for_each(|i| reversed(d, i)),
        |b| b == Reversed,
    ),
    mistake("sign 0", |d| reversed(d, 0), |b| b == Sign(0)),
    mistake("sign 1", |d| reversed(d, 1), |b| b == Sign(1)),
    mistake("sign 2", |d| reversed(d, 2), |b| b == Sign(2)),
    mistake("sign 3", |d| reversed(d, 3), |b| b == Sign(3)),
    mistake(
        "swapped 0 1",
        |d| d.tendons.swap(0, 1),
        |b| b == Swapped(0, 1),
    ),
    mistake(
        "swapped 0 2",
        |d| d.tendons.swap(0, 2),
        |b| b == Swapped(0, 2),
    ),
    mistake(
        "swapped 1 3",
        |d| d.tendons.swap(1, 3),
        |b| b == Swapped(1, 3),
    ),
    mistake("drums x2", |d| drums(d, 2.0), |b| b == Drums(2.0)),
    mistake("drums x0.5", |d| drums(d, 0.5), |b| b == Drums(0.5)),
    mistake(
        "IMU 90",
        |d| mounted(d, Vector3::z(), 90.0),
        |b| matches!(b, Turned(_)),
    ),
    mistake(
        "IMU 180",
        |d| mounted(d, Vector3::z(), 180.0),
        |b| b == Reversed,
    ),
    mistake(
        "IMU upside down",
        |d| mounted(d, Vector3::x(), 180.0),
        |_| false,
    ),
    mistake("crossed 0 1", |d| crossed(d, 0, 1), |b| b == Swapped(0, 1)),
    mistake("crossed 0 2", |d| crossed(d, 0, 2), |b| b == Swapped(0, 2)),
];

/// Returns the loop with a law on the described joint, some time after its start.
fn started(neck: &Neck, gains: &str) -> Loop {
    let mut closed = neck.close(neck.law(gains));
    closed.faulty = true;
    closed.run(BEFORE);
    closed
}

/// What a wrong joint did.
#[derive(Default)]
struct Seen {
    /// Greatest distance from the right joint, rad.
    apart: f64,
    /// Time from 2 deg of contradiction to the hold, s; `None` if there was none, or the joint was
    /// held before.
    late: Option<f64>,
    held: Option<Rule>,
    cause: Option<WrongBuild>,
    /// It was held or refused before the command.
    before: bool,
}

/// Commands both. The right joint is told to stop when the reference of the wrong one is stopped.
fn compare(wrong: &mut Loop, right: &mut Loop, target: Bend) -> Seen {
    let stands = |c: &Loop| c.out.mode != Mode::Tracking;
    let mut seen = Seen {
        before: stands(wrong),
        held: wrong.out.faults.cause.filter(|_| stands(wrong)),
        ..Seen::default()
    };
    if seen.before {
        return seen;
    }
    wrong.command(target);
    right.command(target);
    let (mut since, mut stopped) = (None, false);
    for _ in 0..(AFTER / wrong.joint.period) as usize {
        wrong.step();
        right.step();
        wrong.record.clear();
        right.record.clear();
        if !stopped && wrong.out.faults.reaction >= Reaction::Slow {
            right.input.hold += 1;
            stopped = true;
        }
        let apart = (wrong.plant.truth().bend - right.plant.truth().bend).norm();
        seen.apart = seen.apart.max(apart);
        let differs = (wrong.out.estimate.imu_bend - wrong.out.estimate.motors_bend)
            - (right.out.estimate.imu_bend - right.out.estimate.motors_bend);
        if since.is_none() && (apart.max(differs.norm()) >= SEEN) {
            since = Some(wrong.now());
        }
        if stands(wrong) && seen.held.is_none() {
            seen.held = wrong.out.faults.cause;
            seen.cause = wrong.out.faults.wrong_build;
            seen.late = since.map(|since| wrong.now() - since);
        }
    }
    if let (Some(_), None) = (since, seen.held) {
        seen.late = Some(f64::INFINITY);
    }
    seen
}

/// Sums over the rows of the table.
#[derive(Default)]
struct Sums {
    all: usize,
    far: usize,
    late: usize,
    held: usize,
    named: usize,
}

#[test]
fn wrong_builds_are_held_near_where_a_right_joint_would_be() {
    let mut table = String::new();
    let mut sums = Sums::default();
    let mut farthest = 0.0_f64;
    for feedback in [Feedback::Imu, Feedback::Motors] {
        for gains in ["any-payload", "pure-feedback"] {
            let mut neck = Neck::position();
            neck.file.feedback = feedback;
            neck.file.joint = neck.file.joint_for(feedback);
            let right = started(&neck, gains);
            for mistake in MISTAKES {
                let mut built = neck.clone();
                (mistake.make)(&mut built.description);
                let wrong = started(&built, gains);
                for inclination in [3.0, 40.0] {
                    let mut row = Sums::default();
                    let (mut apart, mut late, mut rules) = (0.0_f64, 0.0_f64, Vec::new());
                    let mut causes = Vec::new();
                    for direction in 0..12 {
                        let target = pose(inclination, 30.0 * f64::from(direction));
                        let seen = compare(&mut wrong.clone(), &mut right.clone(), target);
                        row.all += 1;
                        row.far += usize::from(seen.apart > NEAR);
                        row.late += usize::from(seen.late.is_some_and(|late| late > IN_TIME));
                        apart = apart.max(seen.apart);
                        late = late.max(seen.late.unwrap_or(0.0));
                        let rule = match seen.held {
                            Some(rule) => rule.name(),
                            None if seen.before => "refused",
                            None => "-",
                        };
                        rules.push(if seen.before {
                            format!("{rule} at rest")
                        } else {
                            rule.to_string()
                        });
                        if seen.held == Some(Rule::MotionMismatch) && !seen.before {
                            row.held += 1;
                            row.named += usize::from(seen.cause.is_some_and(mistake.named));
                            causes.push(format!("{:?}", seen.cause));
                        }
                    }
                    for words in [&mut rules, &mut causes] {
                        words.sort_unstable();
                        words.dedup();
                    }
                    writeln!(
                        table,
                        "{feedback:?} {gains} {inclination}: {}: apart {:.1} deg ({} beyond), late {late:.2} s ({} \
                         beyond), named {} of {}; {}; {}",
                        mistake.name,
                        apart.to_degrees(),
                        row.far,
                        row.late,
                        row.named,
                        row.held,
                        rules.join(", "),
                        causes.join(" ")
                    )
                    .unwrap();
                    farthest = farthest.max(apart);
                    sums.all += row.all;
                    sums.far += row.far;
                    sums.late += row.late;
                    sums.held += row.held;
                    sums.named += row.named;
                }
            }
        }
    }
    if std::env::var_os("WITHY_TABLE").is_some() {
        println!("{table}");
    }
    println!(
        "{} cases: {} beyond 12 deg (greatest {:.1} deg), {} late; {} held by the rule, {} named",
        sums.all,
        sums.far,
        farthest.to_degrees(),
        sums.late,
        sums.held,
        sums.named
    );
    assert_eq!((sums.far, sums.late), (0, 0), "{table}");
    assert!(10 * sums.named >= 9 * sums.held, "{table}");
}

/// What happens to a right joint.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Ordinary {
    Plain,
    Built,
    Pushed,
    Loaded,
    Sways,
    Leans,
}

/// Moves a right joint at random. Returns the number of suspicions and of holds by the rule.
fn moves(neck: &Neck, gains: &str, what: Ordinary, seed: u64, count: usize) -> [usize; 2] {
    let mut random = Random(seed);
    let mut neck = neck.clone();
    if what == Ordinary::Built {
        neck.options.tolerances = Some(Tolerances::default());
        neck.seed = seed;
    }
    let mut closed = neck.close(neck.law(gains));
    closed.faulty = true;
    closed.load(match what {
        Ordinary::Pushed => HEAVIEST,
        _ => random.below(PAYLOADS.len()),
    });
    closed.run(3.0);
    let axis = |random: &mut Random| {
        let (sin, cos) = random.between(0.0, std::f64::consts::TAU).sin_cos();
        Vector3::new(cos, sin, 0.0)
    };
    if what == Ordinary::Sways {
        let sway = BaseOscillation {
            axis: axis(&mut random),
            amplitude: 6_f64.to_radians(),
            frequency: random.between(0.1, 0.4),
            pivot: Vector3::zeros(),
        };
        closed
            .plant
            .set_base(BaseMotion::BaseOscillation(sway))
            .unwrap();
        closed.run(5.0);
    }
    let (mut suspected, mut held) = (0, 0);
    let mut before = false;
    for _ in 0..count {
        closed.point(random.between(0.0, 38.0), random.between(0.0, 360.0));
        let lasts = random.between(0.4, 2.5);
        let at = random.between(0.0, 0.4);
        for tick in 0..(lasts / closed.joint.period) as usize {
            if tick == (at / closed.joint.period) as usize {
                match what {
                    Ordinary::Pushed => {
                        let force = axis(&mut random) * random.between(0.5, 4.0);
                        closed
                            .plant
                            .push(force, random.between(0.03, 0.15))
                            .unwrap();
                    }
                    Ordinary::Loaded => closed.load(random.below(PAYLOADS.len())),
                    Ordinary::Leans => {
                        let lean = axis(&mut random) * random.between(0.0, 6_f64.to_radians());
                        let turn = BaseMotion::Turn {
                            orientation: UnitQuaternion::new(lean),
                            duration: random.between(0.8, 2.0),
                        };
                        closed.plant.set_base(turn).unwrap();
                    }
                    _ => {}
                }
            }
            closed.step();
            closed.record.clear();
            let faults = &closed.out.faults;
            let suspects = faults.of(Rule::MotionMismatch).above;
            suspected += usize::from(suspects && !before);
            before = suspects;
        }
        let fault = *closed.out.faults.of(Rule::MotionMismatch);
        held += usize::from(fault.latched);
        if closed.out.mode == Mode::Faulted {
            closed.input.clear += 1;
            closed.run(1.0);
        }
    }
    [suspected, held]
}

#[test]
fn right_joints_are_not_held_in_ordinary_work() {
    use Ordinary::{Built, Leans, Loaded, Plain, Pushed, Sways};
    let mut wrong = Vec::new();
    for what in [Plain, Built, Pushed, Loaded, Sways, Leans] {
        let mut sum = [0; 2];
        for feedback in [Feedback::Imu, Feedback::Motors] {
            let mut neck = Neck::position();
            neck.file.feedback = feedback;
            neck.file.joint = neck.file.joint_for(feedback);
            for gains in ["any-payload", "pure-feedback"] {
                for seed in 0..10 {
                    let found = moves(&neck, gains, what, 100 + seed, 25);
                    sum = [sum[0] + found[0], sum[1] + found[1]];
                }
            }
        }
        let line = format!(
            "{what:?}: {} suspicions, {} holds in 1000 motions",
            sum[0], sum[1]
        );
        println!("{line}");
        if sum[1] > 0 {
            wrong.push(line);
        }
    }
    assert!(wrong.is_empty(), "{wrong:?}");
}

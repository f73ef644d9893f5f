//! Joints that are not as their file says, on virtual time: signs, order, drums, mounting, crossed
//! tendons. The head stays near where a right joint would be, and the joint is held at once.
//!
//! `WITHY_TABLE=1` prints the table.

use std::fmt::Write as _;

use crate::common::{Loop, Neck, pose};
use nalgebra::{UnitQuaternion, Vector3};
use withy::control::geometry::Bend;
use withy::control::tick::{Feedback, Mode, Rule};
use withy::sim::beam::JointDescription;

/// Contradiction from which the time to the hold counts, rad (2 deg), and its bound, s.
const SEEN: f64 = 0.0349;
const IN_TIME: f64 = 0.5;
/// Greatest distance of the head from where a right joint would be, rad (12 deg).
const NEAR: f64 = 0.2094;
/// Time before a command, and after it, s.
const BEFORE: f64 = 2.0;
const AFTER: f64 = 2.0;

/// A mistake of the builder.
type Mistake = (&'static str, fn(&mut JointDescription));

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

const MISTAKES: [Mistake; 15] = [
    ("all signs", |d| (0..4).for_each(|i| reversed(d, i))),
    ("sign 0", |d| reversed(d, 0)),
    ("sign 1", |d| reversed(d, 1)),
    ("sign 2", |d| reversed(d, 2)),
    ("sign 3", |d| reversed(d, 3)),
    ("swapped 0 1", |d| d.tendons.swap(0, 1)),
    ("swapped 0 2", |d| d.tendons.swap(0, 2)),
    ("swapped 1 3", |d| d.tendons.swap(1, 3)),
    ("drums x2", |d| drums(d, 2.0)),
    ("drums x0.5", |d| drums(d, 0.5)),
    ("IMU 90", |d| mounted(d, Vector3::z(), 90.0)),
    ("IMU 180", |d| mounted(d, Vector3::z(), 180.0)),
    ("IMU upside down", |d| mounted(d, Vector3::x(), 180.0)),
    ("crossed 0 1", |d| crossed(d, 0, 1)),
    ("crossed 0 2", |d| crossed(d, 0, 2)),
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
    /// Time from 2 deg of contradiction to the hold, s; `None` if it came before or there was none.
    late: Option<f64>,
    held: Option<Rule>,
    refused: bool,
}

fn compare(wrong: &mut Loop, right: &mut Loop, target: Bend) -> Seen {
    let mut seen = Seen {
        refused: !wrong.out.mode.sends(),
        ..Seen::default()
    };
    wrong.command(target);
    right.command(target);
    let mut since = None;
    for _ in 0..(AFTER / wrong.joint.period) as usize {
        wrong.step();
        right.step();
        let apart = (wrong.plant.truth().bend - right.plant.truth().bend).norm();
        let held = wrong.out.mode == Mode::Faulted || !wrong.out.mode.sends();
        if held {
            seen.held = seen.held.or(wrong.out.faults.cause);
            if let Some(since) = since.take() {
                seen.late = Some(wrong.now() - since);
            }
        } else if apart >= SEEN && seen.held.is_none() {
            since = since.or(Some(wrong.now()));
        }
        // A right joint goes on to the target; the held one stays.
        if seen.held.is_none() || seen.apart < SEEN {
            seen.apart = seen.apart.max(apart);
        }
    }
    if let (Some(since), None) = (since, seen.held) {
        seen.late = Some(wrong.now() - since);
    }
    seen
}

#[test]
fn wrong_builds_are_held_near_where_a_right_joint_would_be() {
    let mut table = String::new();
    let mut bad = Vec::new();
    for feedback in [Feedback::Imu, Feedback::Motors] {
        for gains in ["any-payload", "pure-feedback"] {
            let mut neck = Neck::position();
            neck.file.feedback = feedback;
            neck.file.joint = neck.file.joint_for(feedback);
            let right = started(&neck, gains);
            for (name, mistake) in MISTAKES {
                let mut built = neck.clone();
                mistake(&mut built.description);
                let wrong = started(&built, gains);
                let (mut apart, mut late, mut held) = (0.0_f64, 0.0_f64, Vec::new());
                for inclination in [3.0, 40.0] {
                    for direction in 0..12 {
                        let target = pose(inclination, 30.0 * f64::from(direction));
                        let seen = compare(&mut wrong.clone(), &mut right.clone(), target);
                        apart = apart.max(seen.apart);
                        late = late.max(seen.late.unwrap_or(0.0));
                        held.push(if seen.refused {
                            "refused"
                        } else {
                            seen.held.map_or("-", Rule::name)
                        });
                    }
                }
                held.sort_unstable();
                held.dedup();
                let line = format!(
                    "{feedback:?} {gains}: {name}: apart {:.1} deg, late {late:.2} s, {}",
                    apart.to_degrees(),
                    held.join(" ")
                );
                writeln!(table, "{line}").unwrap();
                if apart > NEAR || late > IN_TIME {
                    bad.push(line);
                }
            }
        }
    }
    if std::env::var_os("WITHY_TABLE").is_some() {
        println!("{table}");
    }
    assert!(bad.is_empty(), "{}", bad.join("\n"));
}

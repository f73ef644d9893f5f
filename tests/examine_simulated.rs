//! What an examination says of a loop, against the loop itself: the shipped gain sets, and spoilt ones, on the simulated
//! joint.

mod common;

use common::{Neck, PAYLOADS, pose};
use withy::beam::{DriveKind, Plant as Simulated};
use withy::controller::GainSet;
use withy::examine::{Conditions, Depth, Examination, Member, examine};
use withy::fit::{Hold, Order, Record, fit};
use withy::tick::Law;

/// From a sample's stamp to the tick that uses it: it is 4 ms old when it comes, between two ticks.
const AGE: f64 = 0.005;

fn conditions() -> Conditions {
    Conditions {
        age: AGE,
        ..Conditions::default()
    }
}

/// The joint behind its motors with a payload, from small steps of its motors at rest: from the motors' own bend to the true
/// one. The motors' lag is their bandwidth's.
fn member(neck: &Neck, payload: usize) -> Member {
    let mut plant = Simulated::new(&neck.description, &neck.options, neck.seed).unwrap();
    let (mass, height) = PAYLOADS[payload];
    plant.set_payload(mass, height).unwrap();
    let dt = neck.file.joint.period;
    let kinematics = &neck.file.joint.kinematics;
    let mut angles = vec![0.0; neck.file.joint.motors()];
    let (mut times, mut input, mut along, mut across) = (vec![], vec![], vec![], vec![]);
    for tick in 0..1600 {
        let now = f64::from(tick) * dt;
        plant.run_until(now);
        // Two steps after a rest, out and back.
        let out = matches!(tick, 400..700 | 1000..1300);
        let asked = pose(if out { 2.0 } else { 0.0 }, 0.0);
        kinematics.motor_angles(asked, &mut angles);
        plant.command(DriveKind::Position, &angles).unwrap();
        let truth = plant.truth();
        if tick >= 200 {
            let moved = kinematics.bend_from_motors(&truth.motor_angles, truth.bend);
            times.push(now);
            input.push(moved.bend.x);
            along.push(truth.bend.x);
            across.push(truth.bend.y);
        }
    }
    let record = Record {
        stamps: times.clone(),
        times,
        input,
        along,
        across,
        hold: Hold::Linear,
        limit: None,
    };
    let fitted = fit(&record, Some(Order::Second))
        .expect("a good record")
        .fit;
    println!(
        "{:.0} g: {:?}, error {:.3}",
        mass * 1e3,
        fitted.plant,
        fitted.nrmse
    );
    Member {
        name: format!("{:.0} g", mass * 1e3),
        plant: fitted.plant,
        motor_lag: 1.0 / neck.description.motor.bandwidth,
    }
}

fn family(neck: &Neck) -> Vec<Member> {
    (0..PAYLOADS.len()).map(|p| member(neck, p)).collect()
}

fn examined(neck: &Neck, law: &Law, family: &[Member]) -> Examination {
    let conditions = conditions();
    examine(&neck.file.joint, law, family, &conditions, Depth::Full).unwrap()
}

/// Swing of the true bend around its mean over the last 2 s after small moves, deg.
fn swing(neck: &Neck, law: &Law, payload: usize) -> f64 {
    let mut closed = neck.close(law.clone());
    closed.load(payload);
    closed.run(3.0);
    closed.point(4.0, 30.0);
    closed.run(5.0);
    let record = closed.run(2.0);
    let mean = record.iter().map(|r| r.bend).sum::<withy::geometry::Bend>() / record.len() as f64;
    let most = record.iter().map(|r| (r.bend - mean).norm());
    most.fold(0.0, f64::max).to_degrees()
}

#[test]
fn explore() {
    let neck = Neck::position();
    let family = family(&neck);
    let vary = |name: &str, f: &dyn Fn(&mut GainSet)| {
        let mut gains = neck.gains(name).clone();
        f(&mut gains);
        neck.law_of(&gains)
    };
    let mut laws: Vec<(String, Law)> = Vec::new();
    for set in &neck.file.gain_sets {
        laws.push((set.name.clone(), neck.law(&set.name)));
    }
    for damping in [0.0, 0.042, 0.06, 0.08] {
        laws.push((
            format!("bare damping {damping}"),
            vary("bare", &|g| g.damping = damping),
        ));
    }
    for factor in [1.5, 2.0, 3.0, 4.0] {
        laws.push((
            format!("any x {factor}"),
            vary("any-payload", &|g| {
                g.motors.iter_mut().for_each(|m| {
                    m.kp *= factor;
                    m.ki *= factor
                })
            }),
        ));
    }
    for (name, law) in &laws {
        let start = std::time::Instant::now();
        let verdict = examine(
            &neck.file.joint,
            law,
            &family,
            &conditions(),
            Depth::Verdict,
        )
        .unwrap();
        let took = start.elapsed();
        let e = examined(&neck, law, &family);
        println!(
            "{name}: {took:?} all {:?} {:?}",
            start.elapsed(),
            verdict.stable
        );
        for (p, m) in e.models.iter().enumerate() {
            let f = &m.discrete.figures;
            let slack: Vec<String> = m
                .slack
                .iter()
                .map(|s| match s {
                    withy::examine::Slack::Loop(w) => format!(
                        "{} {:.0} {:.2}",
                        w.figures.unstable_poles,
                        w.figures.margin().to_degrees(),
                        w.figures.sensitivity.value
                    ),
                    s => format!("{s:?}"),
                })
                .collect();
            println!(
                "  {}: Z {} pm {:.1} at {:.1} gm {:.2} Ms {:.2} at {:.1} ideal Z {} pm {:.1} Ms {:.2} | swing {:.3} | slack {slack:.60?}",
                m.member.name,
                f.unstable_poles,
                f.margin().to_degrees(),
                f.phase_margin.map_or(0.0, |c| c.frequency),
                f.gain_margin.map_or(f64::INFINITY, |c| c.value),
                f.sensitivity.value,
                f.sensitivity.frequency,
                m.ideal.unwrap().figures.unstable_poles,
                m.ideal.unwrap().figures.margin().to_degrees(),
                m.ideal.unwrap().figures.sensitivity.value,
                swing(&neck, law, p)
            );
            if let (Some(c), Some(d)) = (&m.course, &m.demand) {
                println!(
                    "      {:.1}% {:?} shaped {:.2}% {:?} | {:.2} rad {:.0}% {:.1} rad/s {:.0}% noise {:.4} {:.2}",
                    c.feedback.overshoot,
                    c.feedback.settling,
                    c.shaped.overshoot,
                    c.shaped.settling,
                    d.angle,
                    d.travel_share * 100.0,
                    d.speed,
                    d.speed_share * 100.0,
                    d.noise,
                    d.noise_speed
                );
            }
        }
        println!("  {:?}", e.reasons);
    }
}

//! The verdict of an examination against the loop itself: the shipped gain sets, and spoilt ones,
//! on the simulated joint.

use crate::common::{Neck, PAYLOADS, pose};
use withy::control::controller::GainSet;
use withy::control::geometry::Bend;
use withy::control::tick::{Law, Reaction, Rule};
use withy::design::examine::{Conditions, Depth, Examination, Floor, Member, examine};
use withy::design::fit::{Hold, Order, Record, fit};
use withy::sim::beam::{DriveKind, Plant as Simulated};

/// Time from a sample's stamp to the cycle that uses it, s: it is 4 ms old when it comes, between
/// two cycles.
const AGE: f64 = 0.005;

/// Returns a model of the joint with a payload, from small steps of its motors at rest: from the
/// commanded bend to the true one. With `behind` it starts behind the motors, from their own bend,
/// with their bandwidth's lag.
fn member(neck: &Neck, payload: usize, behind: bool) -> Member {
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
            input.push(if behind { moved.bend.x } else { asked.x });
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
        hold: if behind { Hold::Linear } else { Hold::Constant },
        limit: None,
    };
    let fitted = fit(&record, Some(Order::Second))
        .expect("a good record")
        .fit;
    let motors = if behind { " behind motors" } else { "" };
    let name = format!("{:.0} g{motors}", mass * 1e3);
    println!("{name}: {:?}, error {:.3}", fitted.plant, fitted.nrmse);
    Member {
        name,
        plant: fitted.plant,
        motor_lag: if behind {
            1.0 / neck.description.motor.bandwidth
        } else {
            0.0
        },
    }
}

fn examined(neck: &Neck, law: &Law, family: &[Member]) -> Examination {
    let conditions = Conditions {
        age: AGE,
        ..Conditions::default()
    };
    examine(&neck.file.joint, law, family, &conditions, Depth::Verdict).unwrap()
}

/// Returns the oscillation of the true bend around its mean over the last 2 s after small moves,
/// deg.
fn swing(neck: &Neck, law: &Law, payload: usize) -> f64 {
    let mut closed = neck.close(law.clone());
    closed.load(payload);
    closed.run(3.0);
    closed.point(4.0, 30.0);
    closed.run(5.0);
    let record = closed.run(2.0);
    let mean = record.iter().map(|r| r.bend).sum::<Bend>() / record.len() as f64;
    let most = record.iter().map(|r| (r.bend - mean).norm());
    most.fold(0.0, f64::max).to_degrees()
}

/// Above this oscillation, deg, a loop does not rest: the sensors' noise makes some 0.02 to 0.05
/// deg.
const RESTLESS: f64 = 0.15;

/// Shipped sets and spoilt ones: more damping than the motors' lag permits, none, gains far too
/// high.
fn laws(neck: &Neck) -> Vec<(String, Law)> {
    let vary = |name: &str, f: &dyn Fn(&mut GainSet)| {
        let mut gains = neck.gains(name).clone();
        f(&mut gains);
        neck.law_of(&gains)
    };
    let sets = neck.file.gain_sets.iter();
    let mut laws: Vec<(String, Law)> = sets.map(|s| (s.name.clone(), neck.law(&s.name))).collect();
    for damping in [0.0, 0.042, 0.06, 0.08] {
        let law = vary("bare", &|g| g.damping = damping);
        laws.push((format!("bare, damping {damping} s"), law));
    }
    for factor in [2.0, 3.0, 4.0, 6.0] {
        let stronger = |g: &mut GainSet| {
            for motor in &mut g.motors {
                motor.kp *= factor;
                motor.ki *= factor;
            }
        };
        let law = vary("any-payload", &stronger);
        laws.push((format!("any-payload times {factor}"), law));
    }
    laws
}

/// A loop that both models of a payload call good rests; one that both call far from stable does
/// not. Loops between them are beyond one model of second order, and are counted.
#[test]
fn loops_called_stable_rest_and_loops_called_unstable_swing() {
    let mut neck = Neck::position();
    // Supervision would hold an oscillating joint.
    for rule in Rule::ALL {
        neck.file.limits.supervision.guard_mut(rule).reaction = Reaction::Warn;
    }
    let (mut rest, mut swings, mut between) = (0, 0, 0);
    let mut wrong = Vec::new();
    for payload in 0..PAYLOADS.len() {
        let family = [false, true].map(|behind| member(&neck, payload, behind));
        for (name, law) in laws(&neck) {
            let found = examined(&neck, &law, &family);
            let figures = found.models.iter().map(|m| m.discrete.figures);
            let good = found.models.iter().all(|m| {
                let f = &m.discrete.figures;
                f.stable() && f.margin() > 30f64.to_radians() && f.sensitivity.value <= 2.0
            });
            let far = |f: withy::design::examine::LoopFigures| {
                !f.stable() && f.least_gain.is_some_and(|g| g.value < 0.8)
            };
            let bad = figures.clone().all(far);
            let swing = swing(&neck, &law, payload);
            let words: Vec<String> = figures
                .map(|f| {
                    format!(
                        "{:.1} deg, peak {:.2}",
                        f.margin().to_degrees(),
                        f.sensitivity.value
                    )
                })
                .collect();
            println!("payload {payload}, {name}: {words:?}, swing {swing:.3} deg");
            match (good, bad) {
                (true, _) => rest += 1,
                (_, true) => swings += 1,
                _ => between += 1,
            }
            if good && swing > RESTLESS || bad && swing < RESTLESS {
                wrong.push(format!(
                    "payload {payload}, {name}: {words:?}, swing {swing:.3} deg"
                ));
            }
        }
    }
    println!("{rest} good, {swings} unstable, {between} between");
    assert!(rest >= 25 && swings >= 3);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Damping that the light head's motors cannot provide.
#[test]
fn too_much_damping_shows_on_the_light_head() {
    let neck = Neck::position();
    let mut gains = neck.gains("bare").clone();
    gains.damping = 0.042;
    let law = neck.law_of(&gains);
    for behind in [false, true] {
        let found = examined(&neck, &law, &[member(&neck, 0, behind)]);
        let figures = &found.models[0].discrete.figures;
        println!("{figures:?}");
        // A few degrees with the motors' lag in the joint's own dynamics, unstable with the lag
        // modelled separately.
        assert!(figures.margin().to_degrees() < 10.0);
        assert!(found.acceptable(&Floor::default()).is_err());
    }
}

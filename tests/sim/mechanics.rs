//! The simulated beam against closed forms and an independent solution.

use crate::beam_support::{PAYLOADS, asked_angles, glasshouse, hold, toward};
use nalgebra::{UnitQuaternion, Vector3};
use std::f64::consts::PI;
use withy::sim::beam::{DriveKind, JointDescription, Options, Plant, STEP};

/// A bare beam in weightlessness with a light point at its tip.
fn bare_beam() -> JointDescription {
    JointDescription {
        tendons: Vec::new(),
        gravity: 0.0,
        head_mass: 0.02,
        head_height: 0.0,
        head_inertia: [0.0; 3],
        ..JointDescription::glasshouse()
    }
}

fn plant(joint: &JointDescription) -> Plant {
    Plant::new(joint, &Options::default(), 1).unwrap()
}

/// Tip deflection F L^3 / (3 E I) and tip slope F L^2 / (2 E I) of a cantilever (Euler-Bernoulli,
/// any strength-of-materials text).
#[test]
fn small_cantilever_deflection() {
    let joint = bare_beam();
    let (l, ei) = (joint.length, joint.flexural_rigidity);
    let force = 0.02 * ei / (l * l);
    for direction in [0.0, 50.0, 140.0, 261.0_f64] {
        let (sin, cos) = direction.to_radians().sin_cos();
        let mut plant = plant(&joint);
        plant
            .push(Vector3::new(force * cos, force * sin, 0.0), 100.0)
            .unwrap();
        plant.advance(4.0);
        let truth = plant.truth();
        let across = truth.position.x * cos + truth.position.y * sin;
        let deflection = across / (force * l.powi(3) / (3.0 * ei));
        let slope = truth.bend.norm() / (force * l * l / (2.0 * ei));
        println!(
            "direction {direction}: deflection {deflection:.5}, slope {slope:.5} of the closed form"
        );
        assert!((deflection - 1.0).abs() < 0.005, "{deflection}");
        assert!((slope - 1.0).abs() < 0.005, "{slope}");
    }
}

/// Large deflection under a dead load, against tests/sim/elastica.csv (made by
/// tests/sim/elastica.py with SciPy).
#[test]
fn large_cantilever_deflection() {
    let joint = bare_beam();
    let (l, ei) = (joint.length, joint.flexural_rigidity);
    let mut rows = 0;
    for line in include_str!("elastica.csv")
        .lines()
        .filter(|l| !l.starts_with('#'))
    {
        let row: Vec<f64> = line.split(',').map(|v| v.parse().unwrap()).collect();
        let mut plant = plant(&joint);
        let force = row[0] * ei / (l * l);
        plant.push(Vector3::new(0.0, force, 0.0), 100.0).unwrap();
        plant.advance(4.0);
        let truth = plant.truth();
        let errors = [
            truth.bend.y / row[1] - 1.0,
            truth.position.z / l / row[2] - 1.0,
            truth.position.y / l / row[3] - 1.0,
        ];
        println!(
            "F L^2/EI = {}: relative errors of angle, height, deflection {errors:.5?}",
            row[0]
        );
        assert!(errors.iter().all(|e| e.abs() < 0.005), "{errors:?}");
        rows += 1;
    }
    assert_eq!(rows, 7);
}

/// Euler's load of a column fixed at the foot and free at the top, pi^2 E I / (4 L^2): a dead load
/// 2 % lower leaves it straight, 2 % higher makes it fall over.
#[test]
fn buckling_load() {
    let mut joint = bare_beam();
    joint.gravity = 9.81;
    joint.beam_mass = 0.0;
    let critical = PI * PI * joint.flexural_rigidity / (4.0 * joint.length * joint.length);
    let lean_after = |share: f64| {
        let mut plant = plant(&joint);
        let mass = share * critical / joint.gravity - joint.head_mass;
        plant.set_payload_body(mass, 0.0, [0.0; 3]).unwrap();
        // The growth is compared over a time much longer than the slowest motion of either.
        plant
            .push(Vector3::new(0.002 * critical, 0.0, 0.0), 0.05)
            .unwrap();
        plant.advance(1.0);
        let early = plant.truth().bend.norm();
        plant.advance(4.0);
        (early, plant.truth().bend.norm())
    };
    let below = lean_after(0.98);
    let above = lean_after(1.02);
    println!("98 % of Euler's load: {below:.6?} rad after 1 s and 5 s; 102 %: {above:.6?}");
    assert!(below.1 < 0.8 * below.0, "{below:?}");
    assert!(above.1 > 1.25 * above.0, "{above:?}");
}

/// Frequency of a cantilever with a mass at its tip, sqrt(3 E I / ((M + 33/140 m) L^3)) (Rayleigh;
/// the factor 33/140 of the beam's own mass is a textbook figure, from memory).
#[test]
fn payload_frequency() {
    let mut joint = bare_beam();
    joint.retardation = 0.001;
    joint.air_drag = 0.0;
    for (_, payload) in [(0, 0.05), (1, 0.19), (2, 0.36)] {
        let mut plant = plant(&joint);
        plant.set_payload_body(payload, 0.0, [0.0; 3]).unwrap();
        plant.push(Vector3::new(0.2, 0.1, 0.0), 0.02).unwrap();
        plant.advance(0.05);
        // Upward zero crossings of the tip, interpolated.
        let mut crossings = Vec::new();
        let mut before = plant.truth().position.x;
        while crossings.len() < 6 {
            plant.advance(STEP);
            let now = plant.truth().position.x;
            if before < 0.0 && now >= 0.0 {
                crossings.push(plant.time() - STEP * now / (now - before));
            }
            before = now;
            assert!(plant.time() < 10.0, "it does not swing");
        }
        let measured = 2.0 * PI * 5.0 / (crossings[5] - crossings[0]);
        let mass = payload + joint.head_mass + joint.beam_mass * 33.0 / 140.0;
        let expected = (3.0 * joint.flexural_rigidity / (mass * joint.length.powi(3))).sqrt();
        println!(
            "tip mass {:.3} kg: {measured:.3} rad/s, closed form {expected:.3}",
            payload + joint.head_mass
        );
        assert!((measured / expected - 1.0).abs() < 0.01);
    }
}

/// Gravity follows the base's orientation: a base tilted by 90 deg loads the beam sideways. Small
/// deflection of a cantilever under a tip weight M g and its own uniform weight m g: (M + 3/8 m) g
/// L^3 / (3 E I) (textbook superposition; m g L^3 / (8 E I) for the second).
#[test]
fn tilted_base_sags() {
    let mut joint = bare_beam();
    joint.gravity = 9.81;
    joint.flexural_rigidity = 1.0;
    joint.base_orientation = UnitQuaternion::from_axis_angle(&Vector3::y_axis(), PI / 2.0);
    let mut plant = plant(&joint);
    plant.advance(3.0);
    // The base's x axis points down in the world.
    let weight = (joint.head_mass + 0.375 * joint.beam_mass) * joint.gravity;
    let expected = weight * joint.length.powi(3) / (3.0 * joint.flexural_rigidity);
    let sag = plant.truth().position.x;
    println!("sag {sag:.3e} m, closed form {expected:.3e} m");
    assert!((sag / expected - 1.0).abs() < 0.01);
}

/// With motors still, damping only takes energy away: a tapped or released joint never gains any,
/// step by step.
#[test]
fn energy_never_grows() {
    for payload in PAYLOADS {
        let (joint, mut plant) = glasshouse(payload);
        hold(
            &mut plant,
            &asked_angles(&joint, toward(37.0, 20.0)),
            2.0,
            |_| (),
        );
        plant.push(Vector3::new(4.0, -3.0, 1.0), 0.15).unwrap();
        hold(
            &mut plant,
            &asked_angles(&joint, toward(37.0, 20.0)),
            0.151,
            |_| (),
        );
        let start = plant.energy();
        let mut before = start;
        let mut least = start;
        let mut growth: f64 = 0.0;
        hold(
            &mut plant,
            &asked_angles(&joint, toward(37.0, 20.0)),
            4.0,
            |p| {
                growth = growth.max(p.energy() - before);
                before = p.energy();
                least = least.min(before);
            },
        );
        let spent = start - least;
        println!(
            "payload {:.3} kg: {spent:.4} J spent, largest growth in a step {growth:.1e} J",
            payload.0
        );
        assert!(spent > 0.005);
        assert!(growth <= 1e-6 * spent, "{growth} J of {spent} J");
    }
}

/// A joint of any number of tendons settles at the commanded bend, in the right direction.
#[test]
fn any_number_of_tendons() {
    for angles in [
        vec![11.0, 128.0, 251.0],
        vec![20.0, 115.0, 197.0, 290.0],
        vec![5.0, 61.0, 133.0, 170.0, 248.0, 312.0],
    ] {
        let radians: Vec<f64> = angles.iter().map(|a: &f64| a.to_radians()).collect();
        let joint = JointDescription::glasshouse_with(&radians);
        let mut plant = plant(&joint);
        assert_eq!(plant.motor_count(), angles.len());
        let asked = toward(77.0, 15.0);
        hold(&mut plant, &asked_angles(&joint, asked), 3.0, |_| ());
        let bend = plant.truth().bend;
        let gain = bend.dot(&asked) / asked.norm_squared();
        println!(
            "{} tendons: gain {gain:.3}, tensions {:.2?} N",
            angles.len(),
            plant.truth().tensions
        );
        assert!((0.87..1.02).contains(&gain), "{gain}");
        assert!((bend - asked * gain).norm() < 0.02);
        assert!(plant.truth().tensions.iter().all(|&t| t > 0.5));
    }
}

/// Straight at its motors' zero, the nominal joint carries its pretension: balanced (no moment),
/// positive, near the specified mean.
#[test]
fn pretension_balances() {
    let (joint, plant) = glasshouse((0.0, 0.0));
    let tensions = &plant.truth().tensions;
    let moment: [f64; 2] = [f64::cos as fn(f64) -> f64, f64::sin].map(|f| {
        (joint.tendons.iter().zip(tensions))
            .map(|(t, tension)| tension * t.base_radius * f(t.base_angle))
            .sum()
    });
    println!("pretension {tensions:.3?} N, moment {moment:.12?} N m");
    assert!(moment.iter().all(|m| m.abs() < 1e-9));
    assert!(tensions.iter().all(|&t| t > 2.0 && t < 6.0));
}

/// The same seed gives the same joint and readings, another seed different ones; the cost of a step
/// is printed.
#[test]
fn deterministic_by_seed_and_cheap() {
    let options = Options {
        tolerances: Some(Default::default()),
        ..Options::default()
    };
    let run = |seed: u64| {
        let mut plant = Plant::glasshouse(&options, seed).unwrap();
        let mut sum = Vec::new();
        for _ in 0..100 {
            plant
                .command(DriveKind::Position, &[0.3, 0.1, -0.3, -0.1])
                .unwrap();
            plant.advance(0.01);
            while let Some(reading) = plant.take_imu_reading() {
                sum.push(reading);
            }
        }
        (sum, plant.truth().clone())
    };
    assert_eq!(run(7), run(7));
    assert_ne!(run(7).1.bend, run(8).1.bend);
    let mut plant = Plant::glasshouse(&options, 7).unwrap();
    let begun = std::time::Instant::now();
    plant.advance(20.0);
    println!(
        "{:.2} microseconds a step",
        begun.elapsed().as_secs_f64() / 20_000.0 * 1e6
    );
}

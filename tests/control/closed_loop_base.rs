//! Moving bases, in closed loop on virtual time: the shipped joint on a pan motor against the
//! simulated joint. Bends are true ones, of the head against the base.

use crate::common::{HEAVIEST, Loop, Neck, PAYLOADS, Record, pose};
use nalgebra::{UnitQuaternion, Vector3};
use withy::control::geometry::{Bend, configuration};
use withy::control::tick::{Fallback, Feedback, Rule};
use withy::sim::beam::{BaseMotion, BaseOscillation};

/// Greatest deviation from a pose held on an oscillating base whose orientation is measured, deg.
const HELD: f64 = 1.0;

/// Returns the rms and peak deviation of the bend from `target`, deg.
fn departure(record: &[Record], target: Bend) -> (f64, f64) {
    let off = record.iter().map(|r| (r.bend - target).norm());
    let square: f64 = off.clone().map(|off| off * off).sum();
    let peak = off.fold(0.0, f64::max);
    let rms = (square / record.len() as f64).sqrt();
    (rms.to_degrees(), peak.to_degrees())
}

/// Returns a motion of 20 deg at 0.2 Hz about `axis`, the beam's foot at rest.
fn swing(axis: Vector3<f64>) -> BaseMotion {
    BaseMotion::BaseOscillation(BaseOscillation {
        axis,
        amplitude: 20f64.to_radians(),
        frequency: 0.2,
        pivot: Vector3::zeros(),
    })
}

/// Returns the worst rms and peak over poses of 20 deg in four directions on an oscillating base,
/// two periods each.
fn on_a_swinging_base(
    neck: &Neck,
    gain_set: &str,
    payload: usize,
    axis: Vector3<f64>,
    pan_deg: f64,
) -> (f64, f64) {
    let mut closed = neck.ready(gain_set, payload);
    closed.plant.set_base(swing(axis)).expect("a sound swing");
    // The oscillation grows over its first period.
    closed.run(5.0);
    let (mut rms, mut peak) = (0.0_f64, 0.0_f64);
    for direction in [0.0, 90.0, 180.0, 270.0] {
        let target = pose(20.0, direction);
        closed.command_posture(configuration(target, pan_deg.to_radians()));
        closed.run(2.5);
        let figures = departure(closed.run(10.0), target);
        rms = rms.max(figures.0);
        peak = peak.max(figures.1);
    }
    (rms, peak)
}

#[test]
fn a_pose_is_held_on_a_swinging_base() {
    let knows = Neck::pan();
    let mut velocity = knows.clone();
    velocity.file.gain_sets = Neck::velocity().file.gain_sets;
    // Without a base IMU the configuration takes the base as level.
    let mut level = knows.clone();
    level.file.joint.base_from_imu = None;
    // Supervision takes that for a rotated head IMU.
    let guards = &mut level.file.limits.supervision;
    guards.guard_mut(Rule::SensorMismatch).limit = 1.0;
    let mut motors = knows.clone();
    motors.file.feedback = Feedback::Motors;
    for (name, axis, pan) in [("y", Vector3::y(), 0.0), ("x", Vector3::x(), 60.0)] {
        for payload in 0..PAYLOADS.len() {
            let figures = |what: &str, neck: &Neck, gain_set: &str| {
                let (rms, peak) = on_a_swinging_base(neck, gain_set, payload, axis, pan);
                println!(
                    "swing about {name}, pan {pan}, payload {payload}, {what}: rms {rms:.2}, peak \
                     {peak:.2} deg"
                );
                (rms, peak)
            };
            let (rms, peak) = figures("base IMU", &knows, "any-payload");
            assert!(peak < HELD, "payload {payload}: {peak}");
            if payload == 0 || payload == HEAVIEST {
                let (_, peak) = figures("base IMU, velocity setpoints", &velocity, "velocity");
                assert!(peak < HELD, "payload {payload}: {peak}");
                // The benefit of the base's IMU.
                for (what, neck) in [("taken for level", &level), ("encoders alone", &motors)] {
                    let (without, _) = figures(what, neck, "any-payload");
                    assert!(without > 3.0 * rms, "payload {payload}, {what}: {without}");
                }
            }
        }
    }
}

/// Returns the greatest change of a motor's setpoint from cycle to cycle, rad.
fn greatest_step(record: &[Record]) -> f64 {
    let steps = record.windows(2).flat_map(|pair| {
        let (before, after) = (&pair[0].out.setpoints, &pair[1].out.setpoints);
        before.iter().zip(after).map(|(a, b)| (b - a).abs())
    });
    steps.fold(0.0, f64::max)
}

fn fell_back(record: &[Record], why: Fallback) -> Option<usize> {
    record.iter().position(|r| r.out.estimate.fallback == why)
}

/// Runs with the base's IMU silent for 3 s and back again.
fn silence(closed: &mut Loop, bend: Bend) -> (f64, f64, f64, [f64; 3]) {
    let ordinary = greatest_step(closed.run(5.0));
    let from = closed.record.len();
    closed.base_deaf = true;
    closed.run(3.0);
    let back = closed.record.len();
    closed.base_deaf = false;
    closed.run(4.0);
    let record = &closed.record;
    let lost = fell_back(&record[from..back], Fallback::Base).expect("it falls back");
    // Within the limit for stale data, and a period.
    assert!(lost as f64 * closed.joint.period <= 0.105, "{lost} ticks");
    let found = fell_back(&record[back..], Fallback::None).expect("it comes back");
    assert!(found <= 2, "{found} ticks");
    assert!(record[from..].iter().all(|r| r.out.mode.sends()));
    let at_loss = greatest_step(&record[from + lost - 2..from + lost + 40]);
    let at_return = greatest_step(&record[back - 1..back + found + 40]);
    let errors = [
        departure(&record[from - 1000..from], bend).1,
        departure(&record[from..back], bend).1,
        departure(&record[record.len() - 400..], bend).1,
    ];
    (ordinary, at_loss, at_return, errors)
}

#[test]
fn a_silent_base_imu_hands_over_to_the_motors_and_back() {
    for payload in [0, HEAVIEST] {
        for pan in [0.0, 60f64.to_radians()] {
            let neck = Neck::pan();
            let mut closed = neck.ready("any-payload", payload);
            let bend = pose(20.0, 30.0);
            closed.command_posture(configuration(bend, pan));
            let motion = swing(Vector3::y());
            closed.plant.set_base(motion).expect("a sound swing");
            closed.run(10.0);
            // At different phases of the oscillation.
            for _ in 0..3 {
                let (ordinary, loss, back, errors) = silence(&mut closed, bend);
                println!(
                    "payload {payload}, pan {pan:.1}: greatest step of a setpoint {ordinary:.4}, at the loss \
                     {loss:.4}, at the return {back:.4} rad; peak error {:.2} before, {:.2} in the outage, \
                     {:.2} deg after",
                    errors[0], errors[1], errors[2]
                );
                let most = 1.5 * ordinary;
                assert!(loss < most && back < most, "{ordinary} {loss} {back}");
                assert!(errors[0] < HELD && errors[2] < HELD);
                closed.run(0.6);
            }
        }
    }
}

/// Returns the greatest second difference of a setpoint over the cycles about `at` and over all
/// others, rad.
fn bends_of_setpoints(record: &[Record], at: &[usize]) -> (f64, f64) {
    let (mut there, mut elsewhere) = (0.0_f64, 0.0_f64);
    for (k, three) in record.windows(3).enumerate() {
        let [a, b, c] = [0, 1, 2].map(|i| &three[i].out.setpoints);
        let bent = (0..a.len()).map(|i| (a[i] - 2.0 * b[i] + c[i]).abs());
        let bent = bent.fold(0.0, f64::max);
        // The middle one is cycle k + 1.
        if at.iter().any(|at| (k + 1).abs_diff(*at) <= 1) {
            there = there.max(bent);
        } else {
            elsewhere = elsewhere.max(bent);
        }
    }
    (there, elsewhere)
}

/// The base lies on its side, by 80 deg: gravity shows only bends back up.
#[test]
fn where_gravity_shows_little_the_motors_serve() {
    for payload in [0, 1] {
        let neck = Neck::pan();
        let mut closed = neck.ready("any-payload", payload);
        let motion = BaseMotion::Turn {
            orientation: UnitQuaternion::from_euler_angles(0.0, 80f64.to_radians(), 0.0),
            duration: 6.0,
        };
        closed.plant.set_base(motion).expect("a sound turn");
        closed.run(8.0);
        for (inclination, direction, seen) in [
            (20.0, 180.0, true),
            (20.0, 0.0, false),
            (30.0, 0.0, false),
            (20.0, 90.0, false),
            (20.0, 180.0, true),
        ] {
            let bend = pose(inclination, direction);
            closed.command(bend);
            let record = closed.run(5.0).to_vec();
            let fallback = |r: &Record| r.out.estimate.fallback;
            let changes: Vec<usize> = (1..record.len())
                .filter(|k| fallback(&record[*k]) != fallback(&record[k - 1]))
                .collect();
            let (there, elsewhere) = bends_of_setpoints(&record, &changes);
            let (_, error) = departure(&record[800..], bend);
            let estimate = &closed.out.estimate;
            println!(
                "payload {payload}, {inclination} deg toward {direction}: observability {:.2}, \
                 {:?}, {} changes; second difference of setpoints there {there:.4}, elsewhere \
                 {elsewhere:.4} rad; error {error:.2} deg",
                estimate.observability,
                estimate.fallback,
                changes.len()
            );
            assert_eq!(estimate.fallback == Fallback::None, seen);
            assert!(changes.len() <= 1 && there <= elsewhere, "{changes:?}");
            // The error with correction by gravity, and the sag of a lying beam on encoders alone.
            assert!(error < if seen { 0.3 } else { 3.0 }, "{error}");
            assert!(record.iter().all(|r| r.out.mode.sends()));
        }
    }
}

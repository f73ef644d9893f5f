//! Disturbances that must not move the joint, and commands that must: outages, wild samples, odd
//! starts, holds at odd moments.

use crate::common::{HEAVIEST, Loop, Neck, pose, setpoints};
use nalgebra::Vector3;
use withy::control::tick::{ImuSample, Mode, MotorSample, Readiness, Rule};
use withy::design::trial;
use withy::sim::beam::DriveKind;

fn off_target(closed: &Loop, target: withy::control::geometry::Bend) -> f64 {
    (closed.plant.truth().bend - target).norm().to_degrees()
}

/// Runs with one sample spoilt. Returns the greatest distance from the target in the next 3 s, and
/// that at their end, deg.
fn spoilt(mut closed: Loop, spoil: impl Fn(&mut Loop)) -> (f64, f64) {
    let target = closed.point(15.0, 47.0);
    closed.run(3.0);
    spoil(&mut closed);
    let record = closed.run(3.0).to_vec();
    assert!(
        record
            .iter()
            .all(|r| r.out.setpoints.iter().all(|s| s.is_finite()))
    );
    let far = record
        .iter()
        .map(|r| (r.bend - target).norm().to_degrees())
        .fold(0.0, f64::max);
    (far, off_target(&closed, target))
}

/// Runs one cycle on artificial samples: fresh, spoilt by the caller.
fn tick_on(closed: &mut Loop, change: impl Fn(&mut ImuSample, &mut MotorSample)) {
    closed.deaf = true;
    let now = closed.now();
    let mut head = closed.input.head.expect("an IMU");
    let mut motor = closed.input.motors[0].expect("a motor");
    (head.stamp, head.received) = (now, now);
    (motor.stamp, motor.received) = (now, now);
    change(&mut head, &mut motor);
    (closed.input.head, closed.input.motors[0]) = (Some(head), Some(motor));
    closed.step();
    closed.deaf = false;
}

#[test]
fn one_wild_sample_is_no_more_than_a_nudge() {
    for neck in [Neck::position(), Neck::velocity()] {
        let set = neck.file.gain_sets[0].name.clone();
        for size in [35.0, 1e3, 1e160, f64::MAX] {
            let (far, end) = spoilt(neck.ready(&set, 2), |closed| {
                tick_on(closed, |head, _| {
                    head.angular_velocity = Vector3::new(size, -size, 0.0)
                });
            });
            println!("{set}: gyro {size:e} rad/s: {far:.2} deg, then {end:.3} deg");
            assert!(
                far < 1.5 && end < 0.1,
                "{set}: gyro {size} rad/s: {far} deg, then {end} deg"
            );
            let (far, end) = spoilt(neck.ready(&set, 2), |closed| {
                tick_on(closed, |_, motor| motor.angle = size);
            });
            println!("{set}: angle {size:e} rad: {far:.2} deg, then {end:.3} deg");
            assert!(
                end < 0.1,
                "{set}: angle {size} rad: {far} deg, then {end} deg"
            );
        }
    }
}

#[test]
fn a_motor_outside_its_travel_is_not_driven() {
    let neck = Neck::position();
    let mut closed = neck.close(neck.law("any-payload"));
    closed
        .plant
        .command(DriveKind::Position, &[7.0, 0.0, 0.0, 0.0])
        .unwrap();
    for _ in 0..20 {
        closed
            .plant
            .command(DriveKind::Position, &[7.0, 0.0, 0.0, 0.0])
            .unwrap();
        closed.plant.advance(0.1);
    }
    closed.ticks = 400;
    closed.run(1.0);
    assert_eq!(closed.out.mode, Mode::PositionOutOfRange);
    assert!((closed.input.motors[0].unwrap().angle - 7.0).abs() < 0.01);
}

#[test]
fn beyond_the_over_bend_limit_a_way_back_in_stays_open() {
    let mut neck = Neck::position();
    neck.file.limits.over_bend = 22f64.to_radians();
    neck.file.limits.inclination = 22f64.to_radians();
    let mut closed = neck.ready("any-payload", HEAVIEST);
    closed.point(20.0, 47.0);
    closed.run(2.0);
    let outward = 47f64.to_radians();
    // A person's hand leans on the head.
    let force = Vector3::new(2.5 * outward.cos(), 2.5 * outward.sin(), 0.0);
    closed.plant.push(force, 6.0).unwrap();
    closed.run(1.0);
    assert!(closed.out.over_bend());
    closed.point(4.0, 47.0);
    closed.run(2.0);
    assert!(
        !closed.out.over_bend(),
        "still at {:?}",
        closed.out.estimate.bend
    );
    closed.run(6.0);
    assert!(off_target(&closed, pose(4.0, 47.0)) < 0.1);
}

#[test]
fn a_hold_outlives_the_wait_for_sensors() {
    let neck = Neck::position();
    // Commanded before any sample: pose, then hold.
    let mut closed = neck.close(neck.law("any-payload"));
    closed.deaf = true;
    closed.run(0.2);
    closed.point(20.0, 47.0);
    closed.run(0.1);
    closed.input.hold += 1;
    closed.run(0.1);
    closed.deaf = false;
    closed.run(3.0);
    assert_eq!(closed.out.mode, Mode::Tracking);
    assert!(closed.plant.truth().bend.norm().to_degrees() < 1.0);
    // A pose sent after a hold that came during an outage is reached.
    closed.deaf = true;
    closed.run(0.2);
    closed.input.hold += 1;
    closed.run(0.1);
    closed.deaf = false;
    closed.run(0.1);
    let target = closed.point(12.0, 47.0);
    closed.run(3.0);
    assert!(off_target(&closed, target) < 0.1);
}

#[test]
fn less_authority_is_taken_over_without_a_jump() {
    let neck = Neck::position();
    let mut closed = neck.ready("any-payload", 0);
    closed.point(20.0, 47.0);
    closed.run(3.0);
    let at = closed.now();
    let ordinary = trial::greatest_step(&setpoints(&closed.record), at - 1.0, at);
    let mut less = neck.clone();
    less.file.limits.feedback = 0.02;
    closed.swap(less.law("any-payload"));
    closed.run(2.0);
    let step = trial::greatest_step(&setpoints(&closed.record), at - 0.01, at + 0.02);
    println!("less authority: step {step:.5} rad, ordinary {ordinary:.5} rad");
    assert!(step <= ordinary, "{step} against {ordinary}");
}

#[test]
fn an_outage_says_nothing_of_the_sensors_period() {
    let neck = Neck::position();
    let mut closed = neck.ready("any-payload", 1);
    let before = closed.out.timing.delay;
    closed.deaf = true;
    closed.run(20.0);
    assert_eq!(closed.out.mode, Mode::Stopped);
    closed.deaf = false;
    closed.run(0.05);
    assert_eq!(closed.out.mode, Mode::Tracking);
    assert!(
        (closed.out.timing.delay - before).abs() < 0.002,
        "{} against {before}",
        closed.out.timing.delay
    );
}

#[test]
fn angles_that_no_bend_explains_are_not_started_from() {
    let neck = Neck::position();
    for (all, mode, readiness) in [
        (0.35, Mode::Tracking, Readiness::Ready),
        (0.7, Mode::NotReady, Readiness::Unexplained),
    ] {
        let mut closed = neck.close(neck.law("any-payload"));
        for _ in 0..20 {
            closed
                .plant
                .command(DriveKind::Position, &[all; 4])
                .unwrap();
            closed.plant.advance(0.05);
        }
        closed.ticks = 200;
        closed.run(0.2);
        assert_eq!(
            (closed.out.mode, closed.out.readiness),
            (mode, readiness),
            "{all}"
        );
    }
}

#[test]
fn after_a_short_gap_the_command_goes_on_and_after_a_long_one_it_is_over() {
    for neck in [Neck::position(), Neck::velocity(), Neck::pan()] {
        for (gap, goes_on) in [(0.3, true), (0.9, false)] {
            let mut closed = neck.ready(&neck.file.gain_sets[0].name, 1);
            let target = closed.point(15.0, 47.0);
            closed.run(0.3);
            closed.deaf = true;
            closed.run(gap);
            let at = closed.plant.truth().bend;
            closed.deaf = false;
            closed.run(4.0);
            assert_eq!(closed.out.mode, Mode::Tracking);
            let off = (closed.plant.truth().bend - target).norm();
            let moved = (closed.plant.truth().bend - at).norm();
            println!("gap of {gap} s: {off:.4} rad off the target, moved by {moved:.4} rad");
            assert_eq!(
                closed.out.answered.ended < closed.out.answered.command,
                goes_on
            );
            assert!(if goes_on { off < 0.003 } else { moved < 0.02 });
        }
    }
}

/// Returns the greatest true bend since cycle `from`, rad.
fn peak(closed: &Loop, from: usize) -> f64 {
    let bends = closed.record[from..].iter().map(|r| r.bend.norm());
    bends.fold(0.0, f64::max)
}

#[test]
fn a_heavy_head_whose_tendon_parted_is_not_taken_over_to_that_side() {
    let mut faulted = 0;
    for (name, neck) in [
        ("position", Neck::position()),
        ("velocity", Neck::velocity()),
        ("pan", Neck::pan()),
    ] {
        for (tendon, direction) in [(0, 20.0), (1, 115.0), (2, 197.0), (3, 290.0)] {
            let mut closed = neck.ready(&neck.file.gain_sets[0].name, HEAVIEST);
            // Toward the tendon: the others hold the head up.
            closed.point(12.0, direction);
            closed.run(3.0);
            closed.faulty = true;
            closed.plant.cut(tendon).unwrap();
            let from = closed.record.len();
            let mut held = closed.clone();
            held.motors_held = true;
            held.run(6.0);
            closed.run(0.8);
            let asked = closed.point(20.0, direction + 180.0);
            closed.run(5.2);
            let may = peak(&held, from).max(asked.norm());
            let is = peak(&closed, from);
            println!(
                "{name}, tendon {tendon}: {:.1} deg, may be {:.1}; {:?}",
                is.to_degrees(),
                may.to_degrees(),
                closed.out.mode
            );
            assert!(
                is <= 1.1 * may,
                "{name}, tendon {tendon}: {is} of {may} rad"
            );
            faulted += usize::from(closed.out.faults.of(Rule::SensorMismatch).latched);
        }
    }
    // Where the head stands up without that tendon the joint may go on.
    assert!(faulted >= 9, "{faulted} of 12 are noticed");
}

#[test]
fn pushes_one_after_the_other_are_no_parted_tendon() {
    for neck in [Neck::position(), Neck::velocity(), Neck::pan()] {
        let mut closed = neck.ready(&neck.file.gain_sets[0].name, HEAVIEST);
        closed.point(15.0, 47.0);
        closed.run(3.0);
        let mut most = 0.0_f64;
        for k in 0..10 {
            let (sin, cos) = (f64::from(k % 2) * 0.9).sin_cos();
            let force = Vector3::new(4.0 * cos, 4.0 * sin, 0.0);
            closed.plant.push(force, 0.15).unwrap();
            let from = closed.record.len();
            closed.run(1.2);
            let values = closed.record[from..].iter();
            let values = values.map(|r| r.out.faults.of(Rule::SensorMismatch).value);
            most = values.fold(most, f64::max);
        }
        println!("pushes: {most:.3} rad");
        let limit = closed
            .law
            .limits()
            .supervision
            .guard(Rule::SensorMismatch)
            .limit;
        assert!(most > limit, "they do not try the rule: {most} rad");
        assert_eq!(closed.out.faults.of(Rule::SensorMismatch).count, 0);
        // A command in between is followed.
        let target = closed.point(12.0, 227.0);
        closed.run(4.0);
        let off = off_target(&closed, target);
        assert!(off < 0.1, "{off} deg off");
    }
}

#[test]
fn a_frozen_imu_that_speaks_again_is_heard_where_it_contradicts_the_motors() {
    let neck = Neck::position();
    for (tendon_parts, mode) in [(false, Mode::Tracking), (true, Mode::Faulted)] {
        let mut closed = neck.ready("any-payload", HEAVIEST);
        closed.point(15.0, 47.0);
        closed.run(3.0);
        closed.faulty = true;
        closed.spoilt.head_frozen = true;
        closed.point(15.0, 137.0);
        closed.run(1.0);
        assert!(closed.out.faults.of(Rule::ImuFrozen).latched);
        assert_eq!(closed.out.mode, Mode::Tracking);
        if tendon_parts {
            closed.plant.cut(3).unwrap();
        }
        closed.run(2.0);
        assert_eq!(closed.out.mode, Mode::Tracking);
        closed.spoilt.head_frozen = false;
        closed.run(1.2);
        assert!(closed.out.faults.of(Rule::ImuFrozen).latched);
        assert_eq!(closed.out.mode, mode, "{:?}", closed.out.faults);
    }
}

#[test]
fn a_loop_that_stood_in_motion_brings_a_velocity_drive_to_rest_and_goes_on_from_there() {
    let neck = Neck::velocity();
    // Longer than the limit for stale samples, and longer than a command stays valid.
    for (stood, goes_on) in [(0.3, true), (1.0, false)] {
        let mut closed = neck.ready(&neck.file.gain_sets[0].name, 0);
        closed.point(5.0, 27.0);
        closed.run(1.0);
        closed.faulty = true;
        let target = closed.point(22.0, 68.0);
        closed.run(0.18);
        closed.ticks += (stood / closed.joint.period).round() as u64;
        let from = closed.record.len();
        closed.run(0.1);
        assert_eq!(closed.out.mode, Mode::Holding);
        closed.run(4.0);
        assert_eq!(closed.out.mode, Mode::Tracking);
        let (peak, off) = (peak(&closed, from), off_target(&closed, target));
        println!(
            "{stood} s: {:.1} deg at most, {off:.2} deg off",
            peak.to_degrees()
        );
        assert!(peak < 1.05 * target.norm(), "{stood} s: {peak} rad");
        if goes_on {
            assert!(off < 0.5, "{off} deg off")
        } else {
            assert!(off > 3.0, "{off} deg off")
        }
    }
}

//! Every supervision rule: it trips on its cause, its reaction follows in time, it latches or not,
//! and is cleared or not. Joints take positions or velocities, and one has a pan motor.

use crate::common::{HEAVIEST, Loop, Neck, Record, pose};
use nalgebra::{Rotation3, Vector3};
use withy::control::controller::CommandInterface;
use withy::control::geometry::{Bend, configuration};
use withy::control::tick::{Fallback, Mode, Reaction, Readiness, Rule, TimeoutAction};

fn necks() -> [(&'static str, Neck); 3] {
    let necks = [Neck::position(), Neck::velocity(), Neck::pan()];
    let [a, b, c] = necks;
    [("position", a), ("velocity", b), ("pan", c)]
}

/// Returns the joint 3 s after its start and move, at rest 15 deg out.
fn at_rest(neck: &Neck, payload: usize) -> Loop {
    let mut closed = neck.ready(&neck.file.gain_sets[0].name, payload);
    closed.point(15.0, 47.0);
    closed.run(3.0);
    assert_eq!(closed.out.mode, Mode::Tracking);
    closed.faulty = true;
    closed
}

/// Returns the joint on its way from there to the other side.
fn moving(neck: &Neck, payload: usize) -> Loop {
    let mut closed = at_rest(neck, payload);
    closed.point(20.0, 227.0);
    closed.run(0.15);
    closed
}

/// Returns the greatest change of a motor's setpoint from cycle to cycle.
fn greatest_step(record: &[Record]) -> f64 {
    let steps = record.windows(2).flat_map(|pair| {
        let (before, after) = (&pair[0].out.setpoints, &pair[1].out.setpoints);
        before.iter().zip(after).map(|(a, b)| (b - a).abs())
    });
    steps.fold(0.0, f64::max)
}

/// Returns the greatest step of an undisturbed move and the rest after it, sensor noise included.
fn ordinary(neck: &Neck, payload: usize) -> f64 {
    let mut closed = moving(neck, payload);
    let from = closed.record.len() - 600;
    closed.run(6.0);
    greatest_step(&closed.record[from..])
}

/// Checks that sent setpoints are inside the position and speed limits.
fn inside_limits(closed: &Loop) {
    let (dt, limits) = (closed.joint.period, &closed.law.limits().motors);
    for pair in closed
        .record
        .windows(2)
        .filter(|p| p[0].out.mode.sends() && p[1].out.mode.sends())
    {
        for (i, limit) in limits.iter().enumerate() {
            let [a, b] = [0, 1].map(|k: usize| pair[k].out.setpoints[i]);
            let speed = match closed.law.kind() {
                CommandInterface::Position => {
                    assert!((limit.low..=limit.high).contains(&b), "{b}");
                    // A loop that restarts begins where the motors are.
                    if pair[0].out.mode == pair[1].out.mode {
                        (b - a).abs() / dt
                    } else {
                        0.0
                    }
                }
                CommandInterface::Velocity => b.abs(),
            };
            assert!(
                speed <= limit.speed * (1.0 + 1e-9),
                "{speed} rad/s at {} s",
                pair[1].time
            );
        }
    }
}

/// Runs until the condition holds. Returns the time it took, s.
fn until(closed: &mut Loop, most: f64, what: impl Fn(&Loop) -> bool) -> f64 {
    let from = closed.now();
    while !what(closed) {
        assert!(
            closed.now() - from < most,
            "not in {most} s: {:?} {:?}",
            closed.out.mode,
            closed.out.faults
        );
        closed.step();
    }
    closed.now() - from
}

fn broken(closed: &Loop, rule: Rule) -> bool {
    closed.out.faults.of(rule).broken
}

/// Checks that setpoints stand still, or velocities are zero, from a few cycles after the hold on.
/// The command is over, unless the cause is only a short gap so far.
fn stands_still(closed: &mut Loop) {
    closed.run(0.03);
    let before = closed.out.setpoints.clone();
    closed.run(0.3);
    match closed.law.kind() {
        CommandInterface::Position => assert_eq!(closed.out.setpoints, before),
        CommandInterface::Velocity => assert!(closed.out.setpoints.iter().all(|s| *s == 0.0)),
    }
    let gap = matches!(
        closed.out.faults.cause,
        Some(Rule::ImuStale | Rule::MotorStale)
    );
    let over = closed.out.answered.ended == closed.input.desired.map(|d| d.command);
    assert!(over != gap, "{:?}", closed.out.faults.cause);
}

/// Checks that it tracks again from where it is, without a jump, and follows the next command.
fn comes_back(closed: &mut Loop, ordinary: f64) -> f64 {
    let from = closed.record.len() - 1;
    until(closed, 1.0, |c| c.out.mode == Mode::Tracking);
    let began = closed.record.len();
    let at = closed.plant.truth().bend;
    closed.run(2.0);
    let step = greatest_step(&closed.record[from..began + 20]);
    assert!(
        step <= ordinary,
        "came back with a step of {step}, ordinary {ordinary}"
    );
    let moved = (closed.plant.truth().bend - at).norm().to_degrees();
    assert!(moved < 1.5, "moved {moved} deg by itself");
    let target = closed.point(12.0, 107.0);
    closed.run(3.0);
    let off = (closed.plant.truth().bend - target).norm().to_degrees();
    assert!(off < 0.2, "{off} deg off");
    step
}

/// What ends the hold after a fault.
#[derive(Clone, Copy, PartialEq)]
enum Ends {
    /// The end of its cause.
    ByItself,
    /// Clearing, once its cause has gone.
    Cleared,
}
use Ends::{ByItself, Cleared};

/// Checks that a fault is held within `most` s until it ends so, and that the joint tracks again.
fn holds(
    ends: Ends,
    name: &str,
    neck: &Neck,
    mut closed: Loop,
    rule: Rule,
    most: f64,
    undo: impl Fn(&mut Loop),
) {
    let ordinary = ordinary(neck, 0);
    let mode = match ends {
        ByItself => Mode::Holding,
        Cleared => Mode::Faulted,
    };
    let took = until(&mut closed, most, |c| c.out.mode == mode);
    let faults = closed.out.faults;
    assert_eq!(faults.cause, Some(rule), "{name}: {faults:?}");
    if ends == Cleared {
        assert_eq!(faults.reaction, Reaction::Hold, "{name}: {faults:?}");
        assert!(faults.of(rule).latched && faults.of(rule).count == 1);
        assert_ne!(closed.out.readiness, Readiness::Ready);
    }
    stands_still(&mut closed);
    if ends == ByItself {
        closed.run(1.0);
        assert_eq!(closed.out.mode, Mode::Stopped);
        undo(&mut closed);
    } else {
        // It cannot be cleared while the cause lasts.
        closed.input.clear += 1;
        closed.run(0.1);
        assert!(
            closed.out.faults.of(rule).latched,
            "{name}: {rule:?} was cleared with its cause there"
        );
        // The end of the cause alone clears nothing.
        undo(&mut closed);
        closed.run(1.5);
        assert_eq!(closed.out.mode, Mode::Faulted);
        closed.input.clear += 1;
    }
    let step = comes_back(&mut closed, ordinary);
    if ends == Cleared {
        assert!(closed.out.faults.cause.is_none(), "{:?}", closed.out.faults);
    }
    inside_limits(&closed);
    println!(
        "{name} {}: held after {took:.3} s; back with a step of {step:.4} of {ordinary:.4}",
        rule.name()
    );
}

#[test]
fn a_silent_encoder_holds_while_it_lasts() {
    for (name, neck) in necks() {
        let mut closed = moving(&neck, 0);
        closed.spoilt.silent = 2;
        holds(ByItself, name, &neck, closed, Rule::MotorStale, 0.11, |c| {
            c.spoilt.silent = 0
        });
        let mut closed = moving(&neck, 0);
        closed.spoilt.silent = 2;
        closed.run(0.2);
        assert_eq!(closed.out.faults.of(Rule::MotorStale).motors, 2);
    }
}

#[test]
fn a_silent_pan_encoder_holds_too() {
    let neck = Neck::pan();
    let mut closed = moving(&neck, 0);
    closed.spoilt.silent = 1 << 4;
    until(&mut closed, 0.11, |c| c.out.mode == Mode::Holding);
    assert_eq!(closed.out.faults.of(Rule::MotorStale).motors, 1 << 4);
}

#[test]
fn a_frozen_encoder_holds_until_cleared() {
    for (name, neck) in necks() {
        let mut closed = moving(&neck, 0);
        closed.spoilt.frozen = 1;
        let motors = |c: &mut Loop| c.spoilt.frozen = 0;
        holds(Cleared, name, &neck, closed, Rule::MotorFrozen, 0.4, motors);
    }
    // The pan's.
    let neck = Neck::pan();
    let mut closed = at_rest(&neck, 0);
    closed.spoilt.frozen = 1 << 4;
    closed.command_posture(configuration(pose(15.0, 47.0), 1.0));
    until(&mut closed, 0.6, |c| c.out.mode == Mode::Faulted);
    assert_eq!(closed.out.faults.of(Rule::MotorFrozen).motors, 1 << 4);
}

#[test]
fn a_motor_that_does_not_follow_holds_until_cleared() {
    for (name, neck) in necks() {
        let mut closed = at_rest(&neck, 0);
        let at = closed.input.motors[1].unwrap().angle;
        closed.spoilt.astray = Some((1, at - 0.25));
        let undo = |c: &mut Loop| c.spoilt.astray = None;
        match closed.law.kind() {
            CommandInterface::Position => holds(
                Cleared,
                name,
                &neck,
                closed,
                Rule::FollowingError,
                1.2,
                undo,
            ),
            // A velocity drive is pulled to its reference: it has to be kept away.
            CommandInterface::Velocity => {
                closed.point(20.0, 227.0);
                until(&mut closed, 2.0, |c| c.out.mode == Mode::Faulted);
                assert_eq!(closed.out.faults.cause, Some(Rule::FollowingError));
            }
        }
    }
}

#[test]
fn imu_and_encoders_that_disagree_hold_until_cleared() {
    for (name, neck) in necks() {
        let mut closed = at_rest(&neck, 0);
        closed.spoilt.head_turned = Some(Rotation3::from_euler_angles(0.0, 0.5, 0.0));
        let undo = |c: &mut Loop| c.spoilt.head_turned = None;
        holds(
            Cleared,
            name,
            &neck,
            closed,
            Rule::SensorMismatch,
            1.7,
            undo,
        );
    }
}

#[test]
fn a_joint_bent_too_far_for_long_is_held() {
    for (name, mut neck) in necks() {
        neck.file.limits.over_bend = 22f64.to_radians();
        neck.file.limits.inclination = 22f64.to_radians();
        // A hand that bends the joint so far soon trips the tendon rules.
        let guards = &mut neck.file.limits.supervision;
        guards.guard_mut(Rule::SensorMismatch).limit = 1.0;
        let mut closed = neck.ready(&neck.file.gain_sets[0].name, HEAVIEST);
        closed.point(18.0, 47.0);
        closed.run(3.0);
        closed.faulty = true;
        let toward = 47f64.to_radians();
        let force = Vector3::new(toward.cos(), toward.sin(), 0.0) * 7.0;
        closed.plant.push(force, 8.0).unwrap();
        let undo = |c: &mut Loop| c.plant.push(Vector3::zeros(), 0.01).unwrap();
        let took = until(&mut closed, 5.0, |c| c.out.mode == Mode::Faulted);
        println!("{name} over_bend: held after {took:.3} s");
        assert_eq!(closed.out.faults.cause, Some(Rule::OverBend));
        closed.input.clear += 1;
        closed.run(0.2);
        assert_eq!(closed.out.mode, Mode::Faulted);
        closed.run(3.0);
        undo(&mut closed);
        closed.run(2.0);
        assert!(!closed.out.over_bend() && closed.out.mode == Mode::Faulted);
        closed.input.clear += 1;
        until(&mut closed, 1.0, |c| c.out.mode == Mode::Tracking);
    }
}

#[test]
fn a_motor_outside_its_travel_is_held() {
    for (name, mut neck) in necks() {
        for motor in &mut neck.file.limits.motors {
            (motor.low, motor.high) = (-1.3, 1.3);
        }
        let mut closed = at_rest(&neck, 0);
        closed.spoilt.astray = Some((2, -1.6));
        let took = until(&mut closed, 0.6, |c| c.out.mode == Mode::Faulted);
        println!("{name} travel: held {took:.3} s after a motor set out to leave its travel");
        let fault = *closed.out.faults.of(Rule::PositionLimit);
        assert!(fault.latched && fault.motors == 4, "{fault:?}");
        assert_eq!(closed.out.readiness, Readiness::PositionOutOfRange);
    }
}

#[test]
fn slack_is_told() {
    for (name, mut neck) in necks() {
        neck.file
            .limits
            .supervision
            .guard_mut(Rule::FollowingError)
            .reaction = Reaction::Warn;
        let mut closed = at_rest(&neck, 0);
        let at = closed.input.motors[0].unwrap().angle;
        closed.spoilt.astray = Some((0, at - 1.0));
        let took = until(&mut closed, 1.6, |c| broken(c, Rule::Slack));
        println!("{name} slack: told after {took:.3} s");
        assert_eq!(closed.out.mode, Mode::Tracking);
        assert_ne!(closed.out.faults.of(Rule::Slack).motors, 0);
        closed.spoilt.astray = None;
        until(&mut closed, 2.0, |c| !c.out.faults.of(Rule::Slack).above);
        assert!(!closed.out.faults.of(Rule::Slack).latched);
    }
}

#[test]
fn saturation_limits_the_reference_until_it_ends() {
    for (name, mut neck) in necks() {
        let mut closed = at_rest(&neck, 0);
        let full = closed.law.clone();
        neck.file.limits.feedback = 0.02;
        // Velocity feedback reaches its limit now and then, by sensor noise.
        neck.file
            .limits
            .supervision
            .guard_mut(Rule::Saturation)
            .limit = 0.3;
        closed.swap(neck.law(&neck.file.gain_sets[0].name));
        closed.load(HEAVIEST);
        let took = until(&mut closed, 4.0, |c| broken(c, Rule::Saturation));
        assert_eq!(
            (closed.out.mode, closed.out.faults.reaction),
            (Mode::Tracking, Reaction::Slow)
        );
        // No further out.
        let at = closed.out.reference.norm();
        closed.point(25.0, 47.0);
        closed.run(1.0);
        assert!(closed.out.reference.norm() <= at + 1e-9);
        // Inward it moves slowly.
        closed.point(2.0, 47.0);
        let record = closed.run(0.5).to_vec();
        let limited = record
            .windows(2)
            .filter(|p| p[1].out.faults.reaction == Reaction::Slow);
        let speeds: Vec<f64> = limited
            .map(|p| (p[1].out.reference - p[0].out.reference).norm() / neck.file.joint.period)
            .collect();
        let fastest = speeds.iter().copied().fold(0.0, f64::max);
        let (most, _) = closed.law.reference_speeds();
        println!(
            "{name} saturation: limited after {took:.3} s; then {fastest:.3} of {most:.3} rad/s \
             over {} ticks",
            speeds.len()
        );
        assert!(speeds.len() > 20 && fastest <= 0.25 * most * (1.0 + 1e-9));
        closed.swap(full);
        until(&mut closed, 4.0, |c| c.out.faults.reaction < Reaction::Slow);
        let target = closed.point(12.0, 47.0);
        closed.run(3.0);
        assert!((closed.out.reference - target).norm() < 1e-6);
    }
}

/// A force that shakes the head to and fro, `growth` per second.
fn shake(
    closed: &mut Loop,
    force: f64,
    growth: f64,
    most: f64,
    what: impl Fn(&Loop) -> bool,
) -> f64 {
    let from = closed.now();
    let speed = 12.0;
    loop {
        let time = closed.now() - from;
        let size = force * (growth * time).exp() * (speed * time).sin();
        closed
            .plant
            .push(Vector3::new(size, 0.3 * size, 0.0), 0.005)
            .unwrap();
        closed.step();
        if what(closed) {
            return time;
        }
        assert!(time < most, "not in {most} s: {:?}", closed.out.faults);
    }
}

#[test]
fn a_swing_that_grows_is_held_and_one_that_does_not_is_not() {
    for (name, neck) in necks() {
        let mut closed = at_rest(&neck, HEAVIEST);
        let took = shake(&mut closed, 0.1, 1.5, 4.0, |c| c.out.mode == Mode::Faulted);
        let fault = *closed.out.faults.of(Rule::DivergingOscillation);
        println!(
            "{name} diverging_oscillation: held after {took:.3} s at {:.3} rad",
            fault.value
        );
        assert_eq!(closed.out.faults.cause, Some(Rule::DivergingOscillation));
        stands_still(&mut closed);
        closed.run(3.0);
        closed.input.clear += 1;
        until(&mut closed, 1.0, |c| c.out.mode == Mode::Tracking);
        // The same size and no growth.
        let mut closed = at_rest(&neck, HEAVIEST);
        shake(&mut closed, 0.4, 0.0, 9.0, |c| broken(c, Rule::Hunting));
        assert!(!broken(&closed, Rule::DivergingOscillation));
        assert_eq!(
            (closed.out.mode, closed.out.faults.reaction),
            (Mode::Tracking, Reaction::Warn)
        );
    }
}

#[test]
fn late_ticks_limit_and_are_forgotten() {
    for (name, neck) in necks() {
        let mut closed = at_rest(&neck, 0);
        let from = closed.now();
        while !broken(&closed, Rule::LateCycles) {
            closed.step();
            closed.ticks += 1;
            assert!(closed.now() - from < 2.0);
        }
        println!(
            "{name} late_cycles: limited after {:.3} s",
            closed.now() - from
        );
        assert_eq!(
            (closed.out.mode, closed.out.faults.reaction),
            (Mode::Tracking, Reaction::Slow)
        );
        closed.run(1.5);
        assert!(!broken(&closed, Rule::LateCycles) && closed.out.faults.reaction == Reaction::Warn);
    }
}

#[test]
fn a_joint_that_nobody_commands_stays_or_goes_back_slowly() {
    for (name, mut neck) in necks() {
        neck.file
            .limits
            .supervision
            .guard_mut(Rule::CommandTimeout)
            .after = 1.0;
        for command_timeout_action in [TimeoutAction::Hold, TimeoutAction::Neutral] {
            neck.file.limits.supervision.command_timeout_action = command_timeout_action;
            let mut closed = neck.ready(&neck.file.gain_sets[0].name, 0);
            let target = closed.point(15.0, 47.0);
            let record = closed.run(4.0).to_vec();
            let speeds = record
                .windows(2)
                .filter(|p| p[0].out.faults.of(Rule::CommandTimeout).broken);
            let speeds = speeds
                .map(|p| (p[1].out.reference - p[0].out.reference).norm() / neck.file.joint.period);
            let fastest = speeds.fold(0.0, f64::max);
            let (most, _) = closed.law.reference_speeds();
            println!(
                "{name} command_timeout, {command_timeout_action:?}: reference at {fastest:.3} of \
                 {most:.3} rad/s"
            );
            assert_eq!(closed.out.mode, Mode::Tracking);
            assert_eq!(closed.out.answered.ended, closed.out.answered.command);
            let at = match command_timeout_action {
                TimeoutAction::Hold => target,
                TimeoutAction::Neutral => Bend::zeros(),
            };
            assert!(
                (closed.out.reference - at).norm() < 1e-6,
                "{}",
                closed.out.reference
            );
            assert!(fastest <= 0.1 * most * (1.0 + 1e-9));
            // The next command is followed as usual.
            let target = closed.point(10.0, 200.0);
            closed.run(0.9);
            assert!(
                (closed.out.reference - target).norm() < 1e-6
                    && !broken(&closed, Rule::CommandTimeout)
            );
        }
    }
}

/// The IMU fails in mid-motion and comes back at rest: steps of setpoints at both changes, and an
/// ordinary one.
fn falls_back(
    neck: &Neck,
    spoil: impl Fn(&mut Loop, bool),
    why: Fallback,
    most: f64,
) -> (f64, [f64; 3]) {
    let ordinary = ordinary(neck, 0);
    let mut closed = moving(neck, 0);
    let from = closed.record.len() - 1;
    spoil(&mut closed, true);
    let took = until(&mut closed, most, |c| c.out.estimate.fallback == why);
    let before = greatest_step(&closed.record[from..closed.record.len() - 1]);
    let from = closed.record.len() - 2;
    closed.run(2.5);
    println!("greatest step until the change: {before:.4}");
    let loss = greatest_step(&closed.record[from..]);
    assert!(
        closed.record[from..]
            .iter()
            .all(|r| r.out.mode == Mode::Tracking)
    );
    let off = (closed.out.estimate.bend - pose(20.0, 227.0))
        .norm()
        .to_degrees();
    assert!(off < 2.0, "{off} deg off by the motors");
    // It goes on being commanded.
    closed.point(10.0, 107.0);
    closed.run(2.5);
    let from = closed.record.len() - 1;
    spoil(&mut closed, false);
    closed.input.clear += 1;
    until(&mut closed, 0.1, |c| {
        c.out.estimate.fallback == Fallback::None
    });
    closed.run(2.5);
    let back = greatest_step(&closed.record[from..]);
    assert!(
        closed.record[from..]
            .iter()
            .all(|r| r.out.mode == Mode::Tracking)
    );
    let off = (closed.plant.truth().bend - pose(10.0, 107.0))
        .norm()
        .to_degrees();
    assert!(off < 0.2, "{off} deg off after the return");
    inside_limits(&closed);
    (took, [ordinary, loss, back])
}

#[test]
fn without_the_imu_the_motors_serve_without_a_jump() {
    for (name, neck) in necks() {
        let silent = |c: &mut Loop, so| c.spoilt.head_silent = so;
        let frozen = |c: &mut Loop, so| {
            c.spoilt.head_frozen = so;
            if !so {
                // The samples come first, then the clearing.
                c.run(0.05);
                assert_eq!(c.out.estimate.fallback, Fallback::Frozen);
            }
        };
        let (took, steps) = falls_back(&neck, silent, Fallback::Stale, 0.11);
        println!(
            "{name}: silent, fell back after {took:.3} s; ordinary, loss, return: {steps:.4?}"
        );
        assert!(steps[1] <= steps[0] && steps[2] <= steps[0], "{steps:?}");
        let (took, steps) = falls_back(&neck, frozen, Fallback::Frozen, 0.35);
        println!(
            "{name}: frozen, fell back after {took:.3} s; ordinary, loss, return: {steps:.4?}"
        );
        assert!(steps[1] <= steps[0] && steps[2] <= steps[0], "{steps:?}");
    }
}

#[test]
fn a_frozen_imu_is_not_cleared_while_it_is_and_stays_out_until_then() {
    let neck = Neck::position();
    let mut closed = moving(&neck, 0);
    closed.spoilt.head_frozen = true;
    closed.run(1.0);
    closed.input.clear += 1;
    closed.run(0.1);
    let fault = *closed.out.faults.of(Rule::ImuFrozen);
    assert!(fault.latched && fault.above, "{fault:?}");
    // A new activation is refused.
    closed.input.inactive = true;
    closed.run(0.1);
    assert_eq!(
        (closed.out.mode, closed.out.readiness),
        (Mode::Inactive, Readiness::Latched)
    );
    closed.input.inactive = false;
    closed.run(0.1);
    assert_eq!(closed.out.mode, Mode::NotReady);
    closed.spoilt.head_frozen = false;
    closed.run(0.1);
    assert_eq!(closed.out.mode, Mode::NotReady);
    closed.input.clear += 1;
    closed.run(0.1);
    assert_eq!(closed.out.mode, Mode::Tracking);
}

#[test]
fn where_the_motors_may_not_serve_the_imu_holds() {
    for (name, mut neck) in necks() {
        neck.file.limits.supervision.fallback = false;
        let mut closed = moving(&neck, 0);
        closed.spoilt.head_silent = true;
        holds(ByItself, name, &neck, closed, Rule::ImuStale, 0.11, |c| {
            c.spoilt.head_silent = false
        });
        let mut closed = moving(&neck, 0);
        closed.spoilt.head_frozen = true;
        holds(Cleared, name, &neck, closed, Rule::ImuFrozen, 0.4, |c| {
            c.spoilt.head_frozen = false
        });
    }
    // The same where an encoder is not trusted either.
    let neck = Neck::position();
    let mut closed = at_rest(&neck, 0);
    let at = closed.input.motors[0].unwrap().angle;
    closed.spoilt.astray = Some((0, at - 1.0));
    closed.run(0.4);
    closed.spoilt.head_silent = true;
    closed.run(0.15);
    assert_eq!(
        (closed.out.mode, closed.out.faults.cause),
        (Mode::Holding, Some(Rule::ImuStale))
    );
}

#[test]
fn the_most_severe_reaction_wins() {
    let neck = Neck::position();
    let mut closed = at_rest(&neck, 0);
    let late = |closed: &mut Loop, ticks: usize| {
        for _ in 0..ticks {
            closed.step();
            closed.ticks += 1;
        }
    };
    late(&mut closed, 100);
    assert_eq!(closed.out.faults.reaction, Reaction::Slow);
    closed.spoilt.head_silent = true;
    late(&mut closed, 30);
    // Only a warning while the motors serve: late cycles stay the cause.
    assert!(broken(&closed, Rule::ImuStale));
    let faults = closed.out.faults;
    assert_eq!(
        (faults.cause, faults.reaction),
        (Some(Rule::LateCycles), Reaction::Slow)
    );
    closed.spoilt.silent = 1;
    late(&mut closed, 30);
    assert_eq!(closed.out.faults.reaction, Reaction::Hold);
    assert_eq!(closed.out.mode, Mode::Holding);
}

#[test]
fn a_short_hold_in_mid_motion_comes_back_without_a_jump() {
    for (name, neck) in necks() {
        let ordinary = ordinary(&neck, 0);
        for gap in [0.11, 0.2, 0.4] {
            let mut closed = moving(&neck, 0);
            let from = closed.record.len() - 1;
            closed.deaf = true;
            closed.run(gap);
            closed.deaf = false;
            closed.run(1.5);
            let step = greatest_step(&closed.record[from..]);
            println!("{name}: {gap} s without data in mid-motion: step {step:.4} of {ordinary:.4}");
            assert_eq!(closed.out.mode, Mode::Tracking);
            assert!(step <= ordinary, "{name}: {step} against {ordinary}");
        }
    }
}

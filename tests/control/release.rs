//! Tension release where the beam alone carries the head, and retensioning.

use crate::common::{Loop, Neck, PAYLOADS, Record, pose};
use nalgebra::{UnitQuaternion, Vector3};
use withy::control::controller::CommandInterface;
use withy::control::self_support::{Load, SelfSupport};
use withy::control::tick::{
    CLEARANCE, FaultConfig, Mode, Output, Reaction, ReleaseRefusal, Rule, State,
};
use withy::sim::beam::{BaseMotion, DriveKind};

fn necks() -> [Neck; 2] {
    [Neck::position(), Neck::velocity()]
}

/// Returns the closed loop of its file, at rest 30 deg out, with the payload set.
fn bent(neck: &Neck, payload: (f64, f64)) -> Loop {
    let told = Load {
        mass: payload.0,
        height: payload.1,
    };
    let self_support = neck.file.self_support_of_file(Some(told));
    bent_with(neck, payload, self_support)
}

fn bent_with(neck: &Neck, payload: (f64, f64), self_support: SelfSupport) -> Loop {
    let law = neck.law(&neck.file.gain_sets[0].name);
    let mut closed = neck.close(law.with_self_support(&neck.file.joint, self_support));
    closed.plant.set_payload(payload.0, payload.1).unwrap();
    closed.run(3.0);
    closed.point(30.0, 47.0);
    closed.run(4.0);
    closed
}

fn peak(record: &[Record]) -> f64 {
    let bends = record.iter().map(|r| r.bend.norm().to_degrees());
    bends.fold(0.0, f64::max)
}

/// Checks setpoints during release and retension against each motor's position limits. Returns the
/// greatest shares of the speed and acceleration limits.
fn within_limits(closed: &Loop, record: &[Record]) -> (f64, f64) {
    let (dt, limits) = (closed.joint.period, &closed.law.limits().motors);
    let (mut fastest, mut hardest) = (0.0_f64, 0.0_f64);
    let release = |r: &Record| matches!(r.out.mode, Mode::ReleasingTension | Mode::Retensioning);
    for three in record.windows(3) {
        if !release(&three[2]) || !three[1].out.mode.sends() || !three[0].out.mode.sends() {
            continue;
        }
        for (i, limit) in limits.iter().enumerate() {
            let [a, b, c] = [0, 1, 2].map(|k: usize| three[k].out.setpoints[i]);
            let (speed, change) = match closed.law.kind() {
                CommandInterface::Position => {
                    assert!((limit.low..=limit.high).contains(&c));
                    ((c - b) / dt, (c - 2.0 * b + a) / dt)
                }
                CommandInterface::Velocity => (c, c - b),
            };
            fastest = fastest.max(speed.abs() / limit.speed);
            hardest = hardest.max(change.abs() / dt / limit.acceleration);
        }
    }
    assert!(fastest <= 1.0 && hardest <= 1.0, "{fastest} {hardest}");
    (fastest, hardest)
}

fn modes(record: &[Record]) -> Vec<Mode> {
    let mut modes: Vec<Mode> = record.iter().map(|r| r.out.mode).collect();
    modes.dedup();
    modes
}

#[test]
fn let_down_where_it_is_carried_and_taken_up_by_the_next_command() {
    for neck in necks() {
        for payload in &PAYLOADS[..3] {
            let mut closed = bent(&neck, *payload);
            let kind = closed.law.kind();
            let from = closed.record.len();
            closed.input.release_tension += 1;
            closed.run(12.0);
            let record = closed.record[from..].to_vec();
            assert_eq!(modes(&record), [Mode::ReleasingTension, Mode::Released]);
            assert_eq!(
                (
                    closed.out.answered.release_tension,
                    closed.out.answered.release_refusal
                ),
                (1, None)
            );
            let started = record[0].time;
            let down = record
                .iter()
                .find(|r| r.out.mode == Mode::Released)
                .unwrap();
            let took = down.time - started;
            let (speed, acceleration) = within_limits(&closed, &closed.record[from - 2..]);
            let end = closed.plant.truth();
            println!(
                "{kind:?} {:.0} g: {took:.2} s, peak {:.2} deg, end {:.3} deg, {speed:.3} of \
                 speed, {acceleration:.3} of acceleration",
                payload.0 * 1e3,
                peak(&record),
                end.bend.norm().to_degrees(),
            );
            assert!((4.0..6.0).contains(&took), "{took} s");
            assert!(peak(&record) < 30.5);
            assert!(end.tensions.iter().all(|t| *t == 0.0), "{:?}", end.tensions);
            assert!(end.bend.norm().to_degrees() < 0.1);

            let from = closed.record.len();
            let target = closed.point(20.0, 200.0);
            closed.run(9.0);
            let record = closed.record[from..].to_vec();
            let after = modes(&record);
            assert_eq!(after, [Mode::Retensioning, Mode::Tracking]);
            let (speed, acceleration) = within_limits(&closed, &closed.record[from - 2..]);
            let up = record
                .iter()
                .find(|r| r.out.mode == Mode::Tracking)
                .unwrap();
            let taken: Vec<Record> = (record.iter().cloned())
                .take_while(|r| r.out.mode == Mode::Retensioning)
                .collect();
            let off = (closed.plant.truth().bend - target).norm().to_degrees();
            println!(
                "  up {:.2} s, peak {:.2} deg, {speed:.3} of speed, {acceleration:.3} of \
                 acceleration; then {off:.3} deg off, peak {:.2} deg",
                up.time - record[0].time,
                peak(&taken),
                peak(&record),
            );
            assert!(peak(&taken) < 0.5);
            assert!(off < 0.1 && peak(&record) < 20.5);
            assert!(end_tensions(&closed) > 0.2);
        }
    }
}

/// Returns the minimum tension, N.
fn end_tensions(closed: &Loop) -> f64 {
    let tensions = &closed.plant.truth().tensions;
    tensions.iter().copied().fold(f64::INFINITY, f64::min)
}

#[test]
fn refused_and_held_where_the_beam_does_not_carry_the_head() {
    for neck in necks() {
        for payload in [PAYLOADS[3], (0.45, 0.06)] {
            let mut closed = bent(&neck, payload);
            let before = closed.plant.truth().bend;
            // During a motion, too.
            closed.point(10.0, 47.0);
            closed.run(0.1);
            let from = closed.record.len();
            closed.input.release_tension += 1;
            closed.run(6.0);
            let record = &closed.record[from..];
            assert_eq!(modes(record), [Mode::Tracking]);
            let refused = Some(ReleaseRefusal::NotCarried);
            assert_eq!(
                (
                    closed.out.answered.release_tension,
                    closed.out.answered.release_refusal
                ),
                (1, refused)
            );
            assert!(peak(record) < before.norm().to_degrees() + 0.5);
            let now = closed.plant.truth().bend.norm().to_degrees();
            println!("{:.0} g: held at {now:.2} deg", payload.0 * 1e3);
            assert!((now - closed.out.target.norm().to_degrees()).abs() < 0.2);
            assert!(now > 15.0, "it stopped on the way: {now} deg");
            assert!(closed.out.answered.ended == closed.out.answered.command);
        }
        // Payload not set: the heaviest counts, although the head is bare.
        let self_support = neck.file.self_support_of_file(None);
        let mut closed = bent_with(&neck, PAYLOADS[0], self_support);
        closed.input.release_tension += 1;
        closed.run(1.0);
        assert_eq!(
            closed.out.answered.release_refusal,
            Some(ReleaseRefusal::NotCarried)
        );
        // A law without the beam's data releases no tension.
        let mut closed = bent_with(&neck, PAYLOADS[0], SelfSupport::NotKnown);
        closed.input.release_tension += 1;
        closed.run(1.0);
        assert_eq!(
            closed.out.answered.release_refusal,
            Some(ReleaseRefusal::NotKnown)
        );
        assert!((closed.plant.truth().bend - pose(30.0, 47.0)).norm() < 0.01);
    }
}

#[test]
fn a_head_that_falls_all_the_same_is_caught() {
    for neck in necks() {
        // The beam is declared to carry more than it can: 380 g, and 450 g.
        let wrong = SelfSupport::Carries {
            factor: 2.0,
            inclination: 0.0,
            tilts: (0.0, 0.0),
            payload: Load::default(),
        };
        for payload in [PAYLOADS[3], (0.45, 0.06)] {
            let mut closed = bent_with(&neck, payload, wrong);
            closed.input.release_tension += 1;
            closed.run(30.0);
            let end = closed.plant.truth().bend.norm().to_degrees();
            println!("{:.0} g: falls to {end:.1} deg", payload.0 * 1e3);
            assert!(end > 0.7 * CLEARANCE.to_degrees() && end < 1.6 * CLEARANCE.to_degrees());
            // From there the next command brings it back.
            let from = closed.record.len();
            let target = closed.point(10.0, 227.0);
            closed.run(10.0);
            let peak = peak(&closed.record[from..]);
            let off = (closed.plant.truth().bend - target).norm().to_degrees();
            println!("  taken up: peak {peak:.1} deg, then {off:.2} deg off");
            assert!(peak < end + 1.0 && off < 0.1);
        }
    }
}

#[test]
fn let_down_in_the_midst_of_a_motion_it_brakes_first() {
    for neck in necks() {
        let closed = bent(&neck, PAYLOADS[2]);
        for after in [0.05, 0.1, 0.15, 0.2] {
            let mut closed = closed.clone();
            closed.point(30.0, 227.0);
            closed.run(after);
            let from = closed.record.len();
            closed.input.release_tension += 1;
            closed.run(8.0);
            assert_eq!(closed.out.mode, Mode::Released);
            let (speed, acceleration) = within_limits(&closed, &closed.record[from - 2..]);
            let peak = peak(&closed.record[from..]);
            println!(
                "{:?} after {after} s: {speed:.3} of speed, {acceleration:.3} of acceleration, \
                 peak {peak:.2} deg",
                closed.law.kind()
            );
            assert!(peak < 30.5);
            assert!(closed.plant.truth().bend.norm().to_degrees() < 0.2);
        }
        // A second request after the release changes nothing.
        let mut closed = closed;
        closed.input.release_tension += 1;
        closed.run(8.0);
        closed.input.release_tension += 1;
        closed.run(1.0);
        assert_eq!(
            (closed.out.mode, closed.out.answered.release_refusal),
            (Mode::Released, None)
        );
    }
}

#[test]
fn a_request_to_hold_takes_up_again() {
    for neck in necks() {
        // During the release, and after it.
        for (after, bent_by) in [(1.0, 5.0..30.1), (8.0, 0.0..0.5)] {
            let mut closed = bent(&neck, PAYLOADS[2]);
            closed.input.release_tension += 1;
            closed.run(after);
            let from = closed.record.len();
            closed.input.hold += 1;
            closed.run(8.0);
            assert_eq!(
                modes(&closed.record[from..]),
                [Mode::Retensioning, Mode::Tracking]
            );
            within_limits(&closed, &closed.record[from - 2..]);
            let end = closed.plant.truth().bend.norm().to_degrees();
            println!("{:?} after {after} s: {end:.2} deg", closed.law.kind());
            assert!(bent_by.contains(&end) && end_tensions(&closed) > 0.2);
            // A new command is followed as usual.
            let target = closed.point(15.0, 100.0);
            closed.run(4.0);
            assert!((closed.plant.truth().bend - target).norm().to_degrees() < 0.1);
        }
    }
}

#[test]
fn turned_round_on_its_way_it_brakes_from_the_speed_that_it_has() {
    let neck = Neck::position();
    let mut closed = bent(&neck, PAYLOADS[2]);
    closed.input.release_tension += 1;
    closed.run(2.0);
    closed.input.hold += 1;
    closed.run(0.1);
    let record = &closed.record[..];
    let turn = record
        .iter()
        .position(|r| r.out.mode == Mode::Retensioning)
        .unwrap();
    let step = |k: usize, i: usize| record[k].out.setpoints[i] - record[k - 1].out.setpoints[i];
    let motors = 0..closed.joint.motors();
    let moving: Vec<usize> = motors.filter(|i| step(turn - 1, *i).abs() > 1e-4).collect();
    assert!(moving.len() > 1, "{moving:?}");
    for i in moving {
        let before = step(turn - 1, i);
        for k in turn..record.len() {
            let after = step(k, i);
            assert!(
                after.abs() <= before.abs(),
                "motor {i}: {before}, then {after}"
            );
        }
    }
}

#[test]
fn what_was_asked_while_it_went_down_is_not_done() {
    let neck = Neck::position();
    let mut closed = bent(&neck, PAYLOADS[1]);
    closed.input.release_tension += 1;
    closed.run(2.0);
    closed.point(25.0, 100.0);
    closed.run(8.0);
    assert_eq!(closed.out.mode, Mode::Released);
    assert_eq!(
        closed.out.answered.ended,
        closed.input.desired.map(|d| d.command)
    );
}

#[test]
fn silent_encoders_stop_it_and_it_goes_on() {
    for neck in necks() {
        let mut closed = bent(&neck, PAYLOADS[1]);
        closed.input.release_tension += 1;
        closed.run(1.5);
        closed.deaf = true;
        let from = closed.record.len();
        closed.run(1.5);
        let late = &closed.record[from + 30..];
        assert_eq!(modes(late), [Mode::Holding]);
        let held = &late[0].out.setpoints;
        assert!(late.iter().all(|r| r.out.setpoints == *held));
        if closed.law.kind() == CommandInterface::Velocity {
            assert!(held.iter().all(|s| *s == 0.0));
        }
        closed.deaf = false;
        let from = closed.record.len();
        closed.run(8.0);
        assert_eq!(closed.out.mode, Mode::Released);
        within_limits(&closed, &closed.record[from..]);
        assert!(closed.plant.truth().tensions.iter().all(|t| *t == 0.0));
        // A request while they are silent is refused.
        let mut closed = bent(&neck, PAYLOADS[1]);
        closed.deaf = true;
        closed.run(0.2);
        closed.input.release_tension += 1;
        closed.run(0.1);
        assert_eq!(
            closed.out.answered.release_refusal,
            Some(ReleaseRefusal::MotorStale)
        );
    }
}

#[test]
fn a_joint_found_down_is_taken_up_without_a_jump() {
    for neck in necks() {
        for payload in &PAYLOADS[..3] {
            // After the release, and halfway through it.
            for after in [3.0, 8.0] {
                let mut closed = bent(&neck, *payload);
                closed.input.release_tension += 1;
                closed.run(after);
                // The loop restarts; the motors hold meanwhile.
                closed.state = State::new(&closed.joint, &closed.law);
                closed.out = Output::new(closed.joint.motors());
                closed.input.desired = None;
                closed.input.release_tension = 0;
                closed.motors_held = true;
                let still = closed.plant.truth().motor_angles.clone();
                for _ in 0..10 {
                    if closed.law.kind() == CommandInterface::Velocity {
                        closed
                            .plant
                            .command(DriveKind::Velocity, &[0.0; 4])
                            .unwrap();
                    } else {
                        closed.plant.command(DriveKind::Position, &still).unwrap();
                    }
                    closed.plant.advance(0.1);
                    closed.ticks += 20;
                }
                closed.motors_held = false;
                let from = closed.record.len();
                let angles = closed.plant.truth().motor_angles.clone();
                closed.run(9.0);
                let record = &closed.record[from..];
                let first = record.iter().find(|r| r.out.mode.sends()).unwrap();
                assert_eq!(first.out.mode, Mode::Retensioning, "after {after} s");
                for (setpoint, angle) in first.out.setpoints.iter().zip(&angles) {
                    match closed.law.kind() {
                        CommandInterface::Position => assert!((setpoint - angle).abs() < 2e-3),
                        CommandInterface::Velocity => assert!(setpoint.abs() < 0.02),
                    }
                }
                within_limits(&closed, record);
                assert_eq!(closed.out.mode, Mode::Tracking);
                println!(
                    "{:?} {:.0} g after {after} s: peak {:.2} deg, end {:.2} deg",
                    closed.law.kind(),
                    payload.0 * 1e3,
                    peak(record),
                    closed.plant.truth().bend.norm().to_degrees()
                );
                assert!(peak(record) < 2.0);
                let target = closed.point(20.0, 130.0);
                closed.run(4.0);
                assert!((closed.plant.truth().bend - target).norm().to_degrees() < 0.1);
            }
        }
    }
}

#[test]
fn a_base_that_leans_too_far_refuses_it() {
    let neck = Neck::pan();
    for (mass, height, tilt_deg, release) in [
        (0.0, 0.035, 10.0_f64, true),
        (0.09, 0.035, 12.0, true),
        (0.0, 0.035, 25.0, false),
        (0.21, 0.05, 15.0, false),
    ] {
        let law = neck.law(&neck.file.gain_sets[0].name);
        let self_support = neck.file.self_support_of_file(Some(Load { mass, height }));
        let mut closed = neck.close(law.with_self_support(&neck.file.joint, self_support));
        closed.plant.set_payload(mass, height).unwrap();
        let motion = BaseMotion::Turn {
            orientation: UnitQuaternion::from_axis_angle(&Vector3::x_axis(), tilt_deg.to_radians()),
            duration: 2.0,
        };
        closed.plant.set_base(motion).unwrap();
        closed.run(6.0);
        assert_eq!(closed.out.mode, Mode::Tracking);
        closed.input.release_tension += 1;
        closed.run(10.0);
        let truth = closed.plant.truth();
        println!(
            "{:.0} g on {tilt_deg} deg: {:?} {:?}, {:.2} deg",
            mass * 1e3,
            closed.out.mode,
            closed.out.answered.release_refusal,
            truth.bend.norm().to_degrees()
        );
        if release {
            assert_eq!(closed.out.mode, Mode::Released);
            assert!(truth.tensions.iter().all(|t| *t == 0.0));
            let leans = neck.file.cantilever.unwrap();
            let leans = leans.inclination(Load { mass, height }, 1.0, tilt_deg.to_radians(), 1.0);
            assert!((truth.bend.norm() - leans.unwrap()).abs().to_degrees() < 0.2);
        } else {
            assert_eq!(
                closed.out.answered.release_refusal,
                Some(ReleaseRefusal::Tilted)
            );
            assert_eq!(closed.out.mode, Mode::Tracking);
        }
        // The tilt is unknown.
        closed.input.hold += 1;
        closed.run(6.0);
        closed.base_deaf = true;
        closed.run(1.0);
        closed.input.release_tension += 1;
        closed.run(0.1);
        assert_eq!(
            closed.out.answered.release_refusal,
            Some(ReleaseRefusal::Tilted)
        );
    }
}

#[test]
fn a_rule_lets_down_where_it_is_carried_and_holds_where_not() {
    for mut neck in necks() {
        let limits = &mut neck.file.limits;
        limits.over_bend = 33f64.to_radians();
        let inclination = 32f64.to_radians();
        limits.inclination = inclination;
        *limits.supervision.guard_mut(Rule::OverBend) = FaultConfig {
            limit: 0.0,
            after: 0.2,
            reaction: Reaction::Release,
            latch: true,
        };
        for (payload, carried) in [(PAYLOADS[1], true), (PAYLOADS[3], false)] {
            let mut closed = bent(&neck, payload);
            let from = closed.record.len();
            closed.faulty = true;
            // A person's hand leans on the head, harder and harder until the rule trips.
            let outward = 47f64.to_radians();
            for step in 0..40 {
                let force = Vector3::new(outward.cos(), outward.sin(), 0.0);
                let force = force * (3.0 + 0.25 * f64::from(step));
                closed.plant.push(force, 0.5).unwrap();
                closed.run(0.5);
                if closed.out.faults.of(Rule::OverBend).latched {
                    break;
                }
            }
            closed.run(10.0);
            let record = &closed.record[from..];
            println!(
                "{:?} {:.0} g: peak {:.1} deg, {:?}, end {:.2} deg, refused {:?}",
                closed.law.kind(),
                payload.0 * 1e3,
                peak(record),
                modes(record),
                closed.plant.truth().bend.norm().to_degrees(),
                closed.out.answered.release_refusal
            );
            assert!(closed.out.faults.of(Rule::OverBend).latched);
            let (stands, refused) = if carried {
                (Mode::Released, None)
            } else {
                (Mode::Faulted, Some(ReleaseRefusal::NotCarried))
            };
            assert_eq!(
                (closed.out.mode, closed.out.answered.release_refusal),
                (stands, refused)
            );
            // Until the fault is cleared no command moves the joint.
            closed.point(10.0, 100.0);
            closed.run(6.0);
            assert_eq!(closed.out.mode, stands);
            closed.input.clear += 1;
            closed.run(0.5);
            let target = closed.point(15.0, 100.0);
            closed.run(10.0);
            assert_eq!(closed.out.mode, Mode::Tracking);
            let off = (closed.plant.truth().bend - target).norm().to_degrees();
            assert!(off < 0.1, "{off} deg");
        }
    }
}

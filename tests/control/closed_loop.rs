//! The complete loop in one process: the shipped files, one control cycle, the simulated joint,
//! virtual time. All figures are of the simulated joint's true bend; the bounds are those of the
//! demo's verdict.

use crate::common::{HEAVIEST, Loop, Neck, PAYLOADS, bed, bends, pose, setpoints};
use nalgebra::Vector3;
use withy::control::controller::{CommandInterface, IntegratorDeadband};
use withy::control::geometry::Bend;
use withy::control::tick::{Feedback, Law, Mode};
use withy::design::trial::{
    self, Bars, MoveFigures, PayloadFigures, PushFigures, SetpointPeak, SwapFigures,
};
use withy::sim::beam::Tolerances;

/// Worst figures over a set of targets.
#[derive(Debug, Default)]
struct Worst {
    /// Overshoot as a share of the accepted overshoot.
    overshoot: f64,
    settling: f64,
    error_deg: f64,
    setpoint_share: f64,
}

fn settling(figures: &MoveFigures) -> f64 {
    figures.settling.unwrap_or(f64::INFINITY)
}

fn over_the_bed(neck: &Neck, closed: &mut Loop, dwell: f64) -> Worst {
    let mut worst = Worst::default();
    let from = closed.record.len();
    for target in bed() {
        let figures = closed.go(target, dwell);
        let accepted = Bars::default().overshoot(figures.distance);
        worst.overshoot = worst.overshoot.max(figures.overshoot / accepted);
        worst.settling = worst.settling.max(settling(&figures));
        worst.error_deg = worst.error_deg.max(figures.error.to_degrees());
    }
    let sent = setpoints(&closed.record[from..]);
    let span = (sent[0].time, sent[sent.len() - 1].time);
    let limits = &neck.file.limits.motors;
    let peak = SetpointPeak::score(&sent, limits, closed.law.kind(), closed.joint.period, span);
    worst.setpoint_share = peak.share();
    worst
}

fn assert_verdict(worst: &Worst, bars: &Bars, what: &str) {
    println!("{what}: {worst:.3?}");
    assert!(worst.overshoot <= 1.0, "{what}: {worst:?}");
    assert!(worst.settling <= bars.settling, "{what}: {worst:?}");
    assert!(
        worst.error_deg <= bars.error.to_degrees(),
        "{what}: {worst:?}"
    );
    assert!(
        worst.setpoint_share < bars.setpoint_share,
        "{what}: {worst:?}"
    );
}

/// Payloads of each shipped two-degree-of-freedom set.
const RANGES: [(&str, std::ops::RangeInclusive<usize>); 6] = [
    ("any-payload", 0..=3),
    ("order-above-one", 0..=2),
    ("pid", 0..=3),
    ("bare", 0..=1),
    ("camera", 1..=2),
    ("camera-and-lamp", 2..=3),
];

#[test]
fn every_set_holds_the_verdict_over_its_payloads() {
    let neck = Neck::position();
    for (name, payloads) in RANGES {
        for payload in payloads {
            let mut closed = neck.ready(name, payload);
            let worst = over_the_bed(&neck, &mut closed, 2.5);
            let grams = 1000.0 * PAYLOADS[payload].0;
            assert_verdict(&worst, &Bars::default(), &format!("{name}, {grams} g"));
            assert!(!closed.out.hunting && closed.out.settled);
        }
    }
}

#[test]
fn without_feedback_the_verdict_fails() {
    let neck = Neck::position();
    let mut missed = 0;
    for payload in 0..PAYLOADS.len() {
        let mut closed = neck.close(neck.law("any-payload").without_correction());
        closed.load(payload);
        closed.run(3.0);
        let worst = over_the_bed(&neck, &mut closed, 2.5);
        println!("no feedback, payload {payload}: {worst:.3?}");
        missed += usize::from(worst.error_deg > 0.1 || worst.overshoot > 1.0);
    }
    // One payload matches the model; a run over all of them fails.
    assert!(missed >= PAYLOADS.len() - 1, "{missed} payloads missed");
}

#[test]
fn a_payload_set_on_while_held_is_carried() {
    let neck = Neck::position();
    for (from, to) in [(0, 1), (0, 2), (0, 3), (1, 2), (2, 3), (3, 0)] {
        for direction in [47.0, 167.0, 287.0] {
            let mut closed = neck.ready("any-payload", from);
            let target = closed.point(20.0, direction);
            closed.run(3.0);
            closed.load(to);
            let samples = bends(closed.run(4.0));
            let (at, end) = (samples[0].time, samples[samples.len() - 1].time);
            let figures = PayloadFigures::score(&samples, target, at, end).unwrap();
            println!("{from} -> {to} at {direction} deg: {figures:.3?}");
            let back = figures.back.expect("it comes back");
            assert!(
                back <= Bars::default().payload_back,
                "{from} -> {to}: {figures:?}"
            );
            assert!(figures.error <= Bars::default().error);
        }
    }
}

/// Returns the true bend, the target and the greatest share of a setpoint limit around a push
/// toward `toward` deg from the direction of bend.
fn pushed(neck: &Neck, set: &str, toward: f64, still: bool) -> (Vec<trial::BendSample>, Bend, f64) {
    let mut closed = neck.ready(set, HEAVIEST);
    let target = closed.point(20.0, 47.0);
    closed.run(3.0);
    closed.motors_held = still;
    let angle = (47.0 + toward).to_radians();
    let force = Vector3::new(4.0 * angle.cos(), 4.0 * angle.sin(), 0.0);
    closed.plant.push(force, 0.15).unwrap();
    let period = closed.joint.period;
    let record = closed.run(6.0);
    let sent = setpoints(record);
    let span = (sent[0].time, sent[sent.len() - 1].time);
    let limits = &neck.file.limits.motors;
    let peak = SetpointPeak::score(&sent, limits, CommandInterface::Position, period, span);
    (bends(record), target, peak.share())
}

#[test]
fn a_push_on_the_heaviest_payload_is_survived() {
    let neck = Neck::position();
    let bars = Bars::default();
    for set in ["any-payload", "camera-and-lamp"] {
        for toward in [0.0, 90.0, 180.0, 270.0, 45.0] {
            let (still, _, _) = pushed(&neck, set, toward, true);
            let (samples, target, share) = pushed(&neck, set, toward, false);
            let (at, end) = (samples[0].time, samples[samples.len() - 1].time);
            let peak_still = trial::push_peak(&still, at, end).unwrap();
            let figures = PushFigures::score(&samples, target, at, end, peak_still).unwrap();
            println!("{set}, push toward {toward} deg: {figures:.3?}, setpoint share {share:.3}");
            assert!(share < bars.setpoint_share, "{set} {toward}: {share}");
            assert!(
                figures.ratio() <= bars.push_ratio,
                "{set} {toward}: {figures:?}"
            );
            assert!(
                figures.back.unwrap() <= bars.push_back,
                "{set} {toward}: {figures:?}"
            );
            assert!(
                figures.rest <= bars.push_rest,
                "{set} {toward}: {figures:?}"
            );
        }
    }
}

#[test]
fn a_swap_leaves_no_trace_at_rest_and_little_in_motion() {
    let neck = Neck::position();
    // A set for step tests has no feedback, so the load sags under it. A swap to it does not keep a
    // pose.
    let correcting = neck.file.gain_sets.iter().filter(|s| s.gains.corrects());
    let sets: Vec<_> = correcting.map(|s| s.name.clone()).collect();
    // Pure feedback moves the joint very differently, so a motion is not comparable.
    let follows = |name: &str| name != "pure-feedback";
    for from in &sets {
        let mut held = neck.ready(from, 2);
        held.point(20.0, 47.0);
        // Pure feedback is slower.
        held.run(12.0);
        let mut unswapped = held.clone();
        let target = pose(20.0, 197.0);
        unswapped.command(target);
        unswapped.run(3.0);
        for to in sets.iter().filter(|to| *to != from) {
            let mut at_rest = held.clone();
            at_rest.swap(neck.law(to));
            let at = at_rest.now();
            at_rest.run(5.0);
            let record = &at_rest.record;
            let before = trial::mean_bend(&bends(record), at - 0.5, at).unwrap();
            let figures = SwapFigures::score(&bends(record), &setpoints(record), (at, at)).unwrap();
            let after = bends(record);
            let moved = trial::greatest_departure(&after, before, at, at + 4.9).unwrap();
            println!(
                "{from} -> {to} at rest: moved {:.3} deg, {figures:.5?}",
                moved.to_degrees()
            );
            assert!(moved.to_degrees() < 0.1, "{from} -> {to}");
            // An ordinary cycle of either set: each has its own noise on the setpoint.
            let sent = setpoints(record);
            let later = trial::greatest_step(&sent, at + 1.0, at + 5.0);
            let ordinary = trial::greatest_step(&sent, at - 5.0, at - 0.1).max(later);
            // From the last cycle of the old law to the second of the new one.
            let step = trial::greatest_step(&sent, at - 0.0075, at + 0.0075);
            assert!(
                step <= ordinary,
                "{from} -> {to}: {step} against {ordinary}"
            );
            for wait in [0.1, 0.25, 0.4] {
                let mut moving = held.clone();
                moving.command(target);
                moving.run(wait);
                moving.swap(neck.law(to));
                moving.run(3.0 - wait);
                let pairs = moving.record.iter().zip(&unswapped.record);
                let apart = pairs
                    .map(|(a, b)| (a.bend - b.bend).norm().to_degrees())
                    .fold(0.0, f64::max);
                let from_time = at - 0.5;
                let step = trial::greatest_step(&setpoints(&moving.record), from_time, at + 3.0);
                let ordinary =
                    trial::greatest_step(&setpoints(&unswapped.record), from_time, at + 3.0);
                println!(
                    "{from} -> {to} in motion ({wait} s): {apart:.3} deg, step {step:.4} of {ordinary:.4} rad"
                );
                if follows(from) && follows(to) {
                    assert!(apart < 0.3, "{from} -> {to} after {wait} s: {apart} deg");
                }
                assert!(
                    step <= 1.05 * ordinary,
                    "{from} -> {to}: {step} against {ordinary}"
                );
            }
        }
    }
}

#[test]
fn velocity_setpoints_keep_the_tension_and_hold_the_verdict() {
    let position = Neck::position();
    let velocity = Neck::velocity();
    assert_eq!(velocity.law("velocity").kind(), CommandInterface::Velocity);
    for payload in 0..PAYLOADS.len() {
        let mut closed = velocity.ready("velocity", payload);
        let worst = over_the_bed(&velocity, &mut closed, 2.5);
        assert_verdict(
            &worst,
            &Bars::default(),
            &format!("velocity, payload {payload}"),
        );
    }
    // Five minutes of moves, payloads in turn; mean tension per move, and slack, against position.
    let minutes = |neck: &Neck, set: &str| {
        let mut closed = neck.ready(set, 0);
        let (mut low, mut high, mut slack) = (f64::INFINITY, 0.0_f64, 0_usize);
        for k in 0..120_usize {
            if k % 30 == 0 {
                closed.load(k / 30);
            }
            closed.point(5.0 + (k * 7 % 16) as f64, (k * 101 % 360) as f64);
            let from = closed.record.len();
            closed.run(2.5);
            let record = closed.record.split_off(from);
            closed.record.clear();
            let count = (record.len() * record[0].tensions.len()) as f64;
            let all = || record.iter().flat_map(|r| &r.tensions);
            let mean = all().sum::<f64>() / count;
            slack += all().filter(|t| **t <= 0.0).count();
            (low, high) = (low.min(mean), high.max(mean));
        }
        println!("{set}: mean tension {low:.3} to {high:.3} N, {slack} slack samples");
        (low, high, slack)
    };
    let (_, _, slack_position) = minutes(&position, "any-payload");
    let (low, high, slack) = minutes(&velocity, "velocity");
    let asked = velocity.file.joint.kinematics.balanced_tensions();
    let asked = asked.iter().sum::<f64>() / asked.len() as f64;
    // Straight runs between discs change their mean length with bend, and so does the position
    // case.
    assert!(
        low > 0.85 * asked && high < 1.15 * asked,
        "{low} to {high} N, asked {asked}"
    );
    assert!(slack <= slack_position, "{slack} against {slack_position}");
}

#[test]
fn motors_of_a_quarter_speed_take_longer_and_overshoot_no_more() {
    let mut neck = Neck::position();
    neck.options.motor_speed_scale = 0.25;
    for motor in &mut neck.file.limits.motors {
        motor.speed *= 0.25;
    }
    for payload in 0..PAYLOADS.len() {
        let mut closed = neck.ready("any-payload", payload);
        let worst = over_the_bed(&neck, &mut closed, 4.0);
        println!("quarter speed, payload {payload}: {worst:.3?}");
        assert!(
            worst.overshoot <= 1.0 && worst.error_deg <= 0.1,
            "{worst:?}"
        );
        assert!(
            worst.settling <= 4.0 * Bars::default().settling,
            "{worst:?}"
        );
    }
}

#[test]
fn stiction_neither_hunts_nor_strays_with_a_hold_band() {
    let mut neck = Neck::position();
    neck.options.stiction = 0.03;
    let mut gains = neck.gains("any-payload").clone();
    gains.integrator_deadband = Some(IntegratorDeadband {
        enter: 0.010,
        leave: 0.025,
    });
    for payload in 0..PAYLOADS.len() {
        let mut closed = neck.close(neck.law_of(&gains));
        closed.load(payload);
        closed.run(3.0);
        for target in bed() {
            closed.command(target);
            closed.run(6.0);
            let last = &closed.record[closed.record.len() - 400..];
            let span = |pick: fn(&Bend) -> f64| {
                let values = last.iter().map(|r| pick(&r.bend));
                let (low, high) =
                    values.fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
                (high - low).to_degrees()
            };
            let motion = span(|b| b.x).max(span(|b| b.y));
            let error = last
                .iter()
                .map(|r| (r.bend - target).norm().to_degrees())
                .fold(0.0, f64::max);
            println!("stiction, payload {payload}: {motion:.4} deg, error {error:.3} deg");
            assert!(motion < 0.1, "payload {payload}: {motion} deg peak to peak");
            assert!(error < 0.5, "payload {payload}: {error} deg");
        }
    }
}

#[test]
fn a_slow_old_imu_is_refused_with_its_delay() {
    let mut neck = Neck::position();
    neck.options.sensors.imu_rate = 50.0;
    neck.options.sensors.imu_age = 0.020;
    let mut closed = neck.close(neck.law("any-payload"));
    closed.run(3.0);
    assert_eq!(closed.out.mode, Mode::LatencyTooHigh);
    // Latency 20 ms, up to a period more until it is used, half of 20 ms, half of 5 ms.
    println!(
        "50 Hz, 20 ms old: {:.1} ms of dead time",
        1000.0 * closed.out.timing.delay
    );
    assert!(
        (0.0324..=0.0376).contains(&closed.out.timing.delay),
        "{}",
        closed.out.timing.delay
    );
    assert!(closed.out.timing.delay > closed.law.delay_allowed());
    let quick = Neck::position().ready("any-payload", 0);
    assert!(quick.out.timing.delay <= quick.law.delay_allowed());
}

#[test]
fn twenty_badly_built_joints_hold_the_verdict() {
    let mut neck = Neck::position();
    neck.options.tolerances = Some(Tolerances::default());
    for seed in 0..20 {
        neck.seed = seed;
        for payload in [0, HEAVIEST] {
            let mut closed = neck.ready("any-payload", payload);
            let worst = over_the_bed(&neck, &mut closed, 2.0);
            let bars = Bars::default().errors_doubled();
            assert_verdict(&worst, &bars, &format!("seed {seed}, payload {payload}"));
        }
    }
}

#[test]
fn pure_feedback_holds_every_payload() {
    let neck = Neck::position();
    for payload in 0..PAYLOADS.len() {
        let mut closed = neck.ready("pure-feedback", payload);
        let worst = over_the_bed(&neck, &mut closed, 6.0);
        println!("pure feedback, payload {payload}: {worst:.3?}");
        assert!(
            worst.error_deg < 0.3 && worst.setpoint_share < 1.0,
            "{worst:?}"
        );
    }
}

#[test]
fn the_first_setpoint_is_the_measured_angle() {
    let neck = Neck::position();
    for start in [[0.0; 4], [0.3, -0.2, -0.25, 0.15], [0.4, 0.4, 0.4, 0.4]] {
        let mut closed = neck.close(neck.law("any-payload"));
        closed
            .plant
            .command(withy::sim::beam::DriveKind::Position, &start)
            .unwrap();
        closed.plant.run_until(0.15);
        closed.ticks = 30;
        for _ in 0..200 {
            if closed.out.mode != Mode::Tracking {
                closed.step();
            }
        }
        assert_eq!(
            closed.out.mode,
            Mode::Tracking,
            "{:?}",
            closed.out.readiness
        );
        for (sent, sample) in closed.out.setpoints.iter().zip(&closed.input.motors) {
            assert!(
                (sent - sample.unwrap().angle).abs() < 0.01,
                "{sent} {sample:?}"
            );
        }
        let first = closed.out.setpoints.clone();
        let record = closed.run(2.0);
        let steps = setpoints(record);
        let greatest = trial::greatest_step(&steps, 0.0, 1e9);
        assert!(
            greatest < 0.03,
            "setpoint steps by {greatest} rad after {first:?}"
        );
    }
}

#[test]
fn stale_data_hold_the_setpoint_and_then_start_anew() {
    let neck = Neck::position();
    let mut closed = neck.ready("any-payload", 1);
    closed.point(20.0, 60.0);
    closed.run(0.3);
    closed.deaf = true;
    closed.run(0.15);
    assert_eq!(closed.out.mode, Mode::Holding);
    assert!(!closed.out.unsent);
    let held = closed.out.setpoints.clone();
    closed.run(0.6);
    assert_eq!(closed.out.mode, Mode::Stopped);
    assert_eq!(closed.out.setpoints, held);
    // Motors may stand elsewhere when they come back, so nothing is sent to them.
    assert!(closed.out.unsent);
    // A command that came while the loop received nothing is old when it restarts.
    closed.point(20.0, 240.0);
    closed.run(0.1);
    closed.deaf = false;
    let at = closed.plant.truth().bend;
    closed.run(3.0);
    assert_eq!(closed.out.mode, Mode::Tracking);
    assert!(!closed.out.unsent);
    let moved = (closed.plant.truth().bend - at).norm().to_degrees();
    assert!(moved < 1.5, "moved {moved} deg by itself");
    let target = closed.point(12.0, 240.0);
    closed.run(3.0);
    assert!((closed.plant.truth().bend - target).norm().to_degrees() < 0.1);
    // A short gap only pauses.
    closed.deaf = true;
    closed.run(0.25);
    closed.deaf = false;
    closed.run(0.1);
    assert_eq!(closed.out.mode, Mode::Tracking);
}

#[test]
fn commands_and_setpoints_stay_inside_their_limits() {
    let mut neck = Neck::position();
    neck.file.limits.inclination = 15f64.to_radians();
    let mut closed = neck.ready("any-payload", 0);
    closed.point(25.0, 60.0);
    closed.run(2.5);
    assert!(closed.out.limited.target);
    let bend = closed.plant.truth().bend;
    assert!((bend - pose(15.0, 60.0)).norm().to_degrees() < 0.1);
    // Position limit: less than the pose needs; the bend is scaled, its direction kept.
    let mut neck = Neck::position();
    for motor in &mut neck.file.limits.motors {
        (motor.low, motor.high) = (-0.8, 0.8);
    }
    let mut closed = neck.ready("any-payload", 0);
    closed.point(20.0, 60.0);
    closed.run(3.0);
    assert!(closed.out.limited.travel);
    assert!(closed.out.setpoints.iter().all(|q| q.abs() <= 0.8 + 1e-9));
    let bend = closed.plant.truth().bend;
    assert!(
        (bend.y.atan2(bend.x).to_degrees() - 60.0).abs() < 3.0,
        "{bend}"
    );
    closed.point(8.0, 60.0);
    closed.run(3.0);
    assert!(
        (closed.plant.truth().bend - pose(8.0, 60.0))
            .norm()
            .to_degrees()
            < 0.1
    );
}

#[test]
fn beyond_the_over_bend_limit_nothing_moves_outward() {
    let mut neck = Neck::position();
    neck.file.limits.over_bend = 24f64.to_radians();
    neck.file.limits.inclination = 24f64.to_radians();
    let mut closed = neck.ready("any-payload", HEAVIEST);
    closed.point(20.0, 47.0);
    closed.run(2.0);
    let outward = 47f64.to_radians();
    let force = Vector3::new(4.0 * outward.cos(), 4.0 * outward.sin(), 0.0);
    closed.plant.push(force, 0.3).unwrap();
    let record = closed.run(1.0).to_vec();
    assert!(record.iter().any(|r| r.out.over_bend()));
    for pair in record.windows(2).filter(|p| p[1].out.over_bend()) {
        let change = |i: usize| pair[1].out.setpoints[i] - pair[0].out.setpoints[i];
        let mut rows = vec![Bend::zeros(); 4];
        closed
            .joint
            .kinematics
            .jacobian(pair[1].out.reference, &mut rows);
        let changes: Vec<_> = (0..4).map(change).collect();
        let moved = closed
            .joint
            .kinematics
            .projection(&rows)
            .bend_part(&changes);
        let bend = pair[1].out.estimate.bend;
        assert!(
            moved.dot(&bend) / bend.norm() < 1e-9,
            "moved outward by {moved}"
        );
    }
    closed.run(4.0);
    assert!(!closed.out.over_bend());
}

#[test]
fn motor_feedback_goes_where_the_model_says() {
    let mut neck = Neck::position();
    neck.file.feedback = Feedback::Motors;
    let gains = neck.gains("any-payload").clone();
    let law = Law::new(
        &neck.file.joint,
        &gains,
        &neck.file.limits,
        Feedback::Motors,
    )
    .unwrap();
    let mut closed = neck.close(law);
    closed.load(2);
    closed.run(2.0);
    for target in bed() {
        let figures = closed.go(target, 2.5);
        // Encoders cannot measure sag: the model's gain against the joint's own, up to 5 %.
        assert!(figures.error < 0.06 * target.norm(), "{figures:?}");
        assert!(figures.overshoot_share() < 0.1, "{figures:?}");
    }
}

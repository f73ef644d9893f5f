//! One gain set for a family of models: its figures against an independent grid, and the set tuned
//! from the simulated joint's own step tests on that joint, over all its payloads.

use crate::common::{HEAVIEST, Loop, Neck, PAYLOADS, bed, bends, pose, setpoints};
use nalgebra::{Complex, Vector3};
use std::f64::consts::PI;
use withy::control::controller::{GainSet, MotorGains};
use withy::control::geometry::Bend;
use withy::control::tick::{Reaction, Rule};
use withy::design::fit::{Hold, StepTest, fit};
use withy::design::model::{Delays, Dynamics, Plant, SecondOrder};
use withy::design::trial::{self, Bars, PayloadFigures, PushFigures, SetpointPeak};
use withy::design::tune::{
    FamilyDesign, FamilyRefusal, FamilySpecification, on_family, tune_family,
};

/// Period and IMU of the glasshouse neck; its samples are 4 ms old when they come.
fn delays() -> Delays {
    Delays::of(0.005, 0.005, 0.004, 0.0)
}

/// Motors of the glasshouse neck, period of its IMU.
fn usual() -> FamilySpecification {
    FamilySpecification::usual(4, 0.005)
}

/// Models of a neck with a bare, a loaded and a heavily loaded head.
fn three() -> Vec<Plant> {
    vec![
        Plant::second_order(0.944, 44.0, 0.46, 0.013),
        Plant::second_order(0.97, 27.0, 0.26, 0.011),
        Plant::second_order(1.0, 16.8, 0.14, 0.009),
    ]
}

/// Returns `1 + L` of the damped loop, written out independently of the library.
fn distance(plant: &Plant, delay: f64, gains: &MotorGains, damping: f64, w: f64) -> Complex<f64> {
    let s = Complex::new(0.0, w);
    let joint = match plant.dynamics {
        Dynamics::First { time_constant } => 1.0 / (s * time_constant + 1.0),
        Dynamics::Second(SecondOrder {
            natural_frequency: n,
            damping_ratio: z,
        }) => n * n / (s * s + s * (2.0 * z * n) + n * n),
        Dynamics::Integrating { .. } => unreachable!("models that come to rest"),
    };
    let turned = Complex::from_polar(
        w.powf(-gains.integral_order),
        -0.5 * PI * gains.integral_order,
    );
    let late = (-s * (plant.dead_time + delay)).exp();
    (turned * gains.ki + gains.kp + s * damping) * joint * plant.gain * late + 1.0
}

/// Frequencies of a fine grid.
const FINE: u32 = 40_000;

/// Returns the worst of `1/|1 + L|` over that many frequencies, and the rotation of `1 + L` over
/// them. With one integration the argument starts at `-lambda pi/2` and ends at 0: a stable loop
/// rotates by exactly that.
fn on_a_grid(plant: &Plant, gains: &MotorGains, damping: f64, count: u32) -> (f64, f64) {
    let delay = delays().total();
    let (mut worst, mut turn) = (0.0_f64, 0.0);
    let mut before: Option<Complex<f64>> = None;
    for i in 0..count {
        let w = 10f64.powf(-3.0 + 6.0 * f64::from(i) / f64::from(count));
        let here = distance(plant, delay, gains, damping, w);
        worst = worst.max(1.0 / here.norm());
        if let Some(before) = before {
            turn += (here / before).arg();
        }
        before = Some(here);
    }
    (worst, turn)
}

/// Returns the worst peak of a design on the grid; every member has to be stable there.
fn worst_on_a_grid(family: &[Plant], gains: &GainSet) -> f64 {
    let motor = &gains.motors[0];
    let worst = family.iter().map(|plant| {
        let (worst, turn) = on_a_grid(plant, motor, gains.damping, FINE);
        let stable = 0.5 * PI * motor.integral_order;
        assert!((turn - stable).abs() < 0.1, "{plant:?} turns by {turn}");
        worst
    });
    worst.fold(0.0, f64::max)
}

#[test]
fn the_worst_peak_is_the_one_asked_and_more_gain_would_pass_it() {
    for peak in [1.3, 1.5, 1.7, 2.0] {
        let specification = FamilySpecification {
            sensitivity_peak: peak,
            decay: 0.0,
            ..usual()
        };
        let design = tune_family(&three(), &delays(), &specification).unwrap();
        let worst = worst_on_a_grid(&three(), &design.gains);
        println!(
            "{peak}: {worst:.5}, {:?}, damping {}",
            design.gains.motors[0], design.gains.damping
        );
        assert!((design.peak() - worst).abs() < 1e-5 * worst);
        assert!(worst <= peak && worst > 0.99 * peak, "{worst}");
        // More integral gain is too much at any damping.
        for step in 0..=60 {
            let mut more = design.gains.clone();
            more.motors[0].ki *= 1.02;
            more.damping = 0.001 * f64::from(step);
            let holds = three().iter().all(|plant| {
                let (worst, turn) = on_a_grid(plant, &more.motors[0], more.damping, 3000);
                worst <= peak && (turn - 0.5 * PI).abs() < 0.1
            });
            assert!(!holds, "{peak}: {more:?}");
        }
    }
}

#[test]
fn crossovers_and_swings_are_those_of_the_loop() {
    let design = tune_family(&three(), &delays(), &usual()).unwrap();
    let gains = &design.gains.motors[0];
    for (plant, on) in three().iter().zip(&design.models) {
        assert_eq!(on.unstable_poles, 0);
        // |C P/(1 + d s P)| is 1 there: |1 + L - (1 + d s P)| = |1 + d s P|.
        let none = MotorGains { ki: 0.0, ..*gains };
        let delay = delays().total();
        let whole = distance(plant, delay, gains, design.gains.damping, on.crossover);
        let inner = distance(plant, delay, &none, design.gains.damping, on.crossover);
        assert!(((whole - inner).norm() / inner.norm() - 1.0).abs() < 1e-9);
        let margin = PI + ((whole - inner) / inner).arg();
        assert!((margin - on.phase_margin).abs() < 1e-9);
    }
    // The heavy head is the slow one, and the shaper's first window is the period of its remaining
    // mode.
    assert_eq!(design.swings, 2);
    let swing = design.models[2].swing.unwrap();
    let z = swing.damping_ratio;
    let period = 2.0 * PI / (swing.natural_frequency * (1.0 - z * z).sqrt());
    assert!((design.gains.smoothing[0] - period).abs() < 6e-4);
    // The pole is one: 1/P + C + d s is zero there.
    let s = Complex::new(-z, (1.0 - z * z).sqrt()) * swing.natural_frequency;
    let plant = three()[2].delayed(delays().total());
    let left = 1.0 / plant.at(s) + gains.ki / s + s * design.gains.damping;
    assert!(left.norm() < 1e-8, "{left}");
    // It decays fast enough beside the integral loop.
    let decay = z * swing.natural_frequency;
    assert!(decay >= 0.8 * gains.ki * plant.gain, "{decay}");
    assert!(design.limited_by_mode && design.integral_limit == 2);
    let words = design.limits(&["bare".into(), "lens".into(), "lamp".into()]);
    assert!(
        words.contains("limited by lamp: its remaining mode"),
        "{words}"
    );
    let delayed = tune_family(&three(), &Delays::of(0.02, 0.02, 0.02, 0.0), &usual()).unwrap();
    assert!(delayed.crossover() < design.crossover());
    assert!(design.gains.delay_allowed >= delays().total());
}

#[test]
fn what_cannot_be_had_is_refused_with_what_can() {
    let asked = |crossover, sensitivity_peak| {
        let specification = FamilySpecification {
            crossover,
            sensitivity_peak,
            decay: 0.0,
            ..usual()
        };
        tune_family(&three(), &delays(), &specification)
    };
    let much = 1.2 * asked(None, 1.7).unwrap().crossover();
    let refusal = asked(Some(much), 1.7).unwrap_err();
    let FamilyRefusal::Crossover { most, needed, .. } = refusal else {
        panic!("{refusal}")
    };
    println!("{refusal}");
    assert!(asked(Some(most), 1.7).is_ok());
    let needed = needed.unwrap();
    assert!(asked(Some(much), needed).is_ok(), "{needed}");
    assert!(asked(Some(much), needed - 0.05).is_err(), "{needed}");
    assert!(refusal.to_string().contains("nearest feasible"));
    // Much proportional gain leaves no margin, at any integral gain.
    let stiff = |sensitivity_peak| {
        let specification = FamilySpecification {
            proportional: Some(0.3),
            decay: 0.0,
            sensitivity_peak,
            ..usual()
        };
        tune_family(&three(), &delays(), &specification)
    };
    let refusal = stiff(1.2).unwrap_err();
    println!("{refusal}");
    let FamilyRefusal::Peak {
        least: Some(least), ..
    } = refusal
    else {
        panic!("{refusal}")
    };
    assert!(stiff(least).is_ok() && stiff(least - 0.03).is_err());
    let value = |specification: FamilySpecification| {
        tune_family(&three(), &delays(), &specification).unwrap_err()
    };
    for sensitivity_peak in [1.0, 0.0, f64::NAN, 11.0] {
        let refusal = value(FamilySpecification {
            sensitivity_peak,
            ..usual()
        });
        assert!(refusal.is_input(), "{refusal}");
        assert!(
            refusal
                .to_string()
                .contains("accepted: above 1, at most 10")
        );
    }
    let none = tune_family(&[], &delays(), &usual()).unwrap_err();
    assert_eq!(none, FamilyRefusal::NoModel);
    let mixed = [three()[0], Plant::integrating(1.0, 0.05, 0.01)];
    let refusal = tune_family(&mixed, &delays(), &usual()).unwrap_err();
    assert!(
        refusal
            .words(&["a".into(), "b".into()])
            .starts_with("b integrates")
    );
}

#[test]
fn models_of_first_order_are_tuned_too_and_a_fractional_order_has_to_pay() {
    let family = [
        Plant::first_order(0.9, 0.04, 0.03),
        Plant::first_order(1.05, 0.06, 0.035),
    ];
    let design = tune_family(&family, &delays(), &usual()).unwrap();
    let worst = design.models.iter().map(|m| m.sensitivity.value);
    assert!(worst.fold(0.0, f64::max) <= 1.7);
    assert!(design.gains.motors[0].ki > 3.0, "{:?}", design.gains);
    let open = FamilySpecification {
        order: None,
        proportional: None,
        ..usual()
    };
    for family in [&family[..], &three()] {
        let plain = tune_family(family, &delays(), &usual()).unwrap();
        let free = tune_family(family, &delays(), &open).unwrap();
        let words = free.order_words().unwrap();
        println!("{words} {:?} {}", free.gains.motors[0], free.crossover());
        assert!(free.crossover() >= 0.99 * plain.crossover());
        let integer = free.integer_crossover.unwrap();
        let order = free.gains.motors[0].integral_order;
        assert_eq!(order == 1.0, words.contains("has no benefit here"));
        assert!(order == 1.0 || free.crossover() > 1.04 * integer);
        assert!(free.peak() <= 1.7);
    }
}

/// Returns the model of a step test on the simulated joint: 10 deg both ways in that direction,
/// from the setpoints alone.
fn step_test(neck: &Neck, payload: usize, direction_deg: f64) -> Plant {
    let mut gains = neck.gains("any-payload").clone();
    gains.smoothing = [0.02, 0.0];
    let mut closed = neck.close(neck.law_of(&gains).without_correction());
    closed.load(payload);
    closed.run(3.0);
    let from = closed.record.len() - 100;
    for inclination in [10.0, 0.0, -10.0, 0.0] {
        closed.command(pose(inclination, direction_deg));
        closed.run(3.0);
    }
    let mut near = Bend::zeros();
    let mut test = StepTest {
        times: Vec::new(),
        asked: Vec::new(),
        stamps: Vec::new(),
        measured: Vec::new(),
        hold: Hold::Constant,
        direction: None,
        limit: None,
    };
    for row in &closed.record[from..] {
        let kinematics = &closed.joint.kinematics;
        near = kinematics.bend_from_motors(&row.out.setpoints, near).bend;
        test.times.push(row.time);
        test.asked.push(near);
        test.stamps.push(row.out.timing.bend_stamp);
        test.measured.push(row.out.estimate.bend);
    }
    let (record, _) = test.record().unwrap();
    fit(&record, None).unwrap().fit.plant
}

fn own_models(neck: &Neck, payloads: &[usize]) -> Vec<Plant> {
    let directions = [17.0, 107.0, 197.0, 287.0];
    let all = payloads.iter().flat_map(|p| directions.map(|d| (*p, d)));
    all.map(|(payload, direction)| step_test(neck, payload, direction))
        .collect()
}

fn told(design: &FamilyDesign) {
    let gains = &design.gains;
    println!(
        "{:?}, damping {}, smoothing {:?}, {:?}, delay {}, crossover {:.3}",
        gains.motors[0],
        gains.damping,
        gains.smoothing,
        gains.model,
        gains.delay_allowed,
        design.crossover()
    );
    println!("{}", design.limits(&[]));
}

fn loaded(neck: &Neck, gains: &GainSet, payload: usize) -> Loop {
    let mut closed = neck.close(neck.law_of(gains));
    closed.load(payload);
    closed.run(3.0);
    closed
}

#[test]
fn the_set_from_the_joints_own_step_tests_holds_the_verdict_at_all_payloads() {
    let neck = Neck::position();
    let family = own_models(&neck, &[0, 1, 2, 3]);
    let design = tune_family(&family, &delays(), &usual()).unwrap();
    told(&design);
    let worst = worst_on_a_grid(&family, &design.gains);
    assert!(worst <= 1.7 && (design.peak() - worst).abs() < 1e-5 * worst);
    let bars = Bars::default();
    for (payload, (mass, _)) in PAYLOADS.iter().enumerate() {
        let mut closed = loaded(&neck, &design.gains, payload);
        let from = closed.record.len();
        let (mut overshoot, mut settling, mut error) = (0.0_f64, 0.0_f64, 0.0_f64);
        for target in bed() {
            let figures = closed.go(target, 2.5);
            overshoot = overshoot.max(figures.overshoot / bars.overshoot(figures.distance));
            settling = settling.max(figures.settling.unwrap_or(f64::INFINITY));
            error = error.max(figures.error);
        }
        let sent = setpoints(&closed.record[from..]);
        let span = (sent[0].time, sent[sent.len() - 1].time);
        let (limits, kind) = (&neck.file.limits.motors, closed.law.kind());
        let share = SetpointPeak::score(&sent, limits, kind, closed.joint.period, span).share();
        let line = format!(
            "{:.0} g: overshoot {overshoot:.3} of its bar, settling {settling:.3} s, error {:.4} \
             deg, setpoints {share:.3}",
            mass * 1e3,
            error.to_degrees()
        );
        println!("{line}");
        assert!(overshoot <= 1.0, "{line}");
        assert!(settling <= bars.settling, "{line}");
        assert!(error <= bars.error, "{line}");
        assert!(share < bars.setpoint_share, "{line}");
        assert!(!closed.out.hunting && closed.out.settled);
    }
    for (from, to) in [(0, 1), (0, 2), (0, 3), (1, 2), (2, 3), (3, 0)] {
        let mut closed = loaded(&neck, &design.gains, from);
        let target = closed.point(20.0, 167.0);
        closed.run(3.0);
        closed.load(to);
        let samples = bends(closed.run(4.0));
        let (at, end) = (samples[0].time, samples[samples.len() - 1].time);
        let figures = PayloadFigures::score(&samples, target, at, end).unwrap();
        println!("{from} -> {to}: {figures:.4?}");
        let back = figures.back.expect("it comes back");
        assert!(back <= bars.payload_back, "{figures:?}");
        assert!(figures.error <= bars.error, "{figures:?}");
    }
    for toward in [0.0, 90.0, 180.0, 270.0] {
        let push = |still: bool| {
            let mut closed = loaded(&neck, &design.gains, HEAVIEST);
            let target = closed.point(20.0, 47.0);
            closed.run(3.0);
            closed.motors_held = still;
            let angle = (47.0_f64 + toward).to_radians();
            let force = Vector3::new(4.0 * angle.cos(), 4.0 * angle.sin(), 0.0);
            closed.plant.push(force, 0.15).unwrap();
            (bends(closed.run(6.0)), target)
        };
        let (still, _) = push(true);
        let (samples, target) = push(false);
        let (at, end) = (samples[0].time, samples[samples.len() - 1].time);
        let peak_still = trial::push_peak(&still, at, end).unwrap();
        let figures = PushFigures::score(&samples, target, at, end, peak_still).unwrap();
        println!(
            "push toward {toward} deg: {figures:.4?}, ratio {:.3}",
            figures.ratio()
        );
        assert!(figures.ratio() <= bars.push_ratio, "{figures:?}");
        assert!(figures.back.unwrap() <= bars.push_back, "{figures:?}");
        assert!(figures.rest <= bars.push_rest, "{figures:?}");
    }
}

#[test]
fn a_set_tuned_on_the_light_models_alone_is_told_on_the_heavy_ones_and_never_settles_there() {
    let mut neck = Neck::position();
    // Supervision would hold an oscillating joint.
    for rule in Rule::ALL {
        neck.file.limits.supervision.guard_mut(rule).reaction = Reaction::Warn;
    }
    let light = own_models(&neck, &[0]);
    let design = tune_family(&light, &delays(), &usual()).unwrap();
    told(&design);
    let heavy = own_models(&neck, &[HEAVIEST]);
    let (gains, damping) = (&design.gains.motors[0], design.gains.damping);
    for (plant, on) in heavy
        .iter()
        .zip(on_family(&heavy, &delays(), gains, damping, &usual()).unwrap())
    {
        println!("{:?} {} poles", on.sensitivity, on.unstable_poles);
        let (worst, turn) = on_a_grid(plant, gains, damping, FINE);
        assert!((worst - on.sensitivity.value).abs() < 1e-4 * worst);
        assert_eq!(on.unstable_poles > 0, (turn - 0.5 * PI).abs() > 0.1);
        assert!(on.unstable_poles > 0, "{on:?}");
    }
    // The joint agrees: the light head is held, the heavy one oscillates without end.
    let swing = |payload: usize| {
        let mut closed = loaded(&neck, &design.gains, payload);
        closed.point(12.0, 47.0);
        closed.run(5.0);
        let record = closed.run(2.0);
        let mean = record.iter().map(|r| r.bend).sum::<Bend>() / record.len() as f64;
        let most = record.iter().map(|r| (r.bend - mean).norm());
        most.fold(0.0, f64::max).to_degrees()
    };
    let (light, heavy) = (swing(0), swing(HEAVIEST));
    println!("swing {light:.3} deg light, {heavy:.3} deg heavy");
    assert!(light < 0.2 && heavy > 0.5, "{light} {heavy}");
}

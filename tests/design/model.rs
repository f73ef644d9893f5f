//! Linear joint models and loops: frequency responses, crossovers, margins, stability, step
//! responses.

use nalgebra::Complex;
use std::f64::consts::{FRAC_PI_2, PI};
use withy::control::controller::MotorGains;
use withy::control::controller::reference_model::{Lag, Model, SecondOrder};
use withy::design::model::{Delays, Dynamics, Law, Loop, LoopError, Plant, turn};

fn gains(kp: f64, ki: f64, integral_order: f64) -> MotorGains {
    MotorGains {
        kp,
        ki,
        kd: 0.0,
        integral_order,
        derivative_order: 1.0,
        derivative_corner: 100.0,
    }
}

fn with_derivative(gains: MotorGains, kd: f64, order: f64, corner: f64) -> MotorGains {
    MotorGains {
        kd,
        derivative_order: order,
        derivative_corner: corner,
        ..gains
    }
}

fn loop_of(plant: Plant, gains: MotorGains) -> Loop {
    Loop::new(&plant, &gains, &Delays::default()).unwrap()
}

fn plants() -> Vec<Plant> {
    let mut plants = vec![
        Plant::first_order(1.0, 0.055, 0.0),
        Plant::first_order(1.2, 0.3, 0.04),
        Plant::second_order(0.9, 16.0, 0.3, 0.0),
        Plant::second_order(1.0, 20.0, 0.02, 0.03),
        Plant::second_order(1.0, 20.0, 1.5, 0.01),
    ];
    plants.extend([0.0, 0.02].map(|l| Plant::integrating(2.0, 0.1, l)));
    plants.push(Plant::integrating(1.5, 0.0, 0.05));
    plants
}

fn laws() -> Vec<MotorGains> {
    let mut laws = Vec::new();
    for (kp, ki, order) in [
        (1.0, 5.0, 1.0),
        (0.2, 8.0, 0.7),
        (3.0, 20.0, 1.4),
        (0.0, 30.0, 1.8),
        (0.5, 0.0, 1.0),
        (4.0, 0.0, 1.0),
    ] {
        laws.push(gains(kp, ki, order));
        laws.push(with_derivative(gains(kp, ki, order), 0.05, 0.9, 80.0));
        laws.push(with_derivative(gains(kp, ki, order), 0.02, 1.5, 60.0));
        laws.push(with_derivative(
            gains(kp, ki, order),
            0.3,
            0.6,
            f64::INFINITY,
        ));
    }
    laws
}

#[test]
fn phases_and_slopes_agree_with_the_response() {
    // Central differences of the response itself; the unwrapped phase modulo one turn.
    for plant in plants() {
        for w in [0.1, 1.0, 7.0, 16.0, 33.0, 200.0] {
            let g = plant.response(w);
            let s = plant.at(Complex::new(0.0, w));
            assert!((g - s).norm() <= 1e-12 * s.norm(), "{plant:?} {w}: {g} {s}");
            let h: f64 = 1e-5;
            let ratio = plant.at(Complex::new(0.0, w * h.exp()))
                / plant.at(Complex::new(0.0, w * (-h).exp()));
            let (phase, size) = (-ratio.arg() / (2.0 * h), -ratio.norm().ln() / (2.0 * h));
            assert!(
                (phase - plant.phase_fall(w)).abs() < 1e-6 * (1.0 + phase.abs()),
                "{plant:?} {w}"
            );
            assert!(
                (size - plant.magnitude_fall(w)).abs() < 1e-6 * (1.0 + size.abs()),
                "{plant:?} {w}"
            );
        }
    }
}

#[test]
fn models_of_gain_sets_are_plants() {
    let lag = Lag::Second(SecondOrder {
        natural_frequency: 16.0,
        damping_ratio: 0.4,
    });
    let model = Model {
        gain: 1.1,
        lag,
        dead_time: 0.03,
    };
    assert_eq!(
        Plant::from(model),
        Plant::second_order(1.1, 16.0, 0.4, 0.03)
    );
    let delays = Delays::of(0.005, 0.01, 0.02, 0.005);
    assert!((delays.total() - 0.0325).abs() < 1e-15);
    assert!((Plant::from(model).delayed(delays.total()).dead_time - 0.0625).abs() < 1e-15);
}

#[test]
fn the_law_is_continuous_in_phase() {
    // Sampled densely: no jump, and the principal argument modulo one turn. Orders that add up to
    // more than 2 take the law behind zero.
    let mut behind = 0;
    for g in laws().into_iter().chain([
        with_derivative(gains(0.0, 1.0, 1.5), 1.0, 1.5, f64::INFINITY),
        with_derivative(gains(0.1, 1.0, 1.5), 1.0, 1.5, 300.0),
        with_derivative(gains(0.1, 1.0, 1.9), 1.0, 1.9, 5.0),
        with_derivative(gains(0.0, 50.0, 1.9), 1.0, 1.2, 5.0),
    ]) {
        let law = Law::new(&g);
        let mut before = law.phase(1e-6);
        if g.ki > 0.0 {
            assert!(
                (before + g.integral_order * FRAC_PI_2).abs() < 0.2,
                "{g:?}: {before}"
            );
        }
        for i in 1..200_000 {
            let w = 1e-6 * (f64::from(i) * 1.5e-4).exp();
            let phase = law.phase(w);
            assert!(
                (phase - before).abs() < 0.1,
                "{g:?} at {w}: {before} to {phase}"
            );
            before = phase;
            behind += u32::from(phase < -PI);
        }
    }
    assert!(behind > 0);
}

/// Closed-loop poles in the right half-plane by sampling `1 + L` densely instead of by crossovers.
fn sampled_poles(l: &Loop) -> f64 {
    let (low, high) = (1e-7, 1e6);
    let open = l.response(low);
    // On the small arc from the real axis, where L is positive, to the axis.
    let start = if open.norm() > 1.0 {
        l.phase(low) + (open.inv() + 1.0).arg()
    } else {
        (open + 1.0).arg()
    };
    let turned = turn(|w| l.response(w) + 1.0, low, high).unwrap();
    let end = (l.response(high) + 1.0).arg();
    -(start + turned - end) / PI
}

#[test]
fn stability_by_crossovers_agrees_with_dense_sampling() {
    let (mut stable, mut unstable, mut several) = (0, 0, 0);
    for plant in plants() {
        for g in laws() {
            for factor in [0.2, 1.0, 5.0, 40.0] {
                let l = match Loop::new(&plant, &g, &Delays::default()) {
                    Ok(l) => l.scaled(factor),
                    Err(LoopError::Improper { .. }) => continue,
                    Err(error) => panic!("{error}"),
                };
                let figures = l.figures();
                let want = sampled_poles(&l);
                assert!(
                    (want - f64::from(figures.unstable_poles)).abs() < 0.01,
                    "{plant:?} {g:?} {factor}: {want} against {figures:?}"
                );
                let sides: Vec<bool> = (0..4000)
                    .map(|i| l.response(1e-5 * (f64::from(i) * 0.0075).exp()).norm() > 1.0)
                    .collect();
                let dense = sides.windows(2).filter(|s| s[0] != s[1]).count();
                assert_eq!(figures.crossovers.len(), dense, "{plant:?} {g:?} {factor}");
                for c in &figures.crossovers {
                    assert!((l.response(c.frequency).norm() - 1.0).abs() < 1e-9);
                }
                for m in &figures.gain_margins {
                    let there = l.response(m.frequency) * m.factor;
                    assert!((there + 1.0).norm() < 1e-6, "{m:?} {there}");
                }
                stable += u32::from(want < 0.5);
                unstable += u32::from(want > 0.5);
                several += u32::from(figures.crossovers.len() > 1);
            }
        }
    }
    println!("{stable} stable, {unstable} unstable, {several} with several crossovers");
    assert!(stable > 50 && unstable > 50 && several > 20);
}

/// Uniform numbers in [0, 1) from a seed: a linear congruential generator, constants of Knuth's
/// MMIX (from memory).
fn uniform(seed: &mut u64) -> f64 {
    *seed = seed
        .wrapping_mul(6_364_136_223_846_793_005)
        .wrapping_add(1_442_695_040_888_963_407);
    (*seed >> 11) as f64 / (1u64 << 53) as f64
}

#[test]
fn random_loops_are_counted_right() {
    let mut seed = 7;
    let (mut stable, mut several, mut most) = (0, 0, 0);
    for _ in 0..4000 {
        let mut between = |low: f64, high: f64| low + (high - low) * uniform(&mut seed);
        let mut decades = |low: f64, high: f64| 10f64.powf(between(low, high));
        let (gain, time, ratio, delay) = (
            decades(-0.5, 0.5),
            decades(-2.0, 0.3),
            decades(-2.0, 0.5),
            decades(-3.0, -0.5),
        );
        let (kp, ki, kd, corner) = (
            decades(-1.5, 1.0),
            decades(-1.0, 2.0),
            decades(-2.5, 0.0),
            decades(1.0, 2.5),
        );
        let dead_time = if between(0.0, 1.0) < 0.5 { 0.0 } else { delay };
        let plant = match (between(0.0, 3.0)) as u32 {
            0 => Plant::first_order(gain, time, dead_time),
            1 => Plant::second_order(gain, 1.0 / time, ratio, dead_time),
            _ => Plant::integrating(gain, time, dead_time),
        };
        let mut one_of = |gain: f64| if between(0.0, 1.0) < 0.3 { 0.0 } else { gain };
        let (kp, ki, kd) = (one_of(kp), one_of(ki), one_of(kd));
        // A derivative alone on an integrating joint crosses over outside the samples below.
        let kp = if ki == 0.0 { kp.max(0.05) } else { kp };
        let law = gains(kp, ki, between(0.3, 1.95));
        let law = with_derivative(law, kd, between(0.3, 1.95), corner);
        let l = match Loop::new(&plant, &law, &Delays::default()) {
            Ok(l) => l,
            Err(LoopError::Gains { .. }) => continue,
            Err(error) => panic!("{error}"),
        };
        let figures = l.figures();
        for c in &figures.crossovers {
            assert!(
                (l.response(c.frequency).norm() - 1.0).abs() < 1e-9,
                "{l:?} {c:?}"
            );
        }
        // Dense samples may miss a pair close together, but never find more.
        let sides: Vec<bool> = (0..4000)
            .map(|i| l.response(1e-5 * (f64::from(i) * 0.0075).exp()).norm() > 1.0)
            .collect();
        let dense = sides.windows(2).filter(|s| s[0] != s[1]).count();
        let found = figures.crossovers.len();
        assert!(
            found == dense || found == dense + 2,
            "{l:?}: {found} against {dense}"
        );
        let poles = sampled_poles(&l);
        assert!(
            (poles - f64::from(figures.unstable_poles)).abs() < 0.05,
            "{l:?}: {poles} {figures:?}"
        );
        // The peak of the sensitivity against the same dense samples.
        let highest = (0..4000)
            .map(|i| {
                (l.response(1e-5 * (f64::from(i) * 0.0075).exp()) + 1.0)
                    .inv()
                    .norm()
            })
            .fold(1.0, f64::max);
        let peak = figures.sensitivity.value;
        assert!(
            peak >= highest * (1.0 - 1e-9) || highest < 1.0102 || !figures.stable(),
            "{l:?}: {peak} {highest}"
        );
        stable += u32::from(figures.stable());
        several += u32::from(found > 1);
        most = most.max(found);
    }
    println!("{stable} stable, {several} with several crossovers, at most {most}");
    assert!(stable > 1000 && several > 50);
}

#[test]
fn a_second_order_loop_counts_its_poles_as_its_polynomial_does() {
    // k/(s (s + 1)^2): s^3 + 2 s^2 + s + k is stable up to k = 2 (Routh); gain margin 2/k at w = 1.
    let plant = Plant::second_order(1.0, 1.0, 1.0, 0.0);
    for (k, poles) in [(0.5, 0), (1.99, 0), (2.01, 2), (30.0, 2)] {
        let figures = loop_of(plant, gains(0.0, k, 1.0)).figures();
        assert_eq!(figures.unstable_poles, poles, "{k}");
        assert_eq!(figures.gain_margins.len(), 1);
        let margin = figures.gain_margins[0];
        assert!((margin.factor - 2.0 / k).abs() < 1e-9 && (margin.frequency - 1.0).abs() < 1e-9);
    }
    // 1/(s (s + 1)): |S|^2 = w^2 (1 + w^2)/((1 - w^2)^2 + w^2), highest where its derivative is
    // zero, at w^2 = (1 + sqrt(3))/2.
    let square = 0.5 * (1.0 + 3f64.sqrt());
    let want = (square * (1.0 + square) / ((1.0 - square).powi(2) + square)).sqrt();
    let figures = loop_of(Plant::first_order(1.0, 1.0, 0.0), gains(0.0, 1.0, 1.0)).figures();
    assert!(
        (figures.sensitivity.value - want).abs() < 1e-9 * want,
        "{figures:?} {want}"
    );
    assert!((figures.sensitivity.frequency - square.sqrt()).abs() < 1e-4);
    assert!(figures.gain_margin().is_none());
}

#[test]
fn an_integrator_with_dead_time_oscillates_at_its_known_gain() {
    // k e^(-L s)/s oscillates at k L = pi/2, and every further pi 2 of k L brings two more poles.
    let plant = Plant::integrating(1.0, 0.0, 0.05);
    for (k, poles) in [
        (1.5, 0),
        (1.58, 2),
        (7.8, 2),
        (7.9, 4),
        (14.1, 4),
        (14.2, 6),
    ] {
        let figures = loop_of(plant, gains(k / 0.05, 0.0, 1.0)).figures();
        assert_eq!(figures.unstable_poles, poles, "{k}");
        assert!((figures.gain_margins[0].factor * k - FRAC_PI_2).abs() < 1e-9);
    }
}

#[test]
fn double_integrals_need_a_least_gain() {
    // s^-1.6 on 1/(s (0.1 s + 1)) with a proportional part: conditionally stable.
    let l = loop_of(Plant::integrating(1.0, 0.1, 0.0), gains(6.0, 3.0, 1.6));
    let figures = l.figures();
    assert!(figures.stable(), "{figures:?}");
    let least = figures.least_gain().unwrap();
    assert!(least < 1.0);
    assert!(l.scaled(1.05 * least).figures().stable());
    assert!(!l.scaled(0.95 * least).figures().stable());
}

#[test]
fn step_responses_of_integer_loops_are_the_closed_forms() {
    // Integrating joint k/s under kp: 1 - e^(-k kp t); first order under an integral: second order,
    // e.g. Franklin, Powell and Emami-Naeini 2010, "Feedback Control of Dynamic Systems", section
    // 3.3.
    let response = loop_of(Plant::integrating(2.0, 0.0, 0.0), gains(1.5, 0.0, 1.0))
        .step_response(5.0)
        .unwrap();
    for t in [0.05f64, 0.1, 0.5, 1.0, 4.9] {
        let want = 1.0 - (-3.0 * t).exp();
        assert!(
            (response.value(t) - want).abs() < 2e-4,
            "{t}: {} {want}",
            response.value(t)
        );
    }
    let l = loop_of(Plant::first_order(1.0, 0.5, 0.0), gains(0.0, 8.0, 1.0));
    let (w, z) = (4.0, 0.25);
    let over = 100.0 * (-PI * z / f64::sqrt(1.0 - z * z)).exp();
    let got = l.overshoots(&[1.0])[0];
    assert!((got.percent.unwrap() - over).abs() < 0.02, "{got:?} {over}");
    assert!((got.at - PI / (w * f64::sqrt(1.0 - z * z))).abs() < 1e-3);
    // 1 - e^(-k t) until the dead time has passed twice: the answer on (L, 2 L) is k (t - L).
    let l = loop_of(Plant::integrating(1.0, 0.0, 0.5), gains(1.0, 0.0, 1.0));
    let response = l.step_response(10.0).unwrap();
    for (t, want) in [
        (0.3, 0.0),
        (0.75, 0.25),
        (0.9, 0.4),
        (1.25, 0.75 - 0.5 * 0.25 * 0.25),
    ] {
        assert!(
            (response.value(t) - want).abs() < 2e-4,
            "{t}: {} {want}",
            response.value(t)
        );
    }
    // Without integral action the final value is K kp/(1 + K kp).
    let l = loop_of(Plant::first_order(2.0, 0.1, 0.0), gains(1.5, 0.0, 1.0));
    assert!((l.step_response(3.0).unwrap().value(2.9) - 0.75).abs() < 1e-3);
    assert!(l.overshoots(&[1.0])[0].percent.unwrap() < 0.05);
    let wild = loop_of(Plant::integrating(1.0, 0.0, 0.5), gains(4.0, 0.0, 1.0));
    assert!(wild.step_response(1.0).is_none());
}

#[test]
fn what_is_out_of_range_is_refused() {
    let plant = Plant::first_order(1.0, 0.055, 0.0);
    let good = gains(1.0, 1.0, 1.0);
    let refused = |plant: Plant, gains: MotorGains| {
        Loop::new(&plant, &gains, &Delays::default())
            .unwrap_err()
            .to_string()
    };
    for (plant, key) in [
        (Plant::first_order(f64::NAN, 0.1, 0.0), "gain"),
        (Plant::first_order(1.0, 0.0, 0.0), "time constant"),
        (Plant::second_order(1.0, 10.0, 0.0, 0.0), "damping ratio"),
        (
            Plant::second_order(1.0, f64::INFINITY, 0.1, 0.0),
            "natural frequency",
        ),
        (Plant::integrating(1.0, -1.0, 0.0), "time constant"),
        (Plant::first_order(1.0, 0.1, -0.1), "dead time"),
    ] {
        assert!(refused(plant, good).contains(key));
    }
    for (gains, key) in [
        (gains(-1.0, 1.0, 1.0), "kp"),
        (gains(1.0, f64::NAN, 1.0), "ki"),
        (gains(1.0, 1.0, 2.0), "integral_order"),
        (with_derivative(good, 1.0, 0.0, 10.0), "derivative_order"),
        (with_derivative(good, 1.0, 1.0, 0.0), "derivative_corner"),
        (with_derivative(good, 1.0, 1.2, f64::INFINITY), "roll-off"),
        (gains(0.0, 0.0, 1.0), "kp"),
    ] {
        assert!(refused(plant, gains).contains(key), "{gains:?}");
    }
    assert!(matches!(plant.dynamics, Dynamics::First { .. }));
}

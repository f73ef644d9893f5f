//! Closed loops with the fractional operators against exact inverse-Laplace step responses (mpmath
//! 1.4.1, 30 digits, checked by a second inversion; see `tests/references/make_fractional.py` for
//! the convention).

use serde::Deserialize;
use withy::control::fractional::{Derivative, DerivativeState, Integral, IntegralState};

/// The bound: 0.1 % of the step.
const BAR: f64 = 1e-3;

#[derive(Debug, Deserialize)]
struct Loop {
    dt: f64,
    gain: f64,
    time_constant: f64,
    delay_samples: usize,
    kp: f64,
    ki: f64,
    integral_order: f64,
    #[serde(flatten)]
    derivative: Option<DerivativeGains>,
    /// Sample and output there.
    response: Vec<(usize, f64)>,
}

#[derive(Debug, Deserialize)]
struct DerivativeGains {
    kd: f64,
    derivative_order: f64,
    corner: f64,
    roll_off: u8,
}

/// Unit step response of the sampled loop, sample by sample, starting with the one at which the
/// step is seen. The plant `gain e^(-L s)/(time_constant s + 1)` under a zero-order hold is exactly
/// `x' = a x + gain (1 - a) u[k - d]`, `a = e^(-dt/time_constant)`, `L = d dt`.
fn simulate(case: &Loop, samples: usize) -> Vec<f64> {
    let integral = Integral::new(case.integral_order, case.dt).unwrap();
    let mut memory = IntegralState::default();
    let mut derivative = case.derivative.as_ref().map(|d| {
        let design = Derivative::new(d.derivative_order, d.corner, d.roll_off, case.dt).unwrap();
        (d.kd, design, DerivativeState::at_rest(0.0))
    });
    let decay = (-case.dt / case.time_constant).exp();
    let mut line = vec![0.0; case.delay_samples + 1];
    let (mut x, mut outputs) = (0.0, Vec::with_capacity(samples));
    for k in 0..samples {
        outputs.push(x);
        let error = 1.0 - x;
        let mut u = case.kp * error + case.ki * integral.step(&mut memory, error);
        if let Some((kd, design, state)) = &mut derivative {
            u += *kd * design.step(state, error);
        }
        let places = line.len();
        line[k % places] = u;
        // The oldest entry is the next to be overwritten.
        x = decay * x + case.gain * (1.0 - decay) * line[(k + 1) % places];
    }
    outputs
}

#[test]
fn closed_loops_match_exact_step_responses() {
    let tables: serde_json::Value =
        serde_json::from_str(include_str!("../references/fractional.json")).unwrap();
    let loops: Vec<Loop> = serde_json::from_value(tables["loops"].clone()).unwrap();
    assert!(loops.len() >= 5);
    // Below and above order 1, with and without dead time.
    for above in [false, true] {
        for dead_time in [false, true] {
            assert!(
                loops.iter().any(
                    |l| (l.integral_order > 1.0) == above && (l.delay_samples > 0) == dead_time
                )
            );
        }
    }
    let mut worst_of_all = 0f64;
    for case in &loops {
        let last = case.response.last().unwrap().0;
        let outputs = simulate(case, last + 1);
        let (mut worst, mut at) = (0.0, 0.0);
        for &(k, want) in &case.response {
            let error = (outputs[k] - want).abs();
            if error > worst {
                (worst, at) = (error, k as f64 * case.dt);
            }
        }
        println!(
            "order {}, dead time {:.3} s, dt {} s, derivative {:?}: {:.4} % at {at:.2} s",
            case.integral_order,
            case.delay_samples as f64 * case.dt,
            case.dt,
            case.derivative.as_ref().map(|d| d.derivative_order),
            100.0 * worst
        );
        worst_of_all = worst_of_all.max(worst);
    }
    assert!(worst_of_all <= BAR, "worst {worst_of_all}");
}

#[test]
fn a_load_on_the_plant_leaves_no_lasting_error() {
    // The pole at zero: at any order, a constant load at the plant's input is integrated away.
    // Fractional tails are slow, so the error is checked over decades: it must go on shrinking.
    for order in [0.3, 0.6, 0.9, 1.0, 1.1, 1.4] {
        let dt = 0.02;
        let integral = Integral::new(order, dt).unwrap();
        let mut memory = IntegralState::default();
        let (decay, mut y) = ((-dt / 0.8f64).exp(), 0.0);
        let mut errors = Vec::new();
        for k in 0..10_000_000 {
            let u = 1.5 * -y + 1.5 * integral.step(&mut memory, -y);
            y = decay * y + (1.0 - decay) * (u + 1.0);
            if [5_000, 50_000, 500_000, 5_000_000, 9_999_999].contains(&k) {
                errors.push(f64::abs(y));
            }
        }
        println!("order {order}: error {errors:?} at 1e2 .. 1e5 s and at the end");
        assert!(
            errors.windows(2).all(|e| e[1] < e[0] || e[1] < 1e-12),
            "order {order}: {errors:?}"
        );
        assert!(errors[4] < 2e-2, "order {order}: {errors:?}");
    }
}

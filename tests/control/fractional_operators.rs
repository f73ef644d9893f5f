//! The fractional operators against closed forms and against the tables of
//! `tests/references/make_fractional.py` (mpmath 1.4.1, 30 digits).

use std::f64::consts::{FRAC_PI_2, PI};

use nalgebra::Complex;
use withy::control::fractional::{
    Derivative, DerivativeState, Integral, IntegralState, MAX_SAMPLE_TIME, MIN_CORNER,
    MIN_SAMPLE_TIME, OperatorError,
};

const SAMPLE_TIMES: [f64; 4] = [0.01, 0.005, 0.002, 0.001];

/// The bounds on frequency responses: phase, deg, and magnitude, dB.
const PHASE_DEG: f64 = 0.1;
const MAGNITUDE_DB: f64 = 0.15;
/// The bound on step responses, relative.
const STEP: f64 = 1.5e-3;

fn orders() -> impl Iterator<Item = f64> {
    (1..20).map(|i| f64::from(i) / 10.0)
}

fn tables() -> serde_json::Value {
    serde_json::from_str(include_str!("../references/fractional.json")).unwrap()
}

fn rows(tables: &serde_json::Value, key: &str) -> Vec<Vec<f64>> {
    let rows: Vec<Vec<f64>> = serde_json::from_value(tables[key].clone()).unwrap();
    assert!(rows.len() > 30, "table {key} is too short");
    rows
}

/// Worst phase, deg, and magnitude, dB, of the collected ratios.
#[derive(Default)]
struct Worst {
    phase: f64,
    magnitude: f64,
}

impl Worst {
    fn take(&mut self, got: Complex<f64>, want: Complex<f64>) {
        let ratio = got / want;
        assert!(ratio.re.is_finite() && ratio.im.is_finite());
        self.phase = self.phase.max(ratio.arg().to_degrees().abs());
        self.magnitude = self.magnitude.max((20.0 * ratio.norm().log10()).abs());
    }

    fn meets(&self, what: &str) {
        println!(
            "{what}: phase {:.4} deg, magnitude {:.4} dB",
            self.phase, self.magnitude
        );
        assert!(self.phase <= PHASE_DEG, "{what}: phase {} deg", self.phase);
        assert!(
            self.magnitude <= MAGNITUDE_DB,
            "{what}: magnitude {} dB",
            self.magnitude
        );
    }
}

#[test]
fn integral_frequency_responses_match_mpmath() {
    let mut worst = Worst::default();
    for row in rows(&tables(), "powers") {
        let [dt, order, w, re, im] = row[..] else {
            panic!("row {row:?}")
        };
        worst.take(
            Integral::new(order, dt).unwrap().response(w),
            Complex::new(re, im),
        );
    }
    worst.meets("integrals, table");
}

#[test]
fn integral_frequency_responses_match_the_closed_form_on_a_dense_grid() {
    // (jw)^-a = w^-a e^(-j a pi/2). Orders every 0.01 and very near 0, 1 and 2 besides the table's.
    let dense = (1..200).map(|i| f64::from(i) / 100.0);
    let near = [
        1e-6,
        1.0 - 1e-6,
        1.0 - 1e-12,
        1.0 + 1e-12,
        1.0 + 1e-6,
        2.0 - 1e-6,
    ];
    let mut worst = Worst::default();
    for order in dense.chain(near) {
        for dt in SAMPLE_TIMES {
            let design = Integral::new(order, dt).unwrap();
            for i in 0..=300 {
                let w = 0.3 / dt * 10f64.powf(-f64::from(i) / 100.0);
                let want = Complex::from_polar(w.powf(-order), -order * FRAC_PI_2);
                worst.take(design.response(w), want);
            }
        }
    }
    worst.meets("integrals, dense");
}

#[test]
fn integral_step_responses_match_mpmath() {
    let rows = rows(&tables(), "steps");
    let mut worst = (0.0, 0.0, 0.0, 0.0);
    for dt in SAMPLE_TIMES {
        for order in orders() {
            let wanted: Vec<_> = rows
                .iter()
                .filter(|r| r[0] == dt && r[1] == order)
                .collect();
            assert_eq!(wanted.len(), 13);
            let design = Integral::new(order, dt).unwrap();
            let mut state = IntegralState::default();
            let mut k = 0;
            for row in wanted {
                let mut got = design.output(&state);
                while k <= row[2] as usize {
                    got = design.step(&mut state, 1.0);
                    k += 1;
                }
                let error = (got / row[3] - 1.0).abs();
                if error > worst.0 {
                    worst = (error, order, dt, row[2] * dt);
                }
            }
        }
    }
    let (error, order, dt, t) = worst;
    println!(
        "integrals, step: {:.4} % at order {order}, dt {dt} s, t {t:.3} s",
        100.0 * error
    );
    assert!(error <= STEP);
}

#[test]
fn derivative_frequency_responses_match_mpmath() {
    let mut worst = Worst::default();
    for row in rows(&tables(), "derivatives") {
        let [dt, order, corner, roll_off, w, re, im] = row[..] else {
            panic!("row {row:?}")
        };
        let design = Derivative::new(order, corner, roll_off as u8, dt).unwrap();
        worst.take(design.response(w), Complex::new(re, im));
    }
    worst.meets("derivatives, table");
}

#[test]
fn derivative_frequency_responses_match_the_closed_form_on_a_dense_grid() {
    let mut worst = Worst::default();
    for order in (1..200).map(|i| f64::from(i) / 100.0) {
        for dt in SAMPLE_TIMES {
            for roll_off in if order > 1.0 { 2..=2 } else { 1..=2u8 } {
                for fraction in [0.02, 0.1, 0.3, 1.0, 2.0] {
                    let corner = fraction / dt;
                    let design = Derivative::new(order, corner, roll_off, dt).unwrap();
                    for i in 0..=60 {
                        let w = 0.1 / dt * 10f64.powf(-f64::from(i) / 20.0);
                        let filter = Complex::new(1.0, w / corner).powi(i32::from(roll_off));
                        let want = Complex::from_polar(w.powf(order), order * FRAC_PI_2) / filter;
                        worst.take(design.response(w), want);
                    }
                }
            }
        }
    }
    worst.meets("derivatives, dense");
}

#[test]
fn derivative_ramp_responses_match_mpmath() {
    let mut worst: f64 = 0.0;
    for row in rows(&tables(), "ramps") {
        let [dt, order, corner, roll_off, k, want] = row[..] else {
            panic!("row {row:?}")
        };
        let design = Derivative::new(order, corner, roll_off as u8, dt).unwrap();
        let mut state = DerivativeState::default();
        let mut got = 0.0;
        for i in 0..=(k as usize) {
            got = design.step(&mut state, i as f64 * dt);
        }
        // An offset in the input has no effect on a derivative.
        let mut lifted = DerivativeState::default();
        for i in 0..=(k as usize) {
            design.step(&mut lifted, 3.0 + i as f64 * dt);
        }
        assert!((design.output(&lifted) - got).abs() < 1e-9 * (1.0 + got.abs()));
        // Relative to the larger of the value and 1, the size of the first-order derivative.
        let error = (got - want).abs() / want.abs().max(1.0);
        worst = worst.max(error);
    }
    println!("derivatives, ramp from 0.1 s on: {:.4} %", 100.0 * worst);
    assert!(worst <= STEP);
}

/// Returns the response of a stepped operator at `w`, by projecting its output to a cosine on that
/// frequency through a fourth-order cosine window, in which the start's transients (constants, slow
/// lags, ramps) die out.
fn measured(dt: f64, w: f64, mut step: impl FnMut(f64) -> f64) -> Complex<f64> {
    let period = (2.0 * PI / (w * dt)).round();
    assert!(
        (2.0 * PI / (w * dt) - period).abs() < 1e-9,
        "w must divide the sampling"
    );
    let (skip, count) = (50 * period as usize, 400 * period as usize);
    let mut sum = Complex::new(0.0, 0.0);
    for i in 0..(skip + count) {
        let angle = w * dt * i as f64;
        let output = step(angle.cos());
        if i >= skip {
            let x = (i - skip) as f64 / count as f64;
            // sin^4, mean 3/8.
            let window = (PI * x).sin().powi(4) / 0.375;
            sum += Complex::from_polar(2.0 * window * output, -angle);
        }
    }
    sum / count as f64
}

#[test]
fn responses_are_those_of_the_stepped_law() {
    let dt = 0.005;
    for period in [20.0, 200.0] {
        let w = 2.0 * PI / (period * dt);
        for order in [0.1, 0.5, 0.9, 1.0, 1.1, 1.5, 1.9] {
            let design = Integral::new(order, dt).unwrap();
            let mut state = IntegralState::default();
            let got = measured(dt, w, |u| design.step(&mut state, u));
            let error = (got / design.response(w) - 1.0).norm();
            assert!(error < 1e-5, "integral {order} at {w} rad/s: {error:e}");

            let design = Derivative::new(order, 60.0, 2, dt).unwrap();
            let mut state = DerivativeState::default();
            let got = measured(dt, w, |u| design.step(&mut state, u));
            let error = (got / design.response(w) - 1.0).norm();
            assert!(error < 1e-5, "derivative {order} at {w} rad/s: {error:e}");
        }
    }
}

#[test]
fn order_one_is_the_trapezoidal_integrator() {
    let dt = 0.005;
    let design = Integral::new(1.0, dt).unwrap();
    let mut state = IntegralState::default();
    let (mut sum, mut before) = (0.0, 0.0);
    for i in 0..1000 {
        let input = (0.01 * f64::from(i)).sin() + 0.3;
        sum += 0.5 * dt * (before + input);
        before = input;
        assert_eq!(design.step(&mut state, input), sum);
    }
    assert!(design.poles().is_empty());
    assert_eq!(design.pole_gain(), 1.0);
    // The response is -j dt/2 cot(w dt/2).
    let r = design.response(10.0);
    assert_eq!(r.re, 0.0);
    assert!((r.im + 0.5 * dt / (5.0 * dt).tan()).abs() < 1e-16);
}

#[test]
fn a_filtered_derivative_of_order_one_is_the_bilinear_one() {
    // y = (2/dt)(z-1)/((z+1) + 2/(corner dt)(z-1)) u, as difference equation.
    let (dt, corner) = (0.005, 50.0);
    let design = Derivative::new(1.0, corner, 1, dt).unwrap();
    let k = 2.0 / (corner * dt);
    let mut state = DerivativeState::default();
    let (mut y, mut before) = (0.0, 0.3);
    for i in 0..1000 {
        let input = (0.01 * f64::from(i)).sin() + 0.3;
        y = ((k - 1.0) * y + 2.0 / dt * (input - before)) / (k + 1.0);
        before = input;
        let got = design.step(&mut state, input);
        assert!((got - y).abs() < 1e-12, "{got} {y}");
    }
}

/// Returns the largest difference between two integrals, stepped over a varied input, relative to
/// the largest output.
fn distance(a: &Integral, b: &Integral) -> f64 {
    let (mut sa, mut sb) = (IntegralState::default(), IntegralState::default());
    let (mut gap, mut size) = (0f64, 0f64);
    for i in 0..4000 {
        let t = f64::from(i) * a.dt();
        let input = (3.0 * t).sin() + 0.5 * (17.0 * t).cos() + 0.2;
        let (ya, yb) = (a.step(&mut sa, input), b.step(&mut sb, input));
        (gap, size) = (gap.max((ya - yb).abs()), size.max(ya.abs()));
    }
    gap / size
}

#[test]
fn the_order_is_continuous_through_one_and_towards_both_ends() {
    for dt in SAMPLE_TIMES {
        let one = Integral::new(1.0, dt).unwrap();
        for gap in [1e-3, 1e-6, 1e-9, 1e-12, f64::EPSILON] {
            for order in [1.0 - gap, 1.0 + gap] {
                let d = distance(&one, &Integral::new(order, dt).unwrap());
                // d s^-a / d a = -ln(s) s^-a: a few times the gap, and rounding.
                assert!(d < 10.0 * gap + 1e-12, "order {order}, dt {dt}: {d:e}");
            }
            let corner = 0.2 / dt;
            for w in [0.01, 1.0, 0.1 / dt] {
                let one = Derivative::new(1.0, corner, 2, dt).unwrap().response(w);
                for order in [1.0 - gap, 1.0 + gap] {
                    let near = Derivative::new(order, corner, 2, dt).unwrap().response(w);
                    let d = (near / one - 1.0).norm();
                    // Above 1 the slow end of the memory leaks, at 1e-4 times the gap, at least
                    // 1e-8 rad/s.
                    let leak = if order > 1.0 {
                        2.0 * (1e-4 * gap).max(1e-8) / w
                    } else {
                        0.0
                    };
                    assert!(
                        d < 10.0 * gap + leak + 1e-12,
                        "derivative {order}, w {w}: {d:e}"
                    );
                }
            }
        }
        // Order 0 is the identity, order 2 the double integrator.
        let mut state = IntegralState::default();
        let tiny = Integral::new(1e-12, dt).unwrap();
        for input in [1.0, -3.0, 0.25] {
            assert!((tiny.step(&mut state, input) - input).abs() < 1e-10);
        }
        let (mut state, mut first, mut second) = (IntegralState::default(), [0.0; 2], 0.0);
        let two = Integral::new(2.0 - 1e-12, dt).unwrap();
        for i in 0..2000 {
            let input = 1.0 + (0.01 * f64::from(i)).sin();
            // Both integrals of a straight line.
            second += dt * first[1] + dt * dt * (first[0] / 3.0 + input / 6.0);
            first = [input, first[1] + 0.5 * dt * (first[0] + input)];
            let got = two.step(&mut state, input);
            assert!(
                (got - second).abs() <= 1e-9 * second.abs(),
                "{got} {second}"
            );
        }
    }
}

#[test]
fn the_gain_at_zero_frequency_is_infinite() {
    for order in orders() {
        let design = Integral::new(order, 0.005).unwrap();
        assert!(design.pole_gain() > 0.0);
        // Well below the slowest lag the law is pole_gain/(jw), times another 1/(jw) above order 1.
        for w in [1e-7, 1e-8] {
            let power = if order > 1.0 { 2 } else { 1 };
            let ratio = design.response(w) * Complex::new(0.0, w).powi(power) / design.pole_gain();
            assert!((ratio - 1.0).norm() < 0.3, "order {order}: {ratio}");
        }
        // Under a constant input the output never stops rising. With dt = 1 s it passes the slowest
        // lags (1e4 s), after which a leaking memory would stand still.
        let design = Integral::new(order, 1.0).unwrap();
        let mut state = IntegralState::default();
        for _ in 0..400_000 {
            design.step(&mut state, 1.0);
        }
        let before = design.output(&state);
        for _ in 0..100_000 {
            design.step(&mut state, 1.0);
        }
        let rise = design.output(&state) - before;
        assert!(
            rise >= 0.999 * design.pole_gain() * 1e5,
            "order {order}: {rise}"
        );
    }
}

#[test]
fn an_error_is_integrated_away_and_the_pole_at_zero_keeps_the_output() {
    for order in orders() {
        let design = Integral::new(order, 0.005).unwrap();
        let mut state = design.with_output(2.5);
        assert_eq!(design.output(&state), 2.5);
        for _ in 0..100_000 {
            assert_eq!(design.step(&mut state, 0.0), 2.5, "order {order}");
        }
    }
}

#[test]
fn a_shift_moves_the_output_by_exactly_that_and_for_ever() {
    for order in orders() {
        let design = Integral::new(order, 0.005).unwrap();
        let (mut plain, mut shifted) = (IntegralState::default(), IntegralState::default());
        for i in 0..2000 {
            let input = (0.02 * f64::from(i)).sin();
            design.step(&mut plain, input);
            design.step(&mut shifted, input);
            if i == 700 {
                let before = design.output(&shifted);
                design.shift(&mut shifted, -0.75);
                let moved = design.output(&shifted) - before;
                assert!((moved + 0.75).abs() < 4.0 * f64::EPSILON * before.abs().max(1.0));
            }
            if i >= 700 {
                let gap = design.output(&shifted) - design.output(&plain);
                assert!(
                    (gap + 0.75).abs() < 1e-12,
                    "order {order}, sample {i}: {gap}"
                );
            }
        }
    }
}

#[test]
fn a_start_under_a_standing_input_does_not_kick() {
    for dt in SAMPLE_TIMES {
        for order in orders() {
            let design = Integral::new(order, dt).unwrap();
            let mut state = design.with_output_at(0.4, 0.3);
            assert!((design.output(&state) - 0.4).abs() < 1e-15);
            let moved = design.step(&mut state, 0.3) - 0.4;
            // At most the operator's own change from its second sample to its third, after a step.
            let mut fresh = IntegralState::default();
            design.step(&mut fresh, 0.3);
            let second = design.step(&mut fresh, 0.3);
            let ordinary = design.step(&mut fresh, 0.3) - second;
            assert!(
                moved >= 0.0 && moved <= 2.0 * ordinary,
                "order {order}: {moved} {ordinary}"
            );
        }
    }
}

#[test]
fn fading_keeps_the_output_and_forgets_the_memory() {
    for order in orders() {
        let design = Integral::new(order, 0.005).unwrap();
        let mut state = IntegralState::default();
        for _ in 0..2000 {
            design.step(&mut state, 1.0);
        }
        for _ in 0..3 {
            design.step(&mut state, 0.0);
        }
        let before = design.output(&state);
        let mut same = state;
        design.fade(&mut same, 1.0);
        assert!((design.output(&same) - before).abs() < 1e-12 * before);
        design.fade(&mut state, 0.0);
        assert!(
            (design.output(&state) - before).abs() < 1e-12 * before,
            "order {order}"
        );
        for _ in 0..1000 {
            design.step(&mut state, 0.0);
        }
        let drift = design.output(&state) - before;
        assert!(drift.abs() < 1e-12 * before, "order {order}: {drift}");
    }
}

#[test]
fn poles_are_stable_over_the_whole_range_of_designs() {
    let times = [MIN_SAMPLE_TIME, 1e-4, 0.001, 0.01, 0.1, MAX_SAMPLE_TIME];
    for dt in times {
        for order in orders().chain([1e-9, 1.0 - 1e-9, 1.0 + 1e-9, 2.0 - 1e-9]) {
            let design = Integral::new(order, dt).unwrap();
            assert!(design.poles().iter().all(|p| (0.0..1.0).contains(p)));
            assert!(design.poles().len() <= 28);
            for corner in [MIN_CORNER, 0.1 / dt, 2.0 / dt] {
                let design = Derivative::new(order, corner, 2, dt).unwrap();
                assert!(design.poles().all(|p| (0.0..1.0).contains(&p)));
            }
        }
    }
    // The figures in the documentation.
    assert_eq!(Integral::new(0.5, 0.01).unwrap().poles().len(), 20);
    assert_eq!(Integral::new(0.5, 0.001).unwrap().poles().len(), 22);
}

#[test]
fn a_derivative_starts_without_a_kick_and_forgets_a_constant() {
    for order in orders() {
        let design = Derivative::new(order, 50.0, 2, 0.005).unwrap();
        let mut state = DerivativeState::default();
        for _ in 0..1000 {
            assert_eq!(design.step(&mut state, 7.0), 0.0);
        }
        assert_eq!(DerivativeState::at_rest(7.0), {
            let mut fresh = DerivativeState::default();
            design.step(&mut fresh, 7.0);
            fresh
        });
        // A step passes: with dt = 1 s, twice 1e7 s later nothing of it is left.
        let design = Derivative::new(order, 1.0, 2, 1.0).unwrap();
        let mut state = DerivativeState::at_rest(0.0);
        let mut peak = 0f64;
        for _ in 0..2_000_000 {
            peak = peak.max(design.step(&mut state, 1.0));
        }
        let left = design.output(&state);
        assert!(left.abs() < 1e-3 * peak, "order {order}: {left} of {peak}");
    }
}

#[test]
fn noise_gain_is_parsevals() {
    // Order 1, one pole: h = g (1, -(1-p), -(1-p) p, ...), whose sum of squares is 2 g^2/(1+p).
    let (dt, corner) = (0.005, 40.0);
    let design = Derivative::new(1.0, corner, 1, dt).unwrap();
    let x = 0.5 * corner * dt;
    let (pole, gain) = ((1.0 - x) / (1.0 + x), corner / (1.0 + x));
    let want = gain * (2.0 / (1.0 + pole)).sqrt();
    assert!((design.noise_gain() / want - 1.0).abs() < 1e-9);
    // Other orders: root of the sum of squares of the impulse response, summed until it has died
    // out.
    for (order, roll_off) in [(0.4, 1), (0.7, 2), (1.3, 2), (1.8, 2)] {
        let design = Derivative::new(order, corner, roll_off, dt).unwrap();
        let mut state = DerivativeState::at_rest(0.0);
        let mut sum = design.step(&mut state, 1.0).powi(2);
        for _ in 0..200_000 {
            sum += design.step(&mut state, 0.0).powi(2);
        }
        let ratio = design.noise_gain() / sum.sqrt();
        assert!((ratio - 1.0).abs() < 1e-3, "order {order}: {ratio}");
    }
}

#[test]
fn designs_out_of_range_are_refused_in_one_sentence() {
    for order in [0.0, -0.5, 2.0, 2.5, f64::NAN, f64::INFINITY] {
        for error in [
            Integral::new(order, 0.005).unwrap_err(),
            Derivative::new(order, 10.0, 2, 0.005).unwrap_err(),
        ] {
            assert!(matches!(error, OperatorError::Order { .. }));
            assert!(error.to_string().contains(&order.to_string()));
            assert!(error.to_string().contains("strictly between 0 and 2"));
        }
    }
    for dt in [
        0.0,
        -0.01,
        0.9 * MIN_SAMPLE_TIME,
        1.1 * MAX_SAMPLE_TIME,
        f64::NAN,
    ] {
        assert!(matches!(
            Integral::new(0.5, dt),
            Err(OperatorError::SampleTime { .. })
        ));
        assert!(matches!(
            Derivative::new(0.5, 1.0, 1, dt),
            Err(OperatorError::SampleTime { .. })
        ));
    }
    for corner in [0.0, -1.0, 0.5 * MIN_CORNER, 401.0, f64::NAN, f64::INFINITY] {
        let error = Derivative::new(0.5, corner, 1, 0.005).unwrap_err();
        assert!(matches!(error, OperatorError::Corner { max: 400.0, .. }));
        assert!(error.to_string().contains("and 400 rad/s"));
    }
    for (order, roll_off) in [(0.5, 0), (0.5, 3), (1.2, 1)] {
        let error = Derivative::new(order, 10.0, roll_off, 0.005).unwrap_err();
        assert_eq!(
            error,
            OperatorError::RollOff {
                value: roll_off,
                order
            }
        );
    }
}

//! Scoring against closed forms of the second-order step response.
//!
//! Source of the closed forms: any control text, for example Franklin, Powell and Emami-Naeini,
//! "Feedback Control of Dynamic Systems", time-domain specifications (from memory). With damping
//! ratio z and natural frequency w, wd = w sqrt(1 - z^2): y(t) = 1 - exp(-z w t) (cos wd t + z w/wd
//! sin wd t), overshoot exp(-pi z / sqrt(1 - z^2)) at t = pi/wd.

use std::f64::consts::PI;

use withy::control::controller::CommandInterface;
use withy::control::geometry::{Bend, bend_from};
use withy::control::tick::MotorLimits;
use withy::design::trial::*;

const DEG: f64 = PI / 180.0;

fn second_order(t: f64, z: f64, w: f64) -> f64 {
    if t <= 0.0 {
        return 0.0;
    }
    let wd = w * (1.0 - z * z).sqrt();
    1.0 - (-z * w * t).exp() * ((wd * t).cos() + z * w / wd * (wd * t).sin())
}

fn record(end: f64, bend: impl Fn(f64) -> Bend) -> Vec<BendSample> {
    let samples = (0..=(end / 0.001).round() as usize).map(|i| i as f64 * 0.001);
    let sample = |time| BendSample {
        time,
        bend: bend(time),
    };
    samples.map(sample).collect()
}

/// A step from one slanted bend to another, commanded at 0.5 s.
fn step(z: f64, w: f64) -> (Bend, Bend, Vec<BendSample>) {
    let start = bend_from(12.0 * DEG, 17.0 * DEG);
    let target = bend_from(20.0 * DEG, 137.0 * DEG);
    let samples = record(4.0, |t| {
        start + (target - start) * second_order(t - 0.5, z, w)
    });
    (start, target, samples)
}

#[test]
fn overshoot_and_settling_of_a_second_order_step() {
    for (z, w) in [(0.2, 16.0), (0.4, 12.0), (0.6, 10.0), (0.8, 9.0)] {
        let (start, target, samples) = step(z, w);
        let figures = MoveFigures::score(&samples, target, 0.5, 4.0).unwrap();
        let overshoot = (-PI * z / (1.0 - z * z).sqrt()).exp();
        assert!((figures.overshoot_share() - overshoot).abs() < 1e-4, "{z}");
        assert!((figures.distance - (target - start).norm()).abs() < 1e-12);
        // The last time that |1 - y| = 5 %, by bisection on the closed form about its last
        // crossing, found on a fine grid.
        let outside = |t: f64| (1.0 - second_order(t, z, w)).abs() > 0.05;
        let mut low = (0..350_000)
            .rev()
            .map(|i| f64::from(i) * 1e-5)
            .find(|&t| outside(t))
            .unwrap();
        let mut high = low + 1e-5;
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if outside(middle) {
                low = middle
            } else {
                high = middle
            }
        }
        let settling = figures.settling.unwrap();
        assert!(
            (settling - low).abs() < 1e-4,
            "{z}: {settling} against {low}"
        );
        assert!(figures.across < 1e-12);
    }
}

#[test]
fn first_order_settles_after_three_time_constants() {
    // exp(-t/T) = 0.05 at t = T ln 20.
    let target = bend_from(12.0 * DEG, 200.0 * DEG);
    let samples = record(3.0, |t| target * (1.0 - (-(t / 0.2)).exp()));
    let figures = MoveFigures::score(&samples, target, 0.0, 3.0).unwrap();
    assert!((figures.settling.unwrap() - 0.2 * 20f64.ln()).abs() < 1e-4);
    assert_eq!(figures.overshoot, 0.0);
    assert!((figures.reached - target).norm() < 1e-5);
}

#[test]
fn overshoot_is_along_the_move_and_error_counts_both_directions() {
    let target = Bend::new(0.2, 0.0);
    let off = Bend::new(0.0, 0.03);
    let samples = record(2.0, |_| target + off);
    // The record starts away from the target, so that there is a move.
    let mut samples = samples;
    samples[0].bend = Bend::zeros();
    let figures = MoveFigures::score(&samples, target, 0.0, 2.0).unwrap();
    assert!(figures.overshoot.abs() < 1e-12);
    assert!((figures.across - 0.03).abs() < 1e-12);
    assert!((figures.error - 0.03).abs() < 1e-12);
}

#[test]
fn a_move_that_ends_outside_its_band_never_settles() {
    let target = Bend::new(0.2, 0.0);
    let samples = record(2.0, |t| target * (0.4 * t));
    let figures = MoveFigures::score(&samples, target, 0.0, 2.0).unwrap();
    assert_eq!(figures.settling, None);
    let verdict = Verdict::default().moves(&Bars::default(), &[("slow".into(), figures)]);
    assert!(!verdict.good());
    assert_eq!(verdict.bars[1].figure, f64::INFINITY);
}

#[test]
fn payloads_and_pushes_of_decaying_swings() {
    // An oscillation A exp(-s t) cos(w t) about the target, sampled where the cosine is 1, leaves a
    // band B for good at or before ln(A/B)/s and not sooner than one period before.
    let target = bend_from(20.0 * DEG, 77.0 * DEG);
    let across = Bend::new(-target.y, target.x) / target.norm();
    let (a, s, w) = (6.0 * DEG, 3.0, 18.0);
    let samples = record(6.0, |t| {
        let t = t - 1.0;
        let swing = if t < 0.0 {
            0.0
        } else {
            a * (-s * t).exp() * (w * t).sin()
        };
        target + across * swing
    });
    let payload = PayloadFigures::score(&samples, target, 1.0, 6.0).unwrap();
    let latest = (a / PAYLOAD_BAND).ln() / s;
    let back = payload.back.unwrap();
    assert!(back <= latest && back > latest - PI / w, "{back}, {latest}");
    // The maximum of A exp(-s t) sin(w t) is at tan(w t) = w/s.
    let top = (w / s).atan() / w;
    let peak = a * (-s * top).exp() * (w * top).sin();
    assert!((payload.peak - peak).abs() < 1e-6);
    let push = PushFigures::score(&samples, target, 1.0, 6.0, 0.8 * peak).unwrap();
    assert!((push.ratio() - 1.25).abs() < 1e-4);
    let latest = (a / PUSH_BAND).ln() / s;
    let back = push.back.unwrap();
    assert!(back <= latest && back > latest - PI / w, "{back}, {latest}");
    assert!(push.rest <= a * (-s * 4.5f64).exp());
}

#[test]
fn setpoint_peaks_are_shares_of_each_sides_limit() {
    let limits = [MotorLimits {
        low: -2.0,
        high: 4.0,
        speed: 10.0,
        acceleration: 500.0,
    }];
    let samples = |values: &[(f64, f64)]| -> Vec<SetpointSample> {
        let sample = |&(time, u): &(f64, f64)| SetpointSample {
            time,
            stamp: 0.0,
            setpoints: vec![u],
        };
        values.iter().map(sample).collect()
    };
    // Jitter of receipt (4 and 6 ms for a 5 ms period) does not count; a lost message (0.015 to
    // 0.025) does not double the speed.
    let sent = samples(&[
        (0.0, 0.0),
        (0.004, 0.02),
        (0.010, 0.04),
        (0.015, 0.06),
        (0.025, 0.10),
        (0.030, -1.0),
    ]);
    let peak =
        |to| SetpointPeak::score(&sent, &limits, CommandInterface::Position, 0.005, (0.0, to));
    assert!((peak(0.028).speed - 0.02 / 0.005 / 10.0).abs() < 1e-12);
    assert!((peak(0.028).travel - 0.10 / 4.0).abs() < 1e-12);
    assert!((peak(1.0).travel - 0.5).abs() < 1e-12);
    assert!(peak(1.0).share() > 1.0);
    let velocity = SetpointPeak::score(
        &sent,
        &limits,
        CommandInterface::Velocity,
        0.005,
        (0.0, 1.0),
    );
    assert!((velocity.share() - 0.1).abs() < 1e-12);
    assert!((greatest_step(&sent, 0.0, 0.028) - 0.04).abs() < 1e-12);
    // Two received at once after a stall of 40 ms, seven periods' motion apart, are no jump; the
    // same motion in one period is.
    let speed = |last: f64| {
        let sent = samples(&[(0.0, 0.0), (0.005, 0.02), (0.045, 0.04), (last, 0.18)]);
        SetpointPeak::score(
            &sent,
            &limits,
            CommandInterface::Position,
            0.005,
            (0.0, 1.0),
        )
        .speed
    };
    assert!((speed(0.0451) - 0.16 / 0.04 / 10.0).abs() < 1e-9);
    assert!((speed(0.0500) - 0.14 / 0.005 / 10.0).abs() < 1e-9);
}

#[test]
fn a_swap_is_watched_for_five_seconds_and_its_step_is_found() {
    let pose = bend_from(12.0 * DEG, 47.0 * DEG);
    let samples = record(9.0, |t| {
        pose + Bend::new(
            if t > 4.0 {
                0.001 * (t - 4.0).min(2.0)
            } else {
                0.0
            },
            0.0,
        )
    });
    let setpoints: Vec<_> = (0..1800)
        .map(|i| {
            let time = f64::from(i) * 0.005;
            let noise = if i % 2 == 0 { 1e-4 } else { -1e-4 };
            let jump = if time >= 3.0 { 0.01 } else { 0.0 };
            SetpointSample {
                time,
                stamp: time,
                setpoints: vec![0.5 + noise + jump, -0.5],
            }
        })
        .collect();
    let swap = SwapFigures::score(&samples, &setpoints, (3.0, 3.0)).unwrap();
    assert!((swap.moved - 0.002).abs() < 1e-12);
    assert!((swap.ordinary_step - 2e-4).abs() < 1e-12);
    assert!((swap.step - (0.01 + 2e-4)).abs() < 1e-12);
}

#[test]
fn what_was_not_tried_does_not_pass() {
    let bars = Bars::default();
    assert!(!Verdict::default().good());
    let (_, target, samples) = step(0.8, 20.0);
    let figures = MoveFigures::score(&samples, target, 0.5, 4.0).unwrap();
    let moves = [("step".to_string(), figures)];
    assert!(Verdict::default().moves(&bars, &moves).good());
    assert!(
        !Verdict::default()
            .moves(&bars, &moves)
            .pushes(&bars, &[])
            .good()
    );
    let lost = MoveFigures {
        error: f64::NAN,
        ..figures
    };
    let moves = [("step".to_string(), figures), ("lost".to_string(), lost)];
    assert!(!Verdict::default().moves(&bars, &moves).good());
    assert!(matches!(
        MoveFigures::score(&samples, target, 5.0, 6.0),
        Err(TrialError::NoMove(_) | TrialError::NoSamples { .. })
    ));
}

#[test]
fn overshoot_has_a_least_bar_for_small_moves() {
    let bars = Bars::default();
    assert!((bars.overshoot(2.0 * DEG) - 0.2 * DEG).abs() < 1e-15);
    assert!((bars.overshoot(40.0 * DEG) - 1.0 * DEG).abs() < 1e-15);
}

#[test]
fn a_lost_message_in_a_burst_shows_in_its_stamp() {
    let limits = [MotorLimits {
        low: -4.0,
        high: 4.0,
        speed: 10.0,
        acceleration: 500.0,
    }];
    // 40 mrad in two periods of 5 ms, of which the first was lost, received 6 ms apart.
    let sent = [(0.0, 0.0, 0.0), (0.006, 0.010, 0.04)];
    let sent = sent.map(|(time, stamp, u)| SetpointSample {
        time,
        stamp,
        setpoints: vec![u],
    });
    let peak = SetpointPeak::score(
        &sent,
        &limits,
        CommandInterface::Position,
        0.005,
        (0.0, 1.0),
    );
    assert!((peak.speed - 0.4).abs() < 1e-12);
}

#[test]
fn rows_of_a_step_test_are_at_its_setpoints() {
    let setpoint = |(time, value): (f64, f64)| SetpointSample {
        time,
        stamp: time - 0.004,
        setpoints: vec![value, -value],
    };
    let bend = |(time, x): (f64, f64)| BendSample {
        time,
        bend: Bend::new(x, -0.02),
    };
    let angle = |i: u32| AngleSample {
        time: 0.1 * f64::from(i),
        angles: vec![f64::from(i), 2.0 * f64::from(i)],
    };
    let setpoints = [
        (0.1, 1.0),
        (0.2, 2.0),
        (0.26, 3.0),
        (0.26, 4.0),
        (0.55, 5.0),
        (0.62, 6.0),
        (0.7, 7.0),
        (0.9, 8.0),
    ];
    let recorded = StepStreams {
        setpoints: setpoints.map(setpoint).to_vec(),
        angles: (0..=6).map(angle).collect(),
        bends: [
            (0.15, 0.01),
            (0.25, 0.02),
            (0.54, 0.03),
            (0.58, 0.04),
            (0.61, 0.05),
        ]
        .map(bend)
        .to_vec(),
    };
    let rows = recorded.rows(0.05, 0.8);
    let got: Vec<_> = rows
        .iter()
        .map(|r| (r.time, r.setpoints[0], r.bend.x, r.stamp))
        .collect();
    // At 0.1 no bend had been measured; at 0.26 the second is not after the row before; at 0.62 and
    // 0.7 no motor angle precedes it; 0.9 is outside the requested span.
    assert_eq!(
        got,
        [
            (0.2, 2.0, 0.01, 0.15),
            (0.26, 3.0, 0.02, 0.25),
            (0.55, 5.0, 0.03, 0.54)
        ]
    );
    for row in &rows {
        assert_eq!(row.setpoints[1], -row.setpoints[0]);
        assert!((row.angles[0] - 10.0 * row.time).abs() < 1e-12, "{row:?}");
        assert!((row.angles[1] - 20.0 * row.time).abs() < 1e-12, "{row:?}");
    }
    assert_eq!(recorded.rows(0.2, 0.26).len(), 1);
    assert!(StepStreams::default().rows(0.0, 1.0).is_empty());
}

//! The simulated glasshouse neck: gain, oscillation, slack, and its behaviour under a loop tuned
//! without its payload.

use crate::beam_support::{PAYLOADS, asked_angles, glasshouse, hold, toward};
use nalgebra::{Vector2, Vector3};
use std::f64::consts::PI;
use withy::sim::beam::{CommandError, DriveKind};

/// The ratio of the true bend to the bend by the motors' kinematics is between 0.90 and 1.02 at
/// rest, for any payload.
#[test]
fn gain_over_payloads_and_directions() {
    for payload in PAYLOADS {
        let (mut lowest, mut highest) = (f64::MAX, f64::MIN);
        for inclination in [12.0, 20.0] {
            for k in 0..12 {
                let asked = toward(17.0 + 30.0 * f64::from(k), inclination);
                let (joint, mut plant) = glasshouse(payload);
                hold(&mut plant, &asked_angles(&joint, asked), 2.5, |_| ());
                let gain = plant.truth().bend.dot(&asked) / asked.norm_squared();
                lowest = lowest.min(gain);
                highest = highest.max(gain);
                let across = plant.truth().bend.perp(&asked) / asked.norm_squared();
                assert!(
                    across.abs() < 0.03,
                    "{across} of the bend across at {payload:?}"
                );
            }
        }
        println!(
            "payload {:.3} kg: gain {lowest:.4} to {highest:.4}",
            payload.0
        );
        assert!(
            lowest >= 0.90 && highest <= 1.02,
            "{lowest} to {highest} at {payload:?}"
        );
    }
}

/// Returns the in-plane response of the bend to a step of the motors to `asked`.
fn step_response(payload: (f64, f64), asked: Vector2<f64>) -> Vec<f64> {
    let (joint, mut plant) = glasshouse(payload);
    let mut response = Vec::new();
    hold(&mut plant, &asked_angles(&joint, asked), 3.0, |p| {
        response.push(p.truth().bend.dot(&asked) / asked.norm_squared());
    });
    response
}

/// Returns gain, time constant and dead time from the times of 28.3 % and 63.2 % of the final
/// value. For a first-order lag with dead time these are L + T/3 and L + T (Smith's two-point
/// method; from memory, and 1 - exp(-1/3) = 0.283, 1 - exp(-1) = 0.632).
fn two_point_fit(response: &[f64]) -> (f64, f64, f64) {
    let last = response[response.len() - 1];
    let when = |share: f64| {
        let i = response.iter().position(|&y| y >= share * last).unwrap();
        let (before, after) = (if i > 0 { response[i - 1] } else { 0.0 }, response[i]);
        (i as f64 + (share * last - before) / (after - before)) * 0.001
    };
    let (early, late) = (when(0.283), when(0.632));
    let lag = 1.5 * (late - early);
    (last, lag, late - lag)
}

#[test]
fn light_head_is_a_quick_lag_and_heavy_head_overshoots() {
    let light = step_response(PAYLOADS[0], toward(37.0, 15.0));
    let (gain, lag, dead) = two_point_fit(&light);
    let overshoot = |y: &[f64]| y.iter().copied().fold(0.0, f64::max) / y[y.len() - 1] - 1.0;
    println!(
        "light: gain {gain:.3}, lag {lag:.4} s, dead time {dead:.4} s, overshoot {:.3}",
        overshoot(&light)
    );
    assert!((0.04..0.075).contains(&(lag + dead)), "{lag} + {dead}");
    assert!(overshoot(&light) < 0.05);
    for direction in [37.0, 107.0, 200.0, 290.0] {
        let heavy = overshoot(&step_response(PAYLOADS[3], toward(direction, 15.0)));
        println!("heaviest payload, direction {direction}: open-loop overshoot {heavy:.3}");
        assert!(heavy >= 0.15, "{heavy}");
    }
}

/// Oscillation of the head after a tap, motors still: frequency from successive extremes, damping
/// from their decrement, delta = ln(x1/x2) over half a period, zeta = delta / sqrt(pi^2 + delta^2)
/// (single-degree-of-freedom vibration, textbook).
#[test]
fn heaviest_payload_swings() {
    let (_, mut plant) = glasshouse(PAYLOADS[3]);
    plant.push(Vector3::new(0.5, 0.0, 0.0), 0.02).unwrap();
    let mut bend = Vec::new();
    hold(&mut plant, &[0.0; 4], 2.0, |p| bend.push(p.truth().bend[0]));
    let extremes: Vec<usize> = (25..bend.len() - 1)
        .filter(|&i| (bend[i] - bend[i - 1]) * (bend[i + 1] - bend[i]) <= 0.0)
        .take(3)
        .collect();
    let delta = (bend[extremes[0]] / bend[extremes[1]]).abs().ln();
    let damping = delta / PI.hypot(delta);
    let swing =
        PI / ((extremes[2] - extremes[1]) as f64 * 0.001) / (1.0 - damping * damping).sqrt();
    println!("heaviest payload: swing {swing:.2} rad/s, damping ratio {damping:.3}");
    assert!((15.0..22.0).contains(&swing), "{swing}");
    assert!((0.1..0.35).contains(&damping), "{damping}");
}

/// Tendons only pull: a sudden reversal makes some slack, a gentle move of the same size does not.
#[test]
fn slack_on_hard_moves_only() {
    for (seconds, expect_slack) in [(0.0, true), (1.0, false)] {
        let (joint, mut plant) = glasshouse(PAYLOADS[3]);
        hold(
            &mut plant,
            &asked_angles(&joint, toward(37.0, 20.0)),
            2.0,
            |_| (),
        );
        assert!(plant.truth().tensions.iter().all(|&t| t > 1.0));
        let mut slack = 0;
        let mut least = f64::MAX;
        for ms in 0..2000 {
            let share: f64 = if seconds == 0.0 {
                1.0
            } else {
                (f64::from(ms) * 0.001 / seconds).min(1.0)
            };
            // A smooth change of sign: (1 + cos)/2 from one side to the other.
            let inclination = if seconds == 0.0 {
                -20.0
            } else {
                20.0 * (PI * share).cos()
            };
            hold(
                &mut plant,
                &asked_angles(&joint, toward(37.0, inclination)),
                0.001,
                |p| {
                    let tension = p.truth().tensions.iter().copied().fold(f64::MAX, f64::min);
                    least = least.min(tension);
                    slack += usize::from(tension == 0.0);
                },
            );
        }
        println!("20 deg to -20 deg in {seconds} s: {slack} ms slack, least tension {least:.2} N");
        assert_eq!(slack > 20, expect_slack);
        if !expect_slack {
            assert!(least > 0.5, "{least}");
        }
    }
}

/// Returns (kp, ki, nu) of the fractional PI that meets phase margin, crossover and flat phase on a
/// first-order lag with dead time: nu is the root of nu sin(phi) (cos(phi) - sin(phi) cot(nu pi/2))
/// = D, phi = pi - margin + psi (psi, D: phase of the model and its log slope).
fn flat_phase_pi(gain: f64, lag: f64, dead: f64, w: f64, margin: f64) -> (f64, f64, f64) {
    let psi = -(w * lag).atan() - w * dead;
    let slope = w * lag / (1.0 + (w * lag).powi(2)) + w * dead;
    let magnitude = gain / 1f64.hypot(w * lag);
    let phi = PI - margin + psi;
    let left = |nu: f64| nu * phi.sin() * (phi.cos() - phi.sin() / (nu * PI / 2.0).tan());
    let (mut low, mut high) = (2.0 * phi / PI, 2.0);
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if left(middle) < slope {
            low = middle
        } else {
            high = middle
        }
    }
    let nu = 0.5 * (low + high);
    let alpha = nu * PI / 2.0;
    let kp = (alpha - phi).sin() / (magnitude * alpha.sin());
    (kp, kp * phi.sin() / (alpha - phi).sin() * w.powf(nu), nu)
}

/// Returns the bend error toward the target at every cycle, under pure feedback of the true bend,
/// sampled at 200 Hz and one sample old. s^-nu is the Gruenwald-Letnikov sum with full memory
/// (Podlubny 1999, "Fractional Differential Equations", 7.1).
fn pure_feedback(payload: (f64, f64), gains: (f64, f64, f64), target: Vector2<f64>) -> Vec<f64> {
    let (kp, ki, nu) = gains;
    let dt: f64 = 0.005;
    let ticks = 1600;
    let mut weights = vec![1.0];
    for j in 1..ticks {
        weights.push(weights[j - 1] * (1.0 + (nu - 1.0) / j as f64));
    }
    let (joint, mut plant) = glasshouse(payload);
    let mut measured = Vector2::zeros();
    let mut errors: Vec<Vector2<f64>> = Vec::new();
    let mut along = Vec::new();
    for _ in 0..ticks {
        errors.push(target - measured);
        let now = errors.len() - 1;
        let sum: Vector2<f64> = (0..=now).map(|j| errors[now - j] * weights[j]).sum();
        let asked = errors[now] * kp + sum * (ki * dt.powf(nu));
        // The joint's own stops: a controller would not command more than 60 deg either.
        let asked = asked * (60f64.to_radians() / asked.norm()).min(1.0);
        measured = plant.truth().bend;
        plant
            .command(DriveKind::Position, &asked_angles(&joint, asked))
            .unwrap();
        plant.advance(dt);
        along.push((plant.truth().bend - target).dot(&target) / target.norm());
    }
    along
}

/// A loop tuned on the bare head for a crossover of 8 rad/s and a margin of 70 deg is well behaved
/// there and unstable at the heaviest payload.
#[test]
fn loop_tuned_light_is_unstable_heavy() {
    let (gain, lag, dead) = two_point_fit(&step_response(PAYLOADS[0], toward(37.0, 5.0)));
    // Half a period of hold and one sample of latency count as dead time.
    let gains = flat_phase_pi(gain, lag, dead + 0.0025 + 0.005, 8.0, 70f64.to_radians());
    println!(
        "fit {gain:.3}, {lag:.4} s, {dead:.4} s; kp {:.3}, ki {:.3}, order {:.3}",
        gains.0, gains.1, gains.2
    );
    for payload in PAYLOADS {
        let error = pure_feedback(payload, gains, toward(37.0, 12.0));
        let swing = |range: std::ops::Range<usize>| {
            let part = &error[range];
            part.iter().copied().fold(f64::MIN, f64::max)
                - part.iter().copied().fold(f64::MAX, f64::min)
        };
        let (early, late) = (swing(200..400).to_degrees(), swing(1400..1600).to_degrees());
        println!(
            "payload {:.3} kg: peak to peak {early:.3} deg in the 2nd second, {late:.3} deg in the 8th",
            payload.0
        );
        if payload.0 == 0.0 {
            assert!(late < 0.1, "{late}");
        }
        if payload.0 == 0.380 {
            assert!(late > 5.0, "{late}");
        }
    }
}

/// A jammed motor stands with its encoder, and moves again when it is freed; the others move.
#[test]
fn a_jammed_motor_stands() {
    let (joint, mut plant) = glasshouse(PAYLOADS[0]);
    let asked = asked_angles(&joint, toward(47.0, 15.0));
    plant.stall(1, true).unwrap();
    hold(&mut plant, &asked, 1.0, |p| {
        assert_eq!(p.truth().motor_angles[1], 0.0);
    });
    assert!((plant.truth().motor_angles[0] - asked[0]).abs() < 1e-3);
    plant.stall(1, false).unwrap();
    hold(&mut plant, &asked, 1.0, |_| ());
    assert!((plant.truth().motor_angles[1] - asked[1]).abs() < 1e-3);
    let refused = CommandError::Index { index: 4, count: 4 };
    assert_eq!(plant.stall(4, true), Err(refused.clone()));
    assert_eq!(plant.cut(4), Err(refused));
}

/// A cut tendon never pulls, however far its motor reels in; the head leans away from it, and the
/// energy stays finite.
#[test]
fn a_cut_tendon_never_pulls() {
    let (joint, mut plant) = glasshouse(PAYLOADS[0]);
    hold(&mut plant, &[0.0; 4], 0.5, |_| ());
    assert!(plant.truth().tensions[0] > 1.0);
    plant.cut(0).unwrap();
    assert_eq!(plant.truth().tensions[0], 0.0);
    hold(&mut plant, &[6.0, 0.0, 0.0, 0.0], 2.0, |p| {
        assert_eq!(p.truth().tensions[0], 0.0);
    });
    let (angle, bend) = (joint.tendons[0].base_angle, plant.truth().bend);
    let toward = bend.x * angle.cos() + bend.y * angle.sin();
    assert!(toward < -0.02, "leans {toward} rad toward the cut tendon");
    assert!(plant.energy().is_finite());
}

//! Motors and sensors of the simulated joint: limits, timeout, stiction, rates, latencies and
//! noise; and refused options.

use crate::beam_support::{asked_angles, hold, toward};
use nalgebra::{UnitQuaternion, Vector3};
use std::f64::consts::{PI, TAU};
use withy::sim::beam::{
    CommandError, DriveKind, JointDescription, Options, Plant, SensorOptions, Tolerances,
};

fn plant(options: &Options) -> Plant {
    Plant::glasshouse(options, 3).unwrap()
}

/// Motors keep their speed and acceleration limits and approach their command at their bandwidth.
#[test]
fn motors_keep_their_limits() {
    for scale in [1.0, 0.25] {
        let options = Options {
            motor_speed_scale: scale,
            ..Options::default()
        };
        let mut plant = plant(&options);
        let motor = JointDescription::glasshouse().motor;
        let (mut angle, mut speed, mut fastest, mut hardest) = (0.0, 0.0, 0.0f64, 0.0f64);
        let mut peak = 0.0f64;
        hold(&mut plant, &[1.0, -1.0, 0.5, 0.0], 1.0, |p| {
            let now = p.truth().motor_angles[0];
            let velocity = (now - angle) / 0.001;
            fastest = fastest.max(velocity.abs());
            hardest = hardest.max(((velocity - speed) / 0.001_f64).abs());
            (angle, speed) = (now, velocity);
            peak = peak.max(now);
        });
        println!(
            "speed scale {scale}: fastest {fastest:.2} rad/s, hardest {hardest:.0} rad/s^2, peak \
             {peak:.4} rad"
        );
        assert!(
            fastest <= motor.speed_limit * scale * (1.0 + 1e-9)
                && fastest > 0.95 * motor.speed_limit * scale
        );
        assert!(hardest <= motor.acceleration_limit * (1.0 + 1e-6));
        assert!((angle - 1.0).abs() < 1e-6 && peak < 1.01);
    }
    // A small step is a first-order lag: 1 - exp(-1) of it after 1/bandwidth (closed form), here
    // 1/60 s.
    let mut plant = plant(&Options::default());
    hold(&mut plant, &[0.02, 0.0, 0.0, 0.0], 0.0167, |_| ());
    let share = plant.truth().motor_angles[0] / 0.02;
    assert!((share - (1.0 - (-1.0f64).exp())).abs() < 0.05, "{share}");
}

/// Once commands stop, a velocity drive stops and a position drive holds where it is; a fresh
/// command revives both.
#[test]
fn command_timeout() {
    let timeout = JointDescription::glasshouse().motor.command_timeout;
    let mut plant = plant(&Options::default());
    plant
        .command(DriveKind::Velocity, &[0.5, 0.0, -0.5, 0.0])
        .unwrap();
    plant.advance(timeout);
    let moved = plant.truth().motor_angles[0];
    assert!(
        (moved - 0.5 * (timeout - 1.0 / 60.0)).abs() < 0.005,
        "{moved}"
    );
    plant.advance(0.3);
    let stopped = plant.truth().motor_angles[0];
    assert!(
        (stopped - moved - 0.5 / 60.0).abs() < 0.002,
        "coasted from {moved} to {stopped}"
    );
    plant.advance(1.0);
    assert!((plant.truth().motor_angles[0] - stopped).abs() < 1e-6);

    // Too far to arrive before the timeout.
    plant
        .command(DriveKind::Position, &[6.0, 0.0, 0.0, 0.0])
        .unwrap();
    plant.advance(timeout);
    let there = plant.truth().motor_angles[0];
    plant.advance(1.0);
    let held = plant.truth().motor_angles[0];
    println!("position drive at {there:.3} rad when commands stopped, held {held:.3} rad");
    assert!(held < 3.0 && held - there < 0.2, "{there} {held}");
    plant.command(DriveKind::Position, &[0.0; 4]).unwrap();
    plant.advance(0.1);
    assert!(plant.truth().motor_angles[0] < held);
}

/// A resting motor stays until its error exceeds the stiction, then goes to its command.
#[test]
fn stiction() {
    let options = Options {
        stiction: 0.03,
        ..Options::default()
    };
    let mut plant = plant(&options);
    hold(&mut plant, &[0.029, 0.031, -0.029, -0.031], 1.0, |_| ());
    let angles = plant.truth().motor_angles.clone();
    assert_eq!((angles[0], angles[2]), (0.0, 0.0));
    assert!(
        (angles[1] - 0.031).abs() < 0.001 && (angles[3] + 0.031).abs() < 0.001,
        "{angles:?}"
    );
}

/// Encoders are quantised and stamped, at their rate; the difference from the true angle is at most
/// half a count.
#[test]
fn encoders() {
    let options = Options {
        sensors: SensorOptions {
            motor_age: 0.003,
            ..SensorOptions::default()
        },
        ..Options::default()
    };
    let mut plant = plant(&options);
    let angles = asked_angles(&JointDescription::glasshouse(), toward(50.0, 10.0));
    let mut history = vec![plant.truth().motor_angles.clone()];
    let mut count = 0;
    for _ in 0..1000 {
        plant.command(DriveKind::Position, &angles).unwrap();
        plant.advance(0.001);
        history.push(plant.truth().motor_angles.clone());
        let now = plant.time();
        while let Some(reading) = plant.take_motor_reading() {
            assert!(
                (now - reading.stamp - 0.003).abs() < 1e-9,
                "{} at {now}",
                reading.stamp
            );
            let sampled = (reading.stamp * 1000.0).round() as usize;
            for (angle, truth) in reading.angles.iter().zip(&history[sampled]) {
                let counts = angle * 4096.0 / TAU;
                assert!((counts - counts.round()).abs() < 1e-6);
                assert!((angle - truth).abs() <= 0.5 * TAU / 4096.0 + 1e-12);
            }
            count += 1;
        }
    }
    assert_eq!(count, 200);
}

/// The IMU: rate, latency, rms of both noises, drift of the heading and nothing else, mounting and
/// base orientation.
#[test]
fn inertial_unit() {
    let mounting = UnitQuaternion::from_euler_angles(0.1, -0.2, 2.0);
    let base = UnitQuaternion::from_euler_angles(0.3, 0.1, 0.0);
    let joint = JointDescription {
        imu_mounting: mounting,
        base_orientation: base,
        ..JointDescription::glasshouse()
    };
    for (rate, age) in [(200.0, 0.004), (50.0, 0.020)] {
        let sensors = SensorOptions {
            imu_rate: rate,
            imu_age: age,
            ..SensorOptions::default()
        };
        let options = Options {
            sensors,
            ..Options::default()
        };
        let mut plant = Plant::new(&joint, &options, 11).unwrap();
        plant.advance(3.0);
        while plant.take_imu_reading().is_some() {}
        let (mut count, mut tilt, mut rate_error) = (0.0, 0.0, 0.0);
        let mut headings = Vec::new();
        for _ in 0..60_000 {
            plant.advance(0.001);
            let now = plant.time();
            while let Some(reading) = plant.take_imu_reading() {
                assert!((now - reading.stamp - age).abs() < 1e-9);
                // At rest the truth is the same at the sample's time.
                let truth = base * plant.truth().orientation * mounting;
                let down = Vector3::new(0.0, 0.0, -1.0);
                let error = reading.orientation.inverse() * down - truth.inverse() * down;
                tilt += error.norm_squared() / 2.0;
                rate_error += reading.angular_velocity.norm_squared() / 3.0;
                let (_, _, heading) = (reading.orientation * truth.inverse()).euler_angles();
                headings.push((reading.stamp, heading));
                count += 1.0;
            }
        }
        let tilt = (tilt / count).sqrt().to_degrees();
        let rate_error = (rate_error / count).sqrt();
        let (first, last) = (headings[0], headings[headings.len() - 1]);
        let turned = (last.1 - first.1 + PI).rem_euclid(TAU) - PI;
        let drift = (turned / (last.0 - first.0)).to_degrees() * 60.0;
        println!(
            "{rate} Hz, {age} s old: {tilt:.4} deg, {rate_error:.5} rad/s rms, heading drifts \
             {drift:.2} deg/min"
        );
        assert!((count - 60.0 * rate).abs() <= 1.0, "{count}");
        assert!((tilt / 0.06 - 1.0).abs() < 0.05, "{tilt}");
        assert!((rate_error / 0.01 - 1.0).abs() < 0.05, "{rate_error}");
        assert!((drift - 1.0).abs() < 0.3, "{drift}");
    }
}

/// The reported angular velocity is the rate of the orientation, in IMU coordinates (differences of
/// the true orientation).
#[test]
fn angular_velocity_is_the_rate_of_orientation() {
    let quiet = SensorOptions {
        imu_rate: 1000.0,
        imu_age: 0.0,
        orientation_noise: 0.0,
        gyro_noise: 0.0,
        yaw_drift: 0.0,
        ..SensorOptions::default()
    };
    let options = Options {
        sensors: quiet,
        ..Options::default()
    };
    let joint = JointDescription {
        imu_mounting: UnitQuaternion::from_euler_angles(0.4, 0.3, -1.0),
        ..JointDescription::glasshouse()
    };
    let mut plant = Plant::new(&joint, &options, 5).unwrap();
    plant.set_payload(0.38, 0.06).unwrap();
    let angles = asked_angles(&joint, toward(200.0, 20.0));
    let mut readings = Vec::new();
    for _ in 0..400 {
        plant.command(DriveKind::Position, &angles).unwrap();
        plant.advance(0.001);
        while let Some(reading) = plant.take_imu_reading() {
            readings.push(reading);
        }
    }
    let mut fastest = 0.0f64;
    for three in readings.windows(3) {
        let turn = (three[0].orientation.inverse() * three[2].orientation).scaled_axis();
        let rate = turn / (three[2].stamp - three[0].stamp);
        fastest = fastest.max(rate.norm());
        assert!(
            (rate - three[1].angular_velocity).norm() < 0.05,
            "{rate} {}",
            three[1].angular_velocity
        );
    }
    assert!(fastest > 2.0, "{fastest}");
}

/// Built joints differ from the nominal one within their tolerances: a joint commanded straight
/// leans a little, differently for each seed.
#[test]
fn build_tolerances() {
    let options = Options {
        tolerances: Some(Tolerances::default()),
        ..Options::default()
    };
    let leans: Vec<f64> = (0..20)
        .map(|seed| {
            let mut plant = Plant::glasshouse(&options, seed).unwrap();
            let asked = toward(20.0, 15.0);
            hold(
                &mut plant,
                &asked_angles(&JointDescription::glasshouse(), asked),
                2.0,
                |_| (),
            );
            let mut drawn = Plant::glasshouse(&Options::default(), 0).unwrap();
            hold(
                &mut drawn,
                &asked_angles(&JointDescription::glasshouse(), asked),
                2.0,
                |_| (),
            );
            (plant.truth().bend - drawn.truth().bend)
                .norm()
                .to_degrees()
        })
        .collect();
    let (least, most) = leans
        .iter()
        .fold((f64::MAX, 0.0f64), |(a, b), &l| (a.min(l), b.max(l)));
    println!("built against drawn at 15 deg, 20 seeds: {least:.3} to {most:.3} deg");
    assert!(least > 0.0 && most > 0.1 && most < 1.5);
}

/// Refused options: the message has the value and the reason.
#[test]
fn refusals() {
    let mut plant = plant(&Options::default());
    assert_eq!(
        plant.command(DriveKind::Position, &[0.0; 3]),
        Err(CommandError::Length {
            given: 3,
            motors: 4
        })
    );
    assert!(matches!(
        plant.command(DriveKind::Position, &[0.0, f64::NAN, 0.0, 0.0]),
        Err(CommandError::Value { index: 1, .. })
    ));
    for error in [
        plant.set_payload(-0.1, 0.03).unwrap_err(),
        plant.set_payload(f64::NAN, 0.03).unwrap_err(),
        plant
            .push(Vector3::new(0.0, f64::INFINITY, 0.0), 0.1)
            .unwrap_err(),
        plant.push(Vector3::zeros(), f64::NAN).unwrap_err(),
    ] {
        assert!(error.to_string().contains("accepted: "), "{error}");
    }
    let refused = |change: fn(&mut JointDescription)| {
        let mut joint = JointDescription::glasshouse();
        change(&mut joint);
        Plant::new(&joint, &Options::default(), 1)
            .unwrap_err()
            .to_string()
    };
    for (change, words) in [
        (
            (|j| j.length = f64::NAN) as fn(&mut JointDescription),
            "length (m) is NaN",
        ),
        (|j| j.tendons.truncate(2), "2 tendons"),
        (
            |j| j.tendons[2].drum_radius = 0.0,
            "tendon 2 drum radius (m) is 0",
        ),
        (
            |j| {
                j.tendons
                    .iter_mut()
                    .enumerate()
                    .for_each(|(i, t)| t.base_angle = 0.3 * i as f64)
            },
            "balance",
        ),
        (
            |j| {
                j.tendons.iter_mut().for_each(|t| {
                    t.base_angle = 0.4;
                    t.head_angle = 0.4;
                })
            },
            "balance",
        ),
        (
            |j| j.motor.encoder_counts = 0,
            "encoder counts per turn is 0",
        ),
    ] {
        let sentence = refused(change);
        println!("{sentence}");
        assert!(sentence.contains(words), "{sentence}");
    }
}

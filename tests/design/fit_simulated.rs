//! Step tests on the simulated joint, recorded as a node would record them, written, read again and
//! fitted.

use crate::common::{Neck, PAYLOADS, pose};
use std::path::Path;
use withy::control::geometry::Bend;
use withy::design::fit::{Family, Member, Order, Payload, fit};
use withy::design::model::Dynamics;
use withy::files::{Mapping, ModelsFile, MotorColumn, StepTestRecord};

/// Time for which each step is held, s.
const DWELL: f64 = 3.0;

/// Records steps of 10 deg both ways in that direction, from the setpoints alone: no feedback,
/// hardly any smoothing.
fn step_test(neck: &Neck, payload: usize, direction_deg: f64) -> StepTestRecord {
    let mut gains = neck.gains("any-payload").clone();
    gains.smoothing = [0.02, 0.0];
    let mut closed = neck.close(neck.law_of(&gains).without_correction());
    closed.load(payload);
    closed.run(3.0);
    let from = closed.record.len() - 100;
    for inclination in [10.0, 0.0, -10.0, 0.0] {
        closed.command(pose(inclination, direction_deg));
        closed.run(DWELL);
    }
    let (mass, height) = PAYLOADS[payload];
    let mut record = StepTestRecord {
        payload: Some(Payload { mass, height }),
        motors: (1..=4)
            .map(|i| MotorColumn {
                name: format!("neck_motor_{i}"),
                ..MotorColumn::default()
            })
            .collect(),
        texts: vec![("gain_set".into(), "any-payload".into())],
        ..StepTestRecord::default()
    };
    let mut near = Bend::zeros();
    for row in &closed.record[from..] {
        near = closed
            .joint
            .kinematics
            .bend_from_motors(&row.out.setpoints, near)
            .bend;
        let test = &mut record.test;
        test.times.push(row.time);
        test.asked.push(near);
        test.stamps.push(row.out.timing.bend_stamp);
        test.measured.push(row.out.estimate.bend);
        for (motor, setpoint) in record.motors.iter_mut().zip(&row.out.setpoints) {
            motor.setpoints.push(*setpoint);
            motor.angles.push(f64::NAN);
        }
    }
    record
}

#[test]
fn the_simulated_joint_is_fitted_over_payloads_and_directions() {
    let neck = Neck::position();
    let mut members = Vec::new();
    for payload in 0..PAYLOADS.len() {
        for direction in [17.0, 107.0, 197.0, 287.0] {
            let written = step_test(&neck, payload, direction).to_csv();
            let file = Path::new("step.csv");
            let read = StepTestRecord::from_bytes(file, written.as_bytes(), &Mapping::default());
            let read = read.unwrap();
            let (record, found) = read.test.record().unwrap();
            let off = (found.to_degrees() - direction).rem_euclid(360.0);
            assert!(!(1.0..=359.0).contains(&off), "{direction}: {off}");
            let fitted = fit(&record, None).unwrap();
            let plant = fitted.fit.plant;
            println!(
                "payload {payload}, {direction} deg: {plant:.4?}, noise {:.5}, nrmse {:.4}, \
                 {:.2?}, across {:+.4} {:.3}",
                fitted.fit.noise,
                fitted.fit.nrmse,
                fitted.fit.whiteness,
                fitted.across.gain,
                fitted.across.share,
            );
            assert_eq!(Order::of(plant.dynamics), Order::Second);
            // Known of this joint: its gain is from 0.90 to 1.02 over payloads and directions.
            assert!((0.90..=1.03).contains(&plant.gain), "{plant:?}");
            // Stamps are those of the measurement: the IMU latency of 4 ms is not included.
            assert!(plant.dead_time < 0.03, "{plant:?}");
            assert!(fitted.fit.nrmse < 0.05);
            assert!(fitted.across.gain.abs() < 0.03 && fitted.across.share < 0.05);
            members.push(Member {
                name: format!("payload-{payload}-{direction}"),
                payload: read.payload,
                direction: found,
                fitted,
            });
        }
    }
    let family = Family::new(members);
    let groups = family.groups();
    assert_eq!(groups.len(), PAYLOADS.len());
    let mut slower = f64::INFINITY;
    for group in &groups {
        let (w, z) = (
            group.spread.natural_frequency.unwrap(),
            group.spread.damping_ratio.unwrap(),
        );
        println!(
            "{:?}: gain {:.4} w {:.2} z {:.3} dead time {:.4}",
            group.payload, group.spread.gain.mean, w.mean, z.mean, group.spread.dead_time.mean
        );
        // A heavier head oscillates more slowly.
        assert!(w.greatest < slower);
        slower = w.least;
    }
    // A tap with the motors still shows the heaviest head's mode alone: 16.8 rad/s, damping ratio
    // 0.14 (tests/sim/joint.rs). From the setpoints the head also tilts at once, through the
    // tendons, before it oscillates. One second-order model takes that for more damping and no dead
    // time, SciPy's as well, and its residuals show the missing part.
    let heaviest = &groups[3].spread;
    let (w, z) = (
        heaviest.natural_frequency.unwrap(),
        heaviest.damping_ratio.unwrap(),
    );
    assert!(w.least > 16.0 && w.greatest < 17.6, "{w:?}");
    assert!(z.least > 0.14 && z.greatest < 0.21, "{z:?}");
    for member in &groups[3].members {
        assert!(!member.fitted.fit.whiteness.white());
    }
    let models = ModelsFile::of(Path::new("models.yaml"), &family);
    let again = ModelsFile::from_text(Path::new("models.yaml"), &models.to_yaml()).unwrap();
    assert_eq!(again.models.len(), 16);
    for (a, b) in again.models.iter().zip(&family.members) {
        assert_eq!(a.plant, b.fitted.fit.plant);
        assert!(matches!(a.plant.dynamics, Dynamics::Second(_)));
    }
}

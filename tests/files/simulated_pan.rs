//! Simulated-joint files with a pan motor and an IMU on the base.

use crate::files_support::{Copy, SIMULATED, assert_told, config};
use nalgebra::Vector3;
use withy::files::SimulatedFile;
use withy::sim::beam::{DriveKind, JointDescription, Plant};

const WITH_PAN: &str = "glasshouse-neck-pan-simulated.yaml";

#[test]
fn the_neck_with_pan_is_the_one_drawn() {
    let file = SimulatedFile::load(config().join(WITH_PAN)).unwrap();
    let drawn = JointDescription::glasshouse_with_pan();
    assert_eq!(file.description.pan, drawn.pan);
    let (ours, theirs) = (file.description.base_imu.unwrap(), drawn.base_imu.unwrap());
    assert!(ours.mounting.angle_to(&theirs.mounting) == 0.0);
    assert_eq!((ours.rate, ours.age), (theirs.rate, theirs.age));
    assert_eq!(ours.orientation_noise, theirs.orientation_noise);
    assert_eq!(ours.gyro_noise, theirs.gyro_noise);
    assert_eq!(file.motor_names[3..], ["neck_motor_4", "neck_pan"]);
    // Except for these two it is the neck without pan.
    let plain = SimulatedFile::load(config().join(SIMULATED)).unwrap();
    let stripped = JointDescription {
        pan: None,
        base_imu: None,
        ..file.description.clone()
    };
    assert_eq!(stripped, plain.description);
    assert_eq!(file.options, plain.options);
    assert_eq!(file.frames, plain.frames);
    assert_eq!(file.name, plain.name);
}

#[test]
fn sign_gear_and_mounting_are_read_as_meant() {
    let copy = Copy::new();
    copy.spoil(WITH_PAN, "  gear_ratio: 1 ", "  gear_ratio: 4 ");
    copy.spoil(WITH_PAN, "  sign: 1 ", "  sign: -1 ");
    copy.spoil(
        WITH_PAN,
        "{roll: 0, pitch: 0, yaw: 0}  # turns IMU axes into base axes",
        "{roll: 90, pitch: 0, yaw: 0}  # turned",
    );
    let file = SimulatedFile::load(copy.path(WITH_PAN)).unwrap();
    let mounting = file.description.base_imu.unwrap().mounting;
    // A roll of a quarter turn puts the unit's y axis along the base's z.
    assert!((mounting * Vector3::y() - Vector3::z()).norm() < 1e-12);
    let mut plant = Plant::new(&file.description, &file.options, file.seed).unwrap();
    for _ in 0..200 {
        plant
            .command(DriveKind::Position, &[0.0, 0.0, 0.0, 0.0, 1.0])
            .unwrap();
        plant.advance(0.01);
    }
    let pan = plant.truth().pan;
    assert!((pan + 0.25).abs() < 1e-6, "{pan}");
}

#[test]
fn what_cannot_be_is_told() {
    for (from, to, sentence) in [
        (
            "motor: neck_pan ",
            "motor: neck_motor_2 ",
            "pan.motor is \"neck_motor_2\"; accepted: a name that no other motor has \
             (tendons[1].motor has it)",
        ),
        (
            "  motor: neck_pan ",
            "  # ",
            "pan.motor is missing; accepted: ...",
        ),
        (
            "  speed_limit_rad_s: 3",
            "  speed_limit_rad_s: 0",
            "pan.speed_limit_rad_s is 0; accepted: a number above 0 and at most 100000 rad/s",
        ),
        (
            "  bandwidth_rad_s: 50",
            "  bandwidth_rad_s: .nan",
            "pan.bandwidth_rad_s is .nan; accepted: a number above 0 and at most 10000 rad/s",
        ),
        (
            "  acceleration_limit_rad_s2: 40",
            "",
            "pan.acceleration_limit_rad_s2 is missing; accepted: a number above 0 and at most \
             10000000 rad/s^2",
        ),
        (
            "  encoder_counts: 16384",
            "  encoder_counts: 0.5",
            "pan.encoder_counts is 0.5; accepted: a whole number from 1 to 16777216",
        ),
        (
            "  gear_ratio: 1",
            "  gear_ratio: -1",
            "pan.gear_ratio is -1; accepted: a number above 0 and at most 10000",
        ),
        (
            "  sign: 1",
            "  sign: 2",
            "pan.sign is 2; accepted: 1 where positive motor angles turn from +x toward +y, -1 \
             where they turn the other way",
        ),
        (
            "  sign: 1",
            "  travel_deg: 1",
            "pan.travel_deg (given as 1) is not a known key; accepted here: motor, ...",
        ),
        (
            "  rate_hz: 200",
            "  rate_hz: 2000",
            "base_imu.rate_hz is 2000; accepted: a number from 0.01 to 1000 Hz",
        ),
        (
            "  latency_ms: 4",
            "  latency_ms: -4",
            "base_imu.latency_ms is -4; accepted: a number from 0 to 10000 ms",
        ),
        (
            "  latency_ms: 4  ",
            "  age_s: 4  ",
            "base_imu.age_s (given as 4) is not a known key; accepted here: ...",
        ),
        (
            "{roll: 0, pitch: 0, yaw: 0}  # turns IMU axes into base axes",
            "{roll: 0, pitch: .inf, yaw: 0}  #",
            "base_imu.mounting_deg.pitch is .inf; accepted: a number from -360 to 360 deg",
        ),
    ] {
        let copy = Copy::new();
        copy.spoil(WITH_PAN, from, to);
        let path = copy.path(WITH_PAN);
        assert_told(SimulatedFile::load(&path).map(drop), &path, sentence);
    }
}

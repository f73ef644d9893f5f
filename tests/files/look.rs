//! Gaze and base in joint files: camera, pan motor, base IMU, fixed frames.

use crate::files_support::{Copy, assert_told, config};
use nalgebra::{UnitQuaternion, Vector3};
use withy::files::{JointFile, SimulatedFile};

const LOOKING: &str = "glasshouse-neck-pan.yaml";

/// Keys of the file as it is.
const CAMERA: &str = "  position_mm: [60, 0, 30]\n  axis: [1, 0, 0]\n  nearest_mm: 50\n";
const TORSO: &str = "  - name: torso\n    parent: neck_base\n    position_mm: [0, 0, -350]\n";

/// Text and replacement, and the sentence after the file's name.
const CASES: &[(&str, &str, &str)] = &[
    // Camera.
    (
        "  axis: [1, 0, 0]",
        "  axis: [0, 0, 0]",
        "camera.axis is [0, 0, 0]; accepted: a direction: three numbers, not all zero",
    ),
    (
        "  axis: [1, 0, 0]",
        "  axis: [1, 0]",
        "camera.axis is [1, 0]; accepted: 3 numbers in brackets, each a number from -1000000 to 1000000",
    ),
    (
        "  axis: [1, 0, 0]",
        "  axis: [1, .nan, 0]",
        "camera.axis[1] is .nan; accepted: a number from -1000000 to 1000000",
    ),
    (
        "  axis: [1, 0, 0]\n",
        "",
        "camera.axis is missing; accepted: ...",
    ),
    (
        "  position_mm: [60, 0, 30]",
        "  position_mm: [60, 0, 1001]",
        "camera.position_mm[2] is 1001; accepted: a number from -1000 to 1000 mm",
    ),
    (
        "  position_mm: [60, 0, 30]",
        "  position_mm: ahead",
        "camera.position_mm is \"ahead\"; accepted: 3 numbers in brackets, each a number from \
         -1000 to 1000 mm",
    ),
    (
        "  nearest_mm: 50",
        "  nearest_mm: -1",
        "camera.nearest_mm is -1; accepted: a number from 0 to 10000 mm",
    ),
    (
        "  nearest_mm: 50",
        "  nearest_m: 0.05",
        "camera.nearest_m (given as 0.05) is not a known key; accepted here: position_mm, axis, nearest_mm",
    ),
    // Pan.
    (
        "  motor: neck_pan\n",
        "  motor: neck_motor_2\n",
        "pan.motor is \"neck_motor_2\"; accepted: a name that no other motor has (tendons[1].motor has it)",
    ),
    (
        "  motor: neck_pan\n",
        "",
        "pan.motor is missing; accepted: ...",
    ),
    (
        "travel_deg: [-170, 170]",
        "travel_deg: [10, 170]",
        "pan.travel_deg is [10, 170]; accepted: [low, high] with low below 0 and high above 0",
    ),
    (
        "travel_deg: [-170, 170]",
        "travel_deg: 170",
        "pan.travel_deg is 170; accepted: 2 numbers in brackets, each a number from -1000000 to 1000000 deg",
    ),
    (
        "travel_deg: [-170, 170]",
        "travel_deg: [-170, 170]\n  travel_rad: [-3, 3]",
        "pan.travel_deg is [-170, 170]; accepted: either travel_deg or travel_rad, not both",
    ),
    (
        "  speed_rad_s: 3\n",
        "  speed_rad_s: 0\n",
        "pan.speed_rad_s is 0; accepted: a number above 0 and at most 1000 rad/s",
    ),
    (
        "  speed_rad_s: 3\n",
        "",
        "pan.speed_rad_s is missing; accepted: a number above 0 and at most 1000 rad/s",
    ),
    (
        "  acceleration_rad_s2: 40\n",
        "  acceleration_rad_s2: .inf\n",
        "pan.acceleration_rad_s2 is .inf; accepted: a number above 0 and at most 100000 rad/s^2",
    ),
    (
        "  time_constant_s: 0.02\n",
        "  time_constant_s: -0.02\n",
        "pan.time_constant_s is -0.02; accepted: a number from 0 to 1 s",
    ),
    (
        "  gear_ratio: 1\n",
        "  gear_ratio: 0\n",
        "pan.gear_ratio is 0; accepted: a number above 0 and at most 10000",
    ),
    (
        "  sign: 1\n",
        "  sign: 0.5\n",
        "pan.sign is 0.5; accepted: 1 where positive motor angles turn from +x toward +y, -1 where \
         they turn the other way",
    ),
    (
        "  gear_ratio: 1\n",
        "  gear: 1\n",
        "pan.gear (given as 1) is not a known key; accepted here: motor, travel_deg, ...",
    ),
    // The base's IMU.
    (
        "base_imu:\n  rate_hz: 200\n",
        "base_imu:\n  rate_hz: 5\n",
        "base_imu.rate_hz is 5; accepted: a number from 10 to 1000 Hz",
    ),
    (
        "base_imu:\n  rate_hz: 200\n",
        "base_imu:\n",
        "base_imu.rate_hz is missing; accepted: a number from 10 to 1000 Hz",
    ),
    (
        "base_imu:\n  rate_hz: 200\n  mounting_deg: {roll: 0, pitch: 0, yaw: 0}\n",
        "base_imu:\n  rate_hz: 200\n  mounting_deg: {roll: 0, pitch: 400, yaw: 0}\n",
        "base_imu.mounting_deg.pitch is 400; accepted: a number from -360 to 360 deg",
    ),
    (
        "base_imu:\n  rate_hz: 200\n",
        "base_imu:\n  rate: 200\n",
        "base_imu.rate (given as 200) is not a known key; accepted here: rate_hz, mounting_deg",
    ),
    (
        "base_imu:\n  rate_hz: 200\n  mounting_deg: {roll: 0, pitch: 0, yaw: 0}\n",
        "base_imu: true\n",
        "base_imu is true; accepted: a table with the keys rate_hz, mounting_deg",
    ),
    // Fixed frames.
    (
        "  - name: torso\n",
        "  - name: neck_head\n",
        "fixed_frames[0].name is \"neck_head\"; accepted: a name that no other frame of this file \
         has; frames.head moves",
    ),
    (
        "  - name: torso\n",
        "  - {name: torso, parent: hip, position_mm: [0, 0, 0], orientation_deg: {roll: 0, pitch: \
         0, yaw: 0}}\n  - name: torso\n",
        "fixed_frames[1].name is \"torso\"; accepted: a name that no other frame of this file has; \
         frames.head moves",
    ),
    (
        "    parent: neck_base\n",
        "    parent: torso\n",
        "fixed_frames[0].parent is \"torso\"; accepted: 1 to 64 printable characters without \
         blanks, not starting with /, and not its own name",
    ),
    (
        "    parent: neck_base\n",
        "    parent: /neck_base\n",
        "fixed_frames[0].parent is \"/neck_base\"; accepted: 1 to 64 printable characters without \
         blanks, not starting with /, and not its own name",
    ),
    (
        "    parent: neck_base\n",
        "",
        "fixed_frames[0].parent is missing; accepted: 1 to 64 printable characters without blanks, \
         not starting with /, and not its own name",
    ),
    (
        "  - name: torso\n    parent: neck_base\n",
        "  - {name: hip, parent: torso, position_mm: [0, 0, 0], orientation_deg: {roll: 0, pitch: \
         0, yaw: 0}}\n  - name: torso\n    parent: hip\n",
        "fixed_frames[0].parent is \"torso\"; accepted: a parent that is not below this frame",
    ),
    (
        "  - name: torso\n    parent: neck_base\n",
        "  - name: neck_base\n    parent: neck_head\n",
        "fixed_frames[0].parent is \"neck_head\"; accepted: a parent that is not below this frame",
    ),
    (
        "    position_mm: [0, 0, -350]",
        "    position_mm: [0, 0, -1000001]",
        "fixed_frames[0].position_mm[2] is -1000001; accepted: a number from -1000000 to 1000000 mm",
    ),
    (
        "    position_mm: [0, 0, -350]",
        "    position_m: [0, 0, -0.35]",
        "fixed_frames[0].position_m (given as [0, 0, -0.35]) is not a known key; accepted here: \
         name, parent, position_mm, orientation_deg",
    ),
    (
        "    position_mm: [0, 0, -350]\n    orientation_deg: {roll: 0, pitch: 0, yaw: 0}\n",
        "    position_mm: [0, 0, -350]\n    orientation_deg: {roll: 0, yaw: 0}\n",
        "fixed_frames[0].orientation_deg.pitch is missing; accepted: a number from -360 to 360 deg",
    ),
    (
        "fixed_frames:\n  - name: torso\n    parent: neck_base\n    position_mm: [0, 0, -350]\n    \
         orientation_deg: {roll: 0, pitch: 0, yaw: 0}\n",
        "fixed_frames: torso\n",
        "fixed_frames is \"torso\"; accepted: a list of tables with name, parent, position_mm and \
         orientation_deg",
    ),
];

#[test]
fn what_cannot_be_is_told() {
    for (from, to, sentence) in CASES {
        let copy = Copy::new();
        copy.spoil(LOOKING, from, to);
        let path = copy.path(LOOKING);
        assert_told(JointFile::load(&path).map(drop), &path, sentence);
    }
}

#[test]
fn the_looking_neck_is_read_as_meant() {
    let file = JointFile::load(config().join(LOOKING)).unwrap();
    let camera = *file.gazer.as_ref().unwrap().camera();
    assert!((camera.position - Vector3::new(0.06, 0.0, 0.03)).norm() < 1e-15);
    assert_eq!((camera.axis, camera.nearest), (Vector3::x(), 0.05));
    let pan = file.joint.pan.unwrap();
    assert_eq!((pan.ratio, pan.speed, pan.acceleration), (1.0, 3.0, 40.0));
    assert_eq!(
        (pan.low, pan.high),
        (-170_f64.to_radians(), 170_f64.to_radians())
    );
    assert_eq!(pan.time_constant, 0.02);
    assert_eq!(file.all_motor_names()[3..], ["neck_motor_4", "neck_pan"]);
    assert_eq!(file.motor_names.len(), 4);
    assert!(file.joint.base_from_imu.unwrap().angle() == 0.0);
    let [torso] = &file.fixed_frames[..] else {
        panic!("{:?}", file.fixed_frames)
    };
    assert_eq!(
        (torso.name.as_str(), torso.parent.as_str()),
        ("torso", "neck_base")
    );
    let below = torso.pose.translation.vector - Vector3::new(0.0, 0.0, -0.35);
    assert!(below.norm() < 1e-15 && torso.pose.rotation.angle() == 0.0);
    // The simulated joint has the same motors, and frames of the same names.
    let simulated =
        SimulatedFile::load(config().join("glasshouse-neck-pan-simulated.yaml")).unwrap();
    assert_eq!(simulated.motor_names, file.all_motor_names());
    assert_eq!(
        (&simulated.frames.base, &simulated.frames.head),
        (&file.frames.base, &file.frames.head)
    );
}

#[test]
fn signs_gears_mountings_and_defaults_are_read_as_meant() {
    let copy = Copy::new();
    copy.spoil(
        LOOKING,
        "  gear_ratio: 1\n  sign: 1\n",
        "  gear_ratio: 4\n  sign: -1\n",
    );
    copy.spoil(LOOKING, "travel_deg: [-170, 170]", "travel_rad: [-1, 2]");
    copy.spoil(LOOKING, "  nearest_mm: 50\n", "");
    // A roll of a quarter turn puts y along z of the parent.
    let quarter = "{roll: 90, pitch: 0, yaw: 0}";
    copy.spoil(
        LOOKING,
        "base_imu:\n  rate_hz: 200\n  mounting_deg: {roll: 0, pitch: 0, yaw: 0}",
        &format!("base_imu:\n  rate_hz: 200\n  mounting_deg: {quarter}"),
    );
    copy.spoil(
        LOOKING,
        "    orientation_deg: {roll: 0, pitch: 0, yaw: 0}",
        &format!("    orientation_deg: {quarter}"),
    );
    let file = JointFile::load(copy.path(LOOKING)).unwrap();
    let pan = file.joint.pan.unwrap();
    assert_eq!((pan.ratio, pan.low, pan.high), (-4.0, -1.0, 2.0));
    assert_eq!(file.gazer.as_ref().unwrap().camera().nearest, 0.05);
    let mounting = file.joint.base_from_imu.unwrap();
    assert!((mounting * Vector3::y() - Vector3::z()).norm() < 1e-12);
    let turned = file.fixed_frames[0].pose.rotation;
    let expected = UnitQuaternion::from_axis_angle(&Vector3::x_axis(), std::f64::consts::FRAC_PI_2);
    assert!(turned.angle_to(&expected) < 1e-12);
}

#[test]
fn all_of_it_may_be_left_out() {
    let copy = Copy::new();
    copy.spoil(LOOKING, &format!("camera:\n{CAMERA}"), "");
    let text = std::fs::read_to_string(copy.path(LOOKING)).unwrap();
    let from = text.find("pan:\n").unwrap();
    let to = text
        .find("imu:\n  rate_hz: 200\n  mounting_deg: {roll: 0, pitch: 0, yaw: 0}\nall_tendons")
        .unwrap();
    assert!(text[from..to].contains(TORSO));
    let text = format!("{}{}", &text[..from], &text[to..]);
    let text = text.replacen(
        "base_imu:\n  rate_hz: 200\n  mounting_deg: {roll: 0, pitch: 0, yaw: 0}\n",
        "",
        1,
    );
    std::fs::write(copy.path(LOOKING), text).unwrap();
    let file = JointFile::load(copy.path(LOOKING)).unwrap();
    assert!(file.gazer.is_none() && file.joint.pan.is_none() && file.joint.base_from_imu.is_none());
    assert!(file.fixed_frames.is_empty());
    assert_eq!(file.all_motor_names().len(), 4);
}

//! Configuration files: good ones are read as meant, and each error is reported in one sentence
//! with the file, the key, the value and the accepted values.

use std::fs;
use std::process::Command;

use crate::files_support::{Copy, GAINS, JOINT, SIMULATED, assert_one_line, assert_told, config};
use withy::control::controller::CommandInterface;
use withy::control::tick::Feedback;
use withy::files::{JointFile, SimulatedFile, TickSource};
use withy::sim::beam::JointDescription;

/// A wrong file: text and replacement, and the sentence after the file's name.
struct Case {
    file: &'static str,
    from: &'static str,
    to: &'static str,
    sentence: &'static str,
}

const fn joint(from: &'static str, to: &'static str, sentence: &'static str) -> Case {
    Case {
        file: JOINT,
        from,
        to,
        sentence,
    }
}

const fn gains(from: &'static str, to: &'static str, sentence: &'static str) -> Case {
    Case {
        file: GAINS,
        from,
        to,
        sentence,
    }
}

/// Sentences end at `...`: the rest depends on rounding or is a long list.
const CASES: &[Case] = &[
    // Wrong values.
    joint(
        "# autostart: true",
        "autostart: perhaps",
        "autostart is \"perhaps\"; accepted: true or false",
    ),
    joint(
        "motor: neck_motor_3, base_angle_deg: 197",
        "motor: neck_motor_3, base_angle_deg: 197, drum_radius_mm: -8",
        "tendons[2].drum_radius_mm is -8; accepted: a number from 0.5 to 1000 mm",
    ),
    joint(
        "  drum_radius_mm: 7.75",
        "  drum_radius_mm: eight",
        "all_tendons.drum_radius_mm is \"eight\"; accepted: a number from 0.5 to 1000 mm",
    ),
    joint(
        "motor: neck_motor_2, base_angle_deg: 115",
        "motor: neck_motor_2, base_angle_deg: [115]",
        "tendons[1].base_angle_deg is [115]; accepted: a number from -360 to 360 deg",
    ),
    joint(
        "  sign: 1 ",
        "  sign: 0 ",
        "all_tendons.sign is 0; accepted: 1 where positive motor angles reel in, -1 where they pay out",
    ),
    joint(
        "travel_deg: [-360, 360]",
        "travel_deg: [30, 360]",
        "all_tendons.travel_deg is [30, 360]; accepted: [low, high] with low below 0 and high above 0",
    ),
    joint(
        "travel_deg: [-360, 360]",
        "travel_deg: 360",
        "all_tendons.travel_deg is 360; accepted: 2 numbers in brackets, each a number from \
         -1000000 to 1000000 deg",
    ),
    joint(
        "travel_deg: [-360, 360]",
        "travel_deg: [-360, .inf]",
        "all_tendons.travel_deg[1] is .inf; accepted: a number from -1000000 to 1000000 deg",
    ),
    joint(
        "travel_deg: [-360, 360]",
        "travel_deg: [-360, 360]\n  travel_rad: [-6, 6]",
        "all_tendons.travel_deg is [-360, 360]; accepted: either travel_deg or travel_rad, not both",
    ),
    joint(
        "guide_discs: 2 ",
        "guide_discs: 2.5 ",
        "beam.guide_discs is 2.5; accepted: a whole number from 0 to 200",
    ),
    joint(
        "  source: timer",
        "  source: clock",
        "tick.source is \"clock\"; accepted: timer or imu",
    ),
    joint(
        "  source: timer\n  rate_hz: 200",
        "  source: imu\n  rate_hz: 100",
        "tick.rate_hz is 100; accepted: no rate or imu.rate_hz (200) where each IMU sample starts a tick",
    ),
    joint(
        "feedback: imu",
        "feedback:",
        "feedback is empty; accepted: imu or motors",
    ),
    joint(
        "  message: joint_state",
        "  message: twist",
        "setpoint.message is \"twist\"; accepted: joint_state or float64_array",
    ),
    joint(
        "  kind: position",
        "  kind: effort",
        "setpoint.kind is \"effort\"; accepted: position or velocity; effort setpoints are not supported",
    ),
    joint(
        "  inclination_deg: 40",
        "  inclination_deg: 61",
        "limits.inclination_deg is 61; accepted: a number above 0 and at most 60 deg, the range of \
         beam.max_inclination_deg",
    ),
    joint(
        "  over_bend_deg: 60",
        "  over_bend_deg: 30",
        "limits.over_bend_deg is 30; accepted: a number from 40 to 120 deg, from limits.inclination_deg on",
    ),
    joint(
        "name: withy",
        "name: 2withy",
        "name is \"2withy\"; accepted: 1 to 64 letters, digits and single underscores, not \
         starting with a digit",
    ),
    joint(
        "namespace: /",
        "namespace: neck",
        "namespace is \"neck\"; accepted: / or names of letters, digits and single underscores, \
         each after a /",
    ),
    joint(
        "  head: neck_head",
        "  head: neck_base",
        "frames.head is \"neck_base\"; accepted: 1 to 64 printable characters without blanks, not \
         starting with /, and not the base frame's",
    ),
    joint(
        "initial_gain_set: any-payload",
        "initial_gain_set: lamp",
        "initial_gain_set is \"lamp\"; accepted: one of any-payload, ...",
    ),
    joint(
        "  - gains/bare.yaml",
        "  - 7",
        "gain_sets[1] is 7; accepted: the path of a gain-set file, relative to this file",
    ),
    // NaN and infinities.
    joint(
        "  length_mm: 120",
        "  length_mm: .nan",
        "beam.length_mm is .nan; accepted: a number from 2 to 10000 mm",
    ),
    joint(
        "motor: neck_motor_4, base_angle_deg: 290",
        "motor: neck_motor_4, base_angle_deg: .nan",
        "tendons[3].base_angle_deg is .nan; accepted: a number from -360 to 360 deg",
    ),
    joint(
        "  feedback_rad: 0.15",
        "  feedback_rad: .NaN",
        "limits.feedback_rad is .nan; accepted: a number from 0 to 3.2 rad",
    ),
    joint(
        "{roll: 0, pitch: 0, yaw: 0}",
        "{roll: 0, pitch: -.inf, yaw: 0}",
        "base_orientation_deg.pitch is -.inf; accepted: a number from -360 to 360 deg",
    ),
    // Missing keys.
    joint(
        "  drum_radius_mm: 7.75",
        "",
        "tendons[0].drum_radius_mm is missing; accepted: a number from 0.5 to 1000 mm",
    ),
    joint(
        "motor: neck_motor_2, base",
        "base",
        "tendons[1].motor is missing; accepted: 1 to 64 letters, digits, _, - or /",
    ),
    joint(
        "  length_mm: 120",
        "",
        "beam.length_mm is missing; accepted: a number from 2 to 10000 mm",
    ),
    joint(
        "feedback: imu",
        "",
        "feedback is missing; accepted: imu or motors",
    ),
    joint(
        "  source: timer\n  rate_hz: 200",
        "  source: timer",
        "tick.rate_hz is missing; accepted: a number from 10 to 1000 Hz",
    ),
    joint(
        "pitch: 0, ",
        "",
        "base_orientation_deg.pitch is missing; accepted: a number from -360 to 360 deg",
    ),
    // Unknown keys.
    joint(
        "motor: neck_motor_3, base_angle_deg: 197",
        "motor: neck_motor_3, base_angle_rad: 3.4",
        "tendons[2].base_angle_rad (given as 3.4) is not a known key; accepted here: motor, \
         base_angle_deg, ...",
    ),
    joint(
        "feedback: imu",
        "feedbak: imu",
        "feedbak (given as \"imu\") is not a known key; accepted here: name, ...",
    ),
    joint(
        "{roll: 0, pitch",
        "{rol: 0, pitch",
        "base_orientation_deg.rol (given as 0) is not a known key; accepted here: roll, pitch, yaw",
    ),
    joint(
        "  dwell_s: 0.3",
        "  dwell_s: 0.3\n  12: 5",
        "settled.12 (given as 5) is not a known key; accepted here: tolerance_deg, dwell_s",
    ),
    // Twice the same.
    joint(
        "motor: neck_motor_3",
        "motor: neck_motor_1",
        "tendons[2].motor is \"neck_motor_1\"; accepted: a name that no other motor has \
         (tendons[0].motor has it)",
    ),
    Case {
        file: "gains/camera.yaml",
        from: "name: camera",
        to: "name: bare",
        sentence: "name is \"bare\"; accepted: a name that no other gain set of the joint has (...",
    },
    // Tendons that cannot hold a joint.
    joint(
        "base_angle_deg: 290",
        "base_angle_deg: 60",
        "tendons is a ring with a gap of 183.0 deg between neighbouring pulls (at an inclination \
         of 0 deg toward 0 deg); accepted: tendons on all sides, with gaps of at most 178 deg, so \
         that all can be taut and in balance",
    ),
    joint(
        "  - {motor: neck_motor_3, base_angle_deg: 197}\n  - {motor: neck_motor_4, base_angle_deg: 290}\n",
        "",
        "tendons is a list of 2; accepted: a list of 3 to 64 tendons",
    ),
    // Gain sets.
    gains(
        "  kp: 0.05 ",
        "  kp: -0.05 ",
        "all_motors.kp is -0.05; accepted: a number from 0 to 1000",
    ),
    gains(
        "  ki: 5.5 ",
        "  ki: .nan ",
        "all_motors.ki is .nan; accepted: a number from 0 to 1000",
    ),
    gains(
        "  integral_order: 1.0 ",
        "  integral_order: 0 ",
        "all_motors.integral_order is 0; accepted: a number above 0 and below 2",
    ),
    gains(
        "  integral_order: 1.0 ",
        "  integral_order: 2 ",
        "all_motors.integral_order is 2; accepted: a number above 0 and below 2",
    ),
    gains(
        "  integral_order: 1.0 ",
        "",
        "all_motors.integral_order is missing; accepted: a number above 0 and below 2",
    ),
    gains(
        "  kd: 0.0 ",
        "  kg: 0.0 ",
        "all_motors.kg (given as 0.0) is not a known key; accepted here: kp, ki, kd, ...",
    ),
    gains(
        "  kd: 0.0  ",
        "  kd: 0.1  #",
        "all_motors.derivative_corner_rad_s is 2000; accepted: above 0 and at most \
         400.0 rad/s, ...",
    ),
    gains(
        "damping_s: 0.032",
        "damping_s: 1.5",
        "damping_s is 1.5; accepted: a number from 0 to 1 s",
    ),
    gains(
        "smoothing_s: [0.397, 0.058]",
        "smoothing_s: [0.397, 3]",
        "smoothing_s[1] is 3; accepted: a number from 0 to 2 s",
    ),
    gains(
        "  gain: 0.965",
        "  gain: 0",
        "model.gain is 0; accepted: a number from 0.2 to 5",
    ),
    gains(
        "  natural_frequency_rad_s: 32.0\n",
        "",
        "model.natural_frequency_rad_s is missing; accepted: a number from 0.1 to 1000 rad/s",
    ),
    gains(
        "  damping_ratio: 0.61\n",
        "  damping_ratio: 0.61\n  time_constant_s: 0.045\n",
        "model.time_constant_s is 0.045; accepted: either time_constant_s or \
         natural_frequency_rad_s with damping_ratio, not both",
    ),
    gains(
        "kind: position",
        "kind: effort",
        "kind is \"effort\"; accepted: position or velocity; effort setpoints are not supported",
    ),
    gains(
        "kind: position",
        "kind: velocity",
        "kind is velocity; accepted: position, the setpoint kind in ...",
    ),
    gains(
        "structure: two_degrees_of_freedom",
        "structure: three",
        "structure is \"three\"; accepted: two_degrees_of_freedom or pure_feedback",
    ),
    gains(
        "damping_s: 0.032",
        "motors: {neck_motor_5: {kp: 1}}",
        "motors.neck_motor_5 (given as a table of 1 keys) is not a known key; accepted here: \
         neck_motor_1, neck_motor_2, neck_motor_3, neck_motor_4",
    ),
    gains(
        "damping_s: 0.032",
        "motors: {neck_motor_2: {ki: -1}}",
        "motors.neck_motor_2.ki is -1; accepted: a number from 0 to 1000",
    ),
    gains(
        "damping_s: 0.032",
        "integrator_deadband: {enter_rad: 0.02, leave_rad: 0.01}",
        "integrator_deadband.leave_rad is 0.01; accepted: a number from 0.02 to 1 rad",
    ),
    gains(
        "name: any-payload",
        "name: any payload",
        "name is \"any payload\"; accepted: 1 to 64 letters, digits, _, - or /",
    ),
];

#[test]
fn what_is_wrong_is_told_in_one_sentence() {
    for case in CASES {
        let copy = Copy::new();
        copy.spoil(case.file, case.from, case.to);
        // A corner that the sampling cannot realise is reported only where there is a derivative.
        if case.sentence.starts_with("all_motors.derivative_corner") {
            copy.spoil(
                case.file,
                "derivative_corner_rad_s: 100.0",
                "derivative_corner_rad_s: 2000",
            );
        }
        assert_told(copy.joint().map(drop), &copy.path(case.file), case.sentence);
    }
}

#[test]
fn gains_for_every_motor_are_needed() {
    let copy = Copy::new();
    copy.spoil(GAINS, "all_motors:\n", "motors:\n neck_motor_1:\n");
    let sentence = copy.joint().unwrap_err().to_string();
    assert_eq!(
        sentence,
        format!(
            "{}:18:2: motors.neck_motor_2 is missing; accepted: gains for each of the motors neck_motor_1, \
             neck_motor_2, neck_motor_3, neck_motor_4, here or under all_motors",
            copy.path(GAINS).display()
        )
    );
}

#[test]
fn files_that_are_no_yaml_or_not_there_are_told() {
    let copy = Copy::new();
    let told = |copy: &Copy| {
        let sentence = copy.joint().unwrap_err().to_string();
        assert_one_line(&sentence);
        sentence
    };
    fs::remove_file(copy.path("gains/pid.yaml")).unwrap();
    let path = copy.path("gains/pid.yaml");
    assert!(told(&copy).starts_with(&format!("{}: cannot be read: ", path.display())));
    let path = copy.path(JOINT);
    for (bad, reason) in [
        ("a: [1, 2", ":2:1: is not valid YAML: "),
        (
            "a: 1\nb: 2\na: 3",
            ":3:1: is not valid YAML: duplicate key \"a\", first on line 1",
        ),
        (
            "just words",
            ":1:1: the file is \"just words\"; accepted: a table with the keys name, ",
        ),
        (
            "",
            ":1:1: the file is empty; accepted: a table with the keys name, ",
        ),
        (
            "a: 1\nb: \u{0}",
            ":2:4: is not valid YAML: the control character '\\0' is not allowed",
        ),
        (
            "a: 1\n---\nb: 2",
            ":2:1: is not valid YAML: a second document starts here; a file has one",
        ),
        ("a: &x [*x]", ":1:8: is not valid YAML: "),
        (
            "a: !!int x",
            ":1:4: is not valid YAML: \"x\" is tagged as !!int",
        ),
    ] {
        fs::write(&path, bad).unwrap();
        let sentence = told(&copy);
        assert!(
            sentence.starts_with(&format!("{}{reason}", path.display())),
            "{sentence}"
        );
    }
    fs::write(&path, b"a: \xc3\xa4\nb: \xc3\xa4\xff").unwrap();
    assert!(told(&copy).ends_with(":2:5: is not valid YAML: it is not UTF-8 text"));
    fs::write(&path, vec![b'#'; 2 << 20]).unwrap();
    assert!(told(&copy).contains("it has more than 1048576 bytes; accepted: at most 1048576"));
    fs::remove_file(&path).unwrap();
    fs::create_dir(&path).unwrap();
    assert!(told(&copy).contains("it is not a file"));
}

#[test]
fn simulated_joints_that_cannot_be_are_told() {
    for (from, to, sentence) in [
        (
            "  mass_g: 90",
            "  mass_g: .nan",
            "head.mass_g is .nan; accepted: a number above 0 and at most 100000 g",
        ),
        (
            "  inertia_g_cm2: [500, 500, 900]",
            "  inertia_g_cm2: [600, 600]",
            "head.inertia_g_cm2 is [600, 600]; accepted: 3 numbers in brackets, each a number from \
             0 to 1000000000 g cm^2",
        ),
        (
            "guide_radii_mm: [33, 33]",
            "guide_radii_mm: [33, -1]",
            "all_tendons.guide_radii_mm[1] is -1; accepted: a number from 0.5 to 1000 mm",
        ),
        (
            "  encoder_counts: 4096",
            "  encoder_counts: 0",
            "motor.encoder_counts is 0; accepted: a whole number from 1 to 16777216",
        ),
        (
            "  imu_latency_ms: 4",
            "  imu_age_s: 4",
            "sensors.imu_age_s (given as 4) is not a known key; accepted here: ...",
        ),
        (
            "  imu_latency_ms: 4",
            "",
            "sensors.imu_latency_ms is missing; accepted: a number from 0 to 10000 ms",
        ),
        (
            "base_angle_deg: 290",
            "base_angle_deg: 60",
            "tendons is a ring in which tendons[...",
        ),
        (
            "motor: neck_motor_2",
            "motor: neck_motor_1",
            "tendons[1].motor is \"neck_motor_1\"; accepted: a name that no other motor has \
             (tendons[0].motor has it)",
        ),
    ] {
        let copy = Copy::new();
        copy.spoil(SIMULATED, from, to);
        let path = copy.path(SIMULATED);
        assert_told(SimulatedFile::load(&path).map(drop), &path, sentence);
    }
}

#[test]
fn check_prints_a_summary_or_the_sentence_and_code_2() {
    let copy = Copy::new();
    let check = || {
        Command::new(env!("CARGO_BIN_EXE_withy"))
            .args(["check".as_ref(), copy.path(JOINT).as_os_str()])
            .output()
            .unwrap()
    };
    let good = check();
    let said = String::from_utf8(good.stdout).unwrap();
    assert_eq!(good.status.code(), Some(0), "{said}");
    for word in [
        "neck_motor_4",
        "any-payload",
        "pure feedback",
        "tick at 200 Hz by timer",
    ] {
        assert!(said.contains(word), "{word} is not in:\n{said}");
    }
    copy.spoil(JOINT, "  length_mm: 120", "  length_mm: -120");
    let bad = check();
    assert_eq!(bad.status.code(), Some(2));
    assert_eq!(
        String::from_utf8(bad.stderr).unwrap(),
        format!(
            "withy: {}:24:14: beam.length_mm is -120; accepted: a number from 2 to 10000 mm\n",
            copy.path(JOINT).display()
        )
    );
}

#[test]
fn every_file_in_config_is_good() {
    for entry in fs::read_dir(config()).unwrap() {
        let path = entry.unwrap().path();
        let Some(name) = path.file_name().and_then(|n| n.to_str()) else {
            continue;
        };
        if name.ends_with("simulated.yaml") {
            SimulatedFile::load(&path).unwrap();
        } else if name.ends_with(".yaml") {
            JointFile::load(&path).unwrap();
        }
    }
}

#[test]
fn the_glasshouse_neck_is_read_as_meant() {
    let file = JointFile::load(config().join(JOINT)).unwrap();
    assert_eq!(
        (file.name.as_str(), file.namespace.as_str()),
        ("withy", "/")
    );
    assert_eq!(file.tick, TickSource::Timer);
    assert_eq!(file.feedback, Feedback::Imu);
    assert_eq!(file.kind, CommandInterface::Position);
    assert_eq!(file.joint.period, 0.005);
    assert_eq!(file.joint.gravity_base, -nalgebra::Vector3::z());
    assert_eq!(file.motor_names[3], "neck_motor_4");
    assert_eq!(file.gain_sets[file.initial].name, "any-payload");
    assert_eq!(file.limits.inclination, 40_f64.to_radians());
    assert_eq!(file.limits.motors[0].low, -360_f64.to_radians());
    // 7.75 mm and half of 0.5 mm make the 8 mm of the simulated joint.
    let routing = file.joint.kinematics.routing();
    assert!((routing.motors[0].effective_radius() - 0.008).abs() < 1e-15);

    let drawn = JointDescription::glasshouse();
    assert_eq!(routing.length, drawn.length);
    for (ours, theirs) in routing.tendons.iter().zip(&drawn.tendons) {
        assert_eq!(ours.base_angle, theirs.base_angle);
        assert!((ours.base_radius - theirs.base_radius).abs() < 1e-15);
        assert_eq!(ours.stiffness, theirs.stiffness);
        assert_eq!(routing.discs, theirs.guide_radii.len());
    }
}

#[test]
fn the_simulated_neck_is_the_one_drawn() {
    let file = SimulatedFile::load(config().join(SIMULATED)).unwrap();
    let drawn = JointDescription::glasshouse();
    let ours = &file.description;
    for (what, a, b) in [
        ("length", ours.length, drawn.length),
        ("rigidity", ours.flexural_rigidity, drawn.flexural_rigidity),
        ("beam mass", ours.beam_mass, drawn.beam_mass),
        ("retardation", ours.retardation, drawn.retardation),
        ("air drag", ours.air_drag, drawn.air_drag),
        ("head mass", ours.head_mass, drawn.head_mass),
        ("head height", ours.head_height, drawn.head_height),
        ("head inertia", ours.head_inertia[2], drawn.head_inertia[2]),
        ("gravity", ours.gravity, drawn.gravity),
        ("pretension", ours.pretension, drawn.pretension),
        (
            "drum",
            ours.tendons[1].drum_radius,
            drawn.tendons[1].drum_radius,
        ),
        (
            "guide",
            ours.tendons[1].guide_radii[1],
            drawn.tendons[1].guide_radii[1],
        ),
        (
            "stiffness",
            ours.tendons[1].stiffness,
            drawn.tendons[1].stiffness,
        ),
        ("imu age", file.options.sensors.imu_age, 0.004),
        (
            "noise",
            file.options.sensors.orientation_noise.to_degrees(),
            0.06,
        ),
        (
            "yaw drift",
            file.options.sensors.yaw_drift.to_degrees(),
            1.0 / 60.0,
        ),
    ] {
        assert!((a - b).abs() <= 1e-12 * b.abs(), "{what}: {a}, drawn {b}");
    }
    assert_eq!(ours.motor, drawn.motor);
    assert_eq!(
        file.motor_names,
        JointFile::load(config().join(JOINT)).unwrap().motor_names
    );
}

#[test]
fn velocity_and_imu_variants_differ_where_they_should() {
    let load = |name: &str| JointFile::load(config().join(name)).unwrap();
    let velocity = load("glasshouse-neck-velocity.yaml");
    assert_eq!(velocity.kind, CommandInterface::Velocity);
    let by_imu = load("glasshouse-neck-imu-tick.yaml");
    assert_eq!(by_imu.tick, TickSource::Imu);
    assert_eq!(by_imu.joint.period, by_imu.imu_period);
    let plain = load(JOINT);
    for other in [&velocity, &by_imu] {
        assert_eq!(
            other.joint.kinematics.routing(),
            plain.joint.kinematics.routing()
        );
        assert_eq!(other.limits, plain.limits);
    }
}

#[test]
fn a_joint_is_set_going_by_itself_only_where_its_file_says_so() {
    let text = fs::read_to_string(config().join(JOINT)).unwrap();
    let read = |text: &str| JointFile::from_text(config().join(JOINT), text).unwrap();
    assert!(!read(&text).autostart);
    for (word, autostart) in [("true", true), ("false", false)] {
        let spelt = text.replace("# autostart: true", &format!("autostart: {word}"));
        assert_ne!(spelt, text);
        assert_eq!(read(&spelt).autostart, autostart);
    }
}

//! The usual slips: another kind of file, another unit, a limit that the motors cannot reach. Each
//! is refused in one sentence that says what it is.

use std::fs;
use std::path::Path;

use crate::files_support::{
    Copy, GAINS, JOINT, SIMULATED, assert_one_line, assert_told, config, text,
};
use withy::files::{
    ConfigError, JointFile, Kind, Mapping, ModelsFile, NamedGainSet, SimulatedFile, StepTestRecord,
};

const MODELS: &str = "models/glasshouse-neck.yaml";
const RECORD: &str = "# payload_mass_g: 90\n# payload_height_mm: 35\n\
                      time_s,commanded_x_rad,commanded_y_rad,bend_x_rad,bend_y_rad\n0,0,0,0,0\n";

/// Reads `text` as a file of each kind, under the name `f`.
fn read_as(kind: Kind, text: &str) -> Result<(), ConfigError> {
    let file = Path::new("f");
    let names = [1, 2, 3, 4].map(|i| format!("neck_motor_{i}"));
    match kind {
        Kind::Joint => JointFile::from_text(config().join("f"), text).map(drop),
        Kind::GainSet => NamedGainSet::from_text(file, text, &names).map(drop),
        Kind::Models => ModelsFile::from_text(file, text).map(drop),
        Kind::SimulatedJoint => SimulatedFile::from_text(file, text).map(drop),
        Kind::Record => {
            StepTestRecord::from_bytes(file, text.as_bytes(), &Mapping::default()).map(drop)
        }
    }
}

#[test]
fn another_kind_of_file_is_recognised() {
    let kinds = [
        (Kind::Joint, "a joint file", text(JOINT)),
        (
            Kind::Joint,
            "a joint file",
            text("glasshouse-neck-pan.yaml"),
        ),
        (Kind::GainSet, "a gain set", text(GAINS)),
        (Kind::GainSet, "a gain set", text("gains/open-loop.yaml")),
        (Kind::Models, "a models file", text(MODELS)),
        (
            Kind::SimulatedJoint,
            "a simulated-joint file",
            text(SIMULATED),
        ),
        (Kind::Record, "a record of a step test", RECORD.into()),
    ];
    for (found, found_name, text) in &kinds {
        // Where the content starts, behind the comments; a record starts with its own.
        let start = match found {
            Kind::Record => 1,
            _ => {
                1 + text
                    .lines()
                    .position(|l| !l.starts_with('#') && !l.is_empty())
                    .unwrap()
            }
        };
        for (wanted, wanted_name, _) in &kinds {
            let result = read_as(*wanted, text);
            if wanted == found {
                result.unwrap();
                continue;
            }
            let sentence = result.unwrap_err().to_string();
            let expected = format!("f:{start}:1: this is {found_name}; {wanted_name} is wanted");
            assert!(sentence.ends_with(&expected), "{sentence}\nnot {expected}");
        }
    }
}

#[test]
fn a_misspelt_or_missing_key_does_not_make_it_another_kind() {
    for (kind, name, without) in [
        (Kind::Joint, JOINT, "limits"),
        (Kind::GainSet, GAINS, "structure"),
        (Kind::SimulatedJoint, SIMULATED, "sensors"),
        (Kind::Models, MODELS, "models"),
    ] {
        let spoilt = text(name).replace(&format!("\n{without}:"), &format!("\n{without}x:"));
        assert_ne!(spoilt, text(name));
        let error = read_as(kind, &spoilt).unwrap_err();
        assert!(matches!(error, ConfigError::Unknown { .. }), "{error}");
    }
    for text in [
        "",
        "name: a",
        "note: 1\nname: a",
        "a: {models: []}",
        "models: x",
        "time_s: 1",
    ] {
        for kind in [Kind::Joint, Kind::GainSet, Kind::SimulatedJoint] {
            let error = read_as(kind, text).unwrap_err();
            assert_one_line(&error.to_string());
            let other = matches!(error, ConfigError::Kind { .. });
            // Only models files have `models` alone.
            assert_eq!(other, text == "models: x", "{error}");
        }
    }
}

#[test]
fn a_value_in_another_unit_is_asked_about() {
    for (file, from, to, sentence) in [
        (
            JOINT,
            "  drum_radius_mm: 7.75",
            "  drum_radius_mm: 0.00775",
            "all_tendons.drum_radius_mm is 0.00775; accepted: a number from 0.5 to 1000 mm; is it \
             in metres?",
        ),
        (
            JOINT,
            "  base_radius_mm: 33",
            "  base_radius_mm: 0.033",
            "all_tendons.base_radius_mm is 0.033; accepted: a number from 0.5 to 1000 mm; is it in \
             metres?",
        ),
        (
            JOINT,
            "  length_mm: 120",
            "  length_mm: 0.12",
            "beam.length_mm is 0.12; accepted: a number from 2 to 10000 mm; is it in metres?",
        ),
        (
            SIMULATED,
            "guide_radii_mm: [33, 33]",
            "guide_radii_mm: [33, 0.033]",
            "all_tendons.guide_radii_mm[1] is 0.033; accepted: a number from 0.5 to 1000 mm; is it \
             in metres?",
        ),
        (
            JOINT,
            "  feedback_rad: 0.15",
            "  feedback_rad: 8.6",
            "limits.feedback_rad is 8.6; accepted: a number from 0 to 3.2 rad; is it in degrees?",
        ),
        (
            JOINT,
            "  following_error_limit_rad: 0.1",
            "  following_error_limit_rad: 40",
            "motors.following_error_limit_rad is 40; accepted: a number above 0 and at most 10 rad; \
             is it in degrees?",
        ),
        (
            JOINT,
            "  stale_imu_s: 0.1",
            "  stale_imu_s: 100",
            "limits.stale_imu_s is 100; accepted: a number above 0 and at most 10 s; is it in \
             milliseconds?",
        ),
        (
            GAINS,
            "damping_s: 0.032",
            "damping_s: 32",
            "damping_s is 32; accepted: a number from 0 to 1 s; is it in milliseconds?",
        ),
        (
            GAINS,
            "smoothing_s: [0.397, 0.058]",
            "smoothing_s: [397, 58]",
            "smoothing_s[0] is 397; accepted: a number from 0 to 2 s; is it in milliseconds?",
        ),
        // What no other unit explains is refused without a question.
        (
            JOINT,
            "  drum_radius_mm: 7.75",
            "  drum_radius_mm: -0.00775",
            "all_tendons.drum_radius_mm is -0.00775; accepted: a number from 0.5 to 1000 mm",
        ),
        (
            JOINT,
            "  drum_radius_mm: 7.75",
            "  drum_radius_mm: 1e-7",
            "all_tendons.drum_radius_mm is 1e-7; accepted: a number from 0.5 to 1000 mm",
        ),
        (
            JOINT,
            "  drum_radius_mm: 7.75",
            "  drum_radius_mm: .nan",
            "all_tendons.drum_radius_mm is .nan; accepted: a number from 0.5 to 1000 mm",
        ),
        (
            GAINS,
            "damping_s: 0.032",
            "damping_s: 1.5",
            "damping_s is 1.5; accepted: a number from 0 to 1 s",
        ),
        (
            GAINS,
            "damping_s: 0.032",
            "damping_s: 1e6",
            "damping_s is 1000000.0; accepted: a number from 0 to 1 s",
        ),
    ] {
        let copy = Copy::new();
        copy.spoil(file, from, to);
        let path = copy.path(file);
        let result = match file {
            SIMULATED => SimulatedFile::load(&path).map(drop),
            _ => copy.joint().map(drop),
        };
        assert_told(result, &path, sentence);
    }
}

/// A tendon at radius r, straight above its motor's drum of radius R, leaves its travel q where the
/// joint leans by q R/r: the length of a tendon over a bent beam differs from that of the beam by r
/// times the bend, and guide discs make this exact to the fourth digit here.
#[test]
fn an_inclination_beyond_the_motors_travel_is_refused_with_both() {
    let (travel_deg, drum, anchor) = (90.0, 8.0, 33.0);
    let expected = travel_deg * drum / anchor;
    let copy = Copy::new();
    copy.spoil(JOINT, "travel_deg: [-360, 360]", "travel_deg: [-360, 90]");
    let error = copy.joint().unwrap_err();
    assert_told(
        Err(error.clone()),
        &copy.path(JOINT),
        "limits.inclination_deg is 40; accepted: at most ...",
    );
    let told = error.to_string();
    let reach = told
        .split("at most ")
        .nth(1)
        .unwrap()
        .split(' ')
        .next()
        .unwrap();
    let reach: f64 = reach.parse().unwrap();
    assert!(
        told.ends_with(" deg, which the motors' travel allows all around"),
        "{told}"
    );
    assert!(
        (reach - expected).abs() <= 0.6,
        "{reach} deg, by hand {expected} deg"
    );
    // What the sentence accepts is accepted.
    copy.spoil(
        JOINT,
        "inclination_deg: 40",
        &format!("inclination_deg: {reach}"),
    );
    copy.joint().unwrap();
    let text = fs::read_to_string(copy.path(JOINT)).unwrap();
    let above = text.replace(
        &format!("inclination_deg: {reach}"),
        &format!("inclination_deg: {}", reach + 0.6),
    );
    assert!(JointFile::from_text(copy.path(JOINT), &above).is_err());
}

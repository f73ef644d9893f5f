//! Records of step tests and models as files, and the command that turns one into the other.

use crate::fit_support::{cases, drawn, test_of};
use crate::seeded::seeded;
use proptest::prelude::*;
use std::f64::consts::PI;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use withy::design::fit::{Payload, fit};
use withy::design::model::Plant;
use withy::files::{Mapping, ModelsFile, MotorColumn, StepTestRecord};

fn read(text: &str) -> Result<StepTestRecord, String> {
    read_by(text, &Mapping::default())
}

fn read_by(text: &str, mapping: &Mapping) -> Result<StepTestRecord, String> {
    StepTestRecord::from_bytes(Path::new("r.csv"), text.as_bytes(), mapping)
        .map_err(|e| e.to_string())
}

fn sample() -> StepTestRecord {
    let mut test = test_of(&drawn(&cases()[1], 5), 0.3);
    test.direction = Some(0.3);
    test.limit = Some(0.7);
    let n = test.times.len();
    StepTestRecord {
        payload: Some(Payload {
            mass: 0.09,
            height: 0.035,
        }),
        texts: vec![("note".into(), "a, \"b\": c".into())],
        motors: vec![MotorColumn {
            name: "neck_motor_1".into(),
            setpoints: (0..n).map(|i| i as f64 / 3.0).collect(),
            angles: vec![0.1; n],
        }],
        test,
        velocities: true,
    }
}

#[test]
fn a_record_is_read_as_it_was_written() {
    let written = sample();
    let again = read(&written.to_csv()).unwrap();
    assert!((again.test.direction.unwrap() - 0.3).abs() < 1e-15);
    assert!((again.test.limit.unwrap() - 0.7).abs() < 1e-15);
    assert!((again.payload.unwrap().mass - 0.09).abs() < 1e-15);
    assert_eq!(again.test.times, written.test.times);
    assert_eq!(again.test.asked, written.test.asked);
    assert_eq!(again.test.measured, written.test.measured);
    assert_eq!(again.test.stamps, written.test.stamps);
    assert_eq!(again.motors, written.motors);
    assert_eq!(again.texts, written.texts);
    assert!(again.velocities);
    let mut unknown = written.clone();
    unknown.motors[0].angles[3] = f64::NAN;
    let again = read(&unknown.to_csv()).unwrap();
    assert!(again.motors[0].angles[3].is_nan());
    // A file is never overwritten.
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("r.csv");
    written.save(&file).unwrap();
    let error = written.save(&file).unwrap_err().to_string();
    assert!(error.contains("r.csv: cannot be written: "), "{error}");
    assert_eq!(std::fs::read_to_string(&file).unwrap(), written.to_csv());
}

#[test]
fn what_is_wrong_with_a_record_is_told_with_its_place() {
    let heading = "time_s,commanded_x_rad,commanded_y_rad,bend_x_rad,bend_y_rad\n";
    for (text, expected) in [
        (
            "time_s,commanded_x_rad\n".to_string(),
            "r.csv:1:1: the column \"commanded_y_rad\" is missing; accepted: a heading with it; this \
             one has \"time_s, commanded_x_rad\"",
        ),
        (
            String::new(),
            "r.csv:1:1: the column \"time_s\" is missing; accepted: a heading with it; this one has \"\"",
        ),
        (
            format!("# a comment\n{heading}0,0,0,0,0\n0.1,0,x,0,0\n"),
            "r.csv:4:7: column \"commanded_y_rad\" is \"x\"; accepted: a finite number with . \
             as decimal point",
        ),
        (
            format!("{heading}0,0,NaN,0,0\n"),
            "r.csv:2:5: column \"commanded_y_rad\" is \"NaN\"; accepted: a finite number with \
             . as decimal point",
        ),
        (
            format!("{heading}0,0,0,0\n"),
            "r.csv:2:8: column \"bend_y_rad\" is missing; accepted: a finite number with . as \
             decimal point",
        ),
        (
            format!("time_s,{heading}"),
            "r.csv:1:8: the heading is a line with \"time_s\" twice; accepted: every column once",
        ),
        (
            format!("# payload_mass_g: 90\n{heading}"),
            "r.csv:1:19: payload_height_mm is missing; accepted: payload_mass_g and payload_height_mm, \
             or neither",
        ),
        (
            format!("# hello\n# payload_mass_g: much\n{heading}"),
            "r.csv:2:19: payload_mass_g is \"much\"; accepted: a number from 0 to 100000 g",
        ),
    ] {
        assert_eq!(read(&text).unwrap_err(), expected);
    }
    // Quotes, blanks, empty lines and characters of several bytes before the field.
    let text = format!(
        "# \u{e4}\n\n{}\n\n# again\n\"\u{e4}, \"\"\u{e4}\"\"\", 0,0,  x,0,0\n",
        heading.trim_end().replace("time_s", "other,time_s")
    );
    let told = read(&text).unwrap_err();
    assert!(
        told.starts_with("r.csv:6:19: column \"commanded_y_rad\" is \"x\";"),
        "{told}"
    );
    let bytes = format!("{heading}0,0,0,0,0\n0,\u{e4}").into_bytes();
    let bytes = [&bytes[..], b"\xff,1\n"].concat();
    let error = StepTestRecord::from_bytes(Path::new("r.csv"), &bytes, &Mapping::default());
    assert_eq!(
        error.unwrap_err().to_string(),
        "r.csv:3:3: is not valid CSV: it is not UTF-8 text"
    );
}

/// Milliseconds, degrees, one axis, semicolons, a byte-order mark, other columns, line ends of
/// another system.
fn foreign() -> String {
    let record = drawn(&cases()[0], 9);
    let mut text = String::from("\u{feff}\"t [ms]\";target;other;tilt\r\n");
    for i in 0..record.times.len() {
        let (u, y) = (record.input[i].to_degrees(), record.along[i].to_degrees());
        text += &format!("{};{u};words;{y}\r\n", record.times[i] * 1e3);
    }
    text
}

#[test]
fn a_record_from_elsewhere_is_read_by_its_columns() {
    let mapping = Mapping {
        time: "t [ms]".into(),
        seconds: 1e-3,
        asked: vec!["target".into()],
        measured: vec!["tilt".into()],
        radians: 1_f64.to_radians(),
        delimiter: b';',
        ..Mapping::default()
    };
    let (record, direction) = read_by(&foreign(), &mapping)
        .unwrap()
        .test
        .record()
        .unwrap();
    assert_eq!(direction, 0.0);
    let own = fit(&drawn(&cases()[0], 9), None).unwrap().fit.plant;
    let found = fit(&record, None).unwrap().fit.plant;
    assert!(
        (found.gain / own.gain - 1.0).abs() < 1e-6,
        "{found:?} {own:?}"
    );
    assert!(
        (found.dead_time / own.dead_time - 1.0).abs() < 1e-4,
        "{found:?} {own:?}"
    );
}

proptest! {
    #![proptest_config(seeded(20, 512))]

    #[test]
    fn spoilt_records_are_read_or_told_in_one_line(
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0..4_u8), 1..6),
    ) {
        let mut bytes: Vec<u8> = sample().to_csv().into_bytes();
        bytes.truncate(3000);
        for (place, byte, how) in changes {
            let at = place.index(bytes.len());
            match how {
                0 => bytes[at] = byte,
                1 => bytes.insert(at, byte),
                2 => bytes.insert(at, b",\n\"#:"[usize::from(byte) % 5]),
                _ => { bytes.remove(at); }
            }
        }
        let read = StepTestRecord::from_bytes(Path::new("r.csv"), &bytes, &Mapping::default());
        match read {
            Err(error) => assert_eq!(error.to_string().lines().count(), 1, "{error}"),
            Ok(read) => if let Ok((record, _)) = read.test.record()
                && let Err(error) = fit(&record, Some(withy::design::fit::Order::First)) {
                    assert_eq!(error.to_string().lines().count(), 1, "{error}");
                },
        }
    }

    #[test]
    fn garbage_is_told_in_one_line(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let read = StepTestRecord::from_bytes(Path::new("r.csv"), &bytes, &Mapping::default());
        if let Err(error) = read {
            assert_eq!(error.to_string().lines().count(), 1, "{error}");
        }
    }
}

const MODELS: &str = "models:
- name: lens
  payload_mass_g: 90
  payload_height_mm: 35
  direction_deg: 17
  model: {gain: 0.95, natural_frequency_rad_s: 39, damping_ratio: 0.44, dead_time_s: 0.014}
  standard_errors: {gain: 0.001}
- name: unknown
  direction_deg: -60
  model: {gain_per_s: 0.9, time_constant_s: 0, dead_time_s: 0}
- name: first
  direction_deg: 0
  model: {gain: 1, time_constant_s: 0.055, dead_time_s: 0.02}
";

#[test]
fn models_are_read_written_and_kept() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("models.yaml");
    let read = ModelsFile::from_text(&file, MODELS).unwrap();
    assert_eq!(
        read.models[0].plant,
        Plant::second_order(0.95, 39.0, 0.44, 0.014)
    );
    assert_eq!(read.models[1].plant, Plant::integrating(0.9, 0.0, 0.0));
    assert_eq!(read.models[2].plant, Plant::first_order(1.0, 0.055, 0.02));
    assert_eq!(
        read.models[0].standard_errors,
        [("gain".to_string(), 0.001)]
    );
    assert_eq!(read.models[1].payload, None);
    assert_eq!(read.save().unwrap(), None);
    assert_eq!(ModelsFile::load(&file).unwrap(), read);
    assert_eq!(
        read.save().unwrap(),
        Some(folder.path().join("models.yaml.1.bak"))
    );
    let mut wrong = read;
    wrong.models[0].plant.gain = f64::NAN;
    assert!(wrong.save().is_err());
}

#[test]
fn what_is_wrong_with_a_models_file_is_told() {
    for (from, to, expected) in [
        (
            "models:",
            "model:",
            "m.yaml:1:1: model (given as [a table of 6 keys, a table of 3 keys, a table of 3 keys]) is \
             not a known key; accepted here: models",
        ),
        (
            "gain: 0.95",
            "gain: -1",
            "m.yaml:6:17: models[0].model.gain is -1; accepted: a number from 0.001 to 1000",
        ),
        (
            "  payload_height_mm: 35\n",
            "",
            "m.yaml:2:3: models[0].payload_height_mm is missing; accepted: a number from -10000 to 10000 mm",
        ),
        (
            "{gain: 1,",
            "{gain: 1, gain_per_s: 1,",
            "m.yaml:13:17: models[2].model.gain is 1; accepted: one form of model: gain with \
             time_constant_s, gain with natural_frequency_rad_s and damping_ratio, or gain_per_s \
             with time_constant_s",
        ),
        (
            "direction_deg: -60",
            "direction_deg: .nan",
            "m.yaml:9:18: models[1].direction_deg is .nan; accepted: a number from -360 to 360 deg",
        ),
        (
            "name: first",
            "name: ''",
            "m.yaml:11:9: models[2].name is \"\"; accepted: a text of 1 to 200 characters",
        ),
        (
            ", dead_time_s: 0.02",
            "",
            "m.yaml:13:10: models[2].model.dead_time_s is missing; accepted: a number from 0 to 10 s",
        ),
    ] {
        let text = MODELS.replacen(from, to, 1);
        assert_ne!(text, MODELS);
        let error = ModelsFile::from_text(Path::new("m.yaml"), &text).unwrap_err();
        assert_eq!(error.to_string(), expected);
    }
    let none = ModelsFile::from_text(Path::new("m.yaml"), "models: []").unwrap_err();
    assert_eq!(
        none.to_string(),
        "m.yaml:1:9: models is a list of 0; accepted: a list of 1 to 1000 models"
    );
}

fn withy_fit(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_withy"))
        .arg("fit")
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap()
}

fn said(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap()
}

#[test]
fn the_command_fits_shows_and_saves() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| -> PathBuf { folder.path().join(name) };
    sample().save(&at("lens.csv")).unwrap();
    let mut still = sample();
    still
        .test
        .asked
        .fill(withy::control::geometry::Bend::zeros());
    still.save(&at("still.csv")).unwrap();

    let good = withy_fit(folder.path(), &["lens.csv", "--save", "models.yaml"]);
    assert_eq!(good.status.code(), Some(0), "{}", said(&good.stderr));
    let table = said(&good.stdout);
    for word in ["lens", "90 g at 35 mm", "second order", "17.2", "white"] {
        assert!(table.contains(word), "{word} in\n{table}");
    }
    assert_eq!(said(&good.stderr), "models written to models.yaml\n");
    let models = ModelsFile::load(at("models.yaml")).unwrap();

    let json = withy_fit(folder.path(), &["lens.csv", "--json"]);
    let figures: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    let fit = &figures["records"][0]["fit"];
    assert_eq!(
        fit["parameters"]["gain"]["value"].as_f64(),
        Some(models.models[0].plant.gain)
    );
    assert_eq!(fit["form"], "second order");
    assert_eq!(figures["payloads"][0]["payload"]["mass_g"], 90.0);

    // The good ones are shown, the bad one is reported.
    let bad = withy_fit(folder.path(), &["still.csv", "lens.csv"]);
    assert_eq!(bad.status.code(), Some(1));
    assert!(said(&bad.stdout).contains("90 g at 35 mm"));
    let sentence = said(&bad.stderr);
    assert!(
        sentence.starts_with(
            "withy: still.csv: no step: the input moves by 0.00000 rad; accepted: at least "
        ),
        "{sentence}"
    );
    assert_eq!(sentence.lines().count(), 1);

    // Nothing is fitted to a test that was aborted.
    let mut aborted = sample();
    aborted.abort("over-bend");
    aborted.save(&at("aborted.csv")).unwrap();
    let json = withy_fit(folder.path(), &["aborted.csv", "lens.csv", "--json"]);
    assert_eq!(json.status.code(), Some(1));
    let figures: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    let reason = "the test was aborted: over-bend; accepted: a test that ran to its end";
    assert_eq!(figures["bad_records"][0]["reason"], reason);
    assert_eq!(figures["records"].as_array().unwrap().len(), 1);
    assert_eq!(
        said(&json.stderr),
        format!("withy: aborted.csv: {reason}\n")
    );
    let silent = sample()
        .to_csv()
        .replacen("# note", "# aborted:\n# note", 1);
    std::fs::write(at("silent.csv"), silent).unwrap();
    let told = withy_fit(folder.path(), &["silent.csv"]);
    assert!(said(&told.stderr).contains("the test was aborted: no reason is given; "));
    assert!(told.stdout.is_empty());

    std::fs::write(at("foreign.csv"), foreign()).unwrap();
    let mapped = withy_fit(
        folder.path(),
        &[
            "foreign.csv",
            "--time",
            "t [ms]",
            "--time-unit",
            "ms",
            "--commanded",
            "target",
            "--measured",
            "tilt",
            "--angle-unit",
            "deg",
            "--delimiter",
            ";",
            "--payload-g",
            "210",
            "--payload-height-mm",
            "50",
            "--order",
            "first",
        ],
    );
    assert_eq!(mapped.status.code(), Some(0), "{}", said(&mapped.stderr));
    assert!(said(&mapped.stdout).contains("210 g at 50 mm"));
}

/// Where a second-order model leaves residuals that are not white, table, JSON and models file
/// explain it.
#[test]
fn what_standard_errors_hide_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| -> PathBuf { folder.path().join(name) };
    sample().save(&at("lens.csv")).unwrap();
    let mut swinging = sample();
    let test = &mut swinging.test;
    for (bend, time) in test.measured.iter_mut().zip(&test.times) {
        let left = 0.003 * (9.0 * time).sin();
        *bend += withy::control::geometry::bend_from(
            left.abs(),
            if left < 0.0 { 0.3 + PI } else { 0.3 },
        );
    }
    swinging.save(&at("swinging.csv")).unwrap();

    let fitted = |records: &[&str]| {
        let shown = withy_fit(
            folder.path(),
            &[records, &["--order", "second", "--save", "models.yaml"]].concat(),
        );
        assert_eq!(shown.status.code(), Some(0), "{}", said(&shown.stderr));
        let json = withy_fit(
            folder.path(),
            &[records, &["--order", "second", "--json"]].concat(),
        );
        let figures: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
        let models = std::fs::read_to_string(at("models.yaml")).unwrap();
        ModelsFile::load(at("models.yaml")).unwrap();
        let caution = figures["caution"].as_str().map(String::from);
        (said(&shown.stdout).to_string(), caution, models)
    };
    let (table, caution, models) = fitted(&["lens.csv"]);
    assert!(!table.contains("not white, r1"), "{table}");
    assert_eq!(caution, None);
    assert!(models.starts_with("models:"), "{models}");

    let (table, caution, models) = fitted(&["lens.csv", "swinging.csv"]);
    assert!(table.contains("not white, r1"), "{table}");
    let said = "natural frequency and damping may then be off by more";
    assert_eq!(table.matches(said).count(), 1, "{table}");
    let sentence = "swinging: the residuals of a second-order model are not white, so its standard \
                    errors are too small, and natural frequency and damping may be off by more \
                    than these errors";
    assert_eq!(caution.as_deref(), Some(sentence));
    assert!(
        models.starts_with(&format!("# {sentence}\nmodels:")),
        "{models}"
    );
}

#[test]
fn wrong_arguments_and_files_end_with_code_2() {
    let folder = tempfile::tempdir().unwrap();
    sample().save(&folder.path().join("lens.csv")).unwrap();
    for (arguments, expected) in [
        (&["none.csv"][..], "withy: none.csv: cannot be read: "),
        (
            &["lens.csv", "--time", "t"],
            "withy: lens.csv:6:1: the column \"t\" is missing; ",
        ),
        (
            &["lens.csv", "--commanded", "a,b,c"],
            "withy: --commanded is a,b,c; accepted: a column's name, or two with a comma",
        ),
        (
            &["lens.csv", "--commanded", "commanded_x_rad"],
            "withy: --measured is bend_x_rad,bend_y_rad; accepted: 1 of them, as --commanded has",
        ),
        (
            &["lens.csv", "--delimiter", "ab"],
            "withy: --delimiter is ab; accepted: ",
        ),
        (
            &["lens.csv", "--limit-deg", "NaN"],
            "withy: --limit-deg is NaN; accepted: 0.001 to 180",
        ),
        (
            &["lens.csv", "--direction-deg", "-400"],
            "withy: --direction-deg is -400; accepted: -360 to 360",
        ),
        (
            &["lens.csv", "--order", "third"],
            "error: invalid value 'third'",
        ),
        (
            &["lens.csv", "--payload-g", "1"],
            "error: the following required arguments",
        ),
    ] {
        let wrong = withy_fit(folder.path(), arguments);
        assert_eq!(wrong.status.code(), Some(2), "{arguments:?}");
        let sentence = said(&wrong.stderr);
        assert!(sentence.starts_with(expected), "{sentence}");
        assert!(wrong.stdout.is_empty());
    }
}

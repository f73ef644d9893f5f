//! `withy tune` from a user's view: tables, figures, files, exit codes and messages.

use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;
use withy::design::model::{Delays, Loop, Plant};
use withy::files::NamedGainSet;

const JOINT: &str = "config/glasshouse-neck.yaml";

const MODELS: &str = "\
models:
  - name: bare
    payload_mass_g: 0
    payload_height_mm: 35
    direction_deg: 0
    model: {gain: 0.944, natural_frequency_rad_s: 44, damping_ratio: 0.46, dead_time_s: 0.013}
  - name: camera
    payload_mass_g: 210
    payload_height_mm: 50
    direction_deg: 0
    model: {gain: 0.97, natural_frequency_rad_s: 27, damping_ratio: 0.26, dead_time_s: 0.011}
  - name: lamp
    payload_mass_g: 380
    payload_height_mm: 60
    direction_deg: 0
    model: {gain: 1.0, natural_frequency_rad_s: 16.8, damping_ratio: 0.14, dead_time_s: 0.009}
";

fn tune(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_withy"))
        .arg("tune")
        .args(arguments)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap()
}

fn said(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap()
}

/// A folder with a models file in it, and the file's path.
fn folder() -> (tempfile::TempDir, String) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("models.yaml");
    std::fs::write(&file, MODELS).unwrap();
    let file = file.to_str().unwrap().to_string();
    (folder, file)
}

fn figures(output: &Output) -> Value {
    assert_eq!(output.status.code(), Some(0), "{}", said(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// The joint's models from `--gain` on, delays of the glasshouse neck with a latency of 4 ms.
const NUMBERS: [&str; 3] = ["--gain=0.95", "--time-constant-ms=45", "--dead-time-ms=20"];

fn joined<'a>(first: &[&'a str], more: &[&'a str]) -> Vec<&'a str> {
    [first, more].concat()
}

#[test]
fn a_design_is_shown_beside_the_integer_pi_and_its_figures_are_those_of_its_loop() {
    let arguments = joined(
        &NUMBERS,
        &[
            "--joint",
            JOINT,
            "--sensor-latency-ms=4",
            "--phase-margin-deg=75",
            "--crossover-rad-s=5",
        ],
    );
    let table = tune(&arguments);
    assert_eq!(table.status.code(), Some(0), "{}", said(&table.stderr));
    let text = said(&table.stdout);
    for words in [
        "fractional",
        "integer PI",
        "rad/s",
        "deg",
        "over loop gains 0.5 to 2",
    ] {
        assert!(
            text.to_lowercase().contains(&words.to_lowercase()),
            "{words}: {text}"
        );
    }
    let made = figures(&tune(&joined(&arguments, &["--json"])));
    let gain = |key: &str| made["fractional"]["gains"][key].as_f64().unwrap();
    let gains = withy::control::controller::MotorGains {
        kp: gain("kp"),
        ki: gain("ki"),
        kd: 0.0,
        integral_order: gain("integral_order"),
        derivative_order: 1.0,
        derivative_corner: 100.0,
    };
    // Half a period, half a sensor period, 4 ms.
    let late = Delays {
        hold: 0.0,
        age: 0.009,
        output: 0.0,
    };
    let open = Loop::new(&Plant::first_order(0.95, 0.045, 0.02), &gains, &late).unwrap();
    let response = open.response(5.0);
    assert!((response.norm() - 1.0).abs() < 1e-9);
    assert!((response.arg().to_degrees() + 180.0 - 75.0).abs() < 1e-6);
    let shown = &made["fractional"]["loop"];
    assert!((shown["phase_margin_deg"].as_f64().unwrap() - 75.0).abs() < 1e-6);
    assert_eq!(shown["unstable_poles"], 0);
    assert_eq!(made["integer"]["gains"]["integral_order"], 1.0);
    assert!(text.contains(&made["comparison"].as_str().unwrap()[1..]));
    // Without a joint file the output notes it, and the delays are those given.
    let alone = tune(&joined(&NUMBERS, &arguments[5..]));
    assert!(
        said(&alone.stdout).contains("no joint file"),
        "{}",
        said(&alone.stderr)
    );
}

#[test]
fn a_fractional_order_that_brings_nothing_is_told_so() {
    // Phase margin 90 deg without dead time is exactly the integer PI.
    let plain = tune(&[
        "--gain=1",
        "--time-constant-ms=55",
        "--phase-margin-deg=88",
        "--crossover-rad-s=5",
    ]);
    let text = said(&plain.stdout);
    assert_eq!(plain.status.code(), Some(0), "{}", said(&plain.stderr));
    assert!(
        text.contains("not needed here") || text.contains("has no benefit here"),
        "{text}"
    );
}

#[test]
fn every_form_is_tuned_and_the_derivative_has_the_sensors_corner() {
    let margin = ["--phase-margin-deg=75", "--crossover-rad-s=20", "--json"];
    let pd = figures(&tune(&joined(
        &[
            "--gain=2",
            "--integrating",
            "--time-constant-ms=40",
            "--form=pd",
            "--joint",
            JOINT,
        ],
        &margin,
    )));
    let gains = &pd["fractional"]["gains"];
    assert_eq!(gains["derivative_corner_rad_s"], 400.0);
    assert!(gains["kd"].as_f64().unwrap() > 0.0 && gains["ki"] == 0.0);
    let pid = figures(&tune(&joined(
        &NUMBERS,
        &[
            "--form=pid",
            "--integral-order=1",
            "--derivative-order=0.8",
            "--corner-rad-s=100",
            "--phase-margin-deg=85",
            "--crossover-rad-s=5",
            "--json",
        ],
    )));
    assert_eq!(pid["fractional"]["gains"]["derivative_order"], 0.8);
}

#[test]
fn what_cannot_be_had_ends_with_code_1_and_the_nearest_that_can() {
    let asked = ["--phase-margin-deg=120", "--crossover-rad-s=60"];
    let none = tune(&joined(&NUMBERS, &asked));
    assert_eq!(none.status.code(), Some(1));
    let sentence = said(&none.stderr);
    assert_eq!(sentence.lines().count(), 1, "{sentence}");
    assert!(sentence.contains("nearest feasible"), "{sentence}");
    let json = tune(&[&NUMBERS[..], &asked, &["--json"]].concat());
    assert_eq!(json.status.code(), Some(1));
    let value: Value = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(value["made"], false);
    let nearest = value["nearest"]["crossover_rad_s"].as_f64().unwrap();
    // The suggested value works.
    let nearest = format!("--crossover-rad-s={nearest}");
    let works = tune(&joined(&NUMBERS, &["--phase-margin-deg=120", &nearest]));
    assert_eq!(works.status.code(), Some(0), "{}", said(&works.stderr));
    let (_folder, file) = folder();
    let family = [
        "--models",
        &file,
        "--family",
        "--joint",
        JOINT,
        "--crossover-rad-s=30",
    ];
    let none = tune(&family);
    assert_eq!(none.status.code(), Some(1));
    let sentence = said(&none.stderr);
    assert!(
        sentence.contains("lamp limits it; nearest feasible: "),
        "{sentence}"
    );
    assert_eq!(sentence.lines().count(), 1, "{sentence}");
}

#[test]
fn bad_input_ends_with_code_2_and_one_sentence() {
    let (_folder, file) = folder();
    let margin = ["--phase-margin-deg=75", "--crossover-rad-s=5"];
    let models = ["--models", &file];
    let family = joined(&models, &["--family", "--joint", JOINT]);
    for (arguments, words) in [
        (margin.to_vec(), "no model is given; accepted: --models"),
        (
            joined(&["--gain=1"], &margin),
            "--gain is alone; accepted: with --time-constant-ms",
        ),
        (
            NUMBERS.to_vec(),
            "--phase-margin-deg and --crossover-rad-s belong together",
        ),
        (
            joined(&NUMBERS, &["--phase-margin-deg=180", "--crossover-rad-s=5"]),
            "the phase margin in deg is 180; accepted: above 0 and below 180 deg",
        ),
        (
            joined(
                &NUMBERS,
                &["--phase-margin-deg=75", "--crossover-rad-s=nan"],
            ),
            "the crossover is NaN; accepted: 0.001 to 100000 rad/s",
        ),
        (
            joined(&["--gain=0", "--time-constant-ms=45"], &margin),
            "the model's gain is 0; accepted: 0.001 to 1000",
        ),
        (joined(&models, &margin), "holds bare, camera, lamp"),
        (
            [&models[..], &["--model=lens"], &margin].concat(),
            "--model is lens; accepted: the name of one model of",
        ),
        (
            [&NUMBERS[..], &margin, &["--sensor-latency-ms=nan"]].concat(),
            "--sensor-latency-ms is NaN; accepted: 0 to 500 ms",
        ),
        (
            [&NUMBERS[..], &margin, &["--form=pid"]].concat(),
            "--integral-order is missing",
        ),
        (
            [
                &NUMBERS[..],
                &margin,
                &["--form=pd", "--corner-rad-s=900", "--joint", JOINT],
            ]
            .concat(),
            "--corner-rad-s is 900; accepted: at most 400 rad/s",
        ),
        (
            joined(&family, &["--sensitivity-peak=1"]),
            "the sensitivity peak is 1; accepted: above 1, at most 10",
        ),
        (
            joined(&family, &["--kp=much"]),
            "--kp is much; accepted: a number",
        ),
        (
            joined(&["--models=none.yaml"], &margin),
            "none.yaml: cannot be read",
        ),
    ] {
        let wrong = tune(&arguments);
        let sentence = said(&wrong.stderr);
        assert_eq!(wrong.status.code(), Some(2), "{arguments:?}: {sentence}");
        assert!(sentence.contains(words), "{arguments:?}: {sentence}");
        assert_eq!(sentence.lines().count(), 1, "{sentence}");
        assert!(wrong.stdout.is_empty());
    }
}

#[test]
fn a_family_is_tuned_saved_and_kept() {
    let (folder, file) = folder();
    let set = folder.path().join("own.yaml");
    let arguments = [
        "--models",
        &file,
        "--family",
        "--joint",
        JOINT,
        "--sensor-latency-ms=4",
        "--save",
        set.to_str().unwrap(),
    ];
    let table = tune(&arguments);
    assert_eq!(table.status.code(), Some(0), "{}", said(&table.stderr));
    let text = said(&table.stdout);
    for words in [
        "bare",
        "380 g at 60 mm",
        "limited by lamp",
        "smoothing",
        "delay allowed",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let motors: Vec<String> = (1..=4).map(|i| format!("neck_motor_{i}")).collect();
    let first = NamedGainSet::load(&set, &motors).unwrap();
    assert_eq!(first.name, "own");
    let range = first.purpose.payload_moment.unwrap();
    assert_eq!(range, [0.0, 0.0228]);
    let specification = first.purpose.specification.unwrap();
    assert_eq!(specification.sensitivity_peak, Some(1.7));
    assert_eq!(first.purpose.models.len(), 3);
    assert!(first.note.contains("limited by lamp"));
    let made = figures(&tune(&joined(&arguments, &["--json"])));
    assert_eq!(made["gains"]["ki"], first.gains.motors[0].ki);
    assert_eq!(made["damping_s"], first.gains.damping);
    assert!(made["sensitivity_peak"].as_f64().unwrap() <= 1.7);
    assert_eq!(made["models"].as_array().unwrap().len(), 3);
    // The older one is kept.
    let kept = folder.path().join("own.yaml.1.bak");
    assert!(kept.exists(), "{}", said(&table.stderr));
    assert_eq!(
        NamedGainSet::load(Path::new(&set), &motors).unwrap().gains,
        first.gains
    );
    let open = figures(&tune(&joined(
        &arguments[..6],
        &["--integral-order=find", "--json"],
    )));
    assert!(open["order"].as_str().unwrap().contains("order 1"));
}

#[test]
fn a_single_design_is_saved_as_pure_feedback() {
    let folder = tempfile::tempdir().unwrap();
    let set = folder.path().join("slow.yaml");
    let arguments = joined(
        &NUMBERS,
        &[
            "--joint",
            JOINT,
            "--phase-margin-deg=75",
            "--crossover-rad-s=3",
            "--save",
            set.to_str().unwrap(),
        ],
    );
    let made = tune(&arguments);
    assert_eq!(made.status.code(), Some(0), "{}", said(&made.stderr));
    let pictures = folder.path().join("report");
    let report = ["--report", pictures.to_str().unwrap()];
    let made = tune(&joined(&arguments[..7], &report));
    assert_eq!(made.status.code(), Some(0), "{}", said(&made.stderr));
    let page = std::fs::read_to_string(pictures.join("tune.html")).unwrap();
    assert!(page.contains("<svg") && page.contains("phase margin of 75 deg"));
    let motors: Vec<String> = (1..=4).map(|i| format!("neck_motor_{i}")).collect();
    let read = NamedGainSet::load(&set, &motors).unwrap();
    assert_eq!(
        read.gains.structure,
        withy::control::controller::Structure::PureFeedback
    );
    let specification = read.purpose.specification.unwrap();
    let margin = specification.phase_margin.unwrap().to_degrees();
    assert!((margin - 75.0).abs() < 1e-9);
    assert!(read.gains.delay_allowed >= 0.005);
    // Nothing is written where the models are not those of position setpoints.
    let velocity = "config/glasshouse-neck-velocity.yaml";
    let other = folder.path().join("other.yaml");
    let mut arguments = arguments;
    arguments[4] = velocity;
    arguments[8] = other.to_str().unwrap();
    let none = tune(&arguments);
    assert_eq!(none.status.code(), Some(2));
    assert!(said(&none.stderr).contains("setpoint.kind is velocity"));
    assert!(!other.exists());
}

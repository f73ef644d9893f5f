//! Gain-set files written and read back.

use std::fs;
use std::path::{Path, PathBuf};

use crate::files_support::{Copy, GAINS, assert_one_line, assert_told, text};
use crate::seeded::seeded;
use proptest::prelude::*;
use withy::control::controller::reference_model::{Lag, Model, SecondOrder};
use withy::control::controller::{
    CommandInterface, GainSet, IntegratorDeadband, MotorGains, Structure,
};
use withy::files::{NamedGainSet, Purpose, Specification, save_gain_set};

#[test]
fn gains_of_single_motors_lie_over_those_of_all() {
    let names = ["a", "b"].map(String::from);
    let text = text(GAINS) + "\nmotors: {b: {ki: 4.0}}\n";
    let set = NamedGainSet::from_text(Path::new("set.yaml"), &text, &names).unwrap();
    assert_eq!(set.gains.motors[0].ki, 5.5);
    assert_eq!(set.gains.motors[1].ki, 4.0);
    assert_eq!(set.gains.motors[1].kp, set.gains.motors[0].kp);
}

/// Gain sets that a file may hold.
fn any_set() -> impl Strategy<Value = NamedGainSet> {
    let order = || 0.001..1.999_f64;
    let motor = (
        0.0..1000.0_f64,
        0.0..1000.0_f64,
        0.0..1000.0_f64,
        order(),
        order(),
        0.1..1e4_f64,
    )
        .prop_map(
            |(kp, ki, kd, integral_order, derivative_order, derivative_corner)| MotorGains {
                kp,
                ki,
                kd,
                integral_order,
                derivative_order,
                derivative_corner,
            },
        );
    let lag = prop_oneof![
        (1e-4..10.0_f64).prop_map(|time_constant| Lag::First { time_constant }),
        (0.1..1000.0_f64, 0.01..10.0_f64).prop_map(|(natural_frequency, damping_ratio)| {
            Lag::Second(SecondOrder {
                natural_frequency,
                damping_ratio,
            })
        }),
    ];
    let model = (0.2..5.0_f64, lag, 0.0..0.5_f64).prop_map(|(gain, lag, dead_time)| Model {
        gain,
        lag,
        dead_time,
    });
    let specification = (
        // Degrees as users type them come back exactly.
        proptest::option::of((1..179_999_u32).prop_map(|m| (f64::from(m) / 1e3).to_radians())),
        proptest::option::of(0.001..1000.0_f64),
        proptest::option::of(1.001..100.0_f64),
    );
    let specification =
        specification.prop_map(
            |(phase_margin, crossover, sensitivity_peak)| Specification {
                phase_margin,
                crossover,
                sensitivity_peak,
            },
        );
    let purpose = (
        proptest::option::of((0.0..10.0_f64, 0.0..10.0_f64)),
        proptest::option::of(specification),
        prop::collection::vec(model.clone(), 0..3),
    );
    let purpose = purpose.prop_map(|(moment, specification, models)| Purpose {
        payload_moment: moment.map(|(low, more)| [low, low + more]),
        specification,
        models,
    });
    let band = proptest::option::of((0.001..0.5_f64, 0.0..0.5_f64));
    let rest = (
        0.0..1.0_f64,
        [0.0..2.0_f64, 0.0..2.0_f64],
        band,
        0.0..0.5_f64,
        0.0..100.0_f64,
    );
    let motors = (prop::collection::vec(motor, 3), any::<bool>());
    let words = ("[a-z0-9_/-]{1,64}", "[ -~\n\téλ]{0,40}");
    let kinds = (any::<bool>(), any::<bool>());
    (words, kinds, motors, model, rest, purpose).prop_map(
        |((name, note), (velocity, pure), (mut motors, alike), model, rest, purpose)| {
            if alike {
                let first = motors[0];
                motors.fill(first);
            }
            let (damping, smoothing, band, delay_allowed, tension_gain) = rest;
            NamedGainSet {
                name,
                note,
                file: PathBuf::from("set.yaml"),
                motor_names: ["m/1", "m-2", "3"].map(String::from).to_vec(),
                gains: GainSet {
                    kind: if velocity {
                        CommandInterface::Velocity
                    } else {
                        CommandInterface::Position
                    },
                    structure: if pure {
                        Structure::PureFeedback
                    } else {
                        Structure::TwoDegreesOfFreedom
                    },
                    motors,
                    damping,
                    model,
                    smoothing,
                    integrator_deadband: band.map(|(enter, more)| IntegratorDeadband {
                        enter,
                        leave: enter + more,
                    }),
                    delay_allowed,
                    tension_gain,
                },
                purpose,
            }
        },
    )
}

proptest! {
    #![proptest_config(seeded(21, 256))]

    #[test]
    fn gain_sets_come_back_as_they_were(set in any_set()) {
        let text = set.to_yaml();
        let back = NamedGainSet::from_text(&set.file, &text, &set.motor_names);
        prop_assert_eq!(back.as_ref(), Ok(&set), "{}", text);
    }
}

#[test]
fn what_a_set_is_for_is_checked() {
    let copy = Copy::new();
    let path = copy.path("gains/pure-feedback.yaml");
    let text = fs::read_to_string(&path).unwrap();
    let names = copy.joint().unwrap().motor_names;
    for (from, to, told) in [
        (
            "[0, 0.0032]",
            "[0.2, 0.1]",
            "payload_moment_kg_m is [0.2, 0.1]; accepted: [min, max], min not above max",
        ),
        (
            "phase_margin_deg: 75",
            "phase_margin_deg: 180",
            "specification.phase_margin_deg is 180; accepted: a number above 0 and below 180 deg",
        ),
        (
            "crossover_rad_s: 3",
            "sensitivity_peak: 1",
            "specification.sensitivity_peak is 1; accepted: a number above 1 and at most 100",
        ),
        (
            "made_for: [{gain: 0.95,",
            "made_for: [{gain: 0.1,",
            "made_for[0].gain is 0.1; accepted: a number from 0.2 to 5",
        ),
    ] {
        assert!(text.contains(from), "{from}");
        let spoilt = text.replace(from, to);
        fs::write(&path, &spoilt).unwrap();
        let read = NamedGainSet::load(&path, &names);
        assert_told(read.map(drop), &path, told);
    }
    fs::write(&path, &text).unwrap();
    let sets = copy.joint().unwrap().gain_sets;
    assert_eq!(sets[0].purpose.holds(0.38 * 0.06), Some(true));
    assert_eq!(sets[1].purpose.holds(0.38 * 0.06), Some(false));
}

#[test]
fn saving_keeps_what_was_there() {
    let copy = Copy::new();
    let joint = copy.joint().unwrap();
    let path = copy.path("gains/bare.yaml");
    let original = fs::read_to_string(&path).unwrap();
    let mut set = joint.gain_sets[1].clone();
    assert_eq!(set.file, path);

    set.gains.motors[2].ki = 6.25;
    let first = save_gain_set(&path, &set).unwrap();
    assert_eq!(first, Some(copy.path("gains/bare.yaml.1.bak")));
    assert_eq!(fs::read_to_string(first.unwrap()).unwrap(), original);
    assert_eq!(NamedGainSet::load(&path, &joint.motor_names).unwrap(), set);

    set.gains.motors[2].ki = 7.5;
    let second = save_gain_set(&path, &set).unwrap();
    assert_eq!(second, Some(copy.path("gains/bare.yaml.2.bak")));
    assert_eq!(
        fs::read_to_string(copy.path("gains/bare.yaml.1.bak")).unwrap(),
        original
    );

    let new = copy.path("gains/new.yaml");
    set.file = new.clone();
    assert_eq!(save_gain_set(&new, &set).unwrap(), None);
    assert_eq!(NamedGainSet::load(&new, &joint.motor_names).unwrap(), set);
    let leftovers = fs::read_dir(copy.path("gains")).unwrap();
    let leftovers = leftovers.filter(|e| {
        e.as_ref()
            .unwrap()
            .path()
            .extension()
            .is_some_and(|x| x == "part")
    });
    assert_eq!(leftovers.count(), 0);
}

#[test]
fn what_could_not_be_read_back_is_not_saved() {
    let copy = Copy::new();
    let mut set = copy.joint().unwrap().gain_sets[1].clone();
    let before = fs::read_to_string(&set.file).unwrap();
    set.gains.damping = f64::NAN;
    let path = set.file.clone();
    // What was never written has no line.
    let refused = |path: &Path, set: &NamedGainSet| {
        let told = save_gain_set(path, set).unwrap_err().to_string();
        assert_one_line(&told);
        let (file, sentence) = told.split_once(": ").unwrap();
        assert_eq!(file, path.display().to_string());
        sentence.to_string()
    };
    assert_eq!(
        refused(&path, &set),
        "damping_s is .nan; accepted: a number from 0 to 1 s"
    );
    assert_eq!(fs::read_to_string(&path).unwrap(), before);
    set.gains.damping = 0.0;
    let nowhere = copy.path("nowhere/set.yaml");
    assert!(refused(&nowhere, &set).starts_with("cannot be written: "));
}

#[test]
fn a_named_file_is_read_only_below_its_folder_and_nothing_of_it_is_shown() {
    let outside = tempfile::tempdir().unwrap();
    let place = tempfile::tempdir().unwrap();
    let folder = place.path();
    let motors = ["a".to_string(), "b".into(), "c".into()];
    let good = "name: own\nkind: position\nstructure: pure_feedback\nall_motors: {kp: 1, ki: 2, \
                integral_order: 1}\nmodel: {gain: 1, time_constant_s: 0.1, dead_time_s: 0}\n\
                smoothing_s: [0, 0]\ndelay_allowed_s: 0.02\n";
    let load = |name: &str| NamedGainSet::load_below(folder, name, &motors);
    let told = |name: &str| load(name).unwrap_err().to_string();
    std::fs::create_dir(folder.join("gains")).unwrap();
    std::fs::write(folder.join("gains/own.yaml"), good).unwrap();
    let set = load("gains/own.yaml").unwrap();
    assert_eq!(
        (set.name.as_str(), set.file),
        ("own", folder.join("gains/own.yaml"))
    );

    // Outside: the same sentence whether the file exists or not, and by whatever way it is named.
    let secret = outside.path().join("secret.yaml");
    std::fs::write(&secret, good).unwrap();
    std::os::unix::fs::symlink(&secret, folder.join("link.yaml")).unwrap();
    std::os::unix::fs::symlink(outside.path(), folder.join("way")).unwrap();
    let nowhere = outside.path().join("nowhere.yaml");
    for name in [
        secret.to_str().unwrap(),
        nowhere.to_str().unwrap(),
        "../own.yaml",
        "gains/../gains/own.yaml",
        "link.yaml",
        "way/secret.yaml",
        "",
    ] {
        let wanted = format!(
            "{name} is not accepted; accepted: a file below {}, by its path from there",
            folder.display()
        );
        assert_eq!(told(name), wanted);
    }
    let long = format!("/{}", "x".repeat(65_537));
    assert!(told(&long).chars().count() < 200 + folder.as_os_str().len() + 80);

    // Not a regular file: a folder, and a pipe, which nobody writes.
    assert!(told("gains").ends_with("it is not a file"));
    let pipe = folder.join("pipe.yaml");
    nix::unistd::mkfifo(&pipe, nix::sys::stat::Mode::S_IRWXU).unwrap();
    assert!(told("pipe.yaml").ends_with("it is not a file"));

    // What a file of another kind holds is not shown.
    for (text, words) in [
        (
            "password: sesame\n",
            "a key is not known; accepted: name, note",
        ),
        ("name: [sesame]\n", "name is not accepted; accepted: "),
        (
            "a: 1\n'sesame': }\n",
            "is not valid YAML: the text does not parse",
        ),
    ] {
        std::fs::write(folder.join("other.yaml"), text).unwrap();
        let told = told("other.yaml");
        assert!(told.contains(words) && !told.contains("sesame"), "{told}");
        let open = NamedGainSet::load(folder.join("other.yaml"), &motors).unwrap_err();
        assert!(
            open.to_string().contains("sesame") || words.contains("YAML"),
            "{open}"
        );
    }
}

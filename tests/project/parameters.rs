//! The parameters of a joint without a graph: the reference page of the manual, and refusals.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;

use crate::files_support::{JOINT, assert_one_line, config, text};
use withy::control::geometry::Bend;
use withy::files::{Accepts, GAINS, JointFile};
use withy::ros::server::parameters::{Entry, Parameters, Place, Value};

/// Returns the parameters of the shipped joint file after some replacements in it.
fn with(changes: &[(&str, &str)]) -> Parameters {
    let mut text = text(JOINT);
    for (from, to) in changes {
        assert!(text.contains(from), "{from}");
        text = text.replacen(from, to, 1);
    }
    Parameters::new(
        JointFile::from_text(config().join(JOINT), &text).unwrap(),
        false,
    )
}

/// Sets parameters together while the node runs; returns the refusal.
fn set(parameters: &Parameters, changes: &[(&str, Value)]) -> Result<(), String> {
    let changes: Vec<_> = changes
        .iter()
        .map(|(name, value)| (name.to_string(), value.clone()))
        .collect();
    let checked = parameters.check(&changes, 0.0, false);
    checked.map(drop).map_err(|refusal| refusal.to_string())
}

fn double(parameters: &Parameters, name: &str) -> f64 {
    match parameters.get(name) {
        Some(Value::Double(number)) => number,
        other => panic!("{name} is {other:?}"),
    }
}

fn word(text: &str) -> Value {
    Value::Text(text.into())
}

/// Returns a text with its long numbers rounded to four digits.
fn rounded(text: &str) -> String {
    let word = |word: &str| match word.parse::<f64>() {
        Ok(number) if word.len() > 7 && word.contains('.') => format!("{number:.4}"),
        _ => word.to_string(),
    };
    text.split(' ').map(word).collect::<Vec<_>>().join(" ")
}

/// Returns one row of the page.
fn row(name: &str, entry: &Entry, value: &Value) -> String {
    let (_, kind) = value.kind_name().split_once(' ').unwrap();
    let accepted = entry.constraints.replace("accepted: ", "");
    let accepted = rounded(accepted.trim_start_matches("a number "));
    let code = |text: &str| match text {
        "" => String::new(),
        text => format!("`{text}`"),
    };
    let cells = [
        code(name),
        kind.into(),
        entry.unit.into(),
        accepted,
        code(&rounded(&value.to_string())),
        if entry.read_only() { "yes" } else { "no" }.into(),
        code(&entry.file_key),
        entry.description.clone(),
    ];
    format!("| {} |", cells.join(" | "))
}

const START: &str = "\
# Parameters

This page is written by `tests/project/parameters.rs` from the table that the node itself uses, for
the joint of `config/glasshouse-neck.yaml`: defaults and ranges are those of this joint, rounded to
four digits. `MOTOR` stands for the name of a motor. Keys of `gains` are those of a gain-set file,
all others those of the joint file. A read-only parameter with an accepted value is read at start;
the others report what the joint file says.

Where the joint file has a limit, the parameter may only be stricter. [Interfaces](interfaces.md)
tells how sets are answered.
";

/// Returns the page for the shipped joint.
fn page() -> String {
    let file = Path::new("config").join(JOINT);
    let parameters = Parameters::new(JointFile::load(file).unwrap(), false);
    let Some(Value::Texts(motors)) = parameters.get("motor_names") else {
        panic!("no motors");
    };
    let mut groups = BTreeMap::<String, Vec<String>>::new();
    for (name, entry) in parameters.entries() {
        let other = |motor: &String| name.contains(&format!(".{motor}."));
        if motors[1..].iter().any(other) {
            continue;
        }
        let value = parameters.get(name).unwrap();
        let group = name.split_once('.').map_or("", |(group, _)| group);
        let row = row(&name.replace(&motors[0], "MOTOR"), entry, &value);
        let rows = groups.entry(group.into()).or_default();
        rows.push(row.replace(&format!("motor {}", motors[0]), "motor MOTOR"));
    }
    let mut page = START.to_string();
    for (group, rows) in groups {
        let title = match group.as_str() {
            "" => "Joint and node".into(),
            group => format!("`{group}`"),
        };
        let rows = rows.join("\n");
        writeln!(
            page,
            "\n## {title}\n\n\
             | parameter | type | unit | accepted | default | read-only | key in the file | description |\n\
             |---|---|---|---|---|---|---|---|\n{rows}"
        )
        .unwrap();
    }
    page
}

#[test]
fn the_manual_has_the_parameters_as_they_are() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/parameters.md");
    let page = page();
    if std::env::var_os("WITHY_UPDATE").is_some_and(|v| v == "1") {
        std::fs::write(&file, &page).unwrap();
    }
    let written = std::fs::read_to_string(&file).unwrap_or_default();
    assert!(
        written == page,
        "docs/parameters.md is not as the parameters are; WITHY_UPDATE=1 writes it anew"
    );
}

#[test]
fn what_is_in_force_may_be_set_again() {
    let parameters = with(&[]);
    for (name, value) in parameters.all() {
        if name != "gain_set_file" {
            assert_eq!(set(&parameters, &[(&name, value)]), Ok(()), "{name}");
        }
    }
}

/// Limits of the joint file that no parameter may loosen, with the unit.
const GUARDED: [(&str, &str); 9] = [
    ("limits.inclination", " rad"),
    ("limits.over_bend", " rad"),
    ("limits.feedback", " rad"),
    ("limits.stale_imu", " s"),
    ("limits.stale_motors", " s"),
    ("limits.stop_after", " s"),
    ("limits.neck_motor_2.travel_high", " rad"),
    ("limits.neck_motor_2.speed", " rad/s"),
    ("limits.neck_motor_2.acceleration", " rad/s^2"),
];

#[test]
fn no_limit_becomes_looser_than_in_the_joint_file() {
    let parameters = with(&[]);
    for (name, unit) in GUARDED {
        let is = double(&parameters, name);
        let looser = f64::from_bits(is.to_bits() + 1);
        let reason = set(&parameters, &[(name, Value::Double(looser))]).unwrap_err();
        assert_one_line(&reason);
        assert!(
            reason.starts_with(&format!("{name} is {looser}; accepted: a number ")),
            "{reason}"
        );
        assert!(reason.ends_with(&format!(" {is}{unit}")), "{reason}");
        let description = &parameters.entries()[name].description;
        assert!(
            description.ends_with("; at most the value in the joint file."),
            "{description}"
        );
        // over_bend has to stay above inclination.
        assert_eq!(
            set(&parameters, &[(name, Value::Double(is * 0.9))]),
            Ok(()),
            "{name}"
        );
    }
    let low = double(&parameters, "limits.neck_motor_2.travel_low");
    let name = "limits.neck_motor_2.travel_low";
    let reason = set(&parameters, &[(name, Value::Double(low * 1.01))]).unwrap_err();
    assert!(
        reason.ends_with(&format!("accepted: a number from {low} and below 0 rad")),
        "{reason}"
    );
    assert_eq!(
        set(&parameters, &[(name, Value::Double(low * 0.99))]),
        Ok(())
    );
    // With a wider file, the same values are accepted.
    let wider = with(&[
        ("stale_imu_s: 0.1", "stale_imu_s: 2"),
        ("over_bend_deg: 60", "over_bend_deg: 70"),
    ]);
    assert_eq!(
        set(&wider, &[("limits.stale_imu", Value::Double(2.0))]),
        Ok(())
    );
    assert_eq!(
        set(&wider, &[("limits.over_bend", Value::Double(1.2))]),
        Ok(())
    );
}

#[test]
fn a_limit_of_a_rule_becomes_no_looser_where_the_file_sets_it() {
    let name = "supervision.sensor_mismatch.limit";
    let free = with(&[]);
    assert_eq!(set(&free, &[(name, Value::Double(1.0))]), Ok(()));
    let lines = "supervision: {sensor_mismatch: {limit_rad: 0.1}}\n\nsettled:\n";
    let bound = with(&[("settled:\n", lines)]);
    assert_eq!(
        set(&bound, &[(name, Value::Double(0.11))]).unwrap_err(),
        "supervision.sensor_mismatch.limit is 0.11; accepted: a number from 0.02 to 0.1 rad"
    );
    assert_eq!(set(&bound, &[(name, Value::Double(0.05))]), Ok(()));
}

#[test]
fn what_the_file_sets_of_a_rule_becomes_no_milder() {
    let name = |key: &str| format!("supervision.{key}");
    let lines = "supervision: {slack: {after_s: 2, reaction: hold, latch: true}, command_timeout: \
                 {after_s: 5}}\n\nsettled:\n";
    let bound = with(&[("settled:\n", lines)]);
    let cases = [
        (
            "slack.after",
            Value::Double(2.5),
            "is 2.5; accepted: a number from 0 to 2 s",
        ),
        (
            "slack.reaction",
            word("slow"),
            "is 'slow'; accepted: 'hold' or 'release'",
        ),
        (
            "slack.latch",
            Value::Bool(false),
            "is false; accepted: true, as in the joint file",
        ),
        (
            "command_timeout.after",
            Value::Double(0.0),
            "is 0; accepted: a number above 0 and at most 5 s",
        ),
    ];
    let free = with(&[]);
    for (key, value, words) in cases {
        let name = name(key);
        let reason = set(&bound, &[(&name, value.clone())]).unwrap_err();
        assert_eq!(reason, format!("{name} {words}"));
        // Where the file says nothing, the default does not bind.
        assert_eq!(set(&free, &[(&name, value)]), Ok(()), "{name}");
    }
    for (key, value) in [
        ("slack.after", Value::Double(1.0)),
        ("slack.reaction", word("release")),
        ("command_timeout.after", Value::Double(4.0)),
    ] {
        assert_eq!(set(&bound, &[(&name(key), value)]), Ok(()), "{key}");
    }
}

#[test]
fn a_limit_that_excludes_where_the_joint_is_is_refused() {
    let parameters = with(&[]);
    let at = |degrees: f64| Bend::new(degrees.to_radians(), 0.0);
    let place = Place {
        reference: at(20.0),
        measured: at(22.0),
        motors: at(20.0),
    };
    let holds = |changes: &[(&str, f64)]| {
        let changes = changes.iter();
        let changes: Vec<_> = changes
            .map(|(name, value)| ((*name).to_string(), Value::Double(*value)))
            .collect();
        let candidate = parameters.check(&changes, 0.0, false).unwrap();
        parameters
            .holds(&candidate, &place)
            .map_err(|e| e.to_string())
    };
    let inclination = "limits.inclination";
    assert_eq!(holds(&[(inclination, 21f64.to_radians())]), Ok(()));
    assert_eq!(
        holds(&[(inclination, 0.3)]).unwrap_err(),
        "limits.inclination is 0.3000 rad, and the reference is at 0.3491 rad; accepted: a limit \
         that does not exclude it, or the same once the joint has moved inside"
    );
    let both = [(inclination, 0.36), ("limits.over_bend", 0.37)];
    let reason = holds(&both).unwrap_err();
    assert!(
        reason.starts_with("limits.over_bend is 0.3700 rad, and the head is at 0.3840"),
        "{reason}"
    );
    // The motor on the inner side has reeled in, the one opposite has paid out.
    let reason = holds(&[("limits.neck_motor_1.travel_high", 0.5)]).unwrap_err();
    assert!(
        reason.contains("travel_high is 0.5000 rad, and the motor is at "),
        "{reason}"
    );
    let reason = holds(&[("limits.neck_motor_3.travel_low", -0.5)]).unwrap_err();
    assert!(
        reason.contains("travel_low is -0.5000 rad, and the motor is at -"),
        "{reason}"
    );
    assert_eq!(holds(&[("limits.neck_motor_3.travel_low", -3.0)]), Ok(()));
    // What becomes no stricter is not looked at.
    assert_eq!(holds(&[("limits.feedback", 0.1)]), Ok(()));
}

#[test]
fn gains_changed_live_are_examined_on_the_sets_own_model_if_the_joint_has_none() {
    let parameters = with(&[("models: models/glasshouse-neck.yaml", "")]);
    let ki = |value: f64| {
        let motors = ["1", "2", "3", "4"];
        let changes = motors.map(|m| (format!("gains.neck_motor_{m}.ki"), Value::Double(value)));
        let checked = parameters.check(&changes, 0.0, false);
        checked.map(|_| ()).map_err(|e| e.to_string())
    };
    assert_eq!(ki(5.4), Ok(()));
    let reason = ki(900.0).unwrap_err();
    assert!(
        reason.contains("with its changes") && reason.contains("on model of-the-gain-set"),
        "{reason}"
    );
}

#[test]
fn the_range_of_a_live_gain_is_that_of_the_file() {
    let parameters = with(&[]);
    for tunable in GAINS {
        let name = format!("gains.neck_motor_1.{}", tunable.key);
        let live = parameters.entries()[&name].range.unwrap();
        let Accepts::Number { range, .. } = tunable.accepts else {
            panic!("{name} is no number");
        };
        // The corner is bounded by the sampling rate too, which the law of a file checks.
        let sampled = tunable.key == "derivative_corner";
        assert_eq!(live.low, range.low, "{name}");
        assert!(
            live.high == range.high || (sampled && live.high < range.high),
            "{name}"
        );
    }
}

#[test]
fn a_gain_set_file_is_named_below_its_folder() {
    let parameters = with(&[]);
    let reason = set(&parameters, &[("gain_set_file", word("/etc/passwd"))]).unwrap_err();
    assert!(
        reason.starts_with("/etc/passwd is not accepted; accepted: a file below ")
            && reason.ends_with("/config, by its path from there"),
        "{reason}"
    );
    let long = "x".repeat(65_538);
    for changes in [
        (long.as_str(), Value::Bool(true)),
        ("gain_set", Value::Text(long.clone())),
        ("feedback", Value::Text(long.clone())),
        ("gain_set_file", Value::Text(long.clone())),
    ] {
        let reason = set(&parameters, &[changes]).unwrap_err();
        assert!(reason.chars().count() < 450, "{} characters", reason.len());
    }
}

#[test]
fn what_is_refused_is_told_in_one_sentence() {
    let parameters = with(&[]);
    let cases = [
        (
            "gains.neck_motor_9.kp",
            Value::Double(1.0),
            "gains.neck_motor_9.kp is not a parameter of \
          this node; accepted: the names that list_parameters gives",
        ),
        (
            "gains.neck_motor_1.kp",
            Value::Double(1001.0),
            "gains.neck_motor_1.kp is 1001; accepted: \
          a number from 0 to 1000",
        ),
        (
            "gains.neck_motor_1.kp",
            Value::Double(f64::NAN),
            "gains.neck_motor_1.kp is NaN; accepted: \
          a number from 0 to 1000",
        ),
        (
            "gains.neck_motor_1.kp",
            Value::Integer(1),
            "gains.neck_motor_1.kp is the integer 1; \
          accepted: a double, as in 1.0",
        ),
        (
            "gains.neck_motor_1.kp",
            Value::NotSet,
            "gains.neck_motor_1.kp cannot be removed; \
          accepted: a double",
        ),
        (
            "gains.neck_motor_1.integral_order",
            Value::Double(2.0),
            "gains.neck_motor_1.integral_order is 2; accepted: a number above 0 and below 2",
        ),
        (
            "gain_set",
            word("feather"),
            "gain_set is 'feather'; accepted: 'any-payload', 'bare', \
          'camera', 'camera-and-lamp', 'pure-feedback', 'order-above-one', 'pid', 'open-loop'",
        ),
        (
            "gain_set",
            Value::Double(1.0),
            "gain_set is a double; accepted: a string",
        ),
        (
            "feedback",
            word("eyes"),
            "feedback is 'eyes'; accepted: 'imu' or 'motors'",
        ),
        (
            "examine.action",
            Value::Bool(false),
            "examine.action is a bool; accepted: a string",
        ),
        (
            "examine.action",
            word("ignore"),
            "examine.action is 'ignore'; accepted: 'off', 'warn' or \
          'refuse'",
        ),
        (
            "payload.mass",
            Value::Double(-0.5),
            "payload.mass is -0.5; accepted: 0 to 10 kg, or -1 \
          for not set",
        ),
        (
            "payload.mass",
            Value::Double(11.0),
            "payload.mass is 11; accepted: a number from -1 to 10 \
          kg",
        ),
        (
            "supervision.motor_stale.reaction",
            word("warn"),
            "supervision.motor_stale.reaction is \
          'warn'; accepted: 'hold' or 'release'",
        ),
        (
            "supervision.imu_frozen.reaction",
            word("slow"),
            "supervision.imu_frozen.reaction is \
          'slow' and feedback is 'imu'; accepted: hold or release where feedback is imu; warn and \
          slow where it is motors",
        ),
        (
            "supervision.motor_frozen.latch",
            Value::Bool(false),
            "supervision.motor_frozen.latch is \
          false; accepted: true: while the joint is held, the cause cannot be observed",
        ),
        (
            "supervision.command_timeout.after",
            Value::Double(4000.0),
            "supervision.command_timeout.after is 4000; accepted: a number from 0 to 3600 s, 0: never",
        ),
        (
            "commands.exclusive",
            Value::Double(1.0),
            "commands.exclusive is a double; accepted: a bool",
        ),
        (
            "limits.over_bend",
            Value::Double(0.5),
            "limits.over_bend is 0.5; accepted: at least \
          limits.inclination, at most 2.0944 rad (120 deg)",
        ),
        (
            "autostart",
            Value::Bool(true),
            "autostart cannot be changed while the node runs: it is \
          read at start; change_state configures and activates",
        ),
        (
            "incidents.folder",
            word("/tmp"),
            "incidents.folder cannot be changed while the node runs: \
          it is read at start",
        ),
        (
            "tick_rate_hz",
            Value::Double(100.0),
            "tick_rate_hz cannot be changed while the node runs: \
          the joint file sets it",
        ),
        (
            "use_sim_time",
            Value::Bool(true),
            "use_sim_time cannot be changed while the node runs; \
          accepted: true or false at start, -p use_sim_time:=true",
        ),
    ];
    for (name, value, sentence) in cases {
        assert_eq!(set(&parameters, &[(name, value)]).unwrap_err(), sentence);
    }
    let twice = ("limits.feedback", Value::Double(0.1));
    assert_eq!(
        set(&parameters, &[twice.clone(), twice.clone()]).unwrap_err(),
        "limits.feedback is set twice; accepted: once"
    );
    let file = ("gain_set_file", word("gains/bare.yaml"));
    let reason = set(&parameters, &[file.clone(), twice]).unwrap_err();
    assert!(
        reason.starts_with("gain_set_file is set together with others; "),
        "{reason}"
    );
    let reason = set(&parameters, &[file]).unwrap_err();
    assert!(
        reason.contains("bare.yaml: its name is 'bare', which "),
        "{reason}"
    );
}

#[test]
fn at_start_files_may_write_what_yaml_makes_of_it() {
    let parameters = with(&[]);
    let changes = [
        ("examine.action".into(), Value::Bool(false)),
        ("limits.neck_motor_1.speed".into(), Value::Integer(3)),
        ("incidents.disk_limit".into(), Value::Integer(5)),
        ("autostart".into(), Value::Bool(true)),
    ];
    let mut parameters = parameters;
    let candidate = parameters.check(&changes, 0.0, true).unwrap();
    assert_eq!(parameters.commit(candidate).len(), 4);
    assert_eq!(parameters.get("examine.action"), Some(word("off")));
    assert_eq!(double(&parameters, "incidents.disk_limit"), 5.0);
    let fixed = [("tick_rate_hz".into(), Value::Double(100.0))];
    let reason = parameters.check(&fixed, 0.0, true).unwrap_err().to_string();
    assert!(reason.ends_with("the joint file sets it"), "{reason}");
}

#[test]
fn a_motor_is_told_by_its_name() {
    // The encoders are slower than the IMU, so that the law of their feedback accepts less.
    let parameters = with(&[(
        "rate_hz: 200               # of joint_states",
        "rate_hz: 100 #",
    )]);
    let corner = ("gains.neck_motor_2.derivative_corner", Value::Double(300.0));
    let kd = ("gains.neck_motor_2.kd", Value::Double(0.001));
    let off = ("examine.action", word("off"));
    let imu = [corner.clone(), kd.clone(), off.clone()];
    assert_eq!(set(&parameters, &imu), Ok(()));
    let reason = set(
        &parameters,
        &[corner, kd, off, ("feedback", word("motors"))],
    )
    .unwrap_err();
    assert_eq!(
        reason,
        "derivative_corner of motor neck_motor_2 is 300 rad/s; accepted: above 0, at most 200"
    );
}

//! The binary from a user's view: exit codes and messages.

use std::process::{Command, Output};

fn withy(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_withy"))
        .args(arguments)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap()
}

fn said(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap()
}

#[test]
fn help_is_no_error_and_lists_every_command() {
    let help = withy(&["--help"]);
    assert_eq!(help.status.code(), Some(0));
    for command in [
        "run",
        "simulate",
        "point",
        "transition",
        "step-test",
        "demo",
        "check",
        "incident",
        "fit",
        "tune",
        "examine",
    ] {
        assert!(said(&help.stdout).contains(command), "{command}");
    }
}

/// Commands that print and end, without the graph.
const PRINTING: [&[&str]; 7] = [
    &["--help"],
    &["check", "config/glasshouse-neck.yaml"],
    &["examine", "config/glasshouse-neck.yaml"],
    &["examine", "config/glasshouse-neck.yaml", "--json"],
    &[TUNE[0], TUNE[1], TUNE[2], TUNE[3], "--crossover-rad-s=4"],
    &[
        TUNE[0],
        TUNE[1],
        TUNE[2],
        TUNE[3],
        "--crossover-rad-s=4",
        "--json",
    ],
    // Refused: its own exit code stays.
    &[
        TUNE[0],
        TUNE[1],
        TUNE[2],
        TUNE[3],
        "--crossover-rad-s=400",
        "--json",
    ],
];
const TUNE: [&str; 4] = [
    "tune",
    "--gain=1",
    "--time-constant-ms=55",
    "--phase-margin-deg=60",
];

fn started(arguments: &[&str], output: impl Into<std::process::Stdio>) -> std::process::Child {
    Command::new(env!("CARGO_BIN_EXE_withy"))
        .args(arguments)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .stdout(output)
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap()
}

#[test]
fn a_reader_that_closes_is_no_failure() {
    use std::io::{BufRead, BufReader};

    for arguments in PRINTING {
        let whole = withy(arguments);
        assert!(said(&whole.stdout).lines().count() > 1, "{arguments:?}");
        // One reader closes after a line, and one reads nothing at all.
        let mut early = started(arguments, std::process::Stdio::piped());
        let mut line = String::new();
        let mut reader = BufReader::with_capacity(1, early.stdout.take().unwrap());
        reader.read_line(&mut line).unwrap();
        drop(reader);
        let early = early.wait_with_output().unwrap();
        assert!(said(&whole.stdout).starts_with(&line) && !line.is_empty());
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let never = started(arguments, writer).wait_with_output().unwrap();
        for ended in [early, never] {
            assert_eq!(ended.status, whole.status, "{arguments:?}");
            assert_eq!(said(&ended.stderr), said(&whole.stderr), "{arguments:?}");
        }
    }
}

#[cfg(target_os = "linux")]
#[test]
fn output_that_cannot_be_written_is_told() {
    let full = std::fs::File::options().write(true).open("/dev/full");
    let ended = started(PRINTING[1], full.unwrap());
    let ended = ended.wait_with_output().unwrap();
    assert_eq!(ended.status.code(), Some(1));
    let sentence = said(&ended.stderr);
    assert!(
        sentence.starts_with("withy: standard output cannot be written: "),
        "{sentence}"
    );
    assert_eq!(sentence.lines().count(), 1);
}

#[test]
fn wrong_arguments_end_with_code_2() {
    for arguments in [&[][..], &["chek"], &["check"], &["check", "--quick", "x"]] {
        let wrong = withy(arguments);
        assert_eq!(wrong.status.code(), Some(2), "{arguments:?}");
        assert!(!wrong.stderr.is_empty());
    }
}

#[test]
fn a_point_and_a_pose_exclude_each_other_and_each_has_to_be_whole() {
    let pose = ["--inclination-deg=10", "--direction-deg=0"];
    for arguments in [
        &[][..],
        &["--at-m=1,0,0", pose[0], pose[1]],
        &["--at-m=1,0,0", "--pan-deg=3"],
        &["--at-m=1,0"],
        &["--at-m=1,0,0,0"],
        &["--at-m=1,0,left"],
        &["--frame=torso"],
        &["--frame=torso", pose[0], pose[1]],
        &[pose[0]],
        &[pose[1]],
        &["--pan-deg=3"],
    ] {
        let wrong = withy(&[&["point"], arguments].concat());
        assert_eq!(wrong.status.code(), Some(2), "{arguments:?}");
        let sentence = said(&wrong.stderr);
        assert!(sentence.starts_with("error: "), "{arguments:?}: {sentence}");
    }
}

#[cfg(feature = "ros")]
#[test]
fn numbers_for_a_point_or_a_pose_that_are_none_are_refused() {
    let pose = ["--inclination-deg=10", "--direction-deg=0"];
    for (arguments, words) in [
        (
            &["--at-m", "-1,NaN,0"][..],
            "--at-m is NaN; accepted: finite numbers",
        ),
        (
            &["--at-m=inf,0,0"],
            "--at-m is inf; accepted: finite numbers",
        ),
        (
            &[pose[0], pose[1], "--pan-deg=NaN"],
            "--pan-deg is NaN; accepted: -360 to 360",
        ),
        (
            &[pose[0], "--direction-deg=400"],
            "--direction-deg is 400; accepted: -360 to 360",
        ),
        (
            &["--at-m=1,0,0", "--timeout-s=0"],
            "--timeout-s is 0; accepted: above 0",
        ),
    ] {
        let wrong = withy(&[&["point"], arguments].concat());
        assert_eq!(wrong.status.code(), Some(2), "{arguments:?}");
        let sentence = said(&wrong.stderr);
        assert!(sentence.contains(words), "{arguments:?}: {sentence}");
        assert_eq!(sentence.lines().count(), 1, "{sentence}");
    }
}

#[test]
fn a_file_that_is_not_there_is_named() {
    let wrong = withy(&["check", "config/none.yaml"]);
    assert_eq!(wrong.status.code(), Some(2));
    let sentence = said(&wrong.stderr);
    assert!(
        sentence.starts_with("withy: config/none.yaml: cannot be read: "),
        "{sentence}"
    );
    assert_eq!(sentence.lines().count(), 1);
}

#[test]
fn ros_arguments_do_not_reach_the_commands() {
    let good = withy(&[
        "check",
        "config/glasshouse-neck.yaml",
        "--ros-args",
        "-r",
        "__ns:=/a",
    ]);
    assert_eq!(good.status.code(), Some(0), "{}", said(&good.stderr));
}

#[test]
fn a_step_test_needs_a_joint_and_a_record() {
    let help = withy(&["step-test", "--help"]);
    assert_eq!(help.status.code(), Some(0));
    for word in [
        "--output",
        "--inclination-deg",
        "--direction-deg",
        "--dwell-s",
        "--repeats",
        "--one-way",
        "--payload-g",
    ] {
        assert!(said(&help.stdout).contains(word), "{word}");
    }
    let joint = "config/glasshouse-neck.yaml";
    for arguments in [
        &["step-test"][..],
        &["step-test", joint],
        &["step-test", "--output", "none.csv"],
        &[
            "step-test",
            joint,
            "--output",
            "none.csv",
            "--repeats",
            "2.5",
        ],
        // A mass alone does not define a payload.
        &[
            "step-test",
            joint,
            "--output",
            "none.csv",
            "--payload-g",
            "90",
        ],
    ] {
        let wrong = withy(arguments);
        assert_eq!(wrong.status.code(), Some(2), "{arguments:?}");
    }
}

/// Errors are reported before the graph is joined.
#[cfg(feature = "ros")]
#[test]
fn what_no_step_test_can_be_made_of_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_string();
    let (output, there) = (path("record.csv"), path("there.csv"));
    std::fs::write(&there, "kept").unwrap();
    let neck = "config/glasshouse-neck.yaml";
    let velocity = "config/glasshouse-neck-velocity.yaml";
    let one = |option: &'static str, value: &'static str| vec![format!("{option}={value}")];
    let two = |options: [&str; 2]| options.map(String::from).to_vec();
    let cases = [
        (
            neck,
            one("--inclination-deg", "NaN"),
            &output,
            "--inclination-deg is NaN; accepted: above 0, at most 90",
        ),
        (
            neck,
            one("--inclination-deg", "0"),
            &output,
            "--inclination-deg is 0",
        ),
        (
            neck,
            one("--direction-deg", "-361"),
            &output,
            "--direction-deg is -361; accepted: -360 to 360",
        ),
        (
            neck,
            two(["--direction-deg=-90", "--direction-deg=270"]),
            &output,
            "--direction-deg is -90; accepted: every direction once",
        ),
        (
            neck,
            one("--dwell-s", "0.1"),
            &output,
            "--dwell-s is 0.1; accepted: 0.2 to 60",
        ),
        (
            neck,
            one("--repeats", "0"),
            &output,
            "--repeats is 0; accepted: 1 to 100",
        ),
        (
            neck,
            two(["--payload-g=-1", "--payload-height-mm=20"]),
            &output,
            "--payload-g is -1; accepted: 0 to 10000",
        ),
        (
            neck,
            two(["--dwell-s=60", "--repeats=100"]),
            &output,
            "accepted: at most 3600 s",
        ),
        (neck, vec![], &there, "exists already"),
        (neck, vec![], &path("none/record.csv"), "cannot be written"),
        (
            velocity,
            vec![],
            &output,
            "setpoint.kind is velocity; accepted for step tests: position",
        ),
        (
            "config/none.yaml",
            vec![],
            &output,
            "config/none.yaml: cannot be read",
        ),
    ];
    for (joint, options, output, words) in cases {
        let mut arguments = vec!["step-test", joint, "--output", output];
        arguments.extend(options.iter().map(String::as_str));
        let wrong = withy(&arguments);
        let sentence = said(&wrong.stderr);
        assert_eq!(wrong.status.code(), Some(2), "{arguments:?}: {sentence}");
        assert!(sentence.contains(words), "{arguments:?}: {sentence}");
        assert_eq!(sentence.lines().count(), 1, "{sentence}");
    }
    let left: Vec<_> = std::fs::read_dir(folder.path()).unwrap().collect();
    assert_eq!(left.len(), 1, "{left:?}");
    assert_eq!(std::fs::read_to_string(&there).unwrap(), "kept");
}

/// The gain set of step tests has to be in the joint file, and to have no feedback.
#[cfg(feature = "ros")]
#[test]
fn a_step_test_wants_a_gain_set_without_gains() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    for part in ["gains", "models"] {
        std::fs::create_dir(at(part)).unwrap();
        for file in std::fs::read_dir(format!("config/{part}")).unwrap() {
            let file = file.unwrap();
            std::fs::copy(file.path(), at(part).join(file.file_name())).unwrap();
        }
    }
    let neck = std::fs::read_to_string("config/glasshouse-neck.yaml").unwrap();
    let (joint, output) = (at("neck.yaml"), at("record.csv"));
    let arguments = [
        "step-test",
        joint.to_str().unwrap(),
        "--output",
        output.to_str().unwrap(),
    ];
    let refused = |words: &str| {
        let wrong = withy(&arguments);
        assert_eq!(wrong.status.code(), Some(2), "{}", said(&wrong.stderr));
        assert!(
            said(&wrong.stderr).contains(words),
            "{}",
            said(&wrong.stderr)
        );
    };
    std::fs::write(&joint, neck.replace("  - gains/open-loop.yaml\n", "")).unwrap();
    refused(
        "neck.yaml: gain_sets has no set 'open-loop'; accepted for step tests: a list that holds \
         gains/open-loop.yaml",
    );
    std::fs::write(&joint, &neck).unwrap();
    let set = std::fs::read_to_string("config/gains/open-loop.yaml").unwrap();
    for (from, to) in [
        ("kp: 0,", "kp: 0.01,"),
        ("damping_s: 0", "damping_s: 0.01"),
        ("gain: 1,", "gain: 0.9,"),
        ("two_degrees_of_freedom", "pure_feedback"),
    ] {
        assert!(set.contains(from));
        std::fs::write(at("gains/open-loop.yaml"), set.replace(from, to)).unwrap();
        refused("open-loop.yaml: this set corrects, or its setpoints differ from the kinematics");
    }
}

#[cfg(not(feature = "ros"))]
#[test]
fn without_a_graph_the_commands_say_so() {
    for arguments in [
        &["run", "config/glasshouse-neck.yaml"][..],
        &["demo"],
        &[
            "step-test",
            "config/glasshouse-neck.yaml",
            "--output",
            "none.csv",
        ],
    ] {
        let none = withy(arguments);
        assert_eq!(none.status.code(), Some(1), "{arguments:?}");
        let sentence = said(&none.stderr);
        assert!(
            sentence.contains("this build has no ROS graph"),
            "{sentence}"
        );
        assert_eq!(sentence.lines().count(), 1);
    }
}

#[test]
fn examine_prints_tables_and_json_and_refuses_what_is_below_the_floor() {
    let joint = "config/glasshouse-neck.yaml";
    let set = ["--gain-set", "pure-feedback"];
    let good = withy(&["examine", joint, set[0], set[1]]);
    assert_eq!(good.status.code(), Some(0), "{}", said(&good.stderr));
    assert!(said(&good.stdout).contains("bare-17") && said(&good.stdout).contains("acceptable"));
    let json = withy(&["examine", joint, set[0], set[1], "--json"]);
    let figures: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    let one = &figures["gain_sets"][0];
    assert_eq!(one["acceptable"], true);
    let margin = one["models"][0]["discrete"]["phase_margin"]["deg"]
        .as_f64()
        .unwrap();
    assert!((20.0..90.0).contains(&margin), "{margin}");
    for key in ["delay_margin_s", "continuous_delay_margin_s"] {
        let margin = one["models"][0][key].as_f64().unwrap();
        assert!((0.001..1.0).contains(&margin), "{margin}");
    }
    assert!(one["models"][0]["model"]["gain"].is_f64());
    for line in said(&good.stdout).lines() {
        assert!(line.chars().count() <= 110, "{line}");
    }
    // The text names both laws, and the JSON has the same keys for both.
    assert!(
        said(&good.stdout).contains("discretised") && said(&good.stdout).contains("continuous")
    );
    for (run, ideal) in [
        ("feedback_step", "continuous_feedback_step"),
        ("shaped_step", "continuous_shaped_step"),
        ("demand", "continuous_demand"),
    ] {
        let (run, ideal) = (&one["models"][0][run], &one["models"][0][ideal]);
        let keys = |v: &serde_json::Value| -> Vec<String> {
            v.as_object().unwrap().keys().cloned().collect()
        };
        assert_eq!(keys(run), keys(ideal));
        assert!(keys(run).len() >= 4);
    }
    let of = |key: &str| one["models"][0][key]["overshoot_percent"].as_f64().unwrap();
    assert!((of("feedback_step") - of("continuous_feedback_step")).abs() < 1.0);
    // A sensor latency of 0.5 s is more than any of these tolerates.
    let late = withy(&[
        "examine",
        joint,
        set[0],
        set[1],
        "--sensor-latency-ms",
        "500",
    ]);
    assert_eq!(late.status.code(), Some(1));
    assert!(said(&late.stderr).contains("gain set pure-feedback: on model"));
    for (arguments, said_of) in [
        (
            ["--gain-set", "none"],
            "--gain-set is none; accepted: any-payload",
        ),
        (["--models", "config/none.yaml"], "config/none.yaml"),
        (
            ["--margin-floor-deg", "NaN"],
            "--margin-floor-deg is NaN; accepted: 0 to 180",
        ),
    ] {
        let wrong = withy(&["examine", joint, arguments[0], arguments[1]]);
        assert_eq!(wrong.status.code(), Some(2));
        assert!(
            said(&wrong.stderr).contains(said_of),
            "{}",
            said(&wrong.stderr)
        );
    }
}

/// In a plain shell, without ROS: commands without the graph work, and the others name the file to
/// source.
#[test]
#[cfg(feature = "ros")]
fn without_ros_in_the_environment_the_offline_commands_work_and_the_others_say_what_to_source() {
    let plain = |arguments: &[&str]| {
        Command::new(env!("CARGO_BIN_EXE_withy"))
            .args(arguments)
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .env_clear()
            // Where counts of executed lines go, not into the project's folder.
            .envs(std::env::vars_os().filter(|(name, _)| name == "LLVM_PROFILE_FILE"))
            .output()
            .unwrap()
    };
    let joint = "config/glasshouse-neck.yaml";
    for arguments in [&["--help"][..], &["check", joint], &["examine", joint]] {
        let out = plain(arguments);
        let said = String::from_utf8_lossy(&out.stderr);
        assert!(
            out.status.success() && said.is_empty(),
            "{arguments:?}: {said}"
        );
        assert!(!out.stdout.is_empty());
    }
    for arguments in [
        &["run", joint][..],
        &["simulate"],
        &["point", "--inclination-deg", "3", "--direction-deg", "0"],
        &["transition", "configure"],
        &["step-test", joint, "--output", "none.csv"],
        &["demo"],
    ] {
        let out = plain(arguments);
        let said = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(1), "{arguments:?}: {said}");
        assert!(
            said.contains("needs ROS 2, and AMENT_PREFIX_PATH is not set: source"),
            "{said}"
        );
        assert_eq!(said.lines().count(), 1, "{said}");
    }
}

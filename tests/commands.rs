//! The binary as people meet it: exit codes and sentences.

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
    for command in ["run", "simulate", "point", "demo", "check", "fit"] {
        assert!(said(&help.stdout).contains(command), "{command}");
    }
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

#[cfg(not(feature = "ros"))]
#[test]
fn without_a_graph_the_commands_say_so() {
    for arguments in [&["run", "config/glasshouse-neck.yaml"][..], &["demo"]] {
        let none = withy(arguments);
        assert_eq!(none.status.code(), Some(1), "{arguments:?}");
        let sentence = said(&none.stderr);
        assert!(
            sentence.contains("this build has no message graph"),
            "{sentence}"
        );
        assert_eq!(sentence.lines().count(), 1);
    }
}

//! Supervision on a real ROS 2 graph: each fault is set, and a client in another language (rclpy)
//! observes the effects.
#![cfg(feature = "ros")]

use crate::harness::{Stage, in_real_time};

const NECK: &str = "glasshouse-neck.yaml";

#[test]
fn sensors_that_fall_silent_or_repeat_themselves() {
    let mut stage = Stage::new();
    stage.withy_run(&[NECK], &[]);
    stage.plant(&[]);
    stage.client("faulty_sensors.py", &[]);
}

#[test]
fn what_is_wrong_with_the_joint() {
    let mut stage = Stage::new();
    stage.withy_run(&[NECK], &[]);
    stage.plant(&[]);
    stage.client("faulty_joint.py", &[]);
    let log = stage.log("withy");
    for rule in [
        "sensor_mismatch",
        "following_error",
        "position_limit",
        "over_bend",
    ] {
        let told = |line: &&str| line.contains(" ERROR ") && line.contains(rule);
        assert!(
            log.lines().any(|line| told(&line)),
            "no {rule} in the log:\n{log}"
        );
    }
}

#[test]
fn what_is_wrong_with_the_loop_and_with_its_commands() {
    let mut stage = Stage::new();
    stage.withy_run(&[NECK], &[]);
    stage.plant(&[]);
    stage.client("faulty_loop.py", &[]);
}

#[test]
fn ticks_that_come_late() {
    in_real_time(|stage| {
        stage.withy_run(&[NECK], &[]);
        stage.plant(&[]);
        let pid = stage.pid("withy").to_string();
        stage.client("late.py", &[&pid]);
    });
}

#[test]
fn guards_are_parameters() {
    let mut stage = Stage::new();
    let lines = "supervision:\n  slack: {limit_tendons: 2, latch: true}\n\nsettled:\n";
    stage.edit(NECK, "settled:\n", lines);
    stage.withy_run(&[NECK], &["-p", "supervision.position_limit.after:=0.25"]);
    stage.plant(&[]);
    stage.client("guards.py", &[]);
}

#[test]
fn tendons_are_let_down_where_the_beam_carries_the_head() {
    in_real_time(|stage| {
        stage.withy_run(&[NECK], &[]);
        stage.simulate("glasshouse-neck-simulated.yaml", &[]);
        let pid = stage.pid("withy").to_string();
        stage.client("releasing.py", &[&pid]);
        // A person at the console reads it as well.
        let log = stage.log("withy");
        for line in ["instead of releasing tension", "late_cycles has gone"] {
            assert!(log.contains(line), "no '{line}' in the log:\n{log}");
        }
    });
}

#[test]
fn a_joint_that_is_not_ready_is_not_set_going() {
    let mut stage = Stage::new();
    stage.withy_run(&[NECK], &[]);
    stage.plant(&["wrong=shift.0 7.0"]);
    stage.client("unready.py", &[]);
}

//! Command sources on a real ROS 2 graph: several rclpy nodes compete for one joint. The clients
//! are in `tests/graph/`.
#![cfg(feature = "ros")]

use crate::harness::Stage;

const NECK: &str = "glasshouse-neck.yaml";

/// Gaps in the samples of a stalled machine are outside these tests.
const PATIENT: [&str; 6] = [
    "-p",
    "limits.stale_imu:=2.0",
    "-p",
    "limits.stale_motors:=2.0",
    "-p",
    "limits.stop_after:=4.0",
];

/// Runs a joint with a plant and the scenario of `sources.py`. Returns the node's log.
fn plays(scenario: &str, ros: &[&str], change: impl FnOnce(&Stage)) -> String {
    let mut stage = Stage::new();
    change(&stage);
    stage.withy_run(&[NECK], &[&PATIENT, ros].concat());
    stage.plant(&[]);
    stage.client("sources.py", &[scenario]);
    eprint!("{}", stage.log("client"));
    stage.log("withy")
}

#[test]
fn two_sources_on_one_topic_are_told_and_refused_where_one_is_to_have_the_joint() {
    let log = plays("one", &[], |_| {});
    let told = "/garden_path, /visitor_gaze publish on this topic";
    // A refusal says it as well.
    let warned = |line: &&str| line.contains(told) && !line.contains("dropped");
    assert_eq!(log.lines().filter(warned).count(), 1, "said once\n{log}");
}

#[test]
fn two_sources_on_two_topics_are_told_apart_and_silence_loses_the_joint() {
    plays("two", &["-r", "~/desired_pose:=/look"], |_| {});
}

#[test]
fn sources_by_name_have_topics_of_their_own() {
    plays("named", &[], |stage| {
        let setpoint = "\nsetpoint:\n";
        let commands =
            "\ncommands: {exclusive: true, release_after_s: 1, sources: [teleop, autonomy]}\n";
        stage.edit(NECK, setpoint, &format!("{commands}{setpoint}"));
    });
}

#[test]
fn a_hold_holds_against_a_stream() {
    plays("hold", &[], |_| {});
}

#[cfg(has_control_msgs)]
#[test]
fn a_goal_against_a_stream() {
    plays("action", &[], |_| {});
}

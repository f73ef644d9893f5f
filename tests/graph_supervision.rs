//! Supervision on a real ROS 2 graph: everything that may be wrong is made wrong, and a client in another language (rclpy) sees
//! what follows.
#![cfg(feature = "ros")]

#[path = "graph/harness.rs"]
mod harness;

use harness::Stage;

const NECK: &str = "glasshouse-neck.yaml";

#[test]
fn guards_are_parameters() {
    let mut stage = Stage::new(94);
    let lines = "supervision:\n  slack: {limit_tendons: 2, latch: true}\n\nsettled:\n";
    stage.edit(NECK, "settled:\n", lines);
    stage.withy_run(&[NECK], &["-p", "supervision.travel.after:=0.25"]);
    stage.plant(&[]);
    stage.client("guards.py", &[]);
}

//! Capture of the orientation of a base without an IMU, over the graph. See `tests/graph/node.rs`.
#![cfg(feature = "ros")]

use crate::harness::Stage;

#[test]
fn base_orientation_is_captured_from_a_bare_straight_joint() {
    let mut stage = Stage::new();
    stage.simulate("glasshouse-neck-simulated.yaml", &[]);
    stage.withy_run(&["glasshouse-neck.yaml"], &[]);
    stage.client("capture.py", &[]);
}

#[test]
fn a_measured_base_is_not_captured() {
    let mut stage = Stage::new();
    stage.simulate("glasshouse-neck-pan-simulated.yaml", &[]);
    stage.withy_run(&["glasshouse-neck-pan.yaml"], &[]);
    stage.client("capture.py", &["measured"]);
}

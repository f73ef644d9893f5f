//! The node on a real ROS 2 graph: the real binary, a plant and clients in another language (rclpy). The clients
//! are in `tests/graph/`; each test has a ROS domain of its own.
#![cfg(feature = "ros")]

#[path = "graph/harness.rs"]
mod harness;

use harness::Stage;

#[test]
fn poses_in_setpoints_out_and_the_head_pose_held() {
    let mut stage = Stage::new(1);
    stage.withy_run(&["glasshouse-neck.yaml"], &[]);
    stage.plant(&[]);
    stage.client("tracks.py", &["/withy", "", ""]);
}

#[test]
fn remapping_and_namespace() {
    let mut stage = Stage::new(2);
    let ros = [
        "-r",
        "__ns:=/garden/neck",
        "-r",
        "__node:=guide",
        "-r",
        "~/desired_pose:=/look",
        "-r",
        "imu:=/garden/inertial",
        "-r",
        "joint_states:=/garden/joint_states",
    ];
    stage.withy_run(&["glasshouse-neck.yaml"], &ros);
    stage.plant(&["ns=/garden", "node=neck/guide", "imu_topic=inertial"]);
    stage.client(
        "tracks.py",
        &["/garden/neck/guide", "/garden", "/look", "inertial"],
    );
}

//! The incident recording on a real ROS 2 graph: the files of a fault and of a request agree with
//! what a client in another language (rclpy) received.
#![cfg(feature = "ros")]

use std::time::Duration;

use crate::harness::{Stage, in_real_time};

const NECK: &str = "glasshouse-neck.yaml";

#[test]
fn a_fault_and_a_request_write_what_others_saw() {
    let mut stage = Stage::new();
    let folder = stage.folder().join("state/withy/withy");
    // IMU gaps of a stalled machine are outside this test.
    let given = ["limits.feedback:=0.12", "limits.stale_imu:=2.0"];
    stage.withy_run(&[NECK], &["-p", given[0], "-p", given[1]]);
    stage.plant(&[]);
    stage.client("incident.py", &[folder.to_str().unwrap()]);
    stage.signal("withy", "-TERM");
    let status = stage.wait("withy", Duration::from_secs(20));
    assert!(status.success(), "{}", stage.log("withy"));
    assert!(stage.log("withy").contains("incident recording written"));
}

#[test]
fn a_kill_in_the_middle_leaves_no_half_file() {
    in_real_time(|stage| {
        let folder = stage.folder().join("kept");
        let given = format!("incidents.folder:={}", folder.display());
        stage.withy_run(&[NECK], &["-p", &given]);
        stage.plant(&[]);
        let pid = stage.pid("withy").to_string();
        stage.client(
            "incident_killed.py",
            &["kill", folder.to_str().unwrap(), &pid],
        );
        stage.wait("withy", Duration::from_secs(10));
        // The next node deletes the leftovers and writes.
        stage.withy_run(&[NECK], &["-p", &given]);
        stage.client("incident_killed.py", &["after", folder.to_str().unwrap()]);
    });
}

#[test]
fn a_folder_that_cannot_be_is_told_once_and_the_joint_goes_on() {
    let mut stage = Stage::new();
    let blocked = stage.folder().join("blocked");
    std::fs::write(&blocked, "").unwrap();
    let given = format!("incidents.folder:={}", blocked.join("in").display());
    stage.withy_run(&[NECK], &["-p", &given]);
    stage.plant(&[]);
    stage.client("incident_blocked.py", &[]);
    let log = stage.log("withy");
    assert_eq!(
        log.matches("cannot be written (logged once)").count(),
        1,
        "{log}"
    );
}

//! Faults of processes, topics and disks on a real ROS 2 graph; clients in another language (rclpy)
//! observe the effects.
#![cfg(feature = "ros")]

use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::Duration;

use crate::harness::{Stage, in_real_time};

const NECK: &str = "glasshouse-neck.yaml";

/// Joint file, simulated joint and command interface.
const KINDS: [(&str, &str, &str); 2] = [
    (NECK, "glasshouse-neck-simulated.yaml", "position"),
    (
        "glasshouse-neck-velocity.yaml",
        "glasshouse-neck-velocity-simulated.yaml",
        "velocity",
    ),
];

/// The heaviest payload of the joint file.
const HEAVY: &[&str] = &["--payload-g", "380", "--payload-height-mm", "60"];

#[test]
fn the_node_stopped_in_motion_with_a_heavy_head_and_going_on() {
    for (joint, simulated, kind) in KINDS {
        in_real_time(|stage| {
            stage.withy_run(&[joint], &[]);
            stage.simulate(simulated, HEAVY);
            let pid = stage.pid("withy").to_string();
            stage.client("node_stopped.py", &[&pid, kind]);
            println!("{}", stage.log("client"));
        });
    }
}

#[test]
fn the_joint_stopped_in_motion_with_a_heavy_head_and_going_on() {
    for (joint, simulated, kind) in KINDS {
        in_real_time(|stage| {
            stage.withy_run(&[joint], &[]);
            stage.simulate(simulated, HEAVY);
            let pid = stage.pid("simulated").to_string();
            stage.client("joint_stopped.py", &[&pid, kind]);
            println!("{}", stage.log("client"));
            let said = stage.log("simulated");
            assert!(said.contains("behind real time"), "{said}");
        });
    }
}

#[test]
fn the_joint_gone_in_motion_and_another_there_elsewhere() {
    for (joint, simulated, kind) in KINDS {
        in_real_time(|stage| {
            stage.withy_run(&[joint], &[]);
            stage.simulate(simulated, &[]);
            let pid = stage.pid("simulated").to_string();
            stage.client_begins("joint_gone.py", &[&pid, kind]);
            stage.wait("simulated", Duration::from_secs(120));
            stage.client_says("the joint is gone");
            stage.simulate(simulated, &[]);
            stage.client_ends();
            println!("{}", stage.log("client"));
        });
    }
}

#[test]
fn the_joint_s_topics_gone_one_at_a_time() {
    let mut stage = Stage::new();
    stage.withy_run(&[NECK], &[]);
    stage.plant(&[]);
    stage.client("topics_gone.py", &[]);
    println!("{}", stage.log("client"));
}

#[test]
fn parameters_set_as_fast_as_two_clients_can() {
    in_real_time(|stage| {
        // The clients set values on both sides of the usual ones.
        stage.edit(NECK, "over_bend_deg: 60", "over_bend_deg: 70");
        stage.edit(NECK, "feedback_rad: 0.15", "feedback_rad: 0.2");
        stage.withy_run(&[NECK], &[]);
        stage.simulate("glasshouse-neck-simulated.yaml", &[]);
        let pid = stage.pid("withy").to_string();
        stage.client("flooded.py", &[&pid]);
        println!("{}", stage.log("client"));
    });
}

#[test]
fn subscribers_that_never_take_a_message() {
    in_real_time(|stage| {
        stage.withy_run(&[NECK], &[]);
        stage.simulate("glasshouse-neck-simulated.yaml", &[]);
        let pid = stage.pid("withy").to_string();
        stage.client("sleepers.py", &[&pid]);
        println!("{}", stage.log("client"));
    });
}

/// Mounts a small file system over the folder `$1`, with the folder's files in it. Only the program
/// that follows sees it, and it ends with that program.
const SMALL_DISK: &str = r#"
set -e
cp -a "$1" "$1.files"
mount -t tmpfs -o size=8m withy "$1"
cp -a "$1.files/." "$1"
shift
exec "$@""#;

/// Returns true where this machine permits such a mount.
fn may_mount() -> bool {
    let folder = tempfile::tempdir().unwrap();
    let mut command = Command::new("unshare");
    command.args(["--mount", "sh", "-c", SMALL_DISK, "sh"]);
    let output = command.arg(folder.path()).arg("true").output();
    output.is_ok_and(|o| o.status.success())
}

#[test]
fn gains_and_incident_on_a_full_disk() {
    let mut stage = Stage::new();
    let folder = stage.config("gains");
    let small = may_mount();
    // In the other case the folder would lie beneath a file.
    let incident = if small {
        folder.join("incident")
    } else {
        stage.config(NECK).join("incident")
    };
    let incident = format!("incidents.folder:={}", incident.display());
    let node = stage.withy(&[NECK], &["-p", &incident]);
    let (seen, way);
    if small {
        let mut command = Command::new("unshare");
        command.args(["--mount", "sh", "-c", SMALL_DISK, "sh"]);
        command.arg(&folder).arg(node.get_program());
        command.args(node.get_args());
        for (name, value) in node.get_envs() {
            command.env(name, value.unwrap_or_default());
        }
        command.current_dir(stage.folder()).stdin(Stdio::null());
        stage.spawn("withy", command);
        let root = PathBuf::from(format!("/proc/{}/root", stage.pid("withy")));
        (seen, way) = (root.join(folder.strip_prefix("/").unwrap()), "full");
    } else {
        println!(
            "not run with a full disk: this user may not mount a file system; a folder that is \
             read-only instead"
        );
        let mut allowed = std::fs::metadata(&folder).unwrap().permissions();
        allowed.set_readonly(true);
        std::fs::set_permissions(&folder, allowed).unwrap();
        stage.spawn("withy", node);
        (seen, way) = (folder, "unwritable");
    }
    stage.simulate("glasshouse-neck-simulated.yaml", &[]);
    stage.client("disk_full.py", &[seen.to_str().unwrap(), way]);
    println!("{}", stage.log("client"));
}

//! A managed node on a real ROS 2 graph: the real binary, a plant and clients in another language
//! (rclpy). The tables are compared with rclpy's own lifecycle node. The clients are in
//! `tests/graph/`.
#![cfg(feature = "ros")]

use std::fs::OpenOptions;
use std::io::{ErrorKind, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::os::unix::process::ExitStatusExt;
use std::process::Command;
use std::time::{Duration, Instant};

use crate::harness::{Stage, in_real_time};
use nix::sys::ptrace;
use nix::sys::wait::{WaitPidFlag, WaitStatus, waitpid};
use nix::unistd::Pid;

const NECK: &str = "glasshouse-neck.yaml";

/// Writes copies of the neck's joint file, each in the namespace of its name.
fn apart(stage: &Stage, names: &[&str]) -> Vec<String> {
    let neck = std::fs::read_to_string(stage.config(NECK)).unwrap();
    let copy = |name: &&str| {
        let text = neck.replace("namespace: /", &format!("namespace: /{name}"));
        let file = format!("{name}.yaml");
        std::fs::write(stage.config(&file), text).unwrap();
        file
    };
    names.iter().map(copy).collect()
}

#[test]
fn every_transition_legal_and_illegal_from_each_state() {
    let mut stage = Stage::new();
    let files = apart(&stage, &["a", "b", "c"]);
    let files: Vec<_> = files.iter().map(String::as_str).collect();
    stage.withy_run_by_hand(&files, &[]);
    stage.plant(&["ns=/a"]);
    stage.client("transitions.py", &[]);
    // A finalized node still runs: its process ends on a signal.
    stage.signal("withy", "-TERM");
    let status = stage.wait("withy", Duration::from_secs(10));
    assert!(status.success(), "{status}\n{}", stage.log("withy"));
}

#[test]
fn a_joint_that_is_not_ready_is_not_activated() {
    let cases: [(&[&str], &[&str]); 3] = [
        (&["imu=off"], &["silent", "IMU"]),
        (&["unzeroed=7.0"], &["outside", "neck_motor_1", "travel"]),
        (&["start=1.2,0.0"], &["bent", "over_bend"]),
    ];
    for (plant, words) in cases {
        let mut stage = Stage::new();
        stage.withy_run_by_hand(&[NECK], &[]);
        stage.plant(plant);
        stage.client("not_ready.py", words);
    }
}

#[test]
fn deactivated_and_activated_without_a_jump() {
    for (joint, kind) in [
        (NECK, "position"),
        ("glasshouse-neck-velocity.yaml", "velocity"),
    ] {
        let mut stage = Stage::new();
        stage.withy_run(&[joint], &[]);
        stage.plant(&[&format!("kind={kind}")]);
        stage.client("steady.py", &[kind]);
    }
}

#[test]
fn two_joints_in_one_process_have_each_their_own_lifecycle() {
    let mut stage = Stage::new();
    let files = apart(&stage, &["left", "right"]);
    stage.withy_run_by_hand(&[&files[0], &files[1]], &[]);
    stage.plant(&["ns=/left", "--", "ns=/right"]);
    stage.client("apart.py", &[]);
}

#[test]
fn an_autostart_waits_and_tells() {
    for place in ["parameter", "joint file"] {
        let mut stage = Stage::new();
        match place {
            "parameter" => stage.withy_run(&[NECK], &[]),
            _ => {
                stage.edit(NECK, "# autostart: true", "autostart: true");
                stage.withy_run_by_hand(&[NECK], &[]);
            }
        }
        stage.plant(&["imu=off"]);
        stage.client("patient.py", &[]);
    }
}

/// Kills the node of a joint at rest or in motion. The motors hold, and a new node takes over
/// without a jump.
fn killed(kind: &str, way: &str) {
    let (joint, simulated) = match kind {
        "position" => (NECK, "glasshouse-neck-simulated.yaml"),
        _ => (
            "glasshouse-neck-velocity.yaml",
            "glasshouse-neck-velocity-simulated.yaml",
        ),
    };
    let mut stage = Stage::new();
    stage.withy_run(&[joint], &[]);
    stage.simulate(simulated, &[]);
    let pid = stage.pid("withy").to_string();
    stage.client("after_kill.py", &["before", kind, way, &pid]);
    println!("{kind} {way}: {}", stage.log("client"));
    let status = stage.wait("withy", Duration::from_secs(10));
    assert_eq!(status.signal(), Some(9), "{status}");
    stage.withy_run_by_hand(&[joint], &[]);
    stage.client("after_kill.py", &["after", kind, way, "0"]);
    println!("{kind} {way}: {}", stage.log("client"));
    let log = stage.log("withy");
    assert!(kind != "velocity" || log.contains("timeout"), "{log}");
}

#[test]
fn after_a_kill_at_rest_the_motors_hold_and_a_new_node_takes_over() {
    killed("position", "resting");
}

#[test]
fn after_a_kill_in_motion_the_motors_hold_and_a_new_node_takes_over() {
    killed("position", "moving");
}

#[test]
fn after_a_kill_at_rest_velocity_drives_stop_and_a_new_node_takes_over() {
    killed("velocity", "resting");
}

#[test]
fn after_a_kill_in_motion_velocity_drives_stop_and_a_new_node_takes_over() {
    killed("velocity", "moving");
}

#[test]
fn a_process_that_is_stopped_and_goes_on_says_so_and_holds() {
    in_real_time(|stage| {
        stage.withy_run(&[NECK], &[]);
        stage.plant(&[]);
        let pid = stage.pid("withy").to_string();
        stage.client("frozen.py", &[&pid]);
        println!("{}", stage.log("client"));
        assert!(stage.log("withy").contains("stood still for"));
    });
}

/// Stops a thread of a process, found by its name (proc(5): task/[tid]/comm), until it is dropped.
struct Held(Pid);

impl Held {
    fn new(process: u32, thread: &str) -> Self {
        let tasks = std::fs::read_dir(format!("/proc/{process}/task")).unwrap();
        let task = tasks.map(|task| task.unwrap().path()).find(|task| {
            std::fs::read_to_string(task.join("comm")).is_ok_and(|name| name.trim_end() == thread)
        });
        let task = task.unwrap_or_else(|| panic!("no thread {thread}"));
        let id = task.file_name().unwrap().to_str().unwrap().parse().unwrap();
        let id = Pid::from_raw(id);
        ptrace::seize(id, ptrace::Options::empty()).unwrap();
        ptrace::interrupt(id).unwrap();
        // __WALL: it is a thread of another process.
        let stopped = waitpid(id, Some(WaitPidFlag::__WALL)).unwrap();
        assert!(
            matches!(stopped, WaitStatus::PtraceEvent(..)),
            "{stopped:?}"
        );
        Self(id)
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        // A thread that ended with its process must be waited for by its tracer, and so must the
        // process.
        if ptrace::detach(self.0, None).is_err() {
            let _ = waitpid(self.0, Some(WaitPidFlag::__WALL));
        }
    }
}

#[test]
fn a_loop_that_is_stuck_is_told_and_the_rest_goes_on() {
    in_real_time(|stage| {
        stage.withy_run(&[NECK], &[]);
        stage.plant(&[]);
        stage.client_begins("stuck.py", &[]);
        stage.client_says("hold the loop");
        let held = Held::new(stage.pid("withy"), "loop");
        stage.client_says("let it go");
        drop(held);
        stage.client_says("hold the loop again");
        let held = Held::new(stage.pid("withy"), "loop");
        stage.client_ends();
        stage.until_said("withy", "see the log and /diagnostics");
        drop(held);
        let status = stage.wait("withy", Duration::from_secs(10));
        let log = stage.log("withy");
        assert_eq!(status.code(), Some(1), "{log}");
        for words in [
            "the control loop has not ticked for",
            "the control loop has ticked again, after",
            "deactivate failed: the control loop does not answer; finalized",
            "withy: the control loop of /withy does not run any more",
        ] {
            assert!(log.contains(words), "{words} is not in {log}");
        }
    });
}

#[test]
fn a_latched_fault_keeps_the_joint_from_being_activated() {
    let mut stage = Stage::new();
    stage.withy_run(&[NECK], &[]);
    stage.plant(&[]);
    stage.client("latched.py", &[]);
}

#[test]
fn signals_bring_it_to_rest_deactivate_and_finalize_it() {
    for signal in ["15", "2"] {
        in_real_time(|stage| {
            stage.withy_run(&[NECK], &[]);
            stage.plant(&[]);
            let pid = stage.pid("withy").to_string();
            stage.client("ended.py", &[&pid, signal]);
            println!("{}", stage.log("client"));
            let status = stage.wait("withy", Duration::from_secs(10));
            let log = stage.log("withy");
            assert!(status.success(), "{status}\n{log}");
            for words in [
                "bringing the joints to rest",
                "inactive after",
                "at rest after",
                "finalized after",
                "shut down after",
            ] {
                assert!(log.contains(words), "{words} is not in {log}");
            }
        });
    }
}

#[test]
fn the_end_is_bounded_where_something_blocks_and_a_second_signal_ends_at_once() {
    for (signals, most) in [(2, 3.0), (1, 12.0)] {
        in_real_time(|stage| {
            // The node's log goes into a pipe that nobody reads, and whose read end is open here.
            let pipe = stage.folder().join("log");
            let made = Command::new("mkfifo").arg(&pipe).status().unwrap();
            assert!(made.success());
            let mut reader = OpenOptions::new();
            // O_NONBLOCK of Linux on all its usual machines.
            reader.read(true).write(true).custom_flags(0o4000);
            let mut reader = reader.open(&pipe).unwrap();
            let err = OpenOptions::new().write(true).open(&pipe).unwrap();
            let mut command = stage.withy(&[NECK], &[]);
            let mut node = command.stderr(err).spawn().unwrap();
            stage.plant(&[]);
            let mut said = String::new();
            let begin = Instant::now();
            while !said.contains("INFO active after") || !said.ends_with('\n') {
                let mut bytes = [0; 4096];
                match reader.read(&mut bytes) {
                    Ok(count) => said += &String::from_utf8_lossy(&bytes[..count]),
                    Err(e) if e.kind() == ErrorKind::WouldBlock => {}
                    Err(e) => panic!("{e}"),
                }
                assert!(begin.elapsed() < Duration::from_secs(60), "{said}");
                std::thread::sleep(Duration::from_millis(5));
            }
            // Fills it to the last byte.
            for piece in [4096, 1] {
                while reader.write(&vec![b' '; piece]).is_ok() {}
            }
            let signal = || {
                let id = node.id().to_string();
                let sent = Command::new("kill").args(["-TERM", &id]).status();
                assert!(sent.unwrap().success());
            };
            signal();
            let begin = Instant::now();
            if signals == 2 {
                // Two signals that arrive together count as one.
                while begin.elapsed() < Duration::from_millis(300) {
                    std::thread::sleep(Duration::from_millis(10));
                }
                signal();
            }
            let status = loop {
                if let Some(status) = node.try_wait().unwrap() {
                    break status;
                }
                if begin.elapsed() > Duration::from_secs_f64(most) {
                    let _ = node.kill();
                    let _ = node.wait();
                    panic!("not ended within {most} s");
                }
                std::thread::sleep(Duration::from_millis(10));
            };
            println!(
                "{signals} signals: {status} after {:.2} s",
                begin.elapsed().as_secs_f64()
            );
            assert!(!status.success());
        });
    }
}

#[test]
fn transitions_by_hand_and_commands_to_a_joint_that_is_not_driven() {
    in_real_time(|stage| {
        let transition = |stage: &Stage, name: &str, code: i32| -> String {
            let output = stage.transition(name).output().unwrap();
            let said = String::from_utf8_lossy(&output.stdout).into_owned()
                + &String::from_utf8_lossy(&output.stderr);
            assert_eq!(output.status.code(), Some(code), "{name}: {said}");
            assert_eq!(said.lines().count(), 1, "{said}");
            said
        };
        let said = transition(stage, "configure", 1);
        assert!(said.contains("no node answers as /withy"), "{said}");
        let said = stage.transition("fly").output().unwrap();
        assert_eq!(said.status.code(), Some(2));

        stage.withy_run_by_hand(&[NECK], &[]);
        stage.plant(&["imu=off"]);
        stage.until_said("withy", "running");
        let said = transition(stage, "activate", 1);
        for words in ["did not activate", "is unconfigured", "configure (1)"] {
            assert!(said.contains(words), "{said}");
        }
        let said = transition(stage, "configure", 0);
        assert!(
            said.starts_with("/withy: unconfigured to inactive in "),
            "{said}"
        );
        let said = transition(stage, "activate", 1);
        for words in ["did not activate", "is inactive", "IMU"] {
            assert!(said.contains(words), "{said}");
        }

        let pose = ["--inclination-deg", "5", "--direction-deg", "0"];
        let output = stage.point(&pose, &["--timeout-s", "60"]).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{said}");
        assert!(said.contains("refuses the target"), "{said}");
        assert!(said.contains("the node is inactive"), "{said}");
        let steps = [
            "--direction-deg",
            "17",
            "--payload-g",
            "0",
            "--payload-height-mm",
            "0",
        ];
        stage.step_test(NECK, &steps);
        let status = stage.wait("steps", Duration::from_secs(30));
        let said = stage.log("steps");
        assert_eq!(status.code(), Some(1), "{said}");
        assert!(said.contains("its node is inactive; activate it"), "{said}");

        stage.client("imu_on.py", &[]);
        transition(stage, "activate", 0);
        let output = stage.point(&pose, &["--timeout-s", "60"]).output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{output:?}");
        for (name, way) in [
            ("deactivate", "active to inactive"),
            ("cleanup", "inactive to unconfigured"),
            ("shutdown", "unconfigured to finalized"),
        ] {
            let said = transition(stage, name, 0);
            assert!(said.contains(way), "{said}");
        }
        let said = transition(stage, "configure", 1);
        assert!(said.contains("restart the node"), "{said}");
    });
}

#[cfg(has_control_msgs)]
#[test]
fn a_goal_to_a_joint_that_is_not_driven_is_rejected() {
    let mut stage = Stage::new();
    stage.withy_run_by_hand(&["glasshouse-neck-pan.yaml"], &[]);
    stage.simulate("glasshouse-neck-pan-simulated.yaml", &[]);
    stage.client("idle_goal.py", &[]);
}

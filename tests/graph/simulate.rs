//! The simulated joint as a process: refused options, inputs and outputs, and its end on a signal.
#![cfg(feature = "ros")]

use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use crate::harness::{domain, python};

fn simulate(domain: u32, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_withy"));
    command
        .arg("simulate")
        .args(arguments)
        .env("ROS_DOMAIN_ID", domain.to_string())
        .env("ROS_AUTOMATIC_DISCOVERY_RANGE", "LOCALHOST");
    command
}

#[test]
fn bad_options_are_refused_with_one_sentence() {
    let refusals: [(&[&str], &str); 11] = [
        (&["--imu-rate-hz", "nan"], "IMU rate"),
        (&["--imu-latency-ms", "-1"], "IMU latency"),
        (&["--stiction-rad", "-0.1"], "stiction"),
        (&["--motor-speed-scale", "0"], "speed scale"),
        (&["--payload-g", "20000"], "payload mass"),
        (&["--push-ms", "inf"], "--push-ms"),
        (
            &["--base-oscillation-deg", "nan"],
            "--base-oscillation-deg is NaN",
        ),
        (
            &["--base-oscillation-deg", "20"],
            "--base-oscillation-hz is 0",
        ),
        (
            &["--base-oscillation-hz", "0.2"],
            "--base-oscillation-deg is 0",
        ),
        (
            &["--base-oscillation-hz", "6"],
            "--base-oscillation-hz is 6; accepted: 0 to 5",
        ),
        (&["no-such-file.yaml"], "no-such-file.yaml"),
    ];
    for (arguments, word) in refusals {
        // clap takes a negative number for an option unless it is joined to its own.
        let joined = arguments.join("=");
        let output = simulate(domain(), &[&joined]).output().unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{joined}: {said}");
        assert_eq!(said.lines().count(), 1, "{said}");
        assert!(said.contains(word), "{joined}: {said}");
    }
}

#[test]
fn bad_options_of_lockstep_are_refused_with_one_sentence() {
    let refusals: [(&[&str], &str); 4] = [
        (
            &["--step-ms", "0.5"],
            "--step-ms is 0.5; accepted: 1 to 100",
        ),
        (&["--step-ms", "nan"], "--step-ms is NaN"),
        (
            &["--patience-s", "0"],
            "--patience-s is 0; accepted: 0.1 to 3600",
        ),
        (&["--speed", "21"], "--speed is 21; accepted: 0.01 to 20"),
    ];
    for (arguments, words) in refusals {
        let all = [&["--clock", "--lockstep"], arguments].concat();
        let output = simulate(domain(), &all).output().unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{all:?}: {said}");
        assert_eq!(said.lines().count(), 1, "{said}");
        assert!(said.contains(words), "{all:?}: {said}");
    }
    // The joint controls time only with a clock.
    let output = simulate(domain(), &["--lockstep"]).output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("--clock"), "{said}");
}

#[test]
fn signals_end_it_cleanly_and_soon() {
    for signal in [Signal::SIGINT, Signal::SIGTERM] {
        let mut child = simulate(
            domain(),
            &["--seed", "3", "--tolerances", "--payload-g", "210"],
        )
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
        // Its first line reports that it runs.
        let mut first = String::new();
        let said = child.stderr.take().unwrap();
        BufReader::new(said).read_line(&mut first).unwrap();
        assert!(first.contains("running"), "{first}");
        let told = Instant::now();
        kill(Pid::from_raw(child.id() as i32), signal).unwrap();
        let status = child.wait().unwrap();
        assert!(status.success(), "{signal}: {status}");
        assert!(
            told.elapsed() < Duration::from_secs(3),
            "{:?}",
            told.elapsed()
        );
    }
}

/// A running `withy simulate`; ended with the test.
struct Running(std::process::Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Runs the simulated neck with its pan, and a client in another language that observes it.
fn look(arguments: &[&str], what: &[&str]) {
    let domain = domain();
    let root = env!("CARGO_MANIFEST_DIR");
    let file = format!("{root}/config/glasshouse-neck-pan-simulated.yaml");
    let arguments = [&[file.as_str()], arguments].concat();
    let _running = Running(simulate(domain, &arguments).spawn().unwrap());
    let output = python(|path| Command::new(path))
        .arg(format!("{root}/tests/graph/simulated_pan.py"))
        .args(what)
        .env("ROS_DOMAIN_ID", domain.to_string())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
}

/// Pan motor by name, the base's IMU, a base that tilts, and the true pose.
#[test]
fn pan_and_base_on_the_graph() {
    look(&[], &[]);
}

/// A base that oscillates from the start.
#[test]
fn swinging_base_on_the_graph() {
    look(
        &[
            "--base-oscillation-deg",
            "10",
            "--base-oscillation-hz",
            "0.5",
        ],
        &["swings"],
    );
}

//! Simulated time in lockstep on a real ROS 2 graph: the same seed and commands give the same
//! recording, byte for byte, under any load of the machine.
#![cfg(feature = "ros")]

use std::hash::{DefaultHasher, Hash, Hasher};

use crate::harness::Stage;

/// Returns the node's own recording of a joint with this seed, cycle by cycle: measured, computed
/// and sent values. The head is left out, since it has the date.
fn recording(joints: [&str; 2], what: &str, seed: &str, second: bool) -> String {
    let mut stage = Stage::new();
    let [joint, simulated] = joints;
    let mut options = vec!["--seed", seed];
    let mut nodes = vec![joint];
    let (file, other);
    if second {
        // A second copy of the neck, in a namespace of its own, on the same clock.
        for (from, to) in [(joint, "second.yaml"), (simulated, "second-simulated.yaml")] {
            let text = std::fs::read_to_string(stage.config(from)).unwrap();
            let text = text.replace("namespace: /", "namespace: /second");
            std::fs::write(stage.config(to), text).unwrap();
        }
        file = stage.config("second-simulated.yaml");
        other = file.to_str().unwrap().to_owned();
        options.push(&other);
        nodes.push("second.yaml");
    }
    stage.withy_run_by_hand(&nodes, &[]);
    stage.simulate(simulated, &options);
    stage.client("same.py", &[what]);
    let log = stage.log("client");
    let path = log.lines().find_map(|line| line.strip_prefix("recording "));
    let text = std::fs::read_to_string(path.expect("a recording")).unwrap();
    let rows: Vec<_> = text.lines().filter(|line| !line.starts_with('#')).collect();
    // Nine seconds at 200 Hz, and the line of names.
    assert!((1750..=1850).contains(&rows.len()), "{} rows", rows.len());
    rows.join("\n")
}

/// Checks that two runs are the same. Returns the first.
fn same(joints: [&str; 2], what: &str, second: bool) -> String {
    let first = recording(joints, what, "7", second);
    let again = recording(joints, what, "7", second);
    let differs = first.lines().zip(again.lines()).position(|(a, b)| a != b);
    if let Some(row) = differs {
        let (a, b) = (
            first.lines().nth(row).unwrap(),
            again.lines().nth(row).unwrap(),
        );
        panic!("row {row} differs:\n{a}\n{b}");
    }
    assert_eq!(first.len(), again.len());
    let mut hash = DefaultHasher::new();
    first.hash(&mut hash);
    println!(
        "{what}: {:016x}, to compare with other runs of this build",
        hash.finish()
    );
    first
}

const NECK: [&str; 2] = ["glasshouse-neck.yaml", "glasshouse-neck-simulated.yaml"];

#[test]
fn a_joint_records_the_same_in_every_run() {
    let first = same(NECK, "neck", false);
    // Another seed gives another build of the joint and other noise.
    assert_ne!(first, recording(NECK, "neck", "8", false));
}

#[test]
fn a_joint_that_looks_at_things_records_the_same_in_every_run() {
    let pan = [
        "glasshouse-neck-pan.yaml",
        "glasshouse-neck-pan-simulated.yaml",
    ];
    same(pan, "pan", false);
}

#[test]
fn two_joints_on_one_clock_record_the_same_in_every_run() {
    same(NECK, "neck", true);
}

#[test]
fn time_waits_for_who_has_not_come_goes_on_without_who_has_gone_and_waits_again() {
    let mut stage = Stage::new();
    stage.withy_run(&[NECK[0]], &[]);
    stage.simulate(NECK[1], &["--patience-s", "1"]);
    stage.until_said(
        "simulated",
        "nothing has arrived on /client/acknowledged yet",
    );
    assert!(!stage.log("withy").contains("INFO active after"));
    stage.client("ready.py", &[]);
    stage.until_said("simulated", "no answer on /client/acknowledged for 1 s");
    stage.client("ready.py", &[]);
    stage.until_said(
        "simulated",
        "on /client/acknowledged again: in lockstep again",
    );
}

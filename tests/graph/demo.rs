//! The demo as users run it, shortened: its verdict is good, and bad with feedback switched off.
#![cfg(feature = "ros")]

use std::path::Path;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

use crate::harness::{IN_LOCKSTEP, Turn};

/// Returns the command of the short demo, with its files in `folder`. The demo takes a ROS domain
/// of its own.
fn short(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_withy"));
    command.args(["demo", "--quick", "--output"]).arg(folder);
    command
}

/// Runs it.
fn demo(folder: &Path, more: &[&str]) -> Output {
    let _turn = Turn::new(IN_LOCKSTEP);
    short(folder).args(more).output().unwrap()
}

/// Returns the number of processes that have a file of `folder` open.
fn users(folder: &Path) -> usize {
    let folder = folder.canonicalize().unwrap();
    let processes = std::fs::read_dir("/proc").unwrap().flatten();
    // Processes of other users, or that end meanwhile, are not seen.
    let files = processes.map(|p| std::fs::read_dir(p.path().join("fd")).into_iter().flatten());
    let open = |file: std::io::Result<std::fs::DirEntry>| {
        let path = std::fs::read_link(file.ok()?.path()).ok()?;
        path.starts_with(&folder).then_some(())
    };
    files.filter_map(|mut f| f.find_map(open)).count()
}

fn said(output: &Output) -> String {
    format!(
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    )
}

/// Returns the lines of the verdict's table that pass and that fail.
fn bars(text: &str) -> (Vec<&str>, Vec<&str>) {
    let with = |word: &str| {
        let marked = |l: &&str| l.contains(word);
        text.lines().filter(marked).collect::<Vec<_>>()
    };
    (with("  pass  "), with("  FAIL  "))
}

#[test]
fn verdict_is_good_and_leaves_picture_and_recording() {
    let folder = tempfile::tempdir().unwrap();
    let output = demo(folder.path(), &[]);
    let text = said(&output);
    println!("{text}");
    assert_eq!(output.status.code(), Some(0));
    assert!(text.contains("verdict: good"));
    let (pass, fail) = bars(&text);
    assert_eq!((pass.len(), fail.len()), (10, 0));
    let svg = std::fs::read_to_string(folder.path().join("demo.svg")).unwrap();
    assert!(svg.starts_with("<svg") && svg.ends_with("</svg>\n") && !svg.contains("<script"));
    // The recording agrees with the verdict: at the end of the move to 20 deg at 47 deg the joint
    // stands there.
    let csv = std::fs::read_to_string(folder.path().join("demo.csv")).unwrap();
    let rows: Vec<Vec<f64>> = csv
        .lines()
        .skip(1)
        .map(|l| {
            l.split(',')
                .map(|v| v.parse().unwrap_or(f64::NAN))
                .collect()
        })
        .collect();
    let asked = |row: &&Vec<f64>| (row[1] - 20.0).abs() < 1e-3 && (row[2] - 47.0).abs() < 1e-3;
    let there: Vec<&Vec<f64>> = rows.iter().filter(asked).collect();
    let held = there[there.len() / 10 * 4..there.len() / 10 * 5].iter();
    assert!(held.clone().count() > 20);
    for row in held {
        assert!(
            (row[3] - 20.0).abs() < 0.5 && (row[4] - 47.0).abs() < 1.0,
            "{row:?}"
        );
    }
}

#[test]
fn verdict_is_bad_without_feedback() {
    let folder = tempfile::tempdir().unwrap();
    let output = demo(folder.path(), &["--feedback-off"]);
    let text = said(&output);
    println!("{text}");
    assert_eq!(output.status.code(), Some(1));
    assert!(text.contains("verdict: NOT GOOD"));
    let (_, fail) = bars(&text);
    assert!(fail.iter().any(|l| l.starts_with("mean error")));
    assert!(text.contains("the verdict is not good"));
}

/// A reader may close the pipe early: the demo ends, and its processes with it.
#[test]
fn demo_ends_with_its_processes_when_nobody_reads_it() {
    let _turn = Turn::new(IN_LOCKSTEP);
    let folder = tempfile::tempdir().unwrap();
    let (mut reader, writer) = std::io::pipe().unwrap();
    let mut command = short(folder.path());
    let running = command
        .stdout(writer)
        .stderr(std::process::Stdio::piped())
        .spawn();
    let mut running = running.unwrap();
    // This end of the pipe is closed with it.
    drop(command);
    // Its processes start after its first output.
    std::io::Read::read_exact(&mut reader, &mut [0]).unwrap();
    let patience = Instant::now() + Duration::from_secs(60);
    while users(folder.path()) < 2 {
        assert!(Instant::now() < patience && running.try_wait().unwrap().is_none());
        std::thread::sleep(Duration::from_millis(20));
    }
    drop(reader);
    let ended = running.wait_with_output().unwrap();
    let text = said(&ended);
    assert_eq!(ended.status.code(), Some(1), "{text}");
    assert_eq!(
        text,
        "withy: the demo ended early: its output is closed, and its results would not be seen\n"
    );
    assert_eq!(users(folder.path()), 0);
}

#[test]
fn demo_refuses_a_joint_without_its_gain_sets() {
    let folder = tempfile::tempdir().unwrap();
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/glasshouse-neck-velocity.yaml");
    let output = demo(folder.path(), &["--joint", file.to_str().unwrap()]);
    let text = said(&output);
    assert_eq!(output.status.code(), Some(2), "{text}");
    assert!(
        text.contains("glasshouse-neck-velocity.yaml") && text.contains("accepted"),
        "{text}"
    );
}

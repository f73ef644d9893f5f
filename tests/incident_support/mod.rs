//! Common parts of the tests of the incident recording.
#![allow(dead_code, reason = "each test file uses its own part")]

use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::common::Loop;
use withy::control::tick::Mode;
use withy::files::JointFile;
use withy::runtime::link::{Counts, Record};
use withy::runtime::recorder::{
    About, Facts, IncidentRecorder, KeepError, Layout, Pace, Recorder, RecordingStore, Writer,
};

pub const ZERO_NS: i64 = 1_773_820_800_000_000_007;

/// Longest wait for a file.
pub const PATIENCE: Duration = Duration::from_secs(120);

pub fn about(file: &JointFile) -> About {
    About {
        node: "/glasshouse/neck".into(),
        version: "0.0.0".into(),
        period: file.joint.period,
        layout: Layout {
            motors: file.motor_names.clone(),
            pan: file.pan_name.clone(),
            base_imu: file.joint.base_from_imu.is_some(),
            kind: file.kind,
        },
        lines: vec![(
            "joint_file_text".into(),
            "name: neck\n  # a note: with a colon\n".into(),
        )],
    }
}

pub fn facts() -> Facts {
    Facts {
        zero_ns: ZERO_NS,
        lines: vec![("refused".into(), "imu.not_finite = 3".into())],
    }
}

pub fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    found.sort();
    found
}

/// Returns an incident recording that writes into `folder`.
pub fn writing(file: &JointFile, folder: &Path, pace: Pace) -> (IncidentRecorder, Recorder) {
    let (incident, recorder) = IncidentRecorder::new(about(file));
    let store = RecordingStore::new(folder.into(), "/glasshouse/neck", 1_000_000_000);
    Writer::new(incident.clone(), store, pace, facts)
        .start()
        .unwrap();
    (incident, recorder)
}

pub fn asked(incident: &IncidentRecorder) -> Result<PathBuf, KeepError> {
    incident.request().recv_timeout(PATIENCE).unwrap()
}

pub fn until(what: &str, mut done: impl FnMut() -> bool) {
    let start = Instant::now();
    while !done() {
        assert!(start.elapsed() < PATIENCE, "{what}");
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// Returns a cycle with few known values.
pub fn plain(tick: u64, period: f64) -> Record {
    let mut record = Record::new(4);
    record.at = tick as f64 * period;
    record.counts.ticks = tick;
    record.output.mode = Mode::Tracking;
    record
}

/// Returns the last cycle of a closed loop, as the loop passes it on.
pub fn record_of(closed: &Loop) -> Record {
    Record {
        at: closed.record.last().unwrap().time,
        sequence: closed.input.desired.map(|d| d.sequence),
        input: closed.input.clone(),
        output: closed.out.clone(),
        counts: Counts {
            ticks: closed.ticks,
            late: 2,
            missed: 1,
            ..Counts::default()
        },
    }
}

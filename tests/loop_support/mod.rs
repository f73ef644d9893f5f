//! Common parts of the tests of the loop's thread.

use std::path::Path;
use std::time::{Duration, Instant};

use withy::files::JointFile;
use withy::runtime::link::Program;

/// Only failures wait this long.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// Loads a shipped joint file.
pub fn neck(name: &str) -> JointFile {
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    JointFile::load(config.join(name)).unwrap()
}

/// Returns a loop's program: the joint, and one of its gain sets.
pub fn program(file: &JointFile, set: usize) -> Program {
    Program {
        joint: file.joint.clone(),
        law: file.law(set).unwrap(),
    }
}

pub fn until(what: &str, mut condition: impl FnMut() -> bool) {
    let start = Instant::now();
    while !condition() {
        assert!(start.elapsed() < PATIENCE, "waited in vain: {what}");
        std::thread::sleep(Duration::from_micros(100));
    }
}

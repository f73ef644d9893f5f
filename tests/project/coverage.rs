//! Effect of coverage counting on a program: the counters lose their lock, and nothing else
//! changes.

use std::fs;
use std::path::Path;
use std::process::Command;

/// Two threads increment one atomic number, and the compiler's counters of their lines.
const PROGRAM: &str = r#"
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
static SUM: AtomicU64 = AtomicU64::new(0);
#[inline(never)]
fn add() { SUM.fetch_add(1, Relaxed); }
fn main() {
    let threads = [(); 2].map(|_| std::thread::spawn(|| for _ in 0..100_000 { add(); }));
    for thread in threads { thread.join().unwrap(); }
    println!("{}", SUM.load(Relaxed));
}
"#;

fn run(command: &mut Command) -> String {
    let output = command.output().unwrap();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?}: {errors}");
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn only_the_counters_lose_their_lock() {
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("sum.rs");
    let program = folder.path().join("sum");
    fs::write(&source, PROGRAM).unwrap();
    let compiler = std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
    let wrapper = Path::new(env!("CARGO_MANIFEST_DIR")).join("launch-free-scripts/coverage/rustc");
    let arguments = [
        "--edition=2024",
        "--crate-name",
        "sum",
        "-Copt-level=3",
        "-o",
        program.to_str().unwrap(),
        source.to_str().unwrap(),
    ];

    let linker = std::env::var("CARGO_TARGET_X86_64_UNKNOWN_LINUX_GNU_LINKER");
    let linker = format!("-Clinker={}", linker.as_deref().unwrap_or("cc"));
    let mut plain = Command::new(&compiler);
    run(plain
        .args(["-Cinstrument-coverage", &linker])
        .args(arguments));
    let locked = fs::read(&program).unwrap();
    run(Command::new(wrapper).arg(&compiler).args(arguments));
    let unlocked = fs::read(&program).unwrap();

    assert_eq!(locked.len(), unlocked.len());
    let changed: Vec<_> = locked
        .iter()
        .zip(&unlocked)
        .filter(|(before, after)| before != after)
        .collect();
    assert!(changed.iter().all(|change| *change == (&0xf0, &0x2e)));
    if cfg!(target_arch = "x86_64") {
        assert!(!changed.is_empty());
    }

    let counts = folder.path().join("sum.profraw");
    let printed = run(Command::new(&program).env("LLVM_PROFILE_FILE", &counts));
    assert_eq!(printed, "200000\n", "the program's own lock is gone");
    assert!(fs::metadata(counts).unwrap().len() > 0);
}

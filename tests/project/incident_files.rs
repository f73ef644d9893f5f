//! The files of the incident recording: whole or absent, within their limit, and beside other
//! files; and their reader.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, SystemTime};

use crate::common::Neck;
use crate::incident_support::{ZERO_NS, asked, files, plain, record_of, until, writing};
use nix::fcntl::{Flock, FlockArg};
use proptest::prelude::*;
use withy::runtime::recorder::{IncidentFile, Level, PART, Pace, RecordingStore, own_name};

/// Returns the bytes of all files in a folder.
fn taken(folder: &Path) -> u64 {
    files(folder)
        .iter()
        .map(|f| fs::symlink_metadata(f).unwrap().len())
        .sum()
}

#[test]
fn the_bound_holds_at_any_time_and_others_files_stay() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let stamp = "20200101T000000.000Z-request.csv";
    let others = [
        "notes.txt".to_string(),
        format!("meadow.neck-{stamp}"),
        format!("glasshouse.neck2-{stamp}"),
        format!("meadow.neck-{stamp}{PART}"),
        "glasshouse.neck-2020.csv".into(),
        format!("my copy of glasshouse.neck-{stamp}"),
    ];
    for name in &others {
        fs::write(at.join(name), name).unwrap();
    }
    // Only the name matches: a folder and a link.
    fs::create_dir(at.join(format!("glasshouse.neck-{stamp}"))).unwrap();
    let linked = at.join("glasshouse.neck-20200101T000001.000Z-request.csv");
    std::os::unix::fs::symlink(at.join("notes.txt"), &linked).unwrap();
    let foreign = files(at).len();
    let foreign_bytes = taken(at);

    let limit = 4_000_000;
    let store = RecordingStore::new(at.into(), "/glasshouse/neck", limit);
    let mut kept = Vec::new();
    for number in 0..12 {
        let now = SystemTime::now();
        let path = store
            .keep("imu_frozen", now, |out| {
                for _ in 0..100 {
                    out.write_all(&[b'x'; 10_007])?;
                    let all = taken(at) - foreign_bytes;
                    assert!(all <= limit, "{all} bytes while file {number} is written");
                }
                Ok(())
            })
            .unwrap();
        kept.push(path);
        let (files, bytes) = store.usage().unwrap();
        assert!(bytes <= limit && files <= 3, "{files} files, {bytes} bytes");
    }
    let left: Vec<_> = files(at).into_iter().filter(|f| kept.contains(f)).collect();
    assert_eq!(left, kept[kept.len() - 3..], "the newest stay");
    assert_eq!(files(at).len(), foreign + 3);
    for name in &others {
        assert_eq!(fs::read_to_string(at.join(name)).unwrap(), *name);
    }

    // A single file beyond the limit: reported, and nothing of it is left.
    let before = files(at);
    let told = store.keep("request", SystemTime::now(), |out| {
        (0..500).try_for_each(|_| out.write_all(&[b'x'; 10_000]))
    });
    let told = told.unwrap_err().to_string();
    assert!(told.contains("disk_limit, 4 MB"), "{told}");
    assert!(files(at).iter().all(|f| before.contains(f)));
}

#[test]
fn requests_have_a_quota_of_their_own() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let store = RecordingStore::new(at.into(), "/neck", 4_000_000);
    let keep = |cause: &str, bytes: usize| {
        store.keep(cause, SystemTime::now(), |out| {
            out.write_all(&vec![b'x'; bytes])
        })
    };
    let count = |word: &str| {
        let names = files(at).into_iter().map(|f| f.display().to_string());
        names.filter(|name| name.contains(word)).count()
    };
    let faults: Vec<_> = (0..3).map(|_| keep("slack", 1_000_000).unwrap()).collect();
    // However many requests come, the files of faults stay, and so do the newest requests.
    for _ in 0..20 {
        keep("request", 400_000).unwrap();
        assert!(count("-request") <= 2, "{:?}", files(at));
    }
    assert!(faults.iter().all(|path| path.exists()), "{:?}", files(at));
    // A fault takes the room of requests first.
    keep("slack", 1_000_000).unwrap();
    assert_eq!((count("-slack"), count("-request")), (4, 0));
    // Where faults have filled the limit, requests take their quota and no more.
    for _ in 0..20 {
        keep("request", 400_000).unwrap();
    }
    assert_eq!(count("-slack"), 3);
    let told = keep("request", 1_100_000).unwrap_err().to_string();
    assert!(
        told.contains("more than a quarter of incidents.disk_limit, 4 MB"),
        "{told}"
    );
    assert!(store.usage().unwrap().1 <= 4_000_000);
}

#[test]
fn names_never_collide() {
    let folder = tempfile::tempdir().unwrap();
    let store = RecordingStore::new(folder.path().into(), "/neck", 1_000_000);
    let now = SystemTime::now();
    let paths: Vec<_> = std::thread::scope(|scope| {
        let write = |i: usize| {
            let store = store.clone();
            scope.spawn(move || {
                let write = |out: &mut dyn Write| writeln!(out, "{i}");
                store.keep("../Some cause", now, write).unwrap()
            })
        };
        let threads: Vec<_> = (0..16).map(write).collect();
        threads.into_iter().map(|t| t.join().unwrap()).collect()
    });
    for (i, path) in paths.iter().enumerate() {
        assert_eq!(fs::read_to_string(path).unwrap(), format!("{i}\n"));
        let name = path.file_name().unwrap().to_str().unwrap();
        assert!(
            own_name(name, "neck") && name.contains("-___some_cause"),
            "{name}"
        );
    }
    assert_eq!(files(folder.path()).len(), 16);
}

#[test]
fn a_write_that_fails_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let store = RecordingStore::new(folder.path().into(), "/neck", 1_000_000_000);
    let told = store.keep("request", SystemTime::now(), |out| {
        out.write_all(&vec![b'x'; 1_000_000])?;
        Err(io::Error::other("the pen broke"))
    });
    assert!(told.unwrap_err().to_string().contains("the pen broke"));
    assert!(files(folder.path()).is_empty());
    // A full disk, by the system's error.
    let told = store.keep("request", SystemTime::now(), |out| {
        out.write_all(b"x")?;
        let mut full = fs::OpenOptions::new().write(true).open("/dev/full")?;
        full.write_all(b"x")
    });
    assert!(told.unwrap_err().to_string().contains("No space left"));
    assert!(files(folder.path()).is_empty());
}

#[test]
fn a_folder_that_cannot_be_is_told_and_the_joint_goes_on() {
    let neck = Neck::position();
    let place = tempfile::tempdir().unwrap();
    // Beneath a file there can be no folder, even for root.
    let blocked = place.path().join("file");
    fs::write(&blocked, "").unwrap();
    let (incident, mut recorder) = writing(&neck.file, &blocked.join("state"), Pace::default());
    recorder.see(&plain(0, 0.005));
    let told = asked(&incident).unwrap_err().to_string();
    assert!(
        told.contains("file/state") && told.contains("Not a directory"),
        "{told}"
    );
    let report = incident.report();
    assert!(
        report.failed >= 1 && report.written == 0 && report.failure == told,
        "{report:?}"
    );
    recorder.see(&plain(1, 0.005));
    // It is created as soon as possible.
    fs::remove_file(&blocked).unwrap();
    let read = IncidentFile::load(&asked(&incident).unwrap()).unwrap();
    assert_eq!(read.rows.len(), 2);
    assert_eq!(incident.report().failure, "");
    incident.end();
}

#[test]
fn what_killed_writes_left_is_removed_and_what_is_being_written_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let name = |second: u32| {
        let name = format!("neck-2020010{second}T000000.000Z-request.csv{PART}");
        folder.path().join(name)
    };
    fs::write(name(1), "half").unwrap();
    let file = fs::File::create(name(2)).unwrap();
    let lock = Flock::lock(file, FlockArg::LockExclusiveNonblock).unwrap();
    let store = RecordingStore::new(folder.path().into(), "/neck", 1_000_000);
    assert_eq!(store.open().unwrap(), 1);
    assert_eq!(files(folder.path()), [name(2)]);
    drop(lock);
    assert_eq!(store.open().unwrap(), 1);
    assert!(files(folder.path()).is_empty());
}

/// Folder of the killed process; the test of this name does nothing without it.
const FOLDER: &str = "WITHY_TEST_INCIDENT";

#[test]
fn child_that_writes_for_ever() {
    let Some(folder) = std::env::var_os(FOLDER) else {
        return;
    };
    let neck = Neck::position();
    let pace = Pace {
        request_interval: Duration::ZERO,
        ..Pace::default()
    };
    let (incident, mut recorder) = writing(&neck.file, Path::new(&folder), pace);
    for tick in 0..incident.capacity() as u64 {
        recorder.see(&plain(tick, 0.005));
    }
    loop {
        asked(&incident).unwrap();
    }
}

#[test]
fn a_killed_process_leaves_no_half_file() {
    let folder = tempfile::tempdir().unwrap();
    let mut halves = 0;
    let mut whole = 0;
    for round in 0..200 {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "incident_files::child_that_writes_for_ever"])
            .env(FOLDER, folder.path())
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        let is_part = |f: &PathBuf| f.to_str().unwrap().ends_with(PART);
        // In the middle of a write: a part is there.
        until("nothing is written", || {
            let part = files(folder.path()).into_iter().find(is_part);
            part.is_some_and(|f| fs::metadata(f).is_ok_and(|m| m.len() > 300_000 * (round % 4)))
        });
        child.kill().unwrap();
        child.wait().unwrap();
        let (parts, ends): (Vec<_>, Vec<_>) = files(folder.path()).into_iter().partition(is_part);
        halves += parts.len();
        for file in &ends {
            let read = IncidentFile::load(file).unwrap();
            let rows = read.rows.len().to_string();
            assert_eq!(read.line("rows"), Some(rows.as_str()), "{}", file.display());
            fs::remove_file(file).unwrap();
            whole += 1;
        }
        let store = RecordingStore::new(folder.path().into(), "/glasshouse/neck", 1_000_000_000);
        assert_eq!(store.open().unwrap(), parts.len());
        assert!(files(folder.path()).is_empty());
        if halves >= 5 {
            println!(
                "{halves} half files under their temporary names, {whole} whole ones, in {} rounds",
                round + 1
            );
            return;
        }
    }
    panic!("never killed in the middle of a write");
}

#[test]
fn the_command_shows_what_a_file_holds() {
    let neck = Neck::position();
    let folder = tempfile::tempdir().unwrap();
    let (incident, mut recorder) = writing(&neck.file, folder.path(), Pace::default());
    incident.note(ZERO_NS + 3_000_000_000, Level::Warn, "somebody shook it");
    let mut closed = neck.close(neck.law("any-payload"));
    closed.point(12.0, 40.0);
    for tick in 0..1100 {
        closed.deaf = tick >= 1000;
        closed.step();
        recorder.see(&record_of(&closed));
    }
    incident.end();
    until("no file", || incident.report().written == 1);
    let file = incident.report().last.unwrap();
    let pages = folder.path().join("pages");
    let command = |file: &Path| {
        Command::new(env!("CARGO_BIN_EXE_withy"))
            .arg("incident")
            .arg(file)
            .arg("--report")
            .arg(&pages)
            .output()
            .unwrap()
    };
    let shown = command(&file);
    let said = String::from_utf8(shown.stdout).unwrap();
    assert!(shown.status.success(), "{said}");
    for words in [
        "/glasshouse/neck: ",
        "first fault",
        "tracking\n",
        "0.000  holding",
        "somebody shook it",
        "bend measured ",
        "cycles at a limit",
    ] {
        assert!(said.contains(words), "{words:?} is not in\n{said}");
    }
    let page = fs::read_to_string(pages.join("incident.html")).unwrap();
    let page = page.replacen("<!DOCTYPE html>", "", 1);
    roxmltree::Document::parse(&page).expect("a page is well-formed");
    assert_eq!(page.matches("<svg").count(), 2);

    let other = folder.path().join("other.csv");
    fs::write(&other, "time_s,b\n1,2\n").unwrap();
    let refused = command(&other);
    let said = String::from_utf8(refused.stderr).unwrap();
    assert_eq!(refused.status.code(), Some(2));
    assert!(said.contains("other.csv: line 1 is not"), "{said}");
}

/// Returns a small file in the writer's format.
fn sample() -> Vec<u8> {
    let neck = Neck::pan();
    let folder = tempfile::tempdir().unwrap();
    let (incident, mut recorder) = writing(&neck.file, folder.path(), Pace::default());
    for tick in 0..5 {
        recorder.see(&plain(tick, 0.005));
    }
    let bytes = fs::read(asked(&incident).unwrap()).unwrap();
    incident.end();
    bytes
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(3000))]

    #[test]
    fn garbage_is_refused_in_a_sentence(
        bytes in prop::collection::vec(any::<u8>(), 0..300),
        headed in any::<bool>(),
    ) {
        let mut text = Vec::new();
        if headed {
            text.extend(b"# withy incident recording 1\n# a: b\ntime_s,b\n");
        }
        text.extend(bytes);
        match IncidentFile::from_bytes(&text) {
            Ok(read) => prop_assert!(headed && read.rows.iter().all(|r| r.len() == read.columns.len())),
            Err(flaw) => {
                let why = flaw.to_string();
                prop_assert!(why.contains("accepted") || why.contains("cannot be read"), "{}", why);
            }
        }
    }
}

#[test]
fn spoilt_files_are_read_or_refused() {
    let whole = sample();
    assert!(IncidentFile::from_bytes(&whole).is_ok());
    let mut refused = 0;
    for cut in (0..whole.len()).step_by(37) {
        refused += u32::from(IncidentFile::from_bytes(&whole[..cut]).is_err());
    }
    let mut seed = 1_u64;
    for _ in 0..3000 {
        let mut spoilt = whole.clone();
        for _ in 0..3 {
            seed = seed
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let at = (seed >> 33) as usize % spoilt.len();
            spoilt[at] = (seed >> 20) as u8;
        }
        if let Ok(read) = IncidentFile::from_bytes(&spoilt) {
            assert!(read.rows.iter().all(|r| r.len() == read.columns.len()));
        } else {
            refused += 1;
        }
    }
    assert!(refused > 1000, "{refused}");
}

//! The black box without a graph: a file holds what ran, is whole or not there, and keeps within its bound.

mod common;

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant, SystemTime};

use common::{Loop, Neck, pose};
use nix::fcntl::{Flock, FlockArg};
use proptest::prelude::*;
use withy::blackbox::{
    About, BlackBox, BlackBoxFile, Facts, Layout, Level, PART, Pace, Recorder, Shelf, Writer,
    own_name,
};
use withy::config::JointFile;
use withy::link::{Counts, Record};
use withy::tick::{Mode, Reaction, Rule};

const ZERO_NS: i64 = 1_773_820_800_000_000_007;

/// Longest wait for a file.
const PATIENCE: Duration = Duration::from_secs(120);

fn about(file: &JointFile) -> About {
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

fn facts() -> Facts {
    Facts {
        zero_ns: ZERO_NS,
        lines: vec![("refused".into(), "imu.not_finite = 3".into())],
    }
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    found.sort();
    found
}

/// A black box that writes into `folder`.
fn writing(file: &JointFile, folder: &Path, pace: Pace) -> (BlackBox, Recorder) {
    let (black_box, recorder) = BlackBox::new(about(file));
    let shelf = Shelf::new(folder.into(), "/glasshouse/neck", 1_000_000_000);
    Writer::new(black_box.clone(), shelf, pace, facts)
        .start()
        .unwrap();
    (black_box, recorder)
}

fn asked(black_box: &BlackBox) -> Result<PathBuf, String> {
    black_box.request().recv_timeout(PATIENCE).unwrap()
}

fn until(what: &str, mut done: impl FnMut() -> bool) {
    let start = Instant::now();
    while !done() {
        assert!(start.elapsed() < PATIENCE, "{what}");
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// What the last tick of a closed loop was, as the loop hands it on.
fn record_of(closed: &Loop) -> Record {
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

/// A tick at which little is known.
fn plain(tick: u64, period: f64) -> Record {
    let mut record = Record::new(3);
    record.at = tick as f64 * period;
    record.counts.ticks = tick;
    record.output.mode = Mode::Tracking;
    record
}

#[test]
fn a_file_holds_what_ran() {
    for neck in [Neck::position(), Neck::velocity(), Neck::pan()] {
        let folder = tempfile::tempdir().unwrap();
        let (black_box, mut recorder) = writing(&neck.file, folder.path(), Pace::default());
        black_box.set_parameters(vec![("gain_set".into(), "'bare'".into())]);
        black_box.note(ZERO_NS + 1, Level::Warn, "a line\nand another, with #");
        let mut closed = neck.close(neck.file.law(neck.file.initial).unwrap());
        let mut ran = Vec::new();
        for tick in 0..1500 {
            if tick == 400 {
                closed.command(pose(12.0, 40.0));
            }
            // Data that stop, so that every mode of an ordinary run is there.
            closed.deaf = (900..1000).contains(&tick);
            closed.step();
            let record = record_of(&closed);
            recorder.see(&record);
            ran.push(record);
        }
        let modes: Vec<_> = ran.iter().map(|r| r.output.mode).collect();
        assert!(modes.contains(&Mode::Waiting) && modes.contains(&Mode::Tracking));
        let path = asked(&black_box).unwrap();
        let name = path.file_name().unwrap().to_str().unwrap();
        assert!(
            own_name(name, "glasshouse.neck") && name.contains("-request"),
            "{name}"
        );
        let read = BlackBoxFile::load(&path).unwrap();

        assert_eq!(read.line("node"), Some("/glasshouse/neck"));
        assert_eq!(read.line("cause"), Some("request"));
        assert_eq!(read.line("rows"), Some("1500"));
        assert_eq!(read.line("parameter"), Some("gain_set = 'bare'"));
        assert_eq!(read.line("refused"), Some("imu.not_finite = 3"));
        let text: Vec<_> = read.lines("joint_file_text").collect();
        assert_eq!(text, ["name: neck", "  # a note: with a colon"]);
        let event = "1773820800.000000008 warn a line and another, with #";
        assert_eq!(read.line("event"), Some(event));

        assert_eq!(read.rows.len(), ran.len());
        let same = |column: &str, want: &dyn Fn(&Record) -> f64| {
            let found = read.numbers(column);
            assert_eq!(found.len(), ran.len(), "{column}");
            for (found, record) in found.iter().zip(&ran) {
                let want = want(record);
                let both_nan = found.is_nan() && want.is_nan();
                assert!(
                    both_nan || (found - want).abs() < 1e-6,
                    "{column}: {found} {want}"
                );
            }
        };
        let words = |column: &str, want: &dyn Fn(&Record) -> String| {
            let found: Vec<_> = read.texts(column).map(String::from).collect();
            assert_eq!(found, ran.iter().map(want).collect::<Vec<_>>(), "{column}");
        };
        let stamp = |time: f64| {
            let ns = (time * 1e9).round() as i64 + ZERO_NS;
            format!("{}.{:09}", ns / 1_000_000_000, ns % 1_000_000_000)
        };
        same("time_s", &|r| r.at);
        words("ros_time_s", &|r| stamp(r.at));
        let kind = if neck.file.limits.motors.is_empty() {
            ""
        } else {
            neck_unit(&neck)
        };
        for (i, motor) in neck.file.motor_names.iter().enumerate() {
            let sample = |r: &Record| r.input.motors[i];
            same(&format!("{motor}_angle_rad"), &|r| {
                sample(r).map_or(f64::NAN, |s| s.angle)
            });
            words(&format!("{motor}_stamp_s"), &|r| {
                sample(r).map_or(String::new(), |s| stamp(s.stamp))
            });
            same(&format!("{motor}_age_s"), &|r| {
                sample(r).map_or(f64::NAN, |s| r.at - s.stamp)
            });
            let sent = |r: &Record, v: f64| if r.output.mode.sends() { v } else { f64::NAN };
            same(&format!("{motor}_setpoint_{kind}"), &|r| {
                sent(r, r.output.setpoints[i])
            });
            same(&format!("{motor}_reference_rad"), &|r| {
                sent(r, r.output.references[i])
            });
        }
        if let Some(pan) = &neck.file.pan_name {
            same(&format!("{pan}_angle_rad"), &|r| {
                r.input.pan.map_or(f64::NAN, |s| s.angle)
            });
            same("measured_pan_rad", &|r| r.output.estimate.pan);
            same("base_imu_gravity_z", &|r| {
                r.input.base.map_or(f64::NAN, |s| s.gravity.z)
            });
        }
        same("imu_gravity_x", &|r| {
            r.input.head.map_or(f64::NAN, |s| s.gravity.x)
        });
        same("imu_rate_y_rad_s", &|r| {
            r.input.head.map_or(f64::NAN, |s| s.angular_velocity.y)
        });
        same("command", &|r| {
            r.input.desired.map_or(f64::NAN, |d| d.command as f64)
        });
        same("command_bend_x_rad", &|r| {
            r.input.desired.map_or(f64::NAN, |d| d.posture.x)
        });
        same("reference_bend_y_rad", &|r| r.output.reference.y);
        same("measured_bend_x_rad", &|r| r.output.estimate.bend.x);
        same("motors_bend_y_rad", &|r| r.output.estimate.motors_bend.y);
        same("correction_share", &|r| r.output.correction_share);
        same("settled", &|r| f64::from(u8::from(r.output.settled)));
        same("ticks", &|r| r.counts.ticks as f64);
        same("late_ticks", &|r| r.counts.late as f64);
        words("mode", &|r| format!("{:?}", r.output.mode).to_lowercase());
        words("reaction", &|r| r.output.faults.reaction.name().into());
        words("rules_broken", &|r| {
            let broken = Rule::ALL
                .into_iter()
                .filter(|rule| r.output.faults.of(*rule).broken);
            broken.map(Rule::name).collect::<Vec<_>>().join("+")
        });
        black_box.end();
    }
}

fn neck_unit(neck: &Neck) -> &'static str {
    match neck.file.kind {
        withy::controller::SetpointKind::Position => "rad",
        withy::controller::SetpointKind::Velocity => "rad_s",
    }
}

#[test]
fn the_oldest_ticks_go_and_a_minute_is_kept() {
    let neck = Neck::position();
    let folder = tempfile::tempdir().unwrap();
    let (black_box, mut recorder) = writing(&neck.file, folder.path(), Pace::default());
    let period = neck.file.joint.period;
    let capacity = black_box.capacity();
    assert_eq!(capacity, (60.0 / period).round() as usize);
    let ticks = 2 * capacity as u64 + 17;
    for tick in 0..ticks {
        recorder.see(&plain(tick, period));
    }
    let read = BlackBoxFile::load(&asked(&black_box).unwrap()).unwrap();
    let found = read.numbers("ticks");
    let want: Vec<_> = (ticks - capacity as u64..ticks).map(|t| t as f64).collect();
    assert_eq!(found, want);
    let times = read.numbers("time_s");
    let span = times.last().unwrap() - times[0];
    assert!((span - (60.0 - period)).abs() < 1e-6, "{span}");
    black_box.end();
}

#[test]
fn ticks_go_on_while_a_file_is_written() {
    let neck = Neck::position();
    let folder = tempfile::tempdir().unwrap();
    let (black_box, mut recorder) = writing(&neck.file, folder.path(), Pace::default());
    let (period, capacity) = (neck.file.joint.period, black_box.capacity() as u64);
    for tick in 0..capacity {
        recorder.see(&plain(tick, period));
    }
    let done = AtomicBool::new(false);
    let read = std::thread::scope(|scope| {
        scope.spawn(|| {
            // Far faster than any loop, so that rows are written over while they are copied.
            let mut tick = capacity;
            while !done.load(Ordering::Acquire) {
                recorder.see(&plain(tick, period));
                tick += 1;
            }
        });
        let path = asked(&black_box);
        done.store(true, Ordering::Release);
        BlackBoxFile::load(&path.unwrap()).unwrap()
    });
    let ticks = read.numbers("ticks");
    assert_eq!(read.line("rows"), Some(ticks.len().to_string().as_str()));
    assert!(
        ticks.windows(2).all(|w| w[1] == w[0] + 1.0),
        "rows are missing or mixed"
    );
    let times = read.numbers("time_s");
    for (time, tick) in times.iter().zip(&ticks) {
        assert!((time - tick * period).abs() < 1e-6, "{time} {tick}");
    }
    black_box.end();
}

#[test]
fn a_recorder_allocates_nothing() {
    let neck = Neck::pan();
    let (black_box, mut recorder) = BlackBox::new(about(&neck.file));
    let mut closed = neck.close(neck.law("any-payload"));
    closed.run(1.0);
    let record = record_of(&closed);
    let mut kept = Record::new(3);
    let made = allocation_counter::measure(|| {
        for _ in 0..2 * black_box.capacity() {
            recorder.see(&record);
            kept.input.copy_from(&record.input);
        }
    });
    assert_eq!(made.count_total, 0);
    assert_eq!(kept.input.motors, record.input.motors);
    assert_eq!(kept.input.head, record.input.head);
}

/// Faults with what `pace` says, fed one after the other.
fn fault(rule: Rule) -> Record {
    let mut record = plain(1, 0.005);
    record.output.mode = Mode::Faulted;
    record.output.faults.reaction = Reaction::Hold;
    record.output.faults.cause = Some(rule);
    record.output.faults.rules[rule as usize].broken = true;
    record
}

#[test]
fn a_fault_is_written_with_what_followed() {
    let neck = Neck::position();
    let folder = tempfile::tempdir().unwrap();
    let pace = Pace {
        after: Duration::from_millis(300),
        ..Pace::default()
    };
    let (black_box, mut recorder) = writing(&neck.file, folder.path(), pace);
    recorder.see(&plain(0, 0.005));
    recorder.see(&fault(Rule::ImuFrozen));
    assert!(
        !files(folder.path())
            .iter()
            .any(|f| f.extension().is_some_and(|e| e == "csv"))
    );
    let start = Instant::now();
    let mut tick = 2;
    while start.elapsed() < Duration::from_millis(100) {
        recorder.see(&plain(tick, 0.005));
        tick += 1;
    }
    until("no file", || black_box.report().written == 1);
    let path = black_box.report().last.unwrap();
    assert!(
        path.to_str().unwrap().contains("-imu_frozen.csv"),
        "{path:?}"
    );
    let read = BlackBoxFile::load(&path).unwrap();
    assert_eq!(read.line("cause"), Some("imu_frozen"));
    let told = read.line("fault").unwrap();
    assert_eq!(told, "1773820800.005000007 imu_frozen");
    assert_eq!(read.rows.len() as u64, tick);
    assert_eq!(read.texts("rules_broken").nth(1), Some("imu_frozen"));
    assert_eq!(read.texts("cause").nth(1), Some("imu_frozen"));
    black_box.end();
}

#[test]
fn at_the_end_what_waits_is_written_at_once() {
    let neck = Neck::position();
    let folder = tempfile::tempdir().unwrap();
    let pace = Pace {
        after: Duration::from_secs(100_000),
        ..Pace::default()
    };
    let (black_box, mut recorder) = BlackBox::new(about(&neck.file));
    let shelf = Shelf::new(folder.path().into(), "/glasshouse/neck", 1_000_000_000);
    let thread = Writer::new(black_box.clone(), shelf, pace, facts)
        .start()
        .unwrap();
    recorder.see(&plain(0, 0.005));
    recorder.see(&fault(Rule::OverBend));
    recorder.lost_loop();
    black_box.fault("watchdog");
    black_box.end();
    thread.join().unwrap();
    let written = files(folder.path());
    assert_eq!(written.len(), 1, "{written:?}");
    let read = BlackBoxFile::load(&written[0]).unwrap();
    let faults: Vec<_> = read.lines("fault").collect();
    assert_eq!(faults.len(), 3, "{faults:?}");
    assert!(faults[0].ends_with(" over_bend"), "{faults:?}");
    assert_eq!(&faults[1..], ["- loop_ended", "- watchdog"]);
    // And nobody waits for one that does not come.
    assert!(black_box.request().recv().is_err());
}

#[test]
fn faults_in_a_row_share_files() {
    let neck = Neck::position();
    let folder = tempfile::tempdir().unwrap();
    let pace = Pace {
        after: Duration::from_millis(5),
        least: Duration::from_millis(100),
        most: Duration::from_millis(400),
        asked: Duration::ZERO,
    };
    let (black_box, mut recorder) = writing(&neck.file, folder.path(), pace);
    let start = Instant::now();
    let mut faults = 0;
    while start.elapsed() < Duration::from_millis(1500) {
        recorder.see(&fault(Rule::MotorStale));
        recorder.see(&plain(2, 0.005));
        faults += 1;
        std::thread::sleep(Duration::from_millis(1));
    }
    black_box.end();
    until("not all told", || {
        let told: u64 = files(folder.path())
            .iter()
            .filter_map(|f| BlackBoxFile::load(f).ok())
            .map(|read| {
                let more = read
                    .line("faults_not_listed")
                    .map_or(0, |n| n.parse().unwrap());
                read.lines("fault").count() as u64 + more
            })
            .sum();
        told == faults
    });
    let written = files(folder.path()).len() as f64;
    // Never closer than 0.1 s, but for the one at the end.
    let most = 2.0 + start.elapsed().as_secs_f64() / 0.1;
    assert!(
        written >= 2.0 && written <= most,
        "{written} files of {faults} faults"
    );
}

/// A folder of which every byte counts.
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
    // What only has such a name.
    fs::create_dir(at.join(format!("glasshouse.neck-{stamp}"))).unwrap();
    let linked = at.join("glasshouse.neck-20200101T000001.000Z-request.csv");
    std::os::unix::fs::symlink(at.join("notes.txt"), &linked).unwrap();
    let foreign = files(at).len();
    let foreign_bytes = taken(at);

    let limit = 4_000_000;
    let shelf = Shelf::new(at.into(), "/glasshouse/neck", limit);
    let mut kept = Vec::new();
    for number in 0..12 {
        let now = SystemTime::now();
        let path = shelf
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
        let (files, bytes) = shelf.usage().unwrap();
        assert!(bytes <= limit && files <= 3, "{files} files, {bytes} bytes");
    }
    let left: Vec<_> = files(at).into_iter().filter(|f| kept.contains(f)).collect();
    assert_eq!(left, kept[kept.len() - 3..], "the newest stay");
    assert_eq!(files(at).len(), foreign + 3);
    for name in &others {
        assert_eq!(fs::read_to_string(at.join(name)).unwrap(), *name);
    }

    // One that alone is too great: told, and nothing of it is left.
    let before = files(at);
    let told = shelf.keep("request", SystemTime::now(), |out| {
        (0..500).try_for_each(|_| out.write_all(&[b'x'; 10_000]))
    });
    let told = told.unwrap_err();
    assert!(told.contains("disk_limit, 4 MB"), "{told}");
    assert!(files(at).iter().all(|f| before.contains(f)));
}

#[test]
fn names_never_collide() {
    let folder = tempfile::tempdir().unwrap();
    let shelf = Shelf::new(folder.path().into(), "/neck", 1_000_000);
    let now = SystemTime::now();
    let paths: Vec<_> = std::thread::scope(|scope| {
        let write = |i: usize| {
            let shelf = shelf.clone();
            scope.spawn(move || {
                let write = |out: &mut dyn Write| writeln!(out, "{i}");
                shelf.keep("../Some cause", now, write).unwrap()
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
    let shelf = Shelf::new(folder.path().into(), "/neck", 1_000_000_000);
    let told = shelf.keep("request", SystemTime::now(), |out| {
        out.write_all(&vec![b'x'; 1_000_000])?;
        Err(io::Error::other("the pen broke"))
    });
    assert!(told.unwrap_err().contains("the pen broke"));
    assert!(files(folder.path()).is_empty());
    // A full disk, as the system says it.
    let told = shelf.keep("request", SystemTime::now(), |out| {
        out.write_all(b"x")?;
        let mut full = fs::OpenOptions::new().write(true).open("/dev/full")?;
        full.write_all(b"x")
    });
    assert!(told.unwrap_err().contains("No space left"));
    assert!(files(folder.path()).is_empty());
}

#[test]
fn a_folder_that_cannot_be_is_told_and_the_joint_goes_on() {
    let neck = Neck::position();
    let place = tempfile::tempdir().unwrap();
    // Under a file there is no folder, whoever asks.
    let blocked = place.path().join("file");
    fs::write(&blocked, "").unwrap();
    let (black_box, mut recorder) = writing(&neck.file, &blocked.join("state"), Pace::default());
    recorder.see(&plain(0, 0.005));
    let told = asked(&black_box).unwrap_err();
    assert!(
        told.contains("file/state") && told.contains("Not a directory"),
        "{told}"
    );
    let report = black_box.report();
    assert!(
        report.failed >= 1 && report.written == 0 && report.failure == told,
        "{report:?}"
    );
    recorder.see(&plain(1, 0.005));
    // As soon as it can be, it is.
    fs::remove_file(&blocked).unwrap();
    let read = BlackBoxFile::load(&asked(&black_box).unwrap()).unwrap();
    assert_eq!(read.rows.len(), 2);
    assert_eq!(black_box.report().failure, "");
    black_box.end();
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
    let shelf = Shelf::new(folder.path().into(), "/neck", 1_000_000);
    assert_eq!(shelf.open(), Ok(1));
    assert_eq!(files(folder.path()), [name(2)]);
    drop(lock);
    assert_eq!(shelf.open(), Ok(1));
    assert!(files(folder.path()).is_empty());
}

/// Where the process that is killed writes; the test of this name does nothing without it.
const FOLDER: &str = "WITHY_TEST_BLACK_BOX";

#[test]
fn child_that_writes_for_ever() {
    let Some(folder) = std::env::var_os(FOLDER) else {
        return;
    };
    let neck = Neck::position();
    let pace = Pace {
        asked: Duration::ZERO,
        ..Pace::default()
    };
    let (black_box, mut recorder) = writing(&neck.file, Path::new(&folder), pace);
    for tick in 0..black_box.capacity() as u64 {
        recorder.see(&plain(tick, 0.005));
    }
    loop {
        asked(&black_box).unwrap();
    }
}

#[test]
fn a_killed_process_leaves_no_half_file() {
    let folder = tempfile::tempdir().unwrap();
    let mut halves = 0;
    let mut whole = 0;
    for round in 0..200 {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "child_that_writes_for_ever"])
            .env(FOLDER, folder.path())
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        let is_part = |f: &PathBuf| f.to_str().unwrap().ends_with(PART);
        // In the middle of a write: some of it is there.
        until("nothing is written", || {
            let part = files(folder.path()).into_iter().find(is_part);
            part.is_some_and(|f| fs::metadata(f).is_ok_and(|m| m.len() > 300_000 * (round % 4)))
        });
        child.kill().unwrap();
        child.wait().unwrap();
        let (parts, ends): (Vec<_>, Vec<_>) = files(folder.path()).into_iter().partition(is_part);
        halves += parts.len();
        for file in &ends {
            let read = BlackBoxFile::load(file).unwrap();
            let rows = read.rows.len().to_string();
            assert_eq!(read.line("rows"), Some(rows.as_str()), "{}", file.display());
            fs::remove_file(file).unwrap();
            whole += 1;
        }
        let shelf = Shelf::new(folder.path().into(), "/glasshouse/neck", 1_000_000_000);
        assert_eq!(shelf.open(), Ok(parts.len()));
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

/// A small file as the writer makes it.
fn sample() -> Vec<u8> {
    let neck = Neck::pan();
    let folder = tempfile::tempdir().unwrap();
    let (black_box, mut recorder) = writing(&neck.file, folder.path(), Pace::default());
    for tick in 0..5 {
        recorder.see(&plain(tick, 0.005));
    }
    let bytes = fs::read(asked(&black_box).unwrap()).unwrap();
    black_box.end();
    bytes
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(3000))]

    #[test]
    fn garbage_is_refused_in_a_sentence(bytes in prop::collection::vec(any::<u8>(), 0..300), headed in any::<bool>()) {
        let mut text = if headed { b"# withy black box 1\n# a: b\ntime_s,b\n".to_vec() } else { Vec::new() };
        text.extend(bytes);
        match BlackBoxFile::from_bytes(&text) {
            Ok(read) => prop_assert!(headed && read.rows.iter().all(|r| r.len() == read.columns.len())),
            Err(why) => prop_assert!(why.contains("accepted") || why.contains("cannot be read"), "{}", why),
        }
    }
}

#[test]
fn spoilt_files_are_read_or_refused() {
    let whole = sample();
    assert!(BlackBoxFile::from_bytes(&whole).is_ok());
    let mut refused = 0;
    for cut in (0..whole.len()).step_by(37) {
        refused += u32::from(BlackBoxFile::from_bytes(&whole[..cut]).is_err());
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
        if let Ok(read) = BlackBoxFile::from_bytes(&spoilt) {
            assert!(read.rows.iter().all(|r| r.len() == read.columns.len()));
        } else {
            refused += 1;
        }
    }
    assert!(refused > 1000, "{refused}");
}

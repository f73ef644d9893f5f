//! The incident recording without a graph: contents of a file, and the events that write one.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crate::common::{Neck, pose};
use crate::incident_support::{
    ZERO_NS, about, asked, facts, files, plain, record_of, until, writing,
};
use withy::control::tick::{Mode, Reaction, Rule};
use withy::runtime::link::Record;
use withy::runtime::recorder::{
    IncidentFile, IncidentRecorder, Level, Pace, RecordingStore, Writer, own_name,
};

#[test]
fn a_file_holds_what_ran() {
    for neck in [Neck::position(), Neck::velocity(), Neck::pan()] {
        let folder = tempfile::tempdir().unwrap();
        let (incident, mut recorder) = writing(&neck.file, folder.path(), Pace::default());
        incident.set_parameters(vec![("gain_set".into(), "'bare'".into())]);
        incident.note(ZERO_NS + 1, Level::Warn, "a line\nand another, with #");
        let mut closed = neck.close(neck.file.law(neck.file.initial).unwrap());
        let mut ran = Vec::new();
        for tick in 0..1500 {
            if tick == 400 {
                closed.command(pose(12.0, 40.0));
            }
            // Data stop, so that every mode of an ordinary run occurs.
            closed.deaf = (900..1000).contains(&tick);
            closed.step();
            let record = record_of(&closed);
            recorder.see(&record);
            ran.push(record);
        }
        let modes: Vec<_> = ran.iter().map(|r| r.output.mode).collect();
        assert!(modes.contains(&Mode::Waiting) && modes.contains(&Mode::Tracking));
        let path = asked(&incident).unwrap();
        let name = path.file_name().unwrap().to_str().unwrap();
        assert!(
            own_name(name, "glasshouse.neck") && name.contains("-request"),
            "{name}"
        );
        let read = IncidentFile::load(&path).unwrap();

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
        let kind = neck_unit(&neck);
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
            r.input.desired.map_or(f64::NAN, |d| d.configuration.x)
        });
        same("reference_bend_y_rad", &|r| r.output.reference.y);
        same("measured_bend_x_rad", &|r| r.output.estimate.bend.x);
        same("motors_bend_y_rad", &|r| r.output.estimate.motors_bend.y);
        same("feedback_share", &|r| r.output.limited.feedback_share);
        same("settled", &|r| f64::from(u8::from(r.output.settled)));
        same("cycles", &|r| r.counts.ticks as f64);
        same("late_cycles", &|r| r.counts.late as f64);
        words("mode", &|r| format!("{:?}", r.output.mode).to_lowercase());
        words("reaction", &|r| r.output.faults.reaction.name().into());
        words("rules_broken", &|r| {
            let broken = Rule::ALL
                .into_iter()
                .filter(|rule| r.output.faults.of(*rule).broken);
            broken.map(Rule::name).collect::<Vec<_>>().join("+")
        });
        incident.end();
    }
}

fn neck_unit(neck: &Neck) -> &'static str {
    match neck.file.kind {
        withy::control::controller::CommandInterface::Position => "rad",
        withy::control::controller::CommandInterface::Velocity => "rad_s",
    }
}

#[test]
fn the_oldest_ticks_go_and_a_minute_is_kept() {
    let neck = Neck::position();
    let folder = tempfile::tempdir().unwrap();
    let (incident, mut recorder) = writing(&neck.file, folder.path(), Pace::default());
    let period = neck.file.joint.period;
    let capacity = incident.capacity();
    assert_eq!(capacity, (60.0 / period).round() as usize);
    let ticks = 2 * capacity as u64 + 17;
    for tick in 0..ticks {
        recorder.see(&plain(tick, period));
    }
    let read = IncidentFile::load(&asked(&incident).unwrap()).unwrap();
    let found = read.numbers("cycles");
    let want: Vec<_> = (ticks - capacity as u64..ticks).map(|t| t as f64).collect();
    assert!(
        found == want,
        "{} ticks, from {:?}",
        found.len(),
        found.first()
    );
    let times = read.numbers("time_s");
    let span = times.last().unwrap() - times[0];
    assert!((span - (60.0 - period)).abs() < 1e-6, "{span}");
    incident.end();
}

#[test]
fn ticks_go_on_while_a_file_is_written() {
    let neck = Neck::position();
    let folder = tempfile::tempdir().unwrap();
    let (incident, mut recorder) = writing(&neck.file, folder.path(), Pace::default());
    let (period, capacity) = (neck.file.joint.period, incident.capacity() as u64);
    for tick in 0..capacity {
        recorder.see(&plain(tick, period));
    }
    let done = AtomicBool::new(false);
    let read = std::thread::scope(|scope| {
        scope.spawn(|| {
            // Far faster than any loop, so that rows are overwritten while they are copied.
            let mut tick = capacity;
            while !done.load(Ordering::Acquire) {
                recorder.see(&plain(tick, period));
                tick += 1;
            }
        });
        let path = asked(&incident);
        done.store(true, Ordering::Release);
        IncidentFile::load(&path.unwrap()).unwrap()
    });
    let ticks = read.numbers("cycles");
    assert_eq!(read.line("rows"), Some(ticks.len().to_string().as_str()));
    assert!(
        ticks.windows(2).all(|w| w[1] == w[0] + 1.0),
        "rows are missing or mixed"
    );
    let times = read.numbers("time_s");
    for (time, tick) in times.iter().zip(&ticks) {
        assert!((time - tick * period).abs() < 1e-6, "{time} {tick}");
    }
    incident.end();
}

#[test]
fn a_recorder_allocates_nothing() {
    let neck = Neck::pan();
    let (incident, mut recorder) = IncidentRecorder::new(about(&neck.file));
    let mut closed = neck.close(neck.law("any-payload"));
    closed.run(1.0);
    let record = record_of(&closed);
    let mut kept = Record::new(record.input.motors.len());
    let made = allocation_counter::measure(|| {
        for _ in 0..2 * incident.capacity() {
            recorder.see(&record);
            kept.input.copy_from(&record.input);
        }
    });
    assert_eq!(made.count_total, 0);
    assert_eq!(kept.input.motors, record.input.motors);
    assert_eq!(kept.input.head, record.input.head);
}

/// Returns the record of a fault of this rule.
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
        after: Duration::from_secs(1),
        ..Pace::default()
    };
    let (incident, mut recorder) = writing(&neck.file, folder.path(), pace);
    recorder.see(&plain(0, 0.005));
    recorder.see(&fault(Rule::ImuFrozen));
    let mut tick = 2;
    until("no file", || {
        recorder.see(&plain(tick, 0.005));
        tick += 1;
        incident.report().written == 1
    });
    let path = incident.report().last.unwrap();
    assert!(
        path.to_str().unwrap().contains("-imu_frozen.csv"),
        "{path:?}"
    );
    let read = IncidentFile::load(&path).unwrap();
    assert_eq!(read.line("cause"), Some("imu_frozen"));
    let told = read.line("fault").unwrap();
    assert_eq!(told, "1773820800.005000007 imu_frozen");
    let rows = read.rows.len() as u64;
    assert!(10 < rows && rows <= tick, "{rows} of {tick}");
    assert_eq!(read.texts("rules_broken").nth(1), Some("imu_frozen"));
    assert_eq!(read.texts("cause").nth(1), Some("imu_frozen"));
    incident.end();
}

#[test]
fn at_the_end_what_waits_is_written_at_once() {
    let neck = Neck::position();
    let folder = tempfile::tempdir().unwrap();
    let pace = Pace {
        after: Duration::from_secs(100_000),
        ..Pace::default()
    };
    let (incident, mut recorder) = IncidentRecorder::new(about(&neck.file));
    let store = RecordingStore::new(folder.path().into(), "/glasshouse/neck", 1_000_000_000);
    let thread = Writer::new(incident.clone(), store, pace, facts)
        .start()
        .unwrap();
    recorder.see(&plain(0, 0.005));
    recorder.see(&fault(Rule::OverBend));
    recorder.lost_loop();
    incident.fault("watchdog");
    incident.end();
    thread.join().unwrap();
    let written = files(folder.path());
    assert_eq!(written.len(), 1, "{written:?}");
    let read = IncidentFile::load(&written[0]).unwrap();
    let faults: Vec<_> = read.lines("fault").collect();
    assert_eq!(faults.len(), 3, "{faults:?}");
    assert!(faults[0].ends_with(" over_bend"), "{faults:?}");
    assert_eq!(&faults[1..], ["- loop_ended", "- watchdog"]);
    // No caller waits for one that does not come.
    assert!(incident.request().recv().is_err());
}

#[test]
fn faults_in_a_row_share_files() {
    let neck = Neck::position();
    let folder = tempfile::tempdir().unwrap();
    let pace = Pace {
        after: Duration::from_millis(5),
        interval_min: Duration::from_millis(100),
        interval_max: Duration::from_millis(400),
        request_interval: Duration::ZERO,
    };
    let (incident, mut recorder) = writing(&neck.file, folder.path(), pace);
    let start = Instant::now();
    let mut faults = 0;
    while start.elapsed() < Duration::from_millis(1500) {
        recorder.see(&fault(Rule::MotorStale));
        recorder.see(&plain(2, 0.005));
        faults += 1;
        std::thread::sleep(Duration::from_millis(1));
    }
    incident.end();
    until("not all told", || {
        let told: u64 = files(folder.path())
            .iter()
            .filter_map(|f| IncidentFile::load(f).ok())
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
    // Never closer than 0.1 s, except for the one at the end.
    let most = 2.0 + start.elapsed().as_secs_f64() / 0.1;
    assert!(
        written >= 2.0 && written <= most,
        "{written} files of {faults} faults"
    );
}

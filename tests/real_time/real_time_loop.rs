//! The real-time loop and its channels, without the graph: deadlines, cycles at IMU samples,
//! changes of the law, the end.

use std::time::{Duration, Instant};

use crate::loop_support::{neck, program, until};
use nalgebra::Vector3;
use withy::control::tick::{ImuSample, Input, MotorSample};
use withy::files::{JointFile, TickSource};
use withy::runtime::link::{Link, LoopRequest, RealTimeEndpoint, Record};
use withy::runtime::rt::{self, Clock, RunningLoop};

/// Collects records until there are `count` more.
fn collect(link: &mut withy::runtime::link::RecordReceiver, count: usize) -> Vec<Record> {
    let mut records = Vec::new();
    until("records", || {
        link.wait(Duration::from_millis(20));
        link.drain(|record, _| records.push(record.clone()));
        records.len() >= count
    });
    records
}

/// Returns the input of an upright joint, measured now.
fn upright(motors: usize, clock: &Clock) -> Input {
    let (stamp, received) = (clock.now(), clock.now());
    let sample = MotorSample {
        angle: 0.0,
        stamp,
        received,
    };
    Input {
        motors: vec![Some(sample); motors],
        head: Some(ImuSample {
            gravity: -Vector3::z(),
            angular_velocity: Vector3::zeros(),
            stamp,
            received,
        }),
        ..Input::new(motors)
    }
}

fn started(
    file: &JointFile,
    endpoint: RealTimeEndpoint,
    clock: &Clock,
    source: TickSource,
) -> RunningLoop {
    rt::start(program(file, 0), endpoint, clock.clone(), source).unwrap()
}

#[test]
fn deadlines_are_absolute() {
    let file = neck("glasshouse-neck.yaml");
    let (clock, mut link) = (Clock::new(), Link::new(4));
    link.handle.set_active(true);
    let running = started(&file, link.endpoint, &clock, TickSource::Timer);
    let records = collect(&mut link.records, 300);
    let (first, last) = (&records[0], &records[records.len() - 1]);
    // Late wake-ups do not add up: the elapsed time is a whole number of periods, each run or
    // counted as missed.
    let periods = last.counts.ticks - first.counts.ticks + last.counts.missed - first.counts.missed;
    let passed = last.at - first.at;
    let drift = passed - periods as f64 * file.joint.period;
    let slack = file.joint.period + last.counts.latest;
    assert!(drift.abs() < slack, "drift {drift} s in {passed} s");
    assert!(records.windows(2).all(|w| w[1].at > w[0].at));
    assert!(last.counts.longest > 0.0 && last.counts.lost == 0);

    let start = Instant::now();
    link.handle.stop();
    running.join();
    assert!(start.elapsed() < Duration::from_secs(1));
    assert!(link.handle.ended() && link.records.ended());
}

#[test]
fn ticks_follow_imu_samples_and_go_on_without_them() {
    let file = neck("glasshouse-neck.yaml");
    let (clock, mut link) = (Clock::new(), Link::new(4));
    link.handle.set_active(true);
    let running = started(&file, link.endpoint, &clock, TickSource::Imu);
    let period = file.joint.period;

    // Without samples the timer runs cycles, at the nominal period.
    let records = collect(&mut link.records, 100);
    let counts = records[records.len() - 1].counts;
    assert_eq!(counts.without_sample, counts.ticks);

    // With samples at the period each of them runs a cycle; a busy machine may delay some.
    let mut samples = 0_u32;
    let mut send = |pause: f64, count: u32| {
        for _ in 0..count {
            link.input.send(&upright(4, &clock));
            link.input.wake();
            samples += 1;
            std::thread::sleep(Duration::from_secs_f64(pause));
        }
    };
    collect(&mut link.records, 1);
    send(period, 200);
    let mut records = Vec::new();
    link.records.drain(|r, _| records.push(r.clone()));
    let stamps: Vec<f64> = records.iter().map(|r| r.output.timing.bend_stamp).collect();
    let fresh = stamps.windows(2).filter(|w| w[1] > w[0]).count();
    assert!(
        fresh > stamps.len() / 2,
        "{fresh} of {} ticks",
        stamps.len()
    );

    // Samples that come too fast run no cycles faster than four fifths of the period allow.
    send(period / 10.0, 500);
    records.clear();
    link.records.drain(|r, _| records.push(r.clone()));
    let gaps = records.windows(2).map(|w| w[1].at - w[0].at);
    let least = gaps.fold(f64::INFINITY, f64::min);
    assert!(least > 0.79 * period, "ticks {least} s apart");
    assert_eq!(samples, 700);

    link.handle.stop();
    running.join();
}

#[test]
fn laws_are_taken_between_ticks_or_not_at_all() {
    let file = neck("glasshouse-neck.yaml");
    let (clock, mut link) = (Clock::new(), Link::new(4));
    link.handle.set_active(true);
    let running = started(&file, link.endpoint, &clock, TickSource::Timer);
    for round in 0..20 {
        link.input.send(&upright(4, &clock));
        let set = round % file.gain_sets.len();
        let pending = link.laws.offer(program(&file, set)).expect("room");
        until("the law", || pending.taken());
        assert!(!pending.withdraw(), "taken and withdrawn");
    }
    let number = link.handle.request(LoopRequest::Hold);
    until("the request to hold", || {
        collect(&mut link.records, 1).last().map(|r| r.input.hold) == Some(number)
    });

    link.handle.stop();
    running.join();
    let pending = link.laws.offer(program(&file, 0)).expect("room");
    std::thread::sleep(Duration::from_millis(50));
    assert!(!pending.taken(), "a dead loop took it");
    assert!(pending.withdraw() && !pending.taken());
    // Nothing returns them here, so the slots run out.
    assert!((0..10).any(|_| link.laws.offer(program(&file, 0)).is_none()));
}

#[test]
fn stamps_come_out_as_they_went_in() {
    let clock = Clock::new();
    let now = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .unwrap();
    // A multiplicative generator of nanoseconds; the seconds are today's.
    let mut nanoseconds = 12345_u64;
    for second in 0..1000 {
        nanoseconds = nanoseconds * 48271 % 2_147_483_647;
        let stamp = (
            now.as_secs() as i32 + second,
            (nanoseconds % 1_000_000_000) as u32,
        );
        assert_eq!(clock.stamp_of(clock.time_of(stamp.0, stamp.1)), stamp);
    }
    let read = clock.time_of(now.as_secs() as i32, now.subsec_nanos());
    assert!((read - clock.now()).abs() < 1.0);
    assert_eq!(clock.steps(), 0);
}

//! The real-time loop on simulated time, and stamps on a system clock that steps. A period of
//! simulated time is one control cycle, and nothing else is.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use crate::loop_support::{PATIENCE, neck, program, until};
use nalgebra::Vector3;
use withy::control::geometry::{Bend, bend_from, configuration, rotation};
use withy::control::tick::{Desired, ImuSample, Input, Mode, MotorSample};
use withy::files::{JointFile, TickSource};
use withy::runtime::link::{Link, Record};
use withy::runtime::rt::{self, Clock, ClockSetter, Moved, RunningLoop};

/// A simulated millisecond, ns.
const MS: i64 = 1_000_000;
const NS: i64 = 1_000_000_000;

/// Motors that follow their position setpoints with a lag of 20 ms, or turn at their velocity
/// setpoints. The head follows their kinematics.
struct Plant {
    file: JointFile,
    angles: Vec<f64>,
    velocity: bool,
}

impl Plant {
    fn new(file: &JointFile) -> Self {
        Self {
            file: file.clone(),
            angles: vec![0.0; file.motor_names.len()],
            velocity: false,
        }
    }

    fn follow(&mut self, record: &Record, dt: f64) {
        if !record.output.mode.sends() {
            return;
        }
        for (angle, setpoint) in self.angles.iter_mut().zip(&record.output.setpoints) {
            *angle += if self.velocity {
                setpoint * dt
            } else {
                (setpoint - *angle) * dt / (0.02 + dt)
            };
        }
    }

    fn bend(&self) -> Bend {
        let kinematics = &self.file.joint.kinematics;
        kinematics
            .bend_from_motors(&self.angles, Bend::zeros())
            .bend
    }

    /// Writes its measurements into `input`, measured at loop time `stamp` and received at
    /// `received`, s.
    fn tell(&self, input: &mut Input, stamp: f64, received: f64) {
        for (sample, angle) in input.motors.iter_mut().zip(&self.angles) {
            *sample = Some(MotorSample {
                angle: *angle,
                stamp,
                received,
            });
        }
        let joint = &self.file.joint;
        let gravity = rotation(self.bend()).inverse() * joint.gravity_base;
        input.head = Some(ImuSample {
            gravity: joint.head_from_imu.inverse() * gravity,
            angular_velocity: Vector3::zeros(),
            stamp,
            received,
        });
    }
}

/// A loop on simulated time with its plant.
struct World {
    link_input: withy::runtime::link::InputSender,
    records: withy::runtime::link::RecordReceiver,
    laws: withy::runtime::link::LawSender,
    handle: withy::runtime::link::Handle,
    running: Option<RunningLoop>,
    clock: Clock,
    hand: ClockSetter,
    /// Simulated time, ns.
    time: i64,
    plant: Plant,
    input: Input,
    /// All records, in order.
    all: Vec<Record>,
    period: i64,
}

impl World {
    fn new(file: &JointFile, source: TickSource, set: usize) -> Self {
        let (clock, hand) = Clock::simulated();
        let link = Link::new(file.motor_names.len());
        link.handle.set_active(true);
        let running = rt::start(program(file, set), link.endpoint, clock.clone(), source).unwrap();
        Self {
            link_input: link.input,
            records: link.records,
            laws: link.laws,
            handle: link.handle,
            running: Some(running),
            clock,
            hand,
            time: 0,
            plant: Plant::new(file),
            input: Input::new(file.motor_names.len()),
            all: Vec::new(),
            period: (file.joint.period * 1e9).round() as i64,
        }
    }

    /// Delivers the time, as a message on /clock.
    fn say(&mut self, time: i64) -> Moved {
        self.time = time;
        let stamp = ((time / NS) as i32, (time % NS) as u32);
        let moved = self.hand.set(stamp.0, stamp.1);
        self.handle.bring();
        moved
    }

    fn stamp(&self) -> f64 {
        let time = self.time;
        self.clock.time_of((time / NS) as i32, (time % NS) as u32)
    }

    fn send(&mut self) {
        let (stamp, now) = (self.stamp(), self.clock.now());
        self.plant.tell(&mut self.input, stamp, now);
        self.link_input.send(&self.input);
        self.link_input.wake();
    }

    fn gather(&mut self) {
        let all = &mut self.all;
        self.records.drain(|record, _| all.push(record.clone()));
    }

    /// Waits until there are `count` records in total.
    fn records(&mut self, count: usize) {
        let start = Instant::now();
        while self.all.len() < count {
            assert!(
                start.elapsed() < PATIENCE,
                "{} records of {count} after simulated {} s",
                self.all.len(),
                self.time as f64 * 1e-9
            );
            self.records.wait(Duration::from_millis(20));
            self.gather();
        }
    }

    fn last(&self) -> &Record {
        self.all.last().expect("a record")
    }

    /// One period of simulated time with its samples, and its one cycle.
    fn step(&mut self) {
        let before = self.all.len();
        // Samples of the cycle's time are there when the cycle begins.
        let next = self.time + self.period;
        let stamp = self.clock.time_of((next / NS) as i32, (next % NS) as u32);
        let now = self.clock.now();
        self.plant.tell(&mut self.input, stamp, now);
        self.link_input.send(&self.input);
        self.link_input.wake();
        self.say(next);
        self.records(before + 1);
        let record = self.last().clone();
        self.plant.follow(&record, self.period as f64 * 1e-9);
    }

    fn run(&mut self, seconds: f64) {
        for _ in 0..(seconds * 1e9) as i64 / self.period {
            self.step();
        }
    }

    fn command(&mut self, bend: Bend) {
        let number = self.input.desired.map_or(1, |d| d.command + 1);
        self.input.desired = Some(Desired {
            configuration: configuration(bend, 0.0),
            command: number,
            sequence: number,
            ..Desired::default()
        });
    }

    /// From the first message on until the joint tracks.
    fn begin(&mut self) {
        assert!(!self.clock.runs());
        // The loop's thread runs: a time that passed before it did is not made up for.
        let brought = self.handle.bring();
        until("the loop to run", || self.records.dealt_with() >= brought);
        assert_eq!(self.say(NS), Moved::Begun);
        assert!(self.clock.runs() && self.clock.steps() == 0);
        self.records(1);
        self.run(0.2);
        assert_eq!(self.last().output.mode, Mode::Tracking);
    }

    /// Checks the properties of any run: time advances, every number is finite. While setpoints are
    /// sent, no position setpoint moves farther in a cycle than the motors' speed allows.
    fn check(&self) {
        let limits = &self.plant.file.limits.motors;
        for pair in self.all.windows(2) {
            assert!(pair[1].at > pair[0].at, "{} s", pair[1].at);
        }
        for record in &self.all {
            let o = &record.output;
            let numbers = o.setpoints.iter().chain(&o.references);
            let more = [o.reference.x, o.reference.y, o.estimate.bend.x, record.at];
            assert!(numbers.chain(&more).all(|v| v.is_finite()), "{record:?}");
        }
        if self.plant.velocity {
            return;
        }
        for pair in self.all.windows(2) {
            let (a, b) = (&pair[0].output, &pair[1].output);
            if !(a.mode.sends() && b.mode.sends()) {
                continue;
            }
            for ((x, y), limit) in a.setpoints.iter().zip(&b.setpoints).zip(limits) {
                let most = limit.speed * self.period as f64 * 1e-9;
                assert!(
                    (y - x).abs() <= most * (1.0 + 1e-9),
                    "from {x} to {y} rad in a tick at {} s; at most {most}",
                    pair[1].at
                );
            }
        }
    }
}

impl Drop for World {
    fn drop(&mut self) {
        self.handle.stop();
        if let Some(running) = self.running.take() {
            running.join();
        }
    }
}

fn degrees(inclination: f64, direction: f64) -> Bend {
    bend_from(inclination.to_radians(), direction.to_radians())
}

/// Two simulated seconds in messages of a millisecond make as many cycles as periods, each in time,
/// and as fast as the machine runs.
#[test]
fn a_period_of_simulated_time_is_a_tick() {
    let mut world = World::new(&neck("glasshouse-neck.yaml"), TickSource::Timer, 0);
    world.begin();
    let (ticks, at) = (world.last().counts.ticks, world.last().at);
    let per_tick = world.period / MS;
    for i in 1..=2000 {
        world.send();
        world.say(world.time + MS);
        // The loop may be slow: time waits for it.
        let due = 1 + (ticks as i64 + i / per_tick) as usize - 1;
        world.records(due);
    }
    let last = world.last().clone();
    let expected = (2000 / per_tick) as u64;
    assert_eq!(last.counts.ticks - ticks, expected);
    assert_eq!((last.counts.late, last.counts.missed), (0, 0));
    assert!((last.at - at - 2.0).abs() < 1e-6, "{}", last.at - at);
    for pair in world.all.windows(2).skip(1) {
        let passed = pair[1].at - pair[0].at;
        assert!((passed - 1e-9 * world.period as f64).abs() < 1e-9);
    }
    world.check();
}

/// A message that advances by four periods makes one cycle; the other three count as missed, and
/// the cycle as late.
#[test]
fn several_periods_at_once_are_one_tick_and_the_rest_is_missed() {
    let mut world = World::new(&neck("glasshouse-neck.yaml"), TickSource::Timer, 0);
    world.begin();
    let before = world.last().counts;
    for _ in 0..50 {
        let count = world.all.len();
        world.send();
        world.say(world.time + 4 * world.period);
        world.records(count + 1);
    }
    let counts = world.last().counts;
    assert_eq!(counts.ticks - before.ticks, 50);
    assert_eq!(counts.missed - before.missed, 150);
    assert_eq!(counts.late - before.late, 50);
    assert_eq!(world.last().output.mode, Mode::Tracking);
    // Messages between two deadlines cause no cycle and no missed one.
    world.step();
    let counts = world.last().counts;
    assert_eq!(counts.missed - before.missed, 150);
    world.check();
}

/// A clock whose messages fall beside the grid of the cycles: each period has its cycle at the
/// nearest message, and none is missed unless there are fewer messages than periods. Repeated steps
/// in ms, and the counts of 600 ms at a period of 5 ms.
#[test]
fn a_tick_is_due_at_the_nearest_message() {
    for (steps, ticks, missed) in [
        (&[1][..], 120, 0),
        (&[4, 6], 120, 0),
        (&[6, 4], 120, 0),
        (&[3, 7], 120, 0),
        (&[4, 1], 120, 0),
        (&[4], 120, 0),
        (&[5], 120, 0),
        (&[6], 100, 20),
        (&[10], 60, 60),
    ] {
        let mut world = World::new(&neck("glasshouse-neck.yaml"), TickSource::Timer, 0);
        assert_eq!(world.period, 5 * MS);
        world.begin();
        let go_on = |world: &mut World, most: i64| {
            let end = world.time + most * MS;
            for step in steps.iter().cycle() {
                world.send();
                world.say(world.time + step * MS);
                // Time waits until the loop has handled it.
                let number = world.handle.bring();
                until("the loop", || world.records.dealt_with() >= number);
                world.gather();
                if world.time >= end {
                    break;
                }
            }
        };
        // The loop has to observe the clock's steps first.
        go_on(&mut world, 60);
        let (before, count) = (world.last().counts, world.all.len());
        go_on(&mut world, 600);
        let counts = world.last().counts;
        let seen = (counts.ticks - before.ticks, counts.missed - before.missed);
        assert_eq!(seen, (ticks, missed), "steps of {steps:?} ms");
        // At most half a period from the middle of its place.
        for (i, record) in world.all[count..]
            .iter()
            .enumerate()
            .filter(|_| missed == 0)
        {
            let due = world.all[count].at + 5e-3 * i as f64;
            assert!((record.at - due).abs() < 4.1e-3, "steps of {steps:?} ms");
        }
        world.check();
    }
}

/// Free running: every period is run or counted, for any timing of the two threads.
#[test]
fn every_period_is_ticked_or_counted() {
    let mut world = World::new(&neck("glasshouse-neck.yaml"), TickSource::Timer, 0);
    world.begin();
    let before = world.last().counts;
    let periods = 4000;
    for _ in 0..periods * (world.period / MS) {
        world.say(world.time + MS);
        // The ring of records must not overflow.
        world.gather();
    }
    until("the last tick", || {
        world.gather();
        let c = world.last().counts;
        c.ticks - before.ticks + c.missed - before.missed == periods as u64
    });
    world.check();
}

/// Time stands in mid-motion: no cycle runs and nothing becomes stale, a new law is still accepted,
/// and then the motion continues where it was.
#[test]
fn it_stands_while_simulated_time_stands() {
    for name in ["glasshouse-neck.yaml", "glasshouse-neck-velocity.yaml"] {
        let mut world = World::new(&neck(name), TickSource::Timer, 0);
        world.plant.velocity = name.contains("velocity");
        world.begin();
        world.command(degrees(12.0, 50.0));
        world.run(0.3);
        let before = world.last().clone();
        let moved = (before.output.reference - Bend::zeros())
            .norm()
            .to_degrees();
        assert!(
            moved > 1.0 && moved < 11.0,
            "in mid-motion, not at {moved} deg"
        );

        // The same time repeated, as from paused simulators; and one message out of order.
        for _ in 0..100 {
            assert_eq!(world.say(world.time), Moved::Stands);
        }
        let time = world.time;
        assert_eq!(world.say(time - MS), Moved::Stands);
        world.time = time;
        let pending = world.laws.offer(program(&world.plant.file, 0));
        let pending = pending.expect("room");
        until("the law", || pending.taken());
        world.gather();
        assert_eq!(world.last().counts.ticks, before.counts.ticks);

        world.run(2.0);
        let modes = world.all.iter().skip(40).map(|r| r.output.mode);
        assert!(modes.into_iter().all(|mode| mode == Mode::Tracking));
        let counts = world.last().counts;
        assert_eq!((counts.missed, counts.late), (0, 0));
        let off = (world.plant.bend() - degrees(12.0, 50.0)).norm();
        assert!(off.to_degrees() < 0.7, "{} deg off", off.to_degrees());
        world.check();
    }
}

/// A jump of simulated time, with a plant that stays as it is or restarts straight.
fn jumped(name: &str, source: TickSource, to: i64, reset: bool) {
    let mut world = World::new(&neck(name), source, 0);
    world.plant.velocity = name.contains("velocity");
    world.begin();
    world.command(degrees(15.0, 120.0));
    world.run(3.0);
    let off = (world.plant.bend() - degrees(15.0, 120.0)).norm();
    assert!(off.to_degrees() < 0.7, "{} deg off", off.to_degrees());

    let (time, count) = (world.time, world.all.len());
    let Moved::Jumped(by) = world.say(to) else {
        panic!("{time} to {to} is a jump");
    };
    assert!((by - 1e-9 * (to - time) as f64).abs() < 1e-6);
    if reset {
        world.plant.angles.fill(0.0);
    }
    let there = world.plant.bend();
    world.records(count + 1);
    // At once its state is unknown: no position is sent, and velocity is zero.
    let first = world.last().output.clone();
    if world.plant.velocity {
        assert!(first.setpoints.iter().all(|v| *v == 0.0), "{first:?}");
    } else {
        assert!(!first.mode.sends(), "{:?}", first.mode);
    }
    // Samples from before belong to another time, however often they come.
    let old = world.input.clone();
    world.link_input.send(&old);
    world.link_input.wake();
    world.say(to + MS);
    world.time = to;
    world.gather();

    // With new samples it starts from where the joint is, and stays there.
    let begun = world.all.len();
    world.run(1.0);
    let tracking = world.all[begun..]
        .iter()
        .filter(|r| r.output.mode == Mode::Tracking)
        .count();
    // Angles that have jumped have to stay for 0.1 s first.
    assert!(tracking > 170, "{tracking} ticks of tracking in 1 s");
    for record in &world.all[begun..] {
        let away = (record.output.estimate.bend - there).norm().to_degrees();
        assert!(away < 0.3, "{away} deg away at {} s", record.at);
        if record.output.mode.sends() && !world.plant.velocity {
            let setpoints = record.output.setpoints.iter();
            let most = setpoints.zip(&world.plant.angles);
            let most = most.map(|(s, q)| (s - q).abs()).fold(0.0, f64::max);
            assert!(most < 0.02, "setpoint {most} rad from the motors");
        }
    }
    assert_eq!(world.clock.steps(), 1);
    // Only a new command moves it.
    world.command(degrees(10.0, 300.0));
    world.run(3.0);
    let off = (world.plant.bend() - degrees(10.0, 300.0)).norm();
    assert!(off.to_degrees() < 0.7, "{} deg off", off.to_degrees());
    world.check();
}

#[test]
fn a_jump_back_starts_anew_from_what_is_measured() {
    jumped("glasshouse-neck.yaml", TickSource::Timer, NS / 2, true);
    jumped("glasshouse-neck.yaml", TickSource::Timer, 0, false);
    jumped(
        "glasshouse-neck-velocity.yaml",
        TickSource::Timer,
        NS / 2,
        true,
    );
}

#[test]
fn a_jump_far_ahead_does_not_throw_it() {
    jumped("glasshouse-neck.yaml", TickSource::Timer, 1000 * NS, false);
    jumped(
        "glasshouse-neck-velocity.yaml",
        TickSource::Timer,
        1000 * NS,
        false,
    );
}

#[test]
fn ticks_by_the_imu_jump_as_well() {
    jumped("glasshouse-neck.yaml", TickSource::Imu, NS / 2, true);
    jumped("glasshouse-neck.yaml", TickSource::Imu, 1000 * NS, false);
}

/// By the IMU: one cycle per sample, in either order of sample and message on /clock; without
/// samples a cycle per period.
#[test]
fn a_sample_is_a_tick_in_simulated_time() {
    let mut world = World::new(&neck("glasshouse-neck.yaml"), TickSource::Imu, 0);
    world.begin();
    let before = world.last().counts;
    // The sample first.
    world.run(1.0);
    let counts = world.last().counts;
    let expected = (NS / world.period) as u64;
    assert_eq!(counts.ticks - before.ticks, expected);
    assert_eq!(counts.without_sample, before.without_sample);
    // The time first, to the millisecond.
    let before = world.last().counts;
    for _ in 0..expected {
        let count = world.all.len();
        for _ in 0..world.period / MS {
            world.say(world.time + MS);
        }
        world.gather();
        assert_eq!(world.all.len(), count, "a tick before its sample");
        world.send();
        world.records(count + 1);
    }
    let counts = world.last().counts;
    assert_eq!(counts.ticks - before.ticks, expected);
    assert_eq!(counts.without_sample, before.without_sample);
    world.check();
    // No samples: the timer, at the period.
    let before = world.last().counts;
    for _ in 0..100 {
        world.say(world.time + world.period);
        world.gather();
    }
    until("ticks without samples", || {
        world.gather();
        let c = world.last().counts;
        let passed = c.ticks - before.ticks + c.missed - before.missed;
        passed >= 97 && c.without_sample > before.without_sample
    });
}

/// For any message on /clock, loop time advances or stands, and is finite.
#[test]
fn any_message_on_clock_leaves_time_sound() {
    let (clock, mut hand) = Clock::simulated();
    let mut seed = 0x9e37_79b9_7f4a_7c15_u64;
    let mut random = || {
        seed ^= seed << 13;
        seed ^= seed >> 7;
        seed ^= seed << 17;
        seed
    };
    let (mut last, mut time) = (clock.now(), 0_i64);
    let mut jumps = 0;
    for i in 0..100_000 {
        // Any time at all, or a plausible step.
        let (seconds, nanoseconds) = if i % 3 == 0 {
            (random() as i32, random() as u32)
        } else {
            time += (random() % 40_000_000) as i64;
            ((time / NS) as i32, (time % NS) as u32)
        };
        let moved = hand.set(seconds, nanoseconds);
        jumps += u64::from(matches!(moved, Moved::Jumped(_)));
        let now = clock.now();
        assert!(now.is_finite() && now >= last, "{last} to {now}");
        assert_eq!(clock.steps(), jumps);
        if !matches!(moved, Moved::Stands) {
            assert!((clock.time_of(seconds, nanoseconds) - now).abs() < 1e-6);
        }
        last = now;
    }
    assert!(jumps > 10_000, "{jumps}");
}

/// The system clock steps by hours in mid-motion: stamps in and out follow at once, and the loop
/// goes on unaffected.
#[test]
fn a_step_of_the_system_clock_never_matters() {
    let shift = Arc::new(AtomicI64::new(0));
    let read = {
        let shift = shift.clone();
        move || {
            let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
            now.as_nanos() as i64 + shift.load(Ordering::SeqCst)
        }
    };
    let clock = Clock::stamped_by(read.clone());
    let mut file = neck("glasshouse-neck.yaml");
    // A busy machine's pauses are outside this test.
    (file.limits.stale_imu, file.limits.stale_motors) = (5.0, 5.0);
    let mut link = Link::new(4);
    link.handle.set_active(true);
    let run = program(&file, 0);
    let running = rt::start(run, link.endpoint, clock.clone(), TickSource::Timer).unwrap();
    let (mut plant, mut input) = (Plant::new(&file), Input::new(4));
    let mut records: Vec<Record> = Vec::new();
    let target = degrees(14.0, 200.0);
    let start = Instant::now();
    let mut steps = 0;
    loop {
        let ticks = records.len();
        if ticks > 100 && input.desired.is_none() {
            input.desired = Some(Desired {
                configuration: configuration(target, 0.0),
                command: 1,
                sequence: 1,
                ..Desired::default()
            });
        }
        // Back by an hour, then ahead by a day, while it moves.
        for (number, (at, hours)) in [(130, -1), (160, 24)].into_iter().enumerate() {
            if steps == number as u64 && ticks > at {
                let hour = 3600 * NS;
                shift.fetch_add(hours * hour, Ordering::SeqCst);
                steps += 1;
            }
        }
        // A message is stamped on the system clock and converted to loop time where it comes in.
        let wall = read();
        let stamp = clock.time_of((wall / NS) as i32, (wall % NS) as u32);
        let now = clock.now();
        assert!((now - stamp).abs() < 5.0, "{stamp} s at {now} s");
        plant.tell(&mut input, stamp, now);
        link.input.send(&input);
        link.input.wake();
        // Output stamps are on the current system clock.
        let out = clock.stamp_of(clock.now());
        let out = i64::from(out.0) * NS + i64::from(out.1);
        assert!((out - read()).abs() < 5 * NS, "stamped {out} at {}", read());
        link.records.wait(Duration::from_millis(20));
        let plant = &mut plant;
        link.records.drain(|record, _| {
            plant.follow(record, file.joint.period);
            records.push(record.clone());
        });
        if records
            .last()
            .is_some_and(|r| r.output.settled && r.output.answered.command == Some(1))
            && steps == 2
        {
            break;
        }
        assert!(
            start.elapsed() < PATIENCE,
            "not settled: {:?}",
            records.last()
        );
    }
    link.handle.stop();
    running.join();
    assert_eq!(clock.steps(), 2);
    let begun = records.iter().position(|r| r.output.mode == Mode::Tracking);
    let modes = records[begun.unwrap()..].iter().map(|r| r.output.mode);
    assert!(modes.into_iter().all(|mode| mode == Mode::Tracking));
    assert!(records.iter().all(|r| r.output.answered.ended.is_none()));
    let off = (plant.bend() - target).norm();
    assert!(off.to_degrees() < 0.7, "{} deg off", off.to_degrees());
    for pair in records[begun.unwrap()..].windows(2) {
        let setpoints = pair[0].output.setpoints.iter();
        for ((x, y), limit) in setpoints
            .zip(&pair[1].output.setpoints)
            .zip(&file.limits.motors)
        {
            let most = limit.speed * file.joint.period * (1.0 + 1e-9);
            assert!((y - x).abs() <= most, "from {x} to {y} rad in a tick");
        }
    }
}

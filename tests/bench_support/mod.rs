//! A fault bench on virtual time: the control cycle with the node's own input path, closed over a
//! simulated joint through a wire that spoils messages. Everything follows from a seed.
//!
//! Machine time is the plant's. Loop time is machine time plus its jumps ahead.
#![allow(dead_code, reason = "each test file uses its own part")]

pub mod faults;
pub mod golden;
pub mod sequence;

use nalgebra::{UnitQuaternion, Vector3};
use withy::control::aim::{Aim, Target};
use withy::control::controller::CommandInterface;
use withy::control::geometry::{Bend, orientation as orientation_of};
use withy::control::tick::{Desired, Joint, Law, Mode, Output, Reaction, Rule, State, tick};
use withy::runtime::link::inbox::{
    ImuPlace, ImuReading, Inbox, Refusal, When, checked_orientation,
};
use withy::sim::beam::{DriveKind, Plant};

use crate::common::{Neck, PAYLOADS};
use faults::{Fault, Kind, Message, Stream, Wire};

/// Jump of loop time after a jump of simulated time, s, as in the node's clock.
const GAP: f64 = 3.0;
/// Distance from its reference within which a joint tracks as commanded, rad (3 deg).
const NEAR: f64 = 0.0524;
/// Change of setpoints per cycle below which they stand still, rad or rad/s.
const STILL: f64 = 1e-9;
/// Speed below which a joint stands, rad/s.
const REST: f64 = 0.03;

/// Random numbers: splitmix64 (Steele, Lea and Flood 2014, "Fast splittable pseudorandom number
/// generators").
#[derive(Clone, Debug)]
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn below(&mut self, count: usize) -> usize {
        (self.next() % count as u64) as usize
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    pub fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }
}

/// An action of the operator or the surroundings.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// A desired pose: inclination and direction, deg, and pan, rad.
    Command(f64, f64, f64),
    /// Force on the head, N, and its duration, s.
    Push([f64; 2], f64),
    Clear,
    Hold,
    ReleaseTension,
    Activate(bool),
}

/// Observations of a run.
#[derive(Clone, Debug)]
pub struct Seen {
    /// Violations.
    pub wrong: Vec<String>,
    /// Greatest true bend, rad, since the watch began.
    pub peak: f64,
    /// Greatest commanded bend, rad.
    pub asked: f64,
    /// Greatest setpoint as a share of the position range and of the speed limit.
    pub travel: f64,
    pub speed: f64,
    /// The most severe reaction and the first rule that requested it.
    pub reaction: Reaction,
    pub cause: Option<Rule>,
    /// Machine time of the last cycle that was not safe, and the start of an unsafe span.
    pub last_unsafe: f64,
    pub unsafe_since: Option<f64>,
    /// Longest continuous time that was not safe, s, and its end.
    pub longest_unsafe: (f64, f64),
    pub refused: usize,
}

impl Default for Seen {
    fn default() -> Self {
        Self {
            wrong: Vec::new(),
            peak: 0.0,
            asked: 0.0,
            travel: 0.0,
            speed: 0.0,
            reaction: Reaction::Warn,
            cause: None,
            last_unsafe: f64::NEG_INFINITY,
            unsafe_since: None,
            longest_unsafe: (0.0, 0.0),
            refused: 0,
        }
    }
}

/// One joint, its loop, and the wire between.
#[derive(Clone)]
pub struct Rig {
    pub plant: Plant,
    pub joint: Joint,
    pub law: Law,
    pub state: State,
    pub out: Output,
    aim: Aim,
    names: Vec<String>,
    inbox: Inbox,
    wire: Wire,
    ticks: u64,
    /// Loop time minus machine time, s.
    ahead: f64,
    sequence: u64,
    pub faults: Vec<Fault>,
    pub events: Vec<(f64, Event)>,
    /// Machine time from which setpoints stand still, regardless of the loop.
    pub motors_held_from: f64,
    held: Option<Vec<f64>>,
    /// Setpoints of the last cycle that sent.
    sent: Option<(Mode, Vec<f64>, f64)>,
    /// The last bend, for its rate.
    before: Bend,
    still_for: f64,
    /// Prints the state each 20 ms.
    pub trace: bool,
    /// Machine time at which the observation starts.
    pub watch_from: f64,
    pub seen: Seen,
}

impl Rig {
    /// Returns the rig at rest, straight, 3 s after its start.
    pub fn ready(neck: &Neck, payload: usize) -> Self {
        let joint = neck.file.joint.clone();
        let law = neck.law(&neck.file.gain_sets[neck.file.initial].name);
        let mut plant = Plant::new(&neck.description, &neck.options, neck.seed).expect("it builds");
        let (mass, height) = PAYLOADS[payload];
        plant.set_payload(mass, height).expect("a sound payload");
        let motors = joint.motors();
        let names = neck.file.all_motor_names();
        let mut rig = Self {
            state: State::new(&joint, &law),
            out: Output::new(motors),
            aim: neck.file.aim(),
            inbox: Inbox::new(names.clone(), motors),
            wire: Wire::new(1),
            plant,
            joint,
            law,
            names,
            ticks: 0,
            ahead: 0.0,
            sequence: 0,
            faults: Vec::new(),
            events: Vec::new(),
            motors_held_from: f64::INFINITY,
            held: None,
            sent: None,
            before: Bend::zeros(),
            still_for: 0.0,
            trace: false,
            watch_from: f64::INFINITY,
            seen: Seen::default(),
        };
        rig.run(3.0);
        assert_eq!(rig.out.mode, Mode::Tracking);
        rig
    }

    /// Machine time, s.
    pub fn time(&self) -> f64 {
        self.ticks as f64 * self.joint.period
    }

    pub fn seed(&mut self, seed: u64) {
        self.wire = Wire::new(seed);
    }

    pub fn run(&mut self, seconds: f64) {
        for _ in 0..(seconds / self.joint.period).round() as usize {
            self.step();
        }
    }

    fn drive(&self) -> DriveKind {
        match self.law.kind() {
            CommandInterface::Position => DriveKind::Position,
            CommandInterface::Velocity => DriveKind::Velocity,
        }
    }

    /// Applies the events at machine time `t`: of the operator, the surroundings and the joint
    /// itself.
    fn happen(&mut self, t: f64) {
        let due = |at: f64| at <= t && at > t - self.joint.period;
        let events: Vec<Event> = (self.events.iter())
            .filter(|(at, _)| due(*at))
            .map(|(_, event)| event.clone())
            .collect();
        for event in events {
            match event {
                Event::Command(inclination, direction, pan) => {
                    let bend = crate::common::pose(inclination, direction);
                    let turn = UnitQuaternion::from_rotation_matrix(&orientation_of(pan, bend));
                    let numbers = vec![turn.i, turn.j, turn.k, turn.w];
                    let faults = &self.faults;
                    self.wire
                        .send(Message::new(Stream::Command, t, numbers, &[]), t, faults);
                }
                Event::Push(force, duration) => {
                    let force = Vector3::new(force[0], force[1], 0.0);
                    self.plant.push(force, duration).expect("a sound push");
                }
                Event::Clear => self.inbox.input_mut().clear += 1,
                Event::Hold => self.inbox.input_mut().hold += 1,
                Event::ReleaseTension => self.inbox.input_mut().release_tension += 1,
                Event::Activate(active) => self.inbox.input_mut().inactive = !active,
            }
        }
        for fault in self.faults.clone() {
            match fault.kind {
                Kind::Stalled(motor) if due(fault.from) || due(fault.until) => {
                    let stalled = due(fault.from);
                    self.plant.stall(motor, stalled).expect("such a motor");
                }
                Kind::Cut(tendon) if due(fault.from) => {
                    self.plant.cut(tendon).expect("such a tendon");
                }
                Kind::LoopStep(by) if due(fault.from) => self.ahead += by,
                Kind::TimeJump if due(fault.from) => {
                    self.ahead += GAP;
                    let input = self.inbox.input_mut();
                    input.motors.fill(None);
                    (input.pan, input.head, input.base) = (None, None, None);
                    self.state.start_anew(self.inbox.input());
                    // The next setpoints start anew.
                    if let Some((mode, ..)) = &mut self.sent {
                        *mode = Mode::Waiting;
                    }
                }
                _ => {}
            }
        }
    }

    /// Puts the sensors' messages onto the wire.
    fn sense(&mut self, t: f64) {
        let faults = &self.faults;
        while let Some(reading) = self.plant.take_motor_reading() {
            let stamp = reading.stamp + self.ahead;
            let message = Message::new(Stream::Motors, stamp, reading.angles.clone(), &self.names);
            self.wire.send(message, t, faults);
        }
        loop {
            let head = self.plant.take_imu_reading().map(|r| (Stream::Head, r));
            let found = head.or_else(|| {
                self.plant
                    .take_base_imu_reading()
                    .map(|r| (Stream::Base, r))
            });
            let Some((stream, reading)) = found else {
                break;
            };
            let (q, w) = (reading.orientation, reading.angular_velocity);
            let numbers = vec![q.i, q.j, q.k, q.w, w.x, w.y, w.z];
            let message = Message::new(stream, reading.stamp + self.ahead, numbers, &[]);
            self.wire.send(message, t, faults);
        }
    }

    /// A message arrives at loop time `now`.
    fn receive(&mut self, message: &Message, now: f64) -> Result<(), Refusal> {
        let when = || When::new(message.stamp, now, "the clock");
        let number = |i: usize| message.numbers.get(i).copied().unwrap_or(0.0);
        let quaternion = [0, 1, 2, 3].map(number);
        match message.stream {
            Stream::Motors => self
                .inbox
                .motors(&message.names, &message.numbers, when)
                .map(drop),
            stream @ (Stream::Head | Stream::Base) => {
                let reading = ImuReading::new(quaternion, [4, 5, 6].map(number))?;
                let place = match stream {
                    Stream::Base => ImuPlace::Base,
                    _ => ImuPlace::Head,
                };
                self.inbox.imu(&reading, when()?, place)
            }
            Stream::Command => {
                let asked = Target::Pose(checked_orientation("orientation", quaternion)?);
                let reference = self.out.reference;
                let present =
                    withy::control::geometry::configuration(reference, self.out.reference_pan);
                let aimed = self.aim.solve(&asked, present).expect("a pose");
                self.sequence += 1;
                self.seen.asked = self.seen.asked.max(aimed.configuration.xy().norm());
                self.inbox.desire(Desired {
                    configuration: aimed.configuration,
                    command: self.sequence,
                    sequence: self.sequence,
                    ..Desired::default()
                });
                Ok(())
            }
        }
    }

    pub fn step(&mut self) {
        let t = self.time();
        self.plant.run_until(t);
        self.happen(t);
        if t >= self.motors_held_from {
            self.hold_motors();
        } else {
            self.sense(t);
            let now = t + self.ahead;
            for message in self.wire.arrived(t) {
                self.seen.refused += usize::from(self.receive(&message, now).is_err());
            }
            if !(self.faults.iter()).any(|f| f.kind == Kind::LoopStall && f.active(t)) {
                tick(
                    &self.joint,
                    &self.law,
                    &mut self.state,
                    self.inbox.input(),
                    now,
                    &mut self.out,
                );
                self.check(t);
                self.send();
            }
        }
        let bend = self.plant.truth().bend;
        if t >= self.watch_from {
            self.seen.peak = self.seen.peak.max(bend.norm());
            if t < self.motors_held_from {
                self.judge(t, bend);
            }
        }
        if self.trace && self.ticks.is_multiple_of(4) {
            let (out, truth) = (&self.out, self.plant.truth());
            let apart = (out.estimate.imu_bend - out.estimate.motors_bend).norm();
            let deg = |bend: Bend| (bend.norm().to_degrees(), bend.y.atan2(bend.x).to_degrees());
            println!(
                "{t:.2} {:?} {:?} {:?}: bend {:.1?} reference {:.1?} target {:.1?}, apart {:.2}, \
                 tensions {:.1?}, setpoints {:.2?}",
                out.mode,
                out.faults.reaction,
                out.faults.cause,
                deg(bend),
                deg(out.reference),
                deg(out.target),
                apart,
                truth.tensions,
                out.setpoints
            );
        }
        self.before = bend;
        self.ticks += 1;
    }

    fn hold_motors(&mut self) {
        let held = match (&self.held, self.law.kind()) {
            (Some(held), _) => held.clone(),
            (None, CommandInterface::Velocity) => vec![0.0; self.names.len()],
            (None, CommandInterface::Position) => self.setpoints(),
        };
        self.plant.command(self.drive(), &held).expect("finite");
        self.held = Some(held);
    }

    fn setpoints(&self) -> Vec<f64> {
        let mut setpoints = self.out.setpoints.clone();
        setpoints.extend(self.joint.pan.map(|_| self.out.pan_setpoint));
        setpoints
    }

    fn send(&mut self) {
        if !self.out.mode.sends() {
            return;
        }
        let setpoints = self.setpoints();
        if let Err(error) = self.plant.command(self.drive(), &setpoints) {
            self.seen.wrong.push(error.to_string());
        }
    }

    /// Checks the output against its limits.
    fn check(&mut self, t: f64) {
        let mut wrong = Vec::new();
        if let Some(what) = not_finite(&self.out) {
            wrong.push(format!("{what} is no number"));
        }
        let sends = self.out.mode.sends();
        let setpoints = self.setpoints();
        if sends {
            let motors = self.law.limits().motors.iter();
            let pan = self
                .joint
                .pan
                .map(|p| (p.ratio * p.low, p.ratio * p.high, p.ratio * p.speed));
            let pan = pan.map(|(a, b, speed)| (a.min(b), a.max(b), speed.abs()));
            let limits: Vec<_> = motors
                .map(|m| (m.low, m.high, m.speed))
                .chain(pan)
                .collect();
            let truth = self.plant.truth();
            for (i, (low, high, most)) in limits.into_iter().enumerate() {
                let (setpoint, angle) = (setpoints[i], truth.motor_angles[i]);
                let speed = match self.law.kind() {
                    CommandInterface::Velocity => {
                        if !(low - OVERRUN..=high + OVERRUN).contains(&angle) {
                            wrong.push(format!(
                                "motor {i} stands at {angle}, travel {low} to {high}"
                            ));
                        }
                        setpoint.abs()
                    }
                    CommandInterface::Position => {
                        if !(low - 1e-9..=high + 1e-9).contains(&setpoint) {
                            wrong.push(format!(
                                "setpoint {i} is {setpoint}, travel {low} to {high}"
                            ));
                        }
                        let travel = (setpoint / if setpoint < 0.0 { low } else { high }).abs();
                        if t >= self.watch_from {
                            self.seen.travel = self.seen.travel.max(travel);
                        }
                        match &self.sent {
                            Some((mode, sent, _))
                                if *mode == self.out.mode
                                    || mode.is_released()
                                    || self.out.mode.is_released() =>
                            {
                                (setpoint - sent[i]).abs() / self.joint.period
                            }
                            // A start begins where the motors are, or continues from the last
                            // setpoint.
                            before => {
                                let from_sent =
                                    before.as_ref().map_or(f64::INFINITY, |(_, sent, _)| {
                                        (setpoint - sent[i]).abs()
                                    });
                                let off = (setpoint - angle).abs().min(from_sent);
                                if off > self.joint.following_error_limit + most * self.joint.period
                                {
                                    wrong.push(format!(
                                        "setpoint {i} starts {off} rad from motor and setpoint"
                                    ));
                                }
                                0.0
                            }
                        }
                    }
                };
                if speed > most * (1.0 + 1e-6) {
                    wrong.push(format!("setpoint {i} goes at {speed} rad/s, limit {most}"));
                }
                if t >= self.watch_from {
                    self.seen.speed = self.seen.speed.max(speed / most);
                }
            }
        }
        let moved = match (&self.sent, self.law.kind()) {
            (Some((_, sent, _)), CommandInterface::Position) => (sent.iter().zip(&setpoints))
                .map(|(a, b)| (a - b).abs())
                .fold(0.0, f64::max),
            (None, CommandInterface::Position) => 0.0,
            (_, CommandInterface::Velocity) => {
                setpoints.iter().fold(0.0, |m: f64, s| m.max(s.abs()))
            }
        };
        self.sent = sends.then_some((self.out.mode, setpoints, moved));
        let faults = &self.out.faults;
        if t >= self.watch_from
            && faults.cause.is_some()
            && (self.seen.cause.is_none() || faults.reaction > self.seen.reaction)
        {
            (self.seen.reaction, self.seen.cause) = (faults.reaction, faults.cause);
        }
        for what in wrong {
            let mode = self.out.mode;
            if self.seen.wrong.len() < 5 {
                self.seen
                    .wrong
                    .push(format!("{what} at {t:.3} s in {mode:?}"));
            }
        }
    }

    /// Returns true if the joint is safe: nothing is sent; or setpoints stand still; or tension is
    /// released or restored within limits; or it tracks near its reference; or it tracks a
    /// reference at rest, reports a fault, and stands.
    fn safe(&self, bend: Bend) -> bool {
        let standing = (self.sent.as_ref()).is_none_or(|(_, _, moved)| *moved <= STILL);
        match self.out.mode {
            Mode::Tracking => {
                let near = (bend - self.out.reference).norm() <= NEAR;
                near || (self.out.faults.cause.is_some() && self.still_for >= 0.2)
            }
            mode if mode.is_released() => true,
            mode if mode.sends() => standing,
            _ => true,
        }
    }

    fn judge(&mut self, t: f64, bend: Bend) {
        let slow = (bend - self.before).norm() / self.joint.period <= REST;
        self.still_for = if slow {
            self.still_for + self.joint.period
        } else {
            0.0
        };
        if self.safe(bend) {
            self.seen.unsafe_since = None;
        } else {
            let since = *self.seen.unsafe_since.get_or_insert(t);
            self.seen.last_unsafe = t;
            if t - since > self.seen.longest_unsafe.0 {
                self.seen.longest_unsafe = (t - since, t);
            }
        }
    }
}

/// Overrun of a motor with a velocity setpoint past its position limit while it brakes, rad.
const OVERRUN: f64 = 0.05;

/// Returns the first output that is not finite, if any.
pub fn not_finite(out: &Output) -> Option<&'static str> {
    let all = |values: &[f64]| values.iter().all(|v| v.is_finite());
    let e = &out.estimate;
    let bends = [
        e.bend,
        e.imu_bend,
        e.motors_bend,
        e.rate,
        out.target,
        out.reference,
    ];
    let checks = [
        ("a setpoint", all(&out.setpoints)),
        ("a reference", all(&out.references)),
        (
            "the pan",
            all(&[
                out.pan_setpoint,
                out.pan_reference,
                out.target_pan,
                out.reference_pan,
                e.pan,
                e.pan_then,
            ]),
        ),
        (
            "a stamp",
            all(&[out.timing.stamp, out.timing.bend_stamp, out.timing.delay]),
        ),
        ("a bend", bends.iter().all(|b| all(b.as_slice()))),
        (
            "the estimate",
            all(&[e.motors_residual, e.observability]) && all(e.gravity_head.as_slice()),
        ),
        ("the correction", all(&[out.limited.feedback_share])),
        (
            "a fault's value",
            out.faults.rules.iter().all(|f| !f.value.is_nan()),
        ),
    ];
    checks.iter().find(|(_, good)| !good).map(|(what, _)| *what)
}

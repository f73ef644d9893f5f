//! The phases of the loop: every phase with every event, against the table of transitions, and the
//! manual against the same table.
//!
//! Environment: `WITHY_UPDATE=1` writes the manual's table anew.

use crate::common::Neck;
use nalgebra::Vector3;
use std::fmt::Write;
use withy::control::controller::CommandInterface;
use withy::control::geometry::{Bend, configuration, orientation};
use withy::control::self_support::{Load, SelfSupport};
use withy::control::tick::{
    Commands, Desired, Event, FaultConfig, ImuSample, Input, Joint, Law, Mode, MotorSample, Output,
    Phase, Reaction, ReleaseRefusal, Rule, Setpoints, State, Step, tick, transition,
};

/// Ticks after which a rule, a sensor or a short hold has surely had its effect.
const SOON: usize = 200;

/// Laws that differ in what the loop thinks of the joint.
#[derive(Clone)]
struct Laws {
    usual: Law,
    /// A rule holds the joint.
    holds: Law,
    /// A latched fault holds it.
    fault: Law,
    /// The sensors are too late for it.
    slow: Law,
    /// The law for the other command interface.
    other: Law,
}

impl Laws {
    fn new(neck: &Neck, other: &Neck) -> Self {
        let gains = neck.gains(&neck.file.gain_sets[neck.file.initial].name);
        let carries = SelfSupport::Carries {
            factor: 2.0,
            inclination: 0.0,
            tilts: (0.0, 3.2),
            payload: Load::default(),
        };
        let joint = &neck.file.joint;
        let law = |gains, rule: Option<(Rule, bool)>| {
            let mut limits = neck.file.limits.clone();
            if let Some((rule, latch)) = rule {
                // Every value is above the limit.
                *limits.supervision.guard_mut(rule) = FaultConfig {
                    limit: -1.0,
                    after: 0.0,
                    reaction: Reaction::Hold,
                    latch,
                };
            }
            let law = Law::new(joint, gains, &limits, neck.file.feedback).expect("a sound law");
            law.with_self_support(joint, carries)
        };
        let mut late = gains.clone();
        late.delay_allowed = 0.0;
        Self {
            usual: law(gains, None),
            holds: law(gains, Some((Rule::Saturation, false))),
            fault: law(gains, Some((Rule::PositionLimit, true))),
            slow: law(&late, None),
            other: law(&other.file.gain_sets[other.file.initial].gains, None),
        }
    }
}

/// A loop with motors that do what they are sent, and sensors that say so.
#[derive(Clone)]
struct Bench {
    name: &'static str,
    joint: Joint,
    laws: Laws,
    law: Law,
    state: State,
    input: Input,
    out: Output,
    now: f64,
    angles: Vec<f64>,
    pan: f64,
    bend: Bend,
    /// No sample arrives.
    silent: bool,
    /// Encoders send what is no number.
    nan: bool,
}

impl Bench {
    fn new(name: &'static str, neck: &Neck, other: &Neck) -> Self {
        let (joint, laws) = (neck.file.joint.clone(), Laws::new(neck, other));
        let motors = joint.motors();
        Self {
            name,
            state: State::new(&joint, &laws.usual),
            law: laws.usual.clone(),
            laws,
            input: Input::new(motors),
            out: Output::new(motors),
            now: 10.0,
            angles: vec![0.0; motors],
            pan: 0.0,
            bend: Bend::zeros(),
            silent: false,
            nan: false,
            joint,
        }
    }

    fn point(&mut self, x: f64, y: f64) {
        let number = self.input.desired.map_or(0, |d| d.sequence) + 1;
        self.input.desired = Some(Desired {
            configuration: configuration(Bend::new(x, y), 0.3),
            command: number,
            sequence: number,
            ..Desired::default()
        });
    }

    /// Returns the number of the newest command.
    fn newest(&self) -> Option<u64> {
        self.input.desired.map(|d| d.command)
    }

    fn sense(&mut self) {
        if self.silent {
            self.input.motors.fill(None);
            (self.input.pan, self.input.head, self.input.base) = (None, None, None);
            return;
        }
        let now = self.now;
        let sample = |angle: f64| {
            Some(MotorSample {
                angle,
                stamp: now,
                received: now,
            })
        };
        for (slot, angle) in self.input.motors.iter_mut().zip(&self.angles) {
            *slot = sample(if self.nan { f64::NAN } else { *angle });
        }
        self.input.pan = self.joint.pan.and_then(|pan| sample(pan.ratio * self.pan));
        let imu = |gravity: Vector3<f64>| {
            Some(ImuSample {
                gravity,
                angular_velocity: Vector3::zeros(),
                stamp: now,
                received: now,
            })
        };
        let down = self.joint.gravity_base;
        let head = orientation(self.pan, self.bend).inverse() * down;
        self.input.head = imu(self.joint.head_from_imu.inverse() * head);
        self.input.base = self
            .joint
            .base_from_imu
            .and_then(|m| imu(m.inverse() * down));
    }

    /// Runs one tick and checks it. Returns the phase after it.
    fn step(&mut self) -> Phase {
        self.sense();
        let before = self.out.clone();
        tick(
            &self.joint,
            &self.law,
            &mut self.state,
            &self.input,
            self.now,
            &mut self.out,
        );
        self.check(&before);
        let dt = self.joint.period;
        if self.out.mode.sends() && !self.out.unsent {
            let ratio = self.joint.pan.map_or(1.0, |pan| pan.ratio);
            let pan = self.out.pan_setpoint / ratio;
            match self.law.kind() {
                CommandInterface::Position => {
                    self.angles.copy_from_slice(&self.out.setpoints);
                    self.pan = pan;
                }
                CommandInterface::Velocity => {
                    let setpoints = self.out.setpoints.iter();
                    self.angles
                        .iter_mut()
                        .zip(setpoints)
                        .for_each(|(q, v)| *q += dt * v);
                    self.pan += dt * pan;
                }
            }
            let fix = self
                .joint
                .kinematics
                .bend_from_motors(&self.angles, self.bend);
            self.bend = fix.bend;
        }
        self.now += dt;
        self.state.phase()
    }

    fn run(&mut self, ticks: usize) {
        for _ in 0..ticks {
            self.step();
        }
    }

    /// Runs on until the phase is `wanted`.
    fn until(&mut self, wanted: Phase) {
        for _ in 0..10_000 {
            if self.step() == wanted {
                return;
            }
        }
        panic!(
            "{}: never {wanted:?}, but {:?}",
            self.name,
            self.state.phase()
        );
    }

    /// Checks setpoints: finite, inside the limits, and no further from where the motors are than
    /// they go in one tick at their greatest speed.
    fn check(&self, before: &Output) {
        let out = &self.out;
        let place = format!("{}, {:.3} s, {:?}", self.name, self.now, self.state.phase());
        assert!(out.setpoints.iter().all(|s| s.is_finite()), "{place}");
        assert!(out.pan_setpoint.is_finite(), "{place}");
        assert!(
            out.answered.ended >= before.answered.ended,
            "{place}: a command is valid again"
        );
        if !out.mode.sends() || out.unsent {
            return;
        }
        let dt = self.joint.period * (1.0 + 1e-9);
        let pan = self.joint.pan.map(|pan| {
            let ends = (pan.ratio * pan.low, pan.ratio * pan.high);
            let speed = (pan.ratio * pan.speed).abs();
            let angle = pan.ratio * self.pan;
            (
                out.pan_setpoint,
                angle,
                ends.0.min(ends.1),
                ends.0.max(ends.1),
                speed,
            )
        });
        let limits = self.law.limits().motors.iter();
        let motors = out.setpoints.iter().zip(&self.angles).zip(limits);
        let motors = motors.map(|((s, q), m)| (*s, *q, m.low, m.high, m.speed));
        for (setpoint, angle, low, high, speed) in motors.chain(pan) {
            match self.law.kind() {
                CommandInterface::Position => {
                    assert!((low..=high).contains(&setpoint), "{place}: {setpoint}");
                    let jump = (setpoint - angle).abs();
                    assert!(jump <= speed * dt, "{place}: from {angle} to {setpoint}");
                }
                CommandInterface::Velocity => {
                    assert!(
                        setpoint.abs() <= speed * (1.0 + 1e-9),
                        "{place}: {setpoint}"
                    );
                }
            }
        }
    }

    /// Returns the loop in `phase`, from one that tracks in the midst of a motion.
    fn in_phase(&self, phase: Phase) -> Self {
        let mut bench = self.clone();
        let from = |phase| self.in_phase(phase);
        match phase {
            Phase::Inactive => {
                bench.input.inactive = true;
                bench.run(SOON);
            }
            Phase::Waiting => {
                bench = from(Phase::Inactive);
                (bench.input.inactive, bench.silent) = (false, true);
                bench.run(3);
            }
            Phase::Tracking => {}
            Phase::Holding => {
                bench.law = bench.laws.holds.clone();
                bench.run(SOON);
            }
            Phase::Stopped => {
                bench.silent = true;
                bench.now += 1.0;
                bench.run(SOON);
            }
            Phase::Faulted => {
                bench.law = bench.laws.fault.clone();
                bench.run(SOON);
            }
            Phase::Releasing => {
                bench.input.release_tension += 1;
                bench.run(SOON);
            }
            Phase::Released => {
                bench = from(Phase::Releasing);
                bench.until(phase);
                bench.run(3);
            }
            Phase::Retensioning => {
                bench = from(Phase::Released);
                bench.point(0.1, 0.2);
                bench.run(SOON);
            }
            Phase::ReleasePaused | Phase::RetensionPaused => {
                bench = from(if phase == Phase::ReleasePaused {
                    Phase::Releasing
                } else {
                    Phase::Retensioning
                });
                bench.silent = true;
                bench.run(3);
            }
            Phase::RetensionFaulted => {
                bench = from(Phase::Retensioning);
                bench.law = bench.laws.fault.clone();
                bench.run(3);
            }
        }
        assert_eq!(bench.state.phase(), phase, "{}", self.name);
        bench
    }

    /// Clears faults and lets samples come.
    fn well(&mut self) {
        self.law = self.laws.usual.clone();
        (self.silent, self.nan) = (false, false);
        self.input.clear += 1;
    }

    /// Makes `event` happen, and runs the tick that sees it. Returns the event that the phase sees
    /// in it; `None` where it cannot happen.
    fn happen(&mut self, event: Event) -> Option<Event> {
        let phase = self.state.phase();
        match event {
            Event::NotFinite if phase == Phase::Tracking => {
                self.nan = true;
                // The integrators may be the first to know.
                if self.step() == phase && self.step() == phase {
                    self.step();
                }
            }
            Event::Arrived if matches!(phase, Phase::Releasing | Phase::Retensioning) => {
                while self.step() == phase {}
            }
            Event::ClockJump => {
                self.state.start_anew(&self.input);
                self.now += 3.0;
            }
            Event::OtherInterface => {
                let (old, new) = (self.law.clone(), self.laws.other.clone());
                self.state.take_over(&old, &new, self.now);
                self.laws = Laws {
                    usual: new.clone(),
                    ..self.laws.clone()
                };
                self.law = new;
            }
            _ if self.bring(event) => {
                self.step();
            }
            _ => return None,
        }
        // On a path no silence is too long.
        let missing = event == Event::Silence && phase.is_release();
        Some(if missing { Event::Missing } else { event })
    }

    /// Changes laws and inputs so that the next tick sees `event`. Returns false where it cannot.
    fn bring(&mut self, event: Event) -> bool {
        let phase = self.state.phase();
        let idle = phase.is_idle();
        let held = matches!(phase, Phase::Holding | Phase::Stopped | Phase::Faulted);
        match event {
            Event::Deactivated => self.input.inactive = true,
            Event::NotReady if held => {
                self.well();
                self.law = self.laws.slow.clone();
            }
            Event::NotReady if idle => (self.input.inactive, self.silent) = (false, true),
            Event::Ready => {
                self.well();
                self.input.inactive = false;
            }
            Event::Missing if !idle => {
                self.well();
                if phase == Phase::Stopped {
                    self.law = self.laws.slow.clone();
                    self.step();
                    assert_eq!(self.state.phase(), phase);
                }
                self.silent = true;
            }
            Event::Silence if !idle => {
                self.well();
                self.silent = true;
                self.now += 1.0;
            }
            Event::RuleHolds if phase == Phase::Tracking || held => {
                self.well();
                self.law = self.laws.holds.clone();
            }
            Event::Fault if !idle => self.law = self.laws.fault.clone(),
            Event::Release => {
                self.silent &= idle || phase == Phase::ReleasePaused;
                self.input.release_tension += 1;
            }
            Event::Command => self.point(-0.15, 0.1),
            Event::HoldRequest => {
                self.silent &= phase != Phase::ReleasePaused;
                self.input.hold += 1;
            }
            // Released tendons are found in a test of their own.
            _ => return false,
        }
        true
    }

    /// Lets the loop restart, and checks if it follows the command or stays where it stands.
    fn restart(mut self, follows: bool, what: &str) {
        self.well();
        self.input.inactive = false;
        let command = self.newest();
        let mut reached = None;
        for _ in 0..10_000 {
            let phase = self.step();
            if phase == Phase::Tracking {
                reached = Some(self.out.target);
                break;
            }
            assert!(
                phase != Phase::Released || !follows,
                "{what}: it stays down"
            );
            if phase == Phase::Released {
                assert!(
                    self.out.answered.ended >= command,
                    "{what}: {command:?} is valid"
                );
                return;
            }
        }
        let stands = reached.unwrap_or_else(|| panic!("{what}: it does not restart"));
        self.run(SOON);
        assert_eq!(self.out.mode, Mode::Tracking, "{what}");
        if follows {
            assert_eq!(self.out.answered.command, command, "{what}");
            assert!(
                self.out.answered.ended < command,
                "{what}: {command:?} has ended"
            );
        } else {
            assert!(
                self.out.answered.ended >= command,
                "{what}: {command:?} is valid"
            );
            assert_eq!(self.out.target, stands, "{what}");
        }
    }
}

/// Returns loops that track in the midst of a motion, one for each kind of joint.
fn tracking() -> Vec<Bench> {
    let (position, velocity, pan) = (Neck::position(), Neck::velocity(), Neck::pan());
    let mut benches = vec![
        Bench::new("position", &position, &velocity),
        Bench::new("velocity", &velocity, &position),
        Bench::new("pan", &pan, &velocity),
    ];
    for bench in &mut benches {
        bench.until(Phase::Tracking);
        bench.point(0.25, -0.1);
        bench.run(600);
        bench.point(-0.1, 0.25);
        bench.run(60);
        assert!((bench.out.target - bench.out.reference).norm() > 0.05);
    }
    benches
}

/// Returns true if the newest command is followed when the loop restarts after `event`. This is
/// what has to be, whatever the table says.
fn follows(phase: Phase, event: Event) -> bool {
    match phase {
        // Only a gap of samples leaves a command in force.
        Phase::Tracking => matches!(event, Event::Ready | Event::Missing | Event::Command),
        Phase::Retensioning => matches!(event, Event::Ready | Event::Arrived | Event::Command),
        Phase::Released => event == Event::Command,
        _ => false,
    }
}

#[test]
fn every_event_in_every_phase_does_what_the_table_says() {
    for tracking in tracking() {
        let phases = Phase::ALL.map(|phase| tracking.in_phase(phase));
        for event in Event::ALL {
            for bench in &phases {
                let mut bench = bench.clone();
                let phase = bench.state.phase();
                let what = format!("{}: {event:?} in {phase:?}", bench.name);
                let seen = bench.happen(event);
                let step = transition(phase, seen.unwrap_or(event));
                if seen.is_none() {
                    let special = matches!(event, Event::FoundReleased);
                    assert!(special || step.to == phase, "{what} is not tested");
                    continue;
                }
                let reached = bench.state.phase();
                assert_eq!(reached, step.to, "{what}");
                if !matches!(event, Event::ClockJump | Event::OtherInterface) {
                    // An arrival, and the tick that finds it, still belong to the path.
                    let of = if event == Event::Arrived {
                        phase
                    } else {
                        reached
                    };
                    assert_eq!(bench.out.mode, of.mode(bench.out.readiness), "{what}");
                    let sends = step.setpoints != Setpoints::Unsent;
                    assert_eq!(bench.out.mode.sends(), sends, "{what}");
                } else {
                    bench.step();
                }
                bench.restart(follows(phase, seen.unwrap_or(event)), &what);
            }
        }
    }
}

#[test]
fn a_loop_that_finds_the_tendons_released_retensions_them_first() {
    for tracking in tracking() {
        let released = tracking.in_phase(Phase::Released);
        let mut inactive = released.clone();
        inactive.input.inactive = true;
        inactive.run(SOON);
        let mut waiting = inactive.clone();
        (waiting.input.inactive, waiting.silent) = (false, true);
        waiting.run(3);
        let mut holding = released.clone();
        holding.state.start_anew(&holding.input);
        let mut stopped = holding.clone();
        stopped.silent = true;
        stopped.now += 1.0;
        stopped.run(3);
        let mut faulted = holding.clone();
        faulted.law = faulted.laws.fault.clone();
        faulted.run(3);
        let phases = [
            (inactive, Phase::Inactive),
            (waiting, Phase::Waiting),
            (holding, Phase::Holding),
            (stopped, Phase::Stopped),
            (faulted, Phase::Faulted),
        ];
        for phase in Phase::ALL {
            let changes = transition(phase, Event::FoundReleased).to != phase;
            assert_eq!(
                changes,
                phases.iter().any(|(_, p)| *p == phase),
                "{phase:?}"
            );
        }
        for (mut bench, phase) in phases {
            let what = format!("{} in {phase:?}", bench.name);
            assert_eq!(bench.state.phase(), phase, "{what}");
            bench.well();
            bench.input.inactive = false;
            bench.step();
            assert_eq!(bench.state.phase(), Phase::Retensioning, "{what}");
            assert_eq!(
                transition(phase, Event::FoundReleased).to,
                Phase::Retensioning
            );
            bench.restart(false, &what);
        }
    }
}

#[test]
fn between_ticks_nothing_starts() {
    for phase in Phase::ALL {
        for event in [Event::ClockJump, Event::OtherInterface] {
            let step = transition(phase, event);
            let rests = !step.to.is_release() && step.to != Phase::Tracking;
            assert!(rests && step.setpoints != Setpoints::Measured, "{phase:?}");
        }
    }
}

#[test]
fn a_new_loop_that_finds_the_tendons_released_starts_where_motors_and_pan_are() {
    for tracking in tracking() {
        let mut bench = tracking.in_phase(Phase::Released);
        assert!(bench.joint.pan.is_none() || bench.pan.abs() > 0.1);
        bench.state = State::new(&bench.joint, &bench.law);
        bench.out = Output::new(bench.joint.motors());
        bench.input.desired = None;
        let pan = bench.pan;
        // Each tick is checked for jumps.
        bench.until(Phase::Retensioning);
        bench.until(Phase::Tracking);
        assert!((bench.pan - pan).abs() < 1e-3, "{}", bench.name);
    }
}

#[test]
fn tension_is_not_released_from_setpoints_in_other_units() {
    for mut bench in tracking() {
        bench.happen(Event::OtherInterface);
        bench.input.release_tension += 1;
        bench.step();
        let refused = bench.out.answered.release_refusal;
        assert_eq!(refused, Some(ReleaseRefusal::NotDriven), "{}", bench.name);
        assert!(!bench.state.phase().is_release());
    }
}

const BEGIN: &str = "<!-- transitions: written by the test -->\n";
const END: &str = "<!-- end of transitions -->\n";

/// Returns the table of transitions as the manual shows it: phases with the same step are in one
/// row, and events that change nothing are left out.
fn manual() -> String {
    let mut page = String::from(
        "| event | in the phases | next phase | setpoints | commands |\n|---|---|---|---|---|\n",
    );
    for event in Event::ALL {
        let mut rows: Vec<(Step, Vec<Phase>)> = Vec::new();
        for phase in Phase::ALL {
            let step = transition(phase, event);
            if step.to == phase && step.commands.is_none() {
                continue;
            }
            match rows.iter_mut().find(|(s, _)| *s == step) {
                Some((_, phases)) => phases.push(phase),
                None => rows.push((step, vec![phase])),
            }
        }
        for (step, phases) in rows {
            let phases = if phases.len() == Phase::ALL.len() {
                "all".into()
            } else {
                let names = phases.iter().map(|phase| format!("`{}`", phase.name()));
                names.collect::<Vec<_>>().join(", ")
            };
            let path = if step.path { ", same path" } else { "" };
            writeln!(
                page,
                "| `{}` | {phases} | `{}` | {}{path} | {} |",
                event.name(),
                step.to.name(),
                step.setpoints.name(),
                step.commands.map_or("", Commands::name),
            )
            .unwrap();
        }
    }
    page
}

#[test]
fn the_manual_shows_the_table() {
    let file = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/start-and-stop.md");
    let text = std::fs::read_to_string(&file).unwrap();
    let (head, rest) = text.split_once(BEGIN).expect("the manual has the table");
    let (shown, tail) = rest.split_once(END).expect("the table has an end");
    let table = manual();
    if std::env::var_os("WITHY_UPDATE").is_some_and(|v| v == "1") {
        std::fs::write(&file, format!("{head}{BEGIN}{table}{END}{tail}")).unwrap();
        return;
    }
    assert!(
        shown == table,
        "docs/start-and-stop.md is not as the code; WITHY_UPDATE=1 writes its table anew"
    );
    // Phases and events have a line each above it.
    for name in Phase::NAMES.iter().chain(Event::NAMES) {
        assert!(
            head.contains(&format!("\n| `{name}` |")),
            "{name} has no line"
        );
    }
}

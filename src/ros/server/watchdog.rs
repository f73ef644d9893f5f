//! A thread that detects a stall of the control loop, the publisher or the whole process, and
//! reports it in the log and in `/diagnostics` with its own publisher. It then sends setpoints of
//! zero to drives that take velocities.

use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use r2r::diagnostic_msgs::msg::DiagnosticArray;
use r2r::{Node, Publisher, QosProfile};
use tokio::sync::watch;

use super::motor_stop::MotorStop;
use super::report::{Level, Values, report};
use super::snapshot::Snapshot;
use super::{JointContext, Phase};
use crate::ros::messages::time;
use crate::runtime::link::Handle;
use crate::runtime::recorder::IncidentRecorder;
use crate::runtime::rt::Clock;

/// Period of the checks.
const LOOK: Duration = Duration::from_millis(50);
/// Time without progress above which a thread is stuck, s.
const MOST: f64 = 0.3;
/// The same in periods of the loop, for a slow loop.
const PERIODS: f64 = 4.0;
/// Time between two reports when nothing changes, s.
const PERIOD: f64 = 1.0;

/// A change in the state of a watched counter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Word {
    /// It has not changed for this time, s.
    Stuck(f64),
    /// It changes again after this time, s.
    Back(f64),
}

/// Watches one counter. Times are in s on a clock that never jumps.
#[derive(Clone, Copy, Debug)]
pub struct Watch {
    most: f64,
    count: u64,
    moved: f64,
    stuck: bool,
}

impl Watch {
    /// Creates a watch for a counter that may stand still for at most `most` s.
    pub fn new(most: f64, now: f64) -> Self {
        Self {
            most,
            count: 0,
            moved: now,
            stuck: false,
        }
    }

    /// Checks the counter, or notes that it is not due to change (`None`).
    pub fn look(&mut self, count: Option<u64>, now: f64) -> Option<Word> {
        let stood = now - self.moved;
        if count != Some(self.count) {
            (self.count, self.moved) = (count.unwrap_or(self.count), now);
            return std::mem::take(&mut self.stuck).then_some(Word::Back(stood));
        }
        if self.stuck || !(stood > self.most) {
            return None;
        }
        self.stuck = true;
        Some(Word::Stuck(stood))
    }

    /// Returns true if the counter is stuck.
    pub fn stuck(&self) -> bool {
        self.stuck
    }

    /// Ignores the time until now, unless the counter is already stuck.
    fn forgive(&mut self, now: f64) {
        if !self.stuck {
            self.moved = now;
        }
    }
}

/// Watches a loop, its publisher, and the process itself.
#[derive(Clone, Copy, Debug)]
pub struct Pulse {
    period: f64,
    looked: f64,
    beats: u64,
    pub control: Watch,
    pub publisher: Watch,
}

/// The result of one check.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Look {
    /// Time for which the process stood still, s.
    pub stood_still: Option<f64>,
    /// Change in the state of the control loop.
    pub control: Option<Word>,
    /// Change in the state of the publisher.
    pub publisher: Option<Word>,
}

impl Pulse {
    /// Creates a watch for a loop with a period of `period` s.
    pub fn new(period: f64, now: f64) -> Self {
        Self {
            period,
            looked: now,
            beats: 0,
            control: Watch::new(MOST.max(PERIODS * period), now),
            publisher: Watch::new(MOST, now),
        }
    }

    /// Checks the beats of the loop, if one runs, and the rounds of its publisher.
    pub fn look(&mut self, beats: Option<u64>, rounds: u64, now: f64) -> Look {
        let gap = now - self.looked;
        let went_on = beats.map(|beats| beats.wrapping_sub(self.beats));
        (self.looked, self.beats) = (now, beats.unwrap_or(self.beats));
        // After a long gap either only this thread was late and the loop continued, or the whole
        // process stood still.
        let late = gap > MOST;
        if late {
            self.control.forgive(now);
            self.publisher.forgive(now);
        }
        let stood = went_on.is_some_and(|n| late && (n as f64) < 0.5 * gap / self.period);
        Look {
            stood_still: stood.then_some(gap),
            control: self.control.look(beats, now),
            publisher: self.publisher.look(Some(rounds), now),
        }
    }
}

/// The watchdog of one joint.
pub struct Watchdog {
    joint: String,
    period: f64,
    clock: Clock,
    snapshots: watch::Receiver<Snapshot>,
    phase: watch::Receiver<Phase>,
    handle: Handle,
    diagnostics: Publisher<DiagnosticArray>,
    stop: MotorStop,
    file: String,
    /// Number of stalls so far.
    stalls: usize,
    /// What was found last, in words.
    last: String,
}

impl Watchdog {
    pub fn new(node: &mut Node, context: &JointContext) -> r2r::Result<Self> {
        let (file, clock) = (&context.file, &context.clock);
        Ok(Self {
            joint: context.name.clone(),
            // In simulated time the beats do not follow the period.
            period: if clock.is_simulated() {
                file.joint.period.max(MOST / PERIODS)
            } else {
                file.joint.period
            },
            clock: clock.clone(),
            snapshots: context.snapshots.subscribe(),
            phase: context.phase.subscribe(),
            handle: context.handle.clone(),
            diagnostics: node.create_publisher("/diagnostics", QosProfile::default())?,
            stop: context.stop.clone(),
            file: file.file.display().to_string(),
            stalls: 0,
            last: String::new(),
        })
    }

    /// Runs on its own thread until the node ends. A detected stall triggers an incident recording.
    pub fn start(self, incident: IncidentRecorder) -> std::io::Result<JoinHandle<()>> {
        std::thread::Builder::new()
            .name("watchdog".into())
            .spawn(move || self.run(&incident))
    }

    fn run(mut self, incident: &IncidentRecorder) {
        let _guard = self.stop.guard("the watchdog");
        let begin = Instant::now();
        let mut pulse = Pulse::new(self.period, 0.0);
        let mut reported = f64::NEG_INFINITY;
        while *self.phase.borrow() != Phase::Over {
            // At intervals by purpose: a thread that stands still does not wake this one.
            std::thread::sleep(LOOK);
            let now = begin.elapsed().as_secs_f64();
            let beats = (!self.handle.ended()).then(|| self.handle.beats());
            let look = pulse.look(beats, self.snapshots.borrow().rounds, now);
            let stuck = pulse.control.stuck() || pulse.publisher.stuck();
            // No other setpoint is sent meanwhile, and a velocity would continue.
            let stalls = (stuck || look.stood_still.is_some()) && self.handle.active();
            if stalls || self.stop.halted() {
                self.stop.send_zero();
            }
            let stalled = self.log_changes(&look);
            if stalled {
                incident.fault("watchdog");
            }
            if look != Look::default() {
                reported = f64::NEG_INFINITY;
            }
            if now - reported >= PERIOD {
                reported = now;
                self.report(if stuck || stalled {
                    Level::Error
                } else {
                    Level::Ok
                });
            }
        }
    }

    /// Logs what has changed; returns true if something has stalled.
    fn log_changes(&mut self, look: &Look) -> bool {
        let mut stalls = Vec::new();
        if let Some(stood) = look.stood_still {
            stalls.push(format!("the process stood still for {stood:.1} s"));
        }
        for (word, who, does) in [
            (look.control, "the control loop", "ticked"),
            (look.publisher, "the publisher", "published"),
        ] {
            match word {
                Some(Word::Stuck(stood)) => {
                    stalls.push(format!("{who} has not {does} for {stood:.1} s"));
                }
                Some(Word::Back(stood)) => {
                    self.last = format!("{who} has {does} again, after {stood:.1} s");
                    tracing::warn!(joint = self.joint, "{}", self.last);
                }
                None => {}
            }
        }
        if stalls.is_empty() {
            return false;
        }
        self.stalls += stalls.len();
        self.last = stalls.join("; ");
        tracing::error!(joint = self.joint, "{}", self.last);
        true
    }

    fn report(&self, level: Level) {
        let message = match level {
            Level::Ok if self.handle.ended() => "no control loop runs",
            Level::Ok => "the control loop ticks",
            _ => self.last.as_str(),
        };
        let mut values = Values::default();
        values.flag("stuck", level != Level::Ok);
        values.add("times_stuck", self.stalls);
        values.add("last", &self.last);
        let verdict = (level, message);
        let mut array = DiagnosticArray::default();
        array.header.stamp = time(self.clock.stamp_of(self.clock.now()));
        array.status = vec![report(&self.joint, "watchdog", verdict, &self.file, values)];
        // The publisher logs failures to send.
        let _ = self.diagnostics.publish(&array);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_moves_is_well_and_what_does_not_is_said_once() {
        let mut watch = Watch::new(0.3, 0.0);
        for i in 1..10 {
            assert_eq!(watch.look(Some(i), 0.05 * i as f64), None);
        }
        // Moved last at 0.45 s.
        assert_eq!(watch.look(Some(9), 0.75), None);
        let Some(Word::Stuck(stood)) = watch.look(Some(9), 0.8) else {
            panic!("not stuck");
        };
        assert!((stood - 0.35).abs() < 1e-12 && watch.stuck());
        assert_eq!(watch.look(Some(9), 5.0), None);
        let Some(Word::Back(stood)) = watch.look(Some(10), 5.05) else {
            panic!("not back");
        };
        assert!((stood - 4.6).abs() < 1e-12 && !watch.stuck());
        assert_eq!(watch.look(Some(11), 5.1), None);
    }

    #[test]
    fn what_is_not_due_is_not_stuck() {
        let mut watch = Watch::new(0.3, 0.0);
        assert_eq!(watch.look(None, 10.0), None);
        assert_eq!(watch.look(Some(0), 10.2), None);
        assert!(watch.look(Some(0), 10.4).is_some());
        // A loop that was ended is no longer awaited.
        assert!(matches!(watch.look(None, 10.5), Some(Word::Back(_))));
    }

    /// Checks a running loop of 200 Hz and its publisher every 50 ms from `from` to `to`, s;
    /// returns the time of the last check, s.
    fn go_on(pulse: &mut Pulse, from: f64, to: f64, beats: &mut u64, published: &mut u64) -> f64 {
        let mut now = from;
        while now < to {
            now += 0.05;
            *beats += 10;
            *published += 10;
            let look = pulse.look(Some(*beats), *published, now);
            assert_eq!(look, Look::default());
        }
        now
    }

    #[test]
    fn a_process_that_stood_still_is_told_from_a_late_look() {
        let (mut beats, mut published) = (0, 0);
        let mut pulse = Pulse::new(0.005, 0.0);
        let last = go_on(&mut pulse, 0.0, 1.0, &mut beats, &mut published);
        // Two seconds without progress; the loop has ticked twice before this check.
        beats += 2;
        let look = pulse.look(Some(beats), published, 3.05);
        let stood = look.stood_still.unwrap();
        assert!((stood - (3.05 - last)).abs() < 1e-9, "{stood}");
        assert_eq!((look.control, look.publisher), (None, None));
        go_on(&mut pulse, 3.05, 4.0, &mut beats, &mut published);
        // This thread alone was late by a second.
        beats += 200;
        published += 190;
        let look = pulse.look(Some(beats), published, 5.0);
        assert_eq!(look, Look::default());
        // A loop that does not run is not reported.
        let look = pulse.look(None, published + 1, 9.0);
        assert_eq!(look, Look::default());
    }

    #[test]
    fn the_loop_and_the_publisher_are_watched_apart() {
        let mut pulse = Pulse::new(0.005, 0.0);
        let (mut beats, mut published) = (0, 0);
        go_on(&mut pulse, 0.0, 1.0, &mut beats, &mut published);
        let mut said = Vec::new();
        for i in 1..20 {
            published += 1;
            let look = pulse.look(Some(beats), published, 1.0 + 0.05 * f64::from(i));
            assert_eq!(look.publisher, None);
            said.extend(look.control);
        }
        assert_eq!(said.len(), 1);
        assert!(matches!(said[0], Word::Stuck(s) if s < 0.4), "{said:?}");
        assert!(pulse.control.stuck() && !pulse.publisher.stuck());
        // A slow loop is given four of its periods.
        let mut pulse = Pulse::new(0.1, 0.0);
        assert_eq!(pulse.look(Some(1), 1, 0.01), Look::default());
        for i in 1..8 {
            let look = pulse.look(Some(1), 1 + i, 0.01 + 0.05 * i as f64);
            assert_eq!(look.control, None);
        }
        assert!(pulse.look(Some(1), 9, 0.46).control.is_some());
    }
}

//! A thread that detects a stall of the control loop, the publisher or the whole process, and
//! reports it in the log and in `/diagnostics` with its own publisher. It then sends setpoints of
//! zero to drives that take velocities.

use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use r2r::diagnostic_msgs::msg::{DiagnosticArray, DiagnosticStatus, KeyValue};
use r2r::sensor_msgs::msg::JointState;
use r2r::std_msgs::msg::Float64MultiArray;
use r2r::{Node, Publisher, QosProfile};

use super::status::Status;
use super::target::{ERROR, OK};
use crate::control::controller::CommandInterface;
use crate::files::{JointFile, SetpointMessage};
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

    /// Checks the counter. If it is not `due` to change, it counts as changed.
    pub fn look(&mut self, count: u64, due: bool, now: f64) -> Option<Word> {
        let stood = now - self.moved;
        if count != self.count || !due {
            (self.count, self.moved) = (count, now);
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

    /// Checks the counters of the loop, which `runs` or not, and of its publisher.
    pub fn look(&mut self, beats: u64, runs: bool, published: u64, now: f64) -> Look {
        let gap = now - self.looked;
        let went_on = beats.wrapping_sub(self.beats);
        (self.looked, self.beats) = (now, beats);
        // After a long gap either only this thread was late and the loop continued, or the whole
        // process stood still.
        let late = gap > MOST;
        if late {
            self.control.forgive(now);
            self.publisher.forgive(now);
        }
        let stood = late && runs && (went_on as f64) < 0.5 * gap / self.period;
        Look {
            stood_still: stood.then_some(gap),
            control: self.control.look(beats, runs, now),
            publisher: self.publisher.look(published, true, now),
        }
    }
}

enum Zero {
    Joint(Publisher<JointState>, JointState),
    Array(Publisher<Float64MultiArray>, Float64MultiArray),
}

/// The watchdog of one joint.
pub struct Watchdog {
    joint: String,
    period: f64,
    clock: Clock,
    status: Arc<Status>,
    handle: Handle,
    diagnostics: Publisher<DiagnosticArray>,
    zero: Option<Zero>,
    file: String,
}

impl Watchdog {
    /// Creates the publishers on `node`.
    ///
    /// # Errors
    /// The middleware rejects a publisher.
    pub fn new(
        node: &mut Node,
        joint: &str,
        file: &JointFile,
        clock: &Clock,
        status: &Arc<Status>,
        handle: &Handle,
    ) -> r2r::Result<Self> {
        let newest = || QosProfile::default().keep_last(1).reliable();
        let topic = "~/motor_setpoints";
        let name = file.all_motor_names();
        let still = vec![0.0; name.len()];
        let zero = match (file.kind, file.setpoint_message) {
            (CommandInterface::Position, _) => None,
            (CommandInterface::Velocity, SetpointMessage::JointState) => {
                let message = JointState {
                    name,
                    velocity: still,
                    ..JointState::default()
                };
                Some(Zero::Joint(
                    node.create_publisher(topic, newest())?,
                    message,
                ))
            }
            (CommandInterface::Velocity, SetpointMessage::Float64Array) => {
                let message = Float64MultiArray {
                    data: still,
                    ..Float64MultiArray::default()
                };
                Some(Zero::Array(
                    node.create_publisher(topic, newest())?,
                    message,
                ))
            }
        };
        Ok(Self {
            joint: joint.into(),
            // In simulated time the beats do not follow the period.
            period: if clock.is_simulated() {
                file.joint.period.max(MOST / PERIODS)
            } else {
                file.joint.period
            },
            clock: clock.clone(),
            status: status.clone(),
            handle: handle.clone(),
            diagnostics: node.create_publisher("/diagnostics", QosProfile::default())?,
            zero,
            file: file.file.display().to_string(),
        })
    }

    /// Runs on its own thread until the node ends. A detected stall triggers an incident recording.
    ///
    /// # Errors
    /// The system refuses a thread.
    pub fn start(self, incident: IncidentRecorder) -> std::io::Result<JoinHandle<()>> {
        std::thread::Builder::new()
            .name("watchdog".into())
            .spawn(move || self.run(&incident))
    }

    fn run(self, incident: &IncidentRecorder) {
        let begin = Instant::now();
        let mut pulse = Pulse::new(self.period, 0.0);
        let mut said = (f64::NEG_INFINITY, String::new());
        let mut times = 0_u64;
        while !self.status.over() {
            std::thread::sleep(LOOK);
            let now = begin.elapsed().as_secs_f64();
            let runs = !self.handle.ended();
            let look = pulse.look(self.handle.beats(), runs, self.status.published(), now);
            let joint = &self.joint;
            let stuck = pulse.control.stuck() || pulse.publisher.stuck();
            // No other setpoint is sent meanwhile, and a velocity would continue.
            if (stuck || look.stood_still.is_some()) && self.handle.active() {
                self.stop_motors();
            }
            let mut words = Vec::new();
            if let Some(stood) = look.stood_still {
                times += 1;
                words.push(format!("the process stood still for {stood:.1} s"));
            }
            let of = [
                (look.control, "the control loop", "ticked"),
                (look.publisher, "the publisher", "published"),
            ];
            for (word, who, does) in of {
                match word {
                    Some(Word::Stuck(stood)) => {
                        times += 1;
                        words.push(format!("{who} has not {does} for {stood:.1} s"));
                    }
                    Some(Word::Back(stood)) => {
                        let words = format!("{who} has {does} again, after {stood:.1} s");
                        tracing::warn!(joint, "{words}");
                        said.1 = words;
                        said.0 = f64::NEG_INFINITY;
                    }
                    None => {}
                }
            }
            if !words.is_empty() {
                incident.fault("watchdog");
                said = (f64::NEG_INFINITY, words.join("; "));
                tracing::error!(joint, "{}", said.1);
            }
            if now - said.0 >= PERIOD {
                said.0 = now;
                let bad = stuck || !words.is_empty();
                self.report(bad, &said.1, runs, times);
            }
        }
    }

    fn report(&self, bad: bool, last: &str, runs: bool, times: u64) {
        let level = if bad { ERROR } else { OK };
        let message = match (bad, runs) {
            (true, _) => last,
            (false, true) => "the control loop ticks",
            (false, false) => "no control loop runs",
        };
        let value = |key: &str, value: String| KeyValue {
            key: key.into(),
            value,
        };
        let mut array = DiagnosticArray::default();
        array.header.stamp = time(self.clock.stamp_of(self.clock.now()));
        array.status.push(DiagnosticStatus {
            level,
            name: format!("{}: watchdog", self.joint.trim_start_matches('/')),
            message: message.into(),
            hardware_id: self.file.clone(),
            values: vec![
                value("stuck", u8::from(bad).to_string()),
                value("times_stuck", times.to_string()),
                value("last", last.into()),
            ],
        });
        // The publisher logs failures to send.
        let _ = self.diagnostics.publish(&array);
    }

    fn stop_motors(&self) {
        let _ = match &self.zero {
            None => Ok(()),
            Some(Zero::Joint(publisher, message)) => publisher.publish(message),
            Some(Zero::Array(publisher, message)) => publisher.publish(message),
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_moves_is_well_and_what_does_not_is_said_once() {
        let mut watch = Watch::new(0.3, 0.0);
        for i in 1..10 {
            assert_eq!(watch.look(i, true, 0.05 * i as f64), None);
        }
        // Moved last at 0.45 s.
        assert_eq!(watch.look(9, true, 0.75), None);
        let Some(Word::Stuck(stood)) = watch.look(9, true, 0.8) else {
            panic!("not stuck");
        };
        assert!((stood - 0.35).abs() < 1e-12 && watch.stuck());
        assert_eq!(watch.look(9, true, 5.0), None);
        let Some(Word::Back(stood)) = watch.look(10, true, 5.05) else {
            panic!("not back");
        };
        assert!((stood - 4.6).abs() < 1e-12 && !watch.stuck());
        assert_eq!(watch.look(11, true, 5.1), None);
    }

    #[test]
    fn what_is_not_due_is_not_stuck() {
        let mut watch = Watch::new(0.3, 0.0);
        assert_eq!(watch.look(0, false, 10.0), None);
        assert_eq!(watch.look(0, true, 10.2), None);
        assert!(watch.look(0, true, 10.4).is_some());
        // A loop that was ended is no longer awaited.
        assert!(matches!(watch.look(0, false, 10.5), Some(Word::Back(_))));
    }

    /// Checks a running loop of 200 Hz and its publisher every 50 ms from `from` to `to`, s;
    /// returns the time of the last check, s.
    fn go_on(pulse: &mut Pulse, from: f64, to: f64, beats: &mut u64, published: &mut u64) -> f64 {
        let mut now = from;
        while now < to {
            now += 0.05;
            *beats += 10;
            *published += 10;
            let look = pulse.look(*beats, true, *published, now);
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
        let look = pulse.look(beats, true, published, 3.05);
        let stood = look.stood_still.unwrap();
        assert!((stood - (3.05 - last)).abs() < 1e-9, "{stood}");
        assert_eq!((look.control, look.publisher), (None, None));
        go_on(&mut pulse, 3.05, 4.0, &mut beats, &mut published);
        // This thread alone was late by a second.
        beats += 200;
        published += 190;
        let look = pulse.look(beats, true, published, 5.0);
        assert_eq!(look, Look::default());
        // A loop that does not run is not reported.
        let look = pulse.look(beats, false, published + 1, 9.0);
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
            let look = pulse.look(beats, true, published, 1.0 + 0.05 * f64::from(i));
            assert_eq!(look.publisher, None);
            said.extend(look.control);
        }
        assert_eq!(said.len(), 1);
        assert!(matches!(said[0], Word::Stuck(s) if s < 0.4), "{said:?}");
        assert!(pulse.control.stuck() && !pulse.publisher.stuck());
        // A slow loop is given four of its periods.
        let mut pulse = Pulse::new(0.1, 0.0);
        assert_eq!(pulse.look(1, true, 1, 0.01), Look::default());
        for i in 1..8 {
            let look = pulse.look(1, true, 1 + i, 0.01 + 0.05 * i as f64);
            assert_eq!(look.control, None);
        }
        assert!(pulse.look(1, true, 9, 0.46).control.is_some());
    }
}

//! Messages in: each is checked once, put into the newest input, and sent to the loop. What is refused is
//! counted by topic and reason, and changes nothing.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use futures::stream::{Stream, StreamExt, select};
use r2r::builtin_interfaces::msg::Time;
use r2r::sensor_msgs::msg::{Imu, JointState};
use tokio::sync::watch;

use super::messages::{ImuReading, Refusal, read_motor_angles};
use super::status::Status;
use crate::link::InputSender;
use crate::rt::Clock;
use crate::tick::{Desired, ImuSample, Input, MotorSample};

/// How far a stamp may lie ahead of the clock, s. Further ahead the clocks differ, and no age
/// could be told.
const MOST_AHEAD: f64 = 0.1;

/// Where targets come in.
const TARGETS: [&str; 3] = ["desired_pose", "gaze_point", "point_head"];

/// What was refused on one joint's topics.
#[derive(Debug, Default)]
pub struct Refused {
    counts: Mutex<Counted>,
}

#[derive(Debug, Default)]
struct Counted {
    by_reason: BTreeMap<(&'static str, &'static str), u64>,
    total: u64,
    last: String,
    /// Of the total, targets, and the last one's sentence.
    targets: (u64, String),
}

impl Refused {
    /// Counts a refusal on `topic`. Says whether it is the first of its kind.
    pub fn count(&self, topic: &'static str, refusal: &Refusal) -> bool {
        let mut counted = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        counted.total += 1;
        counted.last = format!("{topic}: {}", refusal.sentence);
        if TARGETS.contains(&topic) {
            counted.targets = (counted.targets.0 + 1, counted.last.clone());
        }
        let count = counted
            .by_reason
            .entry((topic, refusal.reason))
            .or_default();
        *count += 1;
        *count == 1
    }

    /// Counts a refusal, and logs the first of its kind.
    pub fn tell(&self, joint: &str, topic: &'static str, refusal: &Refusal) {
        if self.count(topic, refusal) {
            let sentence = &refusal.sentence;
            tracing::warn!(
                joint,
                "message on {topic} dropped (more of this kind are counted in /diagnostics only): {sentence}"
            );
        }
    }

    /// How many targets were refused, and the last one's sentence.
    pub fn targets(&self) -> (u64, String) {
        let counted = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        counted.targets.clone()
    }

    /// All counts by topic and reason, their sum, and the last refusal's sentence.
    pub fn list(&self) -> (Vec<(String, u64)>, u64, String) {
        let counted = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        let name = |(topic, reason): &(&str, &str)| format!("{topic}.{reason}");
        let list = counted.by_reason.iter().map(|(k, n)| (name(k), *n));
        (list.collect(), counted.total, counted.last.clone())
    }
}

/// One message.
enum Message {
    Desired(Desired),
    Motors(JointState),
    Head(Imu),
    Base(Imu),
}

/// The receiving end of one joint.
pub struct Intake {
    /// Name of the joint's node, for logs.
    pub joint: String,
    /// The clock.
    pub clock: Clock,
    /// Names of the motors, the pan motor's last where there is one.
    pub motor_names: Vec<String>,
    /// Whether there is a pan motor.
    pub pan: bool,
    /// To the loop.
    pub sender: InputSender,
    /// What other threads see.
    pub status: Arc<Status>,
}

impl Intake {
    /// Receives until the streams end.
    pub async fn run(
        self,
        mut desired: watch::Receiver<Option<Desired>>,
        motors: impl Stream<Item = JointState> + Unpin,
        head: impl Stream<Item = Imu> + Unpin,
        base: impl Stream<Item = Imu> + Unpin,
    ) {
        let inertial = select(head.map(Message::Head), base.map(Message::Base));
        let mut sensors = select(motors.map(Message::Motors), inertial);
        let mut receiver = Receiver {
            input: Input::new(self.motor_names.len() - usize::from(self.pan)),
            angles: vec![None; self.motor_names.len()],
            intake: self,
        };
        loop {
            let message = tokio::select! {
                message = sensors.next() => message,
                // It ends with the task that aims, and so with the node.
                changed = desired.changed() => match changed {
                    Ok(()) => desired.borrow_and_update().map(Message::Desired),
                    Err(_) => None,
                },
            };
            match message {
                Some(message) => receiver.receive(&message),
                None => return,
            }
        }
    }
}

struct Receiver {
    intake: Intake,
    input: Input,
    angles: Vec<Option<f64>>,
}

impl Receiver {
    fn receive(&mut self, message: &Message) {
        let (topic, result) = match message {
            Message::Desired(desired) => {
                self.input.desired = Some(*desired);
                ("", Ok(true))
            }
            Message::Motors(m) => ("joint_states", self.motors(m)),
            Message::Head(m) => ("imu", self.imu(m, false)),
            Message::Base(m) => ("base_imu", self.imu(m, true)),
        };
        match result {
            Ok(true) => {
                let wake = matches!(message, Message::Head(_));
                self.intake.sender.send(&self.input, wake);
            }
            Ok(false) => {}
            Err(refusal) => {
                let intake = &self.intake;
                intake.status.refused.tell(&intake.joint, topic, &refusal);
            }
        }
    }

    /// Loop time of a sensor's stamp, and now. A stamp of zero was not set: the time of arrival serves.
    fn stamp(&self, stamp: &Time) -> Result<(f64, f64), Refusal> {
        let clock = &self.intake.clock;
        if !clock.runs() {
            return Err(Refusal {
                reason: "no_clock",
                sentence: "use_sim_time is set and nothing has come on /clock yet; accepted: samples from then on".into(),
            });
        }
        let now = clock.now();
        if stamp.sec == 0 && stamp.nanosec == 0 {
            return Ok((now, now));
        }
        let time = clock.time_of(stamp.sec, stamp.nanosec);
        if time > now + MOST_AHEAD {
            return Err(Refusal {
                reason: "stamp_ahead",
                sentence: format!(
                    "stamp is {:.3} s ahead of {}; accepted: at most {MOST_AHEAD} s (the clocks have to agree)",
                    time - now,
                    clock.words()
                ),
            });
        }
        Ok((time, now))
    }

    fn motors(&mut self, message: &JointState) -> Result<bool, Refusal> {
        read_motor_angles(message, &self.intake.motor_names, &mut self.angles)?;
        if self.angles.iter().all(Option::is_none) {
            return Ok(false);
        }
        let (stamp, received) = self.stamp(&message.header.stamp)?;
        let mut taken = 0;
        let pan = self.intake.pan.then_some(&mut self.input.pan);
        let motors = self.input.motors.iter_mut().chain(pan);
        for (motor, angle) in motors.zip(&self.angles) {
            let Some(angle) = *angle else { continue };
            if motor.is_some_and(|m| m.stamp >= stamp) {
                continue;
            }
            taken += 1;
            *motor = Some(MotorSample {
                angle,
                stamp,
                received,
            });
        }
        if taken == 0 {
            return Err(not_newer());
        }
        Ok(true)
    }

    /// A sample of the head's or the base's IMU.
    fn imu(&mut self, message: &Imu, of_base: bool) -> Result<bool, Refusal> {
        let reading = ImuReading::try_from(message)?;
        let (stamp, received) = self.stamp(&message.header.stamp)?;
        let newest = if of_base {
            &mut self.input.base
        } else {
            &mut self.input.head
        };
        if newest.is_some_and(|h| h.stamp >= stamp) {
            return Err(not_newer());
        }
        *newest = Some(ImuSample {
            gravity: reading.gravity,
            angular_velocity: reading.angular_velocity,
            stamp,
            received,
        });
        Ok(true)
    }
}

fn not_newer() -> Refusal {
    Refusal {
        reason: "stamp_not_newer",
        sentence: "stamp is not newer than the last; accepted: newer stamps".into(),
    }
}

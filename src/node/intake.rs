//! Messages in: each is checked once, put into the newest input, and sent to the loop. What is refused is
//! counted by topic and reason, and changes nothing.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use futures::stream::{Stream, StreamExt, select};
use r2r::builtin_interfaces::msg::Time;
use r2r::geometry_msgs::msg::PoseStamped;
use r2r::sensor_msgs::msg::{Imu, JointState};

use super::messages::{DesiredPose, HeadReading, Refusal, read_motor_angles};
use super::status::Status;
use crate::link::InputSender;
use crate::rt::Clock;
use crate::tick::{Desired, ImuSample, Input, MotorSample};

/// How far a stamp may lie ahead of this machine's clock, s. Further ahead the clocks differ, and no age
/// could be told.
const MOST_AHEAD: f64 = 0.1;

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
}

impl Refused {
    /// Counts a refusal on `topic`. Says whether it is the first of its kind.
    pub fn count(&self, topic: &'static str, refusal: &Refusal) -> bool {
        let mut counted = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        counted.total += 1;
        counted.last = format!("{topic}: {}", refusal.sentence);
        let count = counted
            .by_reason
            .entry((topic, refusal.reason))
            .or_default();
        *count += 1;
        *count == 1
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
    Desired(PoseStamped),
    Motors(JointState),
    Head(Imu),
}

/// The receiving end of one joint.
pub struct Intake {
    /// Name of the joint's node, for logs.
    pub joint: String,
    /// The clock.
    pub clock: Clock,
    /// Frame of the base plate.
    pub base_frame: String,
    /// Names of the motors.
    pub motor_names: Vec<String>,
    /// To the loop.
    pub sender: InputSender,
    /// What other threads see.
    pub status: Arc<Status>,
}

impl Intake {
    /// Receives until the streams end.
    pub async fn run(
        self,
        desired: impl Stream<Item = PoseStamped> + Unpin,
        motors: impl Stream<Item = JointState> + Unpin,
        head: impl Stream<Item = Imu> + Unpin,
    ) {
        let sensors = select(motors.map(Message::Motors), head.map(Message::Head));
        let mut messages = select(desired.map(Message::Desired), sensors);
        let mut receiver = Receiver {
            input: Input::new(self.motor_names.len()),
            angles: vec![None; self.motor_names.len()],
            intake: self,
        };
        while let Some(message) = messages.next().await {
            receiver.receive(&message);
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
            Message::Desired(m) => ("desired_pose", self.desired(m)),
            Message::Motors(m) => ("joint_states", self.motors(m)),
            Message::Head(m) => ("imu", self.head(m)),
        };
        match result {
            Ok(true) => {
                let wake = matches!(message, Message::Head(_));
                self.intake.sender.send(&self.input, wake);
            }
            Ok(false) => {}
            Err(refusal) => {
                if self.intake.status.refused.count(topic, &refusal) {
                    let joint = &self.intake.joint;
                    let sentence = &refusal.sentence;
                    tracing::warn!(
                        joint,
                        "message on {topic} dropped (more of this kind are counted in /diagnostics only): {sentence}"
                    );
                }
            }
        }
    }

    /// Loop time of a sensor's stamp, and now. A stamp of zero was not set: the time of arrival serves.
    fn stamp(&self, stamp: &Time) -> Result<(f64, f64), Refusal> {
        let now = self.intake.clock.now();
        if stamp.sec == 0 && stamp.nanosec == 0 {
            return Ok((now, now));
        }
        let time = self.intake.clock.time_of(stamp.sec, stamp.nanosec);
        if time > now + MOST_AHEAD {
            return Err(Refusal {
                reason: "stamp_ahead",
                sentence: format!(
                    "stamp is {:.3} s ahead of this machine's clock; accepted: at most {MOST_AHEAD} s (the machines' clocks have to agree)",
                    time - now
                ),
            });
        }
        Ok((time, now))
    }

    fn desired(&mut self, message: &PoseStamped) -> Result<bool, Refusal> {
        let pose = DesiredPose::read(message, &self.intake.base_frame)?;
        if self.intake.status.closing() {
            return Ok(false);
        }
        let sequence = self.input.desired.map_or(1, |d| d.sequence + 1);
        self.input.desired = Some(Desired {
            posture: crate::geometry::posture(pose.bend, 0.0),
            command: sequence,
            sequence,
            ..Desired::default()
        });
        self.intake.status.set_twist(pose.twist);
        Ok(true)
    }

    fn motors(&mut self, message: &JointState) -> Result<bool, Refusal> {
        read_motor_angles(message, &self.intake.motor_names, &mut self.angles)?;
        if self.angles.iter().all(Option::is_none) {
            return Ok(false);
        }
        let (stamp, received) = self.stamp(&message.header.stamp)?;
        let mut taken = 0;
        for (motor, angle) in self.input.motors.iter_mut().zip(&self.angles) {
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

    fn head(&mut self, message: &Imu) -> Result<bool, Refusal> {
        let reading = HeadReading::try_from(message)?;
        let (stamp, received) = self.stamp(&message.header.stamp)?;
        if self.input.head.is_some_and(|h| h.stamp >= stamp) {
            return Err(not_newer());
        }
        self.input.head = Some(ImuSample {
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

//! Messages in: each is checked once, put into the newest input, and sent to the loop. What is refused is
//! counted by topic and reason, and changes nothing.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use futures::stream::{Stream, StreamExt, select};
use r2r::builtin_interfaces::msg::Time;
use r2r::sensor_msgs::msg::{Imu, JointState};
use tokio::sync::{mpsc, watch};

use super::acknowledge::Acknowledger;
use super::messages::{ImuReading, Refusal};
use super::status::Status;
use crate::link::InputSender;
use crate::link::inbox::{Inbox, When};
use crate::rt::Clock;
use crate::tick::Desired;

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
    Judged(Judged),
    Motors(JointState),
    Head(Imu),
    Base(Imu),
}

/// The receiving end of one joint.
pub struct Subscriptions {
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
    /// Takes note of what has come in.
    pub acknowledger: Acknowledger,
}

/// A command that has been accepted or refused: its topic and stamp.
pub type Judged = (&'static str, Time);

impl Subscriptions {
    /// Receives until the streams end.
    pub async fn run(
        self,
        mut desired: watch::Receiver<Option<Desired>>,
        mut commands: mpsc::UnboundedReceiver<Judged>,
        motors: impl Stream<Item = JointState> + Unpin,
        head: impl Stream<Item = Imu> + Unpin,
        base: impl Stream<Item = Imu> + Unpin,
    ) {
        let inertial = select(head.map(Message::Head), base.map(Message::Base));
        let mut sensors = select(motors.map(Message::Motors), inertial);
        let mut receiver = Receiver {
            inbox: Inbox::new(self.motor_names.clone(), self.pan),
            subscriptions: self,
        };
        loop {
            // What was desired first: it came before the word that its command was judged.
            let message = tokio::select! {
                biased;
                // It ends with the task that aims, and so with the node.
                changed = desired.changed() => match changed {
                    Ok(()) => desired.borrow_and_update().map(Message::Desired),
                    Err(_) => None,
                },
                judged = commands.recv() => judged.map(Message::Judged),
                message = sensors.next() => message,
            };
            match message {
                Some(message) => receiver.receive(&message),
                None => return,
            }
        }
    }
}

struct Receiver {
    subscriptions: Subscriptions,
    inbox: Inbox,
}

impl Receiver {
    fn receive(&mut self, message: &Message) {
        let (topic, stamp, result) = match message {
            Message::Desired(desired) => {
                self.inbox.desire(*desired);
                self.subscriptions.sender.send(self.inbox.input(), false);
                return;
            }
            Message::Judged((topic, stamp)) => (*topic, stamp, Ok(false)),
            Message::Motors(m) => ("joint_states", &m.header.stamp, self.motors(m)),
            Message::Head(m) => ("imu", &m.header.stamp, self.imu(m, false)),
            Message::Base(m) => ("base_imu", &m.header.stamp, self.imu(m, true)),
        };
        let subscriptions = &mut self.subscriptions;
        match result {
            Ok(true) => {
                let wake = matches!(message, Message::Head(_));
                subscriptions.sender.send(self.inbox.input(), wake);
            }
            Ok(false) => {}
            Err(refusal) => {
                subscriptions
                    .status
                    .refused
                    .tell(&subscriptions.joint, topic, &refusal)
            }
        }
        subscriptions.acknowledger.add(topic, stamp);
    }

    /// Loop time of a sensor's stamp, and now. A stamp of zero was not set: the time of arrival serves.
    fn stamp(clock: &Clock, stamp: &Time) -> Result<When, Refusal> {
        if !clock.runs() {
            return Err(Refusal {
                reason: "no_clock",
                sentence: "use_sim_time is set and nothing has come on /clock yet; accepted: samples from then on".into(),
            });
        }
        let now = clock.now();
        if stamp.sec == 0 && stamp.nanosec == 0 {
            return When::new(now, now, clock.words());
        }
        When::new(clock.time_of(stamp.sec, stamp.nanosec), now, clock.words())
    }

    fn motors(&mut self, message: &JointState) -> Result<bool, Refusal> {
        let when = || Self::stamp(&self.subscriptions.clock, &message.header.stamp);
        self.inbox.motors(&message.name, &message.position, when)
    }

    /// A sample of the head's or the base's IMU.
    fn imu(&mut self, message: &Imu, of_base: bool) -> Result<bool, Refusal> {
        let reading = ImuReading::try_from(message)?;
        let when = Self::stamp(&self.subscriptions.clock, &message.header.stamp)?;
        self.inbox.imu(&reading, when, of_base)?;
        Ok(true)
    }
}

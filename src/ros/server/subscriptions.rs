//! Sensor and target inputs: each message is checked once, stored in the newest input, and sent to
//! the loop. A refused message is counted by topic and reason, and changes nothing.

use std::sync::Arc;

use futures::stream::{Stream, StreamExt, select};
use r2r::builtin_interfaces::msg::Time;
use r2r::sensor_msgs::msg::{Imu, JointState};
use tokio::sync::{mpsc, watch};

use super::status::Status;
use crate::control::tick::Desired;
use crate::ros::acknowledge::Acknowledger;
use crate::ros::messages::{ImuReading, Refusal};
use crate::runtime::link::InputSender;
use crate::runtime::link::inbox::{Inbox, When};
use crate::runtime::rt::Clock;

/// An input.
enum Message {
    Desired(Desired),
    Judged(Judged),
    Motors(JointState),
    Head(Imu),
    Base(Imu),
}

/// The subscriptions of one joint.
pub struct Subscriptions {
    pub joint: String,
    pub clock: Clock,
    /// Names of the motors, the pan's last.
    pub motor_names: Vec<String>,
    /// True if there is a pan motor.
    pub pan: bool,
    /// Sends inputs to the loop.
    pub sender: InputSender,
    /// Status shared with other threads.
    pub status: Arc<Status>,
    /// Registers messages for acknowledgement.
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
            // The desired configuration first: it was sent before its command was marked as judged.
            let message = tokio::select! {
                biased;
                // The channel closes when the target resolver ends, and with it the node.
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

    /// Returns the loop time of a sensor's stamp, and now. A zero stamp is not set: the time of
    /// arrival is used.
    fn stamp(clock: &Clock, stamp: &Time) -> Result<When, Refusal> {
        if !clock.runs() {
            return Err(Refusal {
                reason: "no_clock",
                sentence: "use_sim_time is set and nothing has come on /clock yet; accepted: \
                           samples from then on"
                    .into(),
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

    /// Takes a sample of the head's or the base's IMU.
    fn imu(&mut self, message: &Imu, of_base: bool) -> Result<bool, Refusal> {
        let reading = ImuReading::try_from(message)?;
        let when = Self::stamp(&self.subscriptions.clock, &message.header.stamp)?;
        self.inbox.imu(&reading, when, of_base)?;
        Ok(true)
    }
}

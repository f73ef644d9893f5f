//! Sensor and target inputs: each message is checked once, stored in the newest input, and sent to
//! the loop. A refused message is counted by topic and reason, and changes nothing.

use std::sync::Arc;

use futures::stream::{BoxStream, StreamExt, select_all};
use r2r::builtin_interfaces::msg::Time;
use r2r::sensor_msgs::msg::{Imu, JointState};
use r2r::{Node, QosProfile};
use tokio::sync::{mpsc, watch};

use super::JointContext;
use super::refused::Refused;
use super::target::InForce;
use super::topic::Topic;
use crate::control::tick::Desired;
use crate::ros::acknowledge::Acknowledger;
use crate::ros::messages::{ImuReading, Refusal, refuse};
use crate::runtime::link::InputSender;
use crate::runtime::link::inbox::{ImuPlace, Inbox, When};
use crate::runtime::rt::Clock;

/// A command that has been accepted or refused: its topic and stamp.
pub type Judged = (Topic, Time);

enum Message {
    Desired(Desired),
    Judged(Judged),
    Motors(JointState),
    Imu(Imu, ImuPlace),
}

/// The subscriptions of one joint.
pub struct Subscriptions {
    joint: String,
    clock: Clock,
    sensors: BoxStream<'static, Message>,
    targets: watch::Receiver<Option<InForce>>,
    judged: mpsc::UnboundedReceiver<Judged>,
    inbox: Inbox,
    sender: InputSender,
    refused: Arc<Refused>,
    acknowledger: Acknowledger,
}

impl Subscriptions {
    /// Subscribes on `node` to the joint's sensors; the commands that the target resolver has
    /// `judged` follow their targets.
    pub fn new(
        node: &mut Node,
        context: &JointContext,
        sender: InputSender,
        judged: mpsc::UnboundedReceiver<Judged>,
        acknowledger: &Acknowledger,
    ) -> r2r::Result<Self> {
        let file = &context.file;
        let qos = QosProfile::sensor_data;
        let motors = node.subscribe("joint_states", qos())?;
        let mut sensors = vec![motors.map(Message::Motors).boxed()];
        let head = node.subscribe("imu", qos())?;
        sensors.push(head.map(|m| Message::Imu(m, ImuPlace::Head)).boxed());
        if file.joint.base_from_imu.is_some() {
            let base = node.subscribe("base_imu", qos())?;
            sensors.push(base.map(|m| Message::Imu(m, ImuPlace::Base)).boxed());
        }
        Ok(Self {
            joint: context.name.clone(),
            clock: context.clock.clone(),
            sensors: select_all(sensors).boxed(),
            targets: context.targets.subscribe(),
            judged,
            inbox: Inbox::new(file.all_motor_names(), file.motor_names.len()),
            sender,
            refused: context.refused.clone(),
            acknowledger: acknowledger.clone(),
        })
    }

    /// Receives until the streams end.
    pub async fn run(mut self) {
        loop {
            // The desired configuration first: it was sent before its command was marked as judged.
            let message = tokio::select! {
                biased;
                // The channel closes when the target resolver ends, and with it the node.
                changed = self.targets.changed() => match changed {
                    Ok(()) => {
                        let target = self.targets.borrow_and_update();
                        target.as_ref().map(|t| Message::Desired(t.desired))
                    }
                    Err(_) => None,
                },
                judged = self.judged.recv() => judged.map(Message::Judged),
                message = self.sensors.next() => message,
            };
            match message {
                Some(message) => self.receive(&message),
                None => return,
            }
        }
    }

    fn receive(&mut self, message: &Message) {
        // True if it has changed the newest input.
        let (topic, stamp, result) = match message {
            Message::Desired(desired) => {
                self.inbox.desire(*desired);
                return self.sender.send(self.inbox.input());
            }
            Message::Judged((topic, stamp)) => (*topic, stamp, Ok(false)),
            Message::Motors(m) => (Topic::JointStates, &m.header.stamp, self.motors(m)),
            Message::Imu(m, place @ ImuPlace::Head) => {
                (Topic::Imu, &m.header.stamp, self.imu(m, *place))
            }
            Message::Imu(m, place @ ImuPlace::Base) => {
                (Topic::BaseImu, &m.header.stamp, self.imu(m, *place))
            }
        };
        match result {
            Ok(true) => {
                self.sender.send(self.inbox.input());
                if topic == Topic::Imu {
                    self.sender.wake();
                }
            }
            Ok(false) => {}
            Err(refusal) => self.refused.count_and_log(&self.joint, topic, &refusal),
        }
        self.acknowledger.add(topic.name(), stamp);
    }

    /// Returns the loop time of a sensor's stamp, and now. A zero stamp is not set: the time of
    /// arrival is used.
    fn stamp(clock: &Clock, stamp: &Time) -> Result<When, Refusal> {
        if !clock.runs() {
            let sentence = "use_sim_time is set and nothing has come on /clock yet; accepted: \
                            samples from then on";
            return refuse("no_clock", sentence.into());
        }
        let now = clock.now();
        if stamp.sec == 0 && stamp.nanosec == 0 {
            return When::new(now, now, clock.words());
        }
        When::new(clock.time_of(stamp.sec, stamp.nanosec), now, clock.words())
    }

    fn motors(&mut self, message: &JointState) -> Result<bool, Refusal> {
        let when = || Self::stamp(&self.clock, &message.header.stamp);
        self.inbox.motors(&message.name, &message.position, when)
    }

    fn imu(&mut self, message: &Imu, place: ImuPlace) -> Result<bool, Refusal> {
        let reading = ImuReading::try_from(message)?;
        let when = Self::stamp(&self.clock, &message.header.stamp)?;
        self.inbox.imu(&reading, when, place)?;
        Ok(true)
    }
}

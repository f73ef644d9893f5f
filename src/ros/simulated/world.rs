//! The topics of one simulated joint: its inputs and outputs.

use futures::FutureExt;
use futures::stream::{BoxStream, StreamExt};
use nalgebra::{Quaternion, UnitQuaternion, Vector3};
use r2r::builtin_interfaces::msg::Time;
use r2r::geometry_msgs::msg::{
    Inertia, PoseStamped, QuaternionStamped, Vector3Stamped, WrenchStamped,
};
use r2r::sensor_msgs::msg::{Imu, JointState};
use r2r::std_msgs::msg::Float64MultiArray;
use r2r::{Node, Publisher, QosProfile};

use super::Simulated;
use crate::files::SetpointMessage;
use crate::sim::beam::{
    BaseMotion, CommandError, DescriptionError, DriveKind, ImuReading, MotorReading, Plant,
};

/// Standard gravity, m/s^2 (ISO 80000-3), for the accelerometer.
const GRAVITY: f64 = 9.80665;
/// Duration of the motion of the base to a new orientation, s.
const BASE_TURN: f64 = 1.0;
/// Number of refused messages that are logged; more would hide the first.
const LOGGED: u64 = 10;

/// An input message.
enum Event {
    Joint(JointState),
    Array(Float64MultiArray),
    Payload(Inertia),
    Push(WrenchStamped),
    Base(QuaternionStamped),
}

/// The reason why an input message is dropped.
#[derive(Debug, thiserror::Error)]
enum Dropped {
    /// Setpoints do not match the names of their motors.
    #[error(
        "motor_setpoints has {names} names and {values} values of {kind}; accepted: one {kind} per \
         name"
    )]
    Uneven {
        names: usize,
        values: usize,
        kind: &'static str,
    },
    /// A payload beside the beam's axis: com.x, com.y, ixy, ixz, iyz.
    #[error(
        "payload has com.x, com.y, ixy, ixz, iyz of {0:?}; accepted: 0 each, a payload on the \
         beam's axis"
    )]
    OffAxis([f64; 5]),
    /// A push in another frame.
    #[error("push is in the frame {given:?}; accepted: {accepted} or none")]
    Frame { given: String, accepted: String },
    /// A push with a torque, N m.
    #[error("push has a torque of {0:?} N m; accepted: 0")]
    Torque([f64; 3]),
    /// A quaternion that is no orientation.
    #[error("base_orientation has a quaternion of length {0}; accepted: 0.99 to 1.01")]
    Length(f64),
    /// Setpoints that the motors refuse.
    #[error(transparent)]
    Command(#[from] CommandError),
    /// Values that the joint refuses.
    #[error(transparent)]
    Value(#[from] DescriptionError),
}

/// A sensor reading that has been delivered but not published.
pub enum Reading {
    /// On `joint_states`.
    Motors(JointState),
    /// On `imu`.
    Head(Imu),
    /// On `base_imu`.
    Base(Imu),
}

impl Reading {
    /// Returns the topic, by its name in the joint's node.
    pub fn topic(&self) -> &'static str {
        match self {
            Self::Motors(_) => "joint_states",
            Self::Head(_) => "imu",
            Self::Base(_) => "base_imu",
        }
    }

    /// Returns the stamp of the reading.
    pub fn stamp(&self) -> &Time {
        match self {
            Self::Motors(m) => &m.header.stamp,
            Self::Head(m) | Self::Base(m) => &m.header.stamp,
        }
    }
}

/// A simulated joint with its publishers and subscriptions.
pub struct World {
    simulated: Simulated,
    plant: Plant,
    events: Vec<BoxStream<'static, Event>>,
    motors: Publisher<JointState>,
    imu: Publisher<Imu>,
    base_imu: Option<Publisher<Imu>>,
    bend: Publisher<Vector3Stamped>,
    pose: Publisher<PoseStamped>,
    /// The last setpoint of each motor.
    setpoints: Vec<Option<f64>>,
    refused: u64,
}

impl World {
    /// Creates the publishers and subscriptions on `node`.
    ///
    /// # Errors
    /// The middleware rejects one of them.
    pub fn new(simulated: Simulated, plant: Plant, node: &mut Node) -> r2r::Result<Self> {
        let sensor = QosProfile::sensor_data;
        // Scoring must not miss a message.
        let truth = || QosProfile::default().keep_last(100).reliable();
        let file = &simulated.file;
        let base_imu = match &file.description.base_imu {
            None => None,
            Some(_) => Some(node.create_publisher("base_imu", sensor())?),
        };
        Ok(Self {
            motors: node.create_publisher("joint_states", sensor())?,
            imu: node.create_publisher("imu", sensor())?,
            base_imu,
            bend: node.create_publisher("~/true_bend", truth())?,
            pose: node.create_publisher("~/true_pose", truth())?,
            events: listen(node, file.setpoint_message)?,
            setpoints: vec![None; plant.motor_count()],
            refused: 0,
            plant,
            simulated,
        })
    }

    /// Advances to simulated time `t`, s.
    pub fn run_until(&mut self, t: f64) {
        self.plant.run_until(t);
    }

    /// Handles the messages received, per topic in their order; returns true if there were any.
    pub fn take(&mut self) -> bool {
        let mut any = false;
        for topic in 0..self.events.len() {
            while let Some(Some(event)) = self.events[topic].next().now_or_never() {
                any = true;
                if let Err(reason) = self.receive(event) {
                    self.refused += 1;
                    if self.refused <= LOGGED {
                        tracing::warn!("message dropped: {reason}");
                    }
                }
            }
        }
        any
    }

    fn receive(&mut self, event: Event) -> Result<(), Dropped> {
        match event {
            Event::Joint(message) => self.joint(&message),
            Event::Array(message) => self.command(&message.data),
            Event::Payload(message) => self.payload(&message),
            Event::Push(message) => self.push(&message),
            Event::Base(message) => self.base(&message),
        }
    }

    fn joint(&mut self, message: &JointState) -> Result<(), Dropped> {
        let (kind, values) = match self.simulated.file.drive {
            DriveKind::Position => ("position", &message.position),
            DriveKind::Velocity => ("velocity", &message.velocity),
        };
        if values.len() != message.name.len() {
            return Err(Dropped::Uneven {
                names: message.name.len(),
                values: values.len(),
                kind,
            });
        }
        let names = &self.simulated.file.motor_names;
        let mut setpoints = self.setpoints.clone();
        for (name, &value) in message.name.iter().zip(values) {
            if let Some(motor) = names.iter().position(|n| n == name) {
                setpoints[motor] = Some(value);
            }
        }
        // No motor moves before every motor has a setpoint.
        if let Some(all) = setpoints.iter().copied().collect::<Option<Vec<f64>>>() {
            self.command(&all)?;
        }
        self.setpoints = setpoints;
        Ok(())
    }

    fn command(&mut self, values: &[f64]) -> Result<(), Dropped> {
        Ok(self.plant.command(self.simulated.file.drive, values)?)
    }

    fn payload(&mut self, message: &Inertia) -> Result<(), Dropped> {
        let off_axis = [
            message.com.x,
            message.com.y,
            message.ixy,
            message.ixz,
            message.iyz,
        ];
        if !off_axis.iter().all(|&v| v == 0.0) {
            return Err(Dropped::OffAxis(off_axis));
        }
        let moments = [message.ixx, message.iyy, message.izz];
        let (mass, height) = (message.m, message.com.z);
        if moments == [0.0; 3] {
            self.plant.set_payload(mass, height)?;
        } else {
            self.plant.set_payload_body(mass, height, moments)?;
        }
        tracing::info!("payload {:.0} g, {:.0} mm up", mass * 1e3, height * 1e3);
        Ok(())
    }

    fn push(&mut self, message: &WrenchStamped) -> Result<(), Dropped> {
        let base = &self.simulated.file.frames.base;
        let frame = &message.header.frame_id;
        if !frame.is_empty() && frame != base {
            return Err(Dropped::Frame {
                given: frame.clone(),
                accepted: base.clone(),
            });
        }
        let (force, torque) = (&message.wrench.force, &message.wrench.torque);
        let torque = [torque.x, torque.y, torque.z];
        if torque != [0.0; 3] {
            return Err(Dropped::Torque(torque));
        }
        let duration = self.simulated.push_duration;
        self.plant
            .push(Vector3::new(force.x, force.y, force.z), duration)?;
        tracing::info!(
            "push of ({:.1}, {:.1}, {:.1}) N for {:.0} ms",
            force.x,
            force.y,
            force.z,
            duration * 1e3
        );
        Ok(())
    }

    fn base(&mut self, message: &QuaternionStamped) -> Result<(), Dropped> {
        let q = &message.quaternion;
        let q = Quaternion::new(q.w, q.x, q.y, q.z);
        let length = q.norm();
        if !((length - 1.0).abs() <= 0.01) {
            return Err(Dropped::Length(length));
        }
        let orientation = UnitQuaternion::from_quaternion(q);
        self.plant.set_base(BaseMotion::Turn {
            orientation,
            duration: BASE_TURN,
        })?;
        let (roll, pitch, yaw) = orientation.euler_angles();
        tracing::info!(
            "base to roll {:.1}, pitch {:.1}, yaw {:.1} deg",
            roll.to_degrees(),
            pitch.to_degrees(),
            yaw.to_degrees()
        );
        Ok(())
    }

    /// Returns the readings delivered so far; `stamp` returns the stamp of a simulated time, s.
    pub fn readings(&mut self, stamp: impl Fn(f64) -> Time) -> Vec<Reading> {
        let file = &self.simulated.file;
        let mut readings = Vec::new();
        while let Some(reading) = self.plant.take_motor_reading() {
            let MotorReading {
                stamp: at,
                angles,
                velocities,
            } = reading;
            let mut message = JointState {
                name: file.motor_names.clone(),
                position: angles.clone(),
                velocity: velocities.clone(),
                ..JointState::default()
            };
            message.header.stamp = stamp(*at);
            readings.push(Reading::Motors(message));
        }
        let sensors = &file.options.sensors;
        while let Some(reading) = self.plant.take_imu_reading() {
            let noise = (sensors.orientation_noise, sensors.gyro_noise);
            let mut message = imu_message(&reading, &file.frames.head, noise);
            message.header.stamp = stamp(reading.stamp);
            readings.push(Reading::Head(message));
        }
        if let Some(unit) = &file.description.base_imu {
            while let Some(reading) = self.plant.take_base_imu_reading() {
                let noise = (unit.orientation_noise, unit.gyro_noise);
                let mut message = imu_message(&reading, &file.frames.base, noise);
                message.header.stamp = stamp(reading.stamp);
                readings.push(Reading::Base(message));
            }
        }
        readings
    }

    /// Publishes a reading.
    ///
    /// # Errors
    /// The middleware rejects the message.
    pub fn publish(&self, reading: &Reading) -> r2r::Result<()> {
        match reading {
            Reading::Motors(message) => self.motors.publish(message),
            Reading::Head(message) => self.imu.publish(message),
            Reading::Base(message) => match &self.base_imu {
                Some(publisher) => publisher.publish(message),
                None => Ok(()),
            },
        }
    }

    /// Publishes the true bend and head pose.
    ///
    /// # Errors
    /// The middleware rejects a message.
    pub fn publish_truth(&self, stamp: impl Fn(f64) -> Time) -> r2r::Result<()> {
        let truth = self.plant.truth();
        let mut bend = Vector3Stamped::default();
        bend.header
            .frame_id
            .clone_from(&self.simulated.file.frames.base);
        bend.header.stamp = stamp(truth.time);
        (bend.vector.x, bend.vector.y) = (truth.bend.x, truth.bend.y);
        self.bend.publish(&bend)?;
        let mut pose = PoseStamped {
            header: bend.header,
            ..PoseStamped::default()
        };
        let p = &mut pose.pose.position;
        (p.x, p.y, p.z) = (truth.position.x, truth.position.y, truth.position.z);
        pose.pose.orientation = quaternion(&truth.orientation);
        self.pose.publish(&pose)
    }
}

/// Subscribes to the inputs of the joint, setpoints first.
fn listen(
    node: &mut Node,
    message: SetpointMessage,
) -> r2r::Result<Vec<BoxStream<'static, Event>>> {
    let newest = QosProfile::default().keep_last(1).reliable();
    let several = || QosProfile::default().keep_last(10).reliable();
    let setpoints = "withy/motor_setpoints";
    let setpoints = match message {
        SetpointMessage::JointState => node.subscribe(setpoints, newest)?.map(Event::Joint).boxed(),
        SetpointMessage::Float64Array => {
            node.subscribe(setpoints, newest)?.map(Event::Array).boxed()
        }
    };
    let payload = node.subscribe("~/payload", several())?;
    let push = node.subscribe("~/push", several())?;
    let base = node.subscribe("~/base_orientation", several())?;
    Ok(vec![
        setpoints,
        payload.map(Event::Payload).boxed(),
        push.map(Event::Push).boxed(),
        base.map(Event::Base).boxed(),
    ])
}

fn quaternion(orientation: &UnitQuaternion<f64>) -> r2r::geometry_msgs::msg::Quaternion {
    r2r::geometry_msgs::msg::Quaternion {
        x: orientation.i,
        y: orientation.j,
        z: orientation.k,
        w: orientation.w,
    }
}

/// Returns the message of an IMU on the body with the given frame; noise of orientation and angular
/// velocity, rad and rad/s rms (REP-145: covariances row by row, all zero if unknown).
fn imu_message(
    reading: &ImuReading,
    frame: &str,
    (orientation_noise, gyro_noise): (f64, f64),
) -> Imu {
    let mut message = Imu::default();
    frame.clone_into(&mut message.header.frame_id);
    message.orientation = quaternion(&reading.orientation);
    let w = &mut message.angular_velocity;
    let omega = &reading.angular_velocity;
    (w.x, w.y, w.z) = (omega.x, omega.y, omega.z);
    // An accelerometer at rest measures the reaction to gravity, upward.
    let up = reading.orientation.inverse() * Vector3::new(0.0, 0.0, GRAVITY);
    let a = &mut message.linear_acceleration;
    (a.x, a.y, a.z) = (up.x, up.y, up.z);
    for axis in [0, 4, 8] {
        message.orientation_covariance[axis] = orientation_noise.powi(2);
        message.angular_velocity_covariance[axis] = gyro_noise.powi(2);
    }
    message
}

//! The simulated joint as a node: stands in for hardware and speaks only topics.
//!
//! | direction | name | type | content |
//! |---|---|---|---|
//! | in | `withy/motor_setpoints` | sensor_msgs/JointState or std_msgs/Float64MultiArray | motor setpoints, by name or in motor order, the pan's last |
//! | in | `~/payload` | geometry_msgs/Inertia | payload from now on: `m` in kg (0 takes it off), `com.z` in m above the beam's end, `com.x` and `com.y` 0; `ixx`, `iyy`, `izz` about the payload's own centre in kg m^2, all 0 for those of a solid cube |
//! | in | `~/push` | geometry_msgs/WrenchStamped | a push on the head plate: force in N, base frame, from now on for a set time; torque 0 |
//! | in | `~/base_attitude` | geometry_msgs/QuaternionStamped | turns base coordinates into those of a level world; the base goes there smoothly in 1 s. One that comes while it turns waits until it is there; the newest one waits. The frame's name is not looked at |
//! | out | `joint_states` | sensor_msgs/JointState | encoder angles and velocities, the pan's last |
//! | out | `imu` | sensor_msgs/Imu | attitude with drifting heading, angular velocity, gravity |
//! | out | `base_imu` | sensor_msgs/Imu | the same of the base, in the base frame, where the joint has such a unit |
//! | out | `~/true_bend` | geometry_msgs/Vector3Stamped | what is really so, x and y in rad, z 0, in the frame that the pan turns; for scorers only |
//! | out | `~/true_pose` | geometry_msgs/PoseStamped | what is really so: the head in the base frame, m; for scorers only |
//!
//! The base stands still, or swings about its y axis (pitch) about the attitude that it was given last.
//!
//! It runs in real time on the monotonic clock, a millisecond at a time. Motors that hear nothing hold, or stop, after
//! their command timeout.
//!
//! With a clock of its own it also says the time on `/clock` (rosgraph_msgs/Clock), a thousand times per simulated second
//! and from 0 on, stamps with it, and may go faster or slower than real time. A machine that cannot keep up then makes it
//! slower, and it misses nothing.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant};

use futures::StreamExt;
use nalgebra::{Quaternion, UnitQuaternion, Vector3};
use r2r::geometry_msgs::msg::{
    Inertia, PoseStamped, QuaternionStamped, Vector3Stamped, WrenchStamped,
};
use r2r::rosgraph_msgs::msg::Clock as ClockMessage;
use r2r::sensor_msgs::msg::{Imu, JointState};
use r2r::std_msgs::msg::Float64MultiArray;
use r2r::{Node, Publisher, QosProfile};
use tokio::signal::unix::{SignalKind, signal};

use super::messages::time;
use super::{NodeError, Spinner, context};
use crate::beam::{
    BaseMotion, DescriptionError, DriveKind, ImuReading, MotorReading, Plant, STEP, Swing,
};
use crate::config::{SetpointMessage, SimulatedFile};
use crate::rt::Clock;

/// Inner steps between two messages on `~/true_bend` and `~/true_pose`: 200 a second.
const TRUTH_STEPS: u64 = 5;
/// How far it may fall behind real time before it gives up catching up, s.
const MOST_BEHIND: f64 = 0.25;
/// Standard gravity, m/s^2 (ISO 80000-3), for the accelerometer.
const GRAVITY: f64 = 9.80665;

/// How long the base takes to a new attitude, s.
const BASE_TURN: f64 = 1.0;

/// What `withy simulate` runs.
#[derive(Clone, Debug)]
pub struct Simulated {
    /// The joint, its build and sensors.
    pub file: SimulatedFile,
    /// Payload at start: mass, kg, and height of its centre above the beam's end, m.
    pub payload: (f64, f64),
    /// How long a push lasts, s.
    pub push_duration: f64,
    /// How the base swings from the start; `None`: it stands still.
    pub swing: Option<Swing>,
    /// Simulated seconds per second where it says the time itself, on `/clock`; `None`: it runs in real time.
    pub speed: Option<f64>,
}

/// Why a simulated joint could not run.
#[derive(Debug, thiserror::Error)]
pub enum SimulatedError {
    /// The graph cannot be used.
    #[error(transparent)]
    Node(#[from] NodeError),
    /// The joint cannot be built.
    #[error(transparent)]
    Joint(#[from] DescriptionError),
}

/// What came in.
enum Event {
    Joint(JointState),
    Array(Float64MultiArray),
    Payload(Inertia),
    Push(WrenchStamped),
    Base(QuaternionStamped),
}

/// Runs the simulated joint until SIGINT or SIGTERM.
///
/// # Errors
/// [`SimulatedError`].
pub fn simulate(simulated: &Simulated) -> Result<(), SimulatedError> {
    let file = &simulated.file;
    let mut plant = Plant::new(&file.description, &file.options, file.seed)?;
    plant.set_payload(simulated.payload.0, simulated.payload.1)?;
    if let Some(swing) = simulated.swing {
        plant.set_base(BaseMotion::Swing(swing))?;
    }
    let context = context()?;
    let graph = |source| NodeError::Graph {
        node: file.name.clone(),
        source,
    };
    let mut node = Node::create(context, &file.name, &file.namespace).map_err(graph)?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .map_err(NodeError::System)?;
    let stop = Arc::new(AtomicBool::new(false));
    {
        let _guard = runtime.enter();
        for kind in [SignalKind::interrupt(), SignalKind::terminate()] {
            let mut told = signal(kind).map_err(NodeError::System)?;
            let stop = stop.clone();
            tokio::spawn(async move {
                told.recv().await;
                stop.store(true, Ordering::Release);
            });
        }
    }
    let (events, inbox) = channel();
    listen(&mut node, &runtime, file.setpoint_message, &events).map_err(graph)?;
    let sensor = QosProfile::sensor_data;
    // Scorers should miss nothing.
    let truth = || QosProfile::default().keep_last(100).reliable();
    let mut world = World {
        motors: node
            .create_publisher("joint_states", sensor())
            .map_err(graph)?,
        imu: node.create_publisher("imu", sensor()).map_err(graph)?,
        base_imu: match &file.description.base_imu {
            None => None,
            Some(_) => Some(node.create_publisher("base_imu", sensor()).map_err(graph)?),
        },
        bend: node
            .create_publisher("~/true_bend", truth())
            .map_err(graph)?,
        pose: node
            .create_publisher("~/true_pose", truth())
            .map_err(graph)?,
        time: match simulated.speed {
            None => None,
            Some(_) => {
                // As /clock has it in ROS 2: best effort, the last one.
                let newest = QosProfile::default().keep_last(1).best_effort();
                Some(node.create_publisher("/clock", newest).map_err(graph)?)
            }
        },
        clock: Clock::new(),
        origin: 0.0,
        setpoints: vec![None; plant.motor_count()],
        refused: 0,
        failed: false,
        plant,
        simulated,
    };
    let spinner = Spinner::new(node).map_err(NodeError::System)?;
    tracing::info!(
        "simulated joint {} running: {} motors, payload {:.0} g",
        file.name,
        file.motor_names.len(),
        simulated.payload.0 * 1e3
    );
    world.run(&inbox, &stop);
    runtime.shutdown_timeout(Duration::from_millis(200));
    drop(spinner);
    Ok(())
}

/// Subscribes; each message goes into the inbox at once.
fn listen(
    node: &mut Node,
    runtime: &tokio::runtime::Runtime,
    message: SetpointMessage,
    events: &Sender<Event>,
) -> r2r::Result<()> {
    let newest = QosProfile::default().keep_last(1).reliable();
    let several = QosProfile::default().keep_last(10).reliable();
    // A send fails only once the world has ended.
    macro_rules! take {
        ($topic:literal, $qos:expr, $event:expr) => {
            let stream = node.subscribe($topic, $qos)?;
            let events = events.clone();
            runtime.spawn(stream.for_each(move |m| {
                let _ = events.send($event(m));
                std::future::ready(())
            }));
        };
    }
    match message {
        SetpointMessage::JointState => {
            take!("withy/motor_setpoints", newest, Event::Joint);
        }
        SetpointMessage::Float64Array => {
            take!("withy/motor_setpoints", newest, Event::Array);
        }
    }
    take!("~/payload", several.clone(), Event::Payload);
    take!("~/push", several.clone(), Event::Push);
    take!("~/base_attitude", several, Event::Base);
    Ok(())
}

/// The joint in its world of topics and real time.
struct World<'a> {
    simulated: &'a Simulated,
    plant: Plant,
    /// Says the time, where it is the joint's own.
    time: Option<Publisher<ClockMessage>>,
    clock: Clock,
    /// Loop time of the joint's time 0.
    origin: f64,
    motors: Publisher<JointState>,
    imu: Publisher<Imu>,
    base_imu: Option<Publisher<Imu>>,
    bend: Publisher<Vector3Stamped>,
    pose: Publisher<PoseStamped>,
    /// The last setpoint of each motor.
    setpoints: Vec<Option<f64>>,
    refused: u64,
    failed: bool,
}

impl World<'_> {
    fn run(&mut self, inbox: &Receiver<Event>, stop: &AtomicBool) {
        let start = Instant::now();
        self.origin = self.clock.now();
        let speed = self.simulated.speed;
        // Time given up because the machine was too slow, s of real time.
        let mut lost = 0.0;
        let mut step: u64 = 0;
        while !stop.load(Ordering::Acquire) {
            let deadline = step as f64 * STEP / speed.unwrap_or(1.0) + lost;
            let ahead = deadline - start.elapsed().as_secs_f64();
            if ahead > 0.0 {
                std::thread::sleep(Duration::from_secs_f64(ahead));
            } else if -ahead > MOST_BEHIND {
                match speed {
                    None => tracing::warn!(
                        "{:.2} s behind real time: the joint stood still for as long",
                        -ahead
                    ),
                    Some(_) if lost == 0.0 => tracing::warn!(
                        "the machine does not keep up with --speed: simulated time goes slower (said once)"
                    ),
                    Some(_) => {}
                }
                lost -= ahead;
                self.origin -= ahead;
            }
            for event in inbox.try_iter() {
                if let Err(reason) = self.take(event) {
                    self.refused += 1;
                    // The first few tell; the rest would bury them.
                    if self.refused <= 10 {
                        tracing::warn!("message dropped: {reason}");
                    }
                }
            }
            self.plant.run_until(step as f64 * STEP);
            if let Err(error) = self.tell(step) {
                if !self.failed {
                    tracing::warn!("a message could not be published: {error}");
                }
                self.failed = true;
            }
            step += 1;
        }
    }

    /// Takes a message; what is wrong with it otherwise, in one sentence.
    fn take(&mut self, event: Event) -> Result<(), String> {
        match event {
            Event::Joint(message) => self.joint(&message),
            Event::Array(message) => self.array(&message.data),
            Event::Payload(message) => self.payload(&message),
            Event::Push(message) => self.push(&message),
            Event::Base(message) => self.base(&message),
        }
    }

    fn joint(&mut self, message: &JointState) -> Result<(), String> {
        let (kind, values) = match self.simulated.file.drive {
            DriveKind::Position => ("position", &message.position),
            DriveKind::Velocity => ("velocity", &message.velocity),
        };
        if values.len() != message.name.len() {
            return Err(format!(
                "motor_setpoints has {} names and {} values of {kind}; accepted: one {kind} per name",
                message.name.len(),
                values.len()
            ));
        }
        let names = &self.simulated.file.motor_names;
        let mut setpoints = self.setpoints.clone();
        for (name, &value) in message.name.iter().zip(values) {
            if let Some(motor) = names.iter().position(|n| n == name) {
                setpoints[motor] = Some(value);
            }
        }
        // Until every motor has been told once, none moves.
        if let Some(all) = setpoints.iter().copied().collect::<Option<Vec<f64>>>() {
            self.command(&all)?;
        }
        self.setpoints = setpoints;
        Ok(())
    }

    fn array(&mut self, values: &[f64]) -> Result<(), String> {
        self.command(values)
    }

    fn command(&mut self, values: &[f64]) -> Result<(), String> {
        let drive = self.simulated.file.drive;
        self.plant.command(drive, values).map_err(|e| e.to_string())
    }

    fn payload(&mut self, message: &Inertia) -> Result<(), String> {
        let off_axis = [
            message.com.x,
            message.com.y,
            message.ixy,
            message.ixz,
            message.iyz,
        ];
        if !off_axis.iter().all(|&v| v == 0.0) {
            return Err(format!(
                "payload has com.x, com.y, ixy, ixz, iyz of {off_axis:?}; accepted: 0 each, a payload on the beam's axis"
            ));
        }
        let moments = [message.ixx, message.iyy, message.izz];
        let (mass, height) = (message.m, message.com.z);
        let result = if moments == [0.0; 3] {
            self.plant.set_payload(mass, height)
        } else {
            self.plant.set_payload_body(mass, height, moments)
        };
        result.map_err(|e| e.to_string())?;
        tracing::info!("payload {:.0} g, {:.0} mm up", mass * 1e3, height * 1e3);
        Ok(())
    }

    fn push(&mut self, message: &WrenchStamped) -> Result<(), String> {
        let base = &self.simulated.file.frames.base;
        let frame = &message.header.frame_id;
        if !frame.is_empty() && frame != base {
            return Err(format!(
                "push is in the frame {frame:?}; accepted: {base} or none"
            ));
        }
        let (force, torque) = (&message.wrench.force, &message.wrench.torque);
        let torque = [torque.x, torque.y, torque.z];
        if torque != [0.0; 3] {
            return Err(format!("push has a torque of {torque:?} N m; accepted: 0"));
        }
        let duration = self.simulated.push_duration;
        self.plant
            .push(Vector3::new(force.x, force.y, force.z), duration)
            .map_err(|e| e.to_string())?;
        tracing::info!(
            "push of ({:.1}, {:.1}, {:.1}) N for {:.0} ms",
            force.x,
            force.y,
            force.z,
            duration * 1e3
        );
        Ok(())
    }

    fn base(&mut self, message: &QuaternionStamped) -> Result<(), String> {
        let q = &message.quaternion;
        let q = Quaternion::new(q.w, q.x, q.y, q.z);
        let length = q.norm();
        if !((length - 1.0).abs() <= 0.01) {
            return Err(format!(
                "base_attitude has a quaternion of length {length}; accepted: 0.99 to 1.01"
            ));
        }
        let attitude = UnitQuaternion::from_quaternion(q);
        self.plant
            .set_base(BaseMotion::Turn {
                attitude,
                duration: BASE_TURN,
            })
            .map_err(|e| e.to_string())?;
        let (roll, pitch, yaw) = attitude.euler_angles();
        tracing::info!(
            "base to roll {:.1}, pitch {:.1}, yaw {:.1} deg",
            roll.to_degrees(),
            pitch.to_degrees(),
            yaw.to_degrees()
        );
        Ok(())
    }

    /// Publishes what the sensors have delivered by now, and the truth.
    fn tell(&mut self, step: u64) -> r2r::Result<()> {
        let file = &self.simulated.file;
        let origin = self.origin;
        let clock = &self.clock;
        let own = self.time.is_some();
        let stamp = |t: f64| {
            time(match own {
                true => stamp_of(t),
                false => clock.stamp_of(origin + t),
            })
        };
        if let Some(publisher) = &self.time {
            let clock = stamp(self.plant.time());
            publisher.publish(&ClockMessage { clock })?;
        }
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
            self.motors.publish(&message)?;
        }
        let sensors = &file.options.sensors;
        while let Some(reading) = self.plant.take_imu_reading() {
            let noise = (sensors.attitude_noise, sensors.gyro_noise);
            let mut message = imu_message(&reading, &file.frames.head, noise);
            message.header.stamp = stamp(reading.stamp);
            self.imu.publish(&message)?;
        }
        if let (Some(publisher), Some(unit)) = (&self.base_imu, &file.description.base_imu) {
            while let Some(reading) = self.plant.take_base_imu_reading() {
                let noise = (unit.attitude_noise, unit.gyro_noise);
                let mut message = imu_message(&reading, &file.frames.base, noise);
                message.header.stamp = stamp(reading.stamp);
                publisher.publish(&message)?;
            }
        }
        if step.is_multiple_of(TRUTH_STEPS) {
            let truth = self.plant.truth();
            let mut bend = Vector3Stamped::default();
            bend.header.frame_id.clone_from(&file.frames.base);
            bend.header.stamp = stamp(truth.time);
            (bend.vector.x, bend.vector.y) = (truth.bend.x, truth.bend.y);
            self.bend.publish(&bend)?;
            let mut pose = PoseStamped {
                header: bend.header,
                ..PoseStamped::default()
            };
            let p = &mut pose.pose.position;
            (p.x, p.y, p.z) = (truth.position.x, truth.position.y, truth.position.z);
            pose.pose.orientation = quaternion(&truth.attitude);
            self.pose.publish(&pose)?;
        }
        Ok(())
    }
}

/// The stamp of simulated time `t`, s.
fn stamp_of(t: f64) -> (i32, u32) {
    let ns = (t.max(0.0) * 1e9).round() as u64;
    ((ns / 1_000_000_000) as i32, (ns % 1_000_000_000) as u32)
}

fn quaternion(attitude: &UnitQuaternion<f64>) -> r2r::geometry_msgs::msg::Quaternion {
    r2r::geometry_msgs::msg::Quaternion {
        x: attitude.i,
        y: attitude.j,
        z: attitude.k,
        w: attitude.w,
    }
}

/// What an inertial unit on the body with the given frame says; noise of attitude and angular velocity, rad and rad/s rms
/// (REP-145: covariances row by row, all zero where unknown).
fn imu_message(reading: &ImuReading, frame: &str, (attitude_noise, gyro_noise): (f64, f64)) -> Imu {
    let mut message = Imu::default();
    frame.clone_into(&mut message.header.frame_id);
    message.orientation = quaternion(&reading.attitude);
    let w = &mut message.angular_velocity;
    let omega = &reading.angular_velocity;
    (w.x, w.y, w.z) = (omega.x, omega.y, omega.z);
    // An accelerometer at rest shows the reaction to gravity, upward.
    let up = reading.attitude.inverse() * Vector3::new(0.0, 0.0, GRAVITY);
    let a = &mut message.linear_acceleration;
    (a.x, a.y, a.z) = (up.x, up.y, up.z);
    for axis in [0, 4, 8] {
        message.orientation_covariance[axis] = attitude_noise.powi(2);
        message.angular_velocity_covariance[axis] = gyro_noise.powi(2);
    }
    message
}

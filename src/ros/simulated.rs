//! The simulated joint as a node: replaces hardware and communicates only by topics.
//!
//! Inputs:
//!
//! - `withy/motor_setpoints` (sensor_msgs/JointState or std_msgs/Float64MultiArray): motor
//!   setpoints, by name or in motor order, the pan's last.
//! - `~/payload` (geometry_msgs/Inertia): payload from now on; `m` in kg (0 removes it), `com.z` in
//!   m above the beam's end, `com.x` and `com.y` 0; `ixx`, `iyy`, `izz` about the payload's own
//!   centre in kg m^2, all 0 for those of a solid cube.
//! - `~/push` (geometry_msgs/WrenchStamped): a push on the head plate; force in N, base frame, from
//!   now on for a set time; torque 0.
//! - `~/base_orientation` (geometry_msgs/QuaternionStamped): turns base coordinates into those of a
//!   level world; the base moves there smoothly in 1 s. A message during that motion waits for its
//!   end; only the newest one waits. The frame's name is ignored.
//!
//! Outputs:
//!
//! - `joint_states` (sensor_msgs/JointState): encoder angles and velocities, the pan's last.
//! - `imu` (sensor_msgs/Imu): orientation with drifting heading, angular velocity, gravity.
//! - `base_imu` (sensor_msgs/Imu): the same of the base, in the base frame, if the joint has this
//!   IMU.
//! - `~/true_bend` (geometry_msgs/Vector3Stamped): the true bend, x and y in rad, z 0, in the frame
//!   turned by the pan; for scoring only.
//! - `~/true_pose` (geometry_msgs/PoseStamped): the true pose of the head in the base frame, m; for
//!   scoring only.
//!
//! The base stands still, or oscillates about its y axis (pitch) around its last given orientation.
//!
//! It runs in real time on the monotonic clock, in steps of a millisecond. Motors without setpoints
//! hold, or stop, after their command timeout. A process may run several joints on one time.
//!
//! With its own clock it also publishes the time on `/clock` (rosgraph_msgs/Clock), a thousand
//! times per simulated second from 0, uses it for stamps, and may run faster or slower than real
//! time. A machine that cannot keep up then makes it slower, and no step is skipped.
//!
//! In lockstep it publishes the time step by step, and whenever a sensor has delivered something.
//! Then it waits until the joint's node has acknowledged that message (`withy/acknowledged`,
//! std_msgs/Header: stamp and topic), publishes the sensor readings, and waits until they are
//! acknowledged too. Measurements and setpoints therefore depend on simulated time alone, and the
//! same seed and commands give the same motion. It may wait for other nodes as well, on their own
//! topics: a behaviour acknowledges a message on `/clock` (`frame_id` "clock") when its work at
//! that time is done.

mod lockstep;
mod world;

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use r2r::builtin_interfaces::msg::Time;
use r2r::rosgraph_msgs::msg::Clock as ClockMessage;
use r2r::{Node, Publisher, QosProfile};
use tokio::sync::watch;

use super::messages::time;
use crate::files::SimulatedFile;
use crate::ros::client::session::until_signal;
use crate::ros::context::{NodeError, context};
use crate::runtime::rt::Clock;
use crate::sim::beam::{BaseMotion, BaseOscillation, DescriptionError, Plant, STEP};
use lockstep::Partner;
use world::{Reading, World};

/// Simulation steps between two messages on `~/true_bend` and `~/true_pose`: 200 Hz.
const TRUTH_STEPS: u64 = 5;
/// Max. delay behind real time that is caught up, s; a larger one is given up.
const BEHIND_MAX: f64 = 0.25;
/// Max. wait for messages while waiting for an acknowledgement, and so for a signal. A message ends
/// the wait of its own node alone, so several joints take short turns.
const LOOK: Duration = Duration::from_millis(20);
const LOOK_IN_TURN: Duration = Duration::from_millis(1);
/// Machine time after which the time and the readings are sent again: messages may be lost.
const CLOCK_AGAIN: Duration = Duration::from_millis(100);
const READINGS_AGAIN: Duration = Duration::from_secs(2);

/// One joint of `withy simulate`.
#[derive(Clone, Debug)]
pub struct Simulated {
    /// The joint, its build and its sensors.
    pub file: SimulatedFile,
    /// Payload at start: mass, kg, and height of its centre above the beam's end, m.
    pub payload: (f64, f64),
    /// Duration of a push, s.
    pub push_duration: f64,
    /// Oscillation of the base from the start; `None`: it stands still.
    pub base_oscillation: Option<BaseOscillation>,
}

/// The progress of simulated time.
#[derive(Clone, Debug)]
pub enum Pace {
    /// With the machine's time, without `/clock`.
    Real,
    /// On `/clock`, with the given simulated seconds per second if the machine keeps up.
    Clock(f64),
    /// On `/clock`, in lockstep with the joints' nodes.
    Lockstep(Lockstep),
}

/// Settings of simulated time in lockstep.
#[derive(Clone, Debug)]
pub struct Lockstep {
    /// Max. step, s.
    pub step: f64,
    /// Max. simulated seconds per second; `None`: unlimited.
    pub speed: Option<f64>,
    /// Full names of the nodes to wait for besides the joints' own.
    pub wait_for: Vec<String>,
    /// Machine time limit for an acknowledgement before time continues without it.
    pub patience: Duration,
}

/// The reason why a simulated joint cannot run.
#[derive(Debug, thiserror::Error)]
pub enum SimulatedError {
    /// The ROS graph cannot be used.
    #[error(transparent)]
    Node(#[from] NodeError),
    /// The joint cannot be built.
    #[error(transparent)]
    Joint(#[from] DescriptionError),
}

/// Runs the simulated joints until SIGINT or SIGTERM.
///
/// # Errors
/// [`SimulatedError`].
pub fn simulate(joints: &[Simulated], pace: &Pace) -> Result<(), SimulatedError> {
    let mut plants = Vec::new();
    for simulated in joints {
        let file = &simulated.file;
        let mut plant = Plant::new(&file.description, &file.options, file.seed)?;
        plant.set_payload(simulated.payload.0, simulated.payload.1)?;
        if let Some(oscillation) = simulated.base_oscillation {
            plant.set_base(BaseMotion::BaseOscillation(oscillation))?;
        }
        plants.push(plant);
    }
    let context = context()?;
    let (runtime, stop) = until_signal().map_err(NodeError::System)?;
    let mut stage = Stage {
        joints: Vec::new(),
        others: Vec::new(),
        time: None,
        clock: Clock::new(),
        origin: 0.0,
        stop,
        failed: false,
    };
    for (simulated, plant) in joints.iter().zip(plants) {
        let file = &simulated.file;
        let graph = NodeError::of(&file.name);
        let mut node = Node::create(context.clone(), &file.name, &file.namespace).map_err(graph)?;
        let world = World::new(simulated.clone(), plant, &mut node).map_err(graph)?;
        let mut partner = None;
        if let Pace::Lockstep(_) = pace {
            partner = Some(Partner::new(&mut node, "withy/acknowledged").map_err(graph)?);
        }
        if stage.joints.is_empty() {
            stage.begin_clock(&mut node, pace).map_err(graph)?;
        }
        stage.joints.push(Joint {
            node,
            world,
            partner,
        });
    }
    for simulated in joints {
        tracing::info!(
            "simulated joint {} running: {} motors, payload {:.0} g",
            simulated.file.name,
            simulated.file.motor_names.len(),
            simulated.payload.0 * 1e3
        );
    }
    match pace {
        Pace::Real => stage.run_by_machine(1.0),
        Pace::Clock(speed) => stage.run_by_machine(*speed),
        Pace::Lockstep(lockstep) => stage.run_in_lockstep(lockstep),
    }
    drop(stage);
    runtime.shutdown_timeout(Duration::from_millis(200));
    Ok(())
}

/// One joint with its node.
struct Joint {
    // Dropped before the node that feeds it.
    world: World,
    /// The control node, if simulated time waits for it.
    partner: Option<Partner>,
    node: Node,
}

/// All joints on one time.
struct Stage {
    joints: Vec<Joint>,
    /// Other nodes that simulated time waits for.
    others: Vec<Partner>,
    /// Publisher of `/clock`, if the joints have their own time.
    time: Option<Publisher<ClockMessage>>,
    clock: Clock,
    /// Loop time of the joints' time 0, if they run on the machine's clock, s.
    origin: f64,
    stop: watch::Receiver<bool>,
    /// A failure to publish has been logged.
    failed: bool,
}

/// The content of an awaited acknowledgement.
enum Awaited<'a> {
    /// A message on `/clock`.
    Time(&'a Time),
    Readings(&'a [Vec<Reading>]),
}

impl Awaited<'_> {
    /// Returns true if the control node of the joint with this number has acknowledged it.
    fn answered(&self, partner: &Partner, joint: usize) -> bool {
        match self {
            Self::Time(stamp) => partner.has_acknowledged("clock", stamp),
            Self::Readings(readings) => {
                // Of several readings on one topic, the acknowledgement of the last counts.
                let readings = readings[joint].iter().map(|r| (r.topic(), r.stamp()));
                let last: BTreeMap<_, _> = readings.collect();
                let has = |(topic, stamp): (&&str, &&Time)| partner.has_acknowledged(topic, stamp);
                last.iter().all(has)
            }
        }
    }

    fn again(&self) -> Duration {
        match self {
            Self::Time(_) => CLOCK_AGAIN,
            Self::Readings(_) => READINGS_AGAIN,
        }
    }
}

impl Stage {
    /// Creates the publisher of `/clock`, and subscribes to the acknowledgements of the other
    /// nodes.
    fn begin_clock(&mut self, node: &mut Node, pace: &Pace) -> r2r::Result<()> {
        if let Pace::Real = pace {
            return Ok(());
        }
        // The ROS 2 profile of `/clock`: best effort, the last one.
        let newest = QosProfile::default().keep_last(1).best_effort();
        self.time = Some(node.create_publisher("/clock", newest)?);
        if let Pace::Lockstep(lockstep) = pace {
            for name in &lockstep.wait_for {
                let topic = format!("{}/acknowledged", name.trim_end_matches('/'));
                self.others.push(Partner::new(node, &topic)?);
            }
        }
        Ok(())
    }

    fn stopped(&self) -> bool {
        *self.stop.borrow()
    }

    /// Handles the messages received, and waits for them for at most `limit`.
    fn gather(&mut self, limit: Duration) {
        let mut wait = limit;
        loop {
            let mut any = false;
            for joint in &mut self.joints {
                joint.node.spin_once(wait);
                wait = Duration::ZERO;
                // Setpoints are sent before their acknowledgement: once it is received they are
                // here too, or arrive in the next round if other nodes were polled meanwhile.
                any |= joint.world.take();
                any |= joint.partner.as_mut().is_some_and(Partner::take);
            }
            for other in &mut self.others {
                any |= other.take();
            }
            if !any {
                return;
            }
        }
    }

    /// Handles the messages received until `deadline`, and those already received in any case.
    fn gather_until(&mut self, deadline: Instant) {
        loop {
            self.gather(deadline.saturating_duration_since(Instant::now()));
            if Instant::now() >= deadline || self.stopped() {
                return;
            }
        }
    }

    /// Returns the stamp of simulated time `t`, s.
    fn stamp(&self, t: f64) -> Time {
        time(match self.time {
            Some(_) => stamp_of(t),
            None => self.clock.stamp_of(self.origin + t),
        })
    }

    /// Logs the first failure to publish.
    fn check(&mut self, sent: r2r::Result<()>) {
        if let Err(error) = sent
            && !std::mem::replace(&mut self.failed, true)
        {
            tracing::warn!("a message could not be published: {error}");
        }
    }

    fn publish_time(&mut self, stamp: &Time) {
        let sent = match &self.time {
            None => Ok(()),
            Some(publisher) => publisher.publish(&ClockMessage {
                clock: stamp.clone(),
            }),
        };
        self.check(sent);
    }

    fn publish(&mut self, readings: &[Vec<Reading>]) {
        for (number, own) in readings.iter().enumerate() {
            for reading in own {
                let sent = self.joints[number].world.publish(reading);
                self.check(sent);
            }
        }
    }

    /// Publishes the true state when due.
    fn publish_truth(&mut self, step: u64) {
        if !step.is_multiple_of(TRUTH_STEPS) {
            return;
        }
        for number in 0..self.joints.len() {
            let sent = self.joints[number].world.publish_truth(|t| self.stamp(t));
            self.check(sent);
        }
    }

    /// Advances to the time of a step; returns the readings of each joint delivered by then.
    fn advance(&mut self, step: u64) -> Vec<Vec<Reading>> {
        let (clock, origin, own) = (self.clock.clone(), self.origin, self.time.is_some());
        let stamp = |t: f64| {
            time(if own {
                stamp_of(t)
            } else {
                clock.stamp_of(origin + t)
            })
        };
        let joints = self.joints.iter_mut();
        joints
            .map(|joint| {
                joint.world.run_until(step as f64 * STEP);
                joint.world.readings(stamp)
            })
            .collect()
    }

    /// Runs on the machine's time, with the given simulated seconds per second.
    fn run_by_machine(&mut self, speed: f64) {
        let start = Instant::now();
        self.origin = self.clock.now();
        // Time given up because the machine was too slow, s of real time.
        let mut lost = 0.0;
        let mut step: u64 = 0;
        while !self.stopped() {
            let deadline = step as f64 * STEP / speed + lost;
            let ahead = deadline - start.elapsed().as_secs_f64();
            if -ahead > BEHIND_MAX {
                match self.time {
                    None => tracing::warn!(
                        "{:.2} s behind real time: the joint stood still for as long",
                        -ahead
                    ),
                    Some(_) if lost == 0.0 => tracing::warn!(
                        "the machine does not keep up with --speed: simulated time runs slower \
                         (logged once)"
                    ),
                    Some(_) => {}
                }
                lost -= ahead;
                self.origin -= ahead;
            }
            self.gather_until(start + Duration::from_secs_f64(deadline));
            let readings = self.advance(step);
            let now = self.stamp(step as f64 * STEP);
            self.publish_time(&now);
            self.publish(&readings);
            self.publish_truth(step);
            step += 1;
        }
    }

    /// Runs as fast as the nodes that simulated time waits for.
    fn run_in_lockstep(&mut self, lockstep: &Lockstep) {
        let longest = (lockstep.step / STEP).round().max(1.0) as u64;
        let mut step: u64 = 0;
        let mut deadline = Instant::now();
        while !self.stopped() {
            let readings = self.advance(step);
            if step.is_multiple_of(longest) || readings.iter().any(|own| !own.is_empty()) {
                let now = self.stamp(step as f64 * STEP);
                self.publish_time(&now);
                self.wait(&Awaited::Time(&now), lockstep.patience);
                self.publish(&readings);
                self.wait(&Awaited::Readings(&readings), lockstep.patience);
            }
            self.publish_truth(step);
            step += 1;
            let speed = if self.is_anybody_gone() {
                Some(lockstep.speed.unwrap_or(1.0).min(1.0))
            } else {
                lockstep.speed
            };
            if let Some(speed) = speed {
                deadline += Duration::from_secs_f64(STEP / speed);
                let now = Instant::now();
                if deadline <= now {
                    deadline = now;
                } else {
                    self.gather_until(deadline);
                }
            }
        }
    }

    fn is_anybody_gone(&self) -> bool {
        let own = self
            .joints
            .iter()
            .filter_map(|joint| joint.partner.as_ref());
        own.chain(&self.others).any(Partner::is_gone)
    }

    /// Waits until all awaited nodes have acknowledged it.
    fn wait(&mut self, awaited: &Awaited, patience: Duration) {
        let look = match self.joints.len() {
            1 => LOOK,
            _ => LOOK_IN_TURN,
        };
        let begin = Instant::now();
        let mut again = begin + awaited.again();
        // First the messages already received, then new ones.
        let mut wait = Duration::ZERO;
        while !self.stopped() {
            self.gather(wait);
            wait = look;
            let mut all = true;
            for (number, joint) in self.joints.iter_mut().enumerate() {
                if let Some(partner) = &mut joint.partner {
                    let has = |partner: &Partner| awaited.answered(partner, number);
                    all &= partner.lets_go(has, begin, patience);
                }
            }
            if let Awaited::Time(stamp) = awaited {
                for other in &mut self.others {
                    let has = |other: &Partner| other.has_acknowledged("clock", stamp);
                    all &= other.lets_go(has, begin, patience);
                }
            }
            if all {
                return;
            }
            if Instant::now() > again {
                again = Instant::now() + awaited.again();
                match awaited {
                    Awaited::Time(stamp) => self.publish_time(stamp),
                    Awaited::Readings(readings) => self.publish(readings),
                }
            }
        }
    }
}

/// Returns the stamp of simulated time `t`, s.
fn stamp_of(t: f64) -> (i32, u32) {
    let ns = (t.max(0.0) * 1e9).round() as u64;
    ((ns / 1_000_000_000) as i32, (ns % 1_000_000_000) as u32)
}

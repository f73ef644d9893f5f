//! The streams and diagnostics of the joint that a step test receives.

use std::sync::{Arc, Mutex};

use r2r::diagnostic_msgs::msg::{DiagnosticArray, DiagnosticStatus};
use r2r::geometry_msgs::msg::PoseStamped;
use r2r::sensor_msgs::msg::JointState;
use r2r::std_msgs::msg::Float64MultiArray;
use r2r::{Node, QosProfile};

use super::super::session::{Session, many};
use super::{Stream, Subject, Unready};
use crate::control::geometry::swing_twist;
use crate::control::tick::{Mode, Source};
use crate::design::trial::{AngleSample, BendSample, SetpointSample, StepStreams};
use crate::files::SetpointMessage;
use crate::ros::messages::{control_loop, read_pose, value_of};
use crate::runtime::locked;
use crate::runtime::rt::Clock;

/// Time without a message after which a stream is silent, s.
const SILENT: f64 = 0.2;
/// The same for diagnostics, s, which arrive once a second.
const DIAGNOSTICS_SILENT: f64 = 3.0;

/// The last diagnostics of the joint.
#[derive(Clone, Debug)]
pub(super) struct Diagnosis {
    pub(super) gain_set: String,
    /// Label of the node's state, if it stays in one in which the joint is not driven.
    idle: Option<String>,
    /// A problem that prevents a step test.
    trouble: Option<Unready>,
}

impl Diagnosis {
    fn read(status: DiagnosticStatus) -> Self {
        let value = |key: &str| value_of(&status, key);
        let state = value("lifecycle_state");
        // A waiting autostart may still succeed.
        let idle = ["unconfigured", "inactive", "finalized"].contains(&state)
            && value("autostart_waits") != "1";
        let drives = value("mode") == Mode::Tracking.name() && value("over_bend") != "1";
        Self {
            idle: idle.then(|| state.into()),
            gain_set: value("gain_set").into(),
            trouble: if !drives {
                Some(Unready::Reported(status.message.clone()))
            } else if value("feedback") != Source::Imu.name() {
                Some(Unready::BendFromMotors)
            } else {
                None
            },
        }
    }
}

/// The received data and receipt times on the session's clock; diagnostics use machine time.
#[derive(Default)]
pub(super) struct Heard {
    pub(super) streams: StepStreams,
    pub(super) diagnosis: Option<Diagnosis>,
    poses_at: Option<f64>,
    setpoints_at: Option<f64>,
    angles_at: Option<f64>,
    diagnosis_at: Option<f64>,
    /// Latency of the newest head pose at its receipt, s.
    pub(super) latency: f64,
}

impl Heard {
    /// Returns the reason why the joint is not driven, if its node reports one.
    pub(super) fn idle(&self) -> Option<Unready> {
        let state = self.diagnosis.as_ref()?.idle.clone()?;
        Some(Unready::Idle(state))
    }

    /// Returns the reported problem that prevents a step test, if any.
    pub(super) fn trouble(&self) -> Option<Unready> {
        self.diagnosis.as_ref()?.trouble.clone()
    }

    /// Returns the first stream that has been silent for too long.
    pub(super) fn silent(&self, clock: &Clock) -> Option<Stream> {
        let now = clock.now();
        // Diagnostics continue while simulated time stands.
        let machine = clock.machine();
        let streams = [
            (Stream::Poses, self.poses_at, now, SILENT),
            (Stream::Setpoints, self.setpoints_at, now, SILENT),
            (Stream::Angles, self.angles_at, now, SILENT),
            (
                Stream::Diagnostics,
                self.diagnosis_at,
                machine,
                DIAGNOSTICS_SILENT,
            ),
        ];
        let mut streams = streams.into_iter();
        let silent = streams.find(|(_, at, now, limit)| !at.is_some_and(|at| now - at <= *limit));
        silent.map(|(stream, ..)| stream)
    }
}

pub(super) type Shared = Arc<Mutex<Heard>>;

/// Subscribes on `node` to the streams of the joint.
pub(super) fn listen(node: &mut Node, session: &Session, subject: &Subject) -> r2r::Result<Shared> {
    let heard = Shared::default();
    listen_to_poses(node, session, subject, &heard)?;
    listen_to_setpoints(node, session, subject, &heard)?;
    listen_to_angles(node, session, subject, &heard)?;
    let reports = node.subscribe::<DiagnosticArray>("/diagnostics", many())?;
    let (clock, record) = (session.clock().clone(), heard.clone());
    let joint = subject.joint.clone();
    session.each(reports, move |message| {
        if let Some(status) = control_loop(message, &joint) {
            let mut heard = locked(&record);
            heard.diagnosis = Some(Diagnosis::read(status));
            heard.diagnosis_at = Some(clock.machine());
        }
    });
    Ok(heard)
}

fn listen_to_poses(
    node: &mut Node,
    session: &Session,
    subject: &Subject,
    heard: &Shared,
) -> r2r::Result<()> {
    let topic = subject.name("head_pose");
    let poses = node.subscribe::<PoseStamped>(&topic, QosProfile::sensor_data())?;
    let (clock, record) = (session.clock().clone(), heard.clone());
    session.each(poses, move |message| {
        // An invalid pose counts as none.
        if let Ok(orientation) = read_pose(&message) {
            let stamp = &message.header.stamp;
            let time = clock.time_of(stamp.sec, stamp.nanosec);
            let bend = swing_twist(&orientation).1;
            let mut heard = locked(&record);
            if heard.streams.bends.last().is_none_or(|l| l.time < time) {
                heard.streams.bends.push(BendSample { time, bend });
            }
            let now = clock.now();
            heard.latency = now - time;
            heard.poses_at = Some(now);
        }
    });
    Ok(())
}

fn listen_to_setpoints(
    node: &mut Node,
    session: &Session,
    subject: &Subject,
    heard: &Shared,
) -> r2r::Result<()> {
    let (clock, record) = (session.clock().clone(), heard.clone());
    let take = move |stamp: f64, setpoints: Vec<f64>| {
        let time = clock.now();
        let mut heard = locked(&record);
        heard.streams.setpoints.push(SetpointSample {
            time,
            stamp,
            setpoints,
        });
        heard.setpoints_at = Some(time);
    };
    let motors = subject.motor_names.clone();
    let topic = subject.name("motor_setpoints");
    let clock = session.clock().clone();
    match subject.message {
        SetpointMessage::JointState => {
            let setpoints = node.subscribe::<JointState>(&topic, many())?;
            session.each(setpoints, move |message| {
                // A message that lacks a motor is not the joint's.
                let values = motors.iter().map(|motor| position_of(&message, motor));
                if let Some(values) = values.collect() {
                    let stamp = &message.header.stamp;
                    take(clock.time_of(stamp.sec, stamp.nanosec), values);
                }
            });
        }
        SetpointMessage::Float64Array => {
            let setpoints = node.subscribe::<Float64MultiArray>(&topic, many())?;
            session.each(setpoints, move |message| {
                // The pan's comes last.
                if let Some(values) = message.data.get(..motors.len()) {
                    take(clock.now(), values.to_vec());
                }
            });
        }
    }
    Ok(())
}

fn listen_to_angles(
    node: &mut Node,
    session: &Session,
    subject: &Subject,
    heard: &Shared,
) -> r2r::Result<()> {
    let namespace = subject.joint.rsplit_once('/');
    let topic = format!(
        "{}/joint_states",
        namespace.map_or("", |(parent, _)| parent)
    );
    let states = node.subscribe::<JointState>(&topic, QosProfile::sensor_data())?;
    let (clock, record) = (session.clock().clone(), heard.clone());
    let motors = subject.motor_names.clone();
    let mut known = vec![None; motors.len()];
    session.each(states, move |message| {
        // A message may hold some of the motors only: the others keep their last angle.
        let mut any = false;
        for (motor, angle) in motors.iter().zip(&mut known) {
            if let Some(value) = position_of(&message, motor) {
                (*angle, any) = (Some(value), true);
            }
        }
        let all: Option<Vec<f64>> = known.iter().copied().collect();
        if any && let Some(angles) = all {
            let stamp = &message.header.stamp;
            let time = clock.time_of(stamp.sec, stamp.nanosec);
            let mut heard = locked(&record);
            let later = heard.streams.angles.last().is_none_or(|l| l.time < time);
            if later {
                heard.streams.angles.push(AngleSample { time, angles });
                heard.angles_at = Some(clock.now());
            }
        }
    });
    Ok(())
}

/// Returns the position of a motor in a message, if present and finite.
fn position_of(message: &JointState, motor: &str) -> Option<f64> {
    let place = message.name.iter().position(|name| name == motor)?;
    let value = message.position.get(place).copied();
    value.filter(|v| v.is_finite())
}

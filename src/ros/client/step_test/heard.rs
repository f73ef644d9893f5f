//! The streams and diagnostics of the joint that a step test receives.

use std::sync::{Arc, Mutex};

use r2r::diagnostic_msgs::msg::{DiagnosticArray, DiagnosticStatus};
use r2r::geometry_msgs::msg::PoseStamped;
use r2r::sensor_msgs::msg::JointState;
use r2r::std_msgs::msg::Float64MultiArray;
use r2r::{Node, QosProfile};

use super::super::session::Session;
use super::Subject;
use crate::control::geometry::swing_twist;
use crate::design::trial::{AngleSample, BendSample, SetpointSample, StepStreams};
use crate::files::SetpointMessage;
use crate::ros::messages::{read_pose, value_of};
use crate::runtime::locked;
use crate::runtime::rt::Clock;

/// Time without a message after which a stream is silent, s.
const SILENT: f64 = 0.2;
/// The same for diagnostics, s, which arrive once a second.
const DIAGNOSTICS_SILENT: f64 = 3.0;

/// The last diagnostics of the joint.
#[derive(Clone, Debug)]
pub(super) struct Diagnosis {
    pub(super) message: String,
    pub(super) mode: String,
    pub(super) gain_set: String,
    pub(super) feedback: String,
    pub(super) over_bend: bool,
    /// Reason why the joint is not driven, if its node stays in a state in which it is not.
    pub(super) idle: Option<String>,
}

impl Diagnosis {
    pub(super) fn read(status: DiagnosticStatus) -> Self {
        let value = |key: &str| value_of(&status, key).to_string();
        let state = value("lifecycle_state");
        // A waiting autostart may still succeed.
        let idle = ["unconfigured", "inactive", "finalized"].contains(&state.as_str())
            && value("autostart_waits") != "1";
        Self {
            idle: idle.then(|| {
                format!("its node is {state}; activate it first (withy transition activate)")
            }),
            mode: value("mode"),
            gain_set: value("gain_set"),
            feedback: value("feedback"),
            over_bend: value("over_bend") == "1",
            message: status.message,
        }
    }

    /// Returns a problem that prevents a step test, if any.
    pub(super) fn trouble(&self) -> Option<String> {
        if self.mode != "tracking" || self.over_bend {
            Some(format!("/diagnostics says: {}", self.message))
        } else if self.feedback != "imu" {
            Some("its bend comes from the motors, not from the IMU".into())
        } else {
            None
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
    pub(super) age: f64,
}

impl Heard {
    /// Returns the reason why the joint is not driven, if its node reports one.
    pub(super) fn idle(&self) -> Option<String> {
        self.diagnosis.as_ref()?.idle.clone()
    }

    /// Returns the first stream that has been silent for too long.
    pub(super) fn silent(&self, clock: &Clock) -> Option<&'static str> {
        let (now, machine) = (clock.now(), clock.machine());
        let streams = [
            (self.poses_at, now, SILENT, "~/head_pose"),
            (self.setpoints_at, now, SILENT, "~/motor_setpoints"),
            (self.angles_at, now, SILENT, "joint_states"),
            // Diagnostics continue while simulated time stands.
            (
                self.diagnosis_at,
                machine,
                DIAGNOSTICS_SILENT,
                "/diagnostics",
            ),
        ];
        let fresh = |at: Option<f64>, now: f64, most: f64| at.is_some_and(|at| now - at <= most);
        let silent = streams
            .into_iter()
            .find(|(at, now, most, _)| !fresh(*at, *now, *most))?;
        Some(silent.3)
    }
}

pub(super) type Shared = Arc<Mutex<Heard>>;

/// Subscribes on `node` to the streams of the joint.
pub(super) fn listen(node: &mut Node, session: &Session, subject: &Subject) -> r2r::Result<Shared> {
    let many = || QosProfile::default().keep_last(100).reliable();
    let joint = &subject.joint;
    let topic = |topic: &str| format!("{joint}/{topic}");
    let heard = Shared::default();

    let poses = node.subscribe::<PoseStamped>(&topic("head_pose"), QosProfile::sensor_data())?;
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
            heard.age = now - time;
            heard.poses_at = Some(now);
        }
    });

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
    match subject.message {
        SetpointMessage::JointState => {
            let setpoints = node.subscribe::<JointState>(&topic("motor_setpoints"), many())?;
            let clock = session.clock().clone();
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
            let setpoints =
                node.subscribe::<Float64MultiArray>(&topic("motor_setpoints"), many())?;
            let clock = session.clock().clone();
            session.each(setpoints, move |message| {
                // The pan's comes last.
                if let Some(values) = message.data.get(..motors.len()) {
                    take(clock.now(), values.to_vec());
                }
            });
        }
    }

    let namespace = joint.rsplit_once('/').map_or("", |(parent, _)| parent);
    let states = node.subscribe::<JointState>(
        &format!("{namespace}/joint_states"),
        QosProfile::sensor_data(),
    )?;
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
        if let (true, Some(angles)) = (any, all) {
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

    let reports = node.subscribe::<DiagnosticArray>("/diagnostics", many())?;
    let (clock, record) = (session.clock().clone(), heard.clone());
    let own = format!("{}: control loop", joint.trim_start_matches('/'));
    session.each(reports, move |message| {
        if let Some(status) = message.status.into_iter().find(|s| s.name == own) {
            let mut heard = locked(&record);
            heard.diagnosis = Some(Diagnosis::read(status));
            heard.diagnosis_at = Some(clock.machine());
        }
    });
    Ok(heard)
}

/// Returns the position of a motor in a message, if present and finite.
fn position_of(message: &JointState, motor: &str) -> Option<f64> {
    let place = message.name.iter().position(|name| name == motor)?;
    let value = message.position.get(place).copied();
    value.filter(|v| v.is_finite())
}

//! Why a step test does not begin, or ends early.

use std::fmt;

use super::{GAIN_SET, MAX_LATENCY};
use crate::ros::client::ClientError;
use crate::ros::context::NodeError;

/// A stream of the joint that a step test needs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stream {
    /// Measured head poses.
    Poses,
    /// Setpoints of the motors.
    Setpoints,
    /// Angles of all motors.
    Angles,
    /// Diagnostics of the control loop.
    Diagnostics,
}

impl Stream {
    /// Returns the sentence on a stream that is not received.
    pub(super) fn missing(self) -> &'static str {
        match self {
            Self::Poses => "its ~/head_pose is not received",
            Self::Setpoints => "its ~/motor_setpoints are not received",
            Self::Angles => "joint_states do not have all its motors' angles",
            Self::Diagnostics => "/diagnostics does not report it",
        }
    }
}

impl fmt::Display for Stream {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Poses => "~/head_pose",
            Self::Setpoints => "~/motor_setpoints",
            Self::Angles => "joint_states",
            Self::Diagnostics => "/diagnostics",
        })
    }
}

/// The reason why a step test did not begin. The joint was not moved.
#[derive(Debug, thiserror::Error)]
pub enum StepTestError {
    /// The ROS graph cannot be used.
    #[error(transparent)]
    Node(#[from] NodeError),
    /// A service does not answer or refuses, or SIGINT or SIGTERM arrived.
    #[error(transparent)]
    Client(#[from] ClientError),
    /// A topic or a subscription is missing.
    #[error("{joint} cannot be tested: {missing}; is its node running, and in this ROS domain?")]
    Missing {
        /// Name of the joint's node.
        joint: String,
        /// The missing part.
        missing: &'static str,
    },
    /// The node has no such gain set.
    #[error(
        "{0} has no gain set '{GAIN_SET}': list gains/open-loop.yaml under gain_sets in its joint \
         file and restart it"
    )]
    NoGainSet(String),
    /// The open-loop gain set is already in force.
    #[error(
        "{0} has the gain set '{GAIN_SET}' in force already, which corrects nothing: first choose \
         the set to return to"
    )]
    Left(String),
    /// The node controls another joint.
    #[error("{joint} has the motors {there}, and the joint file has {here}")]
    OtherMotors {
        /// Name of the joint's node.
        joint: String,
        /// Motors of the node.
        there: String,
        /// Motors of the joint file.
        here: String,
    },
    /// A step exceeds the inclination limit.
    #[error(
        "a step to an inclination of {commanded:.1} deg; accepted: at most {limit:.1} deg, which \
         is limits.inclination of {joint}"
    )]
    Beyond {
        /// Name of the joint's node.
        joint: String,
        /// Commanded inclination, deg.
        commanded: f64,
        /// Max. inclination, deg.
        limit: f64,
    },
    /// The joint is not ready.
    #[error("{joint} cannot be tested now: {reason}")]
    NotReady {
        /// Name of the joint's node.
        joint: String,
        /// The problem.
        reason: Unready,
    },
}

/// A problem of the joint that prevents a step test or ends it.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Unready {
    /// A stream has stopped.
    #[error("{0} became silent")]
    Silent(Stream),
    /// The node stays in a state in which the joint is not driven.
    #[error("its node is {0}; activate it first (withy transition activate)")]
    Idle(String),
    /// The joint is not in its ordinary operation.
    #[error("/diagnostics says: {0}")]
    Reported(String),
    /// The bend is not measured.
    #[error("its bend comes from the motors, not from the IMU")]
    BendFromMotors,
    /// The clocks of the machines are not synchronised. With the latency of a head pose, s.
    #[error(
        "its head poses are {0:.3} s old by this machine's clock; accepted: up to {MAX_LATENCY} \
         s, so set the clocks or record on its machine"
    )]
    Clocks(f64),
    /// The node lacks parameters that every joint's node has.
    #[error("its parameter services do not answer as this program's node does")]
    OtherNode,
}

/// The reason why a begun step test was stopped.
#[derive(Debug, thiserror::Error)]
pub enum Trouble {
    /// A service does not answer or refuses, or SIGINT or SIGTERM arrived.
    #[error(transparent)]
    Client(#[from] ClientError),
    /// The joint is not ready any more.
    #[error(transparent)]
    Unready(#[from] Unready),
    /// The joint bent too far.
    #[error(
        "bent by {:.1} deg, beyond limits.over_bend of {:.1} deg",
        bend.to_degrees(),
        limit.to_degrees()
    )]
    OverBend {
        /// Measured inclination, rad.
        bend: f64,
        /// Limit of the node, rad.
        limit: f64,
    },
    /// Another client chose a gain set, which this names.
    #[error("another client chose the gain set '{0}'")]
    OtherGainSet(String),
    /// One of these while a step was held.
    #[error("in step {step} of {count}: {trouble}")]
    InStep {
        /// Number of the step, from 1.
        step: usize,
        /// Number of steps of the test.
        count: usize,
        /// The problem.
        trouble: Box<Trouble>,
    },
}

/// The reason why a begun step test ended early, with what was done then.
#[derive(Debug, thiserror::Error)]
pub enum EarlyEnd {
    /// It was stopped.
    #[error("{trouble}; {stop}")]
    Stopped {
        /// The problem.
        trouble: Box<Trouble>,
        /// What was done.
        stop: Box<Stop>,
    },
    /// The former gains could not be restored after the last step.
    #[error("all steps were made, but {0}")]
    NotRestored(Box<Stop>),
    /// The joint could not be sent straight after the last step.
    #[error("all steps were made, but the joint could not be sent straight ({0})")]
    NotStraight(ClientError),
}

/// What was done when a test was stopped.
#[derive(Debug)]
pub struct Stop {
    /// The request of a hold.
    pub held: Result<(), ClientError>,
    /// The gain set then in force.
    pub restored: Result<String, ClientError>,
}

impl fmt::Display for Stop {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.held {
            Ok(()) => write!(f, "the joint holds"),
            Err(error) => write!(f, "the hold could not be requested ({error})"),
        }?;
        match &self.restored {
            Ok(set) => write!(f, ", and the gain set '{set}' is in force"),
            Err(error) => write!(
                f,
                ", and the former gain set could not be put back ({error}): '{GAIN_SET}', which \
                 corrects nothing, may still be in force"
            ),
        }
    }
}

//! The input topics of a joint.

/// An input topic, or the action that takes targets. In the order of their names, in which refusals
/// are listed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Topic {
    BaseImu,
    DesiredPose,
    GazePoint,
    Imu,
    JointStates,
    PointHead,
    #[cfg_attr(not(has_tf2_msgs), expect(dead_code, reason = "only tf names it"))]
    Tf,
    #[cfg_attr(not(has_tf2_msgs), expect(dead_code, reason = "only tf names it"))]
    TfStatic,
}

impl Topic {
    /// The topics for targets, which all sources share and each may have for itself.
    pub const TARGETS: [Self; 2] = [Self::DesiredPose, Self::GazePoint];

    /// The topics of the sensors, which other nodes may publish on too.
    pub const SENSORS: [Self; 3] = [Self::Imu, Self::BaseImu, Self::JointStates];

    /// Returns the last part of its name.
    pub fn name(self) -> &'static str {
        match self {
            Self::BaseImu => "base_imu",
            Self::DesiredPose => "desired_pose",
            Self::GazePoint => "gaze_point",
            Self::Imu => "imu",
            Self::JointStates => "joint_states",
            Self::PointHead => "point_head",
            Self::Tf => "tf",
            Self::TfStatic => "tf_static",
        }
    }

    /// Returns true if targets arrive on it.
    pub fn has_targets(self) -> bool {
        self == Self::PointHead || Self::TARGETS.contains(&self)
    }
}

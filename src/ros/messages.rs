//! Conversion between messages and domain types. Each message is checked here, once; an invalid one
//! is refused with a reason. Range checks are written so that NaN fails them.

#[cfg(has_tf2_msgs)]
use nalgebra::Isometry3;
use nalgebra::{UnitQuaternion, Vector3};
use r2r::builtin_interfaces::msg::Time;
use r2r::diagnostic_msgs::msg::{DiagnosticArray, DiagnosticStatus};
#[cfg(has_tf2_msgs)]
use r2r::geometry_msgs::msg::TransformStamped;
use r2r::geometry_msgs::msg::{PointStamped, PoseStamped};
use r2r::sensor_msgs::msg::Imu;

use crate::runtime::link::inbox::checked_orientation;
pub use crate::runtime::link::inbox::{ImuReading, Refusal, refuse};

/// Returns three coordinates as a vector, m, if they are finite.
fn place(part: &str, x: f64, y: f64, z: f64) -> Result<Vector3<f64>, Refusal> {
    let place = Vector3::new(x, y, z);
    if place.iter().all(|c| c.is_finite()) {
        return Ok(place);
    }
    let sentence = format!("{part} is ({x}, {y}, {z}); accepted: finite numbers");
    refuse("not_finite", sentence)
}

/// Returns the orientation of a pose in the message's frame. The position is ignored, but must be
/// finite.
///
/// # Errors
/// The orientation is invalid, or the position is not finite.
pub fn read_pose(message: &PoseStamped) -> Result<UnitQuaternion<f64>, Refusal> {
    let p = &message.pose.position;
    place("position (which is ignored)", p.x, p.y, p.z)?;
    let q = &message.pose.orientation;
    checked_orientation("orientation", [q.x, q.y, q.z, q.w])
}

/// Returns a point in the message's frame, m.
///
/// # Errors
/// A coordinate is not finite.
pub fn read_point(message: &PointStamped) -> Result<Vector3<f64>, Refusal> {
    let p = &message.point;
    place("point", p.x, p.y, p.z)
}

/// Returns the pose of a transform's child frame in its parent frame.
///
/// # Errors
/// The rotation is invalid, or the translation is not finite.
#[cfg(has_tf2_msgs)]
pub fn read_transform(message: &TransformStamped) -> Result<Isometry3<f64>, Refusal> {
    let (p, q) = (&message.transform.translation, &message.transform.rotation);
    let about = |refusal: Refusal| Refusal {
        sentence: format!(
            "transform of {:?}: {}",
            message.child_frame_id.chars().take(255).collect::<String>(),
            refusal.sentence
        ),
        ..refusal
    };
    let translation = place("translation", p.x, p.y, p.z).map_err(about)?;
    let rotation = checked_orientation("rotation", [q.x, q.y, q.z, q.w]).map_err(about)?;
    Ok(Isometry3::from_parts(translation.into(), rotation))
}

impl TryFrom<&Imu> for ImuReading {
    type Error = Refusal;

    /// By REP-145 a first covariance of -1 marks a quantity that the message does not contain. The
    /// orientation is that of the IMU in a world frame with z up.
    fn try_from(message: &Imu) -> Result<Self, Refusal> {
        if message.orientation_covariance.first() == Some(&-1.0) {
            let sentence = "orientation_covariance[0] is -1, which means that there is no \
                            orientation; accepted: an orientation";
            return refuse("no_orientation", sentence.into());
        }
        if message.angular_velocity_covariance.first() == Some(&-1.0) {
            let sentence = "angular_velocity_covariance[0] is -1, which means that there is no \
                            angular velocity; accepted: an angular velocity";
            return refuse("no_angular_velocity", sentence.into());
        }
        let q = &message.orientation;
        let w = &message.angular_velocity;
        Self::new([q.x, q.y, q.z, q.w], [w.x, w.y, w.z])
    }
}

/// Returns the status of the control loop of the node `joint` (full name), if the message has it.
pub fn control_loop(message: DiagnosticArray, joint: &str) -> Option<DiagnosticStatus> {
    let node = joint.trim_start_matches('/');
    let is_own = |name: &str| name.strip_prefix(node) == Some(": control loop");
    message.status.into_iter().find(|s| is_own(&s.name))
}

/// Returns the value of a status under `key`; empty if it has none.
pub fn value_of<'a>(status: &'a DiagnosticStatus, key: &str) -> &'a str {
    let found = status.values.iter().find(|v| v.key == key);
    found.map_or("", |v| v.value.as_str())
}

/// Returns a stamp of seconds and nanoseconds as a message.
pub fn time((sec, nanosec): (i32, u32)) -> Time {
    Time { sec, nanosec }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pose(q: [f64; 4]) -> PoseStamped {
        let mut message = PoseStamped::default();
        let o = &mut message.pose.orientation;
        [o.x, o.y, o.z, o.w] = q;
        message
    }

    fn reason<T>(result: Result<T, Refusal>) -> &'static str {
        result.err().map_or("", |r| r.reason)
    }

    #[test]
    fn bad_poses_and_points_are_refused() {
        let good = [0.0, 0.1_f64.sin(), 0.0, 0.1_f64.cos()];
        let read = read_pose(&pose(good)).unwrap();
        assert!((read.angle() - 0.2).abs() < 1e-12);
        for (q, want) in [
            ([0.0; 4], "zero_quaternion"),
            ([0.0, f64::NAN, 0.0, 1.0], "not_finite"),
            ([f64::INFINITY, 0.0, 0.0, 1.0], "not_finite"),
            ([0.0, 0.0, 0.0, 0.5], "quaternion_norm"),
        ] {
            assert_eq!(reason(read_pose(&pose(q))), want);
        }
        let mut nan = pose(good);
        nan.pose.position.z = f64::NAN;
        assert_eq!(reason(read_pose(&nan)), "not_finite");
        let mut point = PointStamped::default();
        point.point.x = 1.5;
        assert_eq!(read_point(&point), Ok(Vector3::new(1.5, 0.0, 0.0)));
        point.point.y = f64::NAN;
        assert_eq!(reason(read_point(&point)), "not_finite");
    }

    #[test]
    fn gravity_is_seen_from_the_imu() {
        let mut message = Imu::default();
        // The IMU is inclined by 0.3 rad toward +x of a level world, so that gravity points toward
        // its own +x.
        message.orientation.y = 0.15_f64.sin();
        message.orientation.w = 0.15_f64.cos();
        let reading = ImuReading::try_from(&message).unwrap();
        let want = Vector3::new(0.3_f64.sin(), 0.0, -(0.3_f64.cos()));
        assert!((reading.gravity - want).norm() < 1e-12);
        message.angular_velocity.x = f64::NAN;
        assert_eq!(reason(ImuReading::try_from(&message)), "not_finite");
        message.angular_velocity.x = -101.0;
        assert_eq!(reason(ImuReading::try_from(&message)), "out_of_range");
        message.angular_velocity.x = 99.0;
        assert!(ImuReading::try_from(&message).is_ok());
        message.orientation_covariance[0] = -1.0;
        assert_eq!(reason(ImuReading::try_from(&message)), "no_orientation");
    }
}

//! Messages to domain and back. Each message is checked here, once; what does not fit is refused with a reason,
//! and range checks are written so that NaN fails them.

#[cfg(has_tf2_msgs)]
use nalgebra::Isometry3;
use nalgebra::{Quaternion, UnitQuaternion, Vector3};
use r2r::builtin_interfaces::msg::Time;
#[cfg(has_tf2_msgs)]
use r2r::geometry_msgs::msg::TransformStamped;
use r2r::geometry_msgs::msg::{PointStamped, PoseStamped};
use r2r::sensor_msgs::msg::{Imu, JointState};

/// Departure of a quaternion's norm from 1 that is still taken for rounding.
const NORM_TOLERANCE: f64 = 0.05;

/// Why a message was refused: a word to count it by, and a sentence with the numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct Refusal {
    /// The word; stands in the key of a diagnostic value.
    pub reason: &'static str,
    /// The sentence.
    pub sentence: String,
}

fn refuse<T>(reason: &'static str, sentence: String) -> Result<T, Refusal> {
    Err(Refusal { reason, sentence })
}

/// An attitude, from x, y, z, w.
fn attitude(part: &str, [x, y, z, w]: [f64; 4]) -> Result<UnitQuaternion<f64>, Refusal> {
    let q = Quaternion::new(w, x, y, z);
    let norm = q.norm();
    if !norm.is_finite() {
        let sentence = format!("{part} is ({x}, {y}, {z}, {w}); accepted: finite numbers");
        return refuse("not_finite", sentence);
    }
    if norm == 0.0 {
        let sentence = format!("{part} is the zero quaternion; accepted: norm 1");
        return refuse("zero_quaternion", sentence);
    }
    if (norm - 1.0).abs() > NORM_TOLERANCE {
        let sentence = format!("{part} has norm {norm:.3}; accepted: 1 within {NORM_TOLERANCE}");
        return refuse("quaternion_norm", sentence);
    }
    Ok(UnitQuaternion::from_quaternion(q))
}

/// Three coordinates, m.
fn place(part: &str, x: f64, y: f64, z: f64) -> Result<Vector3<f64>, Refusal> {
    let place = Vector3::new(x, y, z);
    if place.iter().all(|c| c.is_finite()) {
        return Ok(place);
    }
    let sentence = format!("{part} is ({x}, {y}, {z}); accepted: finite numbers");
    refuse("not_finite", sentence)
}

/// The attitude of a pose, in the message's frame; its position is ignored, but has to be finite.
///
/// # Errors
/// An attitude that is none; a position that is not finite.
pub fn read_pose(message: &PoseStamped) -> Result<UnitQuaternion<f64>, Refusal> {
    let p = &message.pose.position;
    place("position (which is ignored)", p.x, p.y, p.z)?;
    let q = &message.pose.orientation;
    attitude("orientation", [q.x, q.y, q.z, q.w])
}

/// A point, m, in the message's frame.
///
/// # Errors
/// A coordinate that is not finite.
pub fn read_point(message: &PointStamped) -> Result<Vector3<f64>, Refusal> {
    let p = &message.point;
    place("point", p.x, p.y, p.z)
}

/// The pose of a transform's child frame in its parent.
///
/// # Errors
/// A rotation that is none; a translation that is not finite.
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
    let rotation = attitude("rotation", [q.x, q.y, q.z, q.w]).map_err(about)?;
    Ok(Isometry3::from_parts(translation.into(), rotation))
}

/// Motor angle beyond which a sample is a fault of the encoder or its message, rad: more turns than any
/// tendon has length for.
const GREATEST_ANGLE: f64 = 1e4;
/// Angular velocity beyond which a sample is a fault, rad/s: gyros end at 35 rad/s (2000 deg/s; common
/// practice, no source), with room for others.
const GREATEST_RATE: f64 = 100.0;

/// What an IMU message says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImuReading {
    /// Direction of gravity in the IMU's frame, unit length, pointing down.
    pub gravity: Vector3<f64>,
    /// Angular velocity in the IMU's frame, rad/s.
    pub angular_velocity: Vector3<f64>,
}

impl TryFrom<&Imu> for ImuReading {
    type Error = Refusal;

    /// By REP-145 a first covariance of -1 says that the message does not hold that quantity. The orientation
    /// is that of the IMU in a world frame with z up.
    fn try_from(message: &Imu) -> Result<Self, Refusal> {
        if message.orientation_covariance.first() == Some(&-1.0) {
            let sentence = "orientation_covariance[0] is -1, which says that there is no orientation; \
                            accepted: an orientation";
            return refuse("no_orientation", sentence.into());
        }
        if message.angular_velocity_covariance.first() == Some(&-1.0) {
            let sentence = "angular_velocity_covariance[0] is -1, which says that there is no angular velocity; \
                            accepted: an angular velocity";
            return refuse("no_angular_velocity", sentence.into());
        }
        let q = &message.orientation;
        let world_from_imu = attitude("orientation", [q.x, q.y, q.z, q.w])?;
        let w = &message.angular_velocity;
        let angular_velocity = Vector3::new(w.x, w.y, w.z);
        if !angular_velocity.iter().all(|v| v.is_finite()) {
            let sentence = format!(
                "angular_velocity is ({}, {}, {}); accepted: finite numbers",
                w.x, w.y, w.z
            );
            return refuse("not_finite", sentence);
        }
        if !(angular_velocity.amax() <= GREATEST_RATE) {
            let sentence = format!(
                "angular_velocity is ({}, {}, {}) rad/s; accepted: at most {GREATEST_RATE} about each axis",
                w.x, w.y, w.z
            );
            return refuse("out_of_range", sentence);
        }
        Ok(Self {
            gravity: world_from_imu.inverse() * -Vector3::z(),
            angular_velocity,
        })
    }
}

/// The angles of this joint's motors in `message`, into `angles` by motor. Names of other joints are passed
/// over, whatever stands beside them.
///
/// # Errors
/// Lists of different lengths; an angle of ours that is not finite or out of range; a motor named twice.
pub fn read_motor_angles(
    message: &JointState,
    names: &[String],
    angles: &mut [Option<f64>],
) -> Result<(), Refusal> {
    angles.fill(None);
    let (count, positions) = (message.name.len(), message.position.len());
    if positions != count && positions != 0 {
        let sentence =
            format!("position has {positions} entries for {count} names; accepted: one each");
        return refuse("sizes_differ", sentence);
    }
    for (name, angle) in message.name.iter().zip(&message.position) {
        let Some(motor) = names.iter().position(|n| n == name) else {
            continue;
        };
        if !angle.is_finite() {
            let sentence = format!("position of {name} is {angle}; accepted: a finite number");
            return refuse("not_finite", sentence);
        }
        if !(angle.abs() <= GREATEST_ANGLE) {
            let sentence = format!(
                "position of {name} is {angle} rad; accepted: at most {GREATEST_ANGLE} either way"
            );
            return refuse("out_of_range", sentence);
        }
        if angles[motor].replace(*angle).is_some() {
            return refuse(
                "named_twice",
                format!("{name} is named twice; accepted: once"),
            );
        }
    }
    if positions == 0 && message.name.iter().any(|n| names.contains(n)) {
        let sentence = format!("position is empty for {count} names; accepted: one each");
        return refuse("sizes_differ", sentence);
    }
    Ok(())
}

/// A stamp of seconds and nanoseconds as a message.
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
        // The IMU leans by 0.3 rad toward +x of a level world: gravity then lies toward its own +x.
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

    #[test]
    fn motor_angles_are_picked_by_name() {
        let names = ["a".to_string(), "b".to_string()];
        let mut angles = [None; 2];
        let mut message = JointState {
            name: vec!["wheel".into(), "b".into()],
            position: vec![f64::NAN, 0.5],
            ..JointState::default()
        };
        let mut read = |m: &JointState| read_motor_angles(m, &names, &mut angles).map(|()| angles);
        assert_eq!(read(&message), Ok([None, Some(0.5)]));
        message.position[1] = f64::INFINITY;
        assert_eq!(reason(read(&message)), "not_finite");
        message.position[1] = -1.1e4;
        assert_eq!(reason(read(&message)), "out_of_range");
        message.position.pop();
        assert_eq!(reason(read(&message)), "sizes_differ");
        message.position.clear();
        assert_eq!(reason(read(&message)), "sizes_differ");
        message.name = vec!["b".into(), "b".into()];
        message.position = vec![0.0, 0.0];
        assert_eq!(reason(read(&message)), "named_twice");
    }
}

//! Camera, pan motor, base IMU and fixed frames of a joint.

use nalgebra::{Isometry3, Rotation3, Translation3, UnitQuaternion, Vector3};

use super::common::Frames;
use super::common::{MM, OFFSET, RATE, TURNS, motor_name, orientation, sign, travel};
use super::table::{Range, Table};
use super::{ConfigError, FRAME, is_frame};
use crate::control::gaze::{Camera, Gazer, PanLimits};
use crate::control::tick::Pan;

/// A frame at a fixed pose relative to another one.
#[derive(Clone, Debug, PartialEq)]
pub struct FixedFrame {
    /// Its name.
    pub name: String,
    /// Name of the parent frame.
    pub parent: String,
    /// Pose in the parent frame: maps coordinates in this frame to coordinates in the parent.
    pub pose: Isometry3<f64>,
}

/// Reads a point of three coordinates in mm and returns it in m.
fn place(table: &Table, key: &str, range: Range) -> Result<Vector3<f64>, ConfigError> {
    let numbers = table.numbers(key, 3..=3, range)?;
    // The length was checked above.
    Ok(Vector3::new(numbers[0], numbers[1], numbers[2]) * MM)
}

/// Reads the camera, if there is one.
pub(super) fn camera(top: &Table) -> Result<Option<Camera>, ConfigError> {
    let keys = ["position_mm", "axis", "nearest_mm"];
    let Some(table) = top.table("camera", &keys)? else {
        return Ok(None);
    };
    let axis = table.numbers(keys[1], 3..=3, Range::closed(-1e6, 1e6, ""))?;
    let axis = Vector3::new(axis[0], axis[1], axis[2]);
    if axis == Vector3::zeros() {
        return Err(table.refuse(keys[1], "a direction: three numbers, not all zero"));
    }
    let nearest = Range::closed(0.0, 10_000.0, "mm");
    Ok(Some(Camera {
        position: place(&table, keys[0], OFFSET)?,
        axis,
        nearest: table.number_or(keys[2], nearest, 50.0)? * MM,
    }))
}

/// Returns the gaze solver of a validated joint with that camera.
pub(super) fn gazer(
    top: &Table,
    length: f64,
    max_inclination: f64,
    camera: Camera,
    pan: Option<&Pan>,
) -> Result<Gazer, ConfigError> {
    let limits = pan.map(|pan| PanLimits {
        low: pan.low,
        high: pan.high,
    });
    // Every part has been checked on its own.
    Gazer::new(length, max_inclination, camera, limits)
        .map_err(|e| top.refuse_as("camera", "a camera", e.to_string()))
}

/// Reads the pan motor and its name, which must not be among `names`, if there is one.
pub(super) fn pan(top: &Table, names: &[String]) -> Result<Option<(String, Pan)>, ConfigError> {
    let keys = [
        "motor",
        "travel_deg",
        "travel_rad",
        "speed_rad_s",
        "acceleration_rad_s2",
        "time_constant_s",
        "gear_ratio",
        "sign",
    ];
    let Some(own) = top.table("pan", &keys)? else {
        return Ok(None);
    };
    let mut names = names.to_vec();
    motor_name(&own, &mut names)?;
    let [low, high] = travel(&own)?;
    let gear = own.number_or(keys[6], Range::above(0.0, 1e4, ""), 1.0)?;
    let pan = Pan {
        ratio: gear * sign(&own, TURNS)?,
        low,
        high,
        speed: own.number(keys[3], Range::above(0.0, 1e3, "rad/s"))?,
        acceleration: own.number(keys[4], Range::above(0.0, 1e5, "rad/s^2"))?,
        time_constant: own.number(keys[5], Range::closed(0.0, 1.0, "s"))?,
    };
    Ok(names.pop().map(|name| (name, pan)))
}

/// Reads the mounting of the base IMU, if there is one: rotates a vector from its frame to the base
/// frame.
pub(super) fn base_imu(top: &Table) -> Result<Option<Rotation3<f64>>, ConfigError> {
    let Some(table) = top.table("base_imu", &["rate_hz", "mounting_deg"])? else {
        return Ok(None);
    };
    table.number("rate_hz", RATE)?;
    Ok(Some(orientation(&table, "mounting_deg")?))
}

/// Reads the list of fixed frames.
pub(super) fn fixed_frames(top: &Table, own: &Frames) -> Result<Vec<FixedFrame>, ConfigError> {
    let keys = ["name", "parent", "position_mm", "orientation_deg"];
    let Some(list) = top.get("fixed_frames") else {
        return Ok(Vec::new());
    };
    let accepted = "a list of tables with name, parent, position_mm and orientation_deg";
    let mut frames: Vec<FixedFrame> = Vec::new();
    for item in list.items(0..=usize::MAX, accepted)? {
        let table = item.table(&keys)?;
        let name = table.text(keys[0], FRAME, is_frame)?;
        let taken = |n: &str| n == own.head || frames.iter().any(|f| f.name == n);
        if taken(name) {
            let accepted = "a name that no other frame of this file has; frames.head moves";
            return Err(table.refuse(keys[0], accepted));
        }
        let accepted = format!("{FRAME}, and not its own name");
        let parent = table.text(keys[1], &accepted, |n| is_frame(n) && n != name)?;
        let far = Range::closed(-1e6, 1e6, "mm");
        let turned = UnitQuaternion::from_rotation_matrix(&orientation(&table, keys[3])?);
        let pose = Isometry3::from_parts(Translation3::from(place(&table, keys[2], far)?), turned);
        frames.push(FixedFrame {
            name: name.to_string(),
            parent: parent.to_string(),
            pose,
        });
    }
    loops(top, &frames, own)?;
    Ok(frames)
}

/// Refuses frames that are their own ancestors, directly, through others or through the head, which
/// moves in the base frame.
fn loops(top: &Table, frames: &[FixedFrame], own: &Frames) -> Result<(), ConfigError> {
    let above = |name: &str| match frames.iter().find(|f| f.name == name) {
        Some(frame) => Some(frame.parent.as_str()),
        None => (name == own.head).then_some(own.base.as_str()),
    };
    for (i, frame) in frames.iter().enumerate() {
        let mut at = frame.parent.as_str();
        for _ in 0..=frames.len() {
            match above(at) {
                None => break,
                Some(parent) if parent == frame.name => {
                    let (path, shown) = (format!("fixed_frames[{i}].parent"), &frame.parent);
                    let accepted = "a parent that is not below this frame";
                    return Err(top.refuse_as(&path, format!("{shown:?}"), accepted));
                }
                Some(parent) => at = parent,
            }
        }
    }
    Ok(())
}

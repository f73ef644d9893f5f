//! Keys and ranges that several kinds of file have in common.

use nalgebra::Rotation3;

use super::table::{Overlaid, Range, Table};
use super::{
    ConfigError, FRAME, NAME, NAMESPACE, NODE_NAME, is_frame, is_name, is_namespace, is_node_name,
};
use crate::control::kinematics::MAX_TENDONS;

pub(super) const MM: f64 = 1e-3;
/// Of drums, anchors and guides, and of beams. No joint has smaller ones, but values in metres are.
pub(super) const RADIUS: Range = Range::closed(0.5, 1000.0, "mm");
pub(super) const LENGTH: Range = Range::closed(2.0, 10_000.0, "mm");
pub(super) const OFFSET: Range = Range::closed(-1000.0, 1000.0, "mm");
pub(super) const ANGLE: Range = Range::closed(-360.0, 360.0, "deg");
pub(super) const RATE: Range = Range::closed(10.0, 1000.0, "Hz");

/// Names of the coordinate frames.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frames {
    /// Frame of the base plate, in which commands and head poses are given.
    pub base: String,
    /// Frame of the head plate.
    pub head: String,
}

/// Reads the name and namespace of the node.
pub(super) fn node_name(top: &Table, default: &str) -> Result<(String, String), ConfigError> {
    let name = match top.get("name") {
        None => default,
        Some(_) => top.text("name", NODE_NAME, is_node_name)?,
    };
    let namespace = top.text_or("namespace", NAMESPACE, is_namespace, "/")?;
    Ok((name.to_string(), namespace.to_string()))
}

pub(super) fn frames(top: &Table) -> Result<Frames, ConfigError> {
    let table = top.need_table("frames", &["base", "head"])?;
    let base = table.text("base", FRAME, is_frame)?.to_string();
    let accepted = format!("{FRAME}, and not the base frame's");
    let head = table.text("head", &accepted, |n| is_frame(n) && n != base)?;
    Ok(Frames {
        head: head.to_string(),
        base,
    })
}

/// Reads roll, pitch and yaw, deg: rotations about the fixed axes x, y, z in this order (REP-103).
pub(super) fn orientation(parent: &Table, key: &str) -> Result<Rotation3<f64>, ConfigError> {
    let Some(table) = parent.table(key, &["roll", "pitch", "yaw"])? else {
        return Ok(Rotation3::identity());
    };
    let angle = |key| Ok(table.number(key, ANGLE)?.to_radians());
    Ok(Rotation3::from_euler_angles(
        angle("roll")?,
        angle("pitch")?,
        angle("yaw")?,
    ))
}

/// Meaning of the key `sign` for a tendon's motor and for a pan motor.
pub(super) const REELS: &str = "1 where positive motor angles reel in, -1 where they pay out";
pub(super) const TURNS: &str =
    "1 where positive motor angles turn from +x toward +y, -1 where they turn the other way";

/// Reads the key `sign`: +1, the default, or -1.
pub(super) fn sign(table: &Table, accepted: &str) -> Result<f64, ConfigError> {
    let Some(field) = table.get("sign") else {
        return Ok(1.0);
    };
    let sign = field.any_number().filter(|sign| sign.abs() == 1.0);
    sign.ok_or_else(|| field.refuse(accepted))
}

/// Reads the name of a tendon's motor, which must be unique, and appends it to `names`.
pub(super) fn motor_name(tendon: &Table, names: &mut Vec<String>) -> Result<(), ConfigError> {
    let name = tendon.text("motor", NAME, is_name)?;
    if let Some(first) = names.iter().position(|n| n == name) {
        return Err(tendon.refuse(
            "motor",
            format!("a name that no other motor has (tendons[{first}].motor has it)"),
        ));
    }
    names.push(name.to_string());
    Ok(())
}

pub(super) const TRAVEL: [&str; 2] = ["travel_deg", "travel_rad"];

/// Reads the minimum and maximum angle, rad, which are on both sides of zero.
pub(super) fn travel(table: &Table) -> Result<[f64; 2], ConfigError> {
    let [deg, rad] = TRAVEL;
    let [low, high] = match (table.get(deg), table.get(rad)) {
        (Some(value), Some(_)) => {
            return Err(value.refuse("either travel_deg or travel_rad, not both"));
        }
        (None, Some(_)) => table.pair(rad, Range::closed(-1e4, 1e4, "rad"))?,
        (_, None) => table
            .pair(deg, Range::closed(-1e6, 1e6, "deg"))?
            .map(f64::to_radians),
    };
    if !(low < 0.0 && high > 0.0) {
        let key = if table.get(rad).is_some() { rad } else { deg };
        return Err(table.refuse(key, "[low, high] with low below 0 and high above 0"));
    }
    Ok([low, high])
}

/// Reads the list of tendons: the names of their motors, and what `read` makes of each. Keys that a
/// tendon lacks are taken from `all_tendons`. The first of `keys` is the motor's, which cannot be.
pub(super) fn tendons<T>(
    top: &Table,
    keys: &[&str],
    read: impl Fn(&Overlaid) -> Result<T, ConfigError>,
) -> Result<(Vec<String>, Vec<T>), ConfigError> {
    let accepted = format!("a list of 3 to {MAX_TENDONS} tendons");
    let list = top.need("tendons", &accepted)?;
    let list = list.items(3..=MAX_TENDONS, &accepted)?;
    let all = top.table("all_tendons", &keys[1..])?;
    let (mut names, mut made) = (Vec::new(), Vec::new());
    for item in &list {
        let own = item.table(keys)?;
        motor_name(&own, &mut names)?;
        let all = all.clone();
        made.push(read(&Overlaid { own, all })?);
    }
    Ok((names, made))
}

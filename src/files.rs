//! Parsing and validation of joint files, gain-set files and simulated-joint files.
//!
//! Everything is read and checked here once; later code does not check again. Files use degrees,
//! millimetres and grams with the unit in the key; values that leave this module are in SI units
//! and radians. A refusal is one sentence. It names the file, line and column, the full path of the
//! key (`tendons[2].drum_radius_mm`, counted from 0), the value and the accepted values.

mod commands;
mod common;
mod error;
mod gains;
mod joint;
mod kind;
mod look;
mod models;
mod purpose;
mod reach;
mod records;
mod refused;
mod self_support;
mod simulated;
pub mod supervision;
mod table;
mod yaml;

pub use commands::{ACTION, Commands, RELEASE_AFTER};
pub use common::Frames;
pub use error::{ConfigError, Place, Position};
pub use gains::{NamedGainSet, save_gain_set};
pub use joint::{JointFile, SetpointMessage, TickSource};
pub use kind::Kind;
pub use look::FixedFrame;
pub use models::{JointModel, ModelsFile};
pub use purpose::{Purpose, Specification};
pub(crate) use reach::{angles_around, reach_deg};
pub use records::{Mapping, MotorColumn, StepTestRecord};
pub use simulated::SimulatedFile;

/// Returns true if `name` can name a motor, a gain set or a joint's parameter group: 1 to 64
/// letters, digits, `_`, `-` or `/`. Dots are excluded because they separate parts of parameter
/// names.
fn is_name(name: &str) -> bool {
    let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '-' | '/');
    (1..=64).contains(&name.len()) && name.chars().all(good)
}

const NAME: &str = "1 to 64 letters, digits, _, - or /";

/// Returns true if `name` can name a node (ROS 2 naming: letters, digits and single underscores,
/// not starting with a digit).
fn is_node_name(name: &str) -> bool {
    let good = |c: char| c.is_ascii_alphanumeric() || c == '_';
    (1..=64).contains(&name.len())
        && name.chars().all(good)
        && !name.starts_with(|c: char| c.is_ascii_digit())
        && !name.contains("__")
}

const NODE_NAME: &str = "1 to 64 letters, digits and single underscores, not starting with a digit";

/// Returns true if `name` is a ROS namespace: `/`, or node names that each follow a `/`.
fn is_namespace(name: &str) -> bool {
    name == "/"
        || (name.len() <= 128
            && name
                .strip_prefix('/')
                .is_some_and(|rest| rest.split('/').all(is_node_name)))
}

const NAMESPACE: &str = "/ or names of letters, digits and single underscores, each after a /";

/// Returns true if `name` can name a coordinate frame.
fn is_frame(name: &str) -> bool {
    let good = |c: char| c.is_ascii_graphic();
    (1..=64).contains(&name.len()) && name.chars().all(good) && !name.starts_with('/')
}

const FRAME: &str = "1 to 64 printable characters without blanks, not starting with /";

//! Keys of a joint file that decide whether the beam alone supports the head: stiffness of the
//! beam, head and heaviest payload.

use super::ConfigError;
use super::joint::{JointFile, MM};
use super::table::{Range, Table};
use crate::self_support::{Cantilever, Load, SelfSupport};
use crate::tick::Limits;
use nalgebra::Vector3;

/// Keys under `beam` beside those of the geometry: all of them or none.
pub(super) const KEYS: [&str; 6] = [
    "bending_stiffness_n_m2",
    "mass_g",
    "head_mass_g",
    "head_height_mm",
    "heaviest_payload_g",
    "heaviest_payload_height_mm",
];

const GRAM: f64 = 1e-3;
/// Same ranges as the payload parameters.
const MASS: Range = Range::closed(0.0, 10_000.0, "g");
const HEIGHT: Range = Range::closed(0.0, 1000.0, "mm");

/// Reads the beam of `length` m with its head; `None` if the file has none of the keys.
pub(super) fn cantilever(beam: &Table, length: f64) -> Result<Option<Cantilever>, ConfigError> {
    if KEYS.iter().all(|key| beam.get(key).is_none()) {
        return Ok(None);
    }
    let [stiffness, mass, head_mass, head_height, payload, height] = KEYS;
    Ok(Some(Cantilever {
        length,
        stiffness: beam.number(stiffness, Range::above(0.0, 1e6, "N m^2"))?,
        mass: beam.number(mass, MASS)? * GRAM,
        head: Load {
            mass: beam.number(head_mass, Range::above(0.0, 10_000.0, "g"))? * GRAM,
            height: beam.number(head_height, HEIGHT)? * MM,
        },
        heaviest: Load {
            mass: beam.number(payload, MASS)? * GRAM,
            height: beam.number(height, HEIGHT)? * MM,
        },
    }))
}

impl JointFile {
    /// Returns whether the beam alone supports the head with `payload` without leaning further than
    /// `limits` allow. An unknown payload counts as the heaviest one of the file. A payload with a
    /// known mass and height 0 gets the height of the heaviest one. `gravity_base` is gravity's
    /// direction in the base frame; with a base IMU, the base may tilt by up to 20 deg from there.
    /// For [`crate::tick::Law::with_self_support`]. Takes some milliseconds.
    pub fn self_support(
        &self,
        payload: Option<Load>,
        gravity_base: Vector3<f64>,
        limits: &Limits,
    ) -> SelfSupport {
        let Some(cantilever) = &self.cantilever else {
            return SelfSupport::NotKnown;
        };
        let payload = payload.map(|told| match told.height {
            0.0 => Load {
                height: cantilever.heaviest.height,
                ..told
            },
            _ => told,
        });
        let tilt = (-gravity_base).angle(&Vector3::z());
        let moves = self.joint.base_from_imu.is_some();
        cantilever.carries(payload, tilt, moves, limits.inclination)
    }

    /// Returns the same for gravity and limits of the file; `payload` is `None` if unknown.
    pub fn self_support_of_file(&self, payload: Option<Load>) -> SelfSupport {
        self.self_support(payload, self.joint.gravity_base, &self.limits)
    }
}

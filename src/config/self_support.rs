//! What of a joint file says whether the beam alone carries the head: stiffness of the beam, head and heaviest payload.

use super::ConfigError;
use super::joint::{JointFile, MM};
use super::table::{Range, Table};
use crate::self_support::{Cantilever, Load, SelfSupport};
use crate::tick::Limits;
use nalgebra::Vector3;

/// Keys under `beam`, beside those of the geometry: all of them or none.
pub(super) const KEYS: [&str; 6] = [
    "bending_stiffness_n_m2",
    "mass_g",
    "head_mass_g",
    "head_height_mm",
    "heaviest_payload_g",
    "heaviest_payload_height_mm",
];

const GRAM: f64 = 1e-3;
/// As payloads are told by parameters.
const MASS: Range = Range::closed(0.0, 10_000.0, "g");
const HEIGHT: Range = Range::closed(0.0, 1000.0, "mm");

/// The beam of `length` m with its head; none where the file says nothing of it.
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
    /// Whether the beam alone carries the head with `payload`, where that is not told with the heaviest that the file
    /// names, and leans no more than `limits` let it. A payload of which only the mass is told, its height 0, counts
    /// as high as the heaviest. `gravity_base`: gravity's direction in the base frame; where a base IMU measures it,
    /// the base may be tilted by up to 20 deg from there. For [`crate::tick::Law::with_self_support`]. Some milliseconds of
    /// work.
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

    /// The same as the file has it, `payload` told or not.
    pub fn self_support_of_file(&self, payload: Option<Load>) -> SelfSupport {
        self.self_support(payload, self.joint.gravity_base, &self.limits)
    }
}

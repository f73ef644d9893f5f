//! Keys of a joint file that decide whether the beam alone supports the head: stiffness of the
//! beam, head and heaviest payload.

use super::common::MM;
use super::table::Table;
use super::{ConfigError, Range};
use crate::control::self_support::{Cantilever, Load};

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

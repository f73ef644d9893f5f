//! Purpose of a gain set: payloads, models, specification. All of it is optional.

use serde_yaml::{Mapping, Value};

use super::gains::{MODEL_KEYS, model_of};
use super::models::plant_value;
use super::table::{Field, Table};
use super::{ConfigError, Range};
use crate::control::controller::reference_model::Model;
use crate::design::model::Plant;

const MOMENT: Range = Range::closed(0.0, 100.0, "kg m");

/// Purpose of a gain set.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Purpose {
    /// Minimum and maximum moment of the payloads that the set covers, kg m: mass times height of
    /// the payload's centre above the beam's end.
    pub payload_moment: Option<[f64; 2]>,
    /// Specification of the loop.
    pub specification: Option<Specification>,
    /// Models of the joint that the set was made for.
    pub models: Vec<Model>,
}

/// Specification of a loop.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Specification {
    /// Phase margin, rad.
    pub phase_margin: Option<f64>,
    /// Gain crossover, rad/s.
    pub crossover: Option<f64>,
    /// Maximum sensitivity peak.
    pub sensitivity_peak: Option<f64>,
}

const SPECIFICATION_KEYS: &[&str] = &["phase_margin_deg", "crossover_rad_s", "sensitivity_peak"];

impl Purpose {
    /// Reads the keys `payload_moment_kg_m`, `specification` and `made_for`.
    pub(super) fn read(top: &Table) -> Result<Self, ConfigError> {
        let payload_moment = match top.get("payload_moment_kg_m") {
            None => None,
            Some(field) => {
                let [low, high] = top.pair("payload_moment_kg_m", MOMENT)?;
                if low > high {
                    return Err(field.refuse("[min, max], min not above max"));
                }
                Some([low, high])
            }
        };
        let models = match top.get("made_for") {
            None => Vec::new(),
            Some(list) => list.items(0..=usize::MAX, "a list of models")?,
        };
        let model = |field: &Field| model_of(&field.table(MODEL_KEYS)?);
        let models = models.iter().map(model).collect::<Result<_, _>>()?;
        Ok(Self {
            payload_moment,
            specification: specification(top)?,
            models,
        })
    }

    /// Writes the keys that are set into a gain set's table.
    pub(super) fn write(&self, top: &mut Mapping) {
        if let Some(range) = self.payload_moment {
            let range = range.map(Value::from).to_vec();
            top.insert("payload_moment_kg_m".into(), range.into());
        }
        if let Some(specification) = &self.specification {
            let margin = specification.phase_margin.map(f64::to_degrees);
            // Rounded, so that a value in degrees is shown as it was typed.
            let margin = margin.map(|m| (m * 1e9).round() / 1e9);
            let numbers = [
                margin,
                specification.crossover,
                specification.sensitivity_peak,
            ];
            let entries = SPECIFICATION_KEYS.iter().zip(numbers);
            let entries = entries.filter_map(|(key, n)| Some(((*key).into(), n?.into())));
            let entries: Mapping = entries.collect();
            top.insert("specification".into(), entries.into());
        }
        if !self.models.is_empty() {
            let models = self.models.iter().map(|m| plant_value(&Plant::from(*m)));
            top.insert("made_for".into(), models.collect::<Vec<_>>().into());
        }
    }

    /// Returns whether the set covers a payload of `moment`, kg m; `None` if the set gives no
    /// range.
    pub fn holds(&self, moment: f64) -> Option<bool> {
        // 1 % of tolerance, so that a payload weighed at the end of the range is covered.
        let [low, high] = self.payload_moment?;
        Some((0.99 * low..=1.01 * high).contains(&moment))
    }
}

fn specification(top: &Table) -> Result<Option<Specification>, ConfigError> {
    let Some(table) = top.table("specification", SPECIFICATION_KEYS)? else {
        return Ok(None);
    };
    let number = |key: &str, range: Range| table.get(key).map(|f| f.number(range)).transpose();
    Ok(Some(Specification {
        phase_margin: number(SPECIFICATION_KEYS[0], Range::open(0.0, 180.0, "deg"))?
            .map(f64::to_radians),
        crossover: number(SPECIFICATION_KEYS[1], Range::above(0.0, 1000.0, "rad/s"))?,
        sensitivity_peak: number(SPECIFICATION_KEYS[2], Range::above(1.0, 100.0, ""))?,
    }))
}

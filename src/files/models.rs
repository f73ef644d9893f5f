//! Files with the models of one joint over payloads and directions, on which gain sets are
//! examined.
//!
//! ```yaml
//! models:
//!   - name: lens-17                 # for people
//!     payload_mass_g: 90            # both or none; none: unknown
//!     payload_height_mm: 35         # of its centre above the beam's end
//!     direction_deg: 17             # of the step, from +x toward +y
//!     model: {gain: 0.95, natural_frequency_rad_s: 39.1, damping_ratio: 0.44, dead_time_s: 0.014}
//!     standard_errors: {gain: 0.001, natural_frequency_rad_s: 0.2, damping_ratio: 0.004}
//!     cross_axis_gain: 0.002        # with the same dynamics; default 0
//!     normalised_rms_error: 0.01    # of the fit
//!     samples: 1200
//! ```
//!
//! A first-order model has `gain`, `time_constant_s`, `dead_time_s`; an integrating one
//! `gain_per_s`, `time_constant_s`, `dead_time_s`. Standard errors are optional, key by key.

use std::path::{Path, PathBuf};

use serde_yaml::{Mapping, Value};

use super::gains::write_kept;
use super::table::{Document, Field, Table, read_from_yaml};
use super::{ConfigError, Range};
use crate::design::fit::{Family, Member, Payload};
use crate::design::model::{Dynamics, Plant, SecondOrder};

/// One model of a joint with the conditions it was recorded under.
#[derive(Clone, Debug, PartialEq)]
pub struct JointModel {
    /// Name for people.
    pub name: String,
    /// Payload on the head plate, if known.
    pub payload: Option<Payload>,
    /// Direction of the step, from +x toward +y, rad.
    pub direction: f64,
    /// In-plane model.
    pub plant: Plant,
    /// Standard errors of the parameters for which they are known, by the model's keys.
    pub standard_errors: Vec<(String, f64)>,
    /// Cross-axis gain.
    pub cross_axis_gain: f64,
    /// RMS of the residuals divided by the standard deviation of the response.
    pub nrmse: f64,
    /// Number of samples fitted.
    pub samples: u64,
}

/// The models of a joint.
#[derive(Clone, Debug, PartialEq)]
pub struct ModelsFile {
    /// Path of the file that the models are read from or written to.
    pub file: PathBuf,
    /// The models, at least one.
    pub models: Vec<JointModel>,
    /// One line for people, written above the models; it is not read back.
    pub comment: Option<String>,
}

/// Keys of the file; the others are of one model.
pub(super) const TOP: &[&str] = &["models"];
const KEYS: &[&str] = &[
    "name",
    "payload_mass_g",
    "payload_height_mm",
    "direction_deg",
    "model",
    "standard_errors",
    "cross_axis_gain",
    "normalised_rms_error",
    "samples",
];
const MODEL_KEYS: &[&str] = &[
    "gain",
    "gain_per_s",
    "time_constant_s",
    "natural_frequency_rad_s",
    "damping_ratio",
    "dead_time_s",
];
/// Maximum number of models in a file.
const MOST: usize = 1000;

impl From<&Member> for JointModel {
    fn from(member: &Member) -> Self {
        let fit = &member.fitted.fit;
        let errors = fit.parameters.iter().filter(|p| p.name != "offset_rad");
        let errors = errors.filter_map(|p| Some((p.name.to_string(), p.standard_error?)));
        Self {
            name: member.name.clone(),
            payload: member.payload,
            direction: member.direction,
            plant: fit.plant,
            standard_errors: errors.collect(),
            cross_axis_gain: member.fitted.across.gain,
            nrmse: fit.nrmse,
            samples: fit.samples as u64,
        }
    }
}

read_from_yaml! { ModelsFile, Models, "a models file" }

impl ModelsFile {
    /// Returns the models of a family, to be written to `file`.
    pub fn of(file: &Path, family: &Family) -> Self {
        Self {
            file: file.to_path_buf(),
            models: family.members.iter().map(JointModel::from).collect(),
            comment: family.caution(),
        }
    }

    fn checked(document: &Document) -> Result<Self, ConfigError> {
        let top = document.top()?;
        let accepted = format!("a list of 1 to {MOST} models");
        let list = top.need("models", &accepted)?;
        let list = list.items(1..=MOST, &accepted)?;
        let model = |field: &Field| joint_model(&field.table(KEYS)?);
        let models: Result<_, _> = list.iter().map(model).collect();
        Ok(Self {
            file: document.file.clone(),
            models: models?,
            comment: None,
        })
    }

    /// Returns the text of a models file.
    pub fn to_yaml(&self) -> String {
        let comment = self.comment.as_deref().unwrap_or_default();
        let comment = comment.replace(char::is_control, " ");
        let comment = match comment.as_str() {
            "" => String::new(),
            line => format!("# {line}\n"),
        };
        let models: Vec<Value> = self.models.iter().map(value_of).collect();
        let top = Mapping::from_iter([("models".into(), models.into())]);
        // Mappings of text and finite numbers always have a YAML form.
        comment + &serde_yaml::to_string(&top).unwrap_or_default()
    }

    /// Writes the file atomically. An existing file is kept beside it as `<name>.<number>.bak`.
    /// Returns the path of that backup.
    ///
    /// # Errors
    /// A model that a models file cannot hold, or the system's error if writing fails.
    pub fn save(&self) -> Result<Option<PathBuf>, ConfigError> {
        let text = self.to_yaml();
        // Text that could not be read back is not written.
        Self::from_text(&self.file, &text).map_err(ConfigError::unplaced)?;
        write_kept(&self.file, &text)
    }
}

fn joint_model(table: &Table) -> Result<JointModel, ConfigError> {
    let text = "a text of 1 to 200 characters";
    let name = table.text("name", text, |t| (1..=200).contains(&t.chars().count()))?;
    let keys = ["payload_mass_g", "payload_height_mm"];
    let payload = if keys.iter().any(|key| table.get(key).is_some()) {
        Some(Payload {
            mass: table.number(keys[0], Range::closed(0.0, 1e5, "g"))? * 1e-3,
            height: table.number(keys[1], Range::closed(-1e4, 1e4, "mm"))? * 1e-3,
        })
    } else {
        None
    };
    let direction = table.number("direction_deg", Range::closed(-360.0, 360.0, "deg"))?;
    let accepted = "a table with gain, dead_time_s, and either time_constant_s or \
                    natural_frequency_rad_s with damping_ratio, or with gain_per_s, \
                    time_constant_s, dead_time_s";
    let model = table.need("model", accepted)?.table(MODEL_KEYS)?;
    let mut standard_errors = Vec::new();
    if let Some(errors) = table.table("standard_errors", MODEL_KEYS)? {
        for key in MODEL_KEYS {
            if let Some(error) = errors.get(key) {
                let error = error.number(Range::above(0.0, 1e9, ""))?;
                standard_errors.push(((*key).to_string(), error));
            }
        }
    }
    Ok(JointModel {
        name: name.to_string(),
        payload,
        direction: direction.to_radians(),
        plant: plant(&model)?,
        standard_errors,
        cross_axis_gain: table.number_or("cross_axis_gain", Range::closed(-1e3, 1e3, ""), 0.0)?,
        nrmse: table.number_or("normalised_rms_error", Range::closed(0.0, 10.0, ""), 0.0)?,
        samples: match table.get("samples") {
            None => 0,
            Some(_) => table.whole("samples", 0, 1_000_000_000)?,
        },
    })
}

/// Reads a model of any form; the ranges are those of [`Plant::check`].
fn plant(model: &Table) -> Result<Plant, ConfigError> {
    let integrating = model.get("gain_per_s");
    let second = ["natural_frequency_rad_s", "damping_ratio"];
    let swings = second.iter().any(|key| model.get(key).is_some());
    for (key, clash) in [
        ("gain", integrating.is_some()),
        ("time_constant_s", swings),
        ("gain_per_s", swings),
    ] {
        if let (Some(field), true) = (model.get(key), clash) {
            let accepted = "one form of model: gain with time_constant_s, gain with \
                            natural_frequency_rad_s and damping_ratio, or gain_per_s with \
                            time_constant_s";
            return Err(field.refuse(accepted));
        }
    }
    let gain = Range::closed(1e-3, 1e3, "");
    let dynamics = if swings {
        Dynamics::Second(SecondOrder {
            natural_frequency: model.number(second[0], Range::closed(0.01, 1e4, "rad/s"))?,
            damping_ratio: model.number(second[1], Range::closed(1e-3, 100.0, ""))?,
        })
    } else if integrating.is_some() {
        let range = Range::closed(0.0, 100.0, "s");
        let time_constant = model.number("time_constant_s", range)?;
        Dynamics::Integrating { time_constant }
    } else {
        let range = Range::closed(1e-4, 100.0, "s");
        let time_constant = model.number("time_constant_s", range)?;
        Dynamics::First { time_constant }
    };
    let key = if integrating.is_some() {
        "gain_per_s"
    } else {
        "gain"
    };
    Ok(Plant {
        gain: model.number(key, gain)?,
        dynamics,
        dead_time: model.number("dead_time_s", Range::closed(0.0, 10.0, "s"))?,
    })
}

/// Returns the model in a file of models or gains.
pub(super) fn plant_value(plant: &Plant) -> Value {
    let entry = |(key, value): (&str, f64)| (key.into(), value.into());
    Value::Mapping(plant.parameters().into_iter().map(entry).collect())
}

fn value_of(model: &JointModel) -> Value {
    let mut entry = Mapping::new();
    let mut put = |key: &str, value: Value| entry.insert(key.into(), value);
    // Rounded, so that whole degrees, grams and millimetres are shown as they were typed.
    let round = |x: f64| Value::from((x * 1e9).round() / 1e9);
    put("name", model.name.as_str().into());
    if let Some(payload) = model.payload {
        put("payload_mass_g", round(payload.mass * 1e3));
        put("payload_height_mm", round(payload.height * 1e3));
    }
    put("direction_deg", round(model.direction.to_degrees()));
    put("model", plant_value(&model.plant));
    if !model.standard_errors.is_empty() {
        let errors = model.standard_errors.iter();
        let errors: Mapping = errors
            .map(|(key, error)| (key.as_str().into(), (*error).into()))
            .collect();
        put("standard_errors", errors.into());
    }
    put("cross_axis_gain", model.cross_axis_gain.into());
    put("normalised_rms_error", model.nrmse.into());
    put("samples", model.samples.into());
    entry.into()
}

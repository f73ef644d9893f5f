//! Examination of gain sets on the joint's models before they are accepted.

use super::{Live, Parameters, Refusal};
use crate::design::examine::{Conditions, Depth, Floor, Member, examine};
use crate::files::JointModel;
use crate::runtime::link::Program;

/// Reaction to gains that are stable but below the floor. Unstable gains are refused unless nothing
/// is examined.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Action {
    /// Nothing is examined, so that unstable gains are accepted too.
    Off,
    /// The gains are accepted with a warning.
    Warn,
    /// The gains are refused.
    Refuse,
}

impl Action {
    /// Returns the name of the action.
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Off => "off",
            Self::Warn => "warn",
            Self::Refuse => "refuse",
        }
    }

    /// Returns the action of a name; every other one is that to refuse.
    pub(super) fn named(word: &str) -> Self {
        match word {
            "off" => Self::Off,
            "warn" => Self::Warn,
            _ => Self::Refuse,
        }
    }
}

/// Settings of the examination.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Examining {
    pub(super) action: Action,
    pub(super) floor: Floor,
}

impl Default for Examining {
    /// A warning below the usual floor.
    fn default() -> Self {
        Self {
            action: Action::Warn,
            floor: Floor::default(),
        }
    }
}

/// Name of the model in the gain set itself, on which changes of single gains are examined where
/// the joint file has no models.
const OWN_MODEL: &str = "of-the-gain-set";

/// Returns true if two payload moments are equal within 1 %, or within a gram at a millimetre, kg
/// m.
fn alike(a: f64, b: f64) -> bool {
    (a - b).abs() <= 0.01 * a.abs().max(b.abs()) + 1e-6
}

/// Returns the models to examine for a payload moment, kg m: those of the same moment, else of the
/// nearest below and above, and those without a known payload. An unknown payload takes all models:
/// the worst case.
fn family(models: &[JointModel], moment: Option<f64>) -> Vec<Member> {
    let member = |model: &JointModel| Member::new(model.name.clone(), model.plant);
    let Some(moment) = moment else {
        return models.iter().map(member).collect();
    };
    let moments = || models.iter().filter_map(|m| Some(m.payload?.moment()));
    let own = moments().find(|m| alike(*m, moment));
    let below = moments().filter(|m| *m <= moment).reduce(f64::max);
    let above = moments().filter(|m| *m >= moment).reduce(f64::min);
    let ends = match own {
        Some(own) => [Some(own), None],
        None => [below, above],
    };
    let wanted = |model: &&JointModel| match model.payload {
        None => true,
        Some(payload) => {
            let mut ends = ends.iter().flatten();
            ends.any(|end| alike(*end, payload.moment()))
        }
    };
    models.iter().filter(wanted).map(member).collect()
}

impl Parameters {
    /// Returns the problem of `program` on the joint's models in one sentence; `None` if it is good
    /// or not examined. `delay` is the measured dead time, s; 0 if unknown.
    ///
    /// # Errors
    /// The sentence, if the problem is a reason to refuse the gains.
    pub(super) fn examined(
        &self,
        live: &Live,
        program: &Program,
        delay: f64,
    ) -> Result<Option<String>, Refusal> {
        let Examining { action, floor } = live.examining;
        if action == Action::Off {
            return Ok(None);
        }
        let known = (live.payload_mass >= 0.0).then_some(live.payload_mass * live.payload_height);
        let set = &self.file.gain_sets[live.set];
        let family = if !self.file.models.is_empty() {
            family(&self.file.models, known)
        } else if set.gains == live.gains {
            return Ok(None);
        } else {
            // All that is known of the joint is the model that the set was made for.
            vec![Member::new(OWN_MODEL, live.gains.model.into())]
        };
        let Program { joint, law } = program;
        // Sampling and ticks are examined exactly; the rest of the measured delay is the sensor
        // latency.
        let age = delay - 0.5 * (joint.sample_period + joint.period);
        let conditions = Conditions {
            age: age.max(0.0),
            ..Conditions::default()
        };
        let examination = examine(joint, law, &family, &conditions, Depth::Verdict)?;
        let Err(reason) = examination.acceptable(&floor) else {
            return Ok(None);
        };
        let changed = if set.gains == live.gains {
            ""
        } else {
            " with its changes"
        };
        let payload = match known {
            Some(_) => format!(
                "the payload of {} kg at {} m",
                live.payload_mass, live.payload_height
            ),
            None => "a payload that is not set, so any".into(),
        };
        let not_good = Refusal::NotGood {
            set: set.name.clone(),
            changed,
            payload,
            reason,
            floor,
        };
        if examination.stable && action == Action::Warn {
            Ok(Some(not_good.to_string()))
        } else {
            Err(not_good)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::fit::Payload;
    use crate::design::model::Plant;

    #[test]
    fn a_known_payload_is_examined_on_its_own_models_or_its_neighbours() {
        let model = |name: &str, mass: Option<f64>| JointModel {
            name: name.into(),
            payload: mass.map(|mass| Payload { mass, height: 0.05 }),
            direction: 0.0,
            plant: Plant::first_order(1.0, 0.05, 0.01),
            standard_errors: Vec::new(),
            cross_axis_gain: 0.0,
            nrmse: 0.0,
            samples: 100,
        };
        let models = [
            model("bare", Some(0.0)),
            model("lens", Some(0.1)),
            model("lens-2", Some(0.1)),
            model("lamp", Some(0.4)),
            model("any", None),
        ];
        let names = |moment: Option<f64>| {
            let family = family(&models, moment);
            family.into_iter().map(|m| m.name).collect::<Vec<_>>()
        };
        assert_eq!(names(None).len(), 5);
        assert_eq!(names(Some(0.005)), ["lens", "lens-2", "any"]);
        assert_eq!(names(Some(0.01)), ["lens", "lens-2", "lamp", "any"]);
        assert_eq!(names(Some(0.0)), ["bare", "any"]);
        // Beyond all models: the nearest.
        assert_eq!(names(Some(0.03)), ["lamp", "any"]);
    }
}

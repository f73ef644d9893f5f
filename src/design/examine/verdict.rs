//! Acceptance of a gain set, with the reasons against it.

use super::{Examination, OnModel, Slack, Worst};
use crate::control::geometry::direction;
use crate::control::tick::Law;
use std::f64::consts::PI;

/// Minimum requirements of a loop, all tendons taut.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Floor {
    /// Minimum phase margin, rad.
    pub margin: f64,
    /// Maximum sensitivity peak.
    pub sensitivity: f64,
}

impl Default for Floor {
    /// Returns 30 deg (common practice, no source) and 4. The usual limit of 2 is for loops that
    /// cross over once and at a low frequency. The damping loop comes near crossover again at the
    /// motors' bandwidth, where a second-order model is inaccurate. Sets that are stable on the
    /// joint peak at 2 to 3.3 there.
    fn default() -> Self {
        Self {
            margin: PI / 6.0,
            sensitivity: 4.0,
        }
    }
}

impl Examination {
    pub(super) fn of(models: Vec<OnModel>, law: &Law) -> Self {
        let least_margin = index(&models, |m| -m.discrete.figures.margin());
        let greatest_sensitivity = index(&models, |m| {
            let figures = &m.discrete.figures;
            if figures.stable() {
                figures.sensitivity.value
            } else {
                f64::INFINITY
            }
        });
        let mut reasons: Vec<String> = models.iter().flat_map(unstable).collect();
        reasons.extend(models.iter().flat_map(|m| demanding(m, law)));
        Self {
            stable: models.iter().all(OnModel::stable),
            least_margin,
            greatest_sensitivity,
            reasons,
            models,
        }
    }

    /// Returns the model with the minimum phase margin.
    pub fn least(&self) -> &OnModel {
        &self.models[self.least_margin]
    }

    /// Returns the model with the highest sensitivity peak.
    pub fn peak(&self) -> &OnModel {
        &self.models[self.greatest_sensitivity]
    }

    /// Checks that the set is stable on every model, each tendon slack included, and meets the
    /// floor with all tendons taut.
    ///
    /// # Errors
    /// Returns the reason as one sentence with numbers.
    pub fn acceptable(&self, floor: &Floor) -> Result<(), String> {
        if let Some(reason) = self
            .models
            .iter()
            .find_map(|m| unstable(m).into_iter().next())
        {
            return Err(reason);
        }
        let least = self.least();
        let margin = least.discrete.figures.margin();
        if !(margin >= floor.margin) {
            return Err(format!(
                "on model {} the phase margin is {:.1} deg{}, less than {:.1} deg",
                least.member.name,
                margin.to_degrees(),
                at(least.discrete.figures.phase_margin.map(|c| c.frequency)),
                floor.margin.to_degrees()
            ));
        }
        let peak = self.peak();
        let sensitivity = peak.discrete.figures.sensitivity;
        if !(sensitivity.value <= floor.sensitivity) {
            return Err(format!(
                "on model {} the sensitivity peaks at {:.2}{}, more than {:.2}",
                peak.member.name,
                sensitivity.value,
                at(Some(sensitivity.frequency)),
                floor.sensitivity
            ));
        }
        Ok(())
    }
}

fn index(models: &[OnModel], badness: impl Fn(&OnModel) -> f64) -> usize {
    let mut worst = 0;
    for i in 1..models.len() {
        if badness(&models[i]) > badness(&models[worst]) {
            worst = i;
        }
    }
    worst
}

fn at(frequency: Option<f64>) -> String {
    frequency.map_or(String::new(), |w| format!(" at {w:.1} rad/s"))
}

fn place(worst: &Worst) -> String {
    let inclination = worst.bend.norm();
    if inclination < 1e-9 {
        return "straight".to_string();
    }
    format!(
        "at an inclination of {:.0} deg towards {:.0} deg",
        inclination.to_degrees(),
        direction(worst.bend).unwrap_or(0.0).to_degrees()
    )
}

/// Returns the factor by which the gains are too high, or the state of the loop.
fn far(worst: &Worst) -> String {
    let figures = &worst.figures;
    let frequency = figures.phase_margin.map(|c| c.frequency);
    let peak = figures.sensitivity.frequency;
    let swings = format!("it oscillates near {:.1} rad/s", frequency.unwrap_or(peak));
    match figures.least_gain {
        Some(least) => format!(
            "{swings}; its gain margin is a factor of {:.2}",
            least.value
        ),
        None => swings,
    }
}

fn unstable(model: &OnModel) -> Vec<String> {
    let name = &model.member.name;
    let mut reasons = Vec::new();
    let worst = &model.discrete;
    if !worst.figures.stable() {
        reasons.push(format!(
            "on model {name} the loop is unstable, {}: {}",
            place(worst),
            far(worst)
        ));
    }
    for (i, slack) in model.slack.iter().enumerate() {
        let tendon = i + 1;
        match slack {
            Slack::Loop(worst) if !worst.figures.stable() => reasons.push(format!(
                "on model {name} the loop is unstable with tendon {tendon} slack, {}: {}",
                place(worst),
                far(worst)
            )),
            Slack::Falls { share, .. } => reasons.push(format!(
                "on model {name} the joint falls over with tendon {tendon} slack: {:.0} % of the \
                 tendons' stiffness is lost, and a gain of {:.2} shows that it needs more",
                100.0 * share,
                model.member.plant.gain
            )),
            Slack::Loop(_) => {}
        }
    }
    reasons
}

/// Share of a motor's speed from which noise is reported, for one standard deviation.
const NOISE_SHARE: f64 = 0.3;

fn demanding(model: &OnModel, law: &Law) -> Vec<String> {
    let name = &model.member.name;
    let mut reasons = Vec::new();
    let Some(demand) = &model.demand else {
        return reasons;
    };
    if demand.travel_share > 1.0 {
        reasons.push(format!(
            "on model {name} a move to the inclination limit needs {:.2} rad of a motor, {:.0} % \
             of its travel",
            demand.angle,
            100.0 * demand.travel_share
        ));
    }
    if demand.speed_share > 1.0 {
        reasons.push(format!(
            "on model {name} a move to the inclination limit needs {:.1} rad/s of a motor, {:.0} % \
             of its speed limit",
            demand.speed,
            100.0 * demand.speed_share
        ));
    }
    let slowest = law.limits().motors.iter().map(|m| m.speed);
    let slowest = slowest.fold(f64::INFINITY, f64::min);
    let noise = match law.kind() {
        crate::control::controller::CommandInterface::Position => demand.noise_speed,
        crate::control::controller::CommandInterface::Velocity => demand.noise,
    };
    if noise > NOISE_SHARE * slowest {
        reasons.push(format!(
            "on model {name} the sensors' noise moves a setpoint by {noise:.1} rad/s rms, {:.0} % \
             of the speed limit",
            100.0 * noise / slowest
        ));
    }
    reasons
}

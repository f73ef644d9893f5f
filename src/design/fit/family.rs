//! The models of one joint over its payloads and directions, with the spread that a controller must
//! tolerate.

use super::{Fit, Fitted, WHITE_FROM, chi_squared_beyond};
use crate::design::model::Dynamics;

/// Payload on the head plate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Payload {
    /// Mass, kg.
    pub mass: f64,
    /// Height of its centre of mass above the beam's end, m.
    pub height: f64,
}

impl Payload {
    /// Returns mass times height, kg m, which bends the beam with gravity.
    pub fn moment(&self) -> f64 {
        self.mass * self.height
    }
}

/// One record's fit with its test conditions.
#[derive(Clone, Debug, PartialEq)]
pub struct Member {
    /// Origin of the record, for display.
    pub name: String,
    /// Payload on the head plate, if known.
    pub payload: Option<Payload>,
    /// Direction of the step, from +x toward +y, rad.
    pub direction: f64,
    /// Result of the fit.
    pub fitted: Fitted,
}

/// Spread of one figure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extent {
    /// Minimum.
    pub least: f64,
    /// Maximum.
    pub greatest: f64,
    /// Mean, weighted by the inverse square of the standard errors where all are known.
    pub mean: f64,
    /// Probability of at least this spread if all differences were errors of the fits. By Cochran's
    /// test, `sum (x - mean)^2 / e^2` is chi-squared with one degree less than values (Cochran
    /// 1954, "The combination of estimates from different experiments"; from memory). None with
    /// fewer than two known errors.
    pub p_value: Option<f64>,
}

impl Extent {
    /// Returns the spread of values with their standard errors; none for no values.
    pub fn of(values: &[(f64, Option<f64>)]) -> Option<Self> {
        let first = values.first()?.0;
        let (mut least, mut greatest) = (first, first);
        for (value, _) in values {
            least = least.min(*value);
            greatest = greatest.max(*value);
        }
        let known: Option<Vec<(f64, f64)>> = values
            .iter()
            .map(|(value, error)| error.filter(|e| *e > 0.0).map(|e| (*value, e.powi(-2))))
            .collect();
        let plain = values.iter().map(|v| v.0).sum::<f64>() / values.len() as f64;
        let (mean, p_value) = match known {
            Some(known) if known.len() > 1 => {
                let weight: f64 = known.iter().map(|k| k.1).sum();
                let mean = known.iter().map(|k| k.0 * k.1).sum::<f64>() / weight;
                let q: f64 = known.iter().map(|k| (k.0 - mean).powi(2) * k.1).sum();
                (mean, Some(chi_squared_beyond(q, known.len() - 1)))
            }
            _ => (plain, None),
        };
        Some(Self {
            least,
            greatest,
            mean,
            p_value,
        })
    }

    /// Returns true if the differences are within the errors of the fits; none where errors are
    /// unknown.
    pub fn within_errors(&self) -> Option<bool> {
        self.p_value.map(|p| p >= WHITE_FROM)
    }
}

/// Spread of the models of some records.
#[derive(Clone, Debug, PartialEq)]
pub struct Spread {
    /// Gain (of integrating models 1/s).
    pub gain: Extent,
    /// Lag without dead time, s: the time constant, or `2 z / w`.
    pub lag: Extent,
    /// Dead time, s.
    pub dead_time: Extent,
    /// Natural frequency of the second-order models, rad/s.
    pub natural_frequency: Option<Extent>,
    /// Their damping ratio.
    pub damping_ratio: Option<Extent>,
    /// Maximum magnitude of the cross-axis gain.
    pub cross_axis_gain: f64,
    /// Maximum cross-axis deviation, as a share of the step.
    pub cross_axis_share: f64,
}

/// A value and its standard error, where known.
type Estimated = (f64, Option<f64>);

impl Spread {
    /// Returns the spread of those members; none for no members.
    pub fn of(members: &[&Member]) -> Option<Self> {
        let extent = |value: &dyn Fn(&Fit) -> Option<Estimated>| {
            let values = members.iter().filter_map(|m| value(&m.fitted.fit));
            Extent::of(&values.collect::<Vec<_>>())
        };
        let named = |name: &'static str| {
            extent(&move |fit: &Fit| {
                let parameter = fit.parameter(name)?;
                Some((parameter.value, parameter.standard_error))
            })
        };
        let across = members.iter().map(|m| &m.fitted.across);
        let greatest = |values: &mut dyn Iterator<Item = f64>| values.fold(0.0, f64::max);
        Some(Self {
            gain: extent(&|fit| Some((fit.plant.gain, fit.parameters[0].standard_error)))?,
            lag: extent(&|fit| Some((fit.plant.dynamics.lag(), lag_error(fit))))?,
            dead_time: named("dead_time_s")?,
            natural_frequency: named("natural_frequency_rad_s"),
            damping_ratio: named("damping_ratio"),
            cross_axis_gain: greatest(&mut across.clone().map(|a| a.gain.abs())),
            cross_axis_share: greatest(&mut across.map(|a| a.share)),
        })
    }
}

/// Returns the standard error of the lag, s; that of `2 z / w` to first order in the errors of
/// both.
fn lag_error(fit: &Fit) -> Option<f64> {
    let Dynamics::Second(second) = fit.plant.dynamics else {
        return fit.parameter("time_constant_s")?.standard_error;
    };
    let (w, z) = second.parts();
    let (e_w, e_z) = (
        fit.parameters[2].standard_error? / w,
        fit.parameters[3].standard_error? / z,
    );
    let both = fit.covariance[(2, 3)] / (w * z);
    let square = e_w * e_w + e_z * e_z - 2.0 * both;
    Some(2.0 * z / w * square.max(0.0).sqrt())
}

/// The members of one payload.
#[derive(Clone, Debug, PartialEq)]
pub struct Group<'a> {
    /// Payload, if known.
    pub payload: Option<Payload>,
    /// Its members, in the family's order.
    pub members: Vec<&'a Member>,
    /// Spread over the directions.
    pub spread: Spread,
}

/// Fits of one joint.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Family {
    /// Members in the order of payload (by moment, then mass; unknown ones last), then direction.
    pub members: Vec<Member>,
}

impl Family {
    /// Makes a family and sorts its members.
    pub fn new(mut members: Vec<Member>) -> Self {
        let key = |m: &Member| {
            let payload = m.payload.map(|p| (p.moment(), p.mass));
            let (moment, mass) = payload.unwrap_or((f64::INFINITY, f64::INFINITY));
            (moment, mass, m.direction)
        };
        members.sort_by(|a, b| {
            let (a, b) = (key(a), key(b));
            a.0.total_cmp(&b.0)
                .then(a.1.total_cmp(&b.1))
                .then(a.2.total_cmp(&b.2))
        });
        Self { members }
    }

    /// Returns the members grouped by payload.
    pub fn groups(&self) -> Vec<Group<'_>> {
        let mut groups: Vec<Vec<&Member>> = Vec::new();
        for member in &self.members {
            match groups.iter_mut().find(|g| g[0].payload == member.payload) {
                Some(group) => group.push(member),
                None => groups.push(vec![member]),
            }
        }
        groups
            .into_iter()
            .filter_map(|members| {
                Some(Group {
                    payload: members[0].payload,
                    spread: Spread::of(&members)?,
                    members,
                })
            })
            .collect()
    }

    /// Returns a caution in one sentence that names the second-order models whose residuals are not
    /// white: their standard errors are too small. None without such models.
    pub fn caution(&self) -> Option<String> {
        let hides = |m: &&Member| {
            let fit = &m.fitted.fit;
            matches!(fit.plant.dynamics, Dynamics::Second(_)) && !fit.whiteness.white()
        };
        let names: Vec<&str> = self
            .members
            .iter()
            .filter(hides)
            .map(|m| m.name.as_str())
            .collect();
        if names.is_empty() {
            return None;
        }
        let whose = if names.len() == self.members.len() {
            "all models".into()
        } else {
            names.join(", ")
        };
        Some(format!(
            "{whose}: the residuals of a second-order model are not white, so its standard errors \
             are too small, and natural frequency and damping may be off by more than these errors"
        ))
    }

    /// Returns the spread of all members; none without members.
    pub fn spread(&self) -> Option<Spread> {
        Spread::of(&self.members.iter().collect::<Vec<_>>())
    }
}

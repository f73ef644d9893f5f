//! Limits against where the joint is: a stricter limit that excludes it would move it at once.

use super::{Candidate, Parameters, Refusal};
use crate::control::geometry::{Bend, inclination};

/// Rounding that a limit set to where the joint is may lose, rad.
const ROUNDING: f64 = 1e-6;

/// Where a driven joint is, rad.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Place {
    /// Bend of the reference.
    pub reference: Bend,
    /// Measured bend.
    pub measured: Bend,
    /// Bend by the motors' encoders.
    pub motors: Bend,
}

impl Parameters {
    /// Checks that no limit that `candidate` makes stricter excludes where the joint is.
    ///
    /// # Errors
    /// The first limit that does.
    pub fn holds(&self, candidate: &Candidate, place: &Place) -> Result<(), Refusal> {
        let (old, new) = (&self.live.limits, &candidate.live.limits);
        let excludes = |name: String, limit: f64, what: &'static str, is: f64| {
            Err(Refusal::Excludes {
                name,
                limit,
                what,
                is,
            })
        };
        let beyond = |old: f64, new: f64, is: f64| new < old && !(is <= new + ROUNDING);
        let is = inclination(place.reference);
        if beyond(old.inclination, new.inclination, is) {
            let name = "limits.inclination".into();
            return excludes(name, new.inclination, "the reference", is);
        }
        let is = inclination(place.measured);
        if beyond(old.over_bend, new.over_bend, is) {
            let name = "limits.over_bend".into();
            return excludes(name, new.over_bend, "the head", is);
        }
        let kinematics = &candidate.program.joint.kinematics;
        let mut angles = vec![0.0; kinematics.count()];
        for bend in [place.reference, place.motors] {
            kinematics.motor_angles(bend, &mut angles);
            let motors = old.motors.iter().zip(&new.motors).zip(&angles).enumerate();
            for (i, ((old, new), is)) in motors {
                let name = |end: &str| format!("limits.{}.{end}", self.file.motor_names[i]);
                if beyond(old.high, new.high, *is) {
                    return excludes(name("travel_high"), new.high, "the motor", *is);
                }
                if beyond(-old.low, -new.low, -is) {
                    return excludes(name("travel_low"), new.low, "the motor", *is);
                }
            }
        }
        Ok(())
    }
}

//! How far the travel of the motors lets a joint lean.

use std::f64::consts::TAU;

use crate::control::geometry::bend_from;
use crate::control::kinematics::Kinematics;
use crate::control::tick::MotorLimits;

/// Number of directions that stand for all.
const SPOKES: u32 = 72;
/// Step in search of the reach, deg.
const STEP_DEG: f64 = 0.5;

/// Returns the motor angles, rad, at `inclination`, rad, in directions all around.
pub(crate) fn angles_around(
    kinematics: &Kinematics,
    inclination: f64,
) -> impl Iterator<Item = Vec<f64>> {
    (0..SPOKES).map(move |spoke| {
        let mut angles = vec![0.0; kinematics.routing().motors.len()];
        let direction = TAU * f64::from(spoke) / f64::from(SPOKES);
        kinematics.motor_angles(bend_from(inclination, direction), &mut angles);
        angles
    })
}

/// Returns the inclination, deg, up to which no motor leaves its travel in any direction; at most
/// `limit_deg`. The motors stand at about `q(b)/K`, `K` the gain of the joint's model; 1 is that of
/// the kinematics alone.
pub(crate) fn reach_deg(
    kinematics: &Kinematics,
    motors: &[MotorLimits],
    limit_deg: f64,
    gain: f64,
) -> f64 {
    let fits = |inclination_deg: f64| {
        angles_around(kinematics, inclination_deg.to_radians()).all(|angles| {
            let mut motors = angles.iter().zip(motors);
            motors.all(|(q, m)| (m.low..=m.high).contains(&(q / gain)))
        })
    };
    let mut reached = 0.0;
    while reached < limit_deg && fits((reached + STEP_DEG).min(limit_deg)) {
        reached = (reached + STEP_DEG).min(limit_deg);
    }
    reached
}

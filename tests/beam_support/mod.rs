//! Common parts of the tests of the simulated joint. Nothing here uses the project's own
//! kinematics.
#![allow(dead_code)] // each test binary uses its own part

use nalgebra::Vector2;
use withy::sim::beam::{DriveKind, JointDescription, Options, Plant};

/// The invented payloads: mass, kg, and height of its centre above the beam's end, m.
pub const PAYLOADS: [(f64, f64); 4] = [(0.0, 0.0), (0.090, 0.035), (0.210, 0.050), (0.380, 0.060)];

/// Returns motor angles for a bend of the nominal joint, by constant curvature. The beam is an arc
/// of radius rho = L/theta, the guide points cut it into n equal arcs of beta = theta/n, and a
/// tendon at radius r and angle delta from the bend's direction runs over chords of 2 (rho - r cos
/// delta) sin(beta/2). Source: plane geometry of a chord. Holds for equal radii and angles at all
/// discs, no offsets.
pub fn asked_angles(joint: &JointDescription, bend: Vector2<f64>) -> Vec<f64> {
    let theta = bend.norm();
    let towards = bend[1].atan2(bend[0]);
    (joint.tendons.iter())
        .map(|t| {
            if theta == 0.0 {
                return 0.0;
            }
            let n = (t.guide_radii.len() + 1) as f64;
            let rho = joint.length / theta;
            let chord = 2.0
                * (rho - t.base_radius * (towards - t.base_angle).cos())
                * (0.5 * theta / n).sin();
            let sign = if t.positive_reels_in { 1.0 } else { -1.0 };
            sign * t.gear_ratio * (joint.length - n * chord) / t.drum_radius
        })
        .collect()
}

pub fn toward(direction_deg: f64, inclination_deg: f64) -> Vector2<f64> {
    let (sin, cos) = direction_deg.to_radians().sin_cos();
    Vector2::new(cos, sin) * inclination_deg.to_radians()
}

pub fn glasshouse(payload: (f64, f64)) -> (JointDescription, Plant) {
    let joint = JointDescription::glasshouse();
    let mut plant = Plant::new(&joint, &Options::default(), 1).unwrap();
    plant.set_payload(payload.0, payload.1).unwrap();
    (joint, plant)
}

/// Holds motor angles for `seconds`, calling `look` each millisecond.
pub fn hold(plant: &mut Plant, angles: &[f64], seconds: f64, mut look: impl FnMut(&Plant)) {
    for _ in 0..(seconds * 1000.0).round() as usize {
        plant.command(DriveKind::Position, angles).unwrap();
        plant.advance(0.001);
        look(plant);
    }
}

//! Turns a target (orientation or point) into a configuration, a residual and an outcome.
//!
//! Targets are in the base frame. An orientation is split as `R = Rz(yaw) R(b)` ([`swing_twist`]):
//! `b` goes to the bend, and the yaw to the pan motor by the shortest turn. The yaw beyond the
//! pan's limits, or all of it without a pan motor, remains as residual. Points are solved by
//! [`gaze`](crate::control::gaze).

use nalgebra::{UnitQuaternion, Vector3};

use crate::control::gaze::{Gazer, Outcome, PanLimits, Present, REACHED_WITHIN};
use crate::control::geometry::{Configuration, configuration, orientation, swing_twist};

/// A target, in the base frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Target {
    /// Orientation of the head plate.
    Pose(UnitQuaternion<f64>),
    /// A point to look at, m.
    Point(Vector3<f64>),
}

/// Result of aiming at a target.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Aimed {
    /// Bend and pan, rad.
    pub configuration: Configuration,
    /// Residual angle, rad: of the orientation, or between optical axis and line of sight.
    pub residual: f64,
    /// Meaning of the residual.
    pub outcome: Outcome,
}

/// Converter of targets into configurations. Immutable.
#[derive(Clone, Debug)]
pub struct Aim {
    /// Solver for points, if there is a camera.
    gazer: Option<Gazer>,
    pan: Option<PanLimits>,
    inclination: f64,
}

impl Aim {
    /// Returns the converter for bends up to `inclination`, rad, and for camera and pan limits.
    pub fn new(gazer: Option<Gazer>, pan: Option<PanLimits>, inclination: f64) -> Self {
        Self {
            gazer,
            pan,
            inclination,
        }
    }

    /// Returns true if the joint can look at points.
    pub fn sees(&self) -> bool {
        self.gazer.is_some()
    }

    /// Returns the result from the present configuration; `None` for a point without a camera.
    pub fn solve(&self, target: &Target, present: Configuration) -> Option<Aimed> {
        match target {
            Target::Pose(asked) => Some(self.pose(asked, present)),
            Target::Point(point) => {
                let present = Present {
                    bend: present.xy(),
                    pan: present.z,
                };
                let gaze = self.gazer.as_ref()?.look(*point, present);
                Some(Aimed {
                    configuration: configuration(gaze.bend, gaze.pan),
                    residual: gaze.residual,
                    outcome: gaze.outcome,
                })
            }
        }
    }

    fn pose(&self, asked: &UnitQuaternion<f64>, present: Configuration) -> Aimed {
        let (twist, mut bend) = swing_twist(asked);
        let size = bend.norm();
        if size > self.inclination {
            bend *= self.inclination / size;
        }
        let pan = self
            .pan
            .map_or(0.0, |limits| limits.nearest(twist, present.z));
        let reached = configuration(bend, pan);
        let residual = left_over(asked, reached);
        Aimed {
            configuration: reached,
            residual,
            outcome: if residual <= REACHED_WITHIN {
                Outcome::Reached
            } else {
                Outcome::BestPossible
            },
        }
    }

    /// Returns the residual of `target` in a measured configuration, rad: the angle to the
    /// orientation, or between optical axis and line of sight. `None` without a camera, for a point
    /// at the camera, or if not finite.
    pub fn residual(&self, target: &Target, measured: Configuration) -> Option<f64> {
        match target {
            Target::Pose(asked) => Some(left_over(asked, measured)).filter(|r| r.is_finite()),
            Target::Point(point) => {
                let gazer = self.gazer.as_ref()?;
                gazer.angle_to(*point, measured.xy(), measured.z)
            }
        }
    }
}

/// Returns the angle between a configuration's orientation and the commanded one, rad.
fn left_over(asked: &UnitQuaternion<f64>, at: Configuration) -> f64 {
    let reached = UnitQuaternion::from_rotation_matrix(&orientation(at.z, at.xy()));
    reached.angle_to(asked)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::geometry::{Bend, rotation};
    use std::f64::consts::PI;

    fn pose(twist: f64, bend: Bend) -> Target {
        Target::Pose(UnitQuaternion::from_rotation_matrix(&orientation(
            twist, bend,
        )))
    }

    #[test]
    fn twist_goes_to_the_pan_the_shortest_way_round() {
        let limits = PanLimits {
            low: -3.5,
            high: 3.5,
        };
        let aim = Aim::new(None, Some(limits), 0.7);
        let bend = Bend::new(0.3, -0.1);
        for (twist, present, pan) in [
            (0.4, 0.0, 0.4),
            // Beyond half a turn, in both directions.
            (-PI + 0.1, 3.0, PI + 0.1),
            (PI - 0.1, -3.0, -PI - 0.1),
            // The short turn exceeds the limit, so the long one is used.
            (-PI + 0.5, 3.0, -PI + 0.5),
        ] {
            let present = configuration(Bend::zeros(), present);
            let aimed = aim.solve(&pose(twist, bend), present).unwrap();
            assert!(
                (aimed.configuration - configuration(bend, pan)).norm() < 1e-9,
                "{aimed:?}"
            );
            assert_eq!(aimed.outcome, Outcome::Reached);
        }
    }

    #[test]
    fn what_cannot_be_done_is_left_over() {
        let present = Configuration::zeros();
        let bend = Bend::new(0.3, -0.1);
        // Without a pan motor, the whole yaw remains.
        let aim = Aim::new(None, None, 0.7);
        let aimed = aim.solve(&pose(0.4, bend), present).unwrap();
        assert!((aimed.configuration - configuration(bend, 0.0)).norm() < 1e-9);
        assert!((aimed.residual - 0.4).abs() < 1e-9);
        assert_eq!(aimed.outcome, Outcome::BestPossible);
        // At a pan limit, the rest of the yaw remains.
        let limits = PanLimits {
            low: -0.3,
            high: 0.25,
        };
        let aim = Aim::new(None, Some(limits), 0.7);
        let aimed = aim.solve(&pose(0.4, bend), present).unwrap();
        assert!(
            (aimed.configuration.z - 0.25).abs() < 1e-12 && (aimed.residual - 0.15).abs() < 1e-9
        );
        // A bend beyond the limit is shortened and keeps its direction.
        let aimed = aim.solve(&pose(0.0, bend * 4.0), present).unwrap();
        assert!((aimed.configuration.xy() - bend.normalize() * 0.7).norm() < 1e-9);
        assert!((aimed.residual - (4.0 * bend.norm() - 0.7)).abs() < 1e-9);
        // A point without a camera.
        assert_eq!(aim.solve(&Target::Point(Vector3::x()), present), None);
        assert_eq!(aim.residual(&Target::Point(Vector3::x()), present), None);
        let asked = UnitQuaternion::from_rotation_matrix(&rotation(bend));
        let nan = configuration(Bend::new(f64::NAN, 0.0), 0.0);
        assert_eq!(aim.residual(&Target::Pose(asked), nan), None);
    }
}

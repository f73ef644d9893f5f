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

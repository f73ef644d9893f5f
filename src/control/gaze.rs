//! Inverse kinematics of the gaze: from a gaze point to bend and pan.
//!
//! # Frames
//! Base and head frame are those of [`geometry`]. The camera sits at `c` (m) in the head frame and
//! looks along the unit vector `a` of the head frame. An optional pan motor under the beam turns
//! all of it about the base frame's z by `psi` (rad, positive from +x toward +y). The bend `b` is
//! expressed in the panned frame. The camera position and its axis in the base frame are
//!
//! ```text
//! q = Rz(psi) (p(b) + R(b) c),   w = Rz(psi) R(b) a
//! ```
//!
//! with `p`, `R` of constant curvature. The residual of a point `x` is the angle between `w` and
//! the line of sight `x - q`: the axis has to pass through the point from the camera's own
//! position. For a camera off the beam's axis and a point at arm's length this differs by several
//! degrees from looking along the point's direction from the base. The cost is
//! `|w - (x - q)/|x - q||^2 / 2 = 1 - cos(residual)`.
//!
//! # Choice of the solution
//! **Without pan** both directions of bend are free up to the max inclination. The search descends
//! from the present bend, so that of several bends that reach the point the one on the present
//! branch is taken. If this does not reach the point, [`SEEDS`] other starts are tried. The
//! solution moves to another branch only if this lowers the residual by more than [`WORTH_A_JUMP`].
//!
//! **With pan**, the pan turns and the bend pitches in the vertical plane of the camera's axis, so
//! that the image stays level and upright. Of all full turns the pan nearest to the present one is
//! taken. If the min residual requires a pan outside its limits, the pan stops at a limit and the
//! bend leans sideways too.
//!
//! # Singular points
//! - A forward camera at zero pitch: leaning sideways only rolls the image. Azimuth then is a
//!   second-order effect, pitch times lean; without pan its range is a few degrees
//!   ([`Gazer::azimuth_range`]). There the lean keeps its present value. For a point beyond that
//!   azimuth the best lean changes sides where the point crosses the level of the camera. This is a
//!   real jump of the optimum, made once, with the hysteresis above. With a pan motor it does not
//!   occur inside the pan limits.
//! - A point on the pan axis, or a camera axis along it: pan has no effect and keeps its value.
//!   Near it pan must be fast, as on any pan and tilt head.
//! - A point at the camera has no line of sight: see [`Outcome::OutOfReach`].

use crate::control::bounds::OutOfRange;
use crate::control::geometry::{self, Bend, Curvature};
use descent::{Domain, descend};
use nalgebra::{Rotation3, Vector2, Vector3};
use std::f64::consts::{FRAC_PI_2, PI, TAU};
use thiserror::Error;

mod descent;

/// Max residual of a point that counts as reached, rad (0.0057 deg).
pub const REACHED_WITHIN: f64 = 1e-4;

/// Min reduction of the residual by a jump to another branch, rad (0.02 deg).
pub const WORTH_A_JUMP: f64 = 3.5e-4;

/// Number of starts of the search besides the present bend, used if the present bend does not lead
/// to the point.
pub const SEEDS: usize = 25;

/// Points farther than this, m, are moved to this distance: at it the parallax of a joint is
/// invisible.
const FAR: f64 = 1e6;

/// Max length of a beam and max coordinate of a camera, m.
const LARGEST: f64 = 10.0;

/// A camera on the head plate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Camera {
    /// Optical centre in the head frame, m.
    pub position: Vector3<f64>,
    /// Optical axis in the head frame, out of the lens; any length above zero.
    pub axis: Vector3<f64>,
    /// Min distance of a gaze point from the optical centre, m, 0 or more.
    pub nearest: f64,
}

impl Default for Camera {
    /// Returns a camera at the centre of the head plate, looking along +x, with a min distance of
    /// 50 mm.
    fn default() -> Self {
        Self {
            position: Vector3::zeros(),
            axis: Vector3::x(),
            nearest: 0.05,
        }
    }
}

/// Limits of the pan motor under the beam, rad; infinite for no limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PanLimits {
    /// Min pan, rad.
    pub low: f64,
    /// Max pan, rad.
    pub high: f64,
}

impl PanLimits {
    /// Returns `angle` plus full turns, within the limits and closest to `near`. If there is none,
    /// returns the limit with the smaller angular distance to `angle`.
    pub fn nearest(self, angle: f64, near: f64) -> f64 {
        turned_within(angle, near, self).unwrap_or_else(|| {
            let off = |limit: f64| wrap(angle - limit).abs();
            if off(self.low) < off(self.high) {
                self.low
            } else {
                self.high
            }
        })
    }
}

/// Reason why a camera, beam or pan is refused.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum GazeError {
    /// A size out of its range.
    #[error("the {0}")]
    Size(#[from] OutOfRange),
    /// An optical axis without direction.
    #[error(
        "the camera's axis is [{}, {}, {}]; accepted: a direction of finite numbers, not all zero",
        axis.x, axis.y, axis.z
    )]
    Axis {
        /// The axis given.
        axis: Vector3<f64>,
    },
    /// Pan limits that leave no pan.
    #[error("the pan limits are {low} to {high} rad; accepted: a low limit not above the high one")]
    Pan {
        /// Low limit given, rad.
        low: f64,
        /// High limit given, rad.
        high: f64,
    },
}

/// Quality of a solution for a gaze point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The axis passes through the point: the residual is at most [`REACHED_WITHIN`].
    Reached,
    /// The inclination limit, the pan limits or, without pan, the joint's two directions keep the
    /// axis short of the point. Bend and pan are those of the min residual, which is at most a
    /// quarter turn.
    BestPossible,
    /// No pose lets the camera see the point. Either the point stays behind the camera: the min
    /// residual is above a quarter turn, and bend and pan are still those of the min residual. Or
    /// the point is closer than [`Camera::nearest`] wherever the camera would look at it, or is not
    /// finite. Bend and pan are then the present ones within the limits, with their residual (half
    /// a turn if there is no line of sight).
    OutOfReach,
}

/// Bend and pan that look at a point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gaze {
    /// Bend in the panned frame, rad, within the max inclination.
    pub bend: Bend,
    /// Pan, rad, within its limits; 0 without a pan motor.
    pub pan: f64,
    /// Angle between optical axis and line of sight, rad, 0 to pi; always finite.
    pub residual: f64,
    /// Meaning of the residual.
    pub outcome: Outcome,
}

/// Pose of the joint from which a search starts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Present {
    /// Bend, rad; a value that is not finite counts as straight.
    pub bend: Bend,
    /// Pan, rad; a value that is not finite counts as 0.
    pub pan: f64,
}

/// Gaze solver for a beam, its limits and its camera. Immutable.
#[derive(Clone, Debug)]
pub struct Gazer {
    length: f64,
    max_inclination: f64,
    camera: Camera,
    pan: Option<PanLimits>,
    /// Direction in the head plate's plane toward which the level image pitches.
    forward: Vector2<f64>,
    /// Min and max pitch of an upright image, within the max inclination, rad.
    pitch: (f64, f64),
}

/// Best solution of several starts.
struct Best {
    /// Min residual of all, and its pose.
    least: Option<(f64, Present)>,
}

impl Best {
    fn offer(&mut self, residual: f64, pose: Present, distance: impl Fn(&Present) -> f64) {
        let better = match &self.least {
            None => true,
            Some((least, held)) => {
                let both = residual <= REACHED_WITHIN && *least <= REACHED_WITHIN;
                // Among equally good solutions, take the one closest to the present pose.
                if both {
                    distance(&pose) < distance(held)
                } else {
                    residual < *least
                }
            }
        };
        if better {
            self.least = Some((residual, pose));
        }
    }
}

impl Gazer {
    /// Builds a solver after checking the sizes.
    ///
    /// `length` of the beam in m, above 0 and at most 10; `max_inclination` in rad, above 0 and
    /// below pi; components of the camera's position within 10 m; pan limits in rad.
    ///
    /// # Errors
    /// [`GazeError`] if a size is out of its range, the camera's axis has no direction or the pan
    /// limits exclude every angle.
    pub fn new(
        length: f64,
        max_inclination: f64,
        camera: Camera,
        pan: Option<PanLimits>,
    ) -> Result<Self, GazeError> {
        let (what, fits) = ("beam length", 0.0 < length && length <= LARGEST);
        OutOfRange::unless(fits, what, length, "a length above 0 and up to 10 m")?;
        let fits = 0.0 < max_inclination && max_inclination < PI;
        let (what, accepted) = ("largest inclination", "an angle above 0 and below pi rad");
        OutOfRange::unless(fits, what, max_inclination, accepted)?;
        let names = ["camera's x", "camera's y", "camera's z"];
        for (what, value) in names.into_iter().zip(camera.position.iter()) {
            OutOfRange::unless_within(-LARGEST, LARGEST, what, *value, "-10 to 10 m")?;
        }
        let (what, nearest) = ("camera's nearest distance", camera.nearest);
        OutOfRange::unless_within(0.0, LARGEST, what, nearest, "0 to 10 m")?;
        let axis = camera.axis;
        let largest = axis.amax();
        if !(axis.iter().all(|c| c.is_finite()) && largest > 0.0) {
            return Err(GazeError::Axis { axis });
        }
        let axis = (axis / largest).normalize();
        if let Some(PanLimits { low, high }) = pan
            && !(low <= high && low < f64::INFINITY && high > f64::NEG_INFINITY)
        {
            return Err(GazeError::Pan { low, high });
        }
        let level = axis.xy().norm();
        // An axis along the normal has no direction in the plate: it pitches toward +x.
        let forward = if level > 1e-9 {
            axis.xy() / level
        } else {
            Vector2::x()
        };
        // Pitching by beta toward `forward` brings the axis to elevation `elevation - beta`; beyond
        // a quarter turn in either direction the image is upside down.
        let elevation = axis.z.atan2(level);
        let low = (elevation - FRAC_PI_2).max(-max_inclination);
        let high = (elevation + FRAC_PI_2).min(max_inclination);
        Ok(Self {
            length,
            max_inclination,
            camera: Camera { axis, ..camera },
            pan,
            forward,
            pitch: (low, high),
        })
    }

    /// Returns the camera, its axis scaled to unit length.
    pub fn camera(&self) -> &Camera {
        &self.camera
    }

    /// Returns the position of the camera (m) and its optical axis (unit) in the base frame, at a
    /// bend and a pan in rad.
    pub fn line_of_sight(&self, bend: Bend, pan: f64) -> (Vector3<f64>, Vector3<f64>) {
        let turn = Rotation3::from_axis_angle(&Vector3::z_axis(), pan);
        let beam = Curvature::at(bend);
        let head = beam.rotation();
        let place = beam.position(self.length) + head * self.camera.position;
        (turn * place, turn * (head * self.camera.axis))
    }

    /// Returns the angle between the optical axis and the line of sight to `point` (base frame, m)
    /// at a bend and a pan in rad: the gaze error in a measured pose. 0 to pi; `None` if the point
    /// is at the camera or an input is not finite.
    pub fn angle_to(&self, point: Vector3<f64>, bend: Bend, pan: f64) -> Option<f64> {
        let (place, axis) = self.line_of_sight(bend, pan);
        let sight = within_reason(point)? - place;
        let finite = sight.iter().chain(axis.iter()).all(|c| c.is_finite());
        (finite && sight.norm() > 0.0).then(|| between(&axis, &sight))
    }

    /// Returns the bend and pan that look at `point` (base frame, m), searched from the present
    /// pose.
    ///
    /// Bound on work: without pan 1 + [`SEEDS`] descents, with pan at most three times as many,
    /// each at most 40 steps. A point reached from the present pose, as in tracking, takes one
    /// descent of about 5 steps. Nothing is allocated.
    pub fn look(&self, point: Vector3<f64>, present: Present) -> Gaze {
        let start = self.within_limits(present);
        let Some(point) = within_reason(point) else {
            return self.stay(Vector3::from_element(f64::NAN), start);
        };
        let found = match self.pan {
            None => self.bend_only(point, start),
            Some(limits) => self.pan_first(point, limits, start),
        };
        match found {
            Some((residual, pose)) => Gaze {
                bend: pose.bend,
                pan: pose.pan,
                residual,
                outcome: if residual <= REACHED_WITHIN {
                    Outcome::Reached
                } else if residual <= FRAC_PI_2 {
                    Outcome::BestPossible
                } else {
                    Outcome::OutOfReach
                },
            },
            None => self.stay(point, start),
        }
    }

    /// Returns the azimuths of the optical axis within the limits, from +x toward +y in the base
    /// frame, rad: `(low, high)` with `low <= high`, a full circle as `(-pi, pi)`. For the message
    /// at start: a forward camera without pan reaches only a few degrees,
    /// `tan = (1 - cos theta) / (2 sqrt(cos theta))`.
    ///
    /// Found on a grid, from below: to 0.01 deg for a forward camera. The ends are not wrapped, so
    /// one of them may lie beyond pi. Takes about 50 000 evaluations; not for the control loop.
    pub fn azimuth_range(&self) -> (f64, f64) {
        let axis = &self.camera.axis;
        // The shortest rotation to the vertical is a lean straight toward it or away from it.
        let to_vertical = axis.xy().norm().atan2(axis.z.abs());
        let full = (-PI, PI);
        if to_vertical < self.max_inclination {
            return full;
        }
        let straight = axis.y.atan2(axis.x);
        let (mut low, mut high) = (0.0_f64, 0.0_f64);
        for ring in 1..=64 {
            let inclination = self.max_inclination * f64::from(ring) / 64.0;
            for spoke in 0..720 {
                let b = geometry::bend_from(inclination, TAU * f64::from(spoke) / 720.0);
                let w = geometry::rotation(b) * axis;
                let off = wrap(w.y.atan2(w.x) - straight);
                low = low.min(off);
                high = high.max(off);
            }
        }
        if let Some(limits) = self.pan {
            low += limits.low;
            high += limits.high;
        }
        if high - low >= TAU {
            return full;
        }
        (straight + low, straight + high)
    }

    /// Returns the present pose within the limits, every number finite.
    fn within_limits(&self, present: Present) -> Present {
        let bend =
            Domain::Disc(self.max_inclination).nearest(geometry::within_half_turn(present.bend));
        let pan = match self.pan {
            None => 0.0,
            Some(limits) => {
                let pan = if present.pan.is_finite() {
                    present.pan
                } else {
                    0.0
                };
                pan.clamp(limits.low, limits.high)
            }
        };
        Present { bend, pan }
    }

    /// Returns the present pose with [`Outcome::OutOfReach`].
    fn stay(&self, point: Vector3<f64>, start: Present) -> Gaze {
        Gaze {
            bend: start.bend,
            pan: start.pan,
            residual: self.angle_to(point, start.bend, start.pan).unwrap_or(PI),
            outcome: Outcome::OutOfReach,
        }
    }

    /// Returns `1 - cos(residual)` and its derivatives in the bend and in the pan, for a point in
    /// the base frame.
    fn cost(&self, point: &Vector3<f64>, b: Bend, pan: f64) -> (f64, Vector2<f64>, f64) {
        let beam = Curvature::at(b);
        let head = beam.rotation();
        let arm = head * self.camera.position;
        let axis = head * self.camera.axis;
        // All in the panned frame, where the point turns in the opposite sense.
        let seen = Rotation3::from_axis_angle(&Vector3::z_axis(), -pan) * point;
        let sight = seen - beam.position(self.length) - arm;
        let distance = sight.norm();
        if distance <= 1e-9 {
            // No line of sight: the max cost.
            return (2.0, Vector2::zeros(), 0.0);
        }
        let u = sight / distance;
        let miss = axis - u;
        // d(miss) = d(axis) - (1 - u u')/distance d(sight), and (1 - u u') is symmetric.
        let across = (miss - u * u.dot(&miss)) / distance;
        // miss . (omega x axis) = omega . (axis x miss), and likewise for the arm.
        let by_turn = axis.cross(&miss) + arm.cross(&across);
        let by_bend = beam.angular_jacobian().transpose() * by_turn
            + beam.position_jacobian(self.length).transpose() * across;
        // d(seen)/d(pan) = -z x seen.
        let by_pan = across.dot(&Vector3::z().cross(&seen));
        (0.5 * miss.norm_squared(), by_bend, by_pan)
    }

    /// Returns the residual of a pose, or `None` if the point is closer to the camera than its min
    /// distance.
    fn residual(&self, point: &Vector3<f64>, pose: &Present) -> Option<f64> {
        let (place, axis) = self.line_of_sight(pose.bend, pose.pan);
        let sight = point - place;
        let distance = sight.norm();
        (distance > 1e-9 && distance >= self.camera.nearest).then(|| between(&axis, &sight))
    }

    /// Returns the pose of min residual over both directions of bend, at a fixed pan.
    fn bend_only(&self, point: Vector3<f64>, start: Present) -> Option<(f64, Present)> {
        let Present { bend, pan } = start;
        let f = |b: Bend| {
            let (value, slope, _) = self.cost(&point, b, pan);
            (value, slope)
        };
        let from = |b: Bend| {
            let bend = descend(f, Domain::Disc(self.max_inclination), b);
            let pose = Present { bend, pan };
            Some((self.residual(&point, &pose)?, pose))
        };
        let own = from(bend);
        if own.is_some_and(|(residual, _)| residual <= REACHED_WITHIN) {
            return own;
        }
        let mut best = Best { least: own };
        for seed in 0..SEEDS {
            // The straight joint, then three rings of eight bends.
            let ring = seed.div_ceil(8) as f64 / 3.0;
            let spoke = TAU / 8.0 * (seed as f64 + 0.5 * ring);
            let b = geometry::bend_from(self.max_inclination * ring, spoke);
            if let Some((residual, pose)) = from(b) {
                best.offer(residual, pose, |p| (p.bend - bend).norm());
            }
        }
        worth(own, best.least)
    }

    /// Returns the pose of min residual over pan and pitch. If its pan is outside the limits, the
    /// pan is at a limit and both directions of bend are free.
    fn pan_first(
        &self,
        point: Vector3<f64>,
        limits: PanLimits,
        start: Present,
    ) -> Option<(f64, Present)> {
        let (low, high) = self.pitch;
        let f = |v: Vector2<f64>| {
            let (value, by_bend, by_pan) = self.cost(&point, self.forward * v.y, v.x);
            (value, Vector2::new(by_pan, self.forward.dot(&by_bend)))
        };
        let from = |pan: f64, pitch: f64| {
            let v = descend(f, Domain::Strip(low, high), Vector2::new(pan, pitch));
            let pose = Present {
                bend: self.forward * v.y,
                pan: v.x,
            };
            Some((self.residual(&point, &pose)?, pose))
        };
        // The same pose with the pan a number of full turns away, closest to the present pan.
        let admit = |(residual, pose): (f64, Present)| {
            let pan = turned_within(pose.pan, start.pan, limits)?;
            Some((residual, Present { pan, ..pose }))
        };
        let distance = |p: &Present| (p.pan - start.pan).abs() + (p.bend - start.bend).norm();

        let own = from(start.pan, self.forward.dot(&start.bend)).and_then(admit);
        if own.is_some_and(|(residual, _)| residual <= REACHED_WITHIN) {
            return own;
        }
        let mut anywhere = f64::INFINITY;
        let mut best = Best { least: own };
        // The pan at which the point and the axis have the same azimuth, for a camera on the base's
        // z.
        let azimuth = point.y.atan2(point.x) - self.forward.y.atan2(self.forward.x);
        for seed in 0..SEEDS - 1 {
            let pan = azimuth + TAU / 8.0 * (seed / 3) as f64;
            let pitch = low + (high - low) * (0.1 + 0.4 * (seed % 3) as f64);
            if let Some(found) = from(pan, pitch) {
                anywhere = anywhere.min(found.0);
                if let Some((residual, pose)) = admit(found) {
                    best.offer(residual, pose, distance);
                }
            }
        }
        let inside = worth(own, best.least);
        if let Some((residual, _)) = inside
            && (residual <= REACHED_WITHIN || residual <= anywhere + WORTH_A_JUMP)
        {
            return inside;
        }
        // The nearer limit first: the other one must be worth the motion.
        let mut stops = [limits.low, limits.high];
        if (limits.high - start.pan).abs() < (start.pan - limits.low).abs() {
            stops.reverse();
        }
        let mut chosen = inside;
        for (i, pan) in stops.into_iter().enumerate() {
            if !pan.is_finite() {
                continue;
            }
            let stopped = self.bend_only(
                point,
                Present {
                    bend: start.bend,
                    pan,
                },
            );
            chosen = if i == 0 {
                // The path to the min residual ends here; a solution inside must be better by
                // enough to leave it.
                worth(stopped, chosen)
            } else {
                worth(chosen, stopped)
            };
        }
        chosen
    }
}

/// Returns the solution of the present branch, or the other one if it is better by enough.
fn worth(own: Option<(f64, Present)>, other: Option<(f64, Present)>) -> Option<(f64, Present)> {
    match (own, other) {
        (Some(own), Some(other)) => {
            let reaches = other.0 <= REACHED_WITHIN && own.0 > REACHED_WITHIN;
            Some(if reaches || other.0 < own.0 - WORTH_A_JUMP {
                other
            } else {
                own
            })
        }
        (own, other) => own.or(other),
    }
}

/// Returns the point, moved to at most [`FAR`]; `None` if it is not finite.
fn within_reason(point: Vector3<f64>) -> Option<Vector3<f64>> {
    if !point.iter().all(|c| c.is_finite()) {
        return None;
    }
    let largest = point.amax();
    Some(if largest > FAR {
        point / largest * FAR
    } else {
        point
    })
}

/// Returns the angle between two nonzero vectors, rad, 0 to pi, accurate at both ends.
fn between(a: &Vector3<f64>, b: &Vector3<f64>) -> f64 {
    a.cross(b).norm().atan2(a.dot(b))
}

/// Returns the angle plus full turns that is closest to `near` within the limits, if there is one.
fn turned_within(angle: f64, near: f64, limits: PanLimits) -> Option<f64> {
    // A limit met to rounding counts as met.
    let slack = 1e-9;
    let turns = ((near - angle) / TAU).round();
    let least = ((limits.low - slack - angle) / TAU).ceil();
    let most = ((limits.high + slack - angle) / TAU).floor();
    (least <= most).then(|| {
        let turned = angle + TAU * turns.clamp(least, most);
        turned.clamp(limits.low, limits.high)
    })
}

/// Returns the angle wrapped to [-pi, pi].
fn wrap(angle: f64) -> f64 {
    angle - TAU * (angle / TAU).round()
}

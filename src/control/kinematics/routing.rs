//! Description of a joint's tendons and motors, with its range checks.

use nalgebra::{Vector2, Vector3};
use thiserror::Error;

use super::{MAX_TENDONS, Piece};
use crate::control::bounds::OutOfRange;

/// Path of one tendon. Angles rad, from +x toward +y; lengths m.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tendon {
    /// Angle of the anchor on the base plate, rad.
    pub base_angle: f64,
    /// Distance of that anchor from the beam's axis, m, above 0.
    pub base_radius: f64,
    /// Angle of the anchor on the head plate, in the head frame, rad.
    pub head_angle: f64,
    /// Distance of that anchor from the beam's axis, m, above 0.
    pub head_radius: f64,
    /// Height of the base anchor's plane above the beam's base end, along +z of the base frame, m.
    /// Positive is toward the head and shortens the tendon.
    pub base_offset: f64,
    /// Height of the head anchor's plane above the beam's head end, along +z of the head frame, m.
    /// Positive is away from the beam and lengthens the tendon.
    pub head_offset: f64,
    /// Distance of the guide holes from the beam's axis, m, above 0. `None`: the radius is
    /// interpolated linearly from the base radius to the head radius.
    pub disc_radius: Option<f64>,
    /// Axial stiffness of the tendon and its mounting, N/m, above 0.
    pub stiffness: f64,
    /// Configured pretension, N, above 0.
    pub pretension: f64,
}

/// Transmission from one motor to its tendon.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Motor {
    /// Motor turns per drum turn, above 0.
    pub ratio: f64,
    /// Radius of the bare drum, m, above 0.
    pub drum_radius: f64,
    /// Thickness of the tendon, m, 0 or more; half of it adds to the drum's radius.
    pub tendon_thickness: f64,
    /// +1 if positive motor angles reel in, -1 if they pay out.
    pub sign: f64,
}

impl Motor {
    /// Returns the radius of the tendon's centre line on the drum, m.
    pub fn effective_radius(&self) -> f64 {
        self.drum_radius + 0.5 * self.tendon_thickness
    }
}

/// A joint: a beam, its guide discs, and a motor for each tendon in the same order.
#[derive(Clone, Debug, PartialEq)]
pub struct Routing {
    /// Length of the beam, m, above 0.
    pub length: f64,
    /// Number of guide discs, evenly spaced between the beam's ends; the ends carry none.
    pub discs: usize,
    /// Max inclination in use, rad, in (0, pi); the routing is checked up to it.
    pub max_inclination: f64,
    /// The tendons, 3 to [`MAX_TENDONS`].
    pub tendons: Vec<Tendon>,
    /// The motors, one per tendon in the same order.
    pub motors: Vec<Motor>,
}

/// Reason why a routing is refused. Tendons and motors are counted from 1.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum RoutingError {
    /// Too few or too many tendons.
    #[error("{given} tendons are given, a joint needs 3 to {MAX_TENDONS}")]
    TendonCount {
        /// Tendons given.
        given: usize,
    },
    /// Not one motor per tendon.
    #[error("{motors} motors are given for {tendons} tendons, each tendon needs one motor")]
    MotorCount {
        /// Motors given.
        motors: usize,
        /// Tendons given.
        tendons: usize,
    },
    /// Not one pretension per tendon.
    #[error("{given} pretensions are given for {tendons} tendons, each tendon needs one")]
    PretensionCount {
        /// Values given.
        given: usize,
        /// Tendons of the joint.
        tendons: usize,
    },
    /// A size of the whole joint out of its range.
    #[error("the {0}")]
    JointSize(#[from] OutOfRange),
    /// A size of one tendon or its motor out of its range.
    #[error("the {what} of tendon {tendon} is {value}; accepted: {accepted}")]
    Size {
        /// Tendon number, from 1.
        tendon: usize,
        /// Name of the size.
        what: &'static str,
        /// The value given, SI.
        value: f64,
        /// Accepted range.
        accepted: &'static str,
    },
    /// Both ends of a tendon at one point.
    #[error(
        "tendon {tendon} has no length at an inclination of {inclination_deg:.0} deg toward \
         {direction_deg:.0} deg, its anchors must stay apart"
    )]
    NoLength {
        /// Tendon number, from 1.
        tendon: usize,
        /// Inclination of the bend, deg.
        inclination_deg: f64,
        /// Direction of the bend, deg.
        direction_deg: f64,
    },
    /// The tendons command only one direction of bend.
    #[error(
        "the tendons command only one direction of bend at an inclination of {inclination_deg:.0} deg \
         toward {direction_deg:.0} deg, they must pull in at least two"
    )]
    OneDirection {
        /// Inclination of the bend, deg.
        inclination_deg: f64,
        /// Direction of the bend, deg.
        direction_deg: f64,
    },
    /// All tendons on one side.
    #[error(
        "the tendons leave a gap of {gap_deg:.1} deg between neighbouring pulls at an inclination of \
         {inclination_deg:.0} deg toward {direction_deg:.0} deg, so they cannot all be taut and \
         balanced; at most {widest_deg:.0} deg is accepted"
    )]
    Gap {
        /// Widest gap found, deg.
        gap_deg: f64,
        /// Widest gap accepted, deg.
        widest_deg: f64,
        /// Inclination of the bend, deg.
        inclination_deg: f64,
        /// Direction of the bend, deg.
        direction_deg: f64,
    },
}

impl Routing {
    /// Checks counts and single sizes. Their combination is checked afterwards.
    pub(super) fn check_sizes(&self) -> Result<(), RoutingError> {
        let tendons = self.tendons.len();
        if !(3..=MAX_TENDONS).contains(&tendons) {
            return Err(RoutingError::TendonCount { given: tendons });
        }
        if self.motors.len() != tendons {
            return Err(RoutingError::MotorCount {
                motors: self.motors.len(),
                tendons,
            });
        }
        let (length, most) = (self.length, self.max_inclination);
        let fits = length > 0.0 && length.is_finite();
        OutOfRange::unless(fits, "beam length", length, "a length above 0 m")?;
        let fits = most > 0.0 && most < std::f64::consts::PI;
        let (what, accepted) = ("largest inclination", "an angle above 0 and below pi rad");
        OutOfRange::unless(fits, what, most, accepted)?;
        for (i, (t, m)) in self.tendons.iter().zip(&self.motors).enumerate() {
            const LENGTH: &str = "a length above 0 m";
            const ANY: &str = "a finite number";
            let disc = t.disc_radius.unwrap_or(t.base_radius);
            let thick = m.tendon_thickness;
            let checks = [
                ("base angle", t.base_angle, true, ANY),
                ("head angle", t.head_angle, true, ANY),
                ("base offset", t.base_offset, true, ANY),
                ("head offset", t.head_offset, true, ANY),
                ("base radius", t.base_radius, t.base_radius > 0.0, LENGTH),
                ("head radius", t.head_radius, t.head_radius > 0.0, LENGTH),
                ("disc radius", disc, disc > 0.0, LENGTH),
                (
                    "stiffness",
                    t.stiffness,
                    t.stiffness > 0.0,
                    "a stiffness above 0 N/m",
                ),
                (
                    "pretension",
                    t.pretension,
                    t.pretension > 0.0,
                    "a tension above 0 N",
                ),
                ("gear ratio", m.ratio, m.ratio > 0.0, "a ratio above 0"),
                ("drum radius", m.drum_radius, m.drum_radius > 0.0, LENGTH),
                (
                    "thickness",
                    thick,
                    thick >= 0.0,
                    "a thickness of 0 m or more",
                ),
                ("sign", m.sign, m.sign.abs() == 1.0, "1 or -1"),
            ];
            for (what, value, fits, accepted) in checks {
                if !(fits && value.is_finite()) {
                    return Err(RoutingError::Size {
                        tendon: i + 1,
                        what,
                        value,
                        accepted,
                    });
                }
            }
        }
        Ok(())
    }
}

/// Points that one tendon passes, each in the frame of its own cross-section, from base to head.
#[derive(Clone, Debug)]
pub(super) struct Run {
    points: Vec<Vector3<f64>>,
}

impl Run {
    pub(super) fn new(t: &Tendon, discs: usize) -> Self {
        let pieces = discs + 1;
        // The shorter angle: 350 deg at the base and 10 deg at the head are 20 deg apart.
        let turn = (t.head_angle - t.base_angle + std::f64::consts::PI)
            .rem_euclid(std::f64::consts::TAU)
            - std::f64::consts::PI;
        let points = (0..=pieces)
            .map(|j| {
                let share = j as f64 / pieces as f64;
                let (radius, angle, height) = if j == 0 {
                    (t.base_radius, t.base_angle, t.base_offset)
                } else if j == pieces {
                    (t.head_radius, t.head_angle, t.head_offset)
                } else {
                    let even = t.base_radius + (t.head_radius - t.base_radius) * share;
                    let radius = t.disc_radius.unwrap_or(even);
                    (radius, t.base_angle + turn * share, 0.0)
                };
                let (sin, cos) = angle.sin_cos();
                Vector3::new(radius * cos, radius * sin, height)
            })
            .collect();
        Self { points }
    }

    /// Returns the length, m, and its derivative in the bend, m/rad.
    pub(super) fn length(&self, piece: &Piece) -> (f64, Vector2<f64>) {
        let mut length = 0.0;
        let mut slope = Vector2::zeros();
        for pair in self.points.windows(2) {
            let (l, s) = piece.chord(&pair[0], &pair[1]);
            length += l;
            slope += s;
        }
        (length, slope)
    }
}

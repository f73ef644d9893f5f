//! Motion of the beam's foot: a base that moves in the level world, and a pan motor between base
//! and beam.
//!
//! # Equations
//! - Base orientation R(t) = A(t) S(t): A, the mean orientation of the oscillation, at rest or
//!   turning to another one; S, a turn by theta(t) about an axis a that is fixed in the base. With
//!   A' = A [w]x (w in A's own coordinates): omega = S^T w + a theta', alpha = S^T w' + (S^T w) x
//!   (a theta') + a theta'', both in base coordinates (rigid-body kinematics, any dynamics text;
//!   the derivative of omega in the turning frame is that in the world, since omega x omega = 0).
//! - The pivot, a point r in base coordinates, is at rest in the world; the origin's velocity is
//!   then -omega x r, its acceleration -(alpha x r + omega x (omega x r)).
//! - Smooth turn: polynomial of fifth degree at rest at both ends, 10 u^3 - 15 u^4 + 6 u^5 (Flash
//!   and Hogan 1985, "The coordination of arm movements", minimum jerk).
//! - Below the pan, turned by psi about the base's z: omega_p = Rz(-psi) omega + psi' z,
//!   alpha_p = Rz(-psi) (alpha + omega x z psi') + psi'' z.

use nalgebra::{Matrix3, UnitQuaternion, Vector3};
use std::f64::consts::{PI, TAU};

use super::description::{DescriptionError, SimulatedPan, accept};
use super::motors::Motor;
use super::rod::Foot;

/// Motion of the base in the level world (z up). The joint starts on a base at rest at its
/// description's orientation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum BaseMotion {
    /// At once the base is at rest at this orientation, which maps base coordinates to world
    /// coordinates. Any motion in progress ends. The jump itself does not excite the joint, which
    /// keeps its bend and its rate; gravity then acts from another direction.
    Still(UnitQuaternion<f64>),
    /// The base turns about the beam's foot (about its pivot during an oscillation) to
    /// `orientation` by the smaller angle, smoothly, at rest at both ends. An oscillation continues
    /// about the moving orientation. During another turn it begins when that one ends; only the
    /// newest one waits.
    Turn {
        /// Final orientation: maps base coordinates to world coordinates.
        orientation: UnitQuaternion<f64>,
        /// Duration, s, 0.6 to 3600: half a turn in 0.6 s peaks at 10 rad/s.
        duration: f64,
    },
    /// The base oscillates about its present orientation (or the one to which it turns); this
    /// replaces any earlier oscillation.
    BaseOscillation(BaseOscillation),
}

/// A sinusoidal oscillation, amplitude x sin(2 pi frequency t) about an axis fixed in the base, t
/// from the call. Over the first period the amplitude grows smoothly from 0, so that it begins at
/// rest; from then on the sine is exact. At most 10 rad/s, and 100 m/s^2 at the beam's foot: no
/// such joint would withstand more.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BaseOscillation {
    /// Axis in base coordinates; any length but 0.
    pub axis: Vector3<f64>,
    /// Amplitude, rad, 0 to pi.
    pub amplitude: f64,
    /// Frequency, Hz, above 0 and at most 20.
    pub frequency: f64,
    /// Point at rest in the world, base coordinates, m, each within 10; zero: the beam's foot.
    /// Turns use it too.
    pub pivot: Vector3<f64>,
}

/// Pose and motion of a base, in its own coordinates; `orientation` maps to the level world.
#[derive(Clone, Copy, Debug)]
pub(super) struct BaseState {
    pub orientation: UnitQuaternion<f64>,
    pub omega: Vector3<f64>,
    pub alpha: Vector3<f64>,
    /// Velocity and acceleration of the origin, the beam's foot.
    pub velocity: Vector3<f64>,
    pub acceleration: Vector3<f64>,
}

#[derive(Clone, Copy, Debug)]
struct Turn {
    begun: f64,
    duration: f64,
    /// Rotation vector of the whole turn, in coordinates of its start.
    way: Vector3<f64>,
    goal: UnitQuaternion<f64>,
}

/// Motion of the base.
#[derive(Clone, Debug)]
pub(super) struct Base {
    /// Orientation at rest, or at the start of the present turn.
    rest: UnitQuaternion<f64>,
    turn: Option<Turn>,
    next: Option<(UnitQuaternion<f64>, f64)>,
    /// The oscillation, its axis of length 1, and its start time, s.
    swing: Option<(BaseOscillation, f64)>,
}

impl Base {
    pub(super) fn new(orientation: UnitQuaternion<f64>) -> Self {
        Self {
            rest: orientation,
            turn: None,
            next: None,
            swing: None,
        }
    }

    /// Sets a motion that begins `now`; a refused one changes nothing.
    pub(super) fn set(&mut self, motion: BaseMotion, now: f64) -> Result<(), DescriptionError> {
        match motion {
            BaseMotion::Still(orientation) => {
                finite_orientation(&orientation)?;
                *self = Self::new(orientation);
            }
            BaseMotion::Turn {
                orientation,
                duration,
            } => {
                finite_orientation(&orientation)?;
                accept(
                    "base turn duration (s)",
                    duration,
                    (0.6..=3600.0).contains(&duration),
                    "0.6 to 3600",
                )?;
                self.next = Some((orientation, duration));
                if self.turn.is_none() {
                    self.begin(now);
                }
            }
            BaseMotion::BaseOscillation(mut swing) => {
                let length = swing.axis.norm();
                accept(
                    "length of the base oscillation's axis",
                    length,
                    length > 0.0 && length.is_finite(),
                    "a finite number above 0",
                )?;
                accept(
                    "base oscillation amplitude (rad)",
                    swing.amplitude,
                    (0.0..=PI).contains(&swing.amplitude),
                    "0 to pi",
                )?;
                accept(
                    "base oscillation frequency (Hz)",
                    swing.frequency,
                    swing.frequency > 0.0 && swing.frequency <= 20.0,
                    "a number above 0 and at most 20",
                )?;
                let rate = swing.amplitude * TAU * swing.frequency;
                accept(
                    "maximum rate of the base oscillation (rad/s)",
                    rate,
                    rate <= 10.0,
                    "at most 10",
                )?;
                for component in swing.pivot.iter() {
                    accept(
                        "base pivot (m)",
                        *component,
                        component.abs() <= 10.0,
                        "-10 to 10",
                    )?;
                }
                swing.axis /= length;
                // Upper bound of the centripetal plus the tangential acceleration.
                let shake = rate * (rate + TAU * swing.frequency) * swing.pivot.norm();
                accept(
                    "maximum acceleration of the beam's foot (m/s^2)",
                    shake,
                    shake <= 100.0,
                    "at most 100",
                )?;
                self.swing = Some((swing, now));
            }
        }
        Ok(())
    }

    /// Begins the waiting turn, if any.
    fn begin(&mut self, now: f64) {
        self.turn = self.next.take().map(|(goal, duration)| Turn {
            begun: now,
            duration,
            way: (self.rest.inverse() * goal).scaled_axis(),
            goal,
        });
    }

    /// Returns the state at time `t`, which must not decrease between calls.
    pub(super) fn at(&mut self, t: f64) -> BaseState {
        while let Some(turn) = self.turn.filter(|turn| t >= turn.begun + turn.duration) {
            self.rest = turn.goal;
            self.begin(turn.begun + turn.duration);
        }
        let mut state = BaseState {
            orientation: self.rest,
            omega: Vector3::zeros(),
            alpha: Vector3::zeros(),
            velocity: Vector3::zeros(),
            acceleration: Vector3::zeros(),
        };
        if let Some(turn) = &self.turn {
            let [share, rate, change] = smooth(t - turn.begun, turn.duration);
            state.orientation *= UnitQuaternion::from_scaled_axis(turn.way * share);
            state.omega = turn.way * rate;
            state.alpha = turn.way * change;
        }
        if let Some((swing, begun)) = &self.swing {
            let [angle, rate, change] = swing.angle(t - begun);
            let turned = UnitQuaternion::from_scaled_axis(swing.axis * angle);
            state.orientation *= turned;
            let carried = turned.inverse() * state.omega;
            let own = swing.axis * rate;
            state.omega = carried + own;
            state.alpha =
                turned.inverse() * state.alpha + carried.cross(&own) + swing.axis * change;
            let pivot = &swing.pivot;
            let round = state.omega.cross(pivot);
            state.velocity = -round;
            state.acceleration = -(state.alpha.cross(pivot) + state.omega.cross(&round));
        }
        state
    }
}

impl BaseOscillation {
    /// Returns the angle and its first two derivatives `t` seconds after the oscillation began.
    fn angle(&self, t: f64) -> [f64; 3] {
        let w = TAU * self.frequency;
        let (sin, cos) = (w * t).sin_cos();
        let sine = [sin, w * cos, -w * w * sin];
        let growth = smooth(t, 1.0 / self.frequency);
        // Derivatives of a product.
        [
            self.amplitude * growth[0] * sine[0],
            self.amplitude * (growth[1] * sine[0] + growth[0] * sine[1]),
            self.amplitude
                * (growth[2] * sine[0] + 2.0 * growth[1] * sine[1] + growth[0] * sine[2]),
        ]
    }
}

/// Returns the smooth step from 0 to 1 in `duration` with its first two derivatives.
fn smooth(t: f64, duration: f64) -> [f64; 3] {
    let u = (t / duration).clamp(0.0, 1.0);
    let v = 1.0 - u;
    [
        u * u * u * (10.0 + u * (6.0 * u - 15.0)),
        30.0 * u * u * v * v / duration,
        60.0 * u * v * (1.0 - 2.0 * u) / (duration * duration),
    ]
}

fn finite_orientation(orientation: &UnitQuaternion<f64>) -> Result<(), DescriptionError> {
    let norm = orientation.norm();
    accept(
        "length of the base orientation's quaternion",
        norm,
        (norm - 1.0).abs() < 1e-6,
        "1",
    )
}

/// The pan: angle, gearing, rate and last acceleration.
#[derive(Clone, Debug)]
pub(super) struct Pan {
    /// Pan angle per motor angle, with its sign.
    ratio: f64,
    pub angle: f64,
    rate: f64,
    change: f64,
}

impl Pan {
    pub(super) fn new(pan: &SimulatedPan) -> Self {
        let sign = if pan.positive_turns_left { 1.0 } else { -1.0 };
        Self {
            ratio: sign / pan.gear_ratio,
            angle: 0.0,
            rate: 0.0,
            change: 0.0,
        }
    }

    /// Updates the pan after a motor step of `dt` seconds.
    pub(super) fn follow(&mut self, motor: &Motor, dt: f64) {
        let rate = self.ratio * motor.velocity;
        self.angle = self.ratio * motor.angle;
        self.change = (rate - self.rate) / dt;
        self.rate = rate;
    }

    /// Returns the rotation from panned to base coordinates.
    pub(super) fn rotation(&self) -> Matrix3<f64> {
        let (sin, cos) = self.angle.sin_cos();
        Matrix3::new(cos, -sin, 0.0, sin, cos, 0.0, 0.0, 0.0, 1.0)
    }
}

/// Returns the motion of the beam's foot in the coordinates of the panned frame; `gravity` in m/s^2
/// along the world's -z.
pub(super) fn foot(base: &BaseState, pan: Option<&Pan>, gravity: f64) -> Foot {
    let down = base.orientation.inverse() * Vector3::new(0.0, 0.0, -gravity);
    let still = Foot {
        omega: base.omega,
        alpha: base.alpha,
        velocity: base.velocity,
        acceleration: base.acceleration,
        gravity: down,
    };
    let Some(pan) = pan else {
        return still;
    };
    let back = pan.rotation().transpose();
    let own = Vector3::new(0.0, 0.0, pan.rate);
    Foot {
        omega: back * base.omega + own,
        alpha: back * (base.alpha + base.omega.cross(&own)) + Vector3::new(0.0, 0.0, pan.change),
        velocity: back * base.velocity,
        acceleration: back * base.acceleration,
        gravity: back * down,
    }
}

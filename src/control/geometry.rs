//! Orientation, bend vector and constant-curvature pose.
//!
//! # Frames and coordinates
//! The base frame is fixed to the base plate: z along the plate's normal into the beam, x forward,
//! y left (REP-103). The head frame is fixed to the head plate. Its orientation equals that of the
//! base frame when the joint is straight.
//!
//! The bend of a joint is the vector `b = theta [cos phi, sin phi]` in rad: `theta >= 0` is the
//! inclination of the head plate, `phi` the direction of the lean, from +x toward +y. With constant
//! curvature and no torsion
//!
//! ```text
//! R = Rz(phi) Ry(theta) Rz(-phi) = exp([w]x),  w = (-b_y, b_x, 0)
//! p = (L/theta) [(1 - cos theta) cos phi, (1 - cos theta) sin phi, sin theta]
//! ```
//!
//! Source: Webster and Jones 2010, "Design and kinematic modeling of constant curvature continuum
//! robots: a review". Every function here is analytic in `b`, also at the straight joint. Where the
//! closed form would cancel, the power series is evaluated instead.
//!
//! # Singular set
//! All functions are regular for `theta < 2 pi`, with one exception: at `theta = pi` the split of
//! an orientation into yaw and bend leaves the yaw undetermined (see [`swing_twist`]).

use crate::control::solve::{Descent, Scale, shortened};
use nalgebra::{Matrix2, Matrix3, Matrix3x2, Rotation3, UnitQuaternion, Vector2, Vector3};

/// Bend vector `theta [cos phi, sin phi]`, rad.
pub type Bend = Vector2<f64>;

/// Configuration of a joint, `[bend x, bend y, pan]`, rad. The bend is expressed in the panned
/// frame, which is the base frame turned by the pan about its z. The head orientation is
/// [`orientation`] of pan and bend.
pub type Configuration = Vector3<f64>;

/// Returns the configuration of a bend and a pan, rad.
pub fn configuration(bend: Bend, pan: f64) -> Configuration {
    Configuration::new(bend.x, bend.y, pan)
}

/// Inclination below which no direction is reported, rad (3 deg): there the direction is mostly
/// sensor noise.
pub const DIRECTION_FLOOR: f64 = 3.0 * std::f64::consts::PI / 180.0;

/// Search of [`bend_from_gravity`].
const GRAVITY: Descent = Descent {
    steps: 12,
    tries: 12,
    scale: Scale::Unit,
    damping: 1e-6,
    min_damping: 1e-15,
    factor: 100.0,
    worth: 0.0,
};

/// `theta^2` below which the power series are used. Up to here twelve terms leave an error below
/// 1e-19; above it the closed forms no longer cancel.
const SERIES_BELOW: f64 = 4.0;

/// Number of terms of the power series.
const TERMS: usize = 12;

/// Returns `(2n + offset)!` for each term.
const fn factorials(offset: u32) -> [f64; TERMS] {
    let mut all = [1.0; TERMS];
    let mut factorial = 1.0;
    let mut k = 2;
    let mut n = 0;
    while n < TERMS {
        while k <= 2 * n as u32 + offset {
            factorial *= k as f64;
            k += 1;
        }
        all[n] = factorial;
        n += 1;
    }
    all
}

/// Returns the sum of `numerators[n] / divisors[n]`, smallest first.
#[inline]
fn series(numerators: &[f64; TERMS], divisors: &[f64; TERMS]) -> f64 {
    let terms = numerators.iter().zip(divisors);
    terms.rev().map(|(value, divisor)| value / divisor).sum()
}

/// A beam of constant curvature at one bend: its end's pose and the derivatives, all from the same
/// even functions of the inclination.
#[derive(Clone, Copy, Debug)]
pub struct Curvature {
    /// The bend.
    b: Bend,
    /// `cos theta`
    cos: f64,
    /// `S = sin theta / theta`
    s: f64,
    /// `C = (1 - cos theta) / theta^2`
    c: f64,
    /// `D = (sin theta - theta cos theta) / theta^3`, so that `dS/db = -D b`
    d: f64,
    /// `E = (theta sin theta - 2 (1 - cos theta)) / theta^4`, so that `dC/db = E b`
    e: f64,
    /// `F = (theta - sin theta) / theta^3`
    f: f64,
}

impl Curvature {
    /// Evaluates the functions at `b`, rad. Bound on work: five sums of twelve terms, or one sine
    /// and cosine.
    #[inline]
    pub fn at(b: Bend) -> Self {
        const BY_1: [f64; TERMS] = factorials(1);
        const BY_2: [f64; TERMS] = factorials(2);
        const BY_3: [f64; TERMS] = factorials(3);
        const BY_4: [f64; TERMS] = factorials(4);
        let x = b.norm_squared();
        if x < SERIES_BELOW {
            // (-x)^n, and 2 (n + 1) times that.
            let (mut powers, mut twice) = ([1.0; TERMS], [2.0; TERMS]);
            for n in 1..TERMS {
                powers[n] = powers[n - 1] * -x;
                twice[n] = powers[n] * (2.0 * (n as f64 + 1.0));
            }
            let c = series(&powers, &BY_2);
            Self {
                b,
                cos: 1.0 - x * c,
                s: series(&powers, &BY_1),
                c,
                d: series(&twice, &BY_3),
                e: -series(&twice, &BY_4),
                f: series(&powers, &BY_3),
            }
        } else {
            let theta = x.sqrt();
            let (sin, cos) = theta.sin_cos();
            let half = (0.5 * theta).sin();
            let versine = 2.0 * half * half;
            Self {
                b,
                cos,
                s: sin / theta,
                c: versine / x,
                d: (sin - theta * cos) / (x * theta),
                e: (theta * sin - 2.0 * versine) / (x * x),
                f: (theta - sin) / (x * theta),
            }
        }
    }

    /// Returns the orientation of the head plate in the base frame, `R = exp([(-b_y, b_x, 0)]x)`.
    ///
    /// The rotation maps head-frame vectors to the base frame. Source: Rodrigues' formula.
    pub fn rotation(&self) -> Rotation3<f64> {
        let Self { cos, s, c, .. } = *self;
        let (x, y) = (self.b.x, self.b.y);
        Rotation3::from_matrix_unchecked(Matrix3::new(
            1.0 - c * x * x,
            -c * x * y,
            s * x,
            -c * x * y,
            1.0 - c * y * y,
            s * y,
            -s * x,
            -s * y,
            cos,
        ))
    }

    /// Returns the centre of the beam's head end in the base frame, m, for a beam of `length` m:
    /// `p = L [C b_x, C b_y, S]`.
    pub fn position(&self, length: f64) -> Vector3<f64> {
        Vector3::new(self.c * self.b.x, self.c * self.b.y, self.s) * length
    }

    /// Returns `dp/db`, m/rad, 3 x 2: the derivative of the position.
    pub fn position_jacobian(&self, length: f64) -> Matrix3x2<f64> {
        let Self { c, d, e, .. } = *self;
        let (x, y) = (self.b.x, self.b.y);
        Matrix3x2::new(
            c + e * x * x,
            e * x * y,
            e * x * y,
            c + e * y * y,
            -d * x,
            -d * y,
        ) * length
    }

    /// Returns `[dR/db_x, dR/db_y]`, 1/rad: the derivative of the orientation.
    pub fn rotation_jacobian(&self) -> [Matrix3<f64>; 2] {
        let Self { b, s, c, d, e, .. } = *self;
        let (x, y) = (b.x, b.y);
        let slice = |i: usize| {
            let (bi, unit) = (b[i], if i == 0 { [1.0, 0.0] } else { [0.0, 1.0] });
            let [ux, uy] = unit;
            let xx = -(e * bi * x * x + 2.0 * c * ux * x);
            let xy = -(e * bi * x * y + c * (ux * y + uy * x));
            let yy = -(e * bi * y * y + 2.0 * c * uy * y);
            let (sx, sy) = (s * ux - d * bi * x, s * uy - d * bi * y);
            Matrix3::new(xx, xy, sx, xy, yy, sy, -sx, -sy, -s * bi)
        };
        [slice(0), slice(1)]
    }

    /// Returns `A(b)` with `omega = A(b) db/dt`: the angular velocity of the head plate in the
    /// **base** frame.
    ///
    /// It is the left Jacobian of the rotation group, `I + C [w]x + F [w]x^2`, applied to
    /// `dw = (-db_y, db_x, 0)`. Source: the derivative of the exponential map (for instance Bullo
    /// and Murray 1995, "Proportional derivative (PD) control on the Euclidean group").
    pub fn angular_jacobian(&self) -> Matrix3x2<f64> {
        self.angular(self.c)
    }

    /// Returns `A_head(b) = R(b)^T A(b)`: the angular velocity of the head plate in the **head**
    /// frame, as measured by a gyro on the plate.
    pub fn angular_jacobian_head(&self) -> Matrix3x2<f64> {
        // The right Jacobian is the left one with the sign of w reversed.
        self.angular(-self.c)
    }

    fn angular(&self, c: f64) -> Matrix3x2<f64> {
        let (x, y, f) = (self.b.x, self.b.y, self.f);
        Matrix3x2::new(
            -f * x * y,
            f * x * x - 1.0,
            1.0 - f * y * y,
            f * x * y,
            -c * y,
            c * x,
        )
    }
}

/// Returns the orientation of the head plate in the base frame; see [`Curvature::rotation`].
pub fn rotation(b: Bend) -> Rotation3<f64> {
    Curvature::at(b).rotation()
}

/// Returns the centre of the beam's head end in the base frame, m; see [`Curvature::position`].
pub fn position(b: Bend, length: f64) -> Vector3<f64> {
    Curvature::at(b).position(length)
}

/// Returns the inclination `theta = |b|`, rad.
pub fn inclination(b: Bend) -> f64 {
    b.x.hypot(b.y)
}

/// Returns the direction `phi` of the lean, rad in (-pi, pi], or `None` below [`DIRECTION_FLOOR`].
pub fn direction(b: Bend) -> Option<f64> {
    (inclination(b) >= DIRECTION_FLOOR).then(|| b.y.atan2(b.x))
}

/// Returns the bend of a given inclination and direction, both rad.
pub fn bend_from(inclination: f64, direction: f64) -> Bend {
    let (sin, cos) = direction.sin_cos();
    Vector2::new(inclination * cos, inclination * sin)
}

/// A bend measured by the direction of gravity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GravityFix {
    /// Bend at which gravity has its measured direction in the head frame, rad; always finite,
    /// `|bend| <= pi`.
    pub bend: Bend,
    /// How well gravity determines the bend, from 0 (one direction of bend is unobservable) to 1:
    /// the smallest singular value of the derivative of the gravity direction in the head frame
    /// with respect to the bend. An orientation error of 1 mrad is a bend error of up to
    /// `1/observability` mrad. It falls to zero as base tilt + inclination/2 approaches 90 deg in
    /// the plane of the tilt.
    pub observability: f64,
    /// Distance between the measured gravity direction and that of `bend`, both unit vectors; for
    /// small values the angle between them, rad. Max 2.
    pub residual: f64,
}

/// Returns the bend at which gravity has the direction `gravity_head` in the head frame: solves
/// `R(b)^T gravity_base = gravity_head` by descent from `near`.
///
/// Both vectors are directions of any length and the same sense, both down or both up.
/// `gravity_head` is in the head frame, after the mounting rotation of the IMU. `gravity_base` is
/// in the base frame; the base may be tilted. Only the direction of gravity is used, so yaw drift
/// of the IMU has no influence. At most 12 iterations of constant work.
///
/// In general there are two solutions, mirrored at the plane of zero observability; `near`, usually
/// the motors' bend, selects one. If a vector has no direction or is not finite, the result is
/// `near` with zero observability and the max residual.
pub fn bend_from_gravity(
    gravity_head: Vector3<f64>,
    gravity_base: Vector3<f64>,
    near: Bend,
) -> GravityFix {
    let start = within_half_turn(near);
    let (Some(seen), Some(base)) = (unit(gravity_head), unit(gravity_base)) else {
        return GravityFix {
            bend: start,
            observability: 0.0,
            residual: 2.0,
        };
    };
    // The bend, the derivative of gravity's direction in the head frame, and the error.
    let evaluate = |b: Bend| {
        let beam = Curvature::at(b);
        let modelled = beam.rotation().inverse_transform_vector(&base);
        // d(R^T g) = (R^T g) x omega_head, since d(R^T)/dt = -[omega_head]x R^T.
        let slope = modelled.cross_matrix() * beam.angular_jacobian_head();
        (b, slope, seen - modelled)
    };
    let (bend, slope, error) = GRAVITY.from(
        evaluate(start),
        |(_, _, error)| error.norm_squared(),
        |(_, slope, error)| (slope.transpose() * error, slope.transpose() * slope),
        // Half a radian per step keeps the descent on the branch of `near`.
        |(b, _, _), step| evaluate(within_half_turn(b + shortened(step, 0.5))),
    );
    GravityFix {
        bend,
        observability: eigenvalues(slope.transpose() * slope)
            .0
            .max(0.0)
            .sqrt()
            .min(1.0),
        residual: error.norm(),
    }
}

/// Returns the rate of bend, rad/s, from the head plate's angular velocity `omega_head` in the head
/// frame, rad/s: the least-squares solution of `A_head(b) db/dt = omega_head`.
///
/// The part of the angular velocity that a joint without torsion cannot have is ignored. At
/// `theta = 2 pi`, outside any joint's range, the cross-axis rate is unobservable and zero is
/// returned.
pub fn bend_rate_from_gyro(b: Bend, omega_head: Vector3<f64>) -> Vector2<f64> {
    let a = Curvature::at(b).angular_jacobian_head();
    let normal: Matrix2<f64> = a.transpose() * a;
    // det = (2 sin(theta/2) / theta)^2: 1 at zero, 0.4 at 180 deg.
    match normal.try_inverse() {
        Some(inverse) if normal.determinant() > 1e-12 => inverse * (a.transpose() * omega_head),
        _ => Vector2::zeros(),
    }
}

/// Splits an orientation as `R = Rz(twist) R(bend)`; returns `(twist, bend)`, rad.
///
/// The yaw `twist` lies in [-pi, pi], `|bend|` in [0, pi]. The split is exact and smooth except
/// where the head plate is upside down (`|bend| = pi`). There the yaw is undetermined, 0 is
/// returned for it, and the bend carries the whole orientation. Near that set the yaw depends
/// strongly on the orientation; both parts stay bounded. Yaws of +pi and -pi are the same
/// orientation.
pub fn swing_twist(orientation: &UnitQuaternion<f64>) -> (f64, Bend) {
    // With q = q_z(twist) q_s(bend): w = cos(twist/2) cos(theta/2), z = sin(twist/2) cos(theta/2),
    // and x + iy = e^{i twist/2} sin(theta/2) (-sin phi + i cos phi).
    let q = orientation.quaternion();
    // Of the two quaternions of an orientation, use the one with `w >= 0`.
    let flip = if q.w < 0.0 { -1.0 } else { 1.0 };
    let (w, x, y, z) = (flip * q.w, flip * q.i, flip * q.j, flip * q.k);
    let cos_half = w.hypot(z);
    let sin_half = x.hypot(y);
    let (twist, cos, sin) = if cos_half > 0.0 {
        (2.0 * z.atan2(w), w / cos_half, z / cos_half)
    } else {
        (0.0, 1.0, 0.0)
    };
    let (u, v) = (x * cos + y * sin, y * cos - x * sin);
    let scale = if sin_half > 0.0 {
        2.0 * sin_half.atan2(cos_half) / sin_half
    } else {
        0.0
    };
    (twist, Vector2::new(v * scale, -u * scale))
}

/// Returns the orientation of a yaw `twist` about the base normal followed by a bend,
/// `Rz(twist) R(bend)`, both in rad.
pub fn orientation(twist: f64, b: Bend) -> Rotation3<f64> {
    Rotation3::from_axis_angle(&Vector3::z_axis(), twist) * rotation(b)
}

/// Returns the bend scaled to at most half a turn; a bend that is not finite becomes straight.
pub(crate) fn within_half_turn(b: Bend) -> Bend {
    let theta = inclination(b);
    if !theta.is_finite() {
        Vector2::zeros()
    } else if theta > std::f64::consts::PI {
        b * (std::f64::consts::PI / theta)
    } else {
        b
    }
}

/// Returns the eigenvalues of a symmetric 2 x 2 matrix, smaller first.
pub(crate) fn eigenvalues(m: Matrix2<f64>) -> (f64, f64) {
    let mean = 0.5 * (m[(0, 0)] + m[(1, 1)]);
    let spread = (0.5 * (m[(0, 0)] - m[(1, 1)])).hypot(m[(0, 1)]);
    let larger = mean + spread;
    // Computed from the determinant, the product of both, to avoid the cancellation of mean -
    // spread.
    let smaller = if larger > 0.0 {
        (m.determinant() / larger).clamp(0.0, larger)
    } else {
        0.0
    };
    (smaller, larger)
}

/// Returns the unit vector along `v`, or `None` if `v` has no direction.
fn unit(v: Vector3<f64>) -> Option<Vector3<f64>> {
    // Scaling by the largest component first keeps very large and very small vectors in range.
    let largest = v.amax();
    if !(largest > 0.0 && v.iter().all(|c| c.is_finite())) {
        return None;
    }
    Some((v / largest).normalize())
}

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

/// Max iterations of [`bend_from_gravity`].
pub const GRAVITY_ITERATIONS: usize = 12;

/// `theta^2` below which the power series are used. Up to here twelve terms leave an error below
/// 1e-19; above it the closed forms no longer cancel.
const SERIES_BELOW: f64 = 4.0;

/// Even functions of the inclination from which all others are built.
#[derive(Clone, Copy, Debug)]
struct Coefficients {
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

/// Returns `sum_n (-x)^n numerator(n) / (2n + offset)!` over twelve terms, added smallest first.
fn series(x: f64, offset: u32, numerator: impl Fn(f64) -> f64) -> f64 {
    let mut terms = [0.0; 12];
    let mut factorial = 1.0;
    let mut power = 1.0;
    for k in 2..=offset {
        factorial *= f64::from(k);
    }
    for (n, term) in terms.iter_mut().enumerate() {
        let m = n as f64;
        *term = power * numerator(m) / factorial;
        power *= -x;
        let k = 2.0 * m + f64::from(offset);
        factorial *= (k + 1.0) * (k + 2.0);
    }
    terms.iter().rev().sum()
}

impl Coefficients {
    /// Evaluates the coefficients at `b`. Bound on work: five sums of twelve terms, or one sine and
    /// cosine.
    fn at(b: Bend) -> Self {
        let x = b.norm_squared();
        if x < SERIES_BELOW {
            let c = series(x, 2, |_| 1.0);
            Self {
                cos: 1.0 - x * c,
                s: series(x, 1, |_| 1.0),
                c,
                d: series(x, 3, |n| 2.0 * (n + 1.0)),
                e: -series(x, 4, |n| 2.0 * (n + 1.0)),
                f: series(x, 3, |_| 1.0),
            }
        } else {
            let theta = x.sqrt();
            let (sin, cos) = theta.sin_cos();
            let half = (0.5 * theta).sin();
            let versine = 2.0 * half * half;
            Self {
                cos,
                s: sin / theta,
                c: versine / x,
                d: (sin - theta * cos) / (x * theta),
                e: (theta * sin - 2.0 * versine) / (x * x),
                f: (theta - sin) / (x * theta),
            }
        }
    }
}

/// Returns the orientation of the head plate in the base frame, `R = exp([(-b_y, b_x, 0)]x)`.
///
/// The rotation maps head-frame vectors to the base frame. Source: Rodrigues' formula.
pub fn rotation(b: Bend) -> Rotation3<f64> {
    let k = Coefficients::at(b);
    let (x, y) = (b.x, b.y);
    Rotation3::from_matrix_unchecked(Matrix3::new(
        1.0 - k.c * x * x,
        -k.c * x * y,
        k.s * x,
        -k.c * x * y,
        1.0 - k.c * y * y,
        k.s * y,
        -k.s * x,
        -k.s * y,
        k.cos,
    ))
}

/// Returns the centre of the beam's head end in the base frame, m, for a beam of `length` m:
/// `p = L [C b_x, C b_y, S]`.
pub fn position(b: Bend, length: f64) -> Vector3<f64> {
    let k = Coefficients::at(b);
    Vector3::new(k.c * b.x, k.c * b.y, k.s) * length
}

/// Returns `dp/db`, m/rad, 3 x 2: the derivative of [`position`].
pub fn position_jacobian(b: Bend, length: f64) -> Matrix3x2<f64> {
    let k = Coefficients::at(b);
    let (x, y) = (b.x, b.y);
    Matrix3x2::new(
        k.c + k.e * x * x,
        k.e * x * y,
        k.e * x * y,
        k.c + k.e * y * y,
        -k.d * x,
        -k.d * y,
    ) * length
}

/// Returns `[dR/db_x, dR/db_y]`, 1/rad: the derivative of [`rotation`].
pub fn rotation_jacobian(b: Bend) -> [Matrix3<f64>; 2] {
    let k = Coefficients::at(b);
    let (x, y) = (b.x, b.y);
    let slice = |i: usize| {
        let (bi, unit) = (b[i], if i == 0 { [1.0, 0.0] } else { [0.0, 1.0] });
        let [ux, uy] = unit;
        let xx = -(k.e * bi * x * x + 2.0 * k.c * ux * x);
        let xy = -(k.e * bi * x * y + k.c * (ux * y + uy * x));
        let yy = -(k.e * bi * y * y + 2.0 * k.c * uy * y);
        let sx = k.s * ux - k.d * bi * x;
        let sy = k.s * uy - k.d * bi * y;
        Matrix3::new(xx, xy, sx, xy, yy, sy, -sx, -sy, -k.s * bi)
    };
    [slice(0), slice(1)]
}

/// Returns `A(b)` with `omega = A(b) db/dt`: the angular velocity of the head plate in the **base**
/// frame.
///
/// It is the left Jacobian of the rotation group, `I + C [w]x + F [w]x^2`, applied to
/// `dw = (-db_y, db_x, 0)`. Source: the derivative of the exponential map (for instance Bullo and
/// Murray 1995, "Proportional derivative (PD) control on the Euclidean group").
pub fn angular_jacobian(b: Bend) -> Matrix3x2<f64> {
    let k = Coefficients::at(b);
    angular(b, k.c, k.f)
}

/// Returns `A_head(b) = R(b)^T A(b)`: the angular velocity of the head plate in the **head** frame,
/// as measured by a gyro on the plate.
pub fn angular_jacobian_head(b: Bend) -> Matrix3x2<f64> {
    let k = Coefficients::at(b);
    // The right Jacobian is the left one with the sign of w reversed.
    angular(b, -k.c, k.f)
}

fn angular(b: Bend, c: f64, f: f64) -> Matrix3x2<f64> {
    let (x, y) = (b.x, b.y);
    Matrix3x2::new(
        -f * x * y,
        f * x * x - 1.0,
        1.0 - f * y * y,
        f * x * y,
        -c * y,
        c * x,
    )
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
/// of the IMU has no influence. Levenberg-Marquardt, at most [`GRAVITY_ITERATIONS`] iterations of
/// constant work.
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
    let model = |b: Bend| rotation(b).inverse_transform_vector(&base);
    // d(R^T g) = (R^T g) x omega_head, since d(R^T)/dt = -[omega_head]x R^T.
    let slope = |b: Bend, h: Vector3<f64>| h.cross_matrix() * angular_jacobian_head(b);

    let mut b = start;
    let mut h = model(b);
    let mut cost = (seen - h).norm_squared();
    let mut damping = 1e-6;
    for _ in 0..GRAVITY_ITERATIONS {
        let j = slope(b, h);
        let gradient = j.transpose() * (seen - h);
        let normal = j.transpose() * j + Matrix2::identity() * damping;
        let Some(inverse) = normal.try_inverse() else {
            break;
        };
        let mut step = inverse * gradient;
        // Half a radian per iteration keeps the descent on the branch of `near`.
        let size = step.norm();
        if size > 0.5 {
            step *= 0.5 / size;
        }
        let next = within_half_turn(b + step);
        let next_h = model(next);
        let next_cost = (seen - next_h).norm_squared();
        if next_cost <= cost {
            b = next;
            h = next_h;
            cost = next_cost;
            damping = (damping * 0.01).max(1e-15);
            if size < 1e-15 {
                break;
            }
        } else if size < 1e-9 {
            // Below this the cost is flat to rounding.
            break;
        } else {
            damping = (damping * 100.0).max(1e-6);
        }
    }
    let j = slope(b, h);
    GravityFix {
        bend: b,
        observability: smallest_singular_value(j.transpose() * j).min(1.0),
        residual: cost.sqrt(),
    }
}

/// Returns the rate of bend, rad/s, from the head plate's angular velocity `omega_head` in the head
/// frame, rad/s: the least-squares solution of `A_head(b) db/dt = omega_head`.
///
/// The part of the angular velocity that a joint without torsion cannot have is ignored. At
/// `theta = 2 pi`, outside any joint's range, the cross-axis rate is unobservable and zero is
/// returned.
pub fn bend_rate_from_gyro(b: Bend, omega_head: Vector3<f64>) -> Vector2<f64> {
    let a = angular_jacobian_head(b);
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

/// Returns the smallest singular value of a matrix `A` given `A^T A`.
pub(crate) fn smallest_singular_value(normal: Matrix2<f64>) -> f64 {
    eigenvalues(normal).0.max(0.0).sqrt()
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

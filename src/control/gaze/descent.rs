//! Descent of a function of two variables inside a disc or a strip, from a given start.

use nalgebra::{Matrix2, Vector2};

/// Max Newton steps of one descent.
pub(super) const STEPS: usize = 40;

/// Max halvings of one step.
const HALVINGS: usize = 12;

/// Max step, rad; it keeps the descent on the branch of its start.
const LONGEST_STEP: f64 = 0.3;

/// Step of the central differences of the gradient, rad. Their error is then about 1e-10.
const DIFFERENCE: f64 = 1e-6;

/// Curvature below which a direction counts as flat, so that the descent does not move along it
/// without gain.
const FLAT: f64 = 1e-7;

/// Domain of the two variables.
#[derive(Clone, Copy, Debug)]
pub(super) enum Domain {
    /// Both variables inside a circle of this radius about zero.
    Disc(f64),
    /// First variable free, second between these limits.
    Strip(f64, f64),
}

impl Domain {
    /// Returns the point of the domain closest to `v`.
    pub(super) fn nearest(self, v: Vector2<f64>) -> Vector2<f64> {
        match self {
            Self::Disc(radius) => {
                let size = v.norm();
                if size > radius {
                    v * (radius / size)
                } else {
                    v
                }
            }
            Self::Strip(low, high) => Vector2::new(v.x, v.y.clamp(low, high)),
        }
    }

    /// Returns the outward normal and the curvature of the edge if `v` is on it.
    fn edge(self, v: Vector2<f64>) -> Option<(Vector2<f64>, f64)> {
        match self {
            Self::Disc(radius) => {
                let size = v.norm();
                (size >= radius * (1.0 - 1e-12)).then(|| (v / size, 1.0 / radius))
            }
            Self::Strip(low, _) if v.y <= low => Some((Vector2::new(0.0, -1.0), 0.0)),
            Self::Strip(_, high) if v.y >= high => Some((Vector2::new(0.0, 1.0), 0.0)),
            Self::Strip(..) => None,
        }
    }
}

/// Returns a minimum of `f` inside the domain, by descent from `start`.
///
/// `f` returns its value and gradient. Projected Newton: the second derivative comes from
/// differences of the gradient, and its eigenvalues are made positive so that every step descends.
/// If the descent direction leads out of the domain, the step follows the edge. Steps that do not
/// lower `f` are halved. Source: Bertsekas 1982, "Projected Newton methods for optimization
/// problems with simple constraints" (from memory).
///
/// Bound on work: [`STEPS`] x (5 + 2 x 12) evaluations of `f`; typically 5 to 10 steps of 6.
pub(super) fn descend(
    f: impl Fn(Vector2<f64>) -> (f64, Vector2<f64>),
    domain: Domain,
    start: Vector2<f64>,
) -> Vector2<f64> {
    let mut v = domain.nearest(start);
    let (mut value, mut gradient) = f(v);
    for _ in 0..STEPS {
        let second = second_derivative(&f, v);
        let outward = domain
            .edge(v)
            .filter(|(normal, _)| gradient.dot(normal) < 0.0);
        let (newton, steepest) = match outward {
            Some((normal, bent)) => {
                let along = Vector2::new(-normal.y, normal.x);
                let slope = gradient.dot(&along);
                // Second derivative of f along the edge: t'Ht minus the outward slope times the
                // edge's curvature.
                let curvature = along.dot(&(second * along)) - gradient.dot(&normal) * bent;
                (along * (-slope / curvature.abs().max(FLAT)), along * -slope)
            }
            None => (downhill(second, gradient), -gradient),
        };
        let mut moved = None;
        for direction in [newton, steepest] {
            let size = direction.norm();
            if size.is_nan() || size <= 0.0 {
                continue;
            }
            let mut step = direction * (LONGEST_STEP / size).min(1.0);
            for _ in 0..HALVINGS {
                let next = domain.nearest(v + step);
                let there = f(next);
                if there.0 < value {
                    moved = Some((next, there));
                    break;
                }
                step *= 0.5;
            }
            if moved.is_some() {
                break;
            }
        }
        let Some((next, there)) = moved else {
            break;
        };
        let size = (next - v).norm();
        v = next;
        (value, gradient) = there;
        if size < 1e-13 {
            break;
        }
    }
    v
}

/// Returns the central differences of the gradient, made symmetric.
fn second_derivative(
    f: &impl Fn(Vector2<f64>) -> (f64, Vector2<f64>),
    v: Vector2<f64>,
) -> Matrix2<f64> {
    let column = |d: Vector2<f64>| (f(v + d).1 - f(v - d).1) / (2.0 * DIFFERENCE);
    let x = column(Vector2::new(DIFFERENCE, 0.0));
    let y = column(Vector2::new(0.0, DIFFERENCE));
    let mixed = 0.5 * (x.y + y.x);
    Matrix2::new(x.x, mixed, mixed, y.y)
}

/// Returns Newton's step with the eigenvalues of the second derivative made positive and at least
/// [`FLAT`].
fn downhill(second: Matrix2<f64>, gradient: Vector2<f64>) -> Vector2<f64> {
    // The eigenvectors of a symmetric 2 x 2 matrix lie at half this angle and perpendicular to it.
    let turn = 0.5 * (2.0 * second[(0, 1)]).atan2(second[(0, 0)] - second[(1, 1)]);
    let (sin, cos) = turn.sin_cos();
    let axes = [Vector2::new(cos, sin), Vector2::new(-sin, cos)];
    let mut step = Vector2::zeros();
    for axis in axes {
        let curvature = axis.dot(&(second * axis)).abs().max(FLAT);
        step -= axis * (axis.dot(&gradient) / curvature);
    }
    step
}

//! Descent of a function of two variables inside a disc or a strip, from a given start.

use nalgebra::{Matrix2, Vector2};

/// Newton steps of one descent at most.
pub(super) const STEPS: usize = 40;

/// Halvings of one step at most.
const HALVINGS: usize = 12;

/// Longest step, rad: keeps the descent on the branch of its start.
const LONGEST_STEP: f64 = 0.3;

/// Step of the central differences of the gradient, rad. Their error is then about 1e-10.
const DIFFERENCE: f64 = 1e-6;

/// Curvature below which a direction counts as flat: the descent does not walk along it for nothing.
const FLAT: f64 = 1e-7;

/// Where the variables may be.
#[derive(Clone, Copy, Debug)]
pub(super) enum Domain {
    /// Both variables inside a circle of this radius about zero.
    Disc(f64),
    /// The first variable free, the second between these.
    Strip(f64, f64),
}

impl Domain {
    /// The point of the domain closest to `v`.
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

    /// The outward normal and the curvature of the edge where `v` is on it.
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

/// Walks downhill from `start` to where `f` has no way down inside the domain.
///
/// `f` returns its value and gradient. Projected Newton: the second derivative by differences of the
/// gradient, its eigenvalues taken positive so that every step leads down, along the edge where the
/// way down leads out; steps that do not lower `f` are halved. Source: Bertsekas 1982, "Projected
/// Newton methods for optimization problems with simple constraints" (from memory).
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
                // Second derivative of f along the edge: t'Ht plus the slope times the edge's turning.
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

/// Central differences of the gradient, made symmetric.
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

/// Newton's step with the eigenvalues of the second derivative taken positive and at least [`FLAT`].
fn downhill(second: Matrix2<f64>, gradient: Vector2<f64>) -> Vector2<f64> {
    // The eigenvectors of a symmetric 2 x 2 matrix lie at half this angle, and across.
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

//! Arithmetic in the generalised coordinates of the beam.

use nalgebra::{SMatrix, SVector, Vector3};

/// Generalised coordinates: three Legendre coefficients per bending direction.
pub(super) const COORDINATES: usize = 6;

pub(super) type Coordinates = SVector<f64, COORDINATES>;
/// Derivative of a vector with respect to q: the gradient of each of its components.
pub(super) type Slopes = [Coordinates; 3];
pub(super) type Square = SMatrix<f64, COORDINATES, COORDINATES>;

/// Returns d(w x arm)/dq for w with the derivative `slopes` and a fixed `arm`.
#[inline]
pub(super) fn cross(slopes: &Slopes, arm: &Vector3<f64>) -> Slopes {
    let [x, y, z] = slopes;
    [
        y * arm.z - z * arm.y,
        z * arm.x - x * arm.z,
        x * arm.y - y * arm.x,
    ]
}

/// Returns the derivative's transpose times `vector`: a force in generalised coordinates.
#[inline]
pub(super) fn along(slopes: &Slopes, vector: &Vector3<f64>) -> Coordinates {
    slopes[0] * vector.x + slopes[1] * vector.y + slopes[2] * vector.z
}

/// Adds the lower half of the symmetric `left^T right`.
#[inline]
pub(super) fn add_symmetric(matrix: &mut Square, left: &Slopes, right: &Slopes) {
    let [x, y, z] = left;
    for a in 0..COORDINATES {
        let [p, q, r] = right.map(|row| row[a]);
        // From the even row on: pairs of rows are added as one.
        for b in (a & !1)..COORDINATES {
            matrix[(b, a)] += x[b] * p + y[b] * q + z[b] * r;
        }
    }
}

/// Adds `factor` times the outer product of a vector with itself.
pub(super) fn add_outer(matrix: &mut Square, vector: &Coordinates, factor: f64) {
    for a in 0..COORDINATES {
        let mut column = matrix.column_mut(a);
        column += vector * (factor * vector[a]);
    }
}

/// Solves a symmetric positive definite system by Cholesky's method.
pub(super) fn solve(mut a: Square, mut b: Coordinates) -> Coordinates {
    for j in 0..COORDINATES {
        for k in 0..j {
            for i in j..COORDINATES {
                a[(i, j)] -= a[(i, k)] * a[(j, k)];
            }
        }
        // Positive: stiffness alone is positive definite, and mass and damping add to it.
        let root = a[(j, j)].sqrt();
        for i in j..COORDINATES {
            a[(i, j)] /= root;
        }
    }
    for i in 0..COORDINATES {
        for k in 0..i {
            b[i] -= a[(i, k)] * b[k];
        }
        b[i] /= a[(i, i)];
    }
    for i in (0..COORDINATES).rev() {
        for k in i + 1..COORDINATES {
            b[i] -= a[(k, i)] * b[k];
        }
        b[i] /= a[(i, i)];
    }
    b
}

//! Split of motor space into bend and internal directions.

use nalgebra::{Matrix2, Vector2};

/// The projection `P = J (J^T W J)^-1 J^T W` onto bend space, the range of the Jacobian, at one
/// bend.
///
/// It is orthogonal in the tendons' stretch energy: the part removed from a set of motor angles
/// stretches tendons against each other without bending the joint. The N x N matrix is not formed.
/// Source: weighted least squares.
#[derive(Clone, Copy, Debug)]
pub struct Projection<'a> {
    jacobian: &'a [Vector2<f64>],
    weights: &'a [f64],
    /// `(J^T W J)^-1`, or zero where the Jacobian has no rank 2.
    inverse: Matrix2<f64>,
}

impl<'a> Projection<'a> {
    /// Builds the projection from the rows of the Jacobian and the weights, one of each per motor.
    pub fn new(jacobian: &'a [Vector2<f64>], weights: &'a [f64]) -> Self {
        let normal: Matrix2<f64> = jacobian
            .iter()
            .zip(weights)
            .map(|(row, w)| row * row.transpose() * *w)
            .sum();
        Self {
            jacobian,
            weights,
            // A checked joint has rank 2 in its whole range. Outside it the projection is zero
            // rather than infinite.
            inverse: normal.try_inverse().unwrap_or_else(Matrix2::zeros),
        }
    }

    /// Returns the coordinates in bend space, `(J^T W J)^-1 J^T W v`: the change of bend (rad) that
    /// best fits a change `v` of motor angles (rad).
    pub fn bend_part(&self, v: &[f64]) -> Vector2<f64> {
        let mut moment = Vector2::zeros();
        for ((row, w), value) in self.jacobian.iter().zip(self.weights).zip(v) {
            moment += row * (w * value);
        }
        self.inverse * moment
    }

    /// Replaces `v` by `P v`; returns the coordinates of `P v` in bend space.
    pub fn project(&self, v: &mut [f64]) -> Vector2<f64> {
        let bend = self.bend_part(v);
        self.expand(bend, v);
        bend
    }

    /// Replaces `v` by its internal part `v - P v`; returns the bend part removed.
    pub fn reject(&self, v: &mut [f64]) -> Vector2<f64> {
        let bend = self.bend_part(v);
        for (value, row) in v.iter_mut().zip(self.jacobian) {
            *value -= row.dot(&bend);
        }
        bend
    }

    /// Writes the motor angles `J bend` of a change of bend into `out`.
    pub fn expand(&self, bend: Vector2<f64>, out: &mut [f64]) {
        for (value, row) in out.iter_mut().zip(self.jacobian) {
            *value = row.dot(&bend);
        }
    }
}

//! The mistake of a builder that explains best how the head moves.
//!
//! Near a bend, motors that turn by `dq = J db` for a bend `db` move the head of a right joint by
//! `P dq = db`, `P = (J^T W J)^-1 J^T W`. A wrong joint moves it by `P S dq`, where `S` holds the
//! mistake's signs, order or sizes. So each mistake is a map from commanded to real motion, `P S J`;
//! the one nearest to the observed map is named.

use crate::control::geometry::Bend;
use crate::control::kinematics::Projection;
use nalgebra::Matrix2;

/// A way in which a joint is not as its file says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum WrongBuild {
    /// Every motor's sign is wrong, or the IMU is turned by 180 deg about the neck: the motions are
    /// the same.
    Reversed,
    /// This motor's sign is wrong.
    Sign(usize),
    /// These two motors, or their tendons, are swapped.
    Swapped(usize, usize),
    /// The IMU's mounting is turned about the neck by about this angle, rad.
    Turned(f64),
    /// All drums have about this many times the radius of the file.
    Drums(f64),
    /// This motor's drum has about this many times the radius of the file.
    Drum(usize, f64),
    /// This motor does not move its tendon.
    Loose(usize),
    /// The head follows no motor.
    Still,
}

/// Distance between the motions, as a share of the commanded one, above which no mistake explains
/// them.
const FAR: f64 = 0.45;
/// Advantage that a mistake of one or two motors needs, as there are more of them to choose from:
/// of a sign or an order, and of a size.
const RARE: f64 = 0.05;
const RARER: f64 = 0.1;

/// Returns the mistake that explains best the `observed` map from the motors' motion to the head's,
/// at the bend of `projection` with its `jacobian`; `None` if none does. `motions`: sum of `m m^T`
/// over the motors' motions `m` in bend space, rad^2 s. Work: motors squared.
pub(super) fn explain(
    projection: &Projection,
    jacobian: &[Bend],
    observed: &Matrix2<f64>,
    motions: &Matrix2<f64>,
) -> Option<WrongBuild> {
    use WrongBuild::{Drum, Drums, Loose, Reversed, Sign, Still, Swapped, Turned};
    let right = Matrix2::identity();
    let scale = motions.trace();
    let mut best: (f64, Option<WrongBuild>) = (FAR, None);
    let mut look = |mistake: WrongBuild, map: Matrix2<f64>, handicap: f64| {
        let off = map - observed;
        let far = ((off * motions * off.transpose()).trace() / scale).sqrt() + handicap;
        if far < best.0 {
            best = (far, Some(mistake));
        }
    };
    let quarter = Matrix2::new(0.0, 1.0, -1.0, 0.0);
    look(Reversed, -right, 0.0);
    look(Drums(2.0), right * 2.0, 0.0);
    look(Drums(0.5), right * 0.5, 0.0);
    look(Turned(std::f64::consts::FRAC_PI_2), quarter, 0.0);
    look(Turned(-std::f64::consts::FRAC_PI_2), -quarter, 0.0);
    look(Still, Matrix2::zeros(), 0.0);
    for (i, row) in jacobian.iter().enumerate() {
        let of_one = projection.part_of(i);
        let part = of_one * row.transpose();
        look(Sign(i), right - part * 2.0, RARE);
        look(Drum(i, 2.0), right + part, RARER);
        look(Drum(i, 0.5), right - part * 0.5, RARER);
        look(Loose(i), right - part, RARER);
        for (j, other) in jacobian.iter().enumerate().skip(i + 1) {
            let change = (of_one - projection.part_of(j)) * (other - row).transpose();
            look(Swapped(i, j), right + change, RARE);
        }
    }
    best.1
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::{FRAC_PI_2, TAU};

    /// Rows of a neck with four tendons, as in the shipped joint file.
    fn rows() -> Vec<Bend> {
        let angles = [20.0_f64, 115.0, 197.0, 290.0].map(f64::to_radians);
        angles.map(|a| Bend::new(a.cos(), a.sin()) * -4.0).to_vec()
    }

    /// Returns how many of twelve motions in one direction each name the mistake, of those whose
    /// head is off by more than the rule's limit.
    fn named(mistake: WrongBuild, wrong: impl Fn(&[f64]) -> Vec<f64>) -> (usize, usize) {
        let (rows, weights) = (rows(), [1.0; 4]);
        let projection = Projection::new(&rows, &weights);
        let (mut named, mut all) = (0, 0);
        for step in 0..12 {
            let angle = TAU * f64::from(step) / 12.0;
            let way = Bend::new(angle.cos(), angle.sin());
            let turned: Vec<f64> = rows.iter().map(|row| row.dot(&way)).collect();
            let head = projection.bend_part(&wrong(&turned));
            if (head - way).norm() <= 0.3 {
                continue;
            }
            all += 1;
            // A motion along one line shows the map of this line alone.
            let observed = Matrix2::identity() + (head - way) * way.transpose();
            let motions = way * way.transpose();
            let found = explain(&projection, &rows, &observed, &motions);
            named += usize::from(found == Some(mistake));
        }
        (named, all)
    }

    #[test]
    fn mistakes_of_all_motors_are_named_in_every_direction() {
        let times = |factor: f64| move |q: &[f64]| q.iter().map(|q| q * factor).collect();
        assert_eq!(named(WrongBuild::Reversed, times(-1.0)), (12, 12));
        assert_eq!(named(WrongBuild::Drums(2.0), times(2.0)), (12, 12));
        assert_eq!(named(WrongBuild::Drums(0.5), times(0.5)), (12, 12));
        assert_eq!(named(WrongBuild::Still, times(0.0)), (12, 12));
    }

    #[test]
    fn mistakes_of_one_or_two_motors_are_named_where_the_motion_shows_them() {
        let mut sum = (0, 0);
        for i in 0..4 {
            let sign = named(WrongBuild::Sign(i), |q| {
                let mut q = q.to_vec();
                q[i] = -q[i];
                q
            });
            sum = (sum.0 + sign.0, sum.1 + sign.1);
        }
        // Along the axis of a tendon the head stands still, whichever of the two ends is wrong.
        println!("signs: {} of {}", sum.0, sum.1);
        assert!(2 * sum.0 >= sum.1, "{sum:?}");
    }

    #[test]
    fn motions_in_both_directions_name_one_motor() {
        let (rows, weights) = (rows(), [1.0; 4]);
        let projection = Projection::new(&rows, &weights);
        for (i, row) in rows.iter().enumerate() {
            let part = projection.part_of(i) * row.transpose();
            let observed = Matrix2::identity() - part * 2.0;
            let found = explain(&projection, &rows, &observed, &Matrix2::identity());
            assert_eq!(found, Some(WrongBuild::Sign(i)));
        }
        // The IMU turned by +90 deg about the neck shows a motion toward +x as one toward -y.
        let turned = Matrix2::new(0.0, 1.0, -1.0, 0.0);
        let found = explain(&projection, &rows, &turned, &Matrix2::identity());
        assert_eq!(found, Some(WrongBuild::Turned(FRAC_PI_2)));
        // A right joint is none of them.
        let right = Matrix2::identity();
        assert_eq!(explain(&projection, &rows, &right, &right), None);
    }
}

//! The mistake of a builder that explains best how the head moved.
//!
//! Each mistake says how the head moves when the motors turn by `dq`: the right joint's bend is
//! `b(dq) = (J^T W J)^-1 J^T W dq`, that of a wrong one `b(S dq)`, `S` the mistake's signs, order or
//! sizes. The mistake with the nearest motion is named.

use crate::control::geometry::Bend;
use crate::control::kinematics::Projection;

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

/// Distance between motions, as a share of the greater one, above which no mistake explains them.
const FAR: f64 = 0.4;
/// What a mistake of one or two motors must be nearer than one of all: it has more to choose from.
const RARER: f64 = 0.05;
/// Motion of a motor below which it is not blamed, rad.
const MOVED: f64 = 0.01;

/// Returns the mistake that explains best why the head moved by `head` (rad of bend) while the
/// motors turned by `turned` (rad), at the bend of `projection`; `None` if none does. Work: motors
/// squared.
pub(super) fn explain(projection: &Projection, turned: &[f64], head: Bend) -> Option<WrongBuild> {
    use WrongBuild::{Drum, Drums, Loose, Reversed, Sign, Still, Swapped, Turned};
    let right = projection.bend_part(turned);
    let scale = right.norm().max(head.norm());
    let mut best: (f64, Option<WrongBuild>) = (FAR, None);
    let mut look = |mistake: WrongBuild, motion: Bend, handicap: f64| {
        let far = (motion - head).norm() / scale + handicap;
        if far < best.0 {
            best = (far, Some(mistake));
        }
    };
    let quarter = std::f64::consts::FRAC_PI_2;
    look(Reversed, -right, 0.0);
    look(Drums(2.0), right * 2.0, 0.0);
    look(Drums(0.5), right * 0.5, 0.0);
    look(Turned(quarter), Bend::new(right.y, -right.x), 0.0);
    look(Turned(-quarter), Bend::new(-right.y, right.x), 0.0);
    look(Still, Bend::zeros(), 0.0);
    for (i, turned_i) in turned.iter().enumerate() {
        let of_one = projection.part_of(i);
        let part = of_one * *turned_i;
        if turned_i.abs() >= MOVED {
            look(Sign(i), right - part * 2.0, RARER);
            look(Drum(i, 2.0), right + part, 2.0 * RARER);
            look(Drum(i, 0.5), right - part * 0.5, 2.0 * RARER);
            look(Loose(i), right - part, 2.0 * RARER);
        }
        for (j, turned_j) in turned.iter().enumerate().skip(i + 1) {
            let change = (of_one - projection.part_of(j)) * (turned_j - turned_i);
            look(Swapped(i, j), right + change, RARER);
        }
    }
    best.1
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Vector2;

    /// Four tendons of a neck, as in the shipped joint file.
    fn rows() -> Vec<Bend> {
        let angles = [20.0_f64, 115.0, 197.0, 290.0].map(f64::to_radians);
        angles
            .map(|a| -4.0 * Vector2::new(a.cos(), a.sin()))
            .to_vec()
    }

    #[test]
    fn mistakes_are_named_in_most_directions() {
        let (rows, weights) = (rows(), [1.0; 4]);
        let projection = Projection::new(&rows, &weights);
        let mut named = 0;
        let mut all = 0;
        for step in 0..12 {
            let angle = std::f64::consts::TAU * f64::from(step) / 12.0;
            let bend = Vector2::new(angle.cos(), angle.sin()) * 0.05;
            let turned: Vec<f64> = rows.iter().map(|row| row.dot(&bend)).collect();
            let mut see = |mistake: WrongBuild, seen: &[f64]| {
                let head = projection.bend_part(seen);
                if (head - bend).norm() > 0.3 * bend.norm() {
                    all += 1;
                    named += i32::from(explain(&projection, &turned, head) == Some(mistake));
                }
            };
            see(
                WrongBuild::Reversed,
                &turned.iter().map(|q| -q).collect::<Vec<_>>(),
            );
            see(
                WrongBuild::Drums(2.0),
                &turned.iter().map(|q| 2.0 * q).collect::<Vec<_>>(),
            );
            for i in 0..4 {
                let mut seen = turned.clone();
                seen[i] = -seen[i];
                see(WrongBuild::Sign(i), &seen);
            }
            assert_eq!(
                explain(&projection, &turned, Bend::zeros()),
                Some(WrongBuild::Still)
            );
        }
        println!("{named} of {all}");
        assert!(f64::from(named) >= 0.8 * f64::from(all), "{named} of {all}");
    }
}

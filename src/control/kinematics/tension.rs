//! Balanced tensions of the tendons, and checks that they exist over the whole range of bend.

use nalgebra::{Matrix2, Vector2};

use super::routing::RoutingError;
use super::{Bend, Kinematics};
use crate::control::geometry;
use crate::control::solve::{Descent, Scale};

/// Min balanced tension of a tendon, as a share of the mean of the requested tensions.
pub const TENSION_FLOOR: f64 = 0.05;

/// Max angular gap between neighbouring tendons' pulls, rad (178 deg). Balance is lost at 180; just
/// below it the required tensions differ by factors of tens.
const WIDEST_GAP: f64 = 178.0 * std::f64::consts::PI / 180.0;

/// Min ratio of the weakest to the strongest direction of bend in `dl/db`.
const CONDITION_FLOOR: f64 = 0.02;

/// Search of the balance.
const BALANCE: Descent = Descent {
    steps: 200,
    tries: 200,
    scale: Scale::Diagonal,
    damping: 1e-3,
    min_damping: 1e-12,
    factor: 10.0,
    worth: 0.0,
};

/// Number of inclinations checked between straight and `max_inclination`, and of directions of
/// each.
const RINGS: usize = 6;
const SPOKES: usize = 24;

impl Kinematics {
    /// Returns the balanced tensions of the straight joint, N: strictly positive and nearest, by
    /// least squares, to `asked` (N, one per tendon). There is no moment on the head plate
    /// (`sum T_i dl_i/db = 0`, virtual work). Each is at least [`TENSION_FLOOR`] times the mean of
    /// `asked`.
    ///
    /// If the routing does not allow tensions as small as `asked`, they are larger. Allocates.
    ///
    /// # Errors
    /// If `asked` does not hold one positive, finite value per tendon.
    pub fn pretension(&self, asked: &[f64]) -> Result<Vec<f64>, RoutingError> {
        let n = self.count();
        if asked.len() != n {
            return Err(RoutingError::PretensionCount {
                given: asked.len(),
                tendons: n,
            });
        }
        if let Some(i) = asked.iter().position(|t| !(*t > 0.0 && t.is_finite())) {
            return Err(RoutingError::Size {
                tendon: i + 1,
                what: "pretension",
                value: asked[i],
                accepted: "a tension above 0 N",
            });
        }
        let mut rows = vec![Vector2::zeros(); n];
        self.length_jacobian(Bend::zeros(), &mut rows);
        let mean = asked.iter().sum::<f64>() / n as f64;
        Ok(balance(&rows, asked, TENSION_FLOOR * mean))
    }

    /// Checks rank and balance over the whole range of bend.
    pub(super) fn check_range(&self) -> Result<(), RoutingError> {
        let mut rows = vec![Vector2::zeros(); self.count()];
        let mut lengths = vec![0.0; self.count()];
        for ring in 0..=RINGS {
            let inclination = self.routing().max_inclination * ring as f64 / RINGS as f64;
            let spokes = if ring == 0 { 1 } else { SPOKES };
            for spoke in 0..spokes {
                let direction = std::f64::consts::TAU * spoke as f64 / SPOKES as f64;
                let b = geometry::bend_from(inclination, direction);
                self.lengths(b, &mut lengths);
                self.length_jacobian(b, &mut rows);
                check_pulls(&rows, &lengths, inclination, direction)?;
            }
        }
        Ok(())
    }
}

fn check_pulls(
    rows: &[Vector2<f64>],
    lengths: &[f64],
    inclination: f64,
    direction: f64,
) -> Result<(), RoutingError> {
    let (inclination_deg, direction_deg) = (inclination.to_degrees(), direction.to_degrees());
    if let Some(i) = lengths.iter().position(|l| !(*l > 0.0 && l.is_finite())) {
        return Err(RoutingError::NoLength {
            tendon: i + 1,
            inclination_deg,
            direction_deg,
        });
    }
    let normal: Matrix2<f64> = rows.iter().map(|g| g * g.transpose()).sum();
    let (weak, strong) = geometry::eigenvalues(normal);
    // Written so that NaN is refused.
    let well_conditioned = weak.sqrt() >= CONDITION_FLOOR * strong.sqrt() && strong > 0.0;
    if !well_conditioned {
        return Err(RoutingError::OneDirection {
            inclination_deg,
            direction_deg,
        });
    }
    // A strictly positive combination of plane vectors that span the plane is zero if and only if
    // no closed half plane holds them all, that is if every gap between neighbours is below 180 deg
    // (Gordan's and Stiemke's theorems of the alternative). A tendon without lever arm is left out.
    let lever = 1e-6 * strong.sqrt();
    let mut angles: Vec<f64> = rows
        .iter()
        .filter(|g| g.norm() > lever)
        .map(|g| g.y.atan2(g.x))
        .collect();
    angles.sort_by(f64::total_cmp);
    let widest = angles
        .iter()
        .zip(angles.iter().cycle().skip(1))
        .map(|(a, next)| (next - a).rem_euclid(std::f64::consts::TAU))
        .fold(0.0, f64::max);
    if widest > WIDEST_GAP {
        return Err(RoutingError::Gap {
            gap_deg: widest.to_degrees(),
            widest_deg: WIDEST_GAP.to_degrees(),
            inclination_deg,
            direction_deg,
        });
    }
    Ok(())
}

/// Returns the tensions that minimise `sum (T_i - asked_i)^2` subject to `sum T_i g_i = 0`,
/// `T_i >= floor`.
///
/// The dual has two unknowns: `T_i = max(floor, asked_i - g_i . y)`, with `y` the minimum of a
/// convex, piecewise quadratic function whose gradient is `-sum T_i g_i`. Newton with backtracking
/// reaches it exactly once the tendons at the floor are known. A minimum exists because a strictly
/// positive balanced tension does.
fn balance(rows: &[Vector2<f64>], asked: &[f64], floor: f64) -> Vec<f64> {
    let scale = rows.iter().map(Vector2::norm).fold(0.0, f64::max);
    let rows: Vec<Vector2<f64>> = rows.iter().map(|g| g / scale).collect();
    let tension = |y: Vector2<f64>| rows.iter().zip(asked).map(move |(g, a)| (g, a - g.dot(&y)));
    let objective = |y: &Vector2<f64>| -> f64 {
        let one = |(_, u)| {
            if u >= floor {
                0.5 * u * u
            } else {
                floor * u - 0.5 * floor * floor
            }
        };
        tension(*y).map(one).sum()
    };
    // The moment on the head plate, minus the gradient, and the curvature.
    let moment = |y: &Vector2<f64>| -> (Vector2<f64>, Matrix2<f64>) {
        let mut moment = Vector2::zeros();
        let mut curvature = Matrix2::identity() * 1e-9;
        for (g, u) in tension(*y) {
            moment += g * u.max(floor);
            if u >= floor {
                curvature += g * g.transpose();
            }
        }
        (moment, curvature)
    };
    let mut y = BALANCE.from(Vector2::zeros(), objective, moment, |y, step| y + step);
    // The moment resolves `y` more finely than the objective does, and Newton is exact here.
    for _ in 0..10 {
        let (downward, curvature) = moment(&y);
        let inverse = curvature.try_inverse().unwrap_or_else(Matrix2::zeros);
        let next = y + inverse * downward;
        if moment(&next).0.norm() >= downward.norm() {
            break;
        }
        y = next;
    }
    tension(y).map(|(_, u)| u.max(floor)).collect()
}

//! Kinematics from bend to tendon lengths to motor angles, and back.
//!
//! # Geometry of a tendon
//! The beam is cut by its `k` guide discs into `k + 1` equal pieces of constant curvature. Tendon
//! `i` runs in straight chords from its base anchor through one hole in each disc to its head
//! anchor:
//!
//! - base anchor: in the base frame at `(r_b cos psi_b, r_b sin psi_b, base_offset)`;
//! - hole in disc `j` (of `k`): in the frame of the beam's cross-section there, in its plane, at
//!   the disc radius and at the angle `psi_b + (psi_h - psi_b) j / (k + 1)`, by the shorter angle;
//! - head anchor: in the head frame at `(r_h cos psi_h, r_h sin psi_h, head_offset)`.
//!
//! Every cross-section frame is the base frame turned by the same torsion-free bend, so each piece
//! is the same motion `b / (k + 1)` relative to the section below it. `k = 0` is a straight run
//! from plate to plate. With equal radii and no offsets a chord becomes
//! `2 sin(theta/2n) n (L/theta - r cos(phi - psi))`, n = k + 1, and `k -> infinity` gives
//! `L - theta r cos(phi - psi)`. Source: Webster and Jones 2010, "Design and kinematic modeling of
//! constant curvature continuum robots: a review".
//!
//! # Motors
//! `q_i(b) = sign_i ratio_i (l_i(0) - l_i(b)) / r_i` with the effective drum radius `r_i` = drum
//! radius + half the tendon's thickness. Before the sign is applied, positive reels in. Zero is the
//! straight joint at its pretension.

mod projection;
mod routing;
mod tension;

pub use projection::Projection;
pub use routing::{Motor, Routing, RoutingError, Tendon};
pub use tension::TENSION_FLOOR;

use nalgebra::{Matrix2, Matrix3x2, Rotation3, Vector2, Vector3};

use crate::control::geometry::{self, Bend, Curvature};
use crate::control::solve::{Descent, Scale, shortened};
use routing::Run;

/// Max Gauss-Newton iterations of [`Kinematics::bend_from_motors`] per set of taut tendons.
pub const INVERSE_ITERATIONS: usize = 20;

/// Max number of sets of taut tendons that [`Kinematics::bend_from_motors`] tries.
pub const INVERSE_PASSES: usize = 8;

/// Search of the bend closest to straight.
const STRAIGHTEST: Descent = Descent {
    steps: 8 * INVERSE_ITERATIONS,
    tries: 8 * INVERSE_ITERATIONS,
    scale: Scale::Diagonal,
    damping: 1e-3,
    min_damping: 1e-12,
    factor: 10.0,
    worth: 1e-14,
};

/// Max step of a search, rad; it keeps the search on the branch of its start.
const LONGEST_STEP: f64 = 0.5;

/// Max number of tendons; slack is reported as one bit per tendon.
pub const MAX_TENDONS: usize = 64;

/// Share of the stiffness of all tendons below which the taut ones do not determine both directions
/// of bend.
const DETERMINED: f64 = 1e-3;

/// Pull towards the straight joint, as a share of the stiffness of all tendons. It decides a
/// direction of bend that no taut tendon determines.
const STRAIGHTENING: f64 = 1e-6;

/// The kinematics of one joint: immutable, checked once at construction.
#[derive(Clone, Debug)]
pub struct Kinematics {
    routing: Routing,
    runs: Vec<Run>,
    /// Lengths of the straight joint, m.
    straight: Vec<f64>,
    /// Motor angle per metre of tendon reeled in, with the sign, rad/m.
    gearing: Vec<f64>,
    /// Tendon stiffness at the motor shaft, N m/rad.
    weights: Vec<f64>,
    /// Balanced pretension, N.
    tensions: Vec<f64>,
}

/// A bend computed from the motor angles.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotorFix {
    /// The bend, rad; always finite, `|bend| <= pi`.
    pub bend: Bend,
    /// Root mean square, over the taut tendons, of the measured motor angle less that of `bend`,
    /// rad. Zero if no tendon is taut; infinite if a motor angle was not finite.
    pub residual: f64,
    /// Bit `i` is set if tendon `i` is slack: its motor has paid out more than the geometry and the
    /// stretch of its pretension take up. Slack tendons do not contribute to `bend`.
    pub slack: u64,
    /// False if the taut tendons do not determine both directions of bend. The undetermined one is
    /// then taken as straight, as the beam would be.
    pub determined: bool,
    /// True if the iteration converged within its bounds.
    pub converged: bool,
}

/// One constant-curvature piece relative to the section below it, with its derivatives in the bend
/// of the whole joint.
struct Piece {
    position: Vector3<f64>,
    rotation: Rotation3<f64>,
    /// In m per rad of whole bend.
    position_slope: Matrix3x2<f64>,
    /// In rad per rad of whole bend.
    turn: Matrix3x2<f64>,
}

impl Piece {
    fn new(b: Bend, length: f64, pieces: usize) -> Self {
        let share = 1.0 / pieces as f64;
        let (b, length) = (b * share, length * share);
        let beam = Curvature::at(b);
        Self {
            position: beam.position(length),
            rotation: beam.rotation(),
            position_slope: beam.position_jacobian(length) * share,
            turn: beam.angular_jacobian() * share,
        }
    }

    /// Returns the length of the chord between a point in the section below and one in the section
    /// above, m, and its derivative in the whole bend, m/rad.
    fn chord(&self, below: &Vector3<f64>, above: &Vector3<f64>) -> (f64, Vector2<f64>) {
        let arm = self.rotation * above;
        let chord = self.position + arm - below;
        let length = chord.norm();
        if length <= 0.0 {
            // Both points coincide, which no real routing does; the derivative is undefined there.
            return (0.0, Vector2::zeros());
        }
        let u = chord / length;
        // u . (dp + omega x arm) = u . dp + (arm x u) . omega
        let slope = self.position_slope.transpose() * u + self.turn.transpose() * arm.cross(&u);
        (length, slope)
    }
}

/// Stretch of some of the tendons at a bend.
struct Stretch {
    b: Bend,
    /// Energy, N m.
    energy: f64,
    /// Minus its derivative in the bend, N m/rad, and its curvature without that of the geometry,
    /// `J^T W J`, N m/rad^2.
    downward: Vector2<f64>,
    curvature: Matrix2<f64>,
    /// Stiffness of all tendons, the trace of their `J^T W J`, N m/rad^2.
    total: f64,
}

impl Kinematics {
    /// Checks a routing and builds its kinematics. Only this function and
    /// [`Kinematics::pretension`] allocate.
    ///
    /// # Errors
    /// [`RoutingError`] if a size is not finite or out of its range, or if there are fewer than
    /// three tendons. Also if, anywhere up to `max_inclination`, the tendons do not command both
    /// directions of bend or cannot all pull and balance.
    pub fn new(routing: Routing) -> Result<Self, RoutingError> {
        routing.check_sizes()?;
        let runs: Vec<Run> = routing
            .tendons
            .iter()
            .map(|tendon| Run::new(tendon, routing.discs))
            .collect();
        let gearing: Vec<f64> = routing
            .motors
            .iter()
            .map(|m| m.sign * m.ratio / m.effective_radius())
            .collect();
        let weights = routing
            .tendons
            .iter()
            .zip(&gearing)
            .map(|(tendon, g)| tendon.stiffness / (g * g))
            .collect();
        let mut kinematics = Self {
            straight: vec![0.0; runs.len()],
            tensions: Vec::new(),
            routing,
            runs,
            gearing,
            weights,
        };
        let mut straight = vec![0.0; kinematics.count()];
        kinematics.lengths(Bend::zeros(), &mut straight);
        kinematics.straight = straight;
        kinematics.check_range()?;
        let asked: Vec<f64> = kinematics
            .routing
            .tendons
            .iter()
            .map(|t| t.pretension)
            .collect();
        kinematics.tensions = kinematics.pretension(&asked)?;
        Ok(kinematics)
    }

    /// Returns the number of tendons, which is that of motors.
    pub fn count(&self) -> usize {
        self.runs.len()
    }

    /// Returns the routing this was built from.
    pub fn routing(&self) -> &Routing {
        &self.routing
    }

    /// Writes the tendon lengths from anchor to anchor at bend `b` (rad) into `out`, m, one per
    /// tendon.
    ///
    /// Bound on work: tendons x (discs + 1) chords.
    ///
    /// # Panics
    /// If `out` is shorter than [`Kinematics::count`]; the same holds for the methods below.
    pub fn lengths(&self, b: Bend, out: &mut [f64]) {
        let piece = self.piece(b);
        for (i, run) in self.runs.iter().enumerate() {
            out[i] = run.length(&piece).0;
        }
    }

    /// Writes the derivatives of the tendon lengths, rows `dl_i/db`, m/rad, into `out`.
    pub fn length_jacobian(&self, b: Bend, out: &mut [Vector2<f64>]) {
        let piece = self.piece(b);
        for (i, run) in self.runs.iter().enumerate() {
            out[i] = run.length(&piece).1;
        }
    }

    /// Writes the motor angles at bend `b` (rad), counted from the straight joint, into `out`, rad.
    /// Same bound on work as [`Kinematics::lengths`].
    pub fn motor_angles(&self, b: Bend, out: &mut [f64]) {
        let piece = self.piece(b);
        for (i, run) in self.runs.iter().enumerate() {
            out[i] = self.gearing[i] * (self.straight[i] - run.length(&piece).0);
        }
    }

    /// Writes the Jacobian `J = dq/db`, rows `dq_i/db` (dimensionless), into `out`.
    pub fn jacobian(&self, b: Bend, out: &mut [Vector2<f64>]) {
        let piece = self.piece(b);
        for (i, run) in self.runs.iter().enumerate() {
            out[i] = run.length(&piece).1 * -self.gearing[i];
        }
    }

    /// Returns the tendon stiffness at each motor shaft, `k r^2 / ratio^2`, N m/rad: the weights
    /// `W` of the projection and of the inverse.
    pub fn weights(&self) -> &[f64] {
        &self.weights
    }

    /// Returns the balanced pretension of the straight joint, N: positive in every tendon, without
    /// moment on the head plate, nearest to the routing's pretension.
    pub fn balanced_tensions(&self) -> &[f64] {
        &self.tensions
    }

    /// Returns the torque of tendon `i`'s tension (N) at its motor shaft, N m, in the sense of the
    /// motor angle: the torque that the motor must hold.
    pub fn motor_torque(&self, i: usize, tension: f64) -> f64 {
        tension / self.gearing[i]
    }

    /// Returns the motor angle (rad) per metre of tendon `i` reeled in, with the motor's sign.
    pub fn gearing(&self, i: usize) -> f64 {
        self.gearing[i]
    }

    /// Returns the tension of tendon `i`, N, for a motor angle `q_i` (rad) and a joint bend whose
    /// motor angle is `reference` (rad): pretension plus stretch, never below zero.
    pub fn tension(&self, i: usize, q_i: f64, reference: f64) -> f64 {
        let stretch = (q_i - reference) / self.gearing[i];
        (self.tensions[i] + self.routing.tendons[i].stiffness * stretch).max(0.0)
    }

    /// Returns the projection onto bend space at the bend where `jacobian` was taken.
    pub fn projection<'a>(&'a self, jacobian: &'a [Vector2<f64>]) -> Projection<'a> {
        Projection::new(jacobian, &self.weights)
    }

    /// Returns the bend at which the motors are at `q` (rad, one per motor), searched from `near`.
    ///
    /// Minimises the stretch energy `sum w_i (q_i - q_i(b))^2 / 2` over the taut tendons. A tendon
    /// whose tension (pretension plus stretch) would be negative cannot push. It leaves the sum,
    /// and returns if it would be taut at the bend found without it. If the remaining tendons do
    /// not determine both directions of bend, the undetermined one becomes as straight as the taut
    /// ones allow. Consistent motor angles are inverted to rounding.
    ///
    /// Bound on work: 16 x [`INVERSE_ITERATIONS`] evaluations of all tendons, half of them only if
    /// one is slack; four to six in tracking without slack.
    pub fn bend_from_motors(&self, q: &[f64], near: Bend) -> MotorFix {
        let mut b = geometry::within_half_turn(near);
        let n = self.count();
        if q.len() < n || q[..n].iter().any(|v| !v.is_finite()) {
            return MotorFix {
                bend: b,
                residual: f64::INFINITY,
                slack: 0,
                determined: false,
                converged: false,
            };
        }
        let mut slack = 0_u64;
        let mut settled = false;
        let (mut determined, mut converged) = (true, false);
        for pass in 0..INVERSE_PASSES {
            (b, determined, converged) = self.descend(q, b, slack);
            let mut now = self.slack_at(q, b);
            if pass == 0 && now != 0 {
                // A tendon paid out far distorts this first bend so much that others look slack.
                b = self.straightest(q, b);
                now = self.slack_at(q, b);
                slack = now;
                continue;
            }
            if pass >= INVERSE_PASSES / 2 {
                // From here on tendons may only return, so that the search ends.
                now &= slack;
            }
            if now == slack {
                settled = true;
                break;
            }
            slack = now;
        }
        let piece = self.piece(b);
        let (mut sum, mut taut) = (0.0, 0);
        for i in (0..n).filter(|i| slack & (1 << i) == 0) {
            let miss = q[i] - self.motor_angle(i, &piece).0;
            sum += miss * miss;
            taut += 1;
        }
        MotorFix {
            bend: b,
            residual: if taut > 0 {
                (sum / f64::from(taut)).sqrt()
            } else {
                0.0
            },
            slack,
            determined,
            converged: converged && settled,
        }
    }

    /// Returns the bend closest to straight at which no tendon is stretched beyond its pretension.
    ///
    /// Minimises `sum w_i s_i^2 + pull |b|^2`; `s_i` is the angle that
    /// motor `i` has reeled in beyond the geometry (rad, 0 if it has paid out). The function is
    /// nearly convex, so it identifies the slack tendons however far they are paid out: the joint
    /// leans only as far as it is pulled.
    fn straightest(&self, q: &[f64], start: Bend) -> Bend {
        let evaluate = |b| self.stretch(q, b, |i, miss| miss * self.gearing[i] > 0.0);
        let start = evaluate(start);
        // The pull is fixed at the start, so that the descent minimises one function.
        let pull = 1e3 * STRAIGHTENING * start.total;
        let end = STRAIGHTEST.from(
            start,
            |at| at.energy + 0.5 * pull * at.b.norm_squared(),
            |at| {
                let curvature = at.curvature + Matrix2::identity() * pull;
                (at.downward - at.b * pull, curvature)
            },
            |at, step| {
                evaluate(geometry::within_half_turn(
                    at.b + shortened(step, LONGEST_STEP),
                ))
            },
        );
        end.b
    }

    /// Runs Gauss-Newton over the tendons not in `slack`. Returns the bend, whether those tendons
    /// determine it, and whether the iteration converged.
    fn descend(&self, q: &[f64], start: Bend, slack: u64) -> (Bend, bool, bool) {
        let mut b = start;
        let mut determined = true;
        let mut last = f64::INFINITY;
        for _ in 0..INVERSE_ITERATIONS {
            let mut at = self.stretch(q, b, |i, _| slack & (1 << i) == 0);
            determined = geometry::eigenvalues(at.curvature).0 > DETERMINED * at.total;
            if !determined {
                let pull = STRAIGHTENING * at.total;
                at.curvature += Matrix2::identity() * pull;
                at.downward -= b * pull;
            }
            let Some(inverse) = at.curvature.try_inverse() else {
                return (b, false, false);
            };
            let step = inverse * at.downward;
            let size = step.norm();
            b = geometry::within_half_turn(b + shortened(step, LONGEST_STEP));
            // Stop at rounding, where steps no longer shrink.
            if size < 1e-15 || (size < 1e-13 && size >= 0.5 * last) {
                return (b, determined, true);
            }
            last = size;
        }
        (b, determined, last < 1e-9)
    }

    /// Returns the stretch of the tendons that `counts`, given their number and the angle, rad,
    /// by which their motor is beyond the bend's.
    fn stretch(&self, q: &[f64], b: Bend, counts: impl Fn(usize, f64) -> bool) -> Stretch {
        let piece = self.piece(b);
        let mut stretch = Stretch {
            b,
            energy: 0.0,
            downward: Vector2::zeros(),
            curvature: Matrix2::zeros(),
            total: 0.0,
        };
        for (i, w) in self.weights.iter().enumerate() {
            let (angle, row) = self.motor_angle(i, &piece);
            stretch.total += w * row.norm_squared();
            let miss = q[i] - angle;
            if counts(i, miss) {
                stretch.curvature += row * row.transpose() * *w;
                stretch.downward += row * (w * miss);
                stretch.energy += 0.5 * w * miss * miss;
            }
        }
        stretch
    }

    /// Returns the tendons whose tension would be negative with the motors at `q` and the joint at
    /// `b`, as bits.
    fn slack_at(&self, q: &[f64], b: Bend) -> u64 {
        let piece = self.piece(b);
        let mut slack = 0;
        for (i, tendon) in self.routing.tendons.iter().enumerate() {
            let stretch = (q[i] - self.motor_angle(i, &piece).0) / self.gearing[i];
            if self.tensions[i] + tendon.stiffness * stretch < 0.0 {
                slack |= 1 << i;
            }
        }
        slack
    }

    fn motor_angle(&self, i: usize, piece: &Piece) -> (f64, Vector2<f64>) {
        let (length, slope) = self.runs[i].length(piece);
        let gearing = self.gearing[i];
        (gearing * (self.straight[i] - length), slope * -gearing)
    }

    fn piece(&self, b: Bend) -> Piece {
        Piece::new(b, self.routing.length, self.routing.discs + 1)
    }
}

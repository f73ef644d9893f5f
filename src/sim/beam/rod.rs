//! The elastic beam with its head, payload and tendons: geometry, forces and the time step.
//!
//! # Equations
//! - Inextensible, unshearable, twist-free Kirchhoff rod: R' = R [u]x, p' = R e3, u = (-kappa_y,
//!   kappa_x, 0) in the moving frame (Antman 2005, "Nonlinear Problems of Elasticity", ch. 8).
//! - Ritz method: kappa_x(s) = (1/L) sum_i a_i P_i(2 s/L - 1), i = 0..2, and kappa_y likewise, with
//!   the Legendre polynomials P_i. Generalised coordinates q = (a_x0, a_x1, a_x2, a_y0, a_y1,
//!   a_y2), rad; a_x0 and a_y0 are the bend vector of a constant-curvature beam.
//! - Elastic energy: integral of EI kappa^2 / 2 = (EI / L) sum_i a_i^2 / (2 (2 i + 1)), by
//!   orthogonality. Kelvin-Voigt damping: moment EI (kappa + eta kappa'), eta the retardation time,
//!   s.
//! - The arc is cut into equal segments of constant curvature (its mean over the segment). A
//!   segment turns by exp(2 v), v half its rotation vector; its chord lies along the frame turned
//!   by exp(v) and is h sin|v|/|v| long. Both are exact for constant curvature. Derivatives use the
//!   left Jacobian of SO(3) (Sola, Deray and Atchuthan 2018, "A micro Lie theory for state
//!   estimation in robotics").
//! - Motion: M(q) q'' + c(q, q') = f (Lagrange), M = sum m Jp^T Jp + Jw^T I Jw and c from the
//!   accelerations at q'' = 0. Beam mass sits at the segments' middles; the beam's rotary inertia
//!   is neglected (slender).
//! - The foot may move: all quantities are in the frame that moves with it. The angular velocity
//!   and the accelerations of the first station are those of the foot, so that c contains
//!   centrifugal, Coriolis and Euler terms (Kane's equations with a prescribed motion, Kane and
//!   Levinson 1985, "Dynamics: Theory and Applications", ch. 4 to 6). Drag acts on the velocity in
//!   the world.
//! - Tendon i: l_i is the sum of the straight runs from base anchor over guide discs to head
//!   anchor; T_i = max(0, T0_i + k_i (l_i(q) - l_i(0) + x_i)), x_i the length reeled in, m;
//!   generalised force -T_i dl_i/dq.
//! - Time step (h): linearly implicit theta method (a W-method of order one, Hairer and Wanner
//!   1996, "Solving ODEs II", IV.7): (M + theta h D + theta^2 h^2 K) dv = h (f - theta h K v), q +=
//!   h (v + theta dv), K the elastic and taut-tendon stiffness. theta = 0.6: numerical damping
//!   ratio 0.1 w h.

use nalgebra::{Matrix3, SMatrix, SVector, Vector3};

/// Generalised coordinates: three Legendre coefficients per bending direction.
pub(super) const COORDINATES: usize = 6;
const TERMS: usize = 3;
const THETA: f64 = 0.6;
/// Min number of segments along the arc; raised to a multiple of that required by the guide discs.
const SEGMENTS_AT_LEAST: usize = 12;

pub(super) type Coordinates = SVector<f64, COORDINATES>;
type Columns = SMatrix<f64, 3, COORDINATES>;
type Square = SMatrix<f64, COORDINATES, COORDINATES>;

/// A rigid body on the head plate, its centre of mass on the head's axis.
#[derive(Clone, Copy, Debug)]
pub(super) struct Body {
    /// Mass, kg.
    pub mass: f64,
    /// Height of the centre of mass above the beam's end, m.
    pub height: f64,
    /// Principal moments of inertia about the centre of mass in head axes, kg m^2.
    pub inertia: Vector3<f64>,
}

/// One tendon of the rod; each point in the frame to which it is fixed.
#[derive(Clone, Debug)]
pub(super) struct Run {
    /// Anchor in the base frame, m.
    pub base: Vector3<f64>,
    /// Guide points in their disc's frame, m; equal arc spacing, base to head.
    pub guides: Vec<Vector3<f64>>,
    /// Anchor in the frame of the beam's end, m.
    pub head: Vector3<f64>,
    /// Axial stiffness, N/m.
    pub stiffness: f64,
    /// Axial damping while the tendon is taut, N s/m.
    pub damping: f64,
    /// Tension of the straight joint with the motors at zero, N.
    pub pretension: f64,
    straight_length: f64,
    /// Number of segments between two guides.
    stride: usize,
    /// Length reeled in, m, and its rate, m/s.
    pub reeled: f64,
    pub reel_rate: f64,
    pub length: f64,
    pub tension: f64,
    gradient: Coordinates,
}

/// Properties of the rod.
#[derive(Clone, Copy, Debug)]
pub(super) struct Material {
    /// Length, m.
    pub length: f64,
    /// Flexural rigidity EI, N m^2.
    pub flexural_rigidity: f64,
    /// Mass of the beam, kg.
    pub mass: f64,
    /// Kelvin-Voigt retardation time, s.
    pub retardation: f64,
    /// Viscous drag of the head plate, N s/m.
    pub drag: f64,
}

/// Motion of the beam's foot in the world, in coordinates of the frame that moves with it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Foot {
    /// Angular velocity, rad/s, and acceleration, rad/s^2.
    pub omega: Vector3<f64>,
    pub alpha: Vector3<f64>,
    /// Velocity, m/s, and acceleration, m/s^2.
    pub velocity: Vector3<f64>,
    pub acceleration: Vector3<f64>,
    /// Gravity, m/s^2.
    pub gravity: Vector3<f64>,
}

/// Frame of the beam's axis at one arc length, with its derivatives.
#[derive(Clone, Debug)]
struct Station {
    rotation: Matrix3<f64>,
    position: Vector3<f64>,
    /// d(rotation vector, the foot's frame)/dq
    turn: Columns,
    /// d(position)/dq
    shift: Columns,
    /// Angular velocity, and the accelerations at q'' = 0.
    omega: Vector3<f64>,
    alpha: Vector3<f64>,
    acceleration: Vector3<f64>,
}

impl Station {
    fn base() -> Self {
        Self {
            rotation: Matrix3::identity(),
            position: Vector3::zeros(),
            turn: Columns::zeros(),
            shift: Columns::zeros(),
            omega: Vector3::zeros(),
            alpha: Vector3::zeros(),
            acceleration: Vector3::zeros(),
        }
    }
}

#[derive(Clone, Debug)]
pub(super) struct Rod {
    pub material: Material,
    pub head: Body,
    pub payload: Body,
    pub runs: Vec<Run>,
    pub q: Coordinates,
    pub v: Coordinates,
    /// Force on the head plate's centre of mass, N.
    pub push: Vector3<f64>,
    /// Motion of the foot; takes effect in [`Rod::update`].
    pub foot: Foot,
    /// Velocity in the world of the head plate's centre of mass if the beam were rigid, m/s.
    carried: Vector3<f64>,
    /// Mean of each Legendre polynomial over each segment.
    legendre: Vec<[f64; TERMS]>,
    stations: Vec<Station>,
    mass: Square,
    force: Coordinates,
}

/// exp(v) for v = (v1, v2, 0), the first two columns of the left Jacobian, sin|v|/|v| and its
/// factor in d(sin|v|/|v|) = factor v . dv. Series to the sixth power: 1e-9 up to |v| = 0.5, 12
/// segments of 57 deg each.
struct HalfTurn {
    exp: Matrix3<f64>,
    left1: Vector3<f64>,
    left2: Vector3<f64>,
    sinc: f64,
    sinc_slope: f64,
}

impl HalfTurn {
    #[inline]
    fn new(v1: f64, v2: f64) -> Self {
        let x = v1 * v1 + v2 * v2;
        let s = 1.0 + x * (-1.0 / 6.0 + x * (1.0 / 120.0 - x / 5040.0));
        let a = 0.5 + x * (-1.0 / 24.0 + x * (1.0 / 720.0 - x / 40320.0));
        let b = 1.0 / 6.0 + x * (-1.0 / 120.0 + x / 5040.0);
        Self {
            exp: Matrix3::new(
                1.0 - a * v2 * v2,
                a * v1 * v2,
                s * v2,
                a * v1 * v2,
                1.0 - a * v1 * v1,
                -s * v1,
                -s * v2,
                s * v1,
                1.0 - a * x,
            ),
            left1: Vector3::new(1.0 - b * v2 * v2, b * v1 * v2, -a * v2),
            left2: Vector3::new(b * v1 * v2, 1.0 - b * v1 * v1, a * v1),
            sinc: s,
            sinc_slope: -1.0 / 3.0 + x * (1.0 / 30.0 - x / 840.0),
        }
    }
}

impl Run {
    pub(super) fn new(
        base: Vector3<f64>,
        guides: Vec<Vector3<f64>>,
        head: Vector3<f64>,
        stiffness: f64,
        damping: f64,
    ) -> Self {
        Self {
            base,
            guides,
            head,
            stiffness,
            damping,
            pretension: 0.0,
            straight_length: 0.0,
            stride: 1,
            reeled: 0.0,
            reel_rate: 0.0,
            length: 0.0,
            tension: 0.0,
            gradient: Coordinates::zeros(),
        }
    }

    /// Returns d(length)/d(bend vector) at the straight joint for constant curvature, m/rad.
    pub(super) fn straight_slope(&self) -> [f64; 2] {
        [self.gradient[0], self.gradient[TERMS]]
    }
}

impl Rod {
    /// Returns the number of segments for which every guide disc is at a station; `None` above 240.
    pub(super) fn segments_for(guide_counts: impl Iterator<Item = usize>) -> Option<usize> {
        let mut unit = 1usize;
        for count in guide_counts {
            let spaces = count + 1;
            unit = unit / gcd(unit, spaces) * spaces;
            if unit > 240 {
                return None;
            }
        }
        Some(unit * SEGMENTS_AT_LEAST.div_ceil(unit))
    }

    pub(super) fn new(
        material: Material,
        head: Body,
        mut runs: Vec<Run>,
        segments: usize,
        foot: Foot,
    ) -> Self {
        let half = 1.0 / segments as f64;
        let legendre = (0..segments)
            .map(|j| {
                let middle = (2 * j + 1) as f64 / segments as f64 - 1.0;
                let mean_square = middle * middle + half * half / 3.0;
                [1.0, middle, 1.5 * mean_square - 0.5]
            })
            .collect();
        for run in &mut runs {
            run.stride = segments / (run.guides.len() + 1);
        }
        let mut rod = Self {
            material,
            head,
            payload: Body {
                mass: 0.0,
                height: 0.0,
                inertia: Vector3::zeros(),
            },
            runs,
            q: Coordinates::zeros(),
            v: Coordinates::zeros(),
            push: Vector3::zeros(),
            foot,
            carried: Vector3::zeros(),
            legendre,
            stations: vec![Station::base(); segments + 1],
            mass: Square::zeros(),
            force: Coordinates::zeros(),
        };
        rod.update();
        for run in &mut rod.runs {
            run.straight_length = run.length;
        }
        rod
    }

    /// Updates frames, tendon lengths and tensions, mass matrix and forces for the present q, v,
    /// reel-in, push and foot. Work: (12 or more segments + guide points) x 6 columns.
    pub(super) fn update(&mut self) {
        let segments = self.legendre.len();
        let h = self.material.length / segments as f64;
        let half = 0.5 / segments as f64;
        let gravity = self.foot.gravity;
        let first = &mut self.stations[0];
        first.omega = self.foot.omega;
        first.alpha = self.foot.alpha;
        first.acceleration = self.foot.acceleration;
        let lump = self.material.mass / segments as f64;
        let mut mass = Square::zeros();
        let mut force = Coordinates::zeros();
        for j in 0..segments {
            let (before, after) = self.stations.split_at_mut(j + 1);
            let from = &before[j];
            let to = &mut after[0];
            let p = &self.legendre[j];
            let (mut v1, mut v2, mut r1, mut r2) = (0.0, 0.0, 0.0, 0.0);
            let mut weight = [0.0; TERMS];
            for i in 0..TERMS {
                weight[i] = half * p[i];
                v2 += weight[i] * self.q[i];
                v1 -= weight[i] * self.q[TERMS + i];
                r2 += weight[i] * self.v[i];
                r1 -= weight[i] * self.v[TERMS + i];
            }
            let turn = HalfTurn::new(v1, v2);
            // B/6 term of the left Jacobian's rate; the others vanish to this order.
            let (vr, rr) = (v1 * r1 + v2 * r2, r1 * r1 + r2 * r2);
            let bend_rate = Vector3::new(v1 * rr - r1 * vr, v2 * rr - r2 * vr, 0.0) / 6.0;

            // First half of the segment's rotation.
            let c1 = from.rotation * turn.left1;
            let c2 = from.rotation * turn.left2;
            let mut columns = from.turn;
            for (i, &share) in weight.iter().enumerate() {
                axpy(&mut columns, i, share, &c2);
                axpy(&mut columns, TERMS + i, -share, &c1);
            }
            let relative = c1 * r1 + c2 * r2;
            let omega = from.omega + relative;
            let alpha = from.alpha + from.omega.cross(&relative) + from.rotation * bend_rate;
            let middle = from.rotation * turn.exp;

            // The chord.
            let d = Vector3::new(middle[(0, 2)], middle[(1, 2)], middle[(2, 2)]);
            let chord = h * turn.sinc;
            let stretch = h * turn.sinc_slope;
            to.position = from.position + d * chord;
            let mut shift = from.shift;
            for (i, &share) in weight.iter().enumerate() {
                for (column, along) in [(i, v2 * share), (TERMS + i, -v1 * share)] {
                    let w = Vector3::new(
                        columns[(0, column)],
                        columns[(1, column)],
                        columns[(2, column)],
                    );
                    axpy(
                        &mut shift,
                        column,
                        1.0,
                        &(w.cross(&d) * chord + d * (stretch * along)),
                    );
                }
            }
            let od = omega.cross(&d);
            to.acceleration = from.acceleration
                + d * (stretch * rr)
                + od * (2.0 * stretch * vr)
                + (alpha.cross(&d) + omega.cross(&od)) * chord;

            // The segment's mass, half way along the chord.
            let middle_shift = (from.shift + shift) * 0.5;
            let pull = gravity - (from.acceleration + to.acceleration) * 0.5;
            add_point(&mut mass, &mut force, &middle_shift, lump, &pull);
            to.shift = shift;

            // Second half.
            let c1 = middle * turn.left1;
            let c2 = middle * turn.left2;
            for (i, &share) in weight.iter().enumerate() {
                axpy(&mut columns, i, share, &c2);
                axpy(&mut columns, TERMS + i, -share, &c1);
            }
            to.turn = columns;
            let relative = c1 * r1 + c2 * r2;
            to.omega = omega + relative;
            to.alpha = alpha + omega.cross(&relative) + middle * bend_rate;
            to.rotation = middle * turn.exp;
        }

        let end = &self.stations[segments];
        for body in [self.head, self.payload] {
            if body.mass > 0.0 {
                add_body(&mut mass, &mut force, end, &body, &gravity);
            }
        }
        // Push and drag act at the head plate's centre of mass.
        let arm = end.rotation.column(2) * self.head.height;
        for c in 0..COORDINATES {
            let column = column_at(end, c, &arm);
            force[c] += column.dot(&self.push);
        }
        self.carried = self.foot.velocity + self.foot.omega.cross(&(end.position + arm));
        self.mass = mass;
        self.force = force;
        for run in &mut self.runs {
            update_run(run, &self.stations, &self.v);
        }
    }

    /// Runs one time step of `dt` seconds from an updated state; leaves the state updated.
    pub(super) fn step(&mut self, dt: f64) {
        let material = self.material;
        let mut stiffness = Square::zeros();
        let mut damping = Square::zeros();
        let mut force = self.force;
        for c in 0..COORDINATES {
            let elastic = elastic_stiffness(&material, c);
            stiffness[(c, c)] = elastic;
            damping[(c, c)] = elastic * material.retardation;
            force[c] -= elastic * (self.q[c] + material.retardation * self.v[c]);
        }
        if material.drag > 0.0 {
            let end = &self.stations[self.legendre.len()];
            let arm = end.rotation.column(2) * self.head.height;
            let mut columns = Columns::zeros();
            for c in 0..COORDINATES {
                columns.set_column(c, &column_at(end, c, &arm));
            }
            let velocity = columns * self.v + self.carried;
            damping += columns.transpose() * columns * material.drag;
            force -= columns.transpose() * velocity * material.drag;
        }
        for run in &self.runs {
            if run.tension > 0.0 {
                force -= run.gradient * run.tension;
                add_outer(&mut stiffness, &run.gradient, run.stiffness);
                add_outer(&mut damping, &run.gradient, run.damping);
            }
        }
        let system = self.mass + damping * (THETA * dt) + stiffness * (THETA * THETA * dt * dt);
        let right = (force - stiffness * self.v * (THETA * dt)) * dt;
        let change = solve(system, right);
        self.q += (self.v + change * THETA) * dt;
        self.v += change;
        self.update();
    }

    /// Returns the generalised force at rest, including elastic and tendon forces.
    #[cfg(test)]
    pub(super) fn force_at_rest(&self) -> Coordinates {
        let mut force = self.force;
        for c in 0..COORDINATES {
            force[c] -= elastic_stiffness(&self.material, c) * self.q[c];
        }
        for run in &self.runs {
            force -= run.gradient * run.tension;
        }
        force
    }

    /// Returns the linear and angular acceleration of the beam's end at q'' = 0.
    #[cfg(test)]
    pub(super) fn end_acceleration(&self) -> (Vector3<f64>, Vector3<f64>) {
        let end = &self.stations[self.legendre.len()];
        (end.acceleration, end.alpha)
    }

    pub(super) fn rotation(&self) -> &Matrix3<f64> {
        &self.stations[self.legendre.len()].rotation
    }

    pub(super) fn position(&self) -> &Vector3<f64> {
        &self.stations[self.legendre.len()].position
    }

    /// Returns the angular velocity of the head in the world, rad/s, in coordinates of the foot's
    /// frame.
    pub(super) fn omega(&self) -> &Vector3<f64> {
        &self.stations[self.legendre.len()].omega
    }

    /// Returns the kinetic, elastic, gravitational and tendon energy, J. The kinetic part is that
    /// of the motion relative to the foot.
    pub(super) fn energy(&self) -> f64 {
        let material = &self.material;
        let mut energy = 0.5 * self.v.dot(&(self.mass * self.v));
        for c in 0..COORDINATES {
            energy += 0.5 * elastic_stiffness(material, c) * self.q[c] * self.q[c];
        }
        let segments = self.legendre.len();
        for j in 0..segments {
            let middle = (self.stations[j].position + self.stations[j + 1].position) * 0.5;
            energy -= material.mass / segments as f64 * self.foot.gravity.dot(&middle);
        }
        let axis = self.rotation().column(2);
        for body in [self.head, self.payload] {
            energy -= body.mass
                * self
                    .foot
                    .gravity
                    .dot(&(self.position() + axis * body.height));
        }
        for run in &self.runs {
            let elastic = (run.pretension
                + run.stiffness * (run.length - run.straight_length + run.reeled))
                .max(0.0);
            energy += 0.5 * elastic * elastic / run.stiffness;
        }
        energy
    }
}

fn gcd(a: usize, b: usize) -> usize {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// Returns (EI / L) / (2 i + 1) for coefficient i of either direction, N m/rad.
fn elastic_stiffness(material: &Material, coordinate: usize) -> f64 {
    material.flexural_rigidity / (material.length * (2 * (coordinate % TERMS) + 1) as f64)
}

#[inline]
fn axpy(columns: &mut Columns, column: usize, factor: f64, vector: &Vector3<f64>) {
    for r in 0..3 {
        columns[(r, column)] += factor * vector[r];
    }
}

/// Returns d(position of a point at `arm` from the station's origin)/dq, column `c`.
#[inline]
fn column_at(station: &Station, c: usize, arm: &Vector3<f64>) -> Vector3<f64> {
    let turn = Vector3::new(
        station.turn[(0, c)],
        station.turn[(1, c)],
        station.turn[(2, c)],
    );
    let shift = Vector3::new(
        station.shift[(0, c)],
        station.shift[(1, c)],
        station.shift[(2, c)],
    );
    shift + turn.cross(arm)
}

/// Adds a point mass: m J^T J to the mass matrix, m J^T (gravity - acceleration at q'' = 0) to the
/// force.
#[inline]
fn add_point(
    mass: &mut Square,
    force: &mut Coordinates,
    columns: &Columns,
    m: f64,
    pull: &Vector3<f64>,
) {
    for a in 0..COORDINATES {
        let (x, y, z) = (
            m * columns[(0, a)],
            m * columns[(1, a)],
            m * columns[(2, a)],
        );
        force[a] += x * pull[0] + y * pull[1] + z * pull[2];
        for b in 0..COORDINATES {
            mass[(b, a)] += x * columns[(0, b)] + y * columns[(1, b)] + z * columns[(2, b)];
        }
    }
}

/// Adds a rigid body fixed to the head: point mass plus rotation, Newton and Euler's equations.
fn add_body(
    mass: &mut Square,
    force: &mut Coordinates,
    end: &Station,
    body: &Body,
    gravity: &Vector3<f64>,
) {
    let arm = end.rotation.column(2) * body.height;
    let mut columns = Columns::zeros();
    for c in 0..COORDINATES {
        columns.set_column(c, &column_at(end, c, &arm));
    }
    let acceleration =
        end.acceleration + end.alpha.cross(&arm) + end.omega.cross(&end.omega.cross(&arm));
    add_point(mass, force, &columns, body.mass, &(gravity - acceleration));
    if body.inertia != Vector3::zeros() {
        let inertia =
            end.rotation * Matrix3::from_diagonal(&body.inertia) * end.rotation.transpose();
        let turned = inertia * end.turn;
        *mass += end.turn.transpose() * turned;
        let moment = inertia * end.alpha + end.omega.cross(&(inertia * end.omega));
        *force -= end.turn.transpose() * moment;
    }
}

fn add_outer(matrix: &mut Square, vector: &Coordinates, factor: f64) {
    for a in 0..COORDINATES {
        for b in 0..COORDINATES {
            matrix[(b, a)] += factor * vector[a] * vector[b];
        }
    }
}

/// Updates length, gradient and tension of one tendon.
fn update_run(run: &mut Run, stations: &[Station], v: &Coordinates) {
    let mut length = 0.0;
    let mut gradient = Coordinates::zeros();
    let mut from = run.base;
    let mut from_columns = Columns::zeros();
    for piece in 1..=run.guides.len() + 1 {
        let station = &stations[piece * run.stride];
        let local = run.guides.get(piece - 1).unwrap_or(&run.head);
        let arm = station.rotation * local;
        let to = station.position + arm;
        let mut to_columns = Columns::zeros();
        for c in 0..COORDINATES {
            to_columns.set_column(c, &column_at(station, c, &arm));
        }
        let chord = to - from;
        let norm = chord.norm();
        length += norm;
        // Two coincident guide points have no direction of pull.
        if norm > 0.0 {
            let along = chord / norm;
            for c in 0..COORDINATES {
                for r in 0..3 {
                    gradient[c] += along[r] * (to_columns[(r, c)] - from_columns[(r, c)]);
                }
            }
        }
        from = to;
        from_columns = to_columns;
    }
    run.length = length;
    run.gradient = gradient;
    let elastic = run.pretension + run.stiffness * (length - run.straight_length + run.reeled);
    run.tension = if elastic > 0.0 {
        (elastic + run.damping * (gradient.dot(v) + run.reel_rate)).max(0.0)
    } else {
        0.0
    };
}

/// Solves a symmetric positive definite system by Cholesky's method.
fn solve(mut a: Square, mut b: Coordinates) -> Coordinates {
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

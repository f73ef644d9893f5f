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

use nalgebra::{Matrix3, Vector3};

use super::coordinates::{
    COORDINATES, Coordinates, Slopes, Square, add_outer, add_symmetric, along, cross, solve,
};
use super::description::{DescriptionError, JointDescription};

const TERMS: usize = 3;
const THETA: f64 = 0.6;
/// Min number of segments along the arc; raised to a multiple of that required by the guide discs.
const SEGMENTS_AT_LEAST: usize = 12;

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
struct Material {
    /// Length, m.
    length: f64,
    /// Flexural rigidity EI, N m^2.
    flexural_rigidity: f64,
    /// Mass of the beam, kg.
    mass: f64,
    /// Kelvin-Voigt retardation time, s.
    retardation: f64,
    /// Viscous drag of the head plate, N s/m.
    drag: f64,
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

/// Orientation of the beam's axis at one arc length, with its derivatives.
#[derive(Clone, Debug)]
struct Section {
    rotation: Matrix3<f64>,
    /// d(rotation vector, the foot's frame)/dq
    turn: Slopes,
    /// Angular velocity, rad/s, and acceleration at q'' = 0, rad/s^2.
    omega: Vector3<f64>,
    alpha: Vector3<f64>,
}

/// Frame of the beam's axis at one arc length, with its derivatives.
#[derive(Clone, Debug)]
struct Station {
    section: Section,
    position: Vector3<f64>,
    /// d(position)/dq
    shift: Slopes,
    /// Acceleration at q'' = 0, m/s^2.
    acceleration: Vector3<f64>,
}

impl Station {
    fn base() -> Self {
        Self {
            section: Section {
                rotation: Matrix3::identity(),
                turn: [Coordinates::zeros(); 3],
                omega: Vector3::zeros(),
                alpha: Vector3::zeros(),
            },
            position: Vector3::zeros(),
            shift: [Coordinates::zeros(); 3],
            acceleration: Vector3::zeros(),
        }
    }

    /// Returns d(position of a point at `arm` from the station's origin)/dq.
    #[inline]
    fn slopes_at(&self, arm: &Vector3<f64>) -> Slopes {
        let turned = cross(&self.section.turn, arm);
        std::array::from_fn(|r| self.shift[r] + turned[r])
    }

    /// Updates the station to the end of the segment of length `h` (m) that begins at `from`.
    #[inline(always)]
    fn follow(&mut self, from: &Self, segment: &Segment, h: f64) {
        let middle = segment.half_way(&from.section);
        let (omega, alpha) = (&middle.omega, &middle.alpha);
        let d = Vector3::new(
            middle.rotation[(0, 2)],
            middle.rotation[(1, 2)],
            middle.rotation[(2, 2)],
        );
        let chord = h * segment.turn.sinc;
        let stretch = h * segment.turn.sinc_slope;
        self.position = from.position + d * chord;
        let turned = cross(&middle.turn, &d);
        let longer = segment.spread(segment.v[1], segment.v[0]) * stretch;
        for r in 0..3 {
            self.shift[r] = from.shift[r] + (turned[r] * chord + longer * d[r]);
        }
        let od = omega.cross(&d);
        self.acceleration = from.acceleration
            + d * (stretch * segment.rr)
            + od * (2.0 * stretch * segment.vr)
            + (alpha.cross(&d) + omega.cross(&od)) * chord;
        self.section = segment.half_way(&middle);
    }
}

/// One segment's half rotation vector v and its rate r, both (., ., 0), rad and rad/s.
#[derive(Clone, Debug)]
struct Segment {
    /// Half the segment's share of the arc times the mean of each Legendre polynomial over it, with
    /// the signs of u: d(v2)/dq for the first coordinates, d(v1)/dq for the last.
    shares: Coordinates,
    v: [f64; 2],
    r: [f64; 2],
    /// v . r and r . r
    vr: f64,
    rr: f64,
    turn: HalfTurn,
    /// B/6 term of the left Jacobian's rate; the others vanish to this order.
    bend_rate: Vector3<f64>,
}

impl Segment {
    /// Returns a straight segment at rest.
    fn new(shares: Coordinates) -> Self {
        Self {
            shares,
            v: [0.0; 2],
            r: [0.0; 2],
            vr: 0.0,
            rr: 0.0,
            turn: HalfTurn::new(0.0, 0.0),
            bend_rate: Vector3::zeros(),
        }
    }

    /// Updates all but the shares.
    #[inline]
    fn update(&mut self, q: &Coordinates, v: &Coordinates) {
        let sum = |of: &Coordinates| {
            let mut sum = [0.0; 2];
            for i in 0..TERMS {
                sum[0] += self.shares[TERMS + i] * of[TERMS + i];
                sum[1] += self.shares[i] * of[i];
            }
            sum
        };
        let ([v1, v2], [r1, r2]) = (sum(q), sum(v));
        let (vr, rr) = (v1 * r1 + v2 * r2, r1 * r1 + r2 * r2);
        (self.v, self.r) = ([v1, v2], [r1, r2]);
        (self.vr, self.rr) = (vr, rr);
        self.turn = HalfTurn::new(v1, v2);
        self.bend_rate = Vector3::new(v1 * rr - r1 * vr, v2 * rr - r2 * vr, 0.0) / 6.0;
    }

    /// Returns the shares times `x` for the coordinates of v2, times `y` for those of v1.
    #[inline]
    fn spread(&self, x: f64, y: f64) -> Coordinates {
        self.shares
            .component_mul(&Coordinates::new(x, x, x, y, y, y))
    }

    /// Returns the section half of the segment's rotation further on.
    #[inline(always)]
    fn half_way(&self, from: &Section) -> Section {
        let c1 = from.rotation * self.turn.left1;
        let c2 = from.rotation * self.turn.left2;
        let relative = c1 * self.r[0] + c2 * self.r[1];
        Section {
            rotation: from.rotation * self.turn.exp,
            turn: std::array::from_fn(|r| from.turn[r] + self.spread(c2[r], c1[r])),
            omega: from.omega + relative,
            alpha: from.alpha + from.omega.cross(&relative) + from.rotation * self.bend_rate,
        }
    }
}

#[derive(Clone, Debug)]
pub(super) struct Rod {
    material: Material,
    head: Body,
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
    segments: Vec<Segment>,
    stations: Vec<Station>,
    /// Lower half of the symmetric mass matrix.
    mass: Square,
    force: Coordinates,
}

/// exp(v) for v = (v1, v2, 0), the first two columns of the left Jacobian, sin|v|/|v| and its
/// factor in d(sin|v|/|v|) = factor v . dv. Series to the sixth power: 1e-9 up to |v| = 0.5, 12
/// segments of 57 deg each.
#[derive(Clone, Debug)]
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
    /// Builds the straight rod at rest with the head of the description and no payload.
    ///
    /// # Errors
    /// If the guide discs have no common spacing.
    pub(super) fn new(
        description: &JointDescription,
        mut runs: Vec<Run>,
        foot: Foot,
    ) -> Result<Self, DescriptionError> {
        let count = segments_for(runs.iter().map(|run| run.guides.len()))
            .ok_or(DescriptionError::Guides)?;
        let half = 1.0 / count as f64;
        let segments: Vec<Segment> = (0..count)
            .map(|j| {
                let middle = (2 * j + 1) as f64 / count as f64 - 1.0;
                let mean_square = middle * middle + half * half / 3.0;
                let [a, b, c] = [1.0, middle, 1.5 * mean_square - 0.5].map(|p| 0.5 * half * p);
                Segment::new(Coordinates::new(a, b, c, -a, -b, -c))
            })
            .collect();
        for run in &mut runs {
            run.stride = count / (run.guides.len() + 1);
        }
        let mut rod = Self {
            material: Material {
                length: description.length,
                flexural_rigidity: description.flexural_rigidity,
                mass: description.beam_mass,
                retardation: description.retardation,
                drag: description.air_drag,
            },
            head: Body {
                mass: description.head_mass,
                height: description.head_height,
                inertia: Vector3::from(description.head_inertia),
            },
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
            segments,
            stations: vec![Station::base(); count + 1],
            mass: Square::zeros(),
            force: Coordinates::zeros(),
        };
        rod.update();
        for run in &mut rod.runs {
            run.straight_length = run.length;
        }
        Ok(rod)
    }

    /// Updates frames, tendon lengths and tensions, mass matrix and forces for the present q, v,
    /// reel-in, push and foot. Work: (12 or more segments + guide points) x 6 coordinates.
    pub(super) fn update(&mut self) {
        // All segments first: they do not depend on each other.
        for segment in &mut self.segments {
            segment.update(&self.q, &self.v);
        }
        let count = self.segments.len();
        let h = self.material.length / count as f64;
        let lump = self.material.mass / count as f64;
        let gravity = self.foot.gravity;
        let first = &mut self.stations[0];
        first.section.omega = self.foot.omega;
        first.section.alpha = self.foot.alpha;
        first.acceleration = self.foot.acceleration;
        self.mass.fill(0.0);
        self.force.fill(0.0);
        for (j, segment) in self.segments.iter().enumerate() {
            let (before, after) = self.stations.split_at_mut(j + 1);
            let (from, to) = (&before[j], &mut after[0]);
            to.follow(from, segment, h);
            // The segment's mass, half way along the chord.
            let middle = std::array::from_fn(|r| (from.shift[r] + to.shift[r]) * 0.5);
            let pull = gravity - (from.acceleration + to.acceleration) * 0.5;
            add_point(&mut self.mass, &mut self.force, &middle, lump, &pull);
        }
        let end = &self.stations[count];
        for body in [self.head, self.payload] {
            if body.mass > 0.0 {
                add_body(&mut self.mass, &mut self.force, end, &body, &gravity);
            }
        }
        // Push and drag act at the head plate's centre of mass.
        let arm = end.section.rotation.column(2) * self.head.height;
        self.force += along(&end.slopes_at(&arm), &self.push);
        self.carried = self.foot.velocity + self.foot.omega.cross(&(end.position + arm));
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
            let end = self.end();
            let slopes = end.slopes_at(&(end.section.rotation.column(2) * self.head.height));
            let own = slopes
                .map(|s| (1..COORDINATES).fold(s[0] * self.v[0], |sum, c| sum + s[c] * self.v[c]));
            let velocity = Vector3::from(own) + self.carried;
            let mut squares = Square::zeros();
            add_symmetric(&mut squares, &slopes, &slopes);
            damping += squares * material.drag;
            force -= along(&slopes, &velocity) * material.drag;
        }
        for run in &self.runs {
            if run.tension > 0.0 {
                force -= run.gradient * run.tension;
                add_outer(&mut stiffness, &run.gradient, run.stiffness);
                if run.damping > 0.0 {
                    add_outer(&mut damping, &run.gradient, run.damping);
                }
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
        (self.end().acceleration, self.end().section.alpha)
    }

    fn end(&self) -> &Station {
        &self.stations[self.segments.len()]
    }

    pub(super) fn rotation(&self) -> &Matrix3<f64> {
        &self.end().section.rotation
    }

    pub(super) fn position(&self) -> &Vector3<f64> {
        &self.end().position
    }

    /// Returns the angular velocity of the head in the world, rad/s, in coordinates of the foot's
    /// frame.
    pub(super) fn omega(&self) -> &Vector3<f64> {
        &self.end().section.omega
    }

    /// Returns the kinetic, elastic, gravitational and tendon energy, J. The kinetic part is that
    /// of the motion relative to the foot.
    pub(super) fn energy(&self) -> f64 {
        let material = &self.material;
        let mut mass = self.mass;
        mass.fill_upper_triangle_with_lower_triangle();
        let mut energy = 0.5 * self.v.dot(&(mass * self.v));
        for c in 0..COORDINATES {
            energy += 0.5 * elastic_stiffness(material, c) * self.q[c] * self.q[c];
        }
        let segments = self.segments.len();
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

/// Returns the number of segments for which every guide disc is at a station; `None` above 240.
fn segments_for(guide_counts: impl Iterator<Item = usize>) -> Option<usize> {
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

fn gcd(a: usize, b: usize) -> usize {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// Returns (EI / L) / (2 i + 1) for coefficient i of either direction, N m/rad.
fn elastic_stiffness(material: &Material, coordinate: usize) -> f64 {
    material.flexural_rigidity / (material.length * (2 * (coordinate % TERMS) + 1) as f64)
}

/// Adds a point mass: m J^T J to the mass matrix, m J^T (gravity - acceleration at q'' = 0) to the
/// force.
#[inline]
fn add_point(
    mass: &mut Square,
    force: &mut Coordinates,
    slopes: &Slopes,
    m: f64,
    pull: &Vector3<f64>,
) {
    let scaled = slopes.map(|s| s * m);
    *force += along(&scaled, pull);
    add_symmetric(mass, slopes, &scaled);
}

/// Adds a rigid body fixed to the head: point mass plus rotation, Newton and Euler's equations.
fn add_body(
    mass: &mut Square,
    force: &mut Coordinates,
    end: &Station,
    body: &Body,
    gravity: &Vector3<f64>,
) {
    let Section {
        rotation,
        turn,
        omega,
        alpha,
    } = &end.section;
    let arm = rotation.column(2) * body.height;
    let acceleration = end.acceleration + alpha.cross(&arm) + omega.cross(&omega.cross(&arm));
    let slopes = end.slopes_at(&arm);
    add_point(mass, force, &slopes, body.mass, &(gravity - acceleration));
    if body.inertia != Vector3::zeros() {
        let inertia = rotation * Matrix3::from_diagonal(&body.inertia) * rotation.transpose();
        let turned = std::array::from_fn(|r| along(turn, &inertia.row(r).transpose()));
        add_symmetric(mass, turn, &turned);
        let moment = inertia * alpha + omega.cross(&(inertia * omega));
        *force -= along(turn, &moment);
    }
}

/// Updates length, gradient and tension of one tendon.
fn update_run(run: &mut Run, stations: &[Station], v: &Coordinates) {
    let mut length = 0.0;
    let mut gradient = Coordinates::zeros();
    let mut from = run.base;
    let mut from_slopes = [Coordinates::zeros(); 3];
    for piece in 1..=run.guides.len() + 1 {
        let station = &stations[piece * run.stride];
        let local = run.guides.get(piece - 1).unwrap_or(&run.head);
        let arm = station.section.rotation * local;
        let to = station.position + arm;
        let to_slopes = station.slopes_at(&arm);
        let chord = to - from;
        let norm = chord.norm();
        length += norm;
        // Two coincident guide points have no direction of pull.
        if norm > 0.0 {
            let direction = chord / norm;
            for r in 0..3 {
                gradient += (to_slopes[r] - from_slopes[r]) * direction[r];
            }
        }
        from = to;
        from_slopes = to_slopes;
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

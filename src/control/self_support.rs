//! Check if the beam alone, with slack tendons, carries the head and its payload (self-support).
//!
//! # Equations
//! The beam is an inextensible elastica, clamped in the base, with a rigid head on its end.
//! `theta(s)` is the angle of its axis from the vertical, in the plane in which gravity pulls it
//! over; `W(s)` is the weight above `s`. The moment of the parts above decreases by `W sin(theta)`
//! on the way up, so that
//!
//! `EI theta'' = -(P + w (L - s)) sin(theta)`, `theta(0) = tilt of the base`,
//! `EI theta'(L) = P h sin(theta(L))`
//!
//! with `P` the weight of head and payload, `h` the height of their common centre above the beam's
//! end, `w` the beam's own weight per length (balance of an element, as for the elastica in
//! Timoshenko and Gere 1961, "Theory of Elastic Stability", 2nd ed., sec. 2.7, from memory). Two
//! bodies on one rigid head equal one body at their common centre.
//!
//! For an upright, weightless beam the solution is `cos(k (L - s)) - k h sin(k (L - s))`,
//! `k^2 = P / EI`. The beam buckles where this vanishes at the foot: `k h tan(k L) = 1`. `h = 0`
//! gives Euler's `P = pi^2 EI / (4 L^2)`.
//!
//! The equation is integrated from the head down. Each lean of the head gives one tilt of the base;
//! the solution is the lean whose tilt is the base's. The derivative with respect to the lean, `y`,
//! is integrated too: `EI y'' = -(P + w (L - s)) cos(theta) y`. The equilibrium is a strict minimum
//! of the energy if and only if `y > 0` everywhere (Jacobi's condition with a free end; Gelfand and
//! Fomin 1963, "Calculus of Variations", ch. 5, from memory). Sideways it is always stable: with
//! the axis at the angle `phi` round the vertical the energy is the in-plane one plus
//! `EI sin(theta)^2 phi'^2 / 2`, which is not negative.
//!
//! Below the upright limit the energy is strictly convex at every tilt, since `W cos(theta) <= W`:
//! there is one equilibrium, and a head released anywhere reaches it. So an upright base must also
//! satisfy the upright limit; a hanging one (tilted by 90 deg or more) need not.
//!
//! The beam is assumed to be equally stiff in all directions, so that neither the direction of the
//! tilt nor a pan motor matters.

use crate::control::solve::{bisect, halfway};

/// Standard gravity, m/s^2 (ISO 80000-3).
const GRAVITY: f64 = 9.80665;

/// Required multiple of the load. Printed elastomers deviate by ten to thirty per cent in
/// stiffness, and creep and warmth take as much again (common practice, no source); the load is
/// known better.
pub const FACTOR: f64 = 1.5;

/// Number of integration steps over the beam's length.
const STEPS: usize = 32;
/// Step of the search for the lean, rad (2 deg).
const SEARCH: f64 = 0.035;
/// Number of bisections of an interval.
const HALVINGS: usize = 30;
/// Max multiple of the load that is searched.
const GREATEST_FACTOR: f64 = 100.0;
/// Max tilt of a moving base that is checked, rad to either side of its nominal tilt (20 deg).
const BASE_SPAN: f64 = 0.349;
/// Number of steps over this span.
const BASE_STEPS: usize = 20;

/// A body on the head: its mass and the height of its centre above the beam's end.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Load {
    /// Mass, kg.
    pub mass: f64,
    /// Height, m.
    pub height: f64,
}

/// The beam with its bare head.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cantilever {
    /// Length, m.
    pub length: f64,
    /// Bending stiffness `EI`, N m^2.
    pub stiffness: f64,
    /// Mass of the beam itself, kg, evenly distributed.
    pub mass: f64,
    /// The head without payload.
    pub head: Load,
    /// The heaviest payload that the joint is designed for.
    pub heaviest: Load,
}

/// Result of the integration for one lean of the head.
struct Shape {
    /// Angle of the foot from the vertical, rad.
    foot: f64,
    /// The energy is a strict minimum.
    stable: bool,
}

/// Weights divided by the stiffness, dimensionless.
#[derive(Clone, Copy)]
struct Weights {
    /// `P L^2 / EI`
    head: f64,
    /// `P h L / EI`
    moment: f64,
    /// `w L^3 / EI`
    beam: f64,
}

impl Weights {
    fn times(self, factor: f64) -> Self {
        Self {
            head: self.head * factor,
            moment: self.moment * factor,
            beam: self.beam * factor,
        }
    }

    /// Integrates from the head, which leans by `lean` rad from the vertical, down to the foot, by
    /// the classical Runge-Kutta method.
    fn shape(&self, lean: f64) -> Shape {
        let slope = |x: f64, [angle, rate, y, y_rate]: [f64; 4]| {
            let weight = self.head + self.beam * x;
            [
                rate,
                -weight * angle.sin(),
                y_rate,
                -weight * angle.cos() * y,
            ]
        };
        let step = 1.0 / STEPS as f64;
        let along =
            |at: [f64; 4], by: f64, slope: [f64; 4]| std::array::from_fn(|i| at[i] + by * slope[i]);
        let mut at = [
            lean,
            -self.moment * lean.sin(),
            1.0,
            -self.moment * lean.cos(),
        ];
        let mut stable = true;
        for i in 0..STEPS {
            let x = i as f64 * step;
            let a = slope(x, at);
            let b = slope(x + 0.5 * step, along(at, 0.5 * step, a));
            let c = slope(x + 0.5 * step, along(at, 0.5 * step, b));
            let d = slope(x + step, along(at, step, c));
            at = std::array::from_fn(|i| {
                at[i] + step / 6.0 * (a[i] + 2.0 * b[i] + 2.0 * c[i] + d[i])
            });
            stable &= at[2] > 0.0 && at[0] > -1e-9;
        }
        Shape {
            foot: at[0],
            stable,
        }
    }

    /// Returns true if the upright beam does not buckle. Far beyond the limit the integration's
    /// steps would be too long; there, single weights that are too high decide: Euler's on the end,
    /// Greenhill's of the beam (1881, from memory), and the moment of constant curvature.
    fn upright(&self) -> bool {
        self.head < 2.4675 && self.beam < 7.8374 && self.moment < 1.0 && self.shape(0.0).stable
    }

    /// Returns the head's inclination from the base, rad, in the beam's stable equilibrium on a
    /// base tilted by `tilt` rad; `None` if there is none up to `most` rad.
    fn inclination(&self, tilt: f64, most: f64) -> Option<f64> {
        // Above the upright limit an upright beam may fall to several sides.
        if tilt < std::f64::consts::FRAC_PI_2 && !self.upright() {
            return None;
        }
        // The head leans further than the base, but at most until it hangs.
        let most = most.min(std::f64::consts::PI - tilt).max(0.0);
        let beyond = |inclination: f64| self.shape(tilt + inclination).foot - tilt;
        let upright = self.shape(tilt);
        if upright.foot - tilt >= -1e-12 && upright.stable {
            return Some(0.0);
        }
        let steps = (most / SEARCH).ceil();
        let mut below = 0.0;
        for step in 1..=steps as usize {
            let above = most * step as f64 / steps;
            let crosses = beyond(above) >= 0.0;
            if !crosses {
                below = above;
                continue;
            }
            // Written so that NaN counts as short of it.
            let short = |lean| !(beyond(lean) >= 0.0);
            let (_, high) = bisect((below, above), HALVINGS, halfway, short);
            return self.shape(tilt + high).stable.then_some(high);
        }
        None
    }
}

/// Result of the self-support check.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum SelfSupport {
    /// The joint file lacks the beam's stiffness or its load.
    #[default]
    NotKnown,
    /// The beam carries [`FACTOR`] times the load.
    Carries {
        /// Max multiple of the load that the beam carries, at most 100.
        factor: f64,
        /// Max inclination of the head, rad, at the tilts below, under [`FACTOR`] times the load.
        inclination: f64,
        /// Min and max tilt of the base from upright at which this holds, rad.
        tilts: (f64, f64),
        /// Payload that the result is for.
        payload: Load,
    },
    /// The beam does not carry it, or not within the inclination limit.
    DoesNot {
        /// Max multiple of the load that the beam carries.
        factor: f64,
        /// Inclination limit, rad.
        most: f64,
        /// Tilt of the base from upright, rad.
        tilt: f64,
        /// Payload that the result is for.
        payload: Load,
    },
}

impl SelfSupport {
    /// Returns true if the beam carries the head, so that the tendons may be released.
    pub fn carries(&self) -> bool {
        matches!(self, Self::Carries { .. })
    }
}

impl std::fmt::Display for SelfSupport {
    /// Writes one sentence with the numbers.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NotKnown => write!(
                f,
                "whether the beam alone carries the head is not known: the joint file has no \
                 beam.bending_stiffness_n_m2"
            ),
            Self::Carries {
                factor,
                inclination,
                payload,
                ..
            } => write!(
                f,
                "the beam alone carries the head with {:.0} g, {:.0} mm up: {factor:.2} times this \
                 load, at least {FACTOR} times is required; the head then leans by up to {:.1} \
                 deg",
                payload.mass * 1e3,
                payload.height * 1e3,
                inclination.to_degrees()
            ),
            Self::DoesNot {
                factor,
                most,
                tilt,
                payload,
            } => write!(
                f,
                "the beam alone does not carry the head with {:.0} g, {:.0} mm up: within {:.1} \
                 deg and on a base tilted by {:.1} deg it carries {factor:.2} times this load, at \
                 least {FACTOR} times is required",
                payload.mass * 1e3,
                payload.height * 1e3,
                most.to_degrees(),
                tilt.to_degrees()
            ),
        }
    }
}

impl Cantilever {
    fn weights(&self, payload: Load) -> Weights {
        let share = GRAVITY * self.length / self.stiffness;
        let (head, load) = (self.head, payload);
        Weights {
            head: (head.mass + load.mass) * share * self.length,
            moment: (head.mass * head.height + load.mass * load.height) * share,
            beam: self.mass * share * self.length,
        }
    }

    /// Returns the head's inclination, rad, in the beam's equilibrium under `factor` times the
    /// load, on a base tilted by `tilt` rad (0 to pi) from upright; `None` if there is none up to
    /// `most` rad. The head leans in the direction in which gravity pulls it.
    ///
    /// Bound on work: `most` / 2 deg plus 30 integrations along the beam, of 32 steps each.
    pub fn inclination(&self, payload: Load, factor: f64, tilt: f64, most: f64) -> Option<f64> {
        let tilt = tilt.clamp(0.0, std::f64::consts::PI);
        self.weights(payload).times(factor).inclination(tilt, most)
    }

    /// Returns the max multiple of the load, at most 100, that the beam carries on a base tilted by
    /// `tilt` rad while leaning by at most `most` rad. Bound on work: 31 times that of
    /// [`Cantilever::inclination`].
    pub fn greatest_factor(&self, payload: Load, tilt: f64, most: f64) -> f64 {
        let carries = |factor| self.inclination(payload, factor, tilt, most).is_some();
        if carries(GREATEST_FACTOR) {
            return GREATEST_FACTOR;
        }
        bisect((0.0, GREATEST_FACTOR), HALVINGS, halfway, carries).0
    }

    /// Checks if the beam carries [`FACTOR`] times the load while leaning by at most `most` rad.
    /// `payload`: by default the heaviest. `tilt`: of the base from upright, rad; `moves`: the base
    /// tilts while the joint runs, by up to 20 deg to either side.
    ///
    /// Bound on work: 72 times that of [`Cantilever::inclination`]. Not for the real-time thread.
    pub fn carries(&self, payload: Option<Load>, tilt: f64, moves: bool, most: f64) -> SelfSupport {
        let payload = payload.unwrap_or(self.heaviest);
        let factor = self.greatest_factor(payload, tilt, most);
        let at = |tilt| self.inclination(payload, FACTOR, tilt, most);
        let Some(mut inclination) = at(tilt) else {
            return SelfSupport::DoesNot {
                factor,
                most,
                tilt,
                payload,
            };
        };
        let mut tilts = (tilt, tilt);
        if moves {
            let mut reach = |way: f64| {
                let mut reached = tilt;
                for step in 1..=BASE_STEPS {
                    let next = tilt + way * BASE_SPAN * step as f64 / BASE_STEPS as f64;
                    let next = next.clamp(0.0, std::f64::consts::PI);
                    let Some(leans) = at(next) else { break };
                    (reached, inclination) = (next, inclination.max(leans));
                }
                reached
            };
            tilts = (reach(-1.0), reach(1.0));
        }
        SelfSupport::Carries {
            factor,
            inclination,
            tilts,
            payload,
        }
    }
}

//! Numerical searches that the rest of the crate shares: bisection, bracketed roots, minima of one
//! variable, and sums of squares. None allocates, and each states its bound on work.

use nalgebra::{SMatrix, SVector};

/// Returns the lower and the upper end of the interval in which `low_side` changes from true, at
/// `low`, to false, at `high`, after so many bisections. `middle` divides an interval
/// ([`halfway`], [`geometric`]).
pub fn bisect(
    (mut low, mut high): (f64, f64),
    times: usize,
    middle: fn(f64, f64) -> f64,
    low_side: impl Fn(f64) -> bool,
) -> (f64, f64) {
    for _ in 0..times {
        let x = middle(low, high);
        if low_side(x) {
            low = x;
        } else {
            high = x;
        }
    }
    (low, high)
}

/// Returns the mean.
pub fn halfway(low: f64, high: f64) -> f64 {
    0.5 * (low + high)
}

/// Returns the geometric mean of two positive numbers.
pub fn geometric(low: f64, high: f64) -> f64 {
    (low * high).sqrt()
}

/// Returns the root of `f` (value and slope) between `a` and `b`, where its signs differ, to
/// rounding. Newton's steps from `start` inside the bracket, bisection where they leave it; at most
/// 81 evaluations.
pub fn root(f: impl Fn(f64) -> (f64, f64), mut a: f64, mut b: f64, start: f64) -> f64 {
    let rising = f(a).0 < 0.0;
    let mut x = start;
    for _ in 0..80 {
        let (value, slope) = f(x);
        if value == 0.0 {
            return x;
        }
        if (value < 0.0) == rising {
            a = x
        } else {
            b = x
        }
        let next = x - value / slope;
        // Written so that a slope of zero or NaN leads to bisection.
        let inside = (a.min(b)..=a.max(b)).contains(&next);
        let next = if inside { next } else { halfway(a, b) };
        let scale = f64::EPSILON * (1.0 + x.abs());
        if (next - x).abs() <= scale || (b - a).abs() <= scale {
            return next;
        }
        x = next;
    }
    x
}

/// Returns the two innermost places, and the values there, about a minimum of `f` between `a` and
/// `b`: golden section in `steps` steps, each to 0.618 of the bracket before.
pub fn golden(f: impl Fn(f64) -> f64, mut a: f64, mut b: f64, steps: u32) -> [(f64, f64); 2] {
    const SHARE: f64 = 0.618_033_988_749_894_8;
    let (mut c, mut d) = (b - SHARE * (b - a), a + SHARE * (b - a));
    let (mut at_c, mut at_d) = (f(c), f(d));
    for _ in 0..steps {
        if at_c < at_d {
            (b, d, at_d) = (d, c, at_c);
            c = b - SHARE * (b - a);
            at_c = f(c);
        } else {
            (a, c, at_c) = (c, d, at_d);
            d = a + SHARE * (b - a);
            at_d = f(d);
        }
    }
    [(c, at_c), (d, at_d)]
}

/// Returns the step, shortened to `longest` if it is longer.
pub fn shortened<const N: usize>(step: SVector<f64, N>, longest: f64) -> SVector<f64, N> {
    let size = step.norm();
    if size > longest {
        step * (longest / size)
    } else {
        step
    }
}

/// Damping of a step above which no step helps.
const STIFFEST: f64 = 1e12;
/// Step below which a cost that does not fall is flat to rounding.
const FLAT: f64 = 1e-9;
/// Step to rounding.
const ROUNDING: f64 = 1e-15;

/// What the damping of a step is a multiple of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// The curvature's own diagonal: the variables have different units.
    Diagonal,
    /// The unit matrix: directions without curvature are damped too.
    Unit,
}

/// Levenberg and Marquardt's descent: damped steps of Newton's method, or of Gauss and Newton's for
/// a sum of squares. Sources: Levenberg 1944, Marquardt 1963 (from
/// memory).
#[derive(Clone, Copy, Debug)]
pub struct Descent {
    /// Max number of steps taken.
    pub steps: usize,
    /// Max number of places tried.
    pub tries: usize,
    /// Scale of the damping.
    pub scale: Scale,
    /// Damping of the first step, and the min one after a step that did not help.
    pub damping: f64,
    /// Min damping.
    pub min_damping: f64,
    /// Factor between the dampings of two tries.
    pub factor: f64,
    /// The descent ends when a step lowers the cost by at most this share of it.
    pub worth: f64,
}

impl Descent {
    /// Returns the place to which the descent from `start` leads.
    ///
    /// A place holds what is evaluated there, such as its `cost`. `slope` returns minus the
    /// gradient and the curvature, not negative, both of the cost or of the same multiple of it:
    /// `J^T r` and `J^T J` for residuals `r` = measured less modelled. `moved` evaluates the place
    /// one step further on; it may shorten the step or keep it inside bounds.
    ///
    /// Bound on work: `tries` calls of each.
    pub fn from<const N: usize, P>(
        &self,
        start: P,
        cost: impl Fn(&P) -> f64,
        slope: impl Fn(&P) -> (SVector<f64, N>, SMatrix<f64, N, N>),
        moved: impl Fn(&P, SVector<f64, N>) -> P,
    ) -> P {
        let mut place = start;
        let mut damping = self.damping;
        let (mut downward, mut curvature) = slope(&place);
        let mut steps = 0;
        for _ in 0..self.tries {
            let mut damped = curvature;
            for i in 0..N {
                let own = damped[(i, i)];
                // A variable without effect stays constant.
                damped[(i, i)] = f64::MIN_POSITIVE
                    + match self.scale {
                        Scale::Diagonal => (1.0 + damping) * own,
                        Scale::Unit => own + damping,
                    };
            }
            let step = damped.cholesky().map(|c| c.solve(&downward));
            let step = step.filter(|s| s.iter().all(|v| v.is_finite()));
            let size = step.map_or(f64::INFINITY, |s| s.norm());
            let before = cost(&place);
            let next = step.map(|step| moved(&place, step));
            match next.filter(|next| cost(next) <= before) {
                Some(next) => {
                    place = next;
                    steps += 1;
                    if steps == self.steps
                        || size < ROUNDING
                        || before - cost(&place) <= self.worth * before
                    {
                        break;
                    }
                    damping = (damping / self.factor).max(self.min_damping);
                    (downward, curvature) = slope(&place);
                }
                None if size < FLAT || damping > STIFFEST => break,
                None => damping *= self.factor,
            }
        }
        place
    }
}

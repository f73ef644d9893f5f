//! Stability, margins and sensitivity of a 2 x 2 loop along the contour of the argument principle.
//!
//! The contour starts on the real axis right of the poles at zero, goes round them on a small arc
//! and up the imaginary axis to the Nyquist frequency `pi/T`, where it is real again; its mirror
//! image closes it. The open loop has no poles outside except those at zero, and none at infinity.
//! The number of closed-loop poles outside is therefore minus the half turns of `det(I + L)` along
//! the contour. Source: argument principle; MIMO form e.g. Skogestad and Postlethwaite 2005,
//! "Multivariable Feedback Control", section 4.9 (from memory). Poles slower than [`SLOWEST`] are
//! not distinguished from those at zero.

use super::loops::{Case, Frame, Matrix, Point, Seen};
use super::{Crossing, LoopFigures};
use crate::control::solve::{bisect, golden, halfway};
use crate::design::model::Peak;
use nalgebra::Complex;
use std::f64::consts::{FRAC_PI_2, PI, TAU};

/// Radius of the arc round the poles at zero, rad/s.
pub(super) const SLOWEST: f64 = 1e-4;
/// Frequency from which the grid is fine, rad/s.
const FINE: f64 = 0.1;
/// Steps per decade below and above [`FINE`].
const COARSE_STEPS: f64 = 6.0;
const FINE_STEPS: f64 = 40.0;
/// Number of points on the arc.
const ARC: u32 = 8;
/// Maximum number of halvings of a grid step.
const HALVINGS: u32 = 40;
/// Number of steps in which delays are tried, up to the delay margin of the crossovers.
const STEPS: u32 = 8;
/// Gain margins beyond this factor are not reported.
const FAR: f64 = 100.0;

/// Selects the discretised or the continuous law.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Which {
    Discrete,
    Continuous,
}

impl Which {
    /// Returns that law at `s`.
    pub(super) fn point(self, frame: &Frame, s: Complex<f64>) -> Point {
        match self {
            Self::Discrete => frame.discrete(s),
            Self::Continuous => frame.continuous(s),
        }
    }

    /// Returns a loop with that law.
    pub(super) fn seen(self, case: &Case, point: &Point) -> Seen {
        match self {
            Self::Discrete => case.discrete(point),
            Self::Continuous => case.continuous(point),
        }
    }
}

/// A law prepared along the contour.
pub(super) struct Grid<'a> {
    frame: &'a Frame<'a>,
    which: Which,
    points: Vec<Point>,
}

impl<'a> Grid<'a> {
    pub(super) fn new(frame: &'a Frame<'a>, which: Which) -> Self {
        // Just below the Nyquist frequency, where a derivative's own transform has its pole.
        let end = PI / frame.sensor() * (1.0 - 1e-7);
        let mut at: Vec<Complex<f64>> = (0..ARC)
            .map(|i| Complex::from_polar(SLOWEST, FRAC_PI_2 * f64::from(i) / f64::from(ARC)))
            .collect();
        let mut axis = |from: f64, to: f64, per_decade: f64| {
            // Positive and below a thousand.
            let count = ((to / from).log10() * per_decade).ceil() as u32;
            let ratio = (to / from).ln() / f64::from(count);
            at.extend((0..count).map(|i| Complex::new(0.0, from * (ratio * f64::from(i)).exp())));
        };
        axis(SLOWEST, FINE, COARSE_STEPS);
        axis(FINE, end, FINE_STEPS);
        at.push(Complex::new(0.0, end));
        let mut grid = Self {
            frame,
            which,
            points: Vec::new(),
        };
        grid.points = at.into_iter().map(|s| grid.point(s)).collect();
        grid
    }

    fn point(&self, s: Complex<f64>) -> Point {
        self.which.point(self.frame, s)
    }

    fn of(&self, case: &Case, point: &Point) -> Seen {
        self.which.seen(case, point)
    }

    fn at(&self, case: &Case, s: Complex<f64>) -> Seen {
        self.of(case, &self.point(s))
    }

    /// Returns one loop at all points of the contour.
    fn along(&self, case: &Case) -> Vec<Seen> {
        self.points.iter().map(|p| self.of(case, p)).collect()
    }

    /// Returns all figures of one loop. With `briefly`, a stable loop has no margins, and its peak
    /// is that of the grid.
    pub(super) fn figures(&self, case: &Case, briefly: bool) -> LoopFigures {
        let loops = self.along(case);
        let unstable_poles = self.unstable_poles(case, &loops);
        let briefly = briefly && unstable_poles == 0;
        let mut figures = LoopFigures {
            unstable_poles,
            phase_margin: None,
            delay_margin: None,
            crossovers: None,
            gain_margin: None,
            least_gain: None,
            sensitivity: self.sensitivity(case, &loops, briefly),
        };
        if briefly {
            return figures;
        }
        let mut before = eigenvalues(&loops[0].open);
        for (i, seen) in loops.iter().enumerate().skip(1) {
            let now = paired(eigenvalues(&seen.open), before);
            if i > ARC as usize {
                for branch in 0..2 {
                    if branch == 1 && before[0] == before[1] && now[0] == now[1] {
                        continue;
                    }
                    let span = [self.points[i - 1].s.im, self.points[i].s.im];
                    self.crossings(case, span, before[branch], now[branch], &mut figures);
                }
            }
            before = now;
        }
        // The contour ends on the real axis.
        if self.which == Which::Discrete {
            let end = self.points[self.points.len() - 1].s.im;
            for value in before.iter().filter(|v| v.re < 0.0) {
                figures.take_factor(Crossing {
                    frequency: end,
                    value: -1.0 / value.re,
                });
            }
        }
        figures
    }

    /// Finds the frequencies between two grid points where an eigenvalue's magnitude passes 1, and
    /// where it is real and negative.
    fn crossings(
        &self,
        case: &Case,
        span: [f64; 2],
        from: Complex<f64>,
        to: Complex<f64>,
        figures: &mut LoopFigures,
    ) {
        let near = |w: f64| {
            let share = (w / span[0]).ln() / (span[1] / span[0]).ln();
            let guess = from + (to - from) * share;
            let both = eigenvalues(&self.at(case, Complex::new(0.0, w)).open);
            if (both[0] - guess).norm() <= (both[1] - guess).norm() {
                both[0]
            } else {
                both[1]
            }
        };
        if (from.norm() > 1.0) != (to.norm() > 1.0) {
            let w = root(span, from.norm().ln(), to.norm().ln(), |w| {
                near(w).norm().ln()
            });
            figures.take_crossover(Crossing {
                frequency: w,
                value: (-near(w)).arg(),
            });
        }
        if (from.im > 0.0) != (to.im > 0.0) && (from.re < 0.0 || to.re < 0.0) {
            let w = root(span, from.im, to.im, |w| near(w).im);
            let value = near(w);
            if value.re < 0.0 {
                figures.take_factor(Crossing {
                    frequency: w,
                    value: -1.0 / value.re,
                });
            }
        }
    }

    /// Returns the minimum additional delay that makes a stable loop with these `figures` unstable,
    /// s. Sampling folds frequencies above the Nyquist frequency to below it, and a delay turns
    /// those differently: the crossovers alone overestimate by up to a third. None where three
    /// times their estimate leaves the loop stable.
    pub(super) fn delay_margin(&self, case: &Case, figures: &LoopFigures) -> Option<f64> {
        let guess = figures.delay_margin.filter(|_| figures.stable())?.value;
        let stable = |delay| {
            let later = case.later(self.frame, delay);
            self.unstable_poles(&later, &self.along(&later)) == 0
        };
        let steps = 1..=3 * STEPS;
        let high = steps
            .map(|i| guess * f64::from(i) / f64::from(STEPS))
            .find(|delay| !stable(*delay))?;
        let low = (high - guess / f64::from(STEPS)).max(0.0);
        // To a thousandth of the guess.
        Some(bisect((low, high), 7, halfway, stable).0)
    }

    fn unstable_poles(&self, case: &Case, loops: &[Seen]) -> u32 {
        let mut sum = 0.0;
        for i in 1..loops.len() {
            let ends = [&self.points[i - 1], &self.points[i]].map(|p| p.s);
            match self.turn(case, ends, &loops[i - 1], &loops[i], 0) {
                Some(turn) => sum += turn,
                // The locus passes through zero: a pole on the contour is not stable.
                None => return 1,
            }
        }
        // The cast saturates at 0.
        (-sum / PI).round() as u32
    }

    fn turn(
        &self,
        case: &Case,
        ends: [Complex<f64>; 2],
        from: &Seen,
        to: &Seen,
        depth: u32,
    ) -> Option<f64> {
        let angle = (to.determinant / from.determinant).arg();
        // Two loci that are alike pass -1 together. Half a turn of each is a whole turn of the
        // determinant, which its ends do not show. They can only pass -1 where the step of the loop
        // is longer than the distance to -1, of which the determinant is then the square.
        let way = from.determinant.norm().min(to.determinant.norm()).sqrt();
        if angle.abs() < 0.7 && (to.open - from.open).norm() < way {
            return Some(angle);
        }
        if depth == HALVINGS || !angle.is_finite() {
            return None;
        }
        let middle = (ends[0] * ends[1]).sqrt();
        let there = self.at(case, middle);
        let first = self.turn(case, [ends[0], middle], from, &there, depth + 1)?;
        let second = self.turn(case, [middle, ends[1]], &there, to, depth + 1)?;
        Some(first + second)
    }

    fn sensitivity(&self, case: &Case, loops: &[Seen], briefly: bool) -> Peak {
        let values: Vec<f64> = loops.iter().map(|l| sensitivity(&l.open)).collect();
        let axis = ARC as usize;
        let mut top = axis;
        for i in axis..values.len() {
            if values[i] > values[top] {
                top = i;
            }
        }
        let w = |i: usize| self.points[i].s.im;
        let mut peak = Peak {
            frequency: w(top),
            value: values[top],
        };
        let last = values.len() - 1;
        if briefly || top == axis || top == last {
            return peak;
        }
        // On ln w: 2 * 0.058 * 0.618^22 leaves 3e-6.
        let less = |v: f64| -sensitivity(&self.at(case, Complex::new(0.0, v.exp())).open);
        for (v, less) in golden(less, w(top - 1).ln(), w(top + 1).ln(), 22) {
            if -less > peak.value {
                peak = Peak {
                    frequency: v.exp(),
                    value: -less,
                };
            }
        }
        peak
    }
}

impl LoopFigures {
    fn take_crossover(&mut self, crossing: Crossing) {
        let w = crossing.frequency;
        self.crossovers = Some(match self.crossovers {
            None => [w, w],
            Some([low, high]) => [low.min(w), high.max(w)],
        });
        if self
            .phase_margin
            .is_none_or(|least| crossing.value.abs() < least.value.abs())
        {
            self.phase_margin = Some(crossing);
        }
        // A delay turns the locus clockwise.
        let delay = crossing.value.rem_euclid(TAU) / w;
        if self.delay_margin.is_none_or(|least| delay < least.value) {
            self.delay_margin = Some(Crossing {
                frequency: w,
                value: delay,
            });
        }
    }

    fn take_factor(&mut self, crossing: Crossing) {
        let factor = crossing.value;
        if (1.0..=FAR).contains(&factor) {
            if self.gain_margin.is_none_or(|least| factor < least.value) {
                self.gain_margin = Some(crossing);
            }
        } else if factor < 1.0 && self.least_gain.is_none_or(|most| factor > most.value) {
            self.least_gain = Some(crossing);
        }
    }
}

/// Returns the largest singular value of `(I + L)^-1`.
fn sensitivity(l: &Matrix) -> f64 {
    let mut m = *l;
    m[(0, 0)] += 1.0;
    m[(1, 1)] += 1.0;
    let sum = m.norm_squared();
    let product = m.determinant().norm_sqr();
    // Squares of the singular values are roots of x^2 - sum x + product.
    let greatest = 0.5 * (sum + (sum * sum - 4.0 * product).max(0.0).sqrt());
    (greatest / product).sqrt()
}

fn eigenvalues(l: &Matrix) -> [Complex<f64>; 2] {
    let mean = (l[(0, 0)] + l[(1, 1)]) * 0.5;
    let half = (l[(0, 0)] - l[(1, 1)]) * 0.5;
    let apart = (half * half + l[(0, 1)] * l[(1, 0)]).sqrt();
    [mean + apart, mean - apart]
}

/// Returns the pair in the order that is closest to the pair before.
fn paired(now: [Complex<f64>; 2], before: [Complex<f64>; 2]) -> [Complex<f64>; 2] {
    let [a, b] = now;
    let straight = (a - before[0]).norm() + (b - before[1]).norm();
    let crossed = (b - before[0]).norm() + (a - before[1]).norm();
    if straight <= crossed { [a, b] } else { [b, a] }
}

/// Returns the root of `f` between two frequencies where it has the values `low` and `high`: false
/// position on `ln w`, with the weight of the end that stays halved (Illinois).
fn root(span: [f64; 2], low: f64, high: f64, f: impl Fn(f64) -> f64) -> f64 {
    let (mut a, mut b) = (span[0].ln(), span[1].ln());
    let (mut at_a, mut at_b) = (low, high);
    let mut x = a;
    for _ in 0..60 {
        x = (a * at_b - b * at_a) / (at_b - at_a);
        let value = f(x.exp());
        if value == 0.0 || (b - a).abs() < 1e-13 || (value.abs() < 1e-13 * (1.0 + low.abs())) {
            break;
        }
        if (value > 0.0) == (at_b > 0.0) {
            (b, at_b) = (x, value);
            at_a *= 0.5;
        } else {
            (a, at_a) = (x, value);
            at_b *= 0.5;
        }
    }
    x.exp()
}

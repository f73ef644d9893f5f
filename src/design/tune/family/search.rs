//! The search over dampings, integral gains and orders.

use super::{FamilySpecification, OnModel, plain, three};
use crate::control::controller::MotorGains;
use crate::control::solve::{bisect, geometric, halfway};
use crate::design::model::{Dynamics, Law, Loop, Plant, SecondOrder};
use nalgebra::Complex;
use std::cell::Cell;
use std::f64::consts::{PI, TAU};

/// Orders to try where none is given.
const ORDERS: [f64; 9] = [1.0, 0.95, 1.05, 0.9, 1.1, 0.85, 1.15, 0.8, 1.2];
/// Proportional gains, as loop gains at rest, to try where none is given.
const PROPORTIONS: [f64; 7] = [0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4];
/// Minimum gain in crossover for an order other than 1, or a proportional gain, to be chosen.
const WORTH: f64 = 1.05;
/// Maximum damping of a set, s.
const MOST_DAMPING: f64 = 1.0;

/// The family with its delays, and the specification.
pub(super) struct Search<'a> {
    pub plants: Vec<Plant>,
    pub specification: &'a FamilySpecification,
    /// The member that failed last; it is checked first.
    failed: Cell<usize>,
}

/// Gains of the search.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Found {
    pub proportional: f64,
    pub integral: f64,
    pub order: f64,
    pub damping: f64,
}

impl Found {
    pub(super) fn gains(&self, corner: f64) -> MotorGains {
        MotorGains {
            kp: self.proportional,
            ki: self.integral,
            kd: self.damping,
            integral_order: self.order,
            derivative_order: 1.0,
            derivative_corner: corner,
        }
    }
}

impl<'a> Search<'a> {
    pub(super) fn new(
        family: &[Plant],
        delay: f64,
        specification: &'a FamilySpecification,
    ) -> Self {
        Self {
            plants: family.iter().map(|p| p.delayed(delay)).collect(),
            specification,
            failed: Cell::new(0),
        }
    }

    fn corner(&self, plant: &Plant) -> f64 {
        if plant.relative_degree() > 1.0 {
            f64::INFINITY
        } else {
            self.specification.rate_corner
        }
    }

    /// Returns the whole loop around a model that includes the delays.
    pub(super) fn open(&self, plant: &Plant, found: &Found) -> Loop {
        Loop::of(*plant, Law::new(&found.gains(self.corner(plant))))
    }

    /// Returns true if every member is stable with at most that peak, and its remaining mode decays
    /// fast enough.
    pub(super) fn holds(&self, found: &Found, peak: f64) -> bool {
        let count = self.plants.len();
        let first = self.failed.get();
        (0..count).map(|i| (first + i) % count).all(|i| {
            let plant = &self.plants[i];
            let good = self.open(plant, found).stays_below(peak) && self.dies_down(plant, found);
            if !good {
                self.failed.set(i);
            }
            good
        })
    }

    /// Returns true if the remaining mode decays fast enough.
    fn dies_down(&self, plant: &Plant, found: &Found) -> bool {
        self.lateness(plant, found) <= 1.0
    }

    /// Returns the required decay of the remaining mode over its actual decay. The integral loop's
    /// crossover is close to `(K ki)^(1/lambda)`.
    pub(super) fn lateness(&self, plant: &Plant, found: &Found) -> f64 {
        let least =
            self.specification.decay * (plant.gain * found.integral).powf(1.0 / found.order);
        if least == 0.0 {
            return 0.0;
        }
        let swing = self.swing(plant, found);
        swing.map_or(0.0, |s| {
            least / (s.natural_frequency * s.damping_ratio).max(1e-9)
        })
    }

    /// Returns the highest peak of each member, infinite where it is unstable.
    pub(super) fn peaks(&self, found: &Found) -> Vec<f64> {
        let peak = |plant| {
            let figures = self.open(plant, found).figures();
            if figures.stable() {
                figures.sensitivity.value
            } else {
                f64::INFINITY
            }
        };
        self.plants.iter().map(peak).collect()
    }

    /// Returns the largest damping at which the damping loop alone holds the peak on every member.
    fn most_damping(&self, proportional: f64, peak: f64) -> f64 {
        let holds = |damping: f64| {
            let found = Found {
                proportional,
                integral: 0.0,
                order: 1.0,
                damping,
            };
            self.holds(&found, peak)
        };
        // Searched upwards, since figures of a loop far beyond the limit take longer.
        let (mut low, mut high) = (0.0, 1e-4);
        while high < MOST_DAMPING && holds(high) {
            (low, high) = (high, 1.3 * high);
        }
        if high >= MOST_DAMPING && holds(MOST_DAMPING) {
            return MOST_DAMPING;
        }
        bisect((low, high), 16, halfway, holds).0
    }

    /// Returns the largest integral gain that holds the peak; none if none does.
    pub(super) fn most_integral(&self, template: &Found, peak: f64) -> Option<f64> {
        let gain = self.plants.iter().map(|p| p.gain).fold(0.0, f64::max);
        let holds = |crossover: f64| {
            let integral = crossover.powf(template.order) / gain;
            self.holds(
                &Found {
                    integral,
                    ..*template
                },
                peak,
            )
        };
        // The range of crossovers runs from far below the slowest model up to the limit by delays
        // or lag.
        let slowest = self.slowest();
        let mut high = 10.0 * slowest;
        let mut low = high / 1.25;
        for _ in 0..80 {
            if holds(low) {
                let (low, _) = bisect((low, high), 14, geometric, holds);
                return Some(low.powf(template.order) / gain);
            }
            high = low;
            low /= 1.25;
        }
        None
    }

    /// Returns the slowest model's corner, rad/s.
    fn slowest(&self) -> f64 {
        let corners = self.plants.iter().filter_map(Plant::corner);
        corners.fold(f64::INFINITY, f64::min)
    }

    /// Returns the fastest gains at that proportional gain and order.
    fn fastest(&self, proportional: f64, order: f64, peak: f64) -> Option<Found> {
        // With integral action, slightly more damping than that of the damping loop alone may hold
        // the peak.
        let most = (1.25 * self.most_damping(proportional, peak)).min(MOST_DAMPING);
        let at = |damping: f64| {
            let template = Found {
                proportional,
                integral: 0.0,
                order,
                damping,
            };
            let integral = self.most_integral(&template, peak)?;
            Some(Found {
                integral,
                ..template
            })
        };
        let larger = |a: Option<Found>, b: Option<Found>| {
            let integral = |f: &Option<Found>| f.map_or(0.0, |f| f.integral);
            if integral(&b) > integral(&a) { b } else { a }
        };
        const PLACES: u32 = 15;
        let step = most / f64::from(PLACES);
        let mut best = None;
        for k in 0..=PLACES {
            best = larger(best, at(step * f64::from(k)));
        }
        // A finer search around the best.
        let mut step = step;
        for _ in 0..6 {
            let Some(here) = best else { break };
            step *= 0.5;
            for side in [here.damping - step, here.damping + step] {
                if (0.0..=most).contains(&side) {
                    best = larger(best, at(side));
                }
            }
        }
        best
    }

    /// Returns the crossover of the integral loop around the damped joint and its phase margin, for
    /// the lowest crossover; 0 where there is none.
    fn crossover(&self, plant: &Plant, found: &Found) -> (f64, f64) {
        let corner = self.corner(plant);
        let law = Law::new(
            &Found {
                damping: 0.0,
                ..*found
            }
            .gains(corner),
        );
        let damping = Law::new(
            &Found {
                proportional: 0.0,
                integral: 0.0,
                ..*found
            }
            .gains(corner),
        );
        let outer = |w: f64| {
            let joint = plant.response(w);
            law.response(w) * joint / (damping.response(w) * joint + 1.0)
        };
        const STEP: f64 = 1.05;
        let mut high = 1e-4 * self.slowest();
        for _ in 0..500 {
            if outer(high).norm() < 1.0 {
                let above = |w| outer(w).norm() >= 1.0;
                let (low, _) = bisect((high / STEP, high), 40, geometric, above);
                return (low, PI + outer(low).arg());
            }
            high *= STEP;
        }
        (0.0, 0.0)
    }

    fn lowest_crossover(&self, found: &Found) -> f64 {
        let all = self.plants.iter().map(|p| self.crossover(p, found).0);
        all.fold(f64::INFINITY, f64::min)
    }

    /// Returns the closed-loop mode that the joint's own mode becomes. It is the root of
    /// `1/P + C + d s` that the joint's pole moves to as the gains grow from zero, by Newton's
    /// steps.
    fn swing(&self, plant: &Plant, found: &Found) -> Option<SecondOrder> {
        let (w, z) = own_mode(plant)?.parts();
        let law = Law::new(&found.gains(f64::INFINITY));
        let mut s = Complex::new(-z, (1.0 - z * z).sqrt()) * w;
        const SHARES: u32 = 20;
        for k in 1..=SHARES {
            let share = f64::from(k) / f64::from(SHARES);
            let f = |s: Complex<f64>| {
                let x = s / w;
                (x * (x + 2.0 * z) + 1.0) * (s * plant.dead_time).exp() / plant.gain
                    + law.at(s) * share
            };
            for _ in 0..8 {
                let h = s.norm() * 1e-6;
                let slope = (f(s + h) - f(s - h)) / (2.0 * h);
                let step = f(s) / slope;
                // An oscillation ends at the real axis; a step across it gives no mode.
                if !(step.norm() < 0.5 * s.norm()) {
                    return None;
                }
                s -= step;
                if step.norm() < 1e-12 * s.norm() {
                    break;
                }
            }
            if !(s.im > 0.05 * s.norm()) {
                return None;
            }
        }
        Some(SecondOrder {
            natural_frequency: s.norm(),
            damping_ratio: -s.re / s.norm(),
        })
    }

    pub(super) fn on(&self, plant: &Plant, found: &Found) -> OnModel {
        let figures = self.open(plant, found).figures();
        let damping = Found {
            proportional: 0.0,
            integral: 0.0,
            ..*found
        };
        let (crossover, phase_margin) = self.crossover(plant, found);
        OnModel {
            plant: *plant,
            crossover,
            phase_margin,
            sensitivity: figures.sensitivity,
            damping_sensitivity: self.open(plant, &damping).figures().sensitivity,
            unstable_poles: figures.unstable_poles,
            swing: self.swing(plant, found),
        }
    }

    /// Returns the maximum delay beyond the designed one at which the peak is still below `peak`,
    /// s.
    pub(super) fn spare(&self, found: &Found, peak: f64, most: f64) -> f64 {
        let holds = |extra: f64| {
            let later = Search::new(&self.plants, extra, self.specification);
            later.holds(found, peak)
        };
        if holds(most) {
            return most;
        }
        bisect((0.0, most), 14, halfway, holds).0
    }
}

/// Returns the mode of the joint alone.
pub(super) fn own_mode(plant: &Plant) -> Option<SecondOrder> {
    match plant.dynamics {
        Dynamics::Second(mode) if mode.damping_ratio < 1.0 => Some(mode),
        _ => None,
    }
}

/// Returns the length of a moving average for that model, s: the period of the remaining mode. With
/// a damping ratio above 0.6 there is little oscillation that a zero of the average could cancel,
/// and the period would grow without bound. Without a mode it is twice the lag.
pub(super) fn window(plant: &Plant, swing: Option<SecondOrder>, damping: f64) -> f64 {
    if let Some(mode) = swing {
        let z = mode.damping_ratio.clamp(0.0, 0.6);
        return TAU / (mode.natural_frequency * (1.0 - z * z).sqrt());
    }
    2.0 * (plant.dynamics.lag() + plant.gain * damping)
}

/// Returns the fastest gains at any order and proportional gain left open, and the crossover at
/// order 1.
pub(super) fn fastest(search: &Search, peak: f64) -> Option<(Found, Option<f64>)> {
    let specification = search.specification;
    let gain = search.plants.iter().map(|p| p.gain).fold(0.0, f64::max);
    // The simplest combination comes first; another one must be clearly faster.
    let pick = |all: &mut dyn Iterator<Item = (f64, f64)>| -> (Option<(Found, f64)>, Option<f64>) {
        let (mut best, mut first) = (None::<(Found, f64)>, None);
        let mut plain = 0.0;
        for (i, (proportional, order)) in all.enumerate() {
            let found = search.fastest(proportional, order, peak);
            let crossover = found.map_or(0.0, |f| search.lowest_crossover(&f));
            if i == 0 {
                (plain, first) = (crossover, found.map(|_| crossover));
            }
            let least = best
                .map_or(0.0, |(_, w)| w)
                .max(if i == 0 { 0.0 } else { WORTH * plain });
            if let Some(found) = found
                && crossover > least
            {
                best = Some((found, crossover));
            }
        }
        (best, first)
    };
    let order = specification.order.unwrap_or(1.0);
    let proportions: Vec<f64> = match specification.proportional {
        Some(kp) => vec![kp],
        None => PROPORTIONS.iter().map(|p| three(p / gain)).collect(),
    };
    let (best, _) = pick(&mut proportions.into_iter().map(|kp| (kp, order)));
    let best = best?.0;
    if specification.order.is_some() {
        return Some((best, None));
    }
    let (best, integer) = pick(&mut ORDERS.into_iter().map(|order| (best.proportional, order)));
    Some((best?.0, integer))
}

/// Returns the minimum peak from the specified one up to 10 that `works`, to 0.01; none if none
/// does.
fn least(search: &Search, works: impl Fn(f64) -> bool) -> Option<f64> {
    let (mut low, mut high) = (search.specification.sensitivity_peak, 10.0);
    if !works(high) {
        return None;
    }
    while high - low > 0.004 {
        let middle = 0.5 * (low + high);
        if works(middle) {
            high = middle
        } else {
            low = middle
        }
    }
    Some((high * 100.0).ceil() / 100.0)
}

/// Returns the minimum peak that can be reached at all, at the specified proportional gain and
/// order (default 0 and 1).
pub(super) fn least_peak(search: &Search) -> Option<f64> {
    let (proportional, order) = (
        search.specification.proportional,
        search.specification.order,
    );
    let (proportional, order) = (proportional.unwrap_or(0.0), order.unwrap_or(1.0));
    least(search, |peak| {
        search.fastest(proportional, order, peak).is_some()
    })
}

/// Returns the minimum peak at which that crossover can be reached on every model, with
/// proportional gain and order of `found`.
pub(super) fn peak_for(search: &Search, found: &Found, crossover: f64) -> Option<f64> {
    least(search, |peak| {
        let found = search.fastest(found.proportional, found.order, peak);
        found.is_some_and(|found| search.lowest_crossover(&plain(search, found, peak)) >= crossover)
    })
}

//! The loop of a joint and one motor's law: crossovers, margins, sensitivity, stability.
//!
//! Stability comes from the argument principle (e.g. Franklin, Powell and Emami-Naeini 2010,
//! "Feedback Control of Dynamic Systems", section 6.3). The contour runs up the imaginary axis,
//! with a small arc to the right of the pole of any order at zero and a large arc on which the loop
//! has decayed. The number of closed-loop poles in the right half-plane is minus the turns of
//! `1 + L` along it.
//! The argument of `1 + L` is `arg L + Arg(1 + 1/L)` where `|L| > 1`, and `Arg(1 + L)` where
//! `|L| < 1`. Both `Arg` are principal and within pi/2 of zero. The turns therefore follow from the
//! unwrapped phase of `L` at its gain crossovers alone. A crossover with `arg L` nearest to
//! `2 pi k` counts k turns where the magnitude falls and -k where it rises. The result is exact
//! once all crossovers are found, and dead time enters exactly.

use super::law::Sloped;
use super::{Delays, Dynamics, Law, Plant, PlantError};
use crate::control::bounds::OutOfRange;
use crate::control::controller::MotorGains;
use crate::control::solve::{golden, root};
use nalgebra::Complex;
use std::f64::consts::PI;

/// Maximum step of a search over frequency, in `ln w`: 38 per decade.
const STEP: f64 = 0.06;
/// Steps of the search for gain crossovers alone, in `ln w`: the maximum, and the one where the
/// magnitude is close to 1.
const LONG_STEP: f64 = 0.25;
const NEAR_STEP: f64 = 0.015;
/// Minimum step in `ln w`, a millionth of the frequency.
const SHORTEST: f64 = 1e-6;
/// Gain margins beyond this factor are not searched.
const FAR: f64 = 100.0;

/// A loop: the law of one motor around a joint, in one direction of bend, `L = C G`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loop {
    plant: Plant,
    law: Law,
}

/// The reason why a loop cannot be formed.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LoopError {
    /// The model is out of range.
    #[error(transparent)]
    Plant(#[from] PlantError),
    /// A value of the law is out of range.
    #[error(transparent)]
    Gains(#[from] OutOfRange),
    /// The derivative grows as fast as the joint falls off.
    #[error(
        "a derivative of order {order} around a joint that falls off with order {fall} needs a \
         roll-off: give its corner"
    )]
    Improper {
        /// The derivative's order.
        order: f64,
        /// The joint's relative degree.
        fall: f64,
    },
}

/// A frequency where the loop's magnitude is 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossover {
    /// Frequency, rad/s.
    pub frequency: f64,
    /// The loop's unwrapped phase there, rad.
    pub phase: f64,
    /// Phase margin there, `pi + phase` wrapped into (-pi, pi], rad.
    pub margin: f64,
    /// True if the magnitude falls through 1 (it always does at the last crossover).
    pub falling: bool,
}

/// A frequency where the loop is real and negative.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GainMargin {
    /// Frequency, rad/s.
    pub frequency: f64,
    /// Factor on the gain that puts the loop on -1: above 1 it is the allowed rise, below 1 the
    /// allowed fall.
    pub factor: f64,
}

/// A maximum and its frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peak {
    /// Frequency, rad/s.
    pub frequency: f64,
    /// The value.
    pub value: f64,
}

/// Stability and margins of a loop.
#[derive(Clone, Debug, PartialEq)]
pub struct Figures {
    /// All gain crossovers, lowest frequency first.
    pub crossovers: Vec<Crossover>,
    /// All gain margins up to a factor of 100, lowest frequency first.
    pub gain_margins: Vec<GainMargin>,
    /// Peak of `|1/(1 + L)|`, at least 1; the frequency is infinite where 1 is only approached
    /// there. Frequencies where the loop stays below 1/100 are not searched: the value is at most
    /// 1.0102 there.
    pub sensitivity: Peak,
    /// Number of closed-loop poles in the right half-plane.
    pub unstable_poles: u32,
}

impl Figures {
    /// Returns the phase margin of minimum magnitude, rad; none without a crossover.
    pub fn phase_margin(&self) -> Option<f64> {
        let margins = self.crossovers.iter().map(|c| c.margin);
        margins.min_by(|a, b| a.abs().total_cmp(&b.abs()))
    }

    /// Returns the minimum factor by which the gain may rise; none if there is no limit up to 100.
    pub fn gain_margin(&self) -> Option<f64> {
        let factors = self.gain_margins.iter().map(|m| m.factor);
        factors.filter(|f| *f >= 1.0).min_by(f64::total_cmp)
    }

    /// Returns the factor to which the gain may fall; none if it may fall to zero.
    pub fn least_gain(&self) -> Option<f64> {
        let factors = self.gain_margins.iter().map(|m| m.factor);
        factors.filter(|f| *f < 1.0).max_by(f64::total_cmp)
    }

    /// Returns true if the closed loop is stable.
    pub fn stable(&self) -> bool {
        self.unstable_poles == 0
    }
}

/// The loop's magnitude at one frequency.
#[derive(Clone, Copy, Debug)]
struct Level {
    /// `ln w`, and w, rad/s.
    v: f64,
    w: f64,
    /// `ln |L|` and its slope by `ln w`.
    size: f64,
    rise: f64,
}

/// The loop at one frequency.
#[derive(Clone, Copy, Debug)]
struct Sample {
    level: Level,
    /// Unwrapped phase and its slope by `ln w`.
    phase: f64,
    turn: f64,
    /// `|L|` and `|1 + L|`.
    open: f64,
    distance: f64,
}

impl Sample {
    /// Returns true if `1 + L` may change by more than a third of itself between this sample and
    /// `next`.
    fn far_from(&self, next: &Self) -> bool {
        let (size, turn) = (next.level.size - self.level.size, next.phase - self.phase);
        let chord = self.open.max(next.open) * size.hypot(turn);
        size.abs() > 0.5 || turn.abs() > 0.4 || 3.0 * chord > self.distance.min(next.distance)
    }
}

/// Search for the sensitivity's highest peak along a walk.
struct PeakSearch {
    peak: Peak,
    before: Option<Sample>,
}

impl PeakSearch {
    /// Returns a search for peaks above `value`.
    fn above(value: f64) -> Self {
        Self {
            peak: Peak {
                frequency: f64::INFINITY,
                value,
            },
            before: None,
        }
    }

    /// Takes the next step.
    fn step(&mut self, open: &Loop, low: &Sample, high: &Sample) {
        // Between two samples the distance changes by a third at most.
        let near = |d: f64| 0.6 * d < 1.0 / self.peak.value;
        if let Some(before) = self.before
            && near(low.distance)
            && low.distance <= before.distance.min(high.distance)
        {
            let peak = open.peak_between(before.level.v, high.level.v);
            if peak.value > self.peak.value {
                self.peak = peak;
            }
        }
        self.before = Some(*low);
    }
}

impl Loop {
    /// Returns the loop of `gains` around `plant` with `delays`.
    ///
    /// # Errors
    /// Returns an error for a value out of range, and for a derivative without roll-off whose order
    /// is not below the joint's relative degree.
    pub fn new(plant: &Plant, gains: &MotorGains, delays: &Delays) -> Result<Self, LoopError> {
        let plant = plant.delayed(delays.total());
        plant.check()?;
        let g = gains;
        for (key, value) in [("kp", g.kp), ("ki", g.ki), ("kd", g.kd)] {
            let fits = value >= 0.0 && value.is_finite();
            OutOfRange::unless(fits, key, value, "a finite number of 0 or more")?;
        }
        let orders = [
            ("integral_order", g.integral_order, g.ki),
            ("derivative_order", g.derivative_order, g.kd),
        ];
        for (key, value, gain) in orders {
            let fits = gain == 0.0 || value > 0.0 && value < 2.0;
            OutOfRange::unless(fits, key, value, "above 0 and below 2")?;
        }
        if g.kd > 0.0 {
            let (key, value) = ("derivative_corner", g.derivative_corner);
            OutOfRange::unless(value > 0.0, key, value, "above 0 rad/s")?;
            let fall = plant.relative_degree();
            if value.is_infinite() && g.derivative_order >= fall {
                let order = g.derivative_order;
                return Err(LoopError::Improper { order, fall });
            }
        }
        let any = g.kp + g.ki + g.kd > 0.0;
        OutOfRange::unless(any, "kp", 0.0, "at least one gain above 0")?;
        Ok(Self::of(plant, Law::new(gains)))
    }

    /// Returns the loop of values that are known to be in range; `plant` includes the delays.
    pub(crate) fn of(plant: Plant, law: Law) -> Self {
        Self { plant, law }
    }

    /// Returns the model of the joint, delays included.
    pub fn plant(&self) -> &Plant {
        &self.plant
    }

    /// Returns the control law in the loop.
    pub fn law(&self) -> &Law {
        &self.law
    }

    /// Returns the loop with its gain times `factor`.
    pub fn scaled(&self, factor: f64) -> Self {
        let g = self.law.gains();
        let gains = MotorGains {
            kp: g.kp * factor,
            ki: g.ki * factor,
            kd: g.kd * factor,
            ..*g
        };
        Self::of(self.plant, Law::new(&gains))
    }

    /// Returns the transfer function `L(s)`, off the negative real axis.
    pub fn at(&self, s: Complex<f64>) -> Complex<f64> {
        self.law.at(s) * self.plant.at(s)
    }

    /// Returns the frequency response `L(jw)` at `w` rad/s.
    pub fn response(&self, w: f64) -> Complex<f64> {
        self.law.response(w) * self.plant.response(w)
    }

    /// Returns the phase of the frequency response at `w` rad/s, continuous from zero frequency,
    /// rad.
    pub fn phase(&self, w: f64) -> f64 {
        self.law.phase(w) + self.plant.phase(w)
    }

    fn level(&self, v: f64) -> Level {
        let w = v.exp();
        self.level_of(v, w, &self.law.sloped(w, v))
    }

    fn level_of(&self, v: f64, w: f64, law: &Sloped) -> Level {
        let square = law.value.norm_sqr();
        Level {
            v,
            w,
            size: 0.5 * (square * self.plant.power(w)).ln(),
            rise: (law.slope * law.value.conj()).re / square - self.plant.magnitude_fall(w),
        }
    }

    fn sample(&self, v: f64) -> Sample {
        let w = v.exp();
        let law = self.law.sloped(w, v);
        let level = self.level_of(v, w, &law);
        let phase = self.law.phase_of(w, law.value) + self.plant.phase(w);
        let open = level.size.exp();
        // (|L| - 1)^2 + 2 |L| (1 + cos phase), which does not cancel near -1.
        let half = (0.5 * phase).cos();
        Sample {
            level,
            phase,
            turn: (law.slope / law.value).im - self.plant.phase_fall(w),
            open,
            distance: ((open - 1.0).powi(2) + 4.0 * open * half * half).sqrt(),
        }
    }

    /// Returns an upper bound on `|L|` at `w` and everywhere above, for `w` from [`Self::settled`]
    /// on; it falls to 0.
    fn most(&self, w: f64) -> f64 {
        let g = self.law.gains();
        let mut law = g.kp;
        if g.ki > 0.0 {
            law += g.ki * w.powf(-g.integral_order);
        }
        if g.kd > 0.0 {
            let roll = f64::from(Law::roll_off_of(g.derivative_order));
            let rolled = g.derivative_corner.powf(roll) * w.powf(g.derivative_order - roll);
            law += g.kd * rolled.min(w.powf(g.derivative_order));
        }
        // All three follow from |T jw + 1| > T w and |1 - x^2| = x^2 - 1.
        let lag = match self.plant.dynamics {
            Dynamics::First { time_constant } => 1.0 / (w * time_constant),
            Dynamics::Integrating { time_constant } => 1.0 / (w * (w * time_constant).max(1.0)),
            Dynamics::Second(second) => 1.0 / ((w / second.natural_frequency).powi(2) - 1.0),
        };
        self.plant.gain * lag * law
    }

    /// Returns the frequency above which [`Self::most`] holds, rad/s.
    fn settled(&self) -> f64 {
        let g = self.law.gains();
        let corner = if g.kd > 0.0 && g.derivative_corner.is_finite() {
            g.derivative_corner
        } else {
            0.0
        };
        let lag = self.plant.corner().map_or(0.0, |w| 2.0 * w);
        // For a pure integrator and a law without derivative, any frequency will do.
        let both = corner.max(lag);
        if both > 0.0 { both } else { self.plant.gain }
    }

    /// Returns lower and upper bounds on `|L|` at `w` and everywhere below.
    fn below(&self, w: f64) -> (f64, f64) {
        let g = self.law.gains();
        let integral = if g.ki > 0.0 {
            g.ki * w.powf(-g.integral_order)
        } else {
            0.0
        };
        let rest = if g.kd > 0.0 {
            g.kd * w.powf(g.derivative_order)
        } else {
            0.0
        };
        let least = if g.ki > 0.0 {
            integral - g.kp - rest
        } else {
            g.kp - rest
        };
        let (low, high) = match self.plant.dynamics {
            Dynamics::First { time_constant } => (1.0 / (1.0 + w * time_constant), 1.0),
            Dynamics::Integrating { time_constant } => {
                (1.0 / (w * (1.0 + w * time_constant)), f64::INFINITY)
            }
            Dynamics::Second(second) => {
                let (own, z) = second.parts();
                let x = w / own;
                let high = if x < 1.0 {
                    1.0 / (1.0 - x * x)
                } else {
                    f64::INFINITY
                };
                (1.0 / (1.0 + 2.0 * z * x + x * x), high)
            }
        };
        let most = if g.ki > 0.0 {
            f64::INFINITY
        } else {
            high * (g.kp + rest)
        };
        (self.plant.gain * low * least, self.plant.gain * most)
    }

    /// Returns a frequency below which the magnitude does not return to 1, rad/s.
    fn lowest(&self) -> f64 {
        let mut w = 0.5 * self.settled();
        for _ in 0..200 {
            let (least, most) = self.below(w);
            if least > 1.0 || most < 1.0 {
                break;
            }
            w *= 0.5;
        }
        w
    }

    /// Walks upwards from `from` rad/s in steps over which neither magnitude nor phase changes
    /// much. `visit` gets the ends of every step and returns true to go on.
    fn walk(&self, from: f64, mut visit: impl FnMut(&Sample, &Sample) -> bool) {
        let mut here = self.sample(from.ln());
        let mut step = STEP;
        // A bound on the work; some 300 steps are usual. A loop that needs more steps before it
        // decays is unstable.
        for _ in 0..20_000 {
            let next = self.sample(here.level.v + step);
            if here.far_from(&next) && step > SHORTEST {
                step *= 0.5;
                continue;
            }
            if !visit(&here, &next) {
                return;
            }
            here = next;
            step = (2.0 * step).min(STEP);
        }
    }

    fn crossover(&self, low: &Level, high: &Level) -> Crossover {
        let size = |v: f64| {
            let here = self.level(v);
            (here.size, here.rise)
        };
        let share = low.size / (low.size - high.size);
        let start = low.v + share * (high.v - low.v);
        let frequency = root(size, low.v, high.v, start).exp();
        let phase = self.phase(frequency);
        Crossover {
            frequency,
            phase,
            margin: margin(phase),
            falling: high.size < low.size,
        }
    }

    /// Finds the crossovers between the ends of a step: one where the sign of `ln |L|` changes, two
    /// where it returns to zero in between, which the slopes at the ends show.
    fn crossovers_between(&self, low: &Level, high: &Level, found: &mut Vec<Crossover>) {
        if (low.size > 0.0) != (high.size > 0.0) {
            found.push(self.crossover(low, high));
            return;
        }
        let sign = if low.size > 0.0 { 1.0 } else { -1.0 };
        if !(sign * low.rise < 0.0 && sign * high.rise > 0.0) {
            return;
        }
        let (mut a, mut b) = (*low, *high);
        for _ in 0..50 {
            let middle = self.level(0.5 * (a.v + b.v));
            if (middle.size > 0.0) != (low.size > 0.0) {
                found.push(self.crossover(low, &middle));
                found.push(self.crossover(&middle, high));
                return;
            }
            if sign * middle.rise < 0.0 {
                a = middle
            } else {
                b = middle
            }
        }
    }

    /// Returns all gain crossovers, lowest frequency first. The search runs between two frequencies
    /// outside of which bounds on the magnitude exclude any.
    /// Steps are long away from magnitude 1, since a sharp resonance or a near zero of the law
    /// still has broad flanks: at most one extremum lies between two samples, and the slopes at
    /// both reveal it. Close to magnitude 1 steps are short, for magnitudes that are nearly a
    /// plateau there.
    pub fn crossovers(&self) -> Vec<Crossover> {
        let mut found = Vec::with_capacity(4);
        let settled = self.settled();
        let mut low = self.level(self.lowest().ln());
        // A bound on the work; some 100 steps are usual.
        for _ in 0..10_000 {
            let step = (0.25 * low.size.abs()).clamp(NEAR_STEP, LONG_STEP);
            let high = self.level(low.v + step);
            self.crossovers_between(&low, &high, &mut found);
            if high.size < 0.0 && high.w > settled && self.most(high.w) < 1.0 {
                break;
            }
            low = high;
        }
        found
    }

    /// Returns a frequency above which the magnitude is below 1, to a factor of 2, rad/s.
    pub(super) fn quiet(&self) -> f64 {
        let mut w = self.settled();
        for _ in 0..200 {
            if self.most(w) < 1.0 {
                break;
            }
            w *= 2.0;
        }
        w
    }

    /// Returns true if the magnitude, 1 at `w`, provably is 1 nowhere else; false means not known.
    /// This holds for `kp + ki s^-lambda` around a joint whose magnitude always falls. With lambda
    /// up to 1 the law's magnitude falls too. Above 1, it falls to a minimum and rises again
    /// towards kp, which is harmless where it is still above kp at `w`.
    pub fn crosses_once_at(&self, w: f64) -> bool {
        let g = self.law.gains();
        g.kd == 0.0
            && self.plant.always_falls()
            && (g.ki == 0.0 || g.integral_order <= 1.0 || g.kp <= self.law.response(w).norm())
            && (g.ki > 0.0 || self.plant.integrates() || g.kp * self.plant.gain > 1.0)
    }

    /// Returns the number of closed-loop poles in the right half-plane, from all `crossovers` of
    /// this loop (method: see the module's documentation).
    pub fn unstable_poles(crossovers: &[Crossover]) -> u32 {
        let turns: f64 = crossovers
            .iter()
            .map(|c| {
                let turns = (c.phase / (2.0 * PI)).round();
                if c.falling { turns } else { -turns }
            })
            .sum();
        // Twice the turns on the upper half; the cast is exact and saturates at 0.
        (-2.0 * turns) as u32
    }

    /// Returns all figures of the loop. Work: some 300 steps of frequency, more with long dead
    /// time.
    pub fn figures(&self) -> Figures {
        let crossovers = self.crossovers();
        let mut gain_margins = Vec::new();
        let mut search = PeakSearch::above(1.0);
        // Where the gain may fall, the phase is searched at lower frequencies, too.
        self.walk(1e-3 * self.lowest(), |low, high| {
            self.gain_margins_between(low, high, &mut gain_margins);
            search.step(self, low, high);
            self.goes_on(high)
        });
        Figures {
            unstable_poles: Self::unstable_poles(&crossovers),
            crossovers,
            gain_margins,
            sensitivity: search.peak,
        }
    }

    /// Returns true if the closed loop is stable with a sensitivity peak of at most `peak`, as
    /// [`Self::figures`] finds them, without the other figures.
    pub(crate) fn stays_below(&self, peak: f64) -> bool {
        if Self::unstable_poles(&self.crossovers()) > 0 {
            return false;
        }
        let mut search = PeakSearch::above(peak);
        self.walk(1e-3 * self.lowest(), |low, high| {
            search.step(self, low, high);
            search.peak.value <= peak && self.goes_on(high)
        });
        search.peak.value <= peak
    }

    /// Returns true if figures may lie above this frequency.
    fn goes_on(&self, here: &Sample) -> bool {
        here.level.w < self.settled() || self.most(here.level.w) >= 1.0 / FAR
    }

    fn gain_margins_between(&self, low: &Sample, high: &Sample, found: &mut Vec<GainMargin>) {
        let turns = |phase: f64| ((phase + PI) / (2.0 * PI)).floor();
        let (a, b) = (turns(low.phase), turns(high.phase));
        if a == b {
            return;
        }
        let level = 2.0 * PI * a.max(b) - PI;
        let phase = |v: f64| {
            let s = self.sample(v);
            (s.phase - level, s.turn)
        };
        let share = (low.phase - level) / (low.phase - high.phase);
        let start = low.level.v + share * (high.level.v - low.level.v);
        let v = root(phase, low.level.v, high.level.v, start);
        let factor = (-self.level(v).size).exp();
        if factor <= FAR {
            found.push(GainMargin {
                frequency: v.exp(),
                factor,
            });
        }
    }

    /// Returns the sensitivity's peak between two values of `ln w`.
    fn peak_between(&self, a: f64, b: f64) -> Peak {
        // 0.12 * 0.618^34 = 1e-8: the value is then accurate to some 1e-15.
        let [(v, distance), _] = golden(|v| self.sample(v).distance, a, b, 34);
        Peak {
            frequency: v.exp(),
            value: 1.0 / distance,
        }
    }
}

/// Returns `pi + phase` wrapped into (-pi, pi].
pub(crate) fn margin(phase: f64) -> f64 {
    let whole = phase + PI;
    whole - 2.0 * PI * ((whole - PI) / (2.0 * PI)).ceil()
}

/// Returns the angle by which the argument of `f` turns from `low` to `high` rad/s, rad. Steps are
/// halved until each turns by less than half a radian. None if `f` comes so close to zero that
/// steps of 1e-9 of `ln w` do not resolve it, or if it is not finite.
pub fn turn(f: impl Fn(f64) -> Complex<f64>, low: f64, high: f64) -> Option<f64> {
    let (mut v, end) = (low.ln(), high.ln());
    let (mut here, mut step, mut sum) = (f(low), STEP, 0.0);
    while v < end {
        let next_v = (v + step).min(end);
        let next = f(next_v.exp());
        let angle = (next / here).arg();
        if angle.abs() < 0.5 && (next - here).norm() < 0.7 * here.norm().max(next.norm()) {
            sum += angle;
            (v, here) = (next_v, next);
            step = (2.0 * step).min(STEP);
        } else {
            step *= 0.5;
            if !(step > 1e-9) {
                return None;
            }
        }
    }
    Some(sum)
}

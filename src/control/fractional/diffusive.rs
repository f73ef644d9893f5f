//! Diffusive (sum of exponentials) realisation of `s^-a`, `0 <= a < 1`, or of a plain integrator.

use nalgebra::Complex;

use super::reflection_weight;

/// Slowest node, rad/s. Slower terms are combined into one slow section.
const SLOWEST: f64 = 1e-4;

/// Max number of nodes: `ln(100/MIN_SAMPLE_TIME / SLOWEST)` = 25.3, so at most 27 nodes, plus one
/// for a leaking slow section.
pub(super) const MAX_NODES: usize = 28;

/// Slowest rate of a leaking slow section, rad/s: three years, yet still distinct from 1 as a
/// discrete pole.
const SLOWEST_LEAK: f64 = 1e-8;

/// Realisation of the terms slower than the slowest node.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum SlowTail {
    /// A true integrator: infinite gain at zero frequency.
    PoleAtZero,
    /// One lag at the weighted mean of their rates: the memory is finite.
    Leaking,
}

/// Coefficients of `feed + pole_gain/s + sum of c_i/(s + r_i)`, discretised for a first-order hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Diffusive {
    dt: f64,
    count: usize,
    /// Rates `r_i`, rad/s.
    rate: [f64; MAX_NODES],
    /// Poles `e^(-r_i dt)`.
    decay: [f64; MAX_NODES],
    /// Weight of the input at the previous sample.
    old: [f64; MAX_NODES],
    /// Weight of the input at this sample.
    new: [f64; MAX_NODES],
    /// Weight of each lag's output at the previous sample in the area under the output over one
    /// step.
    area: [f64; MAX_NODES],
    /// Weight of the input at the previous sample in that area.
    area_old: f64,
    /// Weight of the input at this sample in that area.
    area_new: f64,
    pole_gain: f64,
    feed: f64,
}

/// State of one [`Diffusive`].
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Memory {
    /// Output of each lag, weight included.
    lag: [f64; MAX_NODES],
    /// Output of the pole at zero.
    pub(super) pole: f64,
    input: f64,
}

/// Weights of an input that runs linearly from `old` to `new` in one step of a lag `1/(s + r)`, in
/// units of `dt`, and in the area under its output, in units of `dt^2`.
struct HoldWeights {
    old: f64,
    new: f64,
    area_old: f64,
    area_new: f64,
}

/// Returns the weights for `z = r dt`. Integrating `e^(-r (dt - t)) ((1 - t/dt) u0 + t/dt u1)` over
/// the step gives `old = (1 - e^-z - z e^-z)/z^2`, `new = (z - 1 + e^-z)/z^2`. With
/// `(1 - e^(-r (dt - t)))/r` in place of the exponential, the areas are `(1/2 - old)/z`,
/// `(1/2 - new)/z`.
fn hold_weights(z: f64) -> HoldWeights {
    if z < 0.5 {
        // The closed forms cancel for small z; these are their Taylor series, new = sum
        // (-z)^n/(n+2)!, old = sum (n+1) (-z)^n/(n+2)!, area_new = sum (-z)^n/(n+3)!, area_old =
        // sum (n+2) (-z)^n/(n+3)!; 16 terms reach 1e-20 at z = 0.5.
        let mut weights = HoldWeights {
            old: 0.0,
            new: 0.0,
            area_old: 0.0,
            area_new: 0.0,
        };
        let mut term = 0.5;
        for n in 0..16 {
            let n = f64::from(n);
            weights.new += term;
            weights.old += (n + 1.0) * term;
            let next = term / (n + 3.0);
            weights.area_new += next;
            weights.area_old += (n + 2.0) * next;
            term = -z * next;
        }
        weights
    } else {
        let decay = (-z).exp();
        let (old, new) = (
            (1.0 - decay - z * decay) / (z * z),
            (z - 1.0 + decay) / (z * z),
        );
        HoldWeights {
            old,
            new,
            area_old: (0.5 - old) / z,
            area_new: (0.5 - new) / z,
        }
    }
}

/// Returns `q/(1 - q)` with `q = e^-x`: the geometric series of the terms past the last node.
fn tail_sum(x: f64) -> f64 {
    1.0 / x.exp_m1()
}

impl Diffusive {
    fn empty(dt: f64, pole_gain: f64, feed: f64) -> Self {
        let mut design = Self {
            dt,
            count: 0,
            rate: [0.0; MAX_NODES],
            decay: [0.0; MAX_NODES],
            old: [0.0; MAX_NODES],
            new: [0.0; MAX_NODES],
            area: [0.0; MAX_NODES],
            area_old: 0.0,
            area_new: 0.0,
            pole_gain: 0.0,
            feed: 0.0,
        };
        design.set_feed(feed);
        design.set_pole_gain(pole_gain);
        design
    }

    fn set_feed(&mut self, feed: f64) {
        self.feed = feed;
        // The area under a straight line.
        self.area_old += 0.5 * feed * self.dt;
        self.area_new += 0.5 * feed * self.dt;
    }

    fn set_pole_gain(&mut self, gain: f64) {
        self.pole_gain = gain;
        // The area under the integral of a straight line, without the previous value of the pole.
        self.area_old += gain * self.dt * self.dt / 3.0;
        self.area_new += gain * self.dt * self.dt / 6.0;
    }

    /// Returns the plain integrator `1/s` (trapezoidal rule).
    pub(super) fn integrator(dt: f64) -> Self {
        Self::empty(dt, 1.0, 0.0)
    }

    /// Returns `s^-a` for `0 <= a < 1`, the identity for `a = 0`. The caller has checked the
    /// ranges.
    pub(super) fn new(a: f64, dt: f64, slow: SlowTail) -> Self {
        if a == 0.0 {
            return Self::empty(dt, 0.0, 1.0);
        }
        let mut design = Self::empty(dt, 0.0, 0.0);
        let weight = reflection_weight(a);
        let span = ((100.0 / dt).max(1e4) / SLOWEST).ln().ceil();

        // Terms below the slowest node, r = SLOWEST e^-k, k >= 1, weights r^(1-a).
        let slow_weight = weight * SLOWEST.powf(1.0 - a) * tail_sum(1.0 - a);
        match slow {
            SlowTail::PoleAtZero => design.set_pole_gain(slow_weight),
            SlowTail::Leaking => {
                // This rate is correct to first order in r/s.
                let mean = SLOWEST * tail_sum(2.0 - a) / tail_sum(1.0 - a);
                design.push(mean.max(SLOWEST_LEAK), slow_weight);
            }
        }
        let mut fastest = SLOWEST;
        // The cast is exact: the span lies between 19 and 26 for every accepted sample time.
        for k in 0..=(span as usize) {
            fastest = SLOWEST * (k as f64).exp();
            design.push(fastest, weight * fastest.powf(1.0 - a));
        }
        // Terms above the fastest node, r = fastest e^k, k >= 1, where 1/(s + r) is 1/r.
        design.set_feed(weight * fastest.powf(-a) * tail_sum(a));
        design
    }

    fn push(&mut self, rate: f64, weight: f64) {
        let z = rate * self.dt;
        let hold = hold_weights(z);
        let i = self.count;
        self.rate[i] = rate;
        self.decay[i] = (-z).exp();
        self.old[i] = weight * self.dt * hold.old;
        self.new[i] = weight * self.dt * hold.new;
        self.area[i] = -(-z).exp_m1() / rate;
        self.area_old += weight * self.dt * self.dt * hold.area_old;
        self.area_new += weight * self.dt * self.dt * hold.area_new;
        self.count += 1;
    }

    /// Takes the next input and returns the output. Work: `count <= 28` lags.
    pub(super) fn step(&self, memory: &mut Memory, input: f64) -> f64 {
        let before = memory.input;
        let mut sum = 0.0;
        for i in 0..self.count {
            let lag = self.decay[i] * memory.lag[i] + self.old[i] * before + self.new[i] * input;
            // A subnormal number would stay for good, and cost a hundred times as much per step.
            let lag = if lag.abs() < f64::MIN_POSITIVE {
                0.0
            } else {
                lag
            };
            memory.lag[i] = lag;
            sum += lag;
        }
        memory.pole += self.pole_gain * 0.5 * self.dt * (before + input);
        memory.input = input;
        sum + memory.pole + self.feed * input
    }

    /// Returns the exact area under the output over the next step, in which the input runs linearly
    /// to `input`. Call it before that step. Work: `count <= 28` lags.
    pub(super) fn area(&self, memory: &Memory, input: f64) -> f64 {
        let mut sum = self.dt * memory.pole + self.area_old * memory.input + self.area_new * input;
        for i in 0..self.count {
            sum += self.area[i] * memory.lag[i];
        }
        sum
    }

    pub(super) fn output(&self, memory: &Memory) -> f64 {
        memory.lag[..self.count].iter().sum::<f64>() + memory.pole + self.feed * memory.input
    }

    /// Returns a state in which the lags faster than the sampling are at their steady state for a
    /// constant `input` and all others are empty.
    pub(super) fn settled_fast(&self, input: f64) -> Memory {
        let mut memory = Memory {
            input,
            ..Default::default()
        };
        for i in 0..self.count {
            if self.rate[i] * self.dt > 1.0 {
                memory.lag[i] = (self.old[i] + self.new[i]) * input / (1.0 - self.decay[i]);
            }
        }
        memory
    }

    pub(super) fn fade(&self, memory: &mut Memory, keep: f64, pole_too: bool) {
        for lag in &mut memory.lag[..self.count] {
            *lag *= keep;
        }
        if pole_too {
            memory.pole *= keep;
        }
    }

    /// Returns the transfer function of the discrete law at `z = 1 + less_one`, off its poles.
    pub(super) fn at(&self, less_one: Complex<f64>) -> Complex<f64> {
        let mut sum = self.pole_at(less_one) + self.feed;
        for i in 0..self.count {
            sum += self.lag_at(i, less_one);
        }
        sum
    }

    /// Returns the same for the sum of all areas up to a sample, which is the integral of the
    /// output.
    pub(super) fn integrated_at(&self, less_one: Complex<f64>) -> Complex<f64> {
        let z = less_one + 1.0;
        let mut sum = self.pole_at(less_one) * self.dt + z * self.area_new + self.area_old;
        for i in 0..self.count {
            sum += self.lag_at(i, less_one) * self.area[i];
        }
        sum / less_one
    }

    fn lag_at(&self, i: usize, less_one: Complex<f64>) -> Complex<f64> {
        let z = less_one + 1.0;
        let gap = less_one - (-self.rate[i] * self.dt).exp_m1();
        (z * self.new[i] + self.old[i]) / gap
    }

    /// The trapezoidal integrator, `dt/2 (z + 1)/(z - 1)`.
    fn pole_at(&self, less_one: Complex<f64>) -> Complex<f64> {
        if self.pole_gain > 0.0 {
            (less_one + 2.0) / less_one * (0.5 * self.pole_gain * self.dt)
        } else {
            Complex::new(0.0, 0.0)
        }
    }

    pub(super) fn pole_gain(&self) -> f64 {
        self.pole_gain
    }

    pub(super) fn poles(&self) -> &[f64] {
        &self.decay[..self.count]
    }
}

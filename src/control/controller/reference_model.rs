//! The reference model `M`: response of an exactly modelled joint to the reference.
//!
//! `M(s) = lag(s) e^(-L s)` with unit gain at zero frequency; the lag is of first order,
//! `1/(T s + 1)`, or of second order, `w^2/(s^2 + 2 z w s + w^2)`. Discretised exactly for an input
//! that is linear between ticks. Source: Franklin, Powell and Workman 1998, "Digital Control of
//! Dynamic Systems", section 4.3 (exponential of the augmented matrix).

use crate::control::bounds::OutOfRange;
use crate::control::geometry::Configuration;
use nalgebra::{Matrix4, Vector2};

/// Max dead time, s.
pub const LONGEST_DEAD_TIME: f64 = 0.5;

/// The lag of a joint model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Lag {
    /// First order.
    First {
        /// Time constant, s.
        time_constant: f64,
    },
    /// Second order.
    Second(SecondOrder),
}

/// Dynamics of second order, `w^2/(s^2 + 2 z w s + w^2)`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SecondOrder {
    /// Natural frequency w, rad/s.
    pub natural_frequency: f64,
    /// Damping ratio z, 1.
    pub damping_ratio: f64,
}

impl SecondOrder {
    /// Returns w, rad/s, and z.
    pub fn parts(self) -> (f64, f64) {
        (self.natural_frequency, self.damping_ratio)
    }
}

/// A joint model in bend space: from the motors' bend by the kinematics to the measured one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Model {
    /// Gain at zero frequency.
    pub gain: f64,
    /// The lag.
    pub lag: Lag,
    /// Dead time including sensor latency, s.
    pub dead_time: f64,
}

/// Reason why a model was refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("model.{0}")]
pub struct ModelError(#[from] pub OutOfRange);

/// A compiled reference model.
#[derive(Clone, Copy, Debug)]
pub struct ReferenceModel {
    /// Next state `[value, rate]`: terms of the state, the previous input and the input's change.
    transition: nalgebra::Matrix2<f64>,
    from_input: Vector2<f64>,
    from_change: Vector2<f64>,
    first_order: Option<f64>,
    delay: f64,
    lag: f64,
}

impl ReferenceModel {
    /// Compiles the lag and dead time of `model` for ticks of `dt` s.
    ///
    /// # Errors
    /// A value out of range, with its key.
    pub fn new(model: &Model, dt: f64) -> Result<Self, ModelError> {
        let check = OutOfRange::unless_within;
        check(0.2, 5.0, "gain", model.gain, "0.2 to 5")?;
        let (key, dead_time) = ("dead_time_s", model.dead_time);
        check(0.0, LONGEST_DEAD_TIME, key, dead_time, "0 to 0.5 s")?;
        let (spring, damper, first_order, lag) = match model.lag {
            Lag::First { time_constant } => {
                let accepted = "0.0001 to 10 s";
                check(1e-4, 10.0, "time_constant_s", time_constant, accepted)?;
                (0.0, 0.0, Some(time_constant), time_constant)
            }
            Lag::Second(second) => {
                let (w, z) = second.parts();
                let accepted = "0.1 to 1000 rad/s";
                check(0.1, 1000.0, "natural_frequency_rad_s", w, accepted)?;
                check(0.01, 10.0, "damping_ratio", z, "0.01 to 10")?;
                (w * w, 2.0 * z * w, None, 2.0 * z / w)
            }
        };
        // Augmented state [value, rate, input, change of the input per tick].
        let mut a = Matrix4::zeros();
        match first_order {
            Some(t) => {
                a[(0, 0)] = -1.0 / t;
                a[(0, 2)] = 1.0 / t;
            }
            None => {
                a[(0, 1)] = 1.0;
                a[(1, 0)] = -spring;
                a[(1, 1)] = -damper;
                a[(1, 2)] = spring;
            }
        }
        a[(2, 3)] = 1.0 / dt;
        let phi = (a * dt).exp();
        Ok(Self {
            transition: phi.fixed_view::<2, 2>(0, 0).into_owned(),
            from_input: Vector2::new(phi[(0, 2)], phi[(1, 2)]),
            from_change: Vector2::new(phi[(0, 3)], phi[(1, 3)]),
            first_order,
            delay: model.dead_time / dt,
            lag: lag + model.dead_time,
        })
    }

    /// Returns the lag behind a steady ramp, s: minus the slope of the phase at zero frequency.
    pub fn lag(&self) -> f64 {
        self.lag
    }
}

/// State of the reference model: past references, and the lag's state for bend and pan. The default
/// has no memory and is only a place for another one.
#[derive(Clone, Debug, Default)]
pub struct ReferenceModelState {
    past: Vec<Configuration>,
    newest: usize,
    delayed: Configuration,
    value: Configuration,
    rate: Configuration,
}

impl ReferenceModelState {
    /// Returns a state at rest at `at`, with space for every dead time at ticks of `dt` s.
    pub fn new(dt: f64, at: Configuration) -> Self {
        let room = (LONGEST_DEAD_TIME / dt).ceil() as usize + 2;
        Self {
            past: vec![at; room],
            newest: 0,
            delayed: at,
            value: at,
            rate: Configuration::zeros(),
        }
    }

    /// Puts the model at rest at `at`.
    pub fn rest_at(&mut self, at: Configuration) {
        self.past.fill(at);
        (self.delayed, self.value, self.rate) = (at, at, Configuration::zeros());
    }

    /// Runs one tick with the reference as actually limited. Work: constant.
    pub fn step(&mut self, design: &ReferenceModel, reference: Configuration) {
        let room = self.past.len();
        self.newest = (self.newest + 1) % room;
        self.past[self.newest] = reference;
        let whole = design.delay.floor();
        let part = design.delay - whole;
        // `delay` is at most LONGEST_DEAD_TIME / dt, which leaves two places to spare.
        let at = |back: usize| self.past[(self.newest + room - back.min(room - 1)) % room];
        let delayed = at(whole as usize) * (1.0 - part) + at(whole as usize + 1) * part;
        let change = delayed - self.delayed;
        for axis in 0..3 {
            let state = Vector2::new(self.value[axis], self.rate[axis]);
            let next = design.transition * state
                + design.from_input * self.delayed[axis]
                + design.from_change * change[axis];
            self.value[axis] = next.x;
            self.rate[axis] = match design.first_order {
                Some(t) => (delayed[axis] - next.x) / t,
                None => next.y,
            };
        }
        self.delayed = delayed;
    }

    /// Returns the configuration that the model predicts to be measured now, rad.
    pub fn value(&self) -> Configuration {
        self.value
    }

    /// Returns its rate, rad/s.
    pub fn rate(&self) -> Configuration {
        self.rate
    }
}

//! Linear models of a joint in bend space, the loop around one, and its stability margins.
//!
//! Frequencies are in rad/s, times in s, phases in rad unless a name says otherwise. The functions
//! here are for design time, not for a control tick.
//!
//! Submodules: this file has the joint's own model, [`Plant`], and the delays of a sampled loop,
//! [`Delays`]. `law` has a motor's controller as an exact function of frequency, [`Law`]. `margins`
//! has the crossovers, margins, sensitivity and stability of a [`Loop`]. `step` has its closed
//! loop's response to a step.

mod law;
mod margins;
mod step;

pub use law::Law;
pub use margins::{Crossover, Figures, GainMargin, Loop, LoopError, Peak, turn};
pub(crate) use step::{Expected, REACH};
pub use step::{Overshoot, StepResponse};

use crate::control::bounds::OutOfRange;
pub use crate::control::controller::reference_model::SecondOrder;
use crate::control::controller::reference_model::{Lag, Model};
use nalgebra::Complex;
use std::f64::consts::FRAC_PI_2;

/// Dynamics of a joint, apart from gain and dead time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Dynamics {
    /// First order: `1/(T s + 1)`.
    First {
        /// Time constant T, s.
        time_constant: f64,
    },
    /// Second order.
    Second(SecondOrder),
    /// Integrating, with a first-order lag: `1/(s (T s + 1))`; the gain is then per second. T may
    /// be 0.
    Integrating {
        /// Time constant T, s.
        time_constant: f64,
    },
}

impl Dynamics {
    /// Returns the lag behind a ramp without the dead time, s: the time constant, or `2 z / w`.
    pub fn lag(self) -> f64 {
        match self {
            Self::First { time_constant } | Self::Integrating { time_constant } => time_constant,
            Self::Second(second) => 2.0 * second.damping_ratio / second.natural_frequency,
        }
    }

    /// Returns the time constant of the slowest decaying part, s.
    pub fn slowest(self) -> f64 {
        match self {
            // Up to z = 1 both poles decay with z w; above, the slower one is at w / (z + sqrt(z^2 -
            // 1)).
            Self::Second(second) => match second.parts() {
                (w, z) if z > 1.0 => (z + (z * z - 1.0).sqrt()) / w,
                (w, z) => 1.0 / (z * w),
            },
            of_first_order => of_first_order.lag(),
        }
    }
}

/// A joint's linear model, `gain dynamics(s) e^(-dead_time s)`, from the commanded to the measured
/// bend.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plant {
    /// Gain at zero frequency, 1; of an integrating joint in 1/s.
    pub gain: f64,
    /// Dynamics apart from gain and dead time.
    pub dynamics: Dynamics,
    /// Dead time, s.
    pub dead_time: f64,
}

/// The value of a model that is out of range.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("the model's {0}")]
pub struct PlantError(#[from] pub OutOfRange);

impl From<Model> for Plant {
    fn from(model: Model) -> Self {
        let dynamics = match model.lag {
            Lag::First { time_constant } => Dynamics::First { time_constant },
            Lag::Second(second) => Dynamics::Second(second),
        };
        Self {
            gain: model.gain,
            dynamics,
            dead_time: model.dead_time,
        }
    }
}

impl Plant {
    /// Returns a first-order joint with dead time.
    pub fn first_order(gain: f64, time_constant: f64, dead_time: f64) -> Self {
        Self {
            gain,
            dynamics: Dynamics::First { time_constant },
            dead_time,
        }
    }

    /// Returns a second-order joint with dead time.
    pub fn second_order(
        gain: f64,
        natural_frequency: f64,
        damping_ratio: f64,
        dead_time: f64,
    ) -> Self {
        let second = SecondOrder {
            natural_frequency,
            damping_ratio,
        };
        Self {
            gain,
            dynamics: Dynamics::Second(second),
            dead_time,
        }
    }

    /// Returns an integrating joint with a first-order lag and dead time.
    pub fn integrating(gain: f64, time_constant: f64, dead_time: f64) -> Self {
        Self {
            gain,
            dynamics: Dynamics::Integrating { time_constant },
            dead_time,
        }
    }

    /// Checks that every value is in range.
    ///
    /// # Errors
    /// Returns the first value that is out of range, with what is accepted: gain 1e-3 to 1e3, time
    /// constants from 1e-4 s (integrating: 0) to 100 s, natural frequencies from 0.01 to 1e4 rad/s,
    /// damping ratios from 0.001 to 100, dead times up to 10 s.
    pub fn check(&self) -> Result<(), PlantError> {
        let check = OutOfRange::unless_within;
        check(1e-3, 1e3, "gain", self.gain, "0.001 to 1000")?;
        match self.dynamics {
            Dynamics::First { time_constant } => {
                let accepted = "0.0001 to 100 s";
                check(1e-4, 100.0, "time constant", time_constant, accepted)?;
            }
            Dynamics::Integrating { time_constant } => {
                check(0.0, 100.0, "time constant", time_constant, "0 to 100 s")?;
            }
            Dynamics::Second(second) => {
                let (w, z) = second.parts();
                let accepted = "0.01 to 10000 rad/s";
                check(0.01, 1e4, "natural frequency", w, accepted)?;
                check(1e-3, 100.0, "damping ratio", z, "0.001 to 100")?;
            }
        }
        check(0.0, 10.0, "dead time", self.dead_time, "0 to 10 s")?;
        Ok(())
    }

    /// Returns all parameters with their names in files: gain, those of the dynamics, dead time.
    pub fn parameters(&self) -> Vec<(&'static str, f64)> {
        let (gain, dynamics) = match self.dynamics {
            Dynamics::First { time_constant } => ("gain", vec![("time_constant_s", time_constant)]),
            Dynamics::Second(second) => {
                let (w, z) = second.parts();
                let both = vec![("natural_frequency_rad_s", w), ("damping_ratio", z)];
                ("gain", both)
            }
            Dynamics::Integrating { time_constant } => {
                ("gain_per_s", vec![("time_constant_s", time_constant)])
            }
        };
        let dead_time = ("dead_time_s", self.dead_time);
        [vec![(gain, self.gain)], dynamics, vec![dead_time]].concat()
    }

    /// Returns the same joint with `extra` s more dead time.
    pub fn delayed(&self, extra: f64) -> Self {
        Self {
            dead_time: self.dead_time + extra,
            ..*self
        }
    }

    /// Returns the transfer function at `s`, 1/s.
    pub fn at(&self, s: Complex<f64>) -> Complex<f64> {
        let lag = match self.dynamics {
            Dynamics::First { time_constant } => (s * time_constant + 1.0).inv(),
            Dynamics::Second(second) => {
                let (w, z) = second.parts();
                let x = s / w;
                (x * (x + 2.0 * z) + 1.0).inv()
            }
            Dynamics::Integrating { time_constant } => (s * (s * time_constant + 1.0)).inv(),
        };
        lag * self.gain * (-s * self.dead_time).exp()
    }

    /// Returns the frequency response at `w` rad/s, above 0.
    pub fn response(&self, w: f64) -> Complex<f64> {
        Complex::from_polar(self.magnitude(w), self.phase(w))
    }

    /// Returns the magnitude of the frequency response at `w` rad/s.
    pub fn magnitude(&self, w: f64) -> f64 {
        self.power(w).sqrt()
    }

    fn power(&self, w: f64) -> f64 {
        let lag = |t: f64| 1.0 + (w * t) * (w * t);
        let square = match self.dynamics {
            Dynamics::First { time_constant } => lag(time_constant),
            Dynamics::Second(second) => {
                let (own, z) = second.parts();
                let x = w / own;
                let (away, turn) = (1.0 - x * x, 2.0 * z * x);
                away * away + turn * turn
            }
            Dynamics::Integrating { time_constant } => w * w * lag(time_constant),
        };
        self.gain * self.gain / square
    }

    /// Returns the unwrapped phase of the frequency response at `w` rad/s, rad. It is continuous
    /// from zero frequency, where it is 0 (integrating: -pi/2).
    pub fn phase(&self, w: f64) -> f64 {
        let lag = match self.dynamics {
            Dynamics::First { time_constant } => (w * time_constant).atan(),
            Dynamics::Second(second) => {
                let (own, z) = second.parts();
                let x = w / own;
                (2.0 * z * x).atan2(1.0 - x * x)
            }
            Dynamics::Integrating { time_constant } => FRAC_PI_2 + (w * time_constant).atan(),
        };
        -lag - w * self.dead_time
    }

    /// Returns how fast the phase falls with frequency, `D = -d phase/d ln w`, rad; from the
    /// derivative of [`Self::phase`].
    pub fn phase_fall(&self, w: f64) -> f64 {
        let lag = match self.dynamics {
            Dynamics::First { time_constant } | Dynamics::Integrating { time_constant } => {
                let x = w * time_constant;
                x / (1.0 + x * x)
            }
            Dynamics::Second(second) => {
                let (own, z) = second.parts();
                let x = w / own;
                let away = 1.0 - x * x;
                2.0 * z * x * (1.0 + x * x) / (away * away + 4.0 * z * z * x * x)
            }
        };
        lag + w * self.dead_time
    }

    /// Returns how fast the magnitude falls with frequency, `-d ln |G|/d ln w`, 1; negative below a
    /// resonance.
    pub fn magnitude_fall(&self, w: f64) -> f64 {
        let square = |x: f64| x * x / (1.0 + x * x);
        match self.dynamics {
            Dynamics::First { time_constant } => square(w * time_constant),
            Dynamics::Integrating { time_constant } => 1.0 + square(w * time_constant),
            Dynamics::Second(second) => {
                let (own, z) = second.parts();
                let x = w / own;
                let (x2, away) = (x * x, 1.0 - x * x);
                (4.0 * z * z * x2 - 2.0 * x2 * away) / (away * away + 4.0 * z * z * x2)
            }
        }
    }

    /// Returns true if the magnitude falls at every frequency.
    pub fn always_falls(&self) -> bool {
        match self.dynamics {
            Dynamics::First { .. } | Dynamics::Integrating { .. } => true,
            Dynamics::Second(second) => 2.0 * second.damping_ratio * second.damping_ratio >= 1.0,
        }
    }

    /// Returns true if the joint itself integrates.
    pub fn integrates(&self) -> bool {
        matches!(self.dynamics, Dynamics::Integrating { .. })
    }

    /// Returns the number of poles minus the number of zeros, without the dead time.
    pub fn relative_degree(&self) -> f64 {
        match self.dynamics {
            Dynamics::First { .. } => 1.0,
            Dynamics::Integrating { time_constant: 0.0 } => 1.0,
            Dynamics::Second(_) | Dynamics::Integrating { .. } => 2.0,
        }
    }

    /// Returns the corner frequency of the lag, rad/s; none for a pure integrator.
    pub fn corner(&self) -> Option<f64> {
        match self.dynamics {
            Dynamics::First { time_constant } | Dynamics::Integrating { time_constant } => {
                (time_constant > 0.0).then(|| 1.0 / time_constant)
            }
            Dynamics::Second(second) => Some(second.natural_frequency),
        }
    }
}

/// Delays that a sampled loop adds to the joint's dead time. Source: a zero-order hold delays by
/// half its period, e.g. Franklin, Powell and Workman 1998, "Digital Control of Dynamic Systems",
/// section 4.3 (from memory).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Delays {
    /// Delay of the hold on the setpoints, half a tick, s.
    pub hold: f64,
    /// Sensor latency, including half the sensor's period, s.
    pub age: f64,
    /// Output delay, s: one tick if setpoints are sent one tick late.
    pub output: f64,
}

impl Delays {
    /// Returns the delays of ticks of `tick` s, a sensor that reports every `sensor_period` s with
    /// a latency of `age` s, and an output delay of `output` s.
    pub fn of(tick: f64, sensor_period: f64, age: f64, output: f64) -> Self {
        Self {
            hold: 0.5 * tick,
            age: age + 0.5 * sensor_period,
            output,
        }
    }

    /// Returns the sum, the extra dead time, s.
    pub fn total(&self) -> f64 {
        self.hold + self.age + self.output
    }
}

//! Compiles gains to an immutable law and its state: one fractional-order controller per motor.
//!
//! Per motor, on the error `e` (commanded minus measured motor angle, rad):
//!
//! `C(s) = kp + ki s^-lambda + kd s^mu / (s/corner + 1)^n`, lambda and mu in (0, 2), `n = 1` for mu
//! up to 1, else 2. Source: Podlubny 1999, "Fractional-order systems and PI^lambda D^mu
//! controllers", IEEE Trans. Automatic Control 44(1). The derivative's roll-off is made part of the
//! law, because its phase counts in design.
//!
//! The gain `ki` is applied *before* the integral operator, so that the operator's output is in
//! setpoint units and retuning `ki` never makes it jump.
//!
//! Submodules: [`shaper`] (smooth references inside the motors' limits), [`reference_model`] (the
//! `M` of the two degrees of freedom), [`limits`] (scaling that keeps the direction of bend),
//! [`watch`] (integrator deadband and hunting detector).

pub mod limits;
pub mod reference_model;
pub mod shaper;
pub mod watch;

use crate::control::bounds::{self, OutOfRange};
use crate::control::fractional::{Derivative, DerivativeState, Integral, IntegralState};
use nalgebra::Complex;
use reference_model::Model;

/// Type of the motors' setpoints.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CommandInterface {
    /// Motor angle, rad.
    Position,
    /// Motor velocity, rad/s.
    Velocity,
}

/// Combination of reference and correction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Structure {
    /// `u = q(b_reference)/K + C(q(M b_reference) - q)`: feedforward drives the motion, the loop
    /// corrects the model's errors.
    TwoDegreesOfFreedom,
    /// `u = C(q(b_reference) - q)`: a single loop, as single-loop specifications describe it.
    PureFeedback,
}

/// Gains of one motor's controller, for position setpoints; for velocity setpoints, per second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotorGains {
    /// Proportional gain, rad/rad.
    pub kp: f64,
    /// Integral gain, rad/(rad s^integral_order).
    pub ki: f64,
    /// Derivative gain, rad s^derivative_order / rad.
    pub kd: f64,
    /// Integral order lambda, in (0, 2).
    pub integral_order: f64,
    /// Derivative order mu, in (0, 2).
    pub derivative_order: f64,
    /// Corner of the derivative's roll-off, rad/s.
    pub derivative_corner: f64,
}

impl MotorGains {
    fn factors(&self) -> [f64; 3] {
        [self.kp, self.ki, self.kd]
    }

    /// Returns the factors interpolated between `from` (`share` 0) and these (`share` 1).
    fn blended(&self, from: [f64; 3], share: f64) -> [f64; 3] {
        let to = self.factors();
        std::array::from_fn(|i| from[i] + (to[i] - from[i]) * share)
    }
}

/// Integrator deadband, rad of motor angle, with hysteresis. An integrator with stiction in its
/// loop hunts; inside the deadband it is paused and does not.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IntegratorDeadband {
    /// Error below which the integrators are paused, rad.
    pub enter: f64,
    /// Error above which they resume, rad; at least `enter`.
    pub leave: f64,
}

/// All values that are tuned together and changed as one.
#[derive(Clone, Debug, PartialEq)]
pub struct GainSet {
    /// Command interface that the gains are for.
    pub kind: CommandInterface,
    /// Combination of reference and correction.
    pub structure: Structure,
    /// One controller per motor, in motor order.
    pub motors: Vec<MotorGains>,
    /// Damping, s: setpoint (in bend) per bend rate beyond the model's, from the IMU's angular
    /// velocity.
    pub damping: f64,
    /// Model used by feedforward and reference model.
    pub model: Model,
    /// Lengths of the shaper's two moving averages, s.
    pub smoothing: [f64; 2],
    /// Integrator deadband, if any.
    pub integrator_deadband: Option<IntegratorDeadband>,
    /// Total dead time that the set is designed for, s: sensor latency, sensor period, tick and
    /// output delay.
    pub delay_allowed: f64,
    /// Gain of the internal (tension) directions for velocity setpoints, 1/s.
    pub tension_gain: f64,
}

impl GainSet {
    /// Returns true if any gain responds to measurements; false for an open-loop gain set.
    pub fn corrects(&self) -> bool {
        let gains = |m: &MotorGains| m.factors().iter().any(|factor| *factor != 0.0);
        self.damping != 0.0 || self.tension_gain != 0.0 || self.motors.iter().any(gains)
    }
}

/// Reason why gains were refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum GainError {
    /// A gain is out of its range.
    #[error(
        "{key} of motor {motor} is {value}; accepted: a number from 0 to {}",
        bounds::GAIN
    )]
    Gain {
        /// Key of the gain.
        key: &'static str,
        /// Index of the motor, from 0.
        motor: usize,
        /// The value given.
        value: f64,
    },
    /// An order is outside its open interval.
    #[error("{key} of motor {motor} is {value}; accepted: above 0 and below 2")]
    Order {
        /// Key of the order.
        key: &'static str,
        /// Index of the motor, from 0.
        motor: usize,
        /// The value given.
        value: f64,
    },
    /// The derivative's corner is out of range.
    #[error(
        "derivative_corner of motor {motor} is {value} rad/s; accepted: above 0, at most {most}"
    )]
    Corner {
        /// Index of the motor, from 0.
        motor: usize,
        /// The value given.
        value: f64,
        /// Max corner that this sensor period can realise, rad/s.
        most: f64,
    },
    /// The set is for another number of motors.
    #[error("the set holds gains for {got} motors, the joint has {want}")]
    Count {
        /// Motors in the set.
        got: usize,
        /// Motors in the joint.
        want: usize,
    },
    /// A value of the whole set is out of range.
    #[error(transparent)]
    Value(#[from] OutOfRange),
}

/// One motor's compiled controller.
#[derive(Clone, Debug)]
struct MotorLaw {
    gains: MotorGains,
    integral: Integral,
    derivative: Option<Derivative>,
}

impl MotorLaw {
    fn state(&self) -> MotorState {
        MotorState {
            from: self.gains.factors(),
            integral: self.integral.with_output(0.0),
            derivative: DerivativeState::default(),
            derivative_output: 0.0,
        }
    }
}

/// Compiled controllers of all motors. Immutable: retuning compiles new ones.
#[derive(Clone, Debug)]
pub struct Controllers {
    motors: Vec<MotorLaw>,
}

/// State of one motor's controller.
#[derive(Clone, Copy, Debug)]
struct MotorState {
    /// Gains in force when the present law was taken over: kp, ki, kd.
    from: [f64; 3],
    integral: IntegralState,
    derivative: DerivativeState,
    derivative_output: f64,
}

/// State of all motors' controllers. The default is for no motor.
#[derive(Clone, Debug, Default)]
pub struct ControllersState {
    motors: Vec<MotorState>,
}

/// Returns the max corner, rad/s, of a derivative with samples every `sample_period` s.
pub fn highest_corner(sample_period: f64) -> f64 {
    2.0 / sample_period
}

fn check(gains: &GainSet, motors: usize) -> Result<(), GainError> {
    if gains.motors.len() != motors {
        return Err(GainError::Count {
            got: gains.motors.len(),
            want: motors,
        });
    }
    for (motor, g) in gains.motors.iter().enumerate() {
        for (key, value) in [("kp", g.kp), ("ki", g.ki), ("kd", g.kd)] {
            if !(0.0..=bounds::GAIN).contains(&value) {
                return Err(GainError::Gain { key, motor, value });
            }
        }
        for (key, value) in [
            ("integral_order", g.integral_order),
            ("derivative_order", g.derivative_order),
        ] {
            if !(value > 0.0 && value < 2.0) {
                return Err(GainError::Order { key, motor, value });
            }
        }
    }
    OutOfRange::unless_within(0.0, 1.0, "damping_s", gains.damping, "0 to 1 s")?;
    let (key, delay) = ("delay_allowed_s", gains.delay_allowed);
    OutOfRange::unless_within(0.0, 0.5, key, delay, "0 to 0.5 s")?;
    let (key, gain) = ("tension_gain", gains.tension_gain);
    let accepted = "a finite number of 0 or more";
    OutOfRange::unless(gain >= 0.0 && gain.is_finite(), key, gain, accepted)?;
    if let Some(band) = gains.integrator_deadband {
        let fits = band.enter > 0.0 && band.leave >= band.enter && band.leave.is_finite();
        let (key, accepted) = (
            "integrator_deadband.leave_rad",
            "at least enter_rad, which is above 0",
        );
        OutOfRange::unless(fits, key, band.leave, accepted)?;
    }
    Ok(())
}

impl Controllers {
    /// Compiles the controllers of a set for a tick of `dt` s and samples every `sample_period` s
    /// (the derivative acts on new samples only).
    ///
    /// # Errors
    /// The first gain out of range, with its motor and the accepted values.
    pub fn new(
        gains: &GainSet,
        motors: usize,
        dt: f64,
        sample_period: f64,
    ) -> Result<Self, GainError> {
        check(gains, motors)?;
        let compile = |(motor, g): (usize, &MotorGains)| {
            let integral = Integral::new(g.integral_order, dt).map_err(|_| GainError::Order {
                key: "integral_order",
                motor,
                value: g.integral_order,
            })?;
            let most = highest_corner(sample_period);
            let derivative = if g.kd > 0.0 {
                if !(g.derivative_corner > 0.0 && g.derivative_corner <= most) {
                    return Err(GainError::Corner {
                        motor,
                        value: g.derivative_corner,
                        most,
                    });
                }
                let rolloff = if g.derivative_order <= 1.0 { 1 } else { 2 };
                let design = Derivative::new(
                    g.derivative_order,
                    g.derivative_corner,
                    rolloff,
                    sample_period,
                )
                .map_err(|_| GainError::Order {
                    key: "derivative_order",
                    motor,
                    value: g.derivative_order,
                })?;
                Some(design)
            } else {
                None
            };
            Ok(MotorLaw {
                gains: *g,
                integral,
                derivative,
            })
        };
        let motors = gains
            .motors
            .iter()
            .enumerate()
            .map(compile)
            .collect::<Result<_, _>>()?;
        Ok(Self { motors })
    }

    /// Returns a cleared state: integrators and derivatives at zero.
    pub fn state(&self) -> ControllersState {
        let motors = self.motors.iter().map(MotorLaw::state).collect();
        ControllersState { motors }
    }

    /// Clears a state without allocating.
    pub fn clear(&self, state: &mut ControllersState) {
        for (law, memory) in self.motors.iter().zip(&mut state.motors) {
            *memory = law.state();
        }
    }

    /// Runs one step of every motor's controller, from `error` to `correction`. `fresh`: the error
    /// is based on a new sample; `integrate`: the integrators work; `share`: progress of the
    /// bumpless transfer from the previous law, 0 to 1.
    ///
    /// Work: per motor two operators of fixed size.
    pub fn step(
        &self,
        state: &mut ControllersState,
        error: &[f64],
        fresh: bool,
        integrate: bool,
        share: f64,
        correction: &mut [f64],
    ) {
        let motors = self.motors.iter().zip(&mut state.motors);
        for ((law, memory), (e, u)) in motors.zip(error.iter().zip(correction)) {
            let [kp, ki, kd] = law.gains.blended(memory.from, share);
            let integral = if law.gains.ki > 0.0 && integrate {
                law.integral.step(&mut memory.integral, ki * e)
            } else {
                law.integral.output(&memory.integral)
            };
            if let Some(derivative) = &law.derivative
                && fresh
            {
                memory.derivative_output = derivative.step(&mut memory.derivative, *e);
            }
            *u = kp * e + integral + kd * memory.derivative_output;
        }
    }

    /// Returns the transfer function of `motor`'s controller as discretised in
    /// [`Controllers::step`]. Parts that step at every tick are evaluated at `z = 1 + tick`; the
    /// derivative, which steps at new samples, at `z = 1 + sample`.
    pub fn at(&self, motor: usize, tick: Complex<f64>, sample: Complex<f64>) -> Complex<f64> {
        let law = &self.motors[motor];
        let mut sum = Complex::from(law.gains.kp);
        if law.gains.ki > 0.0 {
            sum += law.integral.at(tick) * law.gains.ki;
        }
        if let Some(derivative) = &law.derivative {
            sum += derivative.at(sample) * law.gains.kd;
        }
        sum
    }

    /// Returns the gains of each motor, in motor order.
    pub fn gains(&self) -> impl ExactSizeIterator<Item = &MotorGains> {
        self.motors.iter().map(|law| &law.gains)
    }

    /// Returns true if all motors have the same gains.
    pub fn alike(&self) -> bool {
        self.motors.windows(2).all(|w| w[0].gains == w[1].gains)
    }

    /// Writes the integrators' outputs, in setpoint units, to `out`.
    pub fn integrals(&self, state: &ControllersState, out: &mut [f64]) {
        for ((law, memory), o) in self.motors.iter().zip(&state.motors).zip(out) {
            *o = law.integral.output(&memory.integral);
        }
    }

    /// Shifts the integrators' outputs by `delta` (setpoint units) through their pole at zero, for
    /// motors with integral action.
    pub fn shift(&self, state: &mut ControllersState, delta: impl Iterator<Item = f64>) {
        for ((law, memory), d) in self.motors.iter().zip(&mut state.motors).zip(delta) {
            if law.gains.ki > 0.0 {
                law.integral.shift(&mut memory.integral, d);
            }
        }
    }

    /// Takes over the state of `old` (bumpless transfer), whose own transfer had progressed to
    /// `share`. The integral's output is moved to the pole at zero. Fractional memory starts empty
    /// where orders differ, derivatives of another shape start at rest, and gains start from those
    /// in effect. A motor without integral action in the new law keeps no output; the caller adds
    /// the difference as a decaying offset.
    pub fn take_over(&self, old: &Controllers, state: &mut ControllersState, share: f64) {
        for ((new, old), memory) in self.motors.iter().zip(&old.motors).zip(&mut state.motors) {
            memory.from = old.gains.blended(memory.from, share);
            if new.gains.ki <= 0.0 {
                memory.integral = new.integral.with_output(0.0);
            } else if new.gains.integral_order != old.gains.integral_order {
                memory.integral = new
                    .integral
                    .with_output(old.integral.output(&memory.integral));
            }
            let same = new.derivative.is_some() == old.derivative.is_some()
                && new.gains.derivative_order == old.gains.derivative_order
                && new.gains.derivative_corner == old.gains.derivative_corner;
            if !same {
                memory.from[2] = 0.0;
                memory.derivative = DerivativeState::default();
                memory.derivative_output = 0.0;
            }
        }
    }
}

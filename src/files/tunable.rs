//! Tunables: one row says all that files, parameters and the manual know of a value.
//!
//! The rows of gains and limits are here; those of the supervision and of the command sources stand
//! beside their readers, and those of parameters without a file key in `ros/server/parameters`.

use super::table::Table;
use super::{ConfigError, Range};
use crate::control::bounds;
use crate::control::controller::MotorGains;
use crate::control::tick::{Limits, MotorLimits};

/// Getter and setter of a value of type `V` in a `T`.
pub type Access<T, V> = (fn(&T) -> V, fn(&mut T, V));

/// Returns the [`Access`] to a value of a type for one of its fields.
macro_rules! access {
    ($of:ty, $($name:ident).+) => {
        (
            |it: &$of| it.$($name).+,
            |it: &mut $of, value| it.$($name).+ = value,
        )
    };
}
pub(crate) use access;

/// A value of a `T` that people may set.
pub struct Tunable<T> {
    /// Last part of the parameter's name.
    pub key: &'static str,
    /// Key in the table of a file; empty if no file has it.
    pub file_key: &'static str,
    /// Description, with the unit and without a full stop.
    pub text: &'static str,
    /// Type and accepted values.
    pub accepts: Accepts<T>,
    optional: bool,
}

/// Type of a tunable, with its accepted values and its field.
pub enum Accepts<T> {
    /// A number.
    Number {
        /// Accepted values, in the unit of the file.
        range: Range,
        /// Unit in `T`.
        unit: &'static str,
        /// Value in `T` of 1 in the file.
        factor: f64,
        /// Its field.
        access: Access<T, f64>,
    },
    /// True or false, with the reason where only true is accepted.
    Truth(Option<&'static str>, Access<T, bool>),
    /// One of these words.
    Word(&'static [&'static str], Access<T, &'static str>),
    /// Any text, with words for what it has to be.
    Text(&'static str, Access<T, String>),
}

impl<T> Tunable<T> {
    /// A value whose name and file key are `keys`, which a file may leave out.
    pub(crate) const fn new(
        keys: [&'static str; 2],
        accepts: Accepts<T>,
        text: &'static str,
    ) -> Self {
        let [key, file_key] = keys;
        Self {
            key,
            file_key,
            text,
            accepts,
            optional: true,
        }
    }

    /// A number whose name and file key are `keys`, which a file has to have.
    pub(crate) const fn number(
        keys: [&'static str; 2],
        range: Range,
        access: Access<T, f64>,
        text: &'static str,
    ) -> Self {
        let accepts = Accepts::Number {
            range,
            unit: range.unit,
            factor: 1.0,
            access,
        };
        Self {
            optional: false,
            ..Self::new(keys, accepts, text)
        }
    }

    /// The same with this unit in `T`, in which 1 of the file is `factor`.
    pub(super) const fn unit(mut self, to: &'static str, by: f64) -> Self {
        if let Accepts::Number { unit, factor, .. } = &mut self.accepts {
            (*unit, *factor) = (to, by);
        }
        self
    }

    /// The same, and a file may leave it out.
    pub(super) const fn optional(mut self) -> Self {
        self.optional = true;
        self
    }

    /// The same number with another range in files.
    pub(crate) const fn within(mut self, accepted: Range) -> Self {
        if let Accepts::Number { range, .. } = &mut self.accepts {
            *range = accepted;
        }
        self
    }

    /// The same in the unit of `T`, and no looser than in `bound`: a number no further from 0, true
    /// where it is true there, and no word before the one there.
    #[cfg_attr(
        not(feature = "ros"),
        expect(dead_code, reason = "only parameters have such a bound")
    )]
    pub(crate) fn no_looser_than(mut self, bound: &T) -> Self {
        match &mut self.accepts {
            Accepts::Truth(always @ None, (get, _)) if get(bound) => {
                *always = Some("true, as in the joint file");
            }
            Accepts::Word(words, (get, _)) => {
                let mildest = words.iter().position(|word| *word == get(bound));
                *words = &words[mildest.unwrap_or_default()..];
            }
            _ => {}
        }
        if let Accepts::Number {
            range,
            unit,
            factor,
            access: (get, _),
        } = &mut self.accepts
        {
            let converted = Range {
                low: range.low * *factor,
                high: range.high * *factor,
                unit,
                ..*range
            };
            *range = match get(bound) {
                low if low < 0.0 => Range { low, ..converted },
                high => Range { high, ..converted },
            };
            *factor = 1.0;
        }
        self
    }

    /// Returns the number in the unit of the file; `None` if it is no number.
    pub(super) fn in_file(&self, of: &T) -> Option<f64> {
        match self.accepts {
            Accepts::Number { factor, access, .. } => Some(access.0(of) / factor),
            _ => None,
        }
    }

    /// Reads the value from `table`. Without the key, `into` keeps what it has.
    ///
    /// # Errors
    /// A value that is not accepted, or a missing key that is required.
    pub(super) fn read(&self, table: &Table, into: &mut T) -> Result<(), ConfigError> {
        let key = self.file_key;
        if self.optional && table.get(key).is_none() {
            return Ok(());
        }
        match self.accepts {
            Accepts::Number {
                range,
                factor,
                access,
                ..
            } => access.1(into, table.number(key, range)? * factor),
            Accepts::Truth(always, access) => {
                let given = table.need(key, "true or false")?;
                match (given.truth()?, always) {
                    (false, Some(accepted)) => return Err(given.refuse(accepted)),
                    (truth, _) => access.1(into, truth),
                }
            }
            Accepts::Word(words, access) => {
                let words: Vec<_> = words.iter().map(|word| (*word, *word)).collect();
                access.1(into, table.choice(key, &words)?);
            }
            Accepts::Text(accepted, access) => {
                access.1(into, table.text(key, accepted, |_| true)?.into());
            }
        }
        Ok(())
    }
}

/// Gains; far above any that a joint can bear.
const GAIN: Range = Range::closed(0.0, bounds::GAIN, "");
const ORDER: Range = Range::open(0.0, 2.0, "");
const CORNER: Range = Range::above(0.0, 10_000.0, "rad/s");

/// The gains of one motor.
pub const GAINS: [Tunable<MotorGains>; 6] = [
    Tunable::number(
        ["kp"; 2],
        GAIN,
        access!(MotorGains, kp),
        "Proportional gain, rad/rad",
    )
    .unit("rad/rad", 1.0),
    Tunable::number(
        ["ki"; 2],
        GAIN,
        access!(MotorGains, ki),
        "Integral gain, rad/(rad s^integral_order)",
    )
    .unit("rad/(rad s^integral_order)", 1.0),
    Tunable::number(
        ["kd"; 2],
        GAIN,
        access!(MotorGains, kd),
        "Derivative gain, rad s^derivative_order/rad",
    )
    .optional()
    .unit("rad s^derivative_order/rad", 1.0),
    Tunable::number(
        ["integral_order"; 2],
        ORDER,
        access!(MotorGains, integral_order),
        "Order of the integral",
    ),
    Tunable::number(
        ["derivative_order"; 2],
        ORDER,
        access!(MotorGains, derivative_order),
        "Order of the derivative",
    )
    .optional(),
    Tunable::number(
        ["derivative_corner", "derivative_corner_rad_s"],
        CORNER,
        access!(MotorGains, derivative_corner),
        "Corner of the derivative's roll-off, rad/s",
    ),
];

/// The limits of one motor. A file has both ends of the travel in one key; see
/// `common::travel`.
pub const MOTOR_LIMITS: [Tunable<MotorLimits>; 4] = [
    Tunable::number(
        ["travel_low", "travel_deg"],
        Range::below(-1e4, 0.0, "rad"),
        access!(MotorLimits, low),
        "Minimum angle, rad",
    ),
    Tunable::number(
        ["travel_high", "travel_deg"],
        Range::above(0.0, 1e4, "rad"),
        access!(MotorLimits, high),
        "Maximum angle, rad",
    ),
    Tunable::number(
        ["speed", "speed_rad_s"],
        Range::above(0.0, 1e5, "rad/s"),
        access!(MotorLimits, speed),
        "Maximum speed, rad/s",
    ),
    Tunable::number(
        ["acceleration", "acceleration_rad_s2"],
        Range::above(0.0, 1e7, "rad/s^2"),
        access!(MotorLimits, acceleration),
        "Maximum acceleration, rad/s^2",
    ),
];

/// 1 deg in rad.
const DEGREE: f64 = std::f64::consts::PI / 180.0;
/// [`bounds::BEND`] in deg.
pub(super) const WIDEST: f64 = 120.0;
const AGE: Range = Range::above(0.0, bounds::AGE, "s");

/// The limits of the joint.
pub const LIMITS: [Tunable<Limits>; 6] = [
    Tunable::number(
        ["inclination", "inclination_deg"],
        Range::above(0.0, WIDEST, "deg"),
        access!(Limits, inclination),
        "Maximum inclination of a command, rad",
    )
    .unit("rad", DEGREE),
    Tunable::number(
        ["over_bend", "over_bend_deg"],
        Range::above(0.0, WIDEST, "deg"),
        access!(Limits, over_bend),
        "Measured inclination beyond which nothing moves outward, rad; at least limits.inclination",
    )
    .unit("rad", DEGREE),
    Tunable::number(
        ["feedback", "feedback_rad"],
        Range::closed(0.0, bounds::FEEDBACK, "rad"),
        access!(Limits, feedback),
        "Maximum motor angle that feedback may add, rad",
    ),
    Tunable::number(
        ["stale_imu", "stale_imu_s"],
        AGE,
        access!(Limits, stale_imu),
        "Age at which IMU samples no longer count, s",
    ),
    Tunable::number(
        ["stale_motors", "stale_motors_s"],
        AGE,
        access!(Limits, stale_motors),
        "Age at which motor samples no longer count, s",
    ),
    Tunable::number(
        ["stop_after", "stop_after_s"],
        AGE,
        access!(Limits, stop_after),
        "Time of stale data for which the last setpoint is held before the loop restarts, s",
    ),
];

//! Tunables: one row says all that files, parameters and the manual know of a value.
//!
//! The rows of gains and limits are here; those of the supervision and of the command sources stand
//! beside their readers, and those of parameters without a file key in `ros/server/parameters`.

use super::ConfigError;
use super::table::Table;
use crate::control::bounds;
use crate::control::controller::MotorGains;
use crate::control::tick::{Limits, MotorLimits};

/// A range of accepted numbers. Checks test for acceptance, so that NaN fails.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// Lower bound.
    pub low: f64,
    low_open: bool,
    /// Upper bound.
    pub high: f64,
    high_open: bool,
    /// Unit for people, with what else they have to know; empty for a plain number.
    unit: &'static str,
}

impl Range {
    /// From `low` to `high`, both included.
    pub(crate) const fn closed(low: f64, high: f64, unit: &'static str) -> Self {
        Self {
            low,
            low_open: false,
            high,
            high_open: false,
            unit,
        }
    }

    /// Above `low`, at most `high`.
    pub(crate) const fn above(low: f64, high: f64, unit: &'static str) -> Self {
        Self {
            low_open: true,
            ..Self::closed(low, high, unit)
        }
    }

    /// At least `low`, below `high`.
    const fn below(low: f64, high: f64, unit: &'static str) -> Self {
        Self {
            high_open: true,
            ..Self::closed(low, high, unit)
        }
    }

    /// Above `low` and below `high`.
    pub(super) const fn open(low: f64, high: f64, unit: &'static str) -> Self {
        Self {
            low_open: true,
            ..Self::below(low, high, unit)
        }
    }

    /// Returns true for an accepted number.
    pub(crate) fn holds(&self, value: f64) -> bool {
        let above = value > self.low || (!self.low_open && value == self.low);
        let below = value < self.high || (!self.high_open && value == self.high);
        above && below
    }

    /// Returns the accepted numbers in words.
    pub fn words(&self) -> String {
        let (low, high, unit) = (self.low, self.high, self.unit);
        let from = if self.low_open { "above" } else { "from" };
        let to = match (self.low_open, self.high_open) {
            (false, false) => "to",
            (true, false) => "and at most",
            (_, true) => "and below",
        };
        let space = if unit.is_empty() { "" } else { " " };
        format!("a number {from} {low} {to} {high}{space}{unit}")
    }
}

/// Getter and setter of a value of type `V` in a `T`.
pub type Field<T, V> = (fn(&T) -> V, fn(&mut T, V));

/// Returns the [`Field`] of a type for one of its fields.
macro_rules! field {
    ($of:ty, $($name:ident).+) => {
        (
            |it: &$of| it.$($name).+,
            |it: &mut $of, value| it.$($name).+ = value,
        )
    };
}
pub(crate) use field;

/// A value of a `T` that people may set.
pub struct Tunable<T> {
    /// Last part of the parameter's name.
    pub key: &'static str,
    /// Key in the table of a file; empty if no file has it.
    pub file_key: &'static str,
    /// Description, with the unit and without a full stop.
    pub text: &'static str,
    /// Type and accepted values.
    pub kind: Kind<T>,
    optional: bool,
}

/// Type of a tunable, with its accepted values and its field.
pub enum Kind<T> {
    /// A number.
    Number {
        /// Accepted values, in the unit of the file.
        range: Range,
        /// Unit in `T`.
        unit: &'static str,
        /// Value in `T` of 1 in the file.
        factor: f64,
        /// Its field.
        field: Field<T, f64>,
    },
    /// True or false, with the reason where only true is accepted.
    Truth(Option<&'static str>, Field<T, bool>),
    /// One of these words.
    Word(&'static [&'static str], Field<T, &'static str>),
    /// Any text, with words for what it has to be.
    Text(&'static str, Field<T, String>),
}

impl<T> Tunable<T> {
    /// A value whose name and file key are `keys`, which a file may leave out.
    pub(crate) const fn new(keys: [&'static str; 2], kind: Kind<T>, text: &'static str) -> Self {
        let [key, file_key] = keys;
        Self {
            key,
            file_key,
            text,
            kind,
            optional: true,
        }
    }

    /// A number whose name and file key are `keys`, which a file has to have.
    pub(crate) const fn number(
        keys: [&'static str; 2],
        range: Range,
        field: Field<T, f64>,
        text: &'static str,
    ) -> Self {
        let kind = Kind::Number {
            range,
            unit: range.unit,
            factor: 1.0,
            field,
        };
        Self {
            optional: false,
            ..Self::new(keys, kind, text)
        }
    }

    /// The same with this unit in `T`, in which 1 of the file is `factor`.
    pub(super) const fn unit(mut self, to: &'static str, by: f64) -> Self {
        if let Kind::Number { unit, factor, .. } = &mut self.kind {
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
    pub(super) const fn within(mut self, accepted: Range) -> Self {
        if let Kind::Number { range, .. } = &mut self.kind {
            *range = accepted;
        }
        self
    }

    /// The same number in the unit of `T`, and no further from 0 than in `bound`.
    pub(crate) fn no_looser_than(mut self, bound: &T) -> Self {
        if let Kind::Number {
            range,
            unit,
            factor,
            field: (get, _),
        } = &mut self.kind
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
        match self.kind {
            Kind::Number { factor, field, .. } => Some(field.0(of) / factor),
            _ => None,
        }
    }

    /// Reads the value from `table`. Without the key, `into` keeps what it has.
    ///
    /// # Errors
    /// A value that is not accepted, or a missing key that is required.
    pub(super) fn read(&self, table: &Table, into: &mut T) -> Result<(), ConfigError> {
        let key = self.file_key;
        let given = table.get(key);
        if given.is_none() && self.optional {
            return Ok(());
        }
        match self.kind {
            Kind::Number {
                range,
                factor,
                field,
                ..
            } => field.1(into, table.number(key, range)? * factor),
            Kind::Truth(always, field) => {
                let truth = table.truth(key)?;
                if let (false, Some(value), Some(accepted)) = (truth, given, always) {
                    return Err(table.refuse(key, value, accepted));
                }
                field.1(into, truth);
            }
            Kind::Word(words, field) => {
                let words: Vec<_> = words.iter().map(|word| (*word, *word)).collect();
                field.1(into, table.choice(key, &words)?);
            }
            Kind::Text(accepted, field) => {
                field.1(into, table.text(key, accepted, |_| true)?.into());
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
        field!(MotorGains, kp),
        "Proportional gain, rad/rad",
    )
    .unit("rad/rad", 1.0),
    Tunable::number(
        ["ki"; 2],
        GAIN,
        field!(MotorGains, ki),
        "Integral gain, rad/(rad s^integral_order)",
    )
    .unit("rad/(rad s^integral_order)", 1.0),
    Tunable::number(
        ["kd"; 2],
        GAIN,
        field!(MotorGains, kd),
        "Derivative gain, rad s^derivative_order/rad",
    )
    .optional()
    .unit("rad s^derivative_order/rad", 1.0),
    Tunable::number(
        ["integral_order"; 2],
        ORDER,
        field!(MotorGains, integral_order),
        "Order of the integral",
    ),
    Tunable::number(
        ["derivative_order"; 2],
        ORDER,
        field!(MotorGains, derivative_order),
        "Order of the derivative",
    )
    .optional(),
    Tunable::number(
        ["derivative_corner", "derivative_corner_rad_s"],
        CORNER,
        field!(MotorGains, derivative_corner),
        "Corner of the derivative's roll-off, rad/s",
    ),
];

/// The limits of one motor. A file has both ends of the travel in one key; see
/// [`super::common::travel`].
pub const MOTOR_LIMITS: [Tunable<MotorLimits>; 4] = [
    Tunable::number(
        ["travel_low", "travel_deg"],
        Range::below(-1e4, 0.0, "rad"),
        field!(MotorLimits, low),
        "Minimum angle, rad",
    ),
    Tunable::number(
        ["travel_high", "travel_deg"],
        Range::above(0.0, 1e4, "rad"),
        field!(MotorLimits, high),
        "Maximum angle, rad",
    ),
    Tunable::number(
        ["speed", "speed_rad_s"],
        Range::above(0.0, 1e5, "rad/s"),
        field!(MotorLimits, speed),
        "Maximum speed, rad/s",
    ),
    Tunable::number(
        ["acceleration", "acceleration_rad_s2"],
        Range::above(0.0, 1e7, "rad/s^2"),
        field!(MotorLimits, acceleration),
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
        field!(Limits, inclination),
        "Maximum inclination of a command, rad",
    )
    .unit("rad", DEGREE),
    Tunable::number(
        ["over_bend", "over_bend_deg"],
        Range::above(0.0, WIDEST, "deg"),
        field!(Limits, over_bend),
        "Measured inclination beyond which nothing moves outward, rad; at least limits.inclination",
    )
    .unit("rad", DEGREE),
    Tunable::number(
        ["feedback", "feedback_rad"],
        Range::closed(0.0, bounds::FEEDBACK, "rad"),
        field!(Limits, feedback),
        "Maximum motor angle that feedback may add, rad",
    ),
    Tunable::number(
        ["stale_imu", "stale_imu_s"],
        AGE,
        field!(Limits, stale_imu),
        "Age at which IMU samples no longer count, s",
    ),
    Tunable::number(
        ["stale_motors", "stale_motors_s"],
        AGE,
        field!(Limits, stale_motors),
        "Age at which motor samples no longer count, s",
    ),
    Tunable::number(
        ["stop_after", "stop_after_s"],
        AGE,
        field!(Limits, stop_after),
        "Time of stale data for which the last setpoint is held before the loop restarts, s",
    ),
];

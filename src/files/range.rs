//! Ranges of accepted numbers.

use std::f64::consts::PI;

/// Units that stand in place of others by mistake: that of the key, what turns a number in the other
/// into it, and the other.
const SLIPS: [(&str, f64, &str); 7] = [
    ("mm", 1e3, "metres"),
    ("g", 1e3, "kilograms"),
    ("ms", 1e3, "seconds"),
    ("s", 1e-3, "milliseconds"),
    ("deg", 180.0 / PI, "radians"),
    ("rad", PI / 180.0, "degrees"),
    ("rad/s", PI / 180.0, "degrees per second"),
];

/// A range of accepted numbers. Checks test for acceptance, so that NaN fails.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// Lower bound.
    pub low: f64,
    pub(super) low_open: bool,
    /// Upper bound.
    pub high: f64,
    pub(super) high_open: bool,
    /// Unit for people, with what else they have to know; empty for a plain number.
    pub(super) unit: &'static str,
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
    pub(super) const fn below(low: f64, high: f64, unit: &'static str) -> Self {
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

    /// Returns the question for a refused value that would be accepted in another unit; empty for
    /// any other. A value less than twice the maximum is merely too large.
    pub(super) fn slip(&self, value: f64) -> String {
        // Some units have an explanation behind them.
        let unit = self.unit.split(',').next();
        let fits =
            |factor: f64| self.holds(value * factor) && (factor > 1.0 || !self.holds(value / 2.0));
        let found = SLIPS
            .iter()
            .find(|(own, factor, _)| unit == Some(own) && fits(*factor));
        found.map_or(String::new(), |(_, _, other)| {
            format!("; is it in {other}?")
        })
    }
}

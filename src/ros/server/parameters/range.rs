//! Ranges of numeric parameters.

/// A range of doubles; open ends are excluded.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// Lower bound.
    pub low: f64,
    /// Upper bound.
    pub high: f64,
    pub(super) open: (bool, bool),
}

impl Range {
    pub(super) const fn closed(low: f64, high: f64) -> Self {
        let open = (false, false);
        Self { low, high, open }
    }

    pub(super) const fn above(low: f64, high: f64) -> Self {
        let open = (true, false);
        Self { low, high, open }
    }

    pub(super) const fn between(low: f64, high: f64) -> Self {
        let open = (true, true);
        Self { low, high, open }
    }

    pub(super) fn holds(&self, value: f64) -> bool {
        let above = value > self.low || (!self.open.0 && value == self.low);
        let below = value < self.high || (!self.open.1 && value == self.high);
        above && below
    }

    /// Returns the accepted range in words.
    pub(super) fn words(&self, unit: &str) -> String {
        let low = if self.open.0 { "above" } else { "from" };
        let high = if self.open.1 { "below" } else { "to" };
        let comma = if self.open.0 || self.open.1 { "," } else { "" };
        let high = if high == "to" && self.open.0 {
            "up to"
        } else {
            high
        };
        let (a, b) = (self.low, self.high);
        format!("{low} {a}{comma} {high} {b}{unit}")
    }
}

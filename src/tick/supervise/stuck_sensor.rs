//! A sensor that says the same to the last bit although the joint was made to move.

/// What one sensor said last, and how far the joint has been made to go since it began to say so.
///
/// Real sensors have noise in their last bits, and one without noise shows what moves. So a stream of samples with new
/// stamps and the same bits, while what it measures has been made to go further than a limit, is no measurement: a driver
/// that repeats its last reading, a bus that hangs, a motor that stands still. The way is judged where a sample arrives, so
/// that a sensor that says nothing is stale and not frozen. Common practice, no source.
#[derive(Clone, Copy, Debug)]
pub(super) struct Still<const N: usize> {
    bits: [u64; N],
    stamp: f64,
    /// Furthest way since the bits were new.
    gone: f64,
    /// And when a sample said them last.
    judged: f64,
}

impl<const N: usize> Default for Still<N> {
    fn default() -> Self {
        Self {
            bits: [0; N],
            stamp: f64::NEG_INFINITY,
            gone: 0.0,
            judged: 0.0,
        }
    }
}

impl<const N: usize> Still<N> {
    /// The newest sample, whose way since the bits were new is `way(true)` from where they were. Says whether it differs.
    pub(super) fn sample(&mut self, values: [f64; N], stamp: f64) -> bool {
        if stamp <= self.stamp {
            return false;
        }
        self.stamp = stamp;
        let bits = values.map(f64::to_bits);
        let new = bits != self.bits;
        if new {
            (self.bits, self.gone) = (bits, 0.0);
        }
        self.judged = self.gone;
        new
    }

    /// How far the joint has been made to go from where it was when the bits were new.
    pub(super) fn way(&mut self, way: f64) {
        self.gone = self.gone.max(way);
    }

    /// The joint begins anew from here: what it did before counts no more, but what has been judged stands.
    pub(super) fn forget(&mut self) {
        self.gone = 0.0;
    }

    /// How far the joint went while the samples said the same.
    pub(super) fn value(&self) -> f64 {
        self.judged
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_silent_sensor_is_not_frozen_and_a_repeating_one_is() {
        let mut still = Still::default();
        assert!(still.sample([1.0], 0.0));
        still.way(0.5);
        assert_eq!(still.value(), 0.0);
        assert!(!still.sample([1.0], 0.0));
        assert_eq!(still.value(), 0.0);
        assert!(!still.sample([1.0], 0.1));
        assert_eq!(still.value(), 0.5);
        assert!(still.sample([1.0 + f64::EPSILON], 0.2));
        assert_eq!(still.value(), 0.0);
        // Zeros of both signs differ in a bit.
        assert!(still.sample([0.0], 0.3) && still.sample([-0.0], 0.4));
    }
}

//! Detection of a sensor that repeats bit-identical samples during commanded motion.

/// Last sample of one sensor, and the commanded motion since its value last changed.
///
/// Real sensors have noise in their last bits, and a noise-free one shows the motion. So samples
/// with new stamps and the same bits, despite commanded motion beyond a limit, are no measurement:
/// a driver that repeats its last reading, a bus that hangs, a motor that stands still. The motion
/// is evaluated when a sample arrives, so that a silent sensor counts as stale and not as frozen.
/// Common practice, no source.
#[derive(Clone, Copy, Debug)]
pub(super) struct StuckDetector<const N: usize> {
    bits: [u64; N],
    stamp: f64,
    /// Greatest commanded motion since the bits changed.
    gone: f64,
    /// The same when the last sample with these bits arrived.
    judged: f64,
}

impl<const N: usize> Default for StuckDetector<N> {
    fn default() -> Self {
        Self {
            bits: [0; N],
            stamp: f64::NEG_INFINITY,
            gone: 0.0,
            judged: 0.0,
        }
    }
}

impl<const N: usize> StuckDetector<N> {
    /// Takes the newest sample of `values`. Returns true if its stamp is newer and its bits differ.
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

    /// Takes the present commanded distance from where the joint was when the bits changed.
    pub(super) fn way(&mut self, way: f64) {
        self.gone = self.gone.max(way);
    }

    /// Restarts from the present position: earlier motion no longer counts, but the value stays.
    pub(super) fn forget(&mut self) {
        self.gone = 0.0;
    }

    /// Returns the commanded motion during which the samples stayed the same.
    pub(super) fn value(&self) -> f64 {
        self.judged
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_silent_sensor_is_not_frozen_and_a_repeating_one_is() {
        let mut still = StuckDetector::default();
        assert!(still.sample([1.0], 0.0));
        still.way(0.5);
        assert_eq!(still.value(), 0.0);
        assert!(!still.sample([1.0], 0.0));
        assert_eq!(still.value(), 0.0);
        assert!(!still.sample([1.0], 0.1));
        assert_eq!(still.value(), 0.5);
        assert!(still.sample([1.0 + f64::EPSILON], 0.2));
        assert_eq!(still.value(), 0.0);
        // Zeros of both signs differ in one bit.
        assert!(still.sample([0.0], 0.3) && still.sample([-0.0], 0.4));
    }
}

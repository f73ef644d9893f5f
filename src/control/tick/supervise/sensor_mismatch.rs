//! Detection of a mismatch between IMU and encoders, robust to oscillations of the head.

/// Fraction of the limit below which the bends agree again while a mismatch is suspected.
const CALM: f64 = 0.6;
/// Time above the limit that is taken back per time below it.
const FORGETS: f64 = 0.5;
/// Time up to which a mismatch may be a corrupted sample, s.
const SPOILT: f64 = 0.05;

/// Counts the time above a limit. A head with a parted tendon oscillates through the bend of its
/// motors, and stays near it as long as that tendon need not pull. So the time is forgotten
/// gradually, and while a mismatch is suspected the limit is lower.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct MismatchDetector {
    /// Time above the limit, less the time taken back, s.
    time: f64,
}

impl MismatchDetector {
    /// Takes the value of a tick of `dt` s. Returns true after `after` s above `limit`.
    pub(super) fn step(&mut self, value: f64, limit: f64, after: f64, dt: f64) -> bool {
        if value > limit * if self.doubts() { CALM } else { 1.0 } {
            // The cap keeps a long mismatch from taking longer to be forgotten.
            self.time = (self.time + dt).min(after.max(dt));
        } else {
            self.time = (self.time - FORGETS * dt).max(0.0);
        }
        self.time > 0.0 && self.time + 0.5 * dt >= after
    }

    /// Returns true if the time above the limit exceeds that of a corrupted sample.
    pub(super) fn doubts(&self) -> bool {
        self.time > SPOILT
    }

    pub(super) fn forget(&mut self) {
        self.time = 0.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DT: f64 = 0.005;
    const LIMIT: f64 = 0.12;
    const AFTER: f64 = 1.0;

    /// Returns the time of the first fault, s, for `value` over 10 s.
    fn fault(value: impl Fn(f64) -> f64) -> Option<f64> {
        let mut doubt = MismatchDetector::default();
        let mut times = (0..2000).map(|k| f64::from(k) * DT);
        times.find(|t| doubt.step(value(*t), LIMIT, AFTER, DT))
    }

    #[test]
    fn what_stays_or_swings_is_a_fault_and_pushes_are_not() {
        let stays = fault(|_| 0.13).expect("it is");
        assert!((stays - AFTER).abs() <= 2.0 * DT, "{stays}");
        // An oscillation through the other bend, above the limit for two thirds of the time.
        assert!(fault(|t| 0.24 * (6.0 * t).sin().abs()).is_some_and(|at| at < 2.0));
        // Repeated pushes of 0.2 s, and a value that is never above.
        assert_eq!(fault(|t| if t % 1.2 < 0.2 { 0.3 } else { 0.01 }), None);
        assert_eq!(fault(|_| LIMIT), None);
    }

    #[test]
    fn no_time_at_all_is_the_first_tick_above() {
        let mut doubt = MismatchDetector::default();
        assert!(!doubt.step(0.1, LIMIT, 0.0, DT));
        assert!(doubt.step(0.2, LIMIT, 0.0, DT));
        assert!(!doubt.doubts());
    }

    #[test]
    fn it_is_forgotten_in_time() {
        let mut doubt = MismatchDetector::default();
        (0..40).for_each(|_| assert!(!doubt.step(0.2, LIMIT, AFTER, DT)));
        assert!(doubt.doubts());
        // StuckDetector above the lowered limit: the time goes on.
        let mut more = doubt;
        assert!((0..200).any(|_| more.step(0.08, LIMIT, AFTER, DT)));
        let calm = (0..2000).take_while(|_| {
            doubt.step(0.07, LIMIT, AFTER, DT);
            doubt.doubts()
        });
        let calm = calm.count() as f64 * DT;
        assert!((calm - 0.3).abs() < 0.02, "{calm} s");
    }
}

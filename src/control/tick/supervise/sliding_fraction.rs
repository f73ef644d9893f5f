//! Fraction of recent ticks at which a condition held.

/// Number of parts of the window.
const PARTS: usize = 16;

/// Fraction of ticks at which a condition held, over a window that slides in sixteenths.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct SlidingFraction {
    hits: [u32; PARTS],
    ticks: [u32; PARTS],
    part: usize,
    /// End of the present part, s.
    ends: f64,
    /// Time covered so far, up to the window, s.
    watched: f64,
    last: f64,
}

impl SlidingFraction {
    /// Takes the tick at `now` s. Returns the fraction over the last `window` s; ticks before the
    /// first one count as false. Work: at most [`PARTS`].
    pub(super) fn step(&mut self, so: bool, now: f64, window: f64) -> f64 {
        if window <= 0.0 {
            return f64::from(u8::from(so));
        }
        let part = window / PARTS as f64;
        // The clock jumped, or the window changed.
        if !(now >= self.last && now - self.ends <= window && self.ends - now <= part) {
            *self = Self {
                ends: now + part,
                last: now,
                ..Self::default()
            };
        }
        self.watched = (self.watched + now - self.last).min(window);
        self.last = now;
        while now >= self.ends {
            self.part = (self.part + 1) % PARTS;
            (self.hits[self.part], self.ticks[self.part]) = (0, 0);
            self.ends += part;
        }
        self.hits[self.part] += u32::from(so);
        self.ticks[self.part] += 1;
        let (hits, ticks) = (
            self.hits.iter().sum::<u32>(),
            self.ticks.iter().sum::<u32>(),
        );
        f64::from(hits) / f64::from(ticks) * (self.watched / window)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(
        share: &mut SlidingFraction,
        ticks: std::ops::Range<u32>,
        so: impl Fn(u32) -> bool,
    ) -> f64 {
        let mut value = 0.0;
        for k in ticks {
            value = share.step(so(k), f64::from(k) * 0.005, 1.0);
        }
        value
    }

    #[test]
    fn counts_the_last_window_and_survives_jumps() {
        let mut share = SlidingFraction::default();
        assert!((run(&mut share, 0..101, |_| true) - 0.5).abs() < 1e-9);
        assert!((run(&mut share, 101..401, |_| true) - 1.0).abs() < 1e-9);
        assert!((run(&mut share, 401..1000, |k| k % 4 == 0) - 0.25).abs() < 0.02);
        assert!(run(&mut share, 1000..1300, |_| false) == 0.0);
        // A clock that runs back, one that jumps ahead, one that stands still.
        assert!(run(&mut share, 0..10, |_| true) < 0.1);
        assert!(share.step(true, 1e6, 1.0) == 0.0);
        assert!(share.step(true, f64::NAN, 1.0).is_nan() || share.step(true, 0.0, 1.0) == 0.0);
        assert_eq!(share.step(true, 0.0, 0.0), 1.0);
        assert_eq!(share.step(true, 0.1, f64::INFINITY), 0.0);
    }
}

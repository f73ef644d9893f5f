//! The shaper: from a target bend to a smooth reference that no motor has to hurry for.
//!
//! A point runs straight to the target at no more than `speed`, and two moving averages smooth its
//! path. A moving average is a convex combination of past values, so the reference is never faster
//! than the point, its acceleration is at most `2 speed / longer window`, and it cannot overshoot
//! the target. A window as long as a swing's period puts that swing's frequency on a zero of the
//! average. Source: Singer and Seering 1990, "Preshaping command inputs to reduce system
//! vibration", for shaping by convolution; the rectangular window's zeros are elementary.

use crate::geometry::Bend;

/// Longest moving average that is accepted, s.
pub const LONGEST_WINDOW: f64 = 2.0;

/// A checked shaper: fixed numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShaperDesign {
    /// Greatest speed of the reference, rad/s of bend.
    speed: f64,
    dt: f64,
    windows: [usize; 2],
}

/// Why a shaper was refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ShaperError {
    /// A window is out of range.
    #[error("smoothing_s holds {0}; accepted: 0 to {LONGEST_WINDOW} s")]
    Window(f64),
    /// The speed is not positive.
    #[error("the motors' limits leave a bend speed of {0} rad/s; accepted: above 0")]
    Speed(f64),
}

impl ShaperDesign {
    /// A shaper for ticks of `dt` s: `speed` rad/s and `acceleration` rad/s^2 in bend, windows in s.
    /// The longer window is stretched where the acceleration limit asks for it.
    ///
    /// # Errors
    /// A window or a speed out of range.
    pub fn new(
        speed: f64,
        acceleration: f64,
        smoothing: [f64; 2],
        dt: f64,
    ) -> Result<Self, ShaperError> {
        if !(speed > 0.0 && speed.is_finite()) {
            return Err(ShaperError::Speed(speed));
        }
        let [first, second] = smoothing;
        for window in smoothing {
            if !(0.0..=LONGEST_WINDOW).contains(&window) {
                return Err(ShaperError::Window(window));
            }
        }
        let speed = speed.min(0.5 * acceleration * LONGEST_WINDOW);
        // The averaged ramp changes speed by at most 2 `speed` (a full reversal) within one window.
        let needed = (2.0 * speed / acceleration).min(LONGEST_WINDOW);
        // Rounded up: a shorter window would ask for more acceleration.
        let count = |seconds: f64| ((seconds / dt - 1e-9).ceil() as usize).max(1);
        let longer = first.max(second).max(needed);
        Ok(Self {
            speed,
            dt,
            windows: [count(longer), count(first.min(second))],
        })
    }

    /// Greatest speed of the reference, rad/s of bend.
    pub fn speed(&self) -> f64 {
        self.speed
    }

    /// How long the reference keeps moving after the running point has arrived, s.
    pub fn tail(&self) -> f64 {
        (self.windows[0] + self.windows[1]) as f64 * self.dt
    }
}

/// One moving average over a ring.
#[derive(Clone, Debug)]
struct Average {
    ring: Vec<Bend>,
    length: usize,
    next: usize,
    sum: Bend,
}

impl Average {
    fn new(longest: usize, at: Bend) -> Self {
        let mut average = Self {
            ring: vec![at; longest],
            length: 1,
            next: 0,
            sum: Bend::zeros(),
        };
        average.fill(1, at);
        average
    }

    fn fill(&mut self, length: usize, at: Bend) {
        self.length = length.clamp(1, self.ring.len());
        self.ring[..self.length].fill(at);
        self.next = 0;
        self.sum = at * self.length as f64;
    }

    /// Work: constant, but once per turn of the ring the sum is formed anew (one pass over the
    /// window), so that rounding never builds up.
    fn push(&mut self, value: Bend) -> Bend {
        self.sum += value - self.ring[self.next];
        self.ring[self.next] = value;
        self.next += 1;
        if self.next == self.length {
            self.next = 0;
            self.sum = self.ring[..self.length].iter().sum();
        }
        self.sum / self.length as f64
    }
}

/// The shaper's memory.
#[derive(Clone, Debug)]
pub struct ShaperState {
    point: Bend,
    averages: [Average; 2],
    windows: [usize; 2],
    /// Ticks since the point last moved.
    still: usize,
    value: Bend,
    rate: Bend,
}

impl ShaperState {
    /// A memory that rests at `at`, with room for every window at ticks of `dt` s.
    pub fn new(dt: f64, at: Bend) -> Self {
        let longest = (LONGEST_WINDOW / dt).ceil() as usize + 1;
        Self {
            point: at,
            averages: [Average::new(longest, at), Average::new(longest, at)],
            windows: [1, 1],
            still: usize::MAX,
            value: at,
            rate: Bend::zeros(),
        }
    }

    /// Puts the reference at rest at `at`.
    pub fn rest_at(&mut self, at: Bend) {
        self.point = at;
        for (average, window) in self.averages.iter_mut().zip(self.windows) {
            average.fill(window, at);
        }
        self.still = usize::MAX;
        self.value = at;
        self.rate = Bend::zeros();
    }

    /// The reference, rad.
    pub fn value(&self) -> Bend {
        self.value
    }

    /// Its rate, rad/s.
    pub fn rate(&self) -> Bend {
        self.rate
    }

    /// Where the reference would come to rest if it stopped now, rad.
    pub fn point(&self) -> Bend {
        self.point
    }

    /// Whether the reference has come to rest.
    pub fn at_rest(&self) -> bool {
        self.still > self.windows[0] + self.windows[1]
    }

    /// One tick towards `target`. Other windows than the ones in use are taken over when the
    /// reference rests, where that changes nothing.
    pub fn step(&mut self, design: &ShaperDesign, target: Bend) {
        if self.windows != design.windows && self.at_rest() {
            self.windows = design.windows;
            let at = self.value;
            self.rest_at(at);
        }
        let way = target - self.point;
        let most = design.speed * design.dt;
        let distance = way.norm();
        self.still = if distance > 0.0 {
            0
        } else {
            self.still.saturating_add(1)
        };
        self.point = if distance > most {
            self.point + way * (most / distance)
        } else {
            target
        };
        let once = self.averages[0].push(self.point);
        let value = self.averages[1].push(once);
        self.rate = (value - self.value) / design.dt;
        self.value = value;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stays_inside_speed_and_acceleration_and_never_overshoots() {
        let dt = 0.005;
        let design = ShaperDesign::new(2.0, 15.0, [0.2, 0.05], dt).unwrap();
        let mut state = ShaperState::new(dt, Bend::zeros());
        let target = Bend::new(0.4, -0.3);
        let mut rate = Bend::zeros();
        for tick in 0..400 {
            // Reversals in mid-flight are the hardest case.
            let goal = if (60..90).contains(&tick) {
                -target
            } else {
                target
            };
            state.step(&design, goal);
            assert!(state.rate().norm() <= 2.0 + 1e-9);
            assert!(((state.rate() - rate) / dt).norm() <= 15.0 + 1e-6);
            assert!(state.value().norm() <= target.norm() + 1e-12);
            rate = state.rate();
        }
        assert!((state.value() - target).norm() < 1e-12 && state.at_rest());
    }

    #[test]
    fn other_windows_wait_for_rest() {
        let dt = 0.005;
        let short = ShaperDesign::new(2.0, 1e3, [0.1, 0.02], dt).unwrap();
        let long = ShaperDesign::new(2.0, 1e3, [0.5, 0.02], dt).unwrap();
        let run = |swap: bool| {
            let mut state = ShaperState::new(dt, Bend::zeros());
            (0..200)
                .map(|tick| {
                    let design = if swap && tick > 10 { &long } else { &short };
                    state.step(design, Bend::new(0.3, 0.0));
                    state.value()
                })
                .collect::<Vec<_>>()
        };
        // Up to its rest the swapped run is the unswapped one, and there it stays.
        for (plain, swapped) in run(false).iter().zip(&run(true)) {
            assert!((plain - swapped).norm() < 1e-12);
        }
    }
}

//! Detection of an oscillation that grows while the reference is at rest.

use crate::control::geometry::Bend;

/// Time constant of the bend's filter, s: against sensor noise, short against a heavy head's
/// oscillation (0.4 s).
const FILTER: f64 = 0.02;
/// Reversal of the bend that counts as a turning point, as a fraction of the limit.
const TURN: f64 = 0.25;
/// Number of half-cycles compared.
const HALVES: usize = 4;
/// Min ratio of the last to the first half-cycle.
const GROWTH: f64 = 1.15;
/// Longest half-cycle, s: anything slower is a changing load or a leaning base.
const LONGEST: f64 = 2.0;

/// Half-cycles of one axis.
#[derive(Clone, Copy, Debug, Default)]
struct Axis {
    /// Last turning point, and the extreme since.
    turn: f64,
    extreme: f64,
    rising: bool,
    /// Time of the last turning point, s.
    turned: f64,
    /// Peak-to-peak amplitudes of the half-cycles, the newest last; 0: none.
    halves: [f64; HALVES],
}

impl Axis {
    fn rest_at(value: f64, now: f64) -> Self {
        Self {
            turn: value,
            extreme: value,
            turned: now,
            ..Self::default()
        }
    }

    fn step(&mut self, value: f64, now: f64, least: f64) {
        if !(now - self.turned <= LONGEST && now >= self.turned) {
            *self = Self::rest_at(value, now);
        }
        let onward = if self.rising { 1.0 } else { -1.0 };
        let beyond = (value - self.extreme) * onward;
        if beyond > 0.0 {
            self.extreme = value;
        } else if beyond < -least {
            self.halves.rotate_left(1);
            self.halves[HALVES - 1] = (self.extreme - self.turn).abs();
            (self.turn, self.extreme, self.rising) = (self.extreme, value, !self.rising);
            self.turned = now;
        }
    }

    /// Returns the amplitude of the last half-cycle if the amplitudes grow, else 0.
    fn grown(&self) -> f64 {
        let [first, .., last] = self.halves;
        let rising = self.halves.windows(2).all(|pair| pair[1] >= pair[0]);
        if first > 0.0 && rising && last >= GROWTH * first {
            last
        } else {
            0.0
        }
    }
}

/// Monitors the measured bend for an oscillation whose half-cycles grow.
///
/// A half-cycle lies between two turning points of the bend; each axis is separate. A push causes
/// one half-cycle out, a greater one back past the middle, and then ever smaller ones, so it never
/// causes four growing ones in a row. Neither does a steady sway, nor noise, whose reversals are
/// too small to count. Decay and growth by successive amplitudes: the logarithmic decrement of the
/// textbooks, from memory.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct OscillationDetector {
    filtered: Bend,
    axes: [Axis; 2],
}

impl OscillationDetector {
    /// Takes the measured bend, rad, of a tick of `dt` s at `now` s. `limit`: greatest permitted
    /// peak-to-peak amplitude, rad. Work: constant.
    pub(super) fn step(&mut self, bend: Bend, watched: bool, now: f64, dt: f64, limit: f64) {
        if !watched {
            self.filtered = bend;
            self.axes = [bend.x, bend.y].map(|value| Axis::rest_at(value, now));
            return;
        }
        self.filtered += (bend - self.filtered) * (dt / (FILTER + dt));
        for (axis, value) in self.axes.iter_mut().zip(self.filtered.iter()) {
            axis.step(*value, now, TURN * limit);
        }
    }

    /// Returns the peak-to-peak amplitude of a growing half-cycle, rad; 0 if none grows.
    pub(super) fn value(&self) -> f64 {
        self.axes.iter().map(Axis::grown).fold(0.0, f64::max)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMIT: f64 = 0.05;

    /// Returns the greatest value over 8 s of `bend`.
    fn greatest(bend: impl Fn(f64) -> Bend) -> f64 {
        let mut state = OscillationDetector::default();
        state.step(bend(0.0), false, 0.0, 0.005, LIMIT);
        let times = (1..1600).map(|k| f64::from(k) * 0.005);
        times.fold(0.0, |most: f64, now| {
            state.step(bend(now), true, now, 0.005, LIMIT);
            most.max(state.value())
        })
    }

    #[test]
    fn growth_counts_and_decay_steady_sway_and_drift_do_not() {
        let swing = |growth: f64| {
            move |t: f64| Bend::new(0.3, 0.05 * (growth * t).exp() * (16.0 * t).sin())
        };
        assert!(greatest(swing(0.5)) > LIMIT);
        assert!(greatest(swing(-0.5)) <= LIMIT);
        assert!(greatest(swing(0.0)) <= LIMIT);
        // A push: out from rest, and back.
        let push = |t: f64| Bend::new(0.2 * (-1.5 * t).exp() * (16.0 * t).sin(), 0.0);
        assert!(greatest(push) <= LIMIT);
        // Drift, and small oscillations of any kind.
        assert!(greatest(|t| Bend::new(0.1 * t, -0.05 * t)) <= LIMIT);
        assert!(greatest(|t| Bend::new(0.001 * (0.2 * t).exp() * (16.0 * t).sin(), 0.0)) <= LIMIT);
    }
}

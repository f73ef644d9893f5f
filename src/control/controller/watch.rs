//! Integrator deadband and hunting detector, both needed because of friction.

use super::IntegratorDeadband;
use crate::control::geometry::Bend;

/// Time constant of the error's filter, s: long against noise, short against a hunting cycle.
const BAND_FILTER: f64 = 0.15;

/// State of the integrator deadband.
#[derive(Clone, Debug, Default)]
pub struct DeadbandState {
    filtered: Vec<f64>,
    holding: bool,
}

impl DeadbandState {
    /// Returns the state for `motors` motors, integrators active.
    pub fn new(motors: usize) -> Self {
        Self {
            filtered: vec![0.0; motors],
            holding: false,
        }
    }

    /// Returns true if the integrators are paused.
    pub fn holding(&self) -> bool {
        self.holding
    }

    /// Runs one tick of `dt` s: compares the max motor error, low-passed, with the deadband. While
    /// the reference moves the integrators always work.
    pub fn step(
        &mut self,
        band: Option<&IntegratorDeadband>,
        error: &[f64],
        at_rest: bool,
        dt: f64,
    ) {
        let weight = dt / (BAND_FILTER + dt);
        let mut greatest = 0.0_f64;
        for (filtered, e) in self.filtered.iter_mut().zip(error) {
            *filtered += weight * (e - *filtered);
            greatest = greatest.max(filtered.abs());
        }
        self.holding = match band {
            Some(band) if at_rest => greatest < if self.holding { band.leave } else { band.enter },
            _ => false,
        };
    }
}

/// Time window of the hunting detector, s.
const HUNTING_WINDOW: f64 = 8.0;
/// Half-cycles within the window that count as hunting.
const HUNTING_SWINGS: usize = 4;

/// Time constant of the bend's filter, s: against the correction's own noise.
const HUNTING_FILTER: f64 = 0.05;

/// Detector of hunting: the motors move the bend to and fro while the reference is at rest.
#[derive(Clone, Debug)]
pub struct HuntingState {
    filtered: Bend,
    axes: [Oscillation; 2],
}

#[derive(Clone, Debug)]
struct Oscillation {
    extreme: f64,
    rising: bool,
    /// Last turning point, and its distance from the one before, rad.
    turn: f64,
    size: f64,
    times: [f64; HUNTING_SWINGS],
    next: usize,
}

impl Default for HuntingState {
    fn default() -> Self {
        let swing = Oscillation {
            extreme: 0.0,
            rising: true,
            turn: 0.0,
            size: 0.0,
            times: [f64::NEG_INFINITY; HUNTING_SWINGS],
            next: 0,
        };
        Self {
            filtered: Bend::zeros(),
            axes: [swing.clone(), swing],
        }
    }
}

impl HuntingState {
    /// Runs one tick of `dt` s with the motors' bend. `least`: min reversal, rad. Work: constant.
    pub fn step(&mut self, bend: Bend, at_rest: bool, least: f64, now: f64, dt: f64) {
        if !at_rest {
            *self = Self {
                filtered: bend,
                ..Self::default()
            };
        }
        self.filtered += (bend - self.filtered) * (dt / (HUNTING_FILTER + dt));
        for (swing, value) in self.axes.iter_mut().zip(self.filtered.iter()) {
            let beyond = if swing.rising {
                value - swing.extreme
            } else {
                swing.extreme - value
            };
            if beyond > 0.0 || !at_rest {
                swing.extreme = *value;
                if !at_rest {
                    swing.turn = *value;
                }
            } else if -beyond > least {
                swing.size = (swing.extreme - swing.turn).abs();
                swing.turn = swing.extreme;
                swing.rising = !swing.rising;
                swing.extreme = *value;
                swing.times[swing.next] = now;
                swing.next = (swing.next + 1) % HUNTING_SWINGS;
            }
        }
    }

    /// Returns the last peak-to-peak amplitude, rad, of the axis where it is greater.
    pub fn swing(&self) -> f64 {
        self.axes.iter().map(|swing| swing.size).fold(0.0, f64::max)
    }

    /// Returns true if either axis had four half-cycles within the last 8 s.
    pub fn hunting(&self, now: f64) -> bool {
        let recent = |swing: &Oscillation| swing.times.iter().all(|t| now - t < HUNTING_WINDOW);
        self.axes.iter().any(recent)
    }
}

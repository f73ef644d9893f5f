//! How a design moves the joint and what it asks of the motors: the sampled loop, stepped with the operators that the node
//! runs. Limits are shown, not applied.

use super::Drive;
use crate::controller::reference_model::{Lag, Model};
use crate::controller::shaper::ShaperState;
use crate::controller::{Controllers, GainError, GainSet, MotorGains, SetpointKind, Structure};
use crate::geometry::{Posture, posture};
use crate::model::{Dynamics, Plant};
use nalgebra::{Matrix3, Vector2, Vector3};
use std::collections::VecDeque;

/// Steps of the joint per tick.
const FINE: usize = 8;

/// One moment of a move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moment {
    /// s
    pub time: f64,
    /// Reference, rad.
    pub reference: f64,
    /// The joint's bend as it is measured, rad.
    pub bend: f64,
    /// Setpoint in bend, rad.
    pub setpoint: f64,
    /// Its change since the tick before, rad/s; NaN at the first tick, where an unshaped reference jumps.
    pub speed: f64,
}

/// The joint between two fine steps: exact for inputs that are held.
struct Joint {
    to_state: Matrix3<f64>,
    state: Vector2<f64>,
    /// Inputs under way.
    coming: VecDeque<f64>,
}

impl Joint {
    /// `plant` in steps of `h` s, with `late` s of dead time.
    fn new(plant: &Plant, h: f64, late: f64) -> Self {
        let k = plant.gain;
        // x' = A x + b u, as one matrix over (x, u): its exponential moves both by h.
        let rows = match plant.dynamics {
            Dynamics::First { time_constant: t } => [-1.0 / t, 0.0, k / t, 0.0, 0.0, 0.0],
            Dynamics::Second {
                natural_frequency: w,
                damping_ratio: z,
            } => [0.0, 1.0, 0.0, -w * w, -2.0 * z * w, k * w * w],
            Dynamics::Integrating { time_constant: t } if t > 0.0 => {
                [0.0, 1.0, 0.0, 0.0, -1.0 / t, k / t]
            }
            Dynamics::Integrating { .. } => [0.0, 0.0, k, 0.0, 0.0, 0.0],
        };
        let [a, b, c, d, e, f] = rows;
        let matrix = Matrix3::new(a, b, c, d, e, f, 0.0, 0.0, 0.0) * h;
        // Dead times are checked, at most some seconds; the cast saturates.
        let steps = (late / h).round() as usize;
        Self {
            to_state: matrix.exp(),
            state: Vector2::zeros(),
            coming: std::iter::repeat_n(0.0, steps).collect(),
        }
    }

    fn step(&mut self, input: f64) {
        self.coming.push_back(input);
        let u = self.coming.pop_front().unwrap_or(input);
        let next = self.to_state * Vector3::new(self.state.x, self.state.y, u);
        self.state = next.xy();
    }

    fn bend(&self) -> f64 {
        self.state.x
    }
}

/// A move over `duration` s by the gains in pure feedback, from straight to `drive.step`.
///
/// # Errors
/// Gains that the node would not take at this tick.
pub fn run(
    plant: &Plant,
    gains: &MotorGains,
    drive: &Drive,
    duration: f64,
) -> Result<Vec<Moment>, GainError> {
    let tick = drive.tick;
    let set = GainSet {
        kind: SetpointKind::Position,
        structure: Structure::PureFeedback,
        motors: vec![*gains],
        damping: 0.0,
        model: Model {
            gain: 1.0,
            lag: Lag::First { time_constant: 1.0 },
            dead_time: 0.0,
        },
        smoothing: [0.0; 2],
        hold_band: None,
        delay_allowed: 0.0,
        tension_gain: 0.0,
    };
    let controllers = Controllers::new(&set, 1, tick, tick)?;
    let mut memory = controllers.state();
    // The plant has the hold's half tick in it; here setpoints are held.
    let late = (plant.dead_time - 0.5 * tick).max(0.0);
    let h = tick / FINE as f64;
    let mut joint = Joint::new(plant, h, late);
    let target = posture(Vector2::new(drive.step, 0.0), 0.0);
    let mut shaper = ShaperState::new(tick, Posture::zeros());
    let mut before = f64::NAN;
    let mut moments = Vec::new();
    // The caller's duration is some seconds; the bound keeps a strange one from running on.
    let ticks = ((duration / tick).ceil() as usize).min(200_000);
    for i in 0..=ticks {
        let reference = match &drive.shaper {
            Some(design) => {
                shaper.step(design, target, 1.0);
                shaper.value().x
            }
            None => drive.step,
        };
        let bend = joint.bend();
        let mut correction = [0.0];
        controllers.step(
            &mut memory,
            &[reference - bend],
            true,
            true,
            1.0,
            &mut correction,
        );
        let setpoint = correction[0];
        moments.push(Moment {
            time: i as f64 * tick,
            reference,
            bend,
            setpoint,
            speed: (setpoint - before) / tick,
        });
        before = setpoint;
        for _ in 0..FINE {
            joint.step(setpoint);
        }
    }
    Ok(moments)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{Law, Loop};

    /// The sampled loop comes to the ideal law's response, which is computed another way, as ticks become finer: the operators
    /// take a step as if it came half a tick before.
    #[test]
    fn a_move_agrees_with_the_ideal_response() {
        let gains = MotorGains {
            kp: 0.4,
            ki: 6.0,
            kd: 0.0,
            integral_order: 0.9,
            derivative_order: 1.0,
            derivative_corner: 100.0,
        };
        for plant in [
            Plant::first_order(1.1, 0.08, 0.02),
            Plant::second_order(0.9, 30.0, 0.4, 0.01),
            Plant::integrating(0.5, 0.02, 0.01),
        ] {
            let ideal = Loop::of(plant, Law::new(&gains))
                .step_response(1.5)
                .unwrap();
            let worst = |tick: f64| {
                let drive = Drive {
                    tick,
                    step: 0.2,
                    shaper: None,
                    most_bend: None,
                    most_speed: None,
                };
                let moments = run(&plant, &gains, &drive, 1.5).unwrap();
                let off = |m: &Moment| (m.bend / drive.step - ideal.value(m.time)).abs();
                moments.iter().step_by(20).map(off).fold(0.0, f64::max)
            };
            let (coarse, fine) = (worst(0.002), worst(0.000_25));
            assert!(fine < 2.5e-3, "{plant:?}: {fine}");
            assert!(fine < 0.3 * coarse, "{plant:?}: {coarse} {fine}");
        }
    }
}

//! The pan motor under the beam: follows the reference by its encoder alone.

use crate::control::controller::CommandInterface;

/// Look-ahead for the position limits with velocity setpoints, s.
const LOOK_AHEAD: f64 = 0.1;

/// The pan motor, which turns beam, tendons and their motors about the base frame's z axis. Pan
/// angles in rad, positive from +x toward +y.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pan {
    /// Motor angle per pan angle, signed; not 0.
    pub ratio: f64,
    /// Min pan, rad.
    pub low: f64,
    /// Max pan, rad.
    pub high: f64,
    /// Max pan speed, rad/s.
    pub speed: f64,
    /// Max pan acceleration, rad/s^2.
    pub acceleration: f64,
    /// Time constant with which the motor follows its setpoints, s.
    pub time_constant: f64,
}

/// State of the pan; rad, or rad/s for velocity setpoints.
#[derive(Clone, Debug, Default)]
pub(super) struct PanState {
    sent: f64,
    /// Expected angle by the motor's time constant.
    expected: f64,
    rate: f64,
}

impl PanState {
    /// Starts at rest at `angle`, rad.
    pub(super) fn start(&mut self, kind: CommandInterface, angle: f64) {
        self.sent = match kind {
            CommandInterface::Position => angle,
            CommandInterface::Velocity => 0.0,
        };
        self.expected = angle;
        self.rate = 0.0;
    }

    /// Returns the setpoint, as an angle or speed of pan.
    pub(super) fn sent(&self) -> f64 {
        self.sent
    }

    /// Sets the setpoint to zero, since a held velocity would keep the motor moving.
    pub(super) fn stop(&mut self) {
        self.sent = 0.0;
    }

    /// Brakes a velocity setpoint at the max acceleration, for one tick of `dt` s.
    pub(super) fn brake(&mut self, pan: &Pan, dt: f64) {
        let most = pan.acceleration * dt;
        self.sent -= self.sent.clamp(-most, most);
        self.expected += dt * self.sent;
    }

    /// Returns the deviation of the encoder at `measured` from the expected pan angle, rad. Call
    /// once per tick of `dt` s.
    pub(super) fn departure(
        &mut self,
        pan: &Pan,
        kind: CommandInterface,
        measured: f64,
        dt: f64,
    ) -> f64 {
        if kind == CommandInterface::Position {
            self.expected += dt / (pan.time_constant + dt) * (self.sent - self.expected);
        }
        measured - self.expected
    }

    /// Runs one tick of `dt` s toward `reference` (rad, moving at `rate` rad/s) with the encoder at
    /// `measured`; `gain` (1/s) pulls a velocity drive to the reference. The setpoint leads by the
    /// motor's lag so that the pan matches the reference: `psi + T psi'` through `1/(T s + 1)` is
    /// `psi`.
    #[allow(clippy::too_many_arguments, reason = "scalars of one tick")]
    pub(super) fn step(
        &mut self,
        pan: &Pan,
        kind: CommandInterface,
        reference: f64,
        rate: f64,
        measured: f64,
        gain: f64,
        dt: f64,
    ) {
        let lag = pan.time_constant;
        match kind {
            CommandInterface::Position => {
                let asked = (reference + lag * rate).clamp(pan.low, pan.high);
                let most = pan.speed * dt;
                self.sent += (asked - self.sent).clamp(-most, most);
            }
            CommandInterface::Velocity => {
                let asked = rate + lag * (rate - self.rate) / dt + gain * (reference - measured);
                let slowest = ((pan.low - measured) / LOOK_AHEAD).min(0.0);
                let fastest = ((pan.high - measured) / LOOK_AHEAD).max(0.0);
                self.sent = asked.clamp(slowest, fastest).clamp(-pan.speed, pan.speed);
                self.expected = reference;
            }
        }
        self.rate = rate;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAN: Pan = Pan {
        ratio: 1.0,
        low: -2.0,
        high: 2.0,
        speed: 3.0,
        acceleration: 30.0,
        time_constant: 0.02,
    };

    /// Simulates a pan that follows with its time constant.
    fn run(kind: CommandInterface, seconds: f64) -> (f64, f64, bool) {
        let dt = 0.005;
        let mut state = PanState::default();
        state.start(kind, 0.0);
        let (mut angle, mut speed, mut worst, mut departed) = (0.0, 0.0, 0.0_f64, false);
        for tick in 0..(seconds / dt) as usize {
            let now = tick as f64 * dt;
            let (reference, rate) = (1.2 * (1.0 - now.cos()), 1.2 * now.sin());
            state.step(&PAN, kind, reference, rate, angle, 4.0, dt);
            departed |= state.departure(&PAN, kind, angle, dt).abs() > 0.1;
            worst = worst.max((angle - reference).abs());
            let share = 1.0 - (-dt / PAN.time_constant).exp();
            match kind {
                CommandInterface::Position => angle += share * (state.sent() - angle),
                CommandInterface::Velocity => {
                    speed += share * (state.sent() - speed);
                    angle += speed * dt;
                }
            }
        }
        (worst, angle, departed)
    }

    #[test]
    fn is_where_the_reference_is_and_stays_inside_its_travel() {
        for kind in [CommandInterface::Position, CommandInterface::Velocity] {
            let (worst, _, departed) = run(kind, 1.5);
            // One tick at its speed.
            assert!(worst < 0.01 && !departed, "{kind:?} {worst}");
            let (_, angle, _) = run(kind, 3.0);
            assert!(angle <= PAN.high + 1e-3, "{kind:?} {angle}");
        }
    }
}

//! Ideal stiff geared servos: they follow their command whatever the tendon load.

use super::STEP;
use super::description::SimulatedMotor;

/// Commanded quantity, the same for all motors.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DriveKind {
    /// Motor angles, rad.
    Position,
    /// Motor angular velocities, rad/s.
    Velocity,
}

/// One servo. The position drive is a first-order loop v = bandwidth (command - angle) under a
/// speed limit and the braking limit sqrt(2 a |error|). The velocity drive is a first-order lag.
/// Both stay within the acceleration limit.
#[derive(Clone, Debug)]
pub(super) struct Motor {
    /// Exact share of the distance to the goal that a first-order loop covers in one step.
    share: f64,
    speed_limit: f64,
    acceleration_limit: f64,
    stiction: f64,
    pub kind: DriveKind,
    pub command: f64,
    pub angle: f64,
    pub velocity: f64,
    /// Jammed: it keeps its angle whatever its command.
    pub stalled: bool,
    moving: bool,
    /// Displacement commanded of a velocity drive while it sticks, rad.
    wound_up: f64,
}

/// Speed, rad/s, below which a moving motor sticks again if its command is below it too.
const STICKING_SPEED: f64 = 0.02;

impl Motor {
    pub(super) fn new(motor: &SimulatedMotor, speed_scale: f64, stiction: f64) -> Self {
        Self {
            share: 1.0 - (-motor.bandwidth * STEP).exp(),
            speed_limit: motor.speed_limit * speed_scale,
            acceleration_limit: motor.acceleration_limit,
            stiction,
            kind: DriveKind::Position,
            command: 0.0,
            angle: 0.0,
            velocity: 0.0,
            stalled: false,
            moving: false,
            wound_up: 0.0,
        }
    }

    /// Sets the command after a timeout: a position drive holds its angle, a velocity drive stops.
    pub(super) fn time_out(&mut self) {
        self.command = match self.kind {
            DriveKind::Position => self.angle,
            DriveKind::Velocity => 0.0,
        };
    }

    /// Runs one step of [`STEP`].
    pub(super) fn step(&mut self) {
        if self.stalled {
            self.velocity = 0.0;
            return;
        }
        let commanded = match self.kind {
            DriveKind::Position => {
                let error = self.command - self.angle;
                let braking = (2.0 * self.acceleration_limit * error.abs()).sqrt();
                (error * self.share / STEP).clamp(-braking, braking)
            }
            DriveKind::Velocity => self.velocity + (self.command - self.velocity) * self.share,
        };
        if self.stiction > 0.0 && !self.moving {
            let error = match self.kind {
                DriveKind::Position => self.command - self.angle,
                DriveKind::Velocity => {
                    self.wound_up += self.command * STEP;
                    self.wound_up
                }
            };
            if error.abs() <= self.stiction {
                self.velocity = 0.0;
                return;
            }
            self.moving = true;
            self.wound_up = 0.0;
        }
        let change = self.acceleration_limit * STEP;
        let limited = commanded.clamp(-self.speed_limit, self.speed_limit);
        self.velocity += (limited - self.velocity).clamp(-change, change);
        self.angle += self.velocity * STEP;
        if self.velocity.abs() < STICKING_SPEED && limited.abs() < STICKING_SPEED {
            self.moving = false;
        }
    }
}

//! Bounds of tunables that files, parameters and the control law share: one number each.

/// Max kp, ki and kd of a motor, in their own units.
pub const GAIN: f64 = 1000.0;

/// Max inclination and over-bend limit, rad (120 deg): the estimator's range.
pub const BEND: f64 = 2.0 * std::f64::consts::FRAC_PI_3;

/// Max motor angle that feedback may add, rad; with velocity setpoints rad/s.
pub const FEEDBACK: f64 = 3.2;

/// Max age limit of samples, and max time until a stop, s.
pub const AGE: f64 = 10.0;

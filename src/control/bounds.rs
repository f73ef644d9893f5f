//! Bounds of tunables that files, parameters and the control law share: one number each, and the
//! refusal of a value out of its range.

/// A value out of its range.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{key} is {value}; accepted: {accepted}")]
pub struct OutOfRange {
    /// Key or name of the value.
    pub key: &'static str,
    /// The value given.
    pub value: f64,
    /// Accepted values.
    pub accepted: &'static str,
}

impl OutOfRange {
    /// Returns an error unless the value `fits`. Callers write the condition so that NaN does not.
    ///
    /// # Errors
    /// The value does not fit.
    pub fn unless(
        fits: bool,
        key: &'static str,
        value: f64,
        accepted: &'static str,
    ) -> Result<(), Self> {
        let refusal = Self {
            key,
            value,
            accepted,
        };
        fits.then_some(()).ok_or(refusal)
    }

    /// Returns an error unless the value is from `low` to `high`.
    ///
    /// # Errors
    /// The value is not.
    pub fn unless_within(
        low: f64,
        high: f64,
        key: &'static str,
        value: f64,
        accepted: &'static str,
    ) -> Result<(), Self> {
        Self::unless(low <= value && value <= high, key, value, accepted)
    }
}

/// Max kp, ki and kd of a motor, in their own units.
pub const GAIN: f64 = 1000.0;

/// Max inclination and over-bend limit, rad (120 deg): the estimator's range.
pub const BEND: f64 = 2.0 * std::f64::consts::FRAC_PI_3;

/// Max motor angle that feedback may add, rad; with velocity setpoints rad/s.
pub const FEEDBACK: f64 = 3.2;

/// Max age limit of samples, and max time until a stop, s.
pub const AGE: f64 = 10.0;

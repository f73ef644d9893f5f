//! Encoders and the IMUs of head and base, each with its own rate and latency.

use nalgebra::{UnitQuaternion, Vector3};

use super::random::Random;

/// Encoder angles of all motors.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MotorReading {
    /// Time of the sample, s.
    pub stamp: f64,
    /// Motor angles, rad, quantised.
    pub angles: Vec<f64>,
    /// Motor velocities, rad/s: differences of quantised angles over the sample period.
    pub velocities: Vec<f64>,
}

/// One sample of an IMU.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImuReading {
    /// Time of the sample, s.
    pub stamp: f64,
    /// Maps IMU coordinates to coordinates of a level frame (z up) whose heading drifts.
    pub orientation: UnitQuaternion<f64>,
    /// Angular velocity in IMU coordinates, rad/s.
    pub angular_velocity: Vector3<f64>,
}

/// A sensor's clock and its samples not yet delivered: a ring of fixed size that drops the oldest.
#[derive(Clone, Debug)]
pub(super) struct Channel<T> {
    period: f64,
    age: f64,
    samples: u64,
    ring: Vec<T>,
    stamps: Vec<f64>,
    first: usize,
    count: usize,
}

/// Times closer than this are the same instant, s: far below a step, far above rounding.
const SAME_INSTANT: f64 = 1e-9;

impl<T: Clone> Channel<T> {
    pub(super) fn new(rate: f64, age: f64, blank: T) -> Self {
        // Capacity for the samples in transit and 64 waiting to be taken.
        let room = (age * rate).ceil() as usize + 64;
        Self {
            period: 1.0 / rate,
            age,
            samples: 0,
            ring: vec![blank; room],
            stamps: vec![0.0; room],
            first: 0,
            count: 0,
        }
    }

    /// Returns true if a sample is due at `now`.
    pub(super) fn due(&self, now: f64) -> bool {
        now + SAME_INSTANT >= self.samples as f64 * self.period
    }

    /// Returns the slot for the sample taken at `now`.
    pub(super) fn sample(&mut self, now: f64) -> &mut T {
        // Samples missed because the period is shorter than a step are skipped, not caught up.
        while self.due(now) {
            self.samples += 1;
        }
        if self.count == self.ring.len() {
            self.first = (self.first + 1) % self.ring.len();
            self.count -= 1;
        }
        let slot = (self.first + self.count) % self.ring.len();
        self.count += 1;
        self.stamps[slot] = now;
        &mut self.ring[slot]
    }

    /// Returns the oldest sample whose latency has passed by `now`.
    pub(super) fn take(&mut self, now: f64) -> Option<&T> {
        if self.count == 0 || now + SAME_INSTANT < self.stamps[self.first] + self.age {
            return None;
        }
        let slot = self.first;
        self.first = (self.first + 1) % self.ring.len();
        self.count -= 1;
        Some(&self.ring[slot])
    }
}

/// Errors of an IMU.
#[derive(Clone, Copy, Debug)]
pub(super) struct ImuErrors {
    /// Maps IMU coordinates to those of the body that carries it.
    pub mounting: UnitQuaternion<f64>,
    /// Orientation noise, rad rms per axis.
    pub orientation_noise: f64,
    /// Yaw drift, rad/s.
    pub yaw_drift: f64,
    /// Angular velocity noise, rad/s rms per axis.
    pub gyro_noise: f64,
}

/// An IMU.
#[derive(Clone, Debug)]
pub(super) struct Imu {
    errors: ImuErrors,
    heading: f64,
    random: Random,
}

impl Imu {
    pub(super) fn new(errors: ImuErrors, mut random: Random) -> Self {
        let heading = std::f64::consts::PI * random.symmetric();
        Self {
            errors,
            heading,
            random,
        }
    }

    fn noise(&mut self, rms: f64) -> Vector3<f64> {
        Vector3::new(
            self.random.normal(),
            self.random.normal(),
            self.random.normal(),
        ) * rms
    }

    /// Returns a sample on a body with orientation `body` in the base frame, which has orientation
    /// `base` in the level world. `omega` is the body's angular velocity in the world, in base
    /// coordinates.
    pub(super) fn read(
        &mut self,
        now: f64,
        base: UnitQuaternion<f64>,
        body: UnitQuaternion<f64>,
        omega: &Vector3<f64>,
    ) -> ImuReading {
        let errors = self.errors;
        let heading = UnitQuaternion::from_axis_angle(
            &Vector3::z_axis(),
            self.heading + errors.yaw_drift * now,
        );
        let noise = UnitQuaternion::from_scaled_axis(self.noise(errors.orientation_noise));
        let gyro = self.noise(errors.gyro_noise);
        ImuReading {
            stamp: now,
            orientation: heading * base * body * errors.mounting * noise,
            angular_velocity: (body * errors.mounting).inverse() * omega + gyro,
        }
    }
}

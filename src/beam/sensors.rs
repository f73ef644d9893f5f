//! Encoders and the head's inertial unit: sampled at their own rate, delivered at their own age.

use nalgebra::{UnitQuaternion, Vector3};

use super::description::SensorOptions;
use super::random::Random;

/// Encoder angles of all motors.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MotorReading {
    /// When it was sampled, s.
    pub stamp: f64,
    /// Motor angles, rad, quantised.
    pub angles: Vec<f64>,
    /// Motor velocities, rad/s: differences of quantised angles over the sample period.
    pub velocities: Vec<f64>,
}

/// One sample of the head's inertial unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImuReading {
    /// When it was sampled, s.
    pub stamp: f64,
    /// Turns IMU coordinates into coordinates of a level frame (z up) whose heading drifts.
    pub attitude: UnitQuaternion<f64>,
    /// Angular velocity in IMU coordinates, rad/s.
    pub angular_velocity: Vector3<f64>,
}

/// A sensor's clock and the samples on their way: a ring of fixed size, oldest dropped.
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

/// Times within this of each other are the same instant, s: far below a step, far above rounding.
const SAME_INSTANT: f64 = 1e-9;

impl<T: Clone> Channel<T> {
    pub(super) fn new(rate: f64, age: f64, blank: T) -> Self {
        // Room for those on their way and 64 waiting to be taken.
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

    /// Whether a sample is due at `now`.
    pub(super) fn due(&self, now: f64) -> bool {
        now + SAME_INSTANT >= self.samples as f64 * self.period
    }

    /// The place for the sample taken at `now`.
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

    /// The oldest sample that has come of age by `now`.
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

/// The inertial unit's errors.
#[derive(Clone, Debug)]
pub(super) struct Imu {
    mounting: UnitQuaternion<f64>,
    base: UnitQuaternion<f64>,
    options: SensorOptions,
    heading: f64,
    random: Random,
}

impl Imu {
    pub(super) fn new(
        mounting: UnitQuaternion<f64>,
        base: UnitQuaternion<f64>,
        options: SensorOptions,
        mut random: Random,
    ) -> Self {
        let heading = std::f64::consts::PI * random.symmetric();
        Self {
            mounting,
            base,
            options,
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

    /// A sample for the head's attitude and angular velocity in the base frame.
    pub(super) fn read(
        &mut self,
        now: f64,
        head: UnitQuaternion<f64>,
        omega: &Vector3<f64>,
    ) -> ImuReading {
        let heading = UnitQuaternion::from_axis_angle(
            &Vector3::z_axis(),
            self.heading + self.options.yaw_drift * now,
        );
        let noise = UnitQuaternion::from_scaled_axis(self.noise(self.options.attitude_noise));
        let gyro = self.noise(self.options.gyro_noise);
        ImuReading {
            stamp: now,
            attitude: heading * self.base * head * self.mounting * noise,
            angular_velocity: (head * self.mounting).inverse() * omega + gyro,
        }
    }
}

//! Encoders and the IMUs of head and base, each with its own rate and latency.

use nalgebra::{UnitQuaternion, Vector3};

use super::description::{SensorOptions, SimulatedBaseImu};
use super::motors::Motor;
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

/// Encoders of all motors, read together.
#[derive(Clone, Debug)]
pub(super) struct Encoders {
    counts_per_radian: Vec<f64>,
    channel: Channel<MotorReading>,
    previous_angles: Vec<f64>,
    previous_stamp: f64,
}

impl Encoders {
    /// Returns encoders with so many counts per motor turn.
    pub(super) fn new(sensors: &SensorOptions, counts: &[u32]) -> Self {
        let still = vec![0.0; counts.len()];
        let blank = MotorReading {
            stamp: 0.0,
            angles: still.clone(),
            velocities: still.clone(),
        };
        let per_radian = |count: &u32| f64::from(*count) / std::f64::consts::TAU;
        Self {
            counts_per_radian: counts.iter().map(per_radian).collect(),
            channel: Channel::new(sensors.motor_rate, sensors.motor_age, blank),
            previous_angles: still,
            previous_stamp: 0.0,
        }
    }

    /// Takes a sample if one is due at `now`, s.
    pub(super) fn observe(&mut self, now: f64, motors: &[Motor]) {
        if !self.channel.due(now) {
            return;
        }
        let elapsed = now - self.previous_stamp;
        let reading = self.channel.sample(now);
        reading.stamp = now;
        for (i, motor) in motors.iter().enumerate() {
            let counts = self.counts_per_radian[i];
            let angle = (motor.angle * counts).round() / counts;
            reading.angles[i] = angle;
            reading.velocities[i] = if elapsed > 0.0 {
                (angle - self.previous_angles[i]) / elapsed
            } else {
                0.0
            };
            self.previous_angles[i] = angle;
        }
        self.previous_stamp = now;
    }

    /// Returns the oldest reading whose latency has passed by `now`, s.
    pub(super) fn take(&mut self, now: f64) -> Option<&MotorReading> {
        self.channel.take(now)
    }
}

/// An IMU.
#[derive(Clone, Debug)]
pub(super) struct Imu {
    /// Maps IMU coordinates to those of the body that carries it.
    mounting: UnitQuaternion<f64>,
    /// Orientation noise, rad rms per axis.
    orientation_noise: f64,
    /// Yaw drift, rad/s.
    yaw_drift: f64,
    /// Angular velocity noise, rad/s rms per axis.
    gyro_noise: f64,
    heading: f64,
    random: Random,
    channel: Channel<ImuReading>,
}

impl Imu {
    pub(super) fn of_head(
        sensors: &SensorOptions,
        mounting: UnitQuaternion<f64>,
        random: Random,
    ) -> Self {
        let imu = SimulatedBaseImu {
            mounting,
            rate: sensors.imu_rate,
            age: sensors.imu_age,
            orientation_noise: sensors.orientation_noise,
            gyro_noise: sensors.gyro_noise,
        };
        Self::of_base(&imu, sensors.yaw_drift, random)
    }

    pub(super) fn of_base(imu: &SimulatedBaseImu, yaw_drift: f64, mut random: Random) -> Self {
        let level = ImuReading {
            stamp: 0.0,
            orientation: UnitQuaternion::identity(),
            angular_velocity: Vector3::zeros(),
        };
        Self {
            mounting: imu.mounting,
            orientation_noise: imu.orientation_noise,
            yaw_drift,
            gyro_noise: imu.gyro_noise,
            heading: std::f64::consts::PI * random.symmetric(),
            random,
            channel: Channel::new(imu.rate, imu.age, level),
        }
    }

    /// Returns true if a sample is due at `now`, s.
    pub(super) fn due(&self, now: f64) -> bool {
        self.channel.due(now)
    }

    /// Takes a sample if one is due at `now`, s, on a body with orientation `body` in the base
    /// frame, which has orientation `base` in the level world. `omega` is the body's angular
    /// velocity in the world, in base coordinates, rad/s.
    pub(super) fn observe(
        &mut self,
        now: f64,
        base: UnitQuaternion<f64>,
        body: UnitQuaternion<f64>,
        omega: &Vector3<f64>,
    ) {
        if !self.due(now) {
            return;
        }
        let heading = UnitQuaternion::from_axis_angle(
            &Vector3::z_axis(),
            self.heading + self.yaw_drift * now,
        );
        let noise = UnitQuaternion::from_scaled_axis(self.noise(self.orientation_noise));
        let gyro = self.noise(self.gyro_noise);
        *self.channel.sample(now) = ImuReading {
            stamp: now,
            orientation: heading * base * body * self.mounting * noise,
            angular_velocity: (body * self.mounting).inverse() * omega + gyro,
        };
    }

    /// Returns the oldest reading whose latency has passed by `now`, s.
    pub(super) fn take(&mut self, now: f64) -> Option<ImuReading> {
        self.channel.take(now).copied()
    }

    fn noise(&mut self, rms: f64) -> Vector3<f64> {
        // In this order.
        let mut next = || self.random.normal();
        Vector3::new(next(), next(), next()) * rms
    }
}

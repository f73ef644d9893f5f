//! Estimation of the bend, its rate and the sensor latency from the newest samples.

use super::names::names;
use super::{Feedback, ImuSample, Input, Joint, Law, MotorSample};
use crate::control::geometry::{Bend, bend_from_gravity, bend_rate_from_gyro, rotation};
use nalgebra::{Rotation3, Vector3};

/// Source of a measured bend.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Source {
    /// Motor angles through the kinematics.
    #[default]
    Motors,
    /// The IMU's gravity direction.
    Imu,
}

names!(Source {
    Motors => "motors",
    Imu => "imu",
});

/// Reason why the motors supply the bend although IMU feedback is set.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Fallback {
    /// No fallback.
    #[default]
    None,
    /// Gravity shows too little of the bend in this configuration.
    Observability,
    /// The base's IMU is stale, so gravity's direction in the base frame is unknown.
    Base,
    /// The head's IMU is stale.
    Stale,
    /// The head's IMU repeats bit-identical samples although the joint was commanded to move.
    Frozen,
}

/// The measured bend.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Estimate {
    /// Bend from `source`, rad.
    pub bend: Bend,
    /// Last bend from the head's IMU, rad; valid if `imu_serves`.
    pub imu_bend: Bend,
    /// The head's IMU supplies the bend: it is fresh and trusted, and gravity shows the bend.
    pub imu_serves: bool,
    /// Bend from the motors, rad.
    pub motors_bend: Bend,
    /// Root mean square of the motor angles that no bend explains, rad.
    pub motors_residual: f64,
    /// Bit `i` is set when tendon `i` is slack by the motors' angles.
    pub slack: u64,
    /// Bend rate from the IMU's angular velocity, rad/s.
    pub rate: Bend,
    /// Source of `bend`.
    pub source: Source,
    /// Reason for a fallback.
    pub fallback: Fallback,
    /// Pan, rad; 0 without a pan motor.
    pub pan: f64,
    /// Pan at the time of the sample that `bend` comes from, rad.
    pub pan_then: f64,
    /// Direction of gravity measured by the head's IMU, head frame.
    pub gravity_head: Vector3<f64>,
    /// Measure of how well gravity shows the bend, 0 to 1.
    pub observability: f64,
}

/// Observability below which the motors supply the bend.
const LEAST_OBSERVABILITY: f64 = 0.2;
/// Longest time over which a sample of base or pan is extrapolated to the head's sample, s.
const LONGEST_CARRY: f64 = 0.05;
/// Age of the last sample used, in periods, above which the next one is overdue.
const OVERDUE: f64 = 3.0;
/// Samples needed before the delay is known.
const DELAY_SAMPLES: u32 = 10;
/// Weight of a new sample in the averages of age and period.
const DELAY_WEIGHT: f64 = 0.05;

/// Average latency and period of one stream of samples.
#[derive(Clone, Copy, Debug, Default)]
struct Timing {
    samples: u32,
    age: f64,
    period: f64,
    stamp: f64,
}

impl Timing {
    /// Takes a sample. A gap longer than `stale` is an outage and does not count for the period.
    fn sample(&mut self, stamp: f64, now: f64, stale: f64) {
        let weight = DELAY_WEIGHT.max(1.0 / f64::from(self.samples.min(1000) + 1));
        self.age += weight * (now - stamp - self.age);
        let gap = stamp - self.stamp;
        if self.samples > 0 && gap <= stale {
            let weight = DELAY_WEIGHT.max(1.0 / f64::from(self.samples.min(1000)));
            self.period += weight * (gap - self.period);
        }
        self.samples = self.samples.saturating_add(1);
        self.stamp = stamp;
    }
}

/// Time without a jump of an angle beyond the following-error limit before a loop starts, s.
const STEADY: f64 = 0.1;

/// State of the estimator.
#[derive(Clone, Debug)]
pub(super) struct Estimator {
    estimate: Estimate,
    feedback: Feedback,
    head: Timing,
    motors: Timing,
    angles: Vec<f64>,
    /// Time of the last jump of an angle, s.
    jumped: f64,
    /// A fresh sample gives the bend's rate.
    rate_known: bool,
    /// Stamp of the samples of the motors' bend, s.
    motors_bend_stamp: f64,
    /// Gravity's direction in the base frame is known.
    base_known: bool,
    /// The head's IMU is fresh, and gravity shows the bend.
    imu_says: bool,
    /// Time when feedback last took new samples, s.
    taken: f64,
    /// Last sample of the head's IMU: gravity and angular velocity.
    said: Option<(Vector3<f64>, Vector3<f64>)>,
}

/// Returns the age of a sample by its stamp and its time of arrival, s; infinite if one is NaN.
fn age(stamp: f64, received: f64, now: f64) -> f64 {
    // `max` ignores NaN.
    if (stamp + received).is_nan() {
        f64::INFINITY
    } else {
        (now - stamp).max(now - received)
    }
}

/// Returns the age of a motor's sample, s; infinite without one.
pub(super) fn motor_age(sample: &Option<MotorSample>, now: f64) -> f64 {
    sample.map_or(f64::INFINITY, |s| age(s.stamp, s.received, now))
}

/// Returns the age of an IMU's sample, s; infinite without one.
pub(super) fn head_age(sample: &Option<ImuSample>, now: f64) -> f64 {
    sample.map_or(f64::INFINITY, |s| age(s.stamp, s.received, now))
}

impl Estimator {
    pub(super) fn new(motors: usize) -> Self {
        Self {
            estimate: Estimate::default(),
            feedback: Feedback::Motors,
            head: Timing::default(),
            motors: Timing::default(),
            angles: vec![0.0; motors],
            jumped: f64::NEG_INFINITY,
            rate_known: false,
            motors_bend_stamp: 0.0,
            base_known: true,
            imu_says: false,
            taken: f64::NEG_INFINITY,
            said: None,
        }
    }

    pub(super) fn estimate(&self) -> Estimate {
        self.estimate
    }

    /// Takes the newest samples. Returns true if the one that feedback uses is new. `pan_rate`:
    /// rate of the pan, rad/s; `trusted`: the head's IMU does not repeat itself.
    pub(super) fn update(
        &mut self,
        joint: &Joint,
        law: &Law,
        input: &Input,
        pan_rate: f64,
        trusted: bool,
        now: f64,
    ) -> bool {
        self.feedback = law.feedback;
        self.look_for_jumps(joint, input, now);
        if let (Some(pan), Some(sample)) = (&joint.pan, &input.pan) {
            self.estimate.pan = sample.angle / pan.ratio;
        }
        let stale = law.limits.stale_imu;
        self.base_known = joint.base_from_imu.is_none() || head_age(&input.base, now) <= stale;
        let motors_new = self.update_motors(joint, law, input, now);
        let head_new = self.update_head(joint, law, input, pan_rate, now);
        // With `motors` feedback, or when the IMU cannot, the motors supply the bend.
        let head = head_age(&input.head, now) <= stale;
        let observable = self.estimate.observability >= LEAST_OBSERVABILITY;
        self.imu_says = head && observable && self.base_known;
        let serves = self.imu_says && trusted;
        self.estimate.imu_serves = serves;
        if law.feedback == Feedback::Motors || !serves {
            self.estimate.source = Source::Motors;
            self.estimate.bend = self.estimate.motors_bend;
            self.estimate.pan_then = self.pan_at(self.motors_bend_stamp, input, pan_rate);
        }
        self.estimate.fallback = match law.feedback {
            Feedback::Motors => Fallback::None,
            Feedback::Imu if !head => Fallback::Stale,
            Feedback::Imu if !trusted => Fallback::Frozen,
            Feedback::Imu if !self.base_known => Fallback::Base,
            Feedback::Imu if !observable => Fallback::Observability,
            Feedback::Imu => Fallback::None,
        };
        self.rate_known = head && trusted && self.base_known;
        if !self.rate_known {
            self.estimate.rate = Bend::zeros();
        }
        // Without head samples the motors are used at the same rate, as the design assumes.
        let due = now - self.taken >= joint.sample_period - 0.5 * joint.period;
        let taken = match law.feedback {
            Feedback::Motors => motors_new,
            Feedback::Imu => head_new || (!(head && trusted) && due),
        };
        if taken {
            self.taken = now;
        }
        taken
    }

    /// Takes the motors' newest samples. Returns true if any is new.
    fn update_motors(&mut self, joint: &Joint, law: &Law, input: &Input, now: f64) -> bool {
        let stamps = input.motors.iter().flatten().map(|s| s.stamp);
        let newest = stamps.fold(f64::MIN, f64::max);
        let new = newest > self.motors.stamp || (self.motors.samples == 0 && newest > f64::MIN);
        if new {
            self.motors.sample(newest, now, law.limits.stale_motors);
        }
        let all = input.motors.iter().all(Option::is_some);
        for (angle, sample) in self.angles.iter_mut().zip(&input.motors) {
            if let Some(sample) = sample {
                *angle = sample.angle;
            }
        }
        if all && new {
            self.motors_bend_stamp = newest;
            let near = self.estimate.motors_bend;
            let fix = joint.kinematics.bend_from_motors(&self.angles, near);
            self.estimate.motors_bend = fix.bend;
            self.estimate.motors_residual = fix.residual;
            self.estimate.slack = fix.slack;
        }
        new
    }

    /// Takes the head's newest sample. Returns true if it is new and differs from the last.
    fn update_head(
        &mut self,
        joint: &Joint,
        law: &Law,
        input: &Input,
        pan_rate: f64,
        now: f64,
    ) -> bool {
        let newer = |head: &&ImuSample| self.head.samples == 0 || head.stamp > self.head.stamp;
        let Some(head) = input.head.as_ref().filter(newer) else {
            return false;
        };
        let sample = Some((head.gravity, head.angular_velocity));
        // A bit-identical sample is not new.
        let new = self.said != sample;
        self.said = sample;
        self.head.sample(head.stamp, now, law.limits.stale_imu);
        self.take_head(joint, head, input, pan_rate);
        new
    }

    /// Returns true if the next sample that feedback uses is long overdue.
    pub(super) fn overdue(&self, joint: &Joint, now: f64) -> bool {
        now - self.taken > OVERDUE * joint.sample_period.max(joint.period)
    }

    /// Detects angles that jump from one sample to the next: either of the two may be wrong.
    fn look_for_jumps(&mut self, joint: &Joint, input: &Input, now: f64) {
        let pan = joint.pan.map(|pan| pan.ratio * self.estimate.pan);
        let before = self.angles.iter().copied().chain(pan);
        let samples = input.motors.iter().chain([&input.pan]);
        let mut far = samples
            .zip(before)
            .filter_map(|(s, b)| Some((s.as_ref()?.angle - b).abs()));
        if self.motors.samples > 0 && far.any(|far| far > joint.following_error_limit) {
            self.jumped = now;
        }
    }

    /// Returns true if no angle has jumped for [`STEADY`].
    pub(super) fn steady(&self, now: f64) -> bool {
        now - self.jumped >= STEADY
    }

    /// Returns the pan at the time of a sample, rad.
    fn pan_at(&self, stamp: f64, input: &Input, pan_rate: f64) -> f64 {
        let later = input.pan.map_or(0.0, |pan| stamp - pan.stamp);
        self.estimate.pan + pan_rate * later.clamp(-LONGEST_CARRY, LONGEST_CARRY)
    }

    fn take_head(&mut self, joint: &Joint, head: &ImuSample, input: &Input, pan_rate: f64) {
        let gravity = joint.head_from_imu * head.gravity;
        self.estimate.gravity_head = gravity;
        let (mut gravity_base, mut rate_base) = (joint.gravity_base, Vector3::zeros());
        if let (Some(mounting), Some(base)) = (&joint.base_from_imu, &input.base) {
            rate_base = mounting * base.angular_velocity;
            // Both samples at the head's time: gravity turns relative to the base.
            let later = (head.stamp - base.stamp).clamp(-LONGEST_CARRY, LONGEST_CARRY);
            let turned = Rotation3::from_scaled_axis(rate_base * -later);
            gravity_base = turned * (mounting * base.gravity);
        }
        // The beam is mounted on the pan, which also turns between its sample and the head's.
        let pan = self.pan_at(head.stamp, input, pan_rate);
        let unpan = Rotation3::from_axis_angle(&Vector3::z_axis(), -pan);
        let gravity_base = unpan * gravity_base;
        // The search starts at the motors' bend: gravity alone may have two distant solutions.
        let near = self.estimate.motors_bend;
        let fix = bend_from_gravity(gravity, gravity_base, near);
        self.estimate.observability = fix.observability;
        if fix.observability >= LEAST_OBSERVABILITY && self.base_known {
            self.estimate.imu_bend = fix.bend;
            self.estimate.bend = fix.bend;
            self.estimate.pan_then = pan;
            self.estimate.source = Source::Imu;
        }
        // The rotation of base and pan is not part of the bend's rate.
        let foot = unpan * rate_base + Vector3::z() * pan_rate;
        let carried = rotation(self.estimate.bend).inverse() * foot;
        let rate = joint.head_from_imu * head.angular_velocity - carried;
        self.estimate.rate = bend_rate_from_gyro(self.estimate.bend, rate);
    }

    /// Returns true if every required sample is present and fresh. `without`: the motors may supply
    /// the bend when the IMU cannot; `running`: also while the head is silent.
    pub(super) fn complete(
        &self,
        joint: &Joint,
        law: &Law,
        input: &Input,
        without: bool,
        running: bool,
        now: f64,
    ) -> bool {
        let head = head_age(&input.head, now) <= law.limits.stale_imu;
        self.motors_complete(joint, law, input, now)
            && (law.feedback == Feedback::Motors
                || self.estimate.imu_serves
                || (without && (running || head)))
    }

    /// Gravity's direction in the base frame is known.
    pub(super) fn base_known(&self) -> bool {
        self.base_known
    }

    /// The head's IMU supplies a bend, trusted or not.
    pub(super) fn imu_says(&self) -> bool {
        self.imu_says
    }

    /// Returns true if every encoder's sample is present and fresh, the pan's too.
    pub(super) fn motors_complete(
        &self,
        joint: &Joint,
        law: &Law,
        input: &Input,
        now: f64,
    ) -> bool {
        let stale = law.limits.stale_motors;
        let mut motors = input.motors.iter();
        motors.all(|s| motor_age(s, now) <= stale)
            && (joint.pan.is_none() || motor_age(&input.pan, now) <= stale)
    }

    fn timing(&self) -> &Timing {
        match self.feedback {
            Feedback::Motors => &self.motors,
            Feedback::Imu => &self.head,
        }
    }

    pub(super) fn knows_delay(&self) -> bool {
        self.timing().samples >= DELAY_SAMPLES
    }

    /// Returns the measured dead time, s: latency, half a sensor period and half a tick.
    pub(super) fn delay(&self, joint: &Joint) -> f64 {
        let timing = self.timing();
        timing.age + 0.5 * timing.period + 0.5 * joint.period
    }

    pub(super) fn stamp(&self) -> f64 {
        match self.estimate.fallback {
            Fallback::Stale | Fallback::Frozen => self.motors.stamp,
            _ => self.timing().stamp,
        }
    }

    /// Stamp of the sample that the bend comes from, s.
    pub(super) fn bend_stamp(&self) -> f64 {
        match self.estimate.source {
            Source::Motors => self.motors_bend_stamp,
            Source::Imu => self.head.stamp,
        }
    }

    /// Returns true if a fresh sample gives the bend's rate.
    pub(super) fn knows_rate(&self) -> bool {
        self.rate_known
    }

    /// Returns true if every motor, the pan's too, is inside its position limits. The pan has the
    /// following-error limit as tolerance, since joints may rest at its limits.
    pub(super) fn inside(&self, joint: &Joint, limits: &[super::MotorLimits]) -> bool {
        let mut motors = self.angles.iter().zip(limits);
        let pan = joint.pan.as_ref().is_none_or(|pan| {
            let slack = joint.following_error_limit;
            (pan.low - slack..=pan.high + slack).contains(&self.estimate.pan)
        });
        pan && motors.all(|(q, m)| (m.low..=m.high).contains(q))
    }

    pub(super) fn angles(&self) -> &[f64] {
        &self.angles
    }
}

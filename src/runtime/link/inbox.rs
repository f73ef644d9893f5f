//! Checked sensor messages, and the newest of each stream: the part of the input path that does not
//! depend on ROS. A refused message changes nothing. Range checks are written so that NaN fails
//! them.

use nalgebra::{Quaternion, UnitQuaternion, Vector3};

use crate::control::tick::{Desired, ImuSample, Input, MotorSample};

/// Max time by which a stamp may lie ahead of the clock, s. Beyond it the clocks differ and the
/// latency of the sample is undefined.
const MOST_AHEAD: f64 = 0.1;
/// Max deviation of a quaternion's norm from 1 that counts as rounding.
const NORM_TOLERANCE: f64 = 0.05;
/// Max motor angle, rad; beyond it a sample is a fault of the encoder or its message: more turns
/// than any tendon has length for.
const GREATEST_ANGLE: f64 = 1e4;
/// Max angular velocity, rad/s; beyond it a sample is a fault. Gyros end at 35 rad/s (2000 deg/s;
/// common practice, no source), with a margin for others.
const GREATEST_RATE: f64 = 100.0;

/// Reason why a message was refused: a key to count it by, and a sentence with the numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct Refusal {
    /// The key, part of the key of a diagnostic value.
    pub reason: &'static str,
    /// The sentence.
    pub sentence: String,
}

/// Returns a refusal as a result.
///
/// # Errors
/// Always.
pub fn refuse<T>(reason: &'static str, sentence: String) -> Result<T, Refusal> {
    Err(Refusal { reason, sentence })
}

/// Returns the orientation of a quaternion x, y, z, w; `part` names it in the refusal.
///
/// # Errors
/// Numbers that are not finite, or a norm that is not 1.
pub fn checked_orientation(
    part: &str,
    [x, y, z, w]: [f64; 4],
) -> Result<UnitQuaternion<f64>, Refusal> {
    let q = Quaternion::new(w, x, y, z);
    let norm = q.norm();
    if !norm.is_finite() {
        let sentence = format!("{part} is ({x}, {y}, {z}, {w}); accepted: finite numbers");
        return refuse("not_finite", sentence);
    }
    if norm == 0.0 {
        let sentence = format!("{part} is the zero quaternion; accepted: norm 1");
        return refuse("zero_quaternion", sentence);
    }
    if (norm - 1.0).abs() > NORM_TOLERANCE {
        let sentence = format!("{part} has norm {norm:.3}; accepted: 1 within {NORM_TOLERANCE}");
        return refuse("quaternion_norm", sentence);
    }
    Ok(UnitQuaternion::from_quaternion(q))
}

/// One reading of an IMU.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImuReading {
    /// Direction of gravity in the IMU's frame, unit length, pointing down.
    pub gravity: Vector3<f64>,
    /// Angular velocity in the IMU's frame, rad/s.
    pub angular_velocity: Vector3<f64>,
}

impl ImuReading {
    /// Builds a reading from the IMU's orientation in a world frame with z up (x, y, z, w) and its
    /// angular velocity, rad/s.
    ///
    /// # Errors
    /// An invalid orientation, or an angular velocity that is not finite or out of range.
    pub fn new(orientation: [f64; 4], rate: [f64; 3]) -> Result<Self, Refusal> {
        let world_from_imu = checked_orientation("orientation", orientation)?;
        let ([x, y, z], angular_velocity) = (rate, Vector3::from(rate));
        if !angular_velocity.iter().all(|v| v.is_finite()) {
            let sentence = format!("angular_velocity is ({x}, {y}, {z}); accepted: finite numbers");
            return refuse("not_finite", sentence);
        }
        if !(angular_velocity.amax() <= GREATEST_RATE) {
            let sentence = format!(
                "angular_velocity is ({x}, {y}, {z}) rad/s; accepted: at most {GREATEST_RATE} about each axis"
            );
            return refuse("out_of_range", sentence);
        }
        Ok(Self {
            gravity: world_from_imu.inverse() * -Vector3::z(),
            angular_velocity,
        })
    }
}

/// Writes the angles of the motors `own` in a message of `names` and `positions` into `angles`, by
/// motor. Other names are ignored, whatever their positions.
///
/// # Errors
/// Lists of different lengths, an angle of an own motor that is not finite or out of range, or an
/// own motor named twice.
pub fn read_motor_angles(
    names: &[String],
    positions: &[f64],
    own: &[String],
    angles: &mut [Option<f64>],
) -> Result<(), Refusal> {
    angles.fill(None);
    let (count, given) = (names.len(), positions.len());
    if given != count && given != 0 {
        let sentence =
            format!("position has {given} entries for {count} names; accepted: one each");
        return refuse("sizes_differ", sentence);
    }
    for (name, angle) in names.iter().zip(positions) {
        let Some(motor) = own.iter().position(|n| n == name) else {
            continue;
        };
        if !angle.is_finite() {
            let sentence = format!("position of {name} is {angle}; accepted: a finite number");
            return refuse("not_finite", sentence);
        }
        if !(angle.abs() <= GREATEST_ANGLE) {
            let sentence = format!(
                "position of {name} is {angle} rad; accepted: at most {GREATEST_ANGLE} either way"
            );
            return refuse("out_of_range", sentence);
        }
        if angles[motor].replace(*angle).is_some() {
            return refuse(
                "named_twice",
                format!("{name} is named twice; accepted: once"),
            );
        }
    }
    if given == 0 && names.iter().any(|n| own.contains(n)) {
        let sentence = format!("position is empty for {count} names; accepted: one each");
        return refuse("sizes_differ", sentence);
    }
    Ok(())
}

/// Times of measurement and arrival of a sample, s on the loop's clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct When {
    /// Time of measurement.
    pub stamp: f64,
    /// Time of arrival.
    pub received: f64,
}

impl When {
    /// Builds the times of a stamp that arrives now; `clock` names the reference clock in the
    /// refusal.
    ///
    /// # Errors
    /// A stamp ahead of `now` by more than the tolerance.
    pub fn new(stamp: f64, now: f64, clock: &str) -> Result<Self, Refusal> {
        if !(stamp <= now + MOST_AHEAD) {
            let ahead = stamp - now;
            let sentence = format!(
                "stamp is {ahead:.3} s ahead of {clock}; accepted: at most {MOST_AHEAD} s (the \
                 clocks have to agree)"
            );
            return refuse("stamp_ahead", sentence);
        }
        Ok(Self {
            stamp,
            received: now,
        })
    }
}

/// The place of an IMU.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ImuPlace {
    /// On the head plate.
    Head,
    /// On the base plate.
    Base,
}

/// The newest sample of each stream.
#[derive(Clone, Debug)]
pub struct Inbox {
    own: Vec<String>,
    angles: Vec<Option<f64>>,
    input: Input,
}

impl Inbox {
    /// Returns an empty inbox of a joint with motors of these names: those of `tendons` tendons, and
    /// the pan's if there is one more.
    pub fn new(own: Vec<String>, tendons: usize) -> Self {
        Self {
            input: Input::new(tendons),
            angles: vec![None; own.len()],
            own,
        }
    }

    /// Returns the present input.
    pub fn input(&self) -> &Input {
        &self.input
    }

    /// Returns the present input for additions.
    pub fn input_mut(&mut self) -> &mut Input {
        &mut self.input
    }

    /// Sets the command.
    pub fn desire(&mut self, desired: Desired) {
        self.input.desired = Some(desired);
    }

    /// Takes motor angles by name. `when` is called only if the message names own motors. Returns
    /// true if it does.
    ///
    /// # Errors
    /// Errors of [`read_motor_angles`] and `when`, and a message without an angle newer than the
    /// last of its motor.
    pub fn motors(
        &mut self,
        names: &[String],
        positions: &[f64],
        when: impl FnOnce() -> Result<When, Refusal>,
    ) -> Result<bool, Refusal> {
        read_motor_angles(names, positions, &self.own, &mut self.angles)?;
        if self.angles.iter().all(Option::is_none) {
            return Ok(false);
        }
        let When { stamp, received } = when()?;
        let mut taken = 0;
        // Without a pan there is no angle for it.
        let motors = self.input.motors.iter_mut().chain([&mut self.input.pan]);
        for (motor, angle) in motors.zip(&self.angles) {
            let Some(angle) = *angle else { continue };
            if motor.is_some_and(|m| m.stamp >= stamp) {
                continue;
            }
            taken += 1;
            *motor = Some(MotorSample {
                angle,
                stamp,
                received,
            });
        }
        if taken == 0 {
            return Err(not_newer());
        }
        Ok(true)
    }

    /// Takes a sample of an IMU.
    ///
    /// # Errors
    /// A sample not newer than the last.
    pub fn imu(
        &mut self,
        reading: &ImuReading,
        when: When,
        place: ImuPlace,
    ) -> Result<(), Refusal> {
        let newest = match place {
            ImuPlace::Head => &mut self.input.head,
            ImuPlace::Base => &mut self.input.base,
        };
        if newest.is_some_and(|h| h.stamp >= when.stamp) {
            return Err(not_newer());
        }
        *newest = Some(ImuSample {
            gravity: reading.gravity,
            angular_velocity: reading.angular_velocity,
            stamp: when.stamp,
            received: when.received,
        });
        Ok(())
    }
}

fn not_newer() -> Refusal {
    Refusal {
        reason: "stamp_not_newer",
        sentence: "stamp is not newer than the last; accepted: newer stamps".into(),
    }
}

//! The simulated joint: an elastic beam with head, payload, tendons, motors and sensors, in three dimensions.
//!
//! It stands in for hardware in tests and in the simulated-joint process, and computes tendon paths on its own
//! deformed beam: nothing in it is shared with the model that the controller uses. The equations and their sources stand in
//! `beam/rod.rs` (mechanics), `beam/motors.rs` and `beam/sensors.rs`.
//!
//! Frames: base (origin at the beam's foot, z along the straight beam), head (origin at the beam's end, the base frame's
//! axes when straight), IMU. SI units, radians. Time is an argument; the inner step is 1 ms; nothing allocates after construction. A step's work is
//! bounded by (segments + guide points) x 6 coordinates.
//!
//! Angles commanded and reported are motor angles: positive reels in (or out, by the description), zero is the straight joint as drawn
//! at its pretension. A built joint's zeros are off by its tolerances, and neither commands nor encoders show it.

#[cfg(test)]
mod checks;
mod description;
mod motors;
mod random;
mod rod;
mod sensors;

use nalgebra::{DMatrix, DVector, Matrix3, Rotation3, UnitQuaternion, Vector2, Vector3};

use description::accept;
pub use description::{
    DescriptionError, JointDescription, Options, SensorOptions, SimulatedMotor, SimulatedTendon,
    Tolerances,
};
pub use motors::DriveKind;
use motors::Motor;
use random::Random;
use rod::{Body, Material, Rod, Run};
use sensors::{Channel, Imu};
pub use sensors::{ImuReading, MotorReading};

/// The inner time step, s.
pub const STEP: f64 = 0.001;

/// A command that is refused, in one sentence.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CommandError {
    /// Not one value per motor.
    #[error("simulated joint: a command of {given} values, accepted is one per motor, {motors}")]
    Length {
        /// Values given.
        given: usize,
        /// Motors of the joint.
        motors: usize,
    },
    /// A value that is no number.
    #[error("simulated joint: command {index} is {value}, accepted is a finite number")]
    Value {
        /// Its place, from 0.
        index: usize,
        /// What was given.
        value: f64,
    },
}

/// What is really so: for scorers, never for a controller.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// s
    pub time: f64,
    /// Bend vector of the head plate, rad: inclination of its normal from the base's z axis, along the direction it leans.
    pub bend: Vector2<f64>,
    /// Head attitude: turns head coordinates into base coordinates.
    pub attitude: UnitQuaternion<f64>,
    /// The beam's end in the base frame, m.
    pub position: Vector3<f64>,
    /// Angular velocity of the head in the base frame, rad/s.
    pub angular_velocity: Vector3<f64>,
    /// Tendon tensions, N; 0 is slack.
    pub tensions: Vec<f64>,
    /// Motor angles without quantisation, rad.
    pub motor_angles: Vec<f64>,
}

/// The simulated joint.
#[derive(Clone, Debug)]
pub struct Plant {
    rod: Rod,
    motors: Vec<Motor>,
    /// Metres reeled in per radian of motor angle, with its sign.
    reel: Vec<f64>,
    /// What the motor's zero is off by, rad.
    zeros: Vec<f64>,
    command_timeout: f64,
    last_command: f64,
    timed_out: bool,
    push_until: f64,
    steps: u64,
    counts_per_radian: f64,
    motor_channel: Channel<MotorReading>,
    previous_angles: Vec<f64>,
    previous_stamp: f64,
    imu: Imu,
    imu_channel: Channel<ImuReading>,
    truth: Truth,
}

impl Plant {
    /// Builds the joint, straight and at rest at time 0, motors at zero, no payload; gravity then acts. The same description, options and seed
    /// give the same joint and the same readings.
    ///
    /// # Errors
    /// A quantity outside its range, one or two tendons, or tendons that cannot all pull in balance.
    pub fn new(
        description: &JointDescription,
        options: &Options,
        seed: u64,
    ) -> Result<Self, DescriptionError> {
        description.check(options)?;
        let segments = description.segments()?;
        let material = Material {
            length: description.length,
            flexural_rigidity: description.flexural_rigidity,
            mass: description.beam_mass,
            retardation: description.retardation,
            drag: description.air_drag,
            gravity: description.gravity_base(),
        };
        let head = Body {
            mass: description.head_mass,
            height: description.head_height,
            inertia: Vector3::from(description.head_inertia),
        };
        // Tendons are tensioned on the drawn joint; a built one departs from it.
        let drawn = description.tendons.iter().map(run).collect();
        let pretension = balanced_pretension(
            &Rod::new(material, head, drawn, segments).runs,
            description.pretension,
        )?;

        let mut build = Random::new(seed, 1);
        let spread = options.tolerances.unwrap_or(Tolerances {
            radius: 0.0,
            anchor: 0.0,
            zero: 0.0,
        });
        let mut runs = Vec::new();
        let mut reel = Vec::new();
        let mut zeros = Vec::new();
        for (tendon, tension) in description.tendons.iter().zip(pretension) {
            let mut built = tendon.clone();
            built.base_angle += spread.anchor * build.symmetric();
            built.head_angle += spread.anchor * build.symmetric();
            let radii = [
                &mut built.base_radius,
                &mut built.head_radius,
                &mut built.drum_radius,
            ];
            for radius in radii.into_iter().chain(&mut built.guide_radii) {
                *radius *= 1.0 + spread.radius * build.symmetric();
            }
            zeros.push(spread.zero * build.symmetric());
            let sign = if built.positive_reels_in { 1.0 } else { -1.0 };
            reel.push(sign * built.drum_radius / built.gear_ratio);
            let mut run = run(&built);
            run.pretension = tension;
            runs.push(run);
        }
        let count = runs.len();
        let sensors = options.sensors;
        let blank = MotorReading {
            stamp: 0.0,
            angles: vec![0.0; count],
            velocities: vec![0.0; count],
        };
        let level = ImuReading {
            stamp: 0.0,
            attitude: UnitQuaternion::identity(),
            angular_velocity: Vector3::zeros(),
        };
        let mut plant = Self {
            rod: Rod::new(material, head, runs, segments),
            motors: vec![
                Motor::new(
                    &description.motor,
                    options.motor_speed_scale,
                    options.stiction
                );
                count
            ],
            reel,
            zeros,
            command_timeout: description.motor.command_timeout,
            last_command: 0.0,
            timed_out: true,
            push_until: 0.0,
            steps: 0,
            counts_per_radian: f64::from(description.motor.encoder_counts) / std::f64::consts::TAU,
            motor_channel: Channel::new(sensors.motor_rate, sensors.motor_age, blank),
            previous_angles: vec![0.0; count],
            previous_stamp: 0.0,
            imu: Imu::new(
                description.imu_mounting,
                description.base_attitude,
                sensors,
                Random::new(seed, 2),
            ),
            imu_channel: Channel::new(sensors.imu_rate, sensors.imu_age, level),
            truth: Truth {
                time: 0.0,
                bend: Vector2::zeros(),
                attitude: UnitQuaternion::identity(),
                position: Vector3::zeros(),
                angular_velocity: Vector3::zeros(),
                tensions: vec![0.0; count],
                motor_angles: vec![0.0; count],
            },
        };
        plant.reel_in();
        plant.rod.update();
        plant.observe();
        Ok(plant)
    }

    /// The glasshouse guide's neck, exactly as drawn.
    ///
    /// # Errors
    /// None for valid options; those of [`Plant::new`] otherwise.
    pub fn glasshouse(options: &Options, seed: u64) -> Result<Self, DescriptionError> {
        Self::new(&JointDescription::glasshouse(), options, seed)
    }

    /// Number of motors.
    pub fn motor_count(&self) -> usize {
        self.motors.len()
    }

    /// Present time, s.
    pub fn time(&self) -> f64 {
        self.steps as f64 * STEP
    }

    /// Takes a command for all motors, in tendon order: angles (rad) or velocities (rad/s). Holds until the next one or the command timeout.
    ///
    /// # Errors
    /// Not one finite value per motor; nothing then changes.
    pub fn command(&mut self, kind: DriveKind, values: &[f64]) -> Result<(), CommandError> {
        if values.len() != self.motors.len() {
            return Err(CommandError::Length {
                given: values.len(),
                motors: self.motors.len(),
            });
        }
        if let Some(index) = values.iter().position(|v| !v.is_finite()) {
            return Err(CommandError::Value {
                index,
                value: values[index],
            });
        }
        for (motor, &value) in self.motors.iter_mut().zip(values) {
            motor.kind = kind;
            motor.command = value;
        }
        self.last_command = self.time();
        self.timed_out = false;
        Ok(())
    }

    /// Sets the payload: mass (kg, 0 takes it off) with its centre at a height (m) above the beam's end. Its inertia is that of a
    /// solid cube standing on the head plate, m (2 height)^2 / 6. The joint keeps its speed.
    ///
    /// # Errors
    /// A mass outside 0 to 10 kg or a height outside 0 to 1 m.
    pub fn set_payload(&mut self, mass: f64, height: f64) -> Result<(), DescriptionError> {
        let moment = mass * height * height / 1.5;
        self.set_payload_body(mass, height, [moment; 3])
    }

    /// Sets the payload with its own principal moments of inertia about its centre of mass, head axes, kg m^2.
    ///
    /// # Errors
    /// As [`Plant::set_payload`], or a moment that is negative or not finite.
    pub fn set_payload_body(
        &mut self,
        mass: f64,
        height: f64,
        inertia: [f64; 3],
    ) -> Result<(), DescriptionError> {
        accept(
            "payload mass (kg)",
            mass,
            (0.0..=10.0).contains(&mass),
            "0 to 10",
        )?;
        accept(
            "payload height (m)",
            height,
            (0.0..=1.0).contains(&height),
            "0 to 1",
        )?;
        for moment in inertia {
            let accepted = moment >= 0.0 && moment.is_finite();
            accept(
                "payload inertia (kg m^2)",
                moment,
                accepted,
                "a finite number, 0 or above",
            )?;
        }
        self.rod.payload = Body {
            mass,
            height,
            inertia: Vector3::from(inertia),
        };
        self.rod.update();
        Ok(())
    }

    /// Pushes the head plate at its centre of mass with a force (base frame, N) for a duration (s) from now; a new push replaces the present one.
    ///
    /// # Errors
    /// A force component or duration that is not finite, or a negative duration.
    pub fn push(&mut self, force: Vector3<f64>, duration: f64) -> Result<(), DescriptionError> {
        for component in force.iter() {
            accept(
                "push (N)",
                *component,
                component.is_finite(),
                "a finite number",
            )?;
        }
        let accepted = duration >= 0.0 && duration.is_finite();
        accept(
            "push duration (s)",
            duration,
            accepted,
            "a finite number, 0 or above",
        )?;
        self.rod.push = force;
        self.push_until = self.time() + duration;
        self.rod.update();
        Ok(())
    }

    /// Runs for `dt` seconds, to the nearest whole step.
    pub fn advance(&mut self, dt: f64) {
        self.run_until(self.time() + dt);
    }

    /// Runs to time `t`, s, to the nearest whole step; a time that has passed does nothing.
    pub fn run_until(&mut self, t: f64) {
        let goal = (t / STEP).round();
        while (self.steps as f64) < goal {
            self.step();
        }
    }

    /// One inner step.
    fn step(&mut self) {
        let now = self.time();
        if !self.timed_out && now - self.last_command >= self.command_timeout - 0.5 * STEP {
            self.timed_out = true;
            for motor in &mut self.motors {
                motor.time_out();
            }
        }
        if now >= self.push_until - 0.5 * STEP {
            self.rod.push = Vector3::zeros();
        }
        for motor in &mut self.motors {
            motor.step(STEP);
        }
        self.reel_in();
        self.rod.step(STEP);
        self.steps += 1;
        self.observe();
    }

    fn reel_in(&mut self) {
        for (i, motor) in self.motors.iter().enumerate() {
            let run = &mut self.rod.runs[i];
            run.reeled = self.reel[i] * (motor.angle + self.zeros[i]);
            run.reel_rate = self.reel[i] * motor.velocity;
        }
    }

    /// Brings the truth up to date and samples the sensors that are due.
    fn observe(&mut self) {
        let now = self.time();
        let rotation: &Matrix3<f64> = self.rod.rotation();
        let attitude =
            UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(*rotation));
        let truth = &mut self.truth;
        truth.time = now;
        truth.bend = lean(rotation);
        truth.attitude = attitude;
        truth.position = *self.rod.position();
        truth.angular_velocity = *self.rod.omega();
        for (i, run) in self.rod.runs.iter().enumerate() {
            truth.tensions[i] = run.tension;
            truth.motor_angles[i] = self.motors[i].angle;
        }
        if self.motor_channel.due(now) {
            let elapsed = now - self.previous_stamp;
            let reading = self.motor_channel.sample(now);
            reading.stamp = now;
            for (i, motor) in self.motors.iter().enumerate() {
                let angle = (motor.angle * self.counts_per_radian).round() / self.counts_per_radian;
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
        if self.imu_channel.due(now) {
            *self.imu_channel.sample(now) = self.imu.read(now, attitude, &truth.angular_velocity);
        }
    }

    /// The oldest motor reading delivered by now and not yet taken.
    pub fn take_motor_reading(&mut self) -> Option<&MotorReading> {
        let now = self.time();
        self.motor_channel.take(now)
    }

    /// The oldest IMU reading delivered by now and not yet taken.
    pub fn take_imu_reading(&mut self) -> Option<ImuReading> {
        let now = self.time();
        self.imu_channel.take(now).copied()
    }

    /// What is really so.
    pub fn truth(&self) -> &Truth {
        &self.truth
    }

    /// Kinetic plus elastic, gravitational and tendon energy, J: for checks of the mechanics.
    pub fn energy(&self) -> f64 {
        self.rod.energy()
    }
}

/// Bend vector of a head attitude: angle and direction of its z axis.
fn lean(rotation: &Matrix3<f64>) -> Vector2<f64> {
    let across = Vector2::new(rotation[(0, 2)], rotation[(1, 2)]);
    let sine = across.norm();
    let angle = sine.atan2(rotation[(2, 2)]);
    // theta / sin(theta) tends to 1 at the straight joint; straight down has no direction.
    if sine < 1e-12 {
        across
    } else {
        across * (angle / sine)
    }
}

/// The path of one tendon.
fn run(tendon: &SimulatedTendon) -> Run {
    let at = |radius: f64, angle: f64, height: f64| {
        Vector3::new(radius * angle.cos(), radius * angle.sin(), height)
    };
    let spaces = tendon.guide_radii.len() + 1;
    // Between the two ends the shorter way round.
    let twist = {
        let difference = tendon.head_angle - tendon.base_angle;
        difference.sin().atan2(difference.cos())
    };
    let guides = (tendon.guide_radii.iter().enumerate())
        .map(|(i, &radius)| {
            at(
                radius,
                tendon.base_angle + twist * (i + 1) as f64 / spaces as f64,
                0.0,
            )
        })
        .collect();
    Run::new(
        at(tendon.base_radius, tendon.base_angle, tendon.base_offset),
        guides,
        at(tendon.head_radius, tendon.head_angle, tendon.head_offset),
        tendon.stiffness,
        tendon.damping,
    )
}

/// The tensions nearest to `mean` (least squares) that leave the straight joint without a bending moment: mean 1 - A^T (A A^T)^-1 A mean 1,
/// A the 2 x n slopes of length over bend.
fn balanced_pretension(runs: &[Run], mean: f64) -> Result<Vec<f64>, DescriptionError> {
    if runs.is_empty() {
        return Ok(Vec::new());
    }
    let a = DMatrix::from_fn(2, runs.len(), |r, c| runs[c].straight_slope()[r]);
    let even = DVector::from_element(runs.len(), mean);
    let moment = &a * &even;
    // Tendons all in one plane with the beam bend it one way only: no balance in the other direction.
    let slack = |tendon| DescriptionError::Balance {
        tendon,
        tension: 0.0,
    };
    let lambda = (&a * a.transpose())
        .cholesky()
        .map(|c| c.solve(&moment))
        .ok_or(slack(0))?;
    let tension = even - a.transpose() * lambda;
    let left = (&a * &tension).norm();
    if left > 1e-9 * a.norm() * mean {
        return Err(slack(0));
    }
    match tension.iter().position(|&t| t <= 0.0) {
        Some(tendon) => Err(DescriptionError::Balance {
            tendon,
            tension: tension[tendon],
        }),
        None => Ok(tension.iter().copied().collect()),
    }
}

//! The simulated joint: a three-dimensional elastic beam with head, payload, tendons, motors and
//! sensors.
//!
//! It replaces hardware in tests and in the simulated-joint process, and computes tendon paths on
//! its own deformed beam. It shares nothing with the model that the controller uses. The equations
//! and their sources are in `beam/rod.rs` (mechanics), `beam/motors.rs` and `beam/sensors.rs`.
//!
//! Frames: level world (z up), base (origin at the beam's foot, z along the straight beam), panned
//! (the base frame turned by the pan about its z; the base frame itself without a pan motor), head
//! (origin at the beam's end, the panned frame's axes if straight), IMU. SI units, radians. Time is
//! an argument; the inner step is 1 ms. Nothing allocates after construction. The work of a step is
//! bounded by (segments + guide points) x 6 coordinates.
//!
//! The base may move in the world (`beam/base.rs`), and a pan motor may turn the beam with its
//! tendons and motors on the base. Both move the beam's foot and act on the beam by inertia as well
//! as by gravity.
//!
//! Commanded and reported angles are motor angles, first those of the tendons' motors in tendon
//! order, then the pan's. Positive reels in or out, as described. Zero is the straight joint as
//! drawn at its pretension. The zeros of a built joint are off by its tolerances; neither commands
//! nor encoders show it.

mod base;
#[cfg(test)]
mod checks;
mod coordinates;
mod description;
mod motors;
mod random;
mod rod;
mod sensors;

use nalgebra::{DMatrix, DVector, Matrix3, Rotation3, UnitQuaternion, Vector2, Vector3};

use base::{Base, BaseState, Pan, foot};
pub use base::{BaseMotion, BaseOscillation};
pub use description::{
    DescriptionError, JointDescription, Options, SensorOptions, SimulatedBaseImu, SimulatedMotor,
    SimulatedPan, SimulatedTendon, Tolerances,
};
use description::{accept, finite, not_negative};
pub use motors::DriveKind;
use motors::Motor;
use random::Random;
use rod::{Body, Rod, Run};
use sensors::{Encoders, Imu};
pub use sensors::{ImuReading, MotorReading};

/// The inner time step, s.
pub const STEP: f64 = 0.001;

/// Reason why a command is refused, as one sentence.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CommandError {
    /// Not one value per motor.
    #[error("simulated joint: a command of {given} values; accepted: one per motor, {motors}")]
    Length {
        /// Values given.
        given: usize,
        /// Motors of the joint.
        motors: usize,
    },
    /// No motor or tendon of this index.
    #[error("simulated joint: number {index}; accepted: below {count}")]
    Index {
        /// Index given, from 0.
        index: usize,
        /// Number of motors or tendons.
        count: usize,
    },
    /// A value that is not finite.
    #[error("simulated joint: command {index} is {value}; accepted: a finite number")]
    Value {
        /// Its index, from 0.
        index: usize,
        /// Value given.
        value: f64,
    },
}

/// True state of the joint: for metrics, never for a controller.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// Time, s.
    pub time: f64,
    /// Bend vector of the head plate in the panned frame, rad: inclination of its normal from the
    /// base's z axis, in the direction of its lean.
    pub bend: Vector2<f64>,
    /// Pan, rad, from +x toward +y about the base's z; 0 without a pan motor.
    pub pan: f64,
    /// Head orientation: maps head coordinates to base coordinates (of the base frame itself, not
    /// of the panned one).
    pub orientation: UnitQuaternion<f64>,
    /// Position of the beam's end in the base frame, m.
    pub position: Vector3<f64>,
    /// Angular velocity of the head relative to the base, including the pan rate, in base
    /// coordinates, rad/s.
    pub angular_velocity: Vector3<f64>,
    /// Base orientation: maps base coordinates to those of the level world.
    pub base_orientation: UnitQuaternion<f64>,
    /// Angular velocity of the base in the world, in base coordinates, rad/s.
    pub base_angular_velocity: Vector3<f64>,
    /// Tendon tensions, N; 0 is slack.
    pub tensions: Vec<f64>,
    /// Motor angles without quantisation, rad, the pan's last.
    pub motor_angles: Vec<f64>,
}

/// Winding of one tendon.
#[derive(Clone, Copy, Debug)]
struct Drum {
    /// Tendon length reeled in per motor angle, with its sign, m/rad.
    reel: f64,
    /// Offset of the motor's zero, rad.
    zero: f64,
}

/// The simulated joint.
#[derive(Clone, Debug)]
pub struct Plant {
    rod: Rod,
    gravity: f64,
    base: Base,
    base_state: BaseState,
    pan: Option<Pan>,
    /// The tendons' motors, then the pan's.
    motors: Vec<Motor>,
    /// One per tendon.
    drums: Vec<Drum>,
    command_timeout: f64,
    last_command: f64,
    timed_out: bool,
    /// Force on the head plate, base frame, N, up to `push_until`.
    push: Vector3<f64>,
    push_until: f64,
    steps: u64,
    encoders: Encoders,
    imu: Imu,
    base_imu: Option<Imu>,
    truth: Truth,
}

impl Plant {
    /// Builds the joint, straight and at rest at time 0, motors at zero, no payload; gravity then
    /// acts. Equal descriptions, options and seeds give the same joint and the same readings.
    ///
    /// # Errors
    /// A quantity outside its range, one or two tendons, or tendons that cannot all pull in
    /// balance.
    pub fn new(
        description: &JointDescription,
        options: &Options,
        seed: u64,
    ) -> Result<Self, DescriptionError> {
        description.check(options)?;
        let mut base = Base::new(description.base_orientation);
        let base_state = base.at(0.0);
        let pan = description.pan.as_ref().map(Pan::new);
        let foot = foot(&base_state, pan.as_ref(), description.gravity);
        // Tendons are tensioned on the drawn joint; a built one deviates from it.
        let drawn = description.tendons.iter().map(run).collect();
        let drawn = Rod::new(description, drawn, foot)?;
        let pretension = balanced_pretension(&drawn.runs, description.pretension)?;
        let (runs, drums) = build(description, options, pretension, seed);
        let (motors, counts) = servos(description, options);
        let sensors = options.sensors;
        let mut plant = Self {
            rod: Rod::new(description, runs, foot)?,
            gravity: description.gravity,
            base,
            base_state,
            pan,
            command_timeout: description.motor.command_timeout,
            last_command: 0.0,
            timed_out: true,
            push: Vector3::zeros(),
            push_until: 0.0,
            steps: 0,
            encoders: Encoders::new(&sensors, &counts),
            imu: Imu::of_head(&sensors, description.imu_mounting, Random::new(seed, 2)),
            base_imu: description
                .base_imu
                .map(|imu| Imu::of_base(&imu, sensors.yaw_drift, Random::new(seed, 3))),
            truth: Truth {
                time: 0.0,
                bend: Vector2::zeros(),
                pan: 0.0,
                orientation: UnitQuaternion::identity(),
                position: Vector3::zeros(),
                angular_velocity: Vector3::zeros(),
                base_orientation: description.base_orientation,
                base_angular_velocity: Vector3::zeros(),
                tensions: vec![0.0; drums.len()],
                motor_angles: vec![0.0; motors.len()],
            },
            motors,
            drums,
        };
        plant.reel_in();
        plant.rod.update();
        plant.look();
        plant.observe();
        Ok(plant)
    }

    /// Builds the glasshouse guide's neck, exactly as drawn.
    ///
    /// # Errors
    /// None for valid options; those of [`Plant::new`] otherwise.
    pub fn glasshouse(options: &Options, seed: u64) -> Result<Self, DescriptionError> {
        Self::new(&JointDescription::glasshouse(), options, seed)
    }

    /// Returns the number of motors: one per tendon, and the pan's if there is one.
    pub fn motor_count(&self) -> usize {
        self.motors.len()
    }

    /// Returns the present time, s.
    pub fn time(&self) -> f64 {
        self.steps as f64 * STEP
    }

    /// Sets the command of all motors, in tendon order and the pan's last: angles (rad) or
    /// velocities (rad/s). It holds until the next one or the command timeout.
    ///
    /// # Errors
    /// If there is not one finite value per motor; the command then does not change.
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

    /// Sets the payload: mass (kg, 0 removes it) with its centre at a height (m) above the beam's
    /// end. Its inertia is that of a solid cube standing on the head plate, m (2 height)^2 / 6. The
    /// joint keeps its velocity.
    ///
    /// # Errors
    /// A mass outside 0 to 10 kg or a height outside 0 to 1 m.
    pub fn set_payload(&mut self, mass: f64, height: f64) -> Result<(), DescriptionError> {
        let moment = mass * height * height / 1.5;
        self.set_payload_body(mass, height, [moment; 3])
    }

    /// Sets the payload with its own principal moments of inertia about its centre of mass, head
    /// axes, kg m^2.
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
            not_negative("payload inertia (kg m^2)", moment)?;
        }
        self.rod.payload = Body {
            mass,
            height,
            inertia: Vector3::from(inertia),
        };
        self.rod.update();
        Ok(())
    }

    /// Applies a force (base frame, N) to the head plate at its centre of mass for a duration (s)
    /// from now. A new push replaces the present one.
    ///
    /// # Errors
    /// A force component or duration that is not finite, or a negative duration.
    pub fn push(&mut self, force: Vector3<f64>, duration: f64) -> Result<(), DescriptionError> {
        for component in force.iter() {
            finite("push (N)", *component)?;
        }
        not_negative("push duration (s)", duration)?;
        self.push = force;
        self.push_until = self.time() + duration;
        self.place(self.time());
        self.rod.update();
        Ok(())
    }

    /// Jams a motor at its present angle, whatever its command, or frees it. Its encoder continues.
    ///
    /// # Errors
    /// If there is no such motor.
    pub fn stall(&mut self, motor: usize, stalled: bool) -> Result<(), CommandError> {
        let count = self.motors.len();
        let found = self.motors.get_mut(motor);
        found
            .ok_or(CommandError::Index {
                index: motor,
                count,
            })?
            .stalled = stalled;
        Ok(())
    }

    /// Cuts a tendon permanently.
    ///
    /// # Errors
    /// If there is no such tendon.
    pub fn cut(&mut self, tendon: usize) -> Result<(), CommandError> {
        let count = self.rod.runs.len();
        let run = self.rod.runs.get_mut(tendon).ok_or(CommandError::Index {
            index: tendon,
            count,
        })?;
        // Slack at any length.
        run.pretension = f64::NEG_INFINITY;
        self.rod.update();
        self.look();
        Ok(())
    }

    /// Starts a motion of the base; see [`BaseMotion`].
    ///
    /// # Errors
    /// A quantity outside its range; the motion then does not change.
    pub fn set_base(&mut self, motion: BaseMotion) -> Result<(), DescriptionError> {
        let now = self.time();
        self.base.set(motion, now)?;
        self.place(now);
        self.rod.update();
        self.look();
        Ok(())
    }

    /// Runs for `dt` seconds, rounded to whole steps.
    pub fn advance(&mut self, dt: f64) {
        self.run_until(self.time() + dt);
    }

    /// Runs to time `t`, s, rounded to whole steps; a time in the past has no effect.
    pub fn run_until(&mut self, t: f64) {
        let goal = (t / STEP).round();
        let start = self.steps;
        while (self.steps as f64) < goal {
            self.step();
        }
        if self.steps > start {
            self.look();
        }
    }

    /// Runs one inner step.
    fn step(&mut self) {
        let now = self.time();
        if !self.timed_out && now - self.last_command >= self.command_timeout - 0.5 * STEP {
            self.timed_out = true;
            for motor in &mut self.motors {
                motor.time_out();
            }
        }
        if now >= self.push_until - 0.5 * STEP {
            self.push = Vector3::zeros();
        }
        for motor in &mut self.motors {
            motor.step();
        }
        if let (Some(pan), Some(motor)) = (&mut self.pan, self.motors.last()) {
            pan.follow(motor, STEP);
        }
        self.reel_in();
        self.steps += 1;
        self.place(self.time());
        self.rod.step(STEP);
        self.observe();
    }

    /// Sets the rod's foot and push to those at time `t`, for its next update.
    fn place(&mut self, t: f64) {
        self.base_state = self.base.at(t);
        self.rod.foot = foot(&self.base_state, self.pan.as_ref(), self.gravity);
        self.rod.push = match &self.pan {
            None => self.push,
            Some(pan) => pan.rotation().transpose() * self.push,
        };
    }

    fn reel_in(&mut self) {
        let drums = self.drums.iter().zip(&self.motors);
        for (run, (drum, motor)) in self.rod.runs.iter_mut().zip(drums) {
            run.reeled = drum.reel * (motor.angle + drum.zero);
            run.reel_rate = drum.reel * motor.velocity;
        }
    }

    /// Updates the truth.
    fn look(&mut self) {
        let rotation: &Matrix3<f64> = self.rod.rotation();
        let truth = &mut self.truth;
        truth.time = self.steps as f64 * STEP;
        truth.bend = lean(rotation);
        truth.base_orientation = self.base_state.orientation;
        truth.base_angular_velocity = self.base_state.omega;
        truth.position = *self.rod.position();
        truth.angular_velocity = *self.rod.omega();
        let mut orientation = *rotation;
        if let Some(pan) = &self.pan {
            let turn = pan.rotation();
            orientation = turn * orientation;
            truth.pan = pan.angle;
            truth.position = turn * truth.position;
            truth.angular_velocity = turn * truth.angular_velocity;
        }
        truth.orientation =
            UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(orientation));
        truth.angular_velocity -= truth.base_angular_velocity;
        for (tension, run) in truth.tensions.iter_mut().zip(&self.rod.runs) {
            *tension = run.tension;
        }
        for (angle, motor) in truth.motor_angles.iter_mut().zip(&self.motors) {
            *angle = motor.angle;
        }
    }

    /// Samples the sensors that are due.
    fn observe(&mut self) {
        let now = self.time();
        self.encoders.observe(now, &self.motors);
        let base_due = self.base_imu.as_ref().is_some_and(|imu| imu.due(now));
        if !base_due && !self.imu.due(now) {
            return;
        }
        self.look();
        let truth = &self.truth;
        let (base, base_rate) = (truth.base_orientation, truth.base_angular_velocity);
        let omega = truth.angular_velocity + base_rate;
        self.imu.observe(now, base, truth.orientation, &omega);
        if let Some(imu) = &mut self.base_imu {
            imu.observe(now, base, UnitQuaternion::identity(), &base_rate);
        }
    }

    /// Returns the oldest motor reading delivered by now and not yet taken.
    pub fn take_motor_reading(&mut self) -> Option<&MotorReading> {
        let now = self.time();
        self.encoders.take(now)
    }

    /// Returns the oldest reading of the head's IMU delivered by now and not yet taken.
    pub fn take_imu_reading(&mut self) -> Option<ImuReading> {
        let now = self.time();
        self.imu.take(now)
    }

    /// Returns the oldest reading of the base's IMU delivered by now and not yet taken; `None`
    /// without a base IMU.
    pub fn take_base_imu_reading(&mut self) -> Option<ImuReading> {
        let now = self.time();
        self.base_imu.as_mut()?.take(now)
    }

    /// Returns the true state.
    pub fn truth(&self) -> &Truth {
        &self.truth
    }

    /// Returns the kinetic, elastic, gravitational and tendon energy, J, of the motion in the
    /// panned frame, for checks of the mechanics. It is valid only while base and pan are at rest.
    /// Then it never grows with motors at rest.
    pub fn energy(&self) -> f64 {
        self.rod.energy()
    }
}

/// Returns the bend vector of a head orientation: angle and direction of its z axis.
fn lean(rotation: &Matrix3<f64>) -> Vector2<f64> {
    let across = Vector2::new(rotation[(0, 2)], rotation[(1, 2)]);
    let sine = across.norm();
    let angle = sine.atan2(rotation[(2, 2)]);
    // theta / sin(theta) tends to 1 at the straight joint; a head that points straight down has no
    // direction.
    if sine < 1e-12 {
        across
    } else {
        across * (angle / sine)
    }
}

/// Returns the tendons and their drums as built: the description's, off by the tolerances.
fn build(
    description: &JointDescription,
    options: &Options,
    pretension: Vec<f64>,
    seed: u64,
) -> (Vec<Run>, Vec<Drum>) {
    let mut random = Random::new(seed, 1);
    let spread = options.tolerances.unwrap_or(Tolerances {
        radius: 0.0,
        anchor: 0.0,
        zero: 0.0,
    });
    let one = |(tendon, tension): (&SimulatedTendon, f64)| {
        let mut built = tendon.clone();
        built.base_angle += spread.anchor * random.symmetric();
        built.head_angle += spread.anchor * random.symmetric();
        let radii = [
            &mut built.base_radius,
            &mut built.head_radius,
            &mut built.drum_radius,
        ];
        for radius in radii.into_iter().chain(&mut built.guide_radii) {
            *radius *= 1.0 + spread.radius * random.symmetric();
        }
        let zero = spread.zero * random.symmetric();
        let sign = if built.positive_reels_in { 1.0 } else { -1.0 };
        let reel = sign * built.drum_radius / built.gear_ratio;
        let mut run = run(&built);
        run.pretension = tension;
        (run, Drum { reel, zero })
    };
    description.tendons.iter().zip(pretension).map(one).unzip()
}

/// Returns the motors, the pan's last, and their encoders' counts per turn.
fn servos(description: &JointDescription, options: &Options) -> (Vec<Motor>, Vec<u32>) {
    let mut drives = vec![description.motor; description.tendons.len()];
    drives.extend(description.pan.map(|pan| SimulatedMotor {
        bandwidth: pan.bandwidth,
        speed_limit: pan.speed_limit,
        acceleration_limit: pan.acceleration_limit,
        encoder_counts: pan.encoder_counts,
        ..description.motor
    }));
    let servo = |motor| Motor::new(motor, options.motor_speed_scale, options.stiction);
    (
        drives.iter().map(servo).collect(),
        drives.iter().map(|drive| drive.encoder_counts).collect(),
    )
}

/// Returns the path of one tendon.
fn run(tendon: &SimulatedTendon) -> Run {
    let at = |radius: f64, angle: f64, height: f64| {
        Vector3::new(radius * angle.cos(), radius * angle.sin(), height)
    };
    let spaces = tendon.guide_radii.len() + 1;
    // The shorter angle between the two ends.
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

/// Returns the tensions nearest to `mean` (least squares) that leave the straight joint without a
/// bending moment: mean 1 - A^T (A A^T)^-1 A mean 1, with A the 2 x n slopes of length over bend.
fn balanced_pretension(runs: &[Run], mean: f64) -> Result<Vec<f64>, DescriptionError> {
    if runs.is_empty() {
        return Ok(Vec::new());
    }
    let a = DMatrix::from_fn(2, runs.len(), |r, c| runs[c].straight_slope()[r]);
    let even = DVector::from_element(runs.len(), mean);
    let moment = &a * &even;
    // Tendons in one plane with the beam bend it in that plane only: no balance in the other
    // direction.
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

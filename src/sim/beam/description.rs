//! Description of a simulated joint, and deviations of a built one from it.

use nalgebra::UnitQuaternion;

/// One tendon of a simulated joint. Angles from +x toward +y, at the base in the base frame and at
/// the head in the head frame.
#[derive(Clone, Debug, PartialEq)]
pub struct SimulatedTendon {
    /// Anchor angle at the base, rad.
    pub base_angle: f64,
    /// Anchor radius at the base, m, above 0.
    pub base_radius: f64,
    /// Height of the base anchor above the beam's foot, m (below the foot: negative).
    pub base_offset: f64,
    /// Anchor angle at the head, rad.
    pub head_angle: f64,
    /// Anchor radius at the head, m, above 0.
    pub head_radius: f64,
    /// Height of the head anchor above the beam's end, m.
    pub head_offset: f64,
    /// Radius of the guide point on each disc, m, base to head. Discs sit at equal arc spacing,
    /// their guide points at angles interpolated between the two ends. Empty: one straight run.
    pub guide_radii: Vec<f64>,
    /// Effective drum radius (tendon thickness included), m, above 0.
    pub drum_radius: f64,
    /// Motor turns per drum turn, above 0.
    pub gear_ratio: f64,
    /// True if a positive motor angle reels the tendon in.
    pub positive_reels_in: bool,
    /// Axial stiffness of tendon and drive, N/m, above 0.
    pub stiffness: f64,
    /// Axial damping while taut, N s/m, 0 or above.
    pub damping: f64,
}

/// Position or velocity drive of ideal stiff geared servos: they follow their command whatever the
/// load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SimulatedMotor {
    /// Bandwidth of the closed position loop and of the velocity loop, rad/s, above 0.
    pub bandwidth: f64,
    /// Speed limit, rad/s, above 0.
    pub speed_limit: f64,
    /// Acceleration limit, rad/s^2, above 0.
    pub acceleration_limit: f64,
    /// Time without a command after which a position drive holds its angle and a velocity drive
    /// stops, s.
    pub command_timeout: f64,
    /// Encoder counts per motor turn, 1 or above.
    pub encoder_counts: u32,
}

/// A motor under the beam's foot that turns beam, tendons and their motors about the base's z axis.
/// It is of the same kind as the others and has their command timeout. It is exactly as drawn,
/// whatever the build tolerances.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SimulatedPan {
    /// Bandwidth of the closed position loop and of the velocity loop, rad/s, above 0.
    pub bandwidth: f64,
    /// Speed limit at the motor, rad/s, above 0.
    pub speed_limit: f64,
    /// Acceleration limit at the motor, rad/s^2, above 0.
    pub acceleration_limit: f64,
    /// Encoder counts per motor turn, 1 or above.
    pub encoder_counts: u32,
    /// Motor turns per turn of the pan, above 0.
    pub gear_ratio: f64,
    /// True if a positive motor angle turns the beam from +x toward +y.
    pub positive_turns_left: bool,
}

impl SimulatedPan {
    /// Returns the pan of the glasshouse guide's neck (invented): 3 rad/s, 40 rad/s^2, bandwidth
    /// 50 rad/s, 16384 counts, no gear.
    pub fn glasshouse() -> Self {
        Self {
            bandwidth: 50.0,
            speed_limit: 3.0,
            acceleration_limit: 40.0,
            encoder_counts: 16384,
            gear_ratio: 1.0,
            positive_turns_left: true,
        }
    }
}

/// An IMU on the base plate, below the pan. Its heading drifts as the head's does, from its own
/// start.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SimulatedBaseImu {
    /// Maps IMU coordinates to base coordinates.
    pub mounting: UnitQuaternion<f64>,
    /// Sample rate, Hz, 0.01 to 1000.
    pub rate: f64,
    /// Latency from a reading's stamp to its delivery, s, 0 to 10.
    pub age: f64,
    /// Orientation noise per axis, rad rms, 0 or above, independent from sample to sample.
    pub orientation_noise: f64,
    /// Angular velocity noise per axis, rad/s rms, 0 or above.
    pub gyro_noise: f64,
}

impl SimulatedBaseImu {
    /// Returns an IMU aligned with the base, 200 Hz, 4 ms latency, noise as the head's.
    pub fn glasshouse() -> Self {
        let head = SensorOptions::default();
        Self {
            mounting: UnitQuaternion::identity(),
            rate: head.imu_rate,
            age: head.imu_age,
            orientation_noise: head.orientation_noise,
            gyro_noise: head.gyro_noise,
        }
    }
}

/// A simulated joint as drawn: SI units, radians.
#[derive(Clone, Debug, PartialEq)]
pub struct JointDescription {
    /// Length of the beam's axis, m, above 0.
    pub length: f64,
    /// Flexural rigidity EI, the same in both directions, N m^2, above 0.
    pub flexural_rigidity: f64,
    /// Mass of the beam, kg, 0 or above.
    pub beam_mass: f64,
    /// Kelvin-Voigt retardation time of the beam's material, s, 0 or above.
    pub retardation: f64,
    /// Viscous drag of the air on the head plate, N s/m, 0 or above.
    pub air_drag: f64,
    /// Head plate mass, kg, above 0.
    pub head_mass: f64,
    /// Height of the head plate's centre of mass above the beam's end, m.
    pub head_height: f64,
    /// Head plate's principal moments of inertia about its centre of mass, head axes, kg m^2, 0 or
    /// above.
    pub head_inertia: [f64; 3],
    /// Orientation of the base in the level world frame (z up) at the start: maps base coordinates
    /// to world coordinates.
    pub base_orientation: UnitQuaternion<f64>,
    /// Gravity, m/s^2, 0 or above, along the world's -z.
    pub gravity: f64,
    /// Mean tension of the straight joint with all motors at zero, N; the balanced tensions nearest
    /// to it are used.
    pub pretension: f64,
    /// Tendons: 3 or more, or none for a bare beam.
    pub tendons: Vec<SimulatedTendon>,
    /// Motors of the tendons, one each, all alike.
    pub motor: SimulatedMotor,
    /// Pan motor; `None` if the beam is fixed to the base.
    pub pan: Option<SimulatedPan>,
    /// Maps IMU coordinates to head coordinates.
    pub imu_mounting: UnitQuaternion<f64>,
    /// The base's IMU, if there is one.
    pub base_imu: Option<SimulatedBaseImu>,
}

/// Half-widths of the uniform spread of a built joint about its drawing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerances {
    /// Spread of every anchor, guide and drum radius, as a fraction.
    pub radius: f64,
    /// Spread of every anchor angle, rad.
    pub anchor: f64,
    /// Spread of every drum's zero, rad at the motor.
    pub zero: f64,
}

impl Default for Tolerances {
    /// Returns 2 %, 1 deg and 0.5 deg.
    fn default() -> Self {
        Self {
            radius: 0.02,
            anchor: 1f64.to_radians(),
            zero: 0.5f64.to_radians(),
        }
    }
}

/// Rates, latencies and noise of the sensors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorOptions {
    /// Sample rate of the motor readings, Hz, above 0 (periods of whole milliseconds are exact).
    pub motor_rate: f64,
    /// Latency from a motor reading's stamp to its delivery, s, 0 or above.
    pub motor_age: f64,
    /// Sample rate of the IMU, Hz, above 0.
    pub imu_rate: f64,
    /// Latency from an IMU reading's stamp to its delivery, s, 0 or above.
    pub imu_age: f64,
    /// Orientation noise per axis, rad rms, 0 or above, independent from sample to sample.
    pub orientation_noise: f64,
    /// Yaw drift, rad/s: the reported heading turns at this rate from an unknown start.
    pub yaw_drift: f64,
    /// Angular velocity noise per axis, rad/s rms, 0 or above.
    pub gyro_noise: f64,
}

impl Default for SensorOptions {
    /// Returns 200 Hz motors without latency and a 200 Hz IMU: 4 ms latency, 0.06 deg and
    /// 0.01 rad/s rms, heading drift 1 deg a minute.
    fn default() -> Self {
        Self {
            motor_rate: 200.0,
            motor_age: 0.0,
            imu_rate: 200.0,
            imu_age: 0.004,
            orientation_noise: 0.06f64.to_radians(),
            yaw_drift: 1f64.to_radians() / 60.0,
            gyro_noise: 0.01,
        }
    }
}

/// Deviations of a built joint from its drawing, and its sensors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Spread of the build; `None` builds it exactly as drawn.
    pub tolerances: Option<Tolerances>,
    /// Motor stiction, rad at the motor, 0 or above: a motor at rest stays until its position error
    /// exceeds it.
    pub stiction: f64,
    /// Speed limit of every motor as a fraction of the drawn one, above 0.
    pub motor_speed_scale: f64,
    /// Sensor rates, latencies and noise.
    pub sensors: SensorOptions,
}

impl Default for Options {
    /// Returns a joint as drawn, without stiction, with full motor speed and default sensors.
    fn default() -> Self {
        Self {
            tolerances: None,
            stiction: 0.0,
            motor_speed_scale: 1.0,
            sensors: SensorOptions::default(),
        }
    }
}

/// Reason why a joint cannot be simulated, as one sentence.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum DescriptionError {
    /// A quantity outside its range.
    #[error("simulated joint: {name} is {value}; accepted: {accepted}")]
    Value {
        /// The quantity.
        name: String,
        /// Value given.
        value: f64,
        /// Accepted range.
        accepted: &'static str,
    },
    /// One or two tendons.
    #[error("simulated joint: {0} tendons; accepted: 3 or more, or none for a bare beam")]
    TendonCount(usize),
    /// Numbers of guide discs without a common spacing.
    #[error(
        "simulated joint: the guide disc counts of the tendons have no common spacing of 240 \
         segments or fewer"
    )]
    Guides,
    /// No strictly positive balanced tension.
    #[error(
        "simulated joint: the tendons cannot all pull in balance (tendon {tendon} would carry {tension:.3} N)"
    )]
    Balance {
        /// The tendon that would go slack, from 0.
        tendon: usize,
        /// Tension of this tendon in balance, N.
        tension: f64,
    },
}

impl JointDescription {
    /// Returns the neck of a glasshouse guide robot (invented): a 120 mm elastomer beam, four
    /// tendons 33 mm out at uneven angles from 20 deg, two guide discs.
    pub fn glasshouse() -> Self {
        Self::glasshouse_with([20.0, 115.0, 197.0, 290.0].map(f64::to_radians).as_slice())
    }

    /// Returns the same neck with tendons at the given angles (rad), 3 or more.
    pub fn glasshouse_with(angles: &[f64]) -> Self {
        // The total tendon stiffness stays that of four.
        let share = 4.0 / angles.len().max(1) as f64;
        let tendons = angles
            .iter()
            .map(|&angle| SimulatedTendon {
                base_angle: angle,
                base_radius: 0.033,
                base_offset: 0.0,
                head_angle: angle,
                head_radius: 0.033,
                head_offset: 0.0,
                guide_radii: vec![0.033; 2],
                drum_radius: 0.008,
                gear_ratio: 1.0,
                positive_reels_in: true,
                stiffness: 1600.0 * share,
                damping: 0.0,
            })
            .collect();
        Self {
            length: 0.12,
            flexural_rigidity: 0.05,
            beam_mass: 0.06,
            retardation: 0.022,
            air_drag: 0.02,
            head_mass: 0.09,
            head_height: 0.008,
            head_inertia: [5.0e-5, 5.0e-5, 9.0e-5],
            base_orientation: UnitQuaternion::identity(),
            gravity: 9.81,
            pretension: 4.0 * share,
            tendons,
            motor: SimulatedMotor {
                bandwidth: 60.0,
                speed_limit: 12.0,
                acceleration_limit: 600.0,
                command_timeout: 0.2,
                encoder_counts: 4096,
            },
            pan: None,
            imu_mounting: UnitQuaternion::identity(),
            base_imu: None,
        }
    }

    /// Returns the glasshouse guide's neck on a pan motor, with an IMU on its base.
    pub fn glasshouse_with_pan() -> Self {
        Self {
            pan: Some(SimulatedPan::glasshouse()),
            base_imu: Some(SimulatedBaseImu::glasshouse()),
            ..Self::glasshouse()
        }
    }

    /// Checks all ranges; NaN fails each check.
    pub(super) fn check(&self, options: &Options) -> Result<(), DescriptionError> {
        if matches!(self.tendons.len(), 1 | 2) {
            return Err(DescriptionError::TendonCount(self.tendons.len()));
        }
        self.check_body()?;
        for (i, tendon) in self.tendons.iter().enumerate() {
            tendon.check(i)?;
        }
        self.motor.check()?;
        if let Some(pan) = &self.pan {
            pan.check()?;
        }
        options.check()?;
        if let Some(imu) = &self.base_imu {
            rate("base IMU rate (Hz)", imu.rate)?;
            latency("base IMU latency (s)", imu.age)?;
            not_negative("base IMU orientation noise (rad)", imu.orientation_noise)?;
            not_negative("base IMU angular velocity noise (rad/s)", imu.gyro_noise)?;
        }
        Ok(())
    }

    /// Checks beam and head.
    fn check_body(&self) -> Result<(), DescriptionError> {
        positive("length (m)", self.length)?;
        positive("flexural rigidity (N m^2)", self.flexural_rigidity)?;
        not_negative("beam mass (kg)", self.beam_mass)?;
        not_negative("retardation time (s)", self.retardation)?;
        not_negative("air drag (N s/m)", self.air_drag)?;
        positive("head mass (kg)", self.head_mass)?;
        finite("head height (m)", self.head_height)?;
        for moment in self.head_inertia {
            not_negative("head inertia (kg m^2)", moment)?;
        }
        not_negative("gravity (m/s^2)", self.gravity)?;
        if self.tendons.is_empty() {
            return Ok(());
        }
        positive("pretension (N)", self.pretension)
    }
}

impl SimulatedTendon {
    fn check(&self, index: usize) -> Result<(), DescriptionError> {
        let name = |what: &str| format!("tendon {index} {what}");
        finite(&name("base angle (rad)"), self.base_angle)?;
        finite(&name("head angle (rad)"), self.head_angle)?;
        positive(&name("base radius (m)"), self.base_radius)?;
        positive(&name("head radius (m)"), self.head_radius)?;
        finite(&name("base offset (m)"), self.base_offset)?;
        finite(&name("head offset (m)"), self.head_offset)?;
        for &radius in &self.guide_radii {
            positive(&name("guide radius (m)"), radius)?;
        }
        positive(&name("drum radius (m)"), self.drum_radius)?;
        positive(&name("gear ratio"), self.gear_ratio)?;
        positive(&name("stiffness (N/m)"), self.stiffness)?;
        not_negative(&name("damping (N s/m)"), self.damping)
    }
}

impl SimulatedMotor {
    fn check(&self) -> Result<(), DescriptionError> {
        positive("motor bandwidth (rad/s)", self.bandwidth)?;
        positive("motor speed limit (rad/s)", self.speed_limit)?;
        let limit = self.acceleration_limit;
        positive("motor acceleration limit (rad/s^2)", limit)?;
        positive("motor command timeout (s)", self.command_timeout)?;
        positive("encoder counts per turn", f64::from(self.encoder_counts))
    }
}

impl SimulatedPan {
    fn check(&self) -> Result<(), DescriptionError> {
        positive("pan bandwidth (rad/s)", self.bandwidth)?;
        positive("pan speed limit (rad/s)", self.speed_limit)?;
        positive("pan acceleration limit (rad/s^2)", self.acceleration_limit)?;
        let counts = f64::from(self.encoder_counts);
        positive("pan encoder counts per turn", counts)?;
        positive("pan gear ratio", self.gear_ratio)
    }
}

impl Options {
    fn check(&self) -> Result<(), DescriptionError> {
        not_negative("motor stiction (rad)", self.stiction)?;
        positive("motor speed scale", self.motor_speed_scale)?;
        if let Some(tolerances) = &self.tolerances {
            let radius = tolerances.radius;
            let fits = (0.0..0.5).contains(&radius);
            accept("radius tolerance", radius, fits, "0 to 0.5")?;
            not_negative("anchor tolerance (rad)", tolerances.anchor)?;
            not_negative("zero tolerance (rad)", tolerances.zero)?;
        }
        let sensors = &self.sensors;
        rate("motor reading rate (Hz)", sensors.motor_rate)?;
        rate("IMU rate (Hz)", sensors.imu_rate)?;
        latency("motor latency (s)", sensors.motor_age)?;
        latency("IMU latency (s)", sensors.imu_age)?;
        not_negative("IMU orientation noise (rad)", sensors.orientation_noise)?;
        not_negative("IMU angular velocity noise (rad/s)", sensors.gyro_noise)?;
        finite("IMU yaw drift (rad/s)", sensors.yaw_drift)
    }
}

/// Returns an error unless `accepted`. Callers write the condition so that NaN is not accepted.
pub(super) fn accept(
    name: &str,
    value: f64,
    accepted: bool,
    range: &'static str,
) -> Result<(), DescriptionError> {
    if accepted {
        Ok(())
    } else {
        Err(DescriptionError::Value {
            name: name.to_string(),
            value,
            accepted: range,
        })
    }
}

pub(super) fn finite(name: &str, value: f64) -> Result<(), DescriptionError> {
    accept(name, value, value.is_finite(), "a finite number")
}

pub(super) fn positive(name: &str, value: f64) -> Result<(), DescriptionError> {
    let fits = value > 0.0 && value.is_finite();
    accept(name, value, fits, "a finite number above 0")
}

pub(super) fn not_negative(name: &str, value: f64) -> Result<(), DescriptionError> {
    let fits = value >= 0.0 && value.is_finite();
    accept(name, value, fits, "a finite number, 0 or above")
}

fn rate(name: &str, value: f64) -> Result<(), DescriptionError> {
    let fits = (0.01..=1000.0).contains(&value);
    accept(name, value, fits, "0.01 to 1000")
}

fn latency(name: &str, value: f64) -> Result<(), DescriptionError> {
    let fits = (0.0..=10.0).contains(&value);
    accept(name, value, fits, "0 to 10")
}

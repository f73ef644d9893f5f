//! Simulated-joint files: the simulator's own description of a joint. The controller never reads
//! it.

use std::path::PathBuf;

use nalgebra::UnitQuaternion;

use super::ConfigError;
use super::common::{
    ANGLE, Frames, LENGTH, MM, OFFSET, RADIUS, REELS, TURNS, frames, motor_name, node_name,
    orientation, sign, tendons,
};
use super::joint::{SetpointMessage, setpoint};
use super::table::{Document, Overlaid, Range, Table, read_from_yaml};
use crate::control::controller::CommandInterface;
use crate::sim::beam::{
    DescriptionError, DriveKind, JointDescription, Options, Plant, SensorOptions, SimulatedBaseImu,
    SimulatedMotor, SimulatedPan, SimulatedTendon, Tolerances,
};

pub(super) const KEYS: &[&str] = &[
    "name",
    "namespace",
    "frames",
    "setpoint",
    "beam",
    "head",
    "base_orientation_deg",
    "gravity_m_s2",
    "pretension_n",
    "all_tendons",
    "tendons",
    "motor",
    "pan",
    "imu",
    "base_imu",
    "sensors",
    "build",
];

/// Keys of a single tendon; all but the first may also stand under `all_tendons`.
const TENDON_KEYS: &[&str] = &[
    "motor",
    "base_angle_deg",
    "base_radius_mm",
    "base_offset_mm",
    "head_angle_deg",
    "head_radius_mm",
    "head_offset_mm",
    "guide_radii_mm",
    "drum_radius_mm",
    "tendon_thickness_mm",
    "gear_ratio",
    "sign",
    "stiffness_n_per_m",
    "damping_n_s_per_m",
];

/// kg m^2 per g cm^2.
const GRAM_CM2: f64 = 1e-7;
const GRAM: f64 = 1e-3;
const MILLISECOND: f64 = 1e-3;
const MASS: Range = Range::closed(0.0, 1e5, "g");
const TIME: Range = Range::closed(0.0, 10.0, "s");
const SENSOR_RATE: Range = Range::closed(0.01, 1000.0, "Hz");
const SENSOR_AGE: Range = Range::closed(0.0, 10_000.0, "ms");
const ORIENTATION_NOISE: Range = Range::closed(0.0, 30.0, "deg rms");
const GYRO_NOISE: Range = Range::closed(0.0, 10.0, "rad/s rms");
const BANDWIDTH: Range = Range::above(0.0, 1e4, "rad/s");
const SPEED_LIMIT: Range = Range::above(0.0, 1e5, "rad/s");
const ACCELERATION_LIMIT: Range = Range::above(0.0, 1e7, "rad/s^2");
const GEAR_RATIO: Range = Range::above(0.0, 1e4, "");
const MAX_COUNTS: u64 = 1 << 24;

/// A validated simulated-joint file; the joint can be built from it.
#[derive(Clone, Debug)]
pub struct SimulatedFile {
    /// Path of the file.
    pub file: PathBuf,
    /// Name of the simulated joint's node.
    pub name: String,
    /// Namespace of its node, `/` or starting with it.
    pub namespace: String,
    /// Names of the motors in `joint_states` and setpoints, in tendon order, the pan motor last.
    pub motor_names: Vec<String>,
    /// Names of the coordinate frames.
    pub frames: Frames,
    /// Command interface of the motors.
    pub drive: DriveKind,
    /// Message type in which setpoints are received.
    pub setpoint_message: SetpointMessage,
    /// The nominal joint, without build tolerances.
    pub description: JointDescription,
    /// Deviations of the built joint from the nominal one, and its sensors.
    pub options: Options,
    /// Random seed of the build and of the noise.
    pub seed: u64,
}

read_from_yaml! { SimulatedFile, SimulatedJoint, "a simulated-joint file" }

impl SimulatedFile {
    fn checked(document: &Document) -> Result<Self, ConfigError> {
        let top = document.top()?;
        let (name, namespace) = node_name(&top, "simulated_joint")?;
        let (kind, setpoint_message) = setpoint(&top)?;
        let (mut motor_names, tendons) = tendons(&top, TENDON_KEYS, tendon)?;
        let pan = pan(&top, &mut motor_names)?;
        let (options, seed) = options(&top)?;
        let description = description(&top, tendons, pan)?;
        Plant::new(&description, &options, seed).map_err(|e| refused(&top, &e))?;
        Ok(Self {
            file: document.file.clone(),
            name,
            namespace,
            motor_names,
            frames: frames(&top)?,
            drive: match kind {
                CommandInterface::Position => DriveKind::Position,
                CommandInterface::Velocity => DriveKind::Velocity,
            },
            setpoint_message,
            description,
            options,
            seed,
        })
    }
}

fn description(
    top: &Table,
    tendons: Vec<SimulatedTendon>,
    pan: Option<SimulatedPan>,
) -> Result<JointDescription, ConfigError> {
    let beam_keys = [
        "length_mm",
        "flexural_rigidity_n_m2",
        "mass_g",
        "retardation_s",
        "air_drag_n_s_per_m",
    ];
    let beam = top.need_table("beam", &beam_keys)?;
    let head = top.need_table("head", &["mass_g", "height_mm", "inertia_g_cm2"])?;
    let inertia = head.numbers("inertia_g_cm2", 3..=3, Range::closed(0.0, 1e9, "g cm^2"))?;
    Ok(JointDescription {
        length: beam.number(beam_keys[0], LENGTH)? * MM,
        flexural_rigidity: beam.number(beam_keys[1], Range::above(0.0, 1e4, "N m^2"))?,
        beam_mass: beam.number(beam_keys[2], MASS)? * GRAM,
        retardation: beam.number(beam_keys[3], TIME)?,
        air_drag: beam.number(beam_keys[4], Range::closed(0.0, 1000.0, "N s/m"))?,
        head_mass: head.number("mass_g", Range::above(0.0, 1e5, "g"))? * GRAM,
        head_height: head.number("height_mm", OFFSET)? * MM,
        head_inertia: [0, 1, 2].map(|axis| inertia[axis] * GRAM_CM2),
        base_orientation: UnitQuaternion::from_rotation_matrix(&orientation(
            top,
            "base_orientation_deg",
        )?),
        gravity: top.number_or("gravity_m_s2", Range::closed(0.0, 100.0, "m/s^2"), 9.81)?,
        pretension: top.number("pretension_n", Range::above(0.0, 1e4, "N"))?,
        tendons,
        motor: motor(top)?,
        pan,
        imu_mounting: UnitQuaternion::from_rotation_matrix(&imu_mounting(top)?),
        base_imu: base_imu(top)?,
    })
}

fn imu_mounting(top: &Table) -> Result<nalgebra::Rotation3<f64>, ConfigError> {
    match top.table("imu", &["mounting_deg"])? {
        None => Ok(nalgebra::Rotation3::identity()),
        Some(imu) => orientation(&imu, "mounting_deg"),
    }
}

/// Reads the pan motor, if there is one, and appends its name to `names`.
fn pan(top: &Table, names: &mut Vec<String>) -> Result<Option<SimulatedPan>, ConfigError> {
    let keys = [
        "motor",
        "bandwidth_rad_s",
        "speed_limit_rad_s",
        "acceleration_limit_rad_s2",
        "encoder_counts",
        "gear_ratio",
        "sign",
    ];
    let Some(table) = top.table("pan", &keys)? else {
        return Ok(None);
    };
    motor_name(&table, names)?;
    let positive_turns_left = sign(&table, TURNS)? > 0.0;
    Ok(Some(SimulatedPan {
        bandwidth: table.number(keys[1], BANDWIDTH)?,
        speed_limit: table.number(keys[2], SPEED_LIMIT)?,
        acceleration_limit: table.number(keys[3], ACCELERATION_LIMIT)?,
        encoder_counts: table.whole(keys[4], 1, MAX_COUNTS)? as u32,
        gear_ratio: table.number_or(keys[5], GEAR_RATIO, 1.0)?,
        positive_turns_left,
    }))
}

/// Reads the IMU on the base, if there is one.
fn base_imu(top: &Table) -> Result<Option<SimulatedBaseImu>, ConfigError> {
    let keys = [
        "mounting_deg",
        "rate_hz",
        "latency_ms",
        "orientation_noise_deg",
        "gyro_noise_rad_s",
    ];
    let Some(table) = top.table("base_imu", &keys)? else {
        return Ok(None);
    };
    Ok(Some(SimulatedBaseImu {
        mounting: UnitQuaternion::from_rotation_matrix(&orientation(&table, keys[0])?),
        rate: table.number(keys[1], SENSOR_RATE)?,
        age: table.number(keys[2], SENSOR_AGE)? * MILLISECOND,
        orientation_noise: table.number(keys[3], ORIENTATION_NOISE)?.to_radians(),
        gyro_noise: table.number(keys[4], GYRO_NOISE)?,
    }))
}

fn motor(top: &Table) -> Result<SimulatedMotor, ConfigError> {
    let keys = [
        "bandwidth_rad_s",
        "speed_limit_rad_s",
        "acceleration_limit_rad_s2",
        "command_timeout_s",
        "encoder_counts",
    ];
    let table = top.need_table("motor", &keys)?;
    Ok(SimulatedMotor {
        bandwidth: table.number(keys[0], BANDWIDTH)?,
        speed_limit: table.number(keys[1], SPEED_LIMIT)?,
        acceleration_limit: table.number(keys[2], ACCELERATION_LIMIT)?,
        command_timeout: table.number(keys[3], Range::above(0.0, 1e6, "s"))?,
        encoder_counts: table.whole(keys[4], 1, MAX_COUNTS)? as u32,
    })
}

fn tendon(table: &Overlaid) -> Result<SimulatedTendon, ConfigError> {
    let base_angle = table.number("base_angle_deg", ANGLE)?;
    let base_radius = table.number("base_radius_mm", RADIUS)?;
    let guides = table.of("guide_radii_mm");
    let guide_radii = match guides.get("guide_radii_mm") {
        None => Vec::new(),
        Some(_) => guides.numbers("guide_radii_mm", 0..=200, RADIUS)?,
    };
    let thickness = Range::closed(0.0, 50.0, "mm");
    let drum = table.number("drum_radius_mm", RADIUS)?
        + 0.5 * table.number_or("tendon_thickness_mm", thickness, 0.0)?;
    Ok(SimulatedTendon {
        base_angle: base_angle.to_radians(),
        base_radius: base_radius * MM,
        base_offset: table.number_or("base_offset_mm", OFFSET, 0.0)? * MM,
        head_angle: table
            .number_or("head_angle_deg", ANGLE, base_angle)?
            .to_radians(),
        head_radius: table.number_or("head_radius_mm", RADIUS, base_radius)? * MM,
        head_offset: table.number_or("head_offset_mm", OFFSET, 0.0)? * MM,
        guide_radii: guide_radii.iter().map(|r| r * MM).collect(),
        drum_radius: drum * MM,
        gear_ratio: table.number_or("gear_ratio", GEAR_RATIO, 1.0)?,
        positive_reels_in: sign(table.of("sign"), REELS)? > 0.0,
        stiffness: table.number("stiffness_n_per_m", Range::above(0.0, 1e7, "N/m"))?,
        damping: table.number_or("damping_n_s_per_m", Range::closed(0.0, 1e6, "N s/m"), 0.0)?,
    })
}

fn sensors(top: &Table) -> Result<SensorOptions, ConfigError> {
    let keys = [
        "motor_rate_hz",
        "motor_latency_ms",
        "imu_rate_hz",
        "imu_latency_ms",
        "orientation_noise_deg",
        "yaw_drift_deg_per_min",
        "gyro_noise_rad_s",
    ];
    let table = top.need_table("sensors", &keys)?;
    Ok(SensorOptions {
        motor_rate: table.number(keys[0], SENSOR_RATE)?,
        motor_age: table.number(keys[1], SENSOR_AGE)? * MILLISECOND,
        imu_rate: table.number(keys[2], SENSOR_RATE)?,
        imu_age: table.number(keys[3], SENSOR_AGE)? * MILLISECOND,
        orientation_noise: table.number(keys[4], ORIENTATION_NOISE)?.to_radians(),
        yaw_drift: table
            .number(keys[5], Range::closed(-3600.0, 3600.0, "deg/min"))?
            .to_radians()
            / 60.0,
        gyro_noise: table.number(keys[6], GYRO_NOISE)?,
    })
}

/// Reads the build options and the seed.
fn options(top: &Table) -> Result<(Options, u64), ConfigError> {
    let sensors = sensors(top)?;
    let keys = [
        "seed",
        "radius_tolerance_percent",
        "anchor_tolerance_deg",
        "zero_tolerance_deg",
        "stiction_rad",
        "motor_speed_scale",
    ];
    let Some(table) = top.table("build", &keys)? else {
        let options = Options {
            sensors,
            ..Options::default()
        };
        return Ok((options, 1));
    };
    let tolerances = Tolerances {
        radius: 0.01 * table.number_or(keys[1], Range::closed(0.0, 49.0, "percent"), 0.0)?,
        anchor: table
            .number_or(keys[2], Range::closed(0.0, 90.0, "deg"), 0.0)?
            .to_radians(),
        zero: table
            .number_or(keys[3], Range::closed(0.0, 90.0, "deg"), 0.0)?
            .to_radians(),
    };
    let spread = keys[1..=3].iter().any(|key| table.get(key).is_some());
    let seed = match table.get(keys[0]) {
        None => 1,
        Some(_) => table.whole(keys[0], 0, u64::MAX)?,
    };
    let options = Options {
        tolerances: spread.then_some(tolerances),
        stiction: table.number_or(keys[4], Range::closed(0.0, 1.0, "rad"), 0.0)?,
        motor_speed_scale: table.number_or(keys[5], Range::above(0.0, 10.0, ""), 1.0)?,
        sensors,
    };
    Ok((options, seed))
}

/// Reports parts that do not work together.
fn refused(top: &Table, error: &DescriptionError) -> ConfigError {
    let (key, value, accepted) = match error {
        DescriptionError::Balance { tendon, tension } => (
            "tendons".to_string(),
            format!("a ring in which tendons[{tendon}] would carry {tension:.3} N in balance"),
            "tendons on all sides, so that all can pull in balance",
        ),
        DescriptionError::Guides => (
            "tendons".to_string(),
            "a ring whose numbers of guide_radii_mm have no common spacing of 240 segments or fewer"
                .to_string(),
            "numbers of guides that share a spacing",
        ),
        DescriptionError::TendonCount(count) => (
            "tendons".to_string(),
            format!("a list of {count}"),
            "a list of 3 or more",
        ),
        DescriptionError::Value {
            name,
            value,
            accepted,
        } => (name.clone(), value.to_string(), *accepted),
    };
    top.refuse_as(&key, value, accepted)
}

//! Joint files: the joint, its node's settings and its gain sets.

use std::path::{Path, PathBuf};

use nalgebra::{Rotation3, Vector3};

use super::commands::{Commands, commands};
use super::common::{
    ANGLE, Frames, LENGTH, MM, OFFSET, RADIUS, RATE, REELS, TRAVEL, frames, node_name, orientation,
    sign, tendons, travel,
};
use super::gains::{check_kind, check_name, kind};
use super::look::{FixedFrame, base_imu, camera, fixed_frames, gazer, pan};
use super::reach::reach_deg;
use super::refused::{law_refused, routing_refused};
use super::self_support::{self, cantilever};
use super::supervision::{RuleKey, supervision};
use super::table::{Document, Overlaid, Table, read_from_yaml};
use super::tunable::WIDEST;
use super::{ConfigError, JointModel, Kind, LIMITS, MOTOR_LIMITS, ModelsFile, NamedGainSet, Range};
use crate::control::aim::Aim;
use crate::control::controller::CommandInterface;
use crate::control::gaze::{Gazer, PanLimits};
use crate::control::kinematics::{Kinematics, Motor, Routing, Tendon};
use crate::control::self_support::{Cantilever, Load, SelfSupport};
use crate::control::tick::{Feedback, Joint, Law, LawError, Limits, MotorLimits, Supervision};

pub(super) const KEYS: &[&str] = &[
    "name",
    "namespace",
    "frames",
    "beam",
    "base_orientation_deg",
    "imu",
    "base_imu",
    "camera",
    "pan",
    "fixed_frames",
    "all_tendons",
    "tendons",
    "motors",
    "tick",
    "feedback",
    "settled",
    "limits",
    "supervision",
    "autostart",
    "commands",
    "setpoint",
    "gain_sets",
    "initial_gain_set",
    "models",
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
    "disc_radius_mm",
    "stiffness_n_per_m",
    "pretension_n",
    "drum_radius_mm",
    "tendon_thickness_mm",
    "gear_ratio",
    "sign",
    "travel_deg",
    "travel_rad",
    "speed_rad_s",
    "acceleration_rad_s2",
];

/// Source of control ticks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TickSource {
    /// A timer of fixed rate with absolute deadlines.
    Timer,
    /// Each IMU sample.
    Imu,
}

/// Message type that setpoints are published in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SetpointMessage {
    /// sensor_msgs/JointState, motors by name.
    JointState,
    /// std_msgs/Float64MultiArray, in motor order.
    Float64Array,
}

/// A validated joint file; a law can be made from every gain set in it.
#[derive(Clone, Debug)]
pub struct JointFile {
    /// Path of the file.
    pub file: PathBuf,
    /// Name of the joint's node.
    pub name: String,
    /// Namespace of the joint's node, `/` or starting with it.
    pub namespace: String,
    /// Names of the motors in `joint_states`, in tendon order.
    pub motor_names: Vec<String>,
    /// Name of the pan motor in `joint_states`; `None` without a pan motor.
    pub pan_name: Option<String>,
    /// Solver that finds the configuration for a gaze point; `None` without a camera.
    pub gazer: Option<Gazer>,
    /// Frames at fixed poses relative to each other.
    pub fixed_frames: Vec<FixedFrame>,
    /// The joint as the control loop uses it; `sample_period` is that of `feedback`.
    pub joint: Joint,
    /// Beam, head and payload, if the file gives them; see [`JointFile::self_support`].
    pub cantilever: Option<Cantilever>,
    /// Limits at start.
    pub limits: Limits,
    /// Rules, and the keys of each that the file sets. While the node runs, none of them may become
    /// looser or milder.
    pub limited: Vec<RuleKey>,
    /// Feedback at start.
    pub feedback: Feedback,
    /// Command sources at start.
    pub commands: Commands,
    /// Command interface of the motors.
    pub kind: CommandInterface,
    /// Message type that setpoints are published in.
    pub setpoint_message: SetpointMessage,
    /// Source of control ticks. The period, nominal for `imu`, is `joint.period`.
    pub tick: TickSource,
    /// Nominal period of IMU samples, s.
    pub imu_period: f64,
    /// Nominal period of motor samples, s.
    pub motor_period: f64,
    /// Names of the coordinate frames.
    pub frames: Frames,
    /// The gain sets, with different names.
    pub gain_sets: Vec<NamedGainSet>,
    /// Index of the gain set in force at start.
    pub initial: usize,
    /// True if the node activates itself as soon as the joint is ready.
    pub autostart: bool,
    /// Models on which gain sets are examined; empty if the file names none.
    pub models: Vec<JointModel>,
}

read_from_yaml! { JointFile, Joint, "a joint file with its gain sets and models" }

impl JointFile {
    fn checked(document: &Document) -> Result<Self, ConfigError> {
        let top = document.top()?;
        let (name, namespace) = node_name(&top, "withy")?;
        let frames = frames(&top)?;
        let (imu_period, head_from_imu) = imu(&top)?;
        let (motor_period, motor_time_constant, following_error_limit) = motors(&top)?;
        let (tick, period) = tick(&top, imu_period)?;
        let feedback = top.choice(
            "feedback",
            &[("imu", Feedback::Imu), ("motors", Feedback::Motors)],
        )?;
        let tendons = Tendons::read(&top)?;
        let (kinematics, cantilever) = beam(&top, &tendons)?;
        let mut limits = limits(&top, kinematics.routing().max_inclination, tendons.limits)?;
        within_reach(&top, &kinematics, &limits)?;
        let limited;
        (limits.supervision, limited) = supervision(&top, feedback)?;
        let (settled_tolerance, settled_dwell) = settled(&top)?;
        let (pan_name, pan) = pan(&top, &tendons.motor_names)?.unzip();
        let gazer = match camera(&top)? {
            None => None,
            Some(camera) => {
                let length = kinematics.routing().length;
                let most = limits.inclination;
                Some(gazer(&top, length, most, camera, pan.as_ref())?)
            }
        };
        let joint = Joint {
            kinematics,
            head_from_imu,
            gravity_base: gravity_base(&top)?,
            base_from_imu: base_imu(&top)?,
            pan,
            period,
            sample_period: match feedback {
                Feedback::Imu => imu_period,
                Feedback::Motors => motor_period,
            },
            motor_time_constant,
            following_error_limit,
            settled_tolerance,
            settled_dwell,
        };
        let (kind, setpoint_message) = setpoint(&top)?;
        let (gain_sets, initial) = gain_sets(&top, &tendons.motor_names, kind)?;
        for (set, document) in &gain_sets {
            if let Err(error) = Law::new(&joint, &set.gains, &limits, feedback) {
                return Err(law_refused(&top, &document.any_table(), set, &error));
            }
        }
        Ok(Self {
            file: document.file.clone(),
            name,
            namespace,
            motor_names: tendons.motor_names,
            pan_name,
            gazer,
            fixed_frames: fixed_frames(&top, &frames)?,
            joint,
            cantilever,
            limits,
            limited,
            feedback,
            commands: commands(&top)?,
            kind,
            setpoint_message,
            tick,
            imu_period,
            motor_period,
            frames,
            gain_sets: gain_sets.into_iter().map(|(set, _)| set).collect(),
            initial,
            autostart: top.truth_or("autostart", false)?,
            models: models(&top)?,
        })
    }

    /// Returns the joint with the sample period of `feedback`.
    pub fn joint_for(&self, feedback: Feedback) -> Joint {
        Joint {
            sample_period: match feedback {
                Feedback::Imu => self.imu_period,
                Feedback::Motors => self.motor_period,
            },
            ..self.joint.clone()
        }
    }

    /// Returns the names of all motors, the pan motor last.
    pub fn all_motor_names(&self) -> Vec<String> {
        let motors = self.motor_names.iter().chain(&self.pan_name);
        motors.cloned().collect()
    }

    /// Returns the solver that turns targets into configurations of this joint.
    pub fn aim(&self) -> Aim {
        let pan = self.joint.pan.map(|pan| PanLimits {
            low: pan.low,
            high: pan.high,
        });
        Aim::new(self.gazer.clone(), pan, self.limits.inclination)
    }

    /// Returns the law of gain set `set` with the limits and feedback of the file and an unknown
    /// payload.
    ///
    /// # Errors
    /// [`LawError`]; never for the gain sets as loaded.
    ///
    /// # Panics
    /// If `set` is not an index of a gain set.
    pub fn law(&self, set: usize) -> Result<Law, LawError> {
        let gains = &self.gain_sets[set].gains;
        let law = Law::new(&self.joint, gains, &self.limits, self.feedback)?;
        Ok(law.with_self_support(&self.joint, self.self_support_of_file(None)))
    }

    /// Returns whether the beam alone supports the head with `payload` without leaning further than
    /// `limits` allow. An unknown payload counts as the heaviest one of the file. A payload with a
    /// known mass and height 0 gets the height of the heaviest one. `gravity_base` is gravity's
    /// direction in the base frame; with a base IMU, the base may tilt by up to 20 deg from there.
    /// For [`crate::control::tick::Law::with_self_support`]. Takes some milliseconds.
    pub fn self_support(
        &self,
        payload: Option<Load>,
        gravity_base: Vector3<f64>,
        limits: &Limits,
    ) -> SelfSupport {
        let Some(cantilever) = &self.cantilever else {
            return SelfSupport::NotKnown;
        };
        let payload = payload.map(|told| match told.height {
            0.0 => Load {
                height: cantilever.heaviest.height,
                ..told
            },
            _ => told,
        });
        let tilt = (-gravity_base).angle(&Vector3::z());
        let moves = self.joint.base_from_imu.is_some();
        cantilever.carries(payload, tilt, moves, limits.inclination)
    }

    /// Returns the same for gravity and limits of the file; `payload` is `None` if unknown.
    pub fn self_support_of_file(&self, payload: Option<Load>) -> SelfSupport {
        self.self_support(payload, self.joint.gravity_base, &self.limits)
    }
}

/// Returns gravity's direction in the base frame, from the base's orientation in a level world
/// frame.
fn gravity_base(top: &Table) -> Result<Vector3<f64>, ConfigError> {
    Ok(orientation(top, "base_orientation_deg")?.inverse() * -Vector3::z())
}

/// Reads the sample period, s, and the mounting of the IMU.
fn imu(top: &Table) -> Result<(f64, Rotation3<f64>), ConfigError> {
    let table = top.need_table("imu", &["rate_hz", "mounting_deg"])?;
    let rate = table.number("rate_hz", RATE)?;
    Ok((1.0 / rate, orientation(&table, "mounting_deg")?))
}

/// Reads the sample period, s, the time constant, s, and the following-error limit, rad.
fn motors(top: &Table) -> Result<(f64, f64, f64), ConfigError> {
    let keys = ["rate_hz", "time_constant_s", "following_error_limit_rad"];
    let table = top.need_table("motors", &keys)?;
    Ok((
        1.0 / table.number(keys[0], RATE)?,
        table.number(keys[1], Range::closed(0.0, 1.0, "s"))?,
        table.number(keys[2], Range::above(0.0, 10.0, "rad"))?,
    ))
}

/// Reads the tick source and the period, s.
fn tick(top: &Table, imu_period: f64) -> Result<(TickSource, f64), ConfigError> {
    let table = top.need_table("tick", &["source", "rate_hz"])?;
    let source = table.choice(
        "source",
        &[("timer", TickSource::Timer), ("imu", TickSource::Imu)],
    )?;
    let period = match source {
        TickSource::Timer => 1.0 / table.number("rate_hz", RATE)?,
        TickSource::Imu => {
            let imu_rate = 1.0 / imu_period;
            let rate = table.number_or("rate_hz", RATE, imu_rate)?;
            if (rate - imu_rate).abs() > 1e-9 * imu_rate {
                let accepted = format!(
                    "no rate or imu.rate_hz ({imu_rate}) where each IMU sample starts a tick"
                );
                return Err(table.refuse_as("rate_hz", rate, accepted));
            }
            imu_period
        }
    };
    Ok((source, period))
}

/// Reads the tolerance, rad, and the dwell, s.
fn settled(top: &Table) -> Result<(f64, f64), ConfigError> {
    let keys = ["tolerance_deg", "dwell_s"];
    let table = top.need_table("settled", &keys)?;
    let tolerance = table.number(keys[0], Range::above(0.0, 20.0, "deg"))?;
    let dwell = table.number(keys[1], Range::closed(0.0, 10.0, "s"))?;
    Ok((tolerance.to_radians(), dwell))
}

/// Reads the command interface and the message type.
pub(super) fn setpoint(top: &Table) -> Result<(CommandInterface, SetpointMessage), ConfigError> {
    let table = top.need_table("setpoint", &["kind", "message"])?;
    let message = [
        ("joint_state", SetpointMessage::JointState),
        ("float64_array", SetpointMessage::Float64Array),
    ];
    Ok((kind(&table, "kind")?, table.choice("message", &message)?))
}

fn limits(
    top: &Table,
    max_inclination: f64,
    motors: Vec<MotorLimits>,
) -> Result<Limits, ConfigError> {
    let table = top.need_table("limits", &LIMITS.map(|tunable| tunable.file_key))?;
    let mut limits = Limits {
        inclination: 0.0,
        over_bend: 0.0,
        feedback: 0.0,
        stale_imu: 0.0,
        stale_motors: 0.0,
        stop_after: 0.0,
        motors,
        supervision: Supervision::default(),
    };
    // Rounded, so that the file's own number is accepted and shown.
    let degrees = |angle: f64| (angle.to_degrees() * 1e9).round() / 1e9;
    for tunable in LIMITS {
        let tunable = match tunable.key {
            "inclination" => tunable.within(Range::above(
                0.0,
                degrees(max_inclination).min(WIDEST),
                "deg, the range of beam.max_inclination_deg",
            )),
            "over_bend" => tunable.within(Range::closed(
                degrees(limits.inclination),
                WIDEST,
                "deg, from limits.inclination_deg on",
            )),
            _ => tunable,
        };
        tunable.read(&table, &mut limits)?;
    }
    Ok(limits)
}

/// Refuses an inclination that the motors' travel does not allow in all directions.
fn within_reach(top: &Table, kinematics: &Kinematics, limits: &Limits) -> Result<(), ConfigError> {
    let limit_deg = limits.inclination.to_degrees();
    let reach_deg = reach_deg(kinematics, &limits.motors, limit_deg, 1.0);
    if reach_deg >= limit_deg {
        return Ok(());
    }
    let accepted = format!("at most {reach_deg} deg, which the motors' travel allows all around");
    Err(top.refuse("limits.inclination_deg", accepted))
}

/// The tendons of a joint file with their motors.
struct Tendons {
    motor_names: Vec<String>,
    tendons: Vec<Tendon>,
    motors: Vec<Motor>,
    limits: Vec<MotorLimits>,
}

impl Overlaid<'_> {
    fn tendon(&self) -> Result<Tendon, ConfigError> {
        let base_angle = self.number("base_angle_deg", ANGLE)?;
        let base_radius = self.number("base_radius_mm", RADIUS)?;
        let disc_radius = self.of("disc_radius_mm").get("disc_radius_mm");
        let disc_radius = disc_radius.map(|field| field.number(RADIUS)).transpose()?;
        Ok(Tendon {
            base_angle: base_angle.to_radians(),
            base_radius: base_radius * MM,
            head_angle: self
                .number_or("head_angle_deg", ANGLE, base_angle)?
                .to_radians(),
            head_radius: self.number_or("head_radius_mm", RADIUS, base_radius)? * MM,
            base_offset: self.number_or("base_offset_mm", OFFSET, 0.0)? * MM,
            head_offset: self.number_or("head_offset_mm", OFFSET, 0.0)? * MM,
            disc_radius: disc_radius.map(|radius| radius * MM),
            stiffness: self.number("stiffness_n_per_m", Range::above(0.0, 1e7, "N/m"))?,
            pretension: self.number("pretension_n", Range::above(0.0, 1e4, "N"))?,
        })
    }

    fn motor(&self) -> Result<Motor, ConfigError> {
        Ok(Motor {
            ratio: self.number_or("gear_ratio", Range::above(0.0, 1e4, ""), 1.0)?,
            drum_radius: self.number("drum_radius_mm", RADIUS)? * MM,
            tendon_thickness: self.number_or(
                "tendon_thickness_mm",
                Range::closed(0.0, 50.0, "mm"),
                0.0,
            )? * MM,
            sign: sign(self.of("sign"), REELS)?,
        })
    }

    fn limits(&self) -> Result<MotorLimits, ConfigError> {
        let [deg, rad] = TRAVEL;
        let there = |table: &Table| table.get(deg).is_some() || table.get(rad).is_some();
        let table = match &self.all {
            Some(all) if !there(&self.own) && there(all) => all,
            _ => &self.own,
        };
        let [low, high] = travel(table)?;
        let mut limits = MotorLimits {
            low,
            high,
            speed: 0.0,
            acceleration: 0.0,
        };
        for tunable in &MOTOR_LIMITS[2..] {
            tunable.read(self.of(tunable.file_key), &mut limits)?;
        }
        Ok(limits)
    }
}

impl Tendons {
    fn read(top: &Table) -> Result<Self, ConfigError> {
        let read = |table: &Overlaid| Ok((table.tendon()?, (table.motor()?, table.limits()?)));
        let (motor_names, made) = tendons(top, TENDON_KEYS, read)?;
        let (tendons, made): (_, Vec<_>) = made.into_iter().unzip();
        let (motors, limits) = made.into_iter().unzip();
        Ok(Self {
            motor_names,
            tendons,
            motors,
            limits,
        })
    }
}

fn beam(top: &Table, tendons: &Tendons) -> Result<(Kinematics, Option<Cantilever>), ConfigError> {
    let keys = ["length_mm", "guide_discs", "max_inclination_deg"];
    let beam = top.need_table("beam", &[&keys[..], &self_support::KEYS].concat())?;
    let routing = Routing {
        length: beam.number(keys[0], LENGTH)? * MM,
        discs: beam.whole(keys[1], 0, 200)? as usize,
        max_inclination: beam
            .number(keys[2], Range::open(0.0, 180.0, "deg"))?
            .to_radians(),
        tendons: tendons.tendons.clone(),
        motors: tendons.motors.clone(),
    };
    let cantilever = cantilever(&beam, routing.length)?;
    let kinematics = Kinematics::new(routing).map_err(|e| routing_refused(top, &e))?;
    Ok((kinematics, cantilever))
}

/// Reads the models file that `models` names, relative to this file.
fn models(top: &Table) -> Result<Vec<JointModel>, ConfigError> {
    let accepted = "the path of a models file, relative to this file";
    if top.get("models").is_none() {
        return Ok(Vec::new());
    }
    let name = top.text("models", accepted, is_path)?;
    Ok(ModelsFile::load(beside(top, name))?.models)
}

/// Returns true if `path` can name a file in an error of one line.
fn is_path(path: &str) -> bool {
    !path.is_empty() && !path.contains(char::is_control)
}

/// Returns the path that is given in the file of `top`, relative to it.
fn beside(top: &Table, path: &str) -> PathBuf {
    top.file().parent().unwrap_or(Path::new("")).join(path)
}

/// Reads the gain sets, each with its document, and the index of the initial one.
fn gain_sets(
    top: &Table,
    motor_names: &[String],
    kind: CommandInterface,
) -> Result<(Vec<(NamedGainSet, Document)>, usize), ConfigError> {
    let accepted = "a list of gain-set files, relative to this file";
    let list = top.need("gain_sets", accepted)?;
    let mut sets: Vec<(NamedGainSet, Document)> = Vec::new();
    for item in list.items(1..=usize::MAX, accepted)? {
        let Some(name) = item.text().filter(|name| is_path(name)) else {
            return Err(item.refuse("the path of a gain-set file, relative to this file"));
        };
        let document = Document::load(&beside(top, name), Kind::GainSet)?;
        let set = NamedGainSet::checked(&document, motor_names)?;
        let gains = document.any_table();
        check_kind(&gains, &set, top.file(), kind)?;
        check_name(&gains, &set, sets.iter().map(|(set, _)| set))?;
        sets.push((set, document));
    }
    let Some(initial) = top.get("initial_gain_set") else {
        return Ok((sets, 0));
    };
    let names: Vec<&str> = sets.iter().map(|(set, _)| set.name.as_str()).collect();
    match names.iter().position(|name| initial.text() == Some(name)) {
        Some(initial) => Ok((sets, initial)),
        None => Err(initial.refuse(format!("one of {}", names.join(", ")))),
    }
}

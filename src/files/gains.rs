//! Gain-set files: reading, checking and writing.

use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::{Component, Path, PathBuf};

use serde_yaml::{Mapping, Value};

use super::models::plant_value;
use super::table::{Document, Overlaid, Table, quoted, read_from_yaml};
use super::{ConfigError, GAINS, NAME, Purpose, Range, Tunable, is_name};
use crate::control::controller::reference_model::{Lag, Model};
use crate::control::controller::{
    CommandInterface, GainSet, IntegratorDeadband, MotorGains, Structure,
};
use crate::design::model::{Plant, SecondOrder};

/// Gains of a motor without any key. The derivative's corner is used if a kd is set at run time.
const DEFAULTS: MotorGains = MotorGains {
    kp: 0.0,
    ki: 0.0,
    kd: 0.0,
    integral_order: 1.0,
    derivative_order: 1.0,
    derivative_corner: 100.0,
};

/// Maximum length of a file's name in an error, characters.
const NAMED: usize = 200;

pub(super) const KEYS: &[&str] = &[
    "name",
    "note",
    "kind",
    "structure",
    "all_motors",
    "motors",
    "damping_s",
    "model",
    "smoothing_s",
    "integrator_deadband",
    "delay_allowed_s",
    "tension_gain_per_s",
    "payload_moment_kg_m",
    "specification",
    "made_for",
];
pub(super) const MODEL_KEYS: &[&str] = &[
    "gain",
    "time_constant_s",
    "natural_frequency_rad_s",
    "damping_ratio",
    "dead_time_s",
];

/// A gain set with its name and origin.
#[derive(Clone, Debug, PartialEq)]
pub struct NamedGainSet {
    /// Name by which the set is chosen.
    pub name: String,
    /// Remark of its author.
    pub note: String,
    /// Path of the file that the set was read from or is written to.
    pub file: PathBuf,
    /// Names of the motors, in the order of `gains.motors`.
    pub motor_names: Vec<String>,
    /// The gains.
    pub gains: GainSet,
    /// Purpose of the set.
    pub purpose: Purpose,
}

read_from_yaml! {
    NamedGainSet,
    GainSet,
    "a gain-set file for a joint whose motors are `motor_names`, in that order",
    motor_names: &[String]
}

impl NamedGainSet {
    /// Reads a gain-set file named by someone who need not be allowed to read files here: only one
    /// below `folder` is read, and no refusal shows what a file contains.
    ///
    /// # Errors
    /// As [`Self::load`], and for a file that is not below `folder`, whether it exists or not.
    pub fn load_below(
        folder: &Path,
        file: &str,
        motor_names: &[String],
    ) -> Result<Self, ConfigError> {
        let outside = || ConfigError::Outside {
            file: file.chars().take(NAMED).collect(),
            folder: folder.to_path_buf(),
        };
        let plain = |part: Component| matches!(part, Component::Normal(_) | Component::CurDir);
        if file.is_empty() || !Path::new(file).components().all(plain) {
            return Err(outside());
        }
        let named = folder.join(file);
        let system = |e: std::io::Error| ConfigError::Read {
            file: folder.join(file.chars().take(NAMED).collect::<String>()),
            reason: e.to_string(),
        };
        // A link may lead out of the folder.
        let base = match folder.as_os_str().is_empty() {
            true => Path::new(".").canonicalize(),
            false => folder.canonicalize(),
        };
        let real = named.canonicalize().map_err(system)?;
        if !real.starts_with(base.map_err(system)?) {
            return Err(outside());
        }
        let mut set = Self::load(&real, motor_names).map_err(|error| error.without_content())?;
        set.file = named;
        Ok(set)
    }

    /// Checks a gain set.
    pub(super) fn checked(
        document: &Document,
        motor_names: &[String],
    ) -> Result<Self, ConfigError> {
        let top = document.top()?;
        let name = top.text("name", NAME, is_name)?.to_string();
        let note = top.text_or("note", "a text", |_| true, "")?;
        let kind = kind(&top, "kind")?;
        let structure = top.choice(
            "structure",
            &[
                ("two_degrees_of_freedom", Structure::TwoDegreesOfFreedom),
                ("pure_feedback", Structure::PureFeedback),
            ],
        )?;
        let gains = GainSet {
            kind,
            structure,
            motors: motors(&top, motor_names)?,
            damping: top.number_or("damping_s", Range::closed(0.0, 1.0, "s"), 0.0)?,
            model: model(&top)?,
            smoothing: top.pair("smoothing_s", Range::closed(0.0, 2.0, "s"))?,
            integrator_deadband: integrator_deadband(&top)?,
            delay_allowed: top.number("delay_allowed_s", Range::closed(0.0, 0.5, "s"))?,
            tension_gain: top.number_or(
                "tension_gain_per_s",
                Range::closed(0.0, 100.0, "1/s"),
                0.0,
            )?,
        };
        Ok(Self {
            name,
            note: note.to_string(),
            file: document.file.clone(),
            motor_names: motor_names.to_vec(),
            gains,
            purpose: Purpose::read(&top)?,
        })
    }

    /// Returns the text of a gain-set file.
    pub fn to_yaml(&self) -> String {
        // Mappings of text and finite numbers always have a YAML form.
        serde_yaml::to_string(&self.to_value()).unwrap_or_default()
    }

    fn to_value(&self) -> Value {
        let gains = &self.gains;
        let mut top = Mapping::new();
        let mut put = |key: &str, value: Value| top.insert(key.into(), value);
        put("name", self.name.as_str().into());
        if !self.note.is_empty() {
            put("note", self.note.as_str().into());
        }
        put("kind", kind_word(gains.kind).into());
        put(
            "structure",
            match gains.structure {
                Structure::TwoDegreesOfFreedom => "two_degrees_of_freedom",
                Structure::PureFeedback => "pure_feedback",
            }
            .into(),
        );
        match gains.motors.split_first() {
            Some((first, rest)) if rest.iter().all(|g| g == first) => {
                put("all_motors", motor_value(first));
            }
            _ => {
                let motors = self.motor_names.iter().zip(&gains.motors);
                let motors: Mapping = motors
                    .map(|(name, gains)| (name.as_str().into(), motor_value(gains)))
                    .collect();
                put("motors", motors.into());
            }
        }
        put("damping_s", gains.damping.into());
        put("model", plant_value(&Plant::from(gains.model)));
        put(
            "smoothing_s",
            gains.smoothing.map(Value::from).to_vec().into(),
        );
        if let Some(band) = gains.integrator_deadband {
            let entries = [("enter_rad", band.enter), ("leave_rad", band.leave)];
            put("integrator_deadband", table(entries));
        }
        put("delay_allowed_s", gains.delay_allowed.into());
        put("tension_gain_per_s", gains.tension_gain.into());
        self.purpose.write(&mut top);
        top.into()
    }
}

fn table<'a>(entries: impl IntoIterator<Item = (&'a str, f64)>) -> Value {
    let entries = entries.into_iter();
    let entries = entries.map(|(key, value)| (Value::from(key), Value::from(value)));
    Value::Mapping(entries.collect())
}

fn motor_value(gains: &MotorGains) -> Value {
    let entry = |t: &Tunable<MotorGains>| Some((t.file_key, t.in_file(gains)?));
    table(GAINS.iter().filter_map(entry))
}

/// Returns the name of a command interface in files.
pub fn kind_word(kind: CommandInterface) -> &'static str {
    match kind {
        CommandInterface::Position => "position",
        CommandInterface::Velocity => "velocity",
    }
}

/// Reads the command interface at `key`.
pub(super) fn kind(table: &Table, key: &str) -> Result<CommandInterface, ConfigError> {
    let words = [
        ("position", CommandInterface::Position),
        ("velocity", CommandInterface::Velocity),
    ];
    match table.get(key) {
        Some(field) if field.text() == Some("effort") => {
            Err(field.refuse("position or velocity; effort setpoints are not supported"))
        }
        _ => table.choice(key, &words),
    }
}

/// Reads the gains of every motor: its own under `motors`, else those of `all_motors`, key by key.
fn motors(top: &Table, names: &[String]) -> Result<Vec<MotorGains>, ConfigError> {
    let keys = GAINS.map(|tunable| tunable.file_key);
    let all = top.table("all_motors", &keys)?;
    let known: Vec<&str> = names.iter().map(String::as_str).collect();
    let list = known.join(", ");
    let accepted = format!("gains for each of the motors {list}, here or under all_motors");
    let motors = top.table("motors", &known)?;
    let gains = known.iter().map(|name| {
        let own = match &motors {
            Some(motors) => motors.table(name, &keys)?,
            None => None,
        };
        let Some(own) = own.or_else(|| all.clone()) else {
            return Err(match &motors {
                Some(motors) => motors.missing(name, &accepted),
                None => top.missing(&format!("motors.{name}"), &accepted),
            });
        };
        let all = all.clone();
        motor(&Overlaid { own, all })
    });
    gains.collect()
}

fn motor(table: &Overlaid) -> Result<MotorGains, ConfigError> {
    let mut gains = DEFAULTS;
    for tunable in GAINS {
        let tunable = match tunable.key {
            "derivative_corner" if gains.kd == 0.0 => tunable.optional(),
            _ => tunable,
        };
        tunable.read(table.of(tunable.file_key), &mut gains)?;
    }
    Ok(gains)
}

fn model(top: &Table) -> Result<Model, ConfigError> {
    let accepted = "a table with gain, dead_time_s, and either time_constant_s or \
                    natural_frequency_rad_s with damping_ratio";
    model_of(&top.need("model", accepted)?.table(MODEL_KEYS)?)
}

/// Reads the model in a table with [`MODEL_KEYS`].
pub(super) fn model_of(model: &Table) -> Result<Model, ConfigError> {
    let second = ["natural_frequency_rad_s", "damping_ratio"];
    let lag = match (
        model.get("time_constant_s"),
        second.iter().find_map(|key| model.get(key)),
    ) {
        (Some(field), Some(_)) => {
            return Err(field.refuse(
                "either time_constant_s or natural_frequency_rad_s with damping_ratio, not both",
            ));
        }
        (None, Some(_)) => Lag::Second(SecondOrder {
            natural_frequency: model.number(second[0], Range::closed(0.1, 1000.0, "rad/s"))?,
            damping_ratio: model.number(second[1], Range::closed(0.01, 10.0, ""))?,
        }),
        _ => Lag::First {
            time_constant: model.number("time_constant_s", Range::closed(1e-4, 10.0, "s"))?,
        },
    };
    Ok(Model {
        gain: model.number("gain", Range::closed(0.2, 5.0, ""))?,
        lag,
        dead_time: model.number("dead_time_s", Range::closed(0.0, 0.5, "s"))?,
    })
}

fn integrator_deadband(top: &Table) -> Result<Option<IntegratorDeadband>, ConfigError> {
    let Some(band) = top.table("integrator_deadband", &["enter_rad", "leave_rad"])? else {
        return Ok(None);
    };
    let enter = band.number("enter_rad", Range::above(0.0, 1.0, "rad"))?;
    let leave = band.number("leave_rad", Range::closed(enter, 1.0, "rad"))?;
    Ok(Some(IntegratorDeadband { enter, leave }))
}

/// Writes a gain set to `path` atomically: a new file in the same folder is written, synced and
/// renamed into place. An existing file is kept beside it as `<name>.<number>.bak`, with the first
/// free number. Returns the path of that backup.
///
/// # Errors
/// A name or number that a gain-set file cannot hold, or the system's error if writing fails.
pub fn save_gain_set(path: &Path, set: &NamedGainSet) -> Result<Option<PathBuf>, ConfigError> {
    let text = set.to_yaml();
    // Text that could not be read back is not written.
    NamedGainSet::from_text(path, &text, &set.motor_names).map_err(ConfigError::unplaced)?;
    write_kept(path, &text)
}

/// Writes a file atomically and keeps an existing one, as [`save_gain_set`] does.
pub(super) fn write_kept(path: &Path, text: &str) -> Result<Option<PathBuf>, ConfigError> {
    let refuse = |reason: String| ConfigError::Write {
        file: path.to_path_buf(),
        reason,
    };
    let system = |e: std::io::Error| refuse(e.to_string());
    let Some(name) = path.file_name().and_then(|n| n.to_str()) else {
        return Err(refuse("the path names no file".into()));
    };
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let temporary = folder.join(format!(".{name}.{}.part", std::process::id()));
    let written = write_whole(&temporary, text)
        .and_then(|()| keep(path, folder, name))
        .and_then(|kept| std::fs::rename(&temporary, path).map(|()| kept));
    let kept = written.map_err(|e| {
        // The first error is reported; a leftover file is harmless.
        let _ = std::fs::remove_file(&temporary);
        system(e)
    })?;
    // The folder is synced, so that the rename itself reaches the disk.
    File::open(folder)
        .and_then(|f| f.sync_all())
        .map_err(system)?;
    Ok(kept)
}

fn write_whole(path: &Path, text: &str) -> std::io::Result<()> {
    let mut options = OpenOptions::new();
    let mut file = options.write(true).create(true).truncate(true).open(path)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()
}

/// Gives an existing file at `path` a free second name. A hard link never replaces a file, and
/// until the rename both names hold the old text.
fn keep(path: &Path, folder: &Path, name: &str) -> std::io::Result<Option<PathBuf>> {
    if !path.try_exists()? {
        return Ok(None);
    }
    for number in 1..=u32::MAX {
        let kept = folder.join(format!("{name}.{number}.bak"));
        match std::fs::hard_link(path, &kept).or_else(|e| copy_new(path, &kept).map_err(|_| e)) {
            Ok(()) => return Ok(Some(kept)),
            Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(e) => return Err(e),
        }
    }
    Err(std::io::Error::other("no backup number is free"))
}

/// Copies a file to an unused name; for file systems without hard links.
fn copy_new(from: &Path, to: &Path) -> std::io::Result<()> {
    let text = std::fs::read(from)?;
    let mut file = OpenOptions::new().write(true).create_new(true).open(to)?;
    file.write_all(&text)?;
    file.sync_all()
}

/// Refuses a gain set whose command interface is not that of the joint's motors.
pub(super) fn check_kind(
    top: &Table,
    set: &NamedGainSet,
    joint: &Path,
    kind: CommandInterface,
) -> Result<(), ConfigError> {
    if set.gains.kind == kind {
        return Ok(());
    }
    let accepted = format!(
        "{}, the setpoint kind in {}",
        kind_word(kind),
        joint.display()
    );
    Err(top.refuse_as("kind", kind_word(set.gains.kind), accepted))
}

/// Refuses a set with the name of one of `others`.
pub(super) fn check_name<'a>(
    top: &Table,
    set: &NamedGainSet,
    mut others: impl Iterator<Item = &'a NamedGainSet>,
) -> Result<(), ConfigError> {
    let Some(first) = others.find(|s| s.name == set.name) else {
        return Ok(());
    };
    let first = first.file.display();
    let accepted = format!("a name that no other gain set of the joint has ({first} has it)");
    Err(top.refuse_as("name", quoted(&set.name), accepted))
}

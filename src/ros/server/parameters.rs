//! The parameters of one joint: declaration, checks, and the law that a set of changes makes. Free
//! of middleware: names and values in, a checked program or one sentence out.

mod commands;
mod declared;
mod examined;
#[cfg(test)]
mod garbage;
mod kept;
mod range;
mod sets;
mod supervised;

use std::collections::BTreeMap;

use nalgebra::Vector3;

use commands::CommandsKey;
use examined::{ACTIONS, Examining};
pub use kept::Kept;
use kept::KeptKey;
pub use range::Range;
use supervised::SupervisionKey;

use crate::control::controller::{GainSet, MotorGains};
use crate::control::self_support::{Load, SelfSupport};
use crate::control::tick::{Feedback, Law, Limits, MotorLimits};
use crate::files::{Commands, JointFile, NamedGainSet};
use crate::runtime::link::Program;

/// A parameter value, of the ROS 2 types.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// No value.
    NotSet,
    /// A boolean.
    Bool(bool),
    Integer(i64),
    Double(f64),
    Text(String),
    Texts(Vec<String>),
    /// A type that none of these parameters has, by its number and name.
    Other(u8, &'static str),
}

impl Value {
    /// Returns the number of the type in rcl_interfaces/ParameterType.
    pub fn kind(&self) -> u8 {
        match self {
            Self::NotSet => 0,
            Self::Bool(_) => 1,
            Self::Integer(_) => 2,
            Self::Double(_) => 3,
            Self::Text(_) => 4,
            Self::Texts(_) => 9,
            Self::Other(kind, _) => *kind,
        }
    }

    fn kind_name(&self) -> &'static str {
        match self {
            Self::NotSet => "not set",
            Self::Bool(_) => "a bool",
            Self::Integer(_) => "an integer",
            Self::Double(_) => "a double",
            Self::Text(_) => "a string",
            Self::Texts(_) => "an array of strings",
            Self::Other(_, name) => name,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum GainKey {
    Kp,
    Ki,
    Kd,
    IntegralOrder,
    DerivativeOrder,
    DerivativeCorner,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum LimitKey {
    Inclination,
    OverBend,
    Feedback,
    StaleImu,
    StaleMotors,
    StopAfter,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum MotorKey {
    TravelLow,
    TravelHigh,
    Speed,
    Acceleration,
}

#[derive(Clone, Debug, PartialEq)]
enum Key {
    GainSet,
    Feedback,
    Gain(usize, GainKey),
    Limit(LimitKey),
    Motor(usize, MotorKey),
    PayloadMass,
    PayloadHeight,
    GainSetFile,
    ExamineAction,
    ExamineMargin,
    ExamineSensitivity,
    Supervision(SupervisionKey),
    Autostart,
    Kept(KeptKey),
    Commands(CommandsKey),
    Fixed(Value),
}

/// A declared parameter.
#[derive(Clone, Debug)]
pub struct Entry {
    key: Key,
    /// Description for users.
    pub description: String,
    /// Accepted values, if a range does not express them.
    pub constraints: String,
    /// Accepted range of a number.
    pub range: Option<Range>,
    unit: &'static str,
}

impl Entry {
    /// Returns true if it cannot be changed while the node runs.
    pub fn read_only(&self) -> bool {
        matches!(self.key, Key::Fixed(_) | Key::Autostart | Key::Kept(_))
    }
}

/// All values that parameters can change.
#[derive(Clone, Debug, PartialEq)]
struct Live {
    set: usize,
    gains: GainSet,
    limits: Limits,
    commands: Commands,
    feedback: Feedback,
    /// Mass of the payload, kg; [`NOT_TOLD`] if unknown.
    payload_mass: f64,
    /// Height of the payload's centre above the beam's end, m.
    payload_height: f64,
    /// Direction of gravity in the base frame, if no base IMU measures it.
    gravity_base: Vector3<f64>,
    examining: Examining,
    autostart: bool,
    /// The gain-set file added last.
    gain_set_file: String,
    kept: Kept,
    /// Problem of the gains on the joint's models, if they are accepted despite it.
    warning: Option<String>,
}

/// The ROS 2 parameter for simulated time.
pub const USE_SIM_TIME: &str = "use_sim_time";

/// Payload mass that stands for an unknown one.
const NOT_TOLD: f64 = -1.0;
/// Largest payload mass, kg, as for simulated joints.
const HEAVIEST: f64 = 10.0;

/// A checked set of changes, ready for the loop.
#[derive(Debug)]
pub struct Candidate {
    live: Live,
    /// A gain set to add to the joint.
    added: Option<NamedGainSet>,
    /// The program for the loop.
    pub program: Program,
}

/// The parameters of one joint.
#[derive(Debug)]
pub struct Parameters {
    file: JointFile,
    /// True if the loop runs on simulated time: `use_sim_time`.
    simulated_time: bool,
    entries: BTreeMap<String, Entry>,
    live: Live,
    /// Self-support of the beam under the law in force.
    self_support: SelfSupport,
}

fn feedback_name(feedback: Feedback) -> &'static str {
    match feedback {
        Feedback::Imu => "imu",
        Feedback::Motors => "motors",
    }
}

impl Parameters {
    /// Creates the parameters of a joint file with their values at start.
    pub fn new(file: JointFile, simulated_time: bool) -> Self {
        let live = Live {
            set: file.initial,
            gains: file.gain_sets[file.initial].gains.clone(),
            limits: file.limits.clone(),
            commands: file.commands.clone(),
            feedback: file.feedback,
            payload_mass: NOT_TOLD,
            payload_height: 0.0,
            gravity_base: file.joint.gravity_base,
            examining: Examining::default(),
            autostart: file.autostart,
            gain_set_file: String::new(),
            kept: Kept::default(),
            warning: None,
        };
        let entries = declared::entries(&file, simulated_time);
        Self {
            file,
            simulated_time,
            entries,
            live,
            self_support: SelfSupport::default(),
        }
    }

    /// Returns true if the loop runs on simulated time.
    pub fn simulated_time(&self) -> bool {
        self.simulated_time
    }

    /// Returns all parameters, sorted by name.
    pub fn entries(&self) -> &BTreeMap<String, Entry> {
        &self.entries
    }

    /// Returns the name of the gain set in force, and true if its gains were changed since it was
    /// chosen.
    pub fn gain_set(&self) -> (&str, bool) {
        let set = &self.file.gain_sets[self.live.set];
        (&set.name, set.gains != self.live.gains)
    }

    /// Returns the max. dead time that the gain set in force allows, s.
    pub fn delay_allowed(&self) -> f64 {
        self.live.gains.delay_allowed
    }

    /// Returns the value of a parameter, if it exists.
    pub fn get(&self, name: &str) -> Option<Value> {
        self.entries.get(name).map(|e| self.value(&self.live, e))
    }

    fn value(&self, live: &Live, entry: &Entry) -> Value {
        match &entry.key {
            Key::GainSet => Value::Text(self.file.gain_sets[live.set].name.clone()),
            Key::Feedback => Value::Text(feedback_name(live.feedback).into()),
            Key::Gain(motor, key) => Value::Double(gain(&live.gains.motors[*motor], *key)),
            Key::Limit(key) => Value::Double(*limit(&mut live.limits.clone(), *key)),
            Key::Motor(motor, key) => {
                Value::Double(*motor_limit(&mut live.limits.motors[*motor].clone(), *key))
            }
            Key::PayloadMass => Value::Double(live.payload_mass),
            Key::PayloadHeight => Value::Double(live.payload_height),
            Key::GainSetFile => Value::Text(live.gain_set_file.clone()),
            Key::ExamineAction => {
                let action = live.examining.action;
                let named = ACTIONS.iter().find(|(_, a)| *a == action);
                Value::Text(named.map_or("", |(name, _)| name).into())
            }
            Key::ExamineMargin => Value::Double(live.examining.floor.margin),
            Key::ExamineSensitivity => Value::Double(live.examining.floor.sensitivity),
            Key::Supervision(key) => supervised::value(&live.limits.supervision, *key),
            Key::Autostart => Value::Bool(live.autostart),
            Key::Kept(key) => kept::value(&live.kept, *key),
            Key::Commands(key) => commands::value(&live.commands, *key),
            Key::Fixed(value) => value.clone(),
        }
    }

    /// Checks `changes` together against the parameters in force and the measured dead time (s; 0
    /// if unknown), and compiles the resulting law. A gain set is chosen first; single gains then
    /// change it. With `at_start` an integer is accepted as a double, since a file may write `1`
    /// for `1.0`.
    ///
    /// # Errors
    /// One sentence for the first change that is not accepted.
    pub fn check(
        &self,
        changes: &[(String, Value)],
        delay: f64,
        at_start: bool,
    ) -> Result<Candidate, String> {
        let mut live = self.live.clone();
        let mut seen = std::collections::BTreeSet::new();
        for (name, value) in changes {
            let Some(entry) = self.entries.get(name) else {
                return Err(format!(
                    "{name} is not a parameter of this node; accepted: the names that list_parameters gives"
                ));
            };
            if !seen.insert(name) {
                return Err(format!("{name} is set twice; accepted: once"));
            }
            if entry.key == Key::GainSet {
                self.choose(value, &mut live)?;
            }
        }
        let added = match changes.iter().find(|(name, _)| name == "gain_set_file") {
            Some(_) if changes.len() > 1 => {
                return Err(
                    "gain_set_file is set together with others; accepted: gain_set_file alone; \
                     gain_set then chooses by name"
                        .into(),
                );
            }
            Some((_, Value::Text(file))) => Some(self.read_gain_set(file)?),
            _ => None,
        };
        let told = changes.iter().any(|(name, _)| name.starts_with("payload."));
        let mut chosen = changes.iter().any(|(name, _)| name == "gain_set");
        if told && !chosen {
            // The set comes before single gains that change it.
            for (name, value) in changes {
                if name.starts_with("payload.") {
                    self.change(name, &self.entries[name], value, at_start, &mut live)?;
                }
            }
            chosen = self.choose_for_payload(&mut live)?;
        }
        for (name, value) in changes {
            self.change(name, &self.entries[name], value, at_start, &mut live)?;
        }
        supervised::together(&live.limits.supervision, live.feedback)?;
        let allowed = live.gains.delay_allowed;
        if chosen && live.feedback == self.live.feedback && delay > allowed {
            return Err(format!(
                "gain_set '{}' is made for a dead time of at most {:.1} ms from measurement to setpoint, and \
                 {:.1} ms are measured; accepted: a set made for that much",
                self.file.gain_sets[live.set].name,
                1e3 * allowed,
                1e3 * delay
            ));
        }
        if live.gains.kind != self.file.kind {
            return Err(format!(
                "gain_set '{}' is for {:?} setpoints and the motors take {:?} setpoints; accepted: \
                 a set for them",
                self.file.gain_sets[live.set].name, live.gains.kind, self.file.kind
            )
            .to_lowercase());
        }
        let mut candidate = self.compile(live)?;
        candidate.added = added;
        // Changes that do not affect the loop need no examination.
        let same = candidate.live.gains == self.live.gains
            && candidate.live.feedback == self.live.feedback
            && candidate.live.payload_mass == self.live.payload_mass
            && candidate.live.payload_height == self.live.payload_height;
        if !same || at_start {
            candidate.live.warning = self.examined(&candidate.live, &candidate.program, delay)?;
        }
        Ok(candidate)
    }

    /// Compiles the program of `live`.
    fn compile(&self, live: Live) -> Result<Candidate, String> {
        let joint = crate::control::tick::Joint {
            gravity_base: live.gravity_base,
            ..self.file.joint_for(live.feedback)
        };
        let law = Law::new(&joint, &live.gains, &live.limits, live.feedback)
            .map_err(|e| self.named(&e.to_string()))?;
        let payload = (live.payload_mass >= 0.0).then_some(Load {
            mass: live.payload_mass,
            height: live.payload_height,
        });
        let self_support = self
            .file
            .self_support(payload, live.gravity_base, &live.limits);
        let law = law.with_self_support(&joint, self_support);
        let program = Program { joint, law };
        Ok(Candidate {
            live,
            added: None,
            program,
        })
    }

    /// Returns the present parameters for a base in which gravity has the direction `gravity`.
    ///
    /// # Errors
    /// Only those that the present parameters already have.
    pub fn on_base(&self, gravity: Vector3<f64>) -> Result<Candidate, String> {
        self.compile(Live {
            gravity_base: gravity,
            ..self.live.clone()
        })
    }

    /// Returns the problem of the gains in force on the joint's models, if any.
    pub fn warning(&self) -> Option<&str> {
        self.live.warning.as_deref()
    }

    /// Returns true if the node activates by itself.
    pub fn autostart(&self) -> bool {
        self.live.autostart
    }

    /// Returns true if the base has its own IMU.
    pub fn base_is_measured(&self) -> bool {
        self.file.joint.base_from_imu.is_some()
    }

    /// Returns the mass of the payload if it is set, kg.
    pub fn payload_mass(&self) -> Option<f64> {
        Some(self.live.payload_mass).filter(|m| *m >= 0.0)
    }

    /// Replaces motor numbers in a sentence of the core by names.
    fn named(&self, sentence: &str) -> String {
        let mut sentence = sentence.to_string();
        for (motor, name) in self.file.motor_names.iter().enumerate() {
            for end in [" ", ":"] {
                let by_number = format!("of motor {motor}{end}");
                sentence = sentence.replace(&by_number, &format!("of motor {name}{end}"));
            }
        }
        sentence
    }

    fn choose(&self, value: &Value, live: &mut Live) -> Result<(), String> {
        let accepted = || quoted(self.file.gain_sets.iter().map(|s| &s.name));
        let Value::Text(name) = value else {
            return Err(wrong_type("gain_set", value, "a string"));
        };
        let found = self.file.gain_sets.iter().position(|s| s.name == *name);
        let Some(set) = found else {
            return Err(format!("gain_set is '{name}'; accepted: {}", accepted()));
        };
        live.set = set;
        live.gains = self.file.gain_sets[set].gains.clone();
        Ok(())
    }

    fn change(
        &self,
        name: &str,
        entry: &Entry,
        value: &Value,
        at_start: bool,
        live: &mut Live,
    ) -> Result<(), String> {
        let number = || match value {
            Value::Double(number) => Ok(*number),
            Value::Integer(number) if at_start => Ok(*number as f64),
            other => Err(wrong_type(name, other, "a double")),
        };
        let in_range = |number: f64| match &entry.range {
            Some(range) if !range.holds(number) => {
                let accepted = range.words(entry.unit);
                Err(format!("{name} is {number}; accepted: {accepted}"))
            }
            _ => Ok(number),
        };
        match &entry.key {
            Key::GainSet => {}
            Key::Feedback => {
                live.feedback = match value {
                    Value::Text(text) if text == "imu" => Feedback::Imu,
                    Value::Text(text) if text == "motors" => Feedback::Motors,
                    Value::Text(text) => {
                        return Err(format!("feedback is '{text}'; accepted: 'imu' or 'motors'"));
                    }
                    other => return Err(wrong_type(name, other, "a string")),
                }
            }
            Key::Gain(motor, key) => {
                set_gain(&mut live.gains.motors[*motor], *key, in_range(number()?)?);
            }
            Key::Limit(key) => *limit(&mut live.limits, *key) = in_range(number()?)?,
            Key::Motor(motor, key) => {
                *motor_limit(&mut live.limits.motors[*motor], *key) = in_range(number()?)?;
            }
            Key::PayloadMass => {
                let mass = in_range(number()?)?;
                if mass < 0.0 && mass != NOT_TOLD {
                    return Err(format!(
                        "{name} is {mass}; accepted: 0 to {HEAVIEST} kg, or {NOT_TOLD} for not set"
                    ));
                }
                live.payload_mass = mass;
            }
            Key::PayloadHeight => live.payload_height = in_range(number()?)?,
            Key::GainSetFile => match value {
                Value::Text(file) => live.gain_set_file.clone_from(file),
                other => return Err(wrong_type(name, other, "a string")),
            },
            // YAML reads an unquoted `off` as a boolean.
            Key::ExamineAction if at_start && *value == Value::Bool(false) => {
                live.examining.action = examined::Action::Off;
            }
            Key::ExamineAction => {
                let Value::Text(word) = value else {
                    return Err(wrong_type(name, value, "a string"));
                };
                let action = ACTIONS.iter().find(|(known, _)| known == word);
                let Some((_, action)) = action else {
                    return Err(format!(
                        "{name} is '{word}'; accepted: 'off', 'warn' or 'refuse'"
                    ));
                };
                live.examining.action = *action;
            }
            Key::ExamineMargin => live.examining.floor.margin = in_range(number()?)?,
            Key::ExamineSensitivity => live.examining.floor.sensitivity = in_range(number()?)?,
            Key::Supervision(key) => {
                let number = || in_range(number()?);
                supervised::change(&mut live.limits.supervision, *key, name, value, number)?;
            }
            Key::Autostart => match value {
                Value::Bool(autostart) if at_start || *autostart == live.autostart => {
                    live.autostart = *autostart;
                }
                Value::Bool(_) => {
                    return Err(format!(
                        "{name} cannot be changed while the node runs: it is read at start; \
                         change_state configures and activates"
                    ));
                }
                other => return Err(wrong_type(name, other, "a bool")),
            },
            Key::Kept(key) => {
                let number = || in_range(number()?);
                kept::change(&mut live.kept, *key, name, value, number, at_start)?;
            }
            Key::Commands(key) => {
                let number = || in_range(number()?);
                commands::change(&mut live.commands, *key, name, value, number)?;
            }
            Key::Fixed(fixed) if value == fixed => {}
            Key::Fixed(_) if name == USE_SIM_TIME => {
                return Err(format!(
                    "{name} cannot be changed while the node runs; accepted: true or false at \
                     start, -p {name}:=true"
                ));
            }
            Key::Fixed(_) => {
                return Err(format!(
                    "{name} cannot be changed while the node runs: the joint file sets it"
                ));
            }
        }
        Ok(())
    }

    /// Applies a candidate that the loop has taken. Returns the parameters that changed.
    pub fn commit(&mut self, candidate: Candidate) -> Vec<(String, Value)> {
        let mut changed = Vec::new();
        if let Some(set) = candidate.added {
            self.file.gain_sets.push(set);
            self.entries = declared::entries(&self.file, self.simulated_time);
            let sets = "gain_sets".to_string();
            changed.extend(self.get(&sets).map(|value| (sets, value)));
        }
        for (name, entry) in &self.entries {
            let new = self.value(&candidate.live, entry);
            if self.value(&self.live, entry) != new {
                changed.push((name.clone(), new));
            }
        }
        self.live = candidate.live;
        self.self_support = candidate.program.law.self_support();
        changed
    }

    /// Returns the path of the joint file.
    pub fn joint_file(&self) -> &std::path::Path {
        &self.file.file
    }

    /// Returns the matching names and their prefixes, by the rules of
    /// rcl_interfaces/ListParameters: depth 0 is any depth; otherwise names have fewer dots than
    /// `depth` after the prefix.
    pub fn list(&self, prefixes: &[String], depth: u64) -> (Vec<String>, Vec<String>) {
        let shallow = |rest: &str| depth == 0 || (rest.matches('.').count() as u64) < depth;
        let matches = |name: &str| {
            prefixes.iter().any(|prefix| {
                name == prefix
                    || name
                        .strip_prefix(prefix.as_str())
                        .and_then(|rest| rest.strip_prefix('.'))
                        .is_some_and(shallow)
            })
        };
        let (mut names, mut groups) = (Vec::new(), Vec::<String>::new());
        for name in self.entries.keys() {
            if (prefixes.is_empty() && shallow(name)) || matches(name) {
                if let Some((group, _)) = name.rsplit_once('.')
                    && !groups.iter().any(|g| g == group)
                {
                    groups.push(group.to_string());
                }
                names.push(name.clone());
            }
        }
        (names, groups)
    }
}

fn wrong_type(name: &str, value: &Value, accepted: &str) -> String {
    match value {
        Value::NotSet => format!("{name} cannot be removed; accepted: {accepted}"),
        Value::Integer(n) if accepted == "a double" => {
            format!("{name} is the integer {n}; accepted: a double, as in {n}.0")
        }
        other => format!("{name} is {}; accepted: {accepted}", other.kind_name()),
    }
}

fn quoted<'a>(names: impl Iterator<Item = &'a String>) -> String {
    let names: Vec<_> = names.map(|n| format!("'{n}'")).collect();
    names.join(", ")
}

fn gain(gains: &MotorGains, key: GainKey) -> f64 {
    match key {
        GainKey::Kp => gains.kp,
        GainKey::Ki => gains.ki,
        GainKey::Kd => gains.kd,
        GainKey::IntegralOrder => gains.integral_order,
        GainKey::DerivativeOrder => gains.derivative_order,
        GainKey::DerivativeCorner => gains.derivative_corner,
    }
}

fn set_gain(gains: &mut MotorGains, key: GainKey, value: f64) {
    *match key {
        GainKey::Kp => &mut gains.kp,
        GainKey::Ki => &mut gains.ki,
        GainKey::Kd => &mut gains.kd,
        GainKey::IntegralOrder => &mut gains.integral_order,
        GainKey::DerivativeOrder => &mut gains.derivative_order,
        GainKey::DerivativeCorner => &mut gains.derivative_corner,
    } = value;
}

fn limit(limits: &mut Limits, key: LimitKey) -> &mut f64 {
    match key {
        LimitKey::Inclination => &mut limits.inclination,
        LimitKey::OverBend => &mut limits.over_bend,
        LimitKey::Feedback => &mut limits.feedback,
        LimitKey::StaleImu => &mut limits.stale_imu,
        LimitKey::StaleMotors => &mut limits.stale_motors,
        LimitKey::StopAfter => &mut limits.stop_after,
    }
}

fn motor_limit(limits: &mut MotorLimits, key: MotorKey) -> &mut f64 {
    match key {
        MotorKey::TravelLow => &mut limits.low,
        MotorKey::TravelHigh => &mut limits.high,
        MotorKey::Speed => &mut limits.speed,
        MotorKey::Acceleration => &mut limits.acceleration,
    }
}

impl std::fmt::Display for Value {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NotSet | Self::Other(..) => f.write_str(self.kind_name()),
            Self::Bool(v) => write!(f, "{v}"),
            Self::Integer(v) => write!(f, "{v}"),
            Self::Double(v) => write!(f, "{v}"),
            Self::Text(v) => write!(f, "'{v}'"),
            Self::Texts(v) => write!(f, "[{}]", quoted(v.iter())),
        }
    }
}

//! The declared parameters of a joint, from its tunables and its file.

use std::collections::BTreeMap;

use super::examined::Action;
use super::value::{Given, any_of, quoted};
use super::{Entry, Get, Live, NOT_TOLD, Refusal, Set, USE_SIM_TIME, Value};
use crate::control::controller::{CommandInterface, MotorGains, highest_corner};
use crate::control::tick::{Feedback, Rule};
use crate::files::supervision::{SUPERVISION, guard};
use crate::files::{
    Accepts, Access, COMMANDS, GAINS, JointFile, LIMITS, MOTOR_LIMITS, Range, SetpointMessage,
    TickSource, Tunable, access, kind_word,
};

/// Largest payload mass, kg, as for simulated joints.
pub(super) const HEAVIEST: f64 = 10.0;

/// Tunables of the node itself.
const LIVE: [Tunable<Live>; 7] = [
    Tunable::new(
        ["feedback"; 2],
        Accepts::Word(
            &["imu", "motors"],
            (
                |live| match live.feedback {
                    Feedback::Imu => "imu",
                    Feedback::Motors => "motors",
                },
                |live, word| {
                    live.feedback = match word {
                        "motors" => Feedback::Motors,
                        _ => Feedback::Imu,
                    };
                },
            ),
        ),
        "Source of the measured bend: the IMU, which corrects sag, or the motors' encoders",
    ),
    Tunable::new(
        ["gain_set_file", ""],
        Accepts::Text(
            "a file that is accepted, of a gain set with a new name",
            (
                |live| live.gain_set_file.clone(),
                |live, file| live.gain_set_file = file,
            ),
        ),
        "Gain-set file to read, below gain_set_folder and relative to it, and to add to gain_sets; \
         gain_set then chooses it",
    ),
    Tunable::number(
        ["payload.mass", ""],
        Range::closed(NOT_TOLD, HEAVIEST, "kg"),
        access!(Live, payload_mass),
        "Mass of the payload on the head plate, kg; 0: none, the head plate is bare; -1: not set. \
         Setting it chooses the gain set made for it",
    ),
    Tunable::number(
        ["payload.height", ""],
        Range::closed(0.0, 1.0, "m"),
        access!(Live, payload_height),
        "Height of the payload's centre above the beam's end, m",
    ),
    Tunable::new(
        ["examine.action", ""],
        Accepts::Word(
            &["off", "warn", "refuse"],
            (
                |live| live.examining.action.word(),
                |live, word| live.examining.action = Action::named(word),
            ),
        ),
        "Reaction to gains below the floor on a model of the joint: a warning or a refusal. Gains \
         that are unstable on a model are refused. Without models, changed gains are examined on \
         that of the gain set. With off, nothing is examined",
    ),
    Tunable::number(
        ["examine.margin_floor", ""],
        Range::closed(0.0, 3.2, "rad"),
        access!(Live, examining.floor.margin),
        "Minimum phase margin on every model of the joint, rad",
    ),
    Tunable::number(
        ["examine.sensitivity_ceiling", ""],
        Range::above(1.0, 100.0, ""),
        access!(Live, examining.floor.sensitivity),
        "Maximum sensitivity peak on every model of the joint",
    ),
];

/// Tunables that are read at start, each with the end of the sentence for later changes.
const AT_START: [(Tunable<Live>, &str); 4] = [
    (
        Tunable::new(
            ["autostart"; 2],
            Accepts::Truth(None, access!(Live, autostart)),
            "Whether the node configures itself at start, and activates itself as soon as the \
             joint is ready",
        ),
        ": it is read at start; change_state configures and activates",
    ),
    (
        Tunable::new(
            ["gain_set_folder", ""],
            Accepts::Text(
                "",
                (
                    |live| live.gain_set_folder.clone(),
                    |live, folder| live.gain_set_folder = folder,
                ),
            ),
            "Folder below which gain_set_file may name files; empty: the folder of the joint file",
        ),
        ": it is read at start",
    ),
    (
        Tunable::new(
            ["incidents.folder", ""],
            Accepts::Text(
                "",
                (
                    |live| live.kept.folder.clone(),
                    |live, folder| live.kept.folder = folder,
                ),
            ),
            "Folder of the incident recording's files; empty: withy/NODE in $XDG_STATE_HOME, or in \
             ~/.local/state",
        ),
        ": it is read at start",
    ),
    (
        Tunable::number(
            ["incidents.disk_limit", ""],
            Range::closed(0.0, 1e6, "MB"),
            access!(Live, kept.disk_limit),
            "Maximum size of all the incident recording's files, MB; the oldest are deleted. 0: \
             nothing is written",
        ),
        ": it is read at start",
    ),
];

/// End of the description of limits that the joint file has.
const NO_LOOSER: &str = "; at most the value in the joint file";

/// The same of a rule's time, reaction or latch.
const NO_MILDER: &str = "; no milder than in the joint file";

/// Returns all parameters of a joint by name.
pub(super) fn entries(file: &JointFile, simulated_time: bool) -> BTreeMap<String, Entry> {
    let live = Group::new("", |live, _| live, |live, _| live);
    let commands = Group::new(
        "commands.",
        |live, _| &live.commands,
        |live, _| &mut live.commands,
    );
    let limits = Group::new(
        "limits.",
        |live, _| &live.limits,
        |live, _| &mut live.limits,
    );
    let mut all = BTreeMap::from([gain_set(file)]);
    for (name, file_key, value, description) in REPORTS {
        let why = ": the joint file sets it";
        all.insert(name.into(), fixed(value(file), file_key, description, why));
    }
    let simulated = fixed(
        Value::Bool(simulated_time),
        "",
        "The loop runs on the simulated time of /clock, not on the machine's clock.",
        "; accepted: true or false at start, -p use_sim_time:=true",
    );
    all.insert(USE_SIM_TIME.into(), simulated);
    all.extend(LIVE.map(|tunable| live.entry(tunable, "")));
    for (tunable, why) in AT_START {
        let (name, mut entry) = live.entry(tunable, "");
        let more = if entry.range.is_some() { "; " } else { "" };
        entry.constraints = format!("given at start only{more}{}", entry.constraints);
        entry.why_read_only = Some(why);
        all.insert(name, entry);
    }
    all.extend(COMMANDS.map(|tunable| commands.entry(tunable, "")));
    all.extend(LIMITS.map(|tunable| {
        let tunable = tunable.no_looser_than(&file.limits);
        limits.entry(tunable, NO_LOOSER)
    }));
    for motor in 0..file.motor_names.len() {
        of_motor(file, motor, &mut all);
    }
    of_rules(file, &mut all);
    all
}

/// Place of the tunables of a `T`.
struct Group<T> {
    /// Name of the parameters before the tunable's key.
    name: String,
    /// Path in the file before the tunable's key.
    file_key: String,
    /// Index of the motor or rule.
    index: usize,
    of: fn(&Live, usize) -> &T,
    of_mut: fn(&mut Live, usize) -> &mut T,
}

impl<T: 'static> Group<T> {
    /// Returns a group with the same path in files as among the parameters.
    fn new(name: &str, of: fn(&Live, usize) -> &T, of_mut: fn(&mut Live, usize) -> &mut T) -> Self {
        Self {
            name: name.into(),
            file_key: name.into(),
            index: 0,
            of,
            of_mut,
        }
    }

    /// Returns getter and setter of a field, with its values as those of parameters, and the check
    /// of those given.
    fn get_and_set<V: 'static>(
        &self,
        (get, put): Access<T, V>,
        value: fn(V) -> Value,
        check: impl Fn(&Given) -> Result<V, Refusal> + Send + Sync + 'static,
    ) -> (Get, Set) {
        let (index, of, of_mut) = (self.index, self.of, self.of_mut);
        (
            Box::new(move |live| value(get(of(live, index)))),
            Box::new(move |live, given| {
                check(given).map(|accepted| put(of_mut(live, index), accepted))
            }),
        )
    }

    /// Returns the parameter of `tunable`, whose description has this `end`.
    fn entry(&self, tunable: Tunable<T>, end: &str) -> (String, Entry) {
        let (mut range, mut unit) = (None, "");
        let (constraints, (get, set)) = match tunable.accepts {
            Accepts::Number {
                range: accepted,
                unit: own,
                access,
                ..
            } => {
                (range, unit) = (Some(accepted), own);
                let check = move |given: &Given| given.number(&accepted);
                let both = self.get_and_set(access, Value::Double, check);
                (format!("accepted: {}", accepted.words()), both)
            }
            Accepts::Truth(always, access) => (
                always.unwrap_or_default().into(),
                self.get_and_set(access, Value::Bool, move |given| given.truth(always)),
            ),
            Accepts::Word(words, access) => {
                let value = |word: &str| Value::Text(word.into());
                let both = self.get_and_set(access, value, |given| given.word(words));
                (any_of(words), both)
            }
            Accepts::Text(accepted, access) => {
                let check = |given: &Given| given.text().map(String::from);
                (
                    accepted.into(),
                    self.get_and_set(access, Value::Text, check),
                )
            }
        };
        let file_key = match tunable.file_key {
            "" => String::new(),
            key => format!("{}{key}", self.file_key),
        };
        let entry = Entry {
            description: format!("{}{end}.", tunable.text),
            constraints,
            range,
            unit,
            file_key,
            why_read_only: None,
            get,
            set,
        };
        (format!("{}{}", self.name, tunable.key), entry)
    }
}

/// Returns the parameter `gain_set`, which [`super::Parameters::check`] sets before all others.
fn gain_set(file: &JointFile) -> (String, Entry) {
    let names: Vec<_> = file.gain_sets.iter().map(|set| set.name.clone()).collect();
    let description =
        "Gain set in force, for all motors at once; choosing one discards changes of single gains.";
    let constraints = format!("one of {}", quoted(&names));
    let entry = Entry {
        description: description.into(),
        constraints,
        range: None,
        unit: "",
        file_key: "initial_gain_set".into(),
        why_read_only: None,
        get: Box::new(move |live| Value::Text(names[live.set].clone())),
        set: Box::new(|_, _| Ok(())),
    };
    ("gain_set".into(), entry)
}

/// Adds the gains and limits of one motor.
fn of_motor(file: &JointFile, motor: usize, all: &mut BTreeMap<String, Entry>) {
    let name = &file.motor_names[motor];
    let gains = Group {
        name: format!("gains.{name}."),
        file_key: "all_motors.".into(),
        index: motor,
        of: |live, motor| &live.gains.motors[motor],
        of_mut: |live, motor| &mut live.gains.motors[motor],
    };
    let velocity = file.kind == CommandInterface::Velocity;
    for tunable in GAINS {
        let (tunable, per_second) = match tunable.key {
            "kp" | "ki" | "kd" if velocity => (tunable, ", per s"),
            "derivative_corner" => {
                // This bound follows the faster stream; the law checks the feedback in force.
                let bound = MotorGains {
                    derivative_corner: highest_corner(file.imu_period.min(file.motor_period)),
                    ..file.gain_sets[file.initial].gains.motors[motor]
                };
                (tunable.no_looser_than(&bound), "")
            }
            _ => (tunable, ""),
        };
        all.extend([gains.entry(tunable, &format!("{per_second}, of motor {name}"))]);
    }
    let limits = Group {
        name: format!("limits.{name}."),
        file_key: "all_tendons.".into(),
        index: motor,
        of: |live, motor| &live.limits.motors[motor],
        of_mut: |live, motor| &mut live.limits.motors[motor],
    };
    all.extend(MOTOR_LIMITS.map(|tunable| {
        let tunable = tunable.no_looser_than(&file.limits.motors[motor]);
        limits.entry(tunable, &format!(", of motor {name}{NO_LOOSER}"))
    }));
}

/// Adds the parameters of the supervision.
fn of_rules(file: &JointFile, all: &mut BTreeMap<String, Entry>) {
    let supervision = Group::new(
        "supervision.",
        |live, _| &live.limits.supervision,
        |live, _| &mut live.limits.supervision,
    );
    all.extend(SUPERVISION.map(|tunable| supervision.entry(tunable, "")));
    for rule in Rule::ALL {
        let name = rule.name();
        let group = Group {
            index: rule as usize,
            ..Group::new(
                &format!("supervision.{name}."),
                |live, rule| &live.limits.supervision.guards[rule],
                |live, rule| &mut live.limits.supervision.guards[rule],
            )
        };
        for tunable in guard(rule) {
            let is_limit = tunable.key == "limit";
            let bound = file.limits.supervision.guard(rule);
            // In the file, a time without end bounds nothing.
            let bounds = file.limited.contains(&(rule, tunable.key))
                && (tunable.key != "after" || bound.after.is_finite());
            let (full, mut entry) = if bounds {
                let end = if is_limit { NO_LOOSER } else { NO_MILDER };
                let mut tunable = tunable.no_looser_than(bound);
                if rule == Rule::CommandTimeout {
                    tunable = tunable.within(Range::above(0.0, bound.after, "s"));
                }
                group.entry(tunable, end)
            } else {
                group.entry(tunable, "")
            };
            entry.description = match is_limit {
                true => format!("Above this {name} is broken: {}", entry.description),
                false => entry.description.replace("RULE", name),
            };
            all.insert(full, entry);
        }
    }
}

/// Name, key in the joint file, value and description of a parameter that only reports.
type Report = (
    &'static str,
    &'static str,
    fn(&JointFile) -> Value,
    &'static str,
);

/// The parameters that report what the joint file says.
const REPORTS: [Report; 11] = [
    (
        "joint_file",
        "",
        |file| Value::Text(file.file.display().to_string()),
        "The joint file.",
    ),
    (
        "motor_names",
        "tendons[].motor",
        |file| Value::Texts(file.motor_names.clone()),
        "Names of the motors in joint_states, in the order of the tendons.",
    ),
    (
        "gain_sets",
        "gain_sets",
        |file| Value::Texts(file.gain_sets.iter().map(|set| set.name.clone()).collect()),
        "Names of the gain sets that gain_set can choose from.",
    ),
    (
        "base_frame",
        "frames.base",
        |file| Value::Text(file.frames.base.clone()),
        "Frame of the base plate: commands and head poses are in it.",
    ),
    (
        "head_frame",
        "frames.head",
        |file| Value::Text(file.frames.head.clone()),
        "Frame of the head plate.",
    ),
    (
        "setpoint_kind",
        "setpoint.kind",
        |file| Value::Text(kind_word(file.kind).into()),
        "Quantity of the setpoints: position (rad) or velocity (rad/s).",
    ),
    (
        "setpoint_message",
        "setpoint.message",
        |file| match file.setpoint_message {
            SetpointMessage::JointState => Value::Text("joint_state".into()),
            SetpointMessage::Float64Array => Value::Text("float64_array".into()),
        },
        "Message that setpoints are published in: joint_state or float64_array.",
    ),
    (
        "tick_source",
        "tick.source",
        |file| match file.tick {
            TickSource::Timer => Value::Text("timer".into()),
            TickSource::Imu => Value::Text("imu".into()),
        },
        "Trigger of the control ticks: timer or imu.",
    ),
    (
        "tick_rate_hz",
        "tick.rate_hz",
        |file| rate(file.joint.period),
        "Rate of the control ticks, Hz; nominal for tick_source imu.",
    ),
    (
        "imu_rate_hz",
        "imu.rate_hz",
        |file| rate(file.imu_period),
        "Nominal rate of IMU samples, Hz.",
    ),
    (
        "motor_rate_hz",
        "motors.rate_hz",
        |file| rate(file.motor_period),
        "Nominal rate of motor samples, Hz.",
    ),
];

/// Returns the rate of a period in s, Hz, without the rounding error of the two divisions.
fn rate(period: f64) -> Value {
    Value::Double((1e9 / period).round() / 1e9)
}

/// Returns a parameter that keeps its `value`; `why` ends the sentence for changes.
fn fixed(value: Value, file_key: &str, description: &str, why: &'static str) -> Entry {
    let unit = match value {
        Value::Double(_) => "Hz",
        _ => "",
    };
    Entry {
        description: description.into(),
        constraints: String::new(),
        range: None,
        unit,
        file_key: file_key.into(),
        why_read_only: Some(why),
        get: Box::new(move |_| value.clone()),
        set: Box::new(move |_, given| Err(given.read_only(why))),
    }
}

//! The parameters of one joint: declaration, checks, and the law that a set of changes makes. Free
//! of middleware: names and values in, a checked program or one sentence out.

mod declared;
mod examined;
mod place;
mod refusal;
mod sets;
mod value;

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::Vector3;

use declared::HEAVIEST;
use examined::Examining;
pub use place::Place;
pub use refusal::Refusal;
pub use value::Value;
use value::{Given, quoted};

use crate::control::controller::GainSet;
use crate::control::self_support::{Load, SelfSupport};
use crate::control::tick::{Feedback, Law, Limits, Rule, Supervision};
use crate::files::supervision::{NOT_MILD, too_mild};
use crate::files::{Commands, JointFile, NamedGainSet, Range, kind_word};
use crate::ros::server::refused::cut;
use crate::runtime::link::Program;

type Get = Box<dyn Fn(&Live) -> Value + Send + Sync>;
type Set = Box<dyn Fn(&mut Live, &Given) -> Result<(), Refusal> + Send + Sync>;

/// A declared parameter.
pub struct Entry {
    /// Description for users.
    pub description: String,
    /// Accepted values.
    pub constraints: String,
    /// Accepted range of a number.
    pub range: Option<Range>,
    /// Unit of a number; empty for none.
    pub unit: &'static str,
    /// Path of the key in the joint file or gain-set file; empty if none has it.
    pub file_key: String,
    /// End of the sentence that refuses changes while the node runs.
    why_read_only: Option<&'static str>,
    get: Get,
    set: Set,
}

impl Entry {
    /// Returns true if it cannot be changed while the node runs.
    pub fn read_only(&self) -> bool {
        self.why_read_only.is_some()
    }

    /// Changes `live`, or refuses the value.
    fn change(&self, given: &Given, live: &mut Live) -> Result<(), Refusal> {
        match self.why_read_only {
            Some(_) if *given.value == (self.get)(live) => Ok(()),
            Some(why) if !given.at_start => Err(given.read_only(why)),
            _ => (self.set)(live, given),
        }
    }
}

/// Storage settings of the incident recordings.
#[derive(Clone, Debug, PartialEq)]
pub struct Kept {
    /// Folder; empty for the default one.
    pub folder: String,
    /// Max. total size of the files, MB; 0: nothing is written.
    pub disk_limit: f64,
}

impl Default for Kept {
    fn default() -> Self {
        Self {
            folder: String::new(),
            disk_limit: 200.0,
        }
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
    /// Folder below which gain-set files may be named; empty: that of the joint file.
    gain_set_folder: String,
    kept: Kept,
    /// Problem of the gains on the joint's models, if they are accepted despite it.
    warning: Option<String>,
}

/// The ROS 2 parameter for simulated time.
pub const USE_SIM_TIME: &str = "use_sim_time";

/// Payload mass that stands for an unknown one.
const NOT_TOLD: f64 = -1.0;

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
pub struct Parameters {
    file: JointFile,
    /// True if the loop runs on simulated time: `use_sim_time`.
    simulated_time: bool,
    entries: BTreeMap<String, Entry>,
    live: Live,
    /// Self-support of the beam under the law in force.
    self_support: SelfSupport,
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
            gain_set_folder: String::new(),
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
        self.entries.get(name).map(|entry| (entry.get)(&self.live))
    }

    /// Returns all parameters with their values, by name.
    pub fn all(&self) -> impl Iterator<Item = (String, Value)> {
        let entries = self.entries.iter();
        entries.map(|(name, entry)| (name.clone(), (entry.get)(&self.live)))
    }

    /// Checks `changes` together against the parameters in force and the measured dead time (s; 0
    /// if unknown), and compiles the resulting law. A gain set is chosen first; single gains then
    /// change it. With `at_start` an integer is accepted as a double, since a file may write `1`
    /// for `1.0`.
    ///
    /// # Errors
    /// The first change that is not accepted.
    pub fn check(
        &self,
        changes: &[(String, Value)],
        delay: f64,
        at_start: bool,
    ) -> Result<Candidate, Refusal> {
        let mut live = self.live.clone();
        let given: Vec<_> = changes
            .iter()
            .map(|(name, value)| Given {
                name,
                value,
                at_start,
            })
            .collect();
        self.known_once(&given)?;
        let set = given.iter().find(|given| given.name == "gain_set");
        if let Some(set) = set {
            self.choose(set, &mut live)?;
        }
        let added = match given.iter().find(|given| given.name == "gain_set_file") {
            Some(_) if given.len() > 1 => return Err(Refusal::NotAlone),
            Some(file) => Some(self.read_gain_set(file.text()?)?),
            None => None,
        };
        let payload = |given: &&Given| given.name.starts_with("payload.");
        let mut chosen = set.is_some();
        if !chosen && given.iter().any(|given| payload(&given)) {
            // The set comes before single gains that change it.
            for given in given.iter().filter(payload) {
                self.entries[given.name].change(given, &mut live)?;
            }
            chosen = self.choose_for_payload(&mut live)?;
        }
        for given in &given {
            self.entries[given.name].change(given, &mut live)?;
        }
        self.together(&live)?;
        let allowed = live.gains.delay_allowed;
        if chosen && live.feedback == self.live.feedback && delay > allowed {
            return Err(Refusal::DeadTime {
                set: self.file.gain_sets[live.set].name.clone(),
                allowed: 1e3 * allowed,
                measured: 1e3 * delay,
            });
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

    /// Refuses names that are unknown or given twice.
    fn known_once(&self, given: &[Given]) -> Result<(), Refusal> {
        let mut seen = BTreeSet::new();
        for Given { name, .. } in given {
            if !self.entries.contains_key(*name) {
                return Err(Refusal::Unknown(cut(name).into_owned()));
            }
            if !seen.insert(name) {
                return Err(Refusal::Twice((*name).into()));
            }
        }
        Ok(())
    }

    /// Refuses values that do not go together.
    fn together(&self, live: &Live) -> Result<(), Refusal> {
        let refuse = |name: String, value: String, accepted: String| {
            Err(Refusal::Value {
                name,
                value,
                accepted,
            })
        };
        let mass = live.payload_mass;
        if mass < 0.0 && mass != NOT_TOLD {
            let accepted = format!("0 to {HEAVIEST} kg, or {NOT_TOLD} for not set");
            return refuse("payload.mass".into(), mass.to_string(), accepted);
        }
        let supervision = &live.limits.supervision;
        if let Some(rule) = too_mild(supervision, live.feedback) {
            let reaction = supervision.guard(rule).reaction.name();
            return refuse(
                format!("supervision.{}.reaction", rule.name()),
                format!("'{reaction}' and feedback is 'imu'"),
                NOT_MILD.into(),
            );
        }
        let (kind, motors) = (live.gains.kind, self.file.kind);
        if kind != motors {
            return Err(Refusal::Interface {
                set: self.file.gain_sets[live.set].name.clone(),
                kind: kind_word(kind),
                motors: kind_word(motors),
            });
        }
        Ok(())
    }

    /// Compiles the program of `live`.
    fn compile(&self, live: Live) -> Result<Candidate, Refusal> {
        let joint = crate::control::tick::Joint {
            gravity_base: live.gravity_base,
            ..self.file.joint_for(live.feedback)
        };
        let law = Law::new(&joint, &live.gains, &live.limits, live.feedback);
        let law = law.map_err(|error| Refusal::Law {
            error,
            motor_names: self.file.motor_names.clone(),
        })?;
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
    pub fn on_base(&self, gravity: Vector3<f64>) -> Result<Candidate, Refusal> {
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

    /// Returns the rules for sources of commands.
    pub fn commands(&self) -> &Commands {
        &self.live.commands
    }

    /// Returns the storage settings of the incident recordings.
    pub fn kept(&self) -> &Kept {
        &self.live.kept
    }

    /// Returns the self-support of the beam under the law in force.
    pub fn self_support(&self) -> SelfSupport {
        self.self_support
    }

    /// Returns the supervision in force, each guard with its effective limit, which may be defined
    /// elsewhere.
    pub fn supervision(&self) -> Supervision {
        let limits = &self.live.limits;
        let mut supervision = limits.supervision;
        let after = supervision.guard(Rule::CommandTimeout).after;
        for (rule, limit) in [
            (Rule::ImuStale, limits.stale_imu),
            (Rule::MotorStale, limits.stale_motors),
            (Rule::OverBend, limits.over_bend),
            (Rule::FollowingError, self.file.joint.following_error_limit),
            (Rule::CommandTimeout, after),
        ] {
            supervision.guard_mut(rule).limit = limit;
        }
        supervision
    }

    fn choose(&self, given: &Given, live: &mut Live) -> Result<(), Refusal> {
        let name = given.text()?;
        let sets = &self.file.gain_sets;
        let Some(set) = sets.iter().position(|set| set.name == name) else {
            let names: Vec<_> = sets.iter().map(|set| set.name.clone()).collect();
            return Err(given.refuse(format_args!("'{name}'"), quoted(&names)));
        };
        live.set = set;
        live.gains = sets[set].gains.clone();
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
            let new = (entry.get)(&candidate.live);
            if (entry.get)(&self.live) != new {
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

//! The key `commands` of a joint file: which sources may command the joint.

use super::table::{Range, Table, show};
use super::{ConfigError, Kind, Tunable, field, is_node_name};

/// Maximum number of sources with topics of their own.
const MOST_SOURCES: usize = 16;
/// Source name of the action; no other source may have it.
pub const ACTION: &str = "action";

/// Which sources may command the joint.
#[derive(Clone, Debug, PartialEq)]
pub struct Commands {
    /// True if commands of other sources are refused while one source holds the joint.
    pub exclusive: bool,
    /// Silence after which the holding source gives up the joint to others, s.
    pub release_after: f64,
    /// Names of the sources with topics of their own, all different.
    pub sources: Vec<String>,
}

impl Default for Commands {
    fn default() -> Self {
        Self {
            exclusive: false,
            release_after: 2.0,
            sources: Vec::new(),
        }
    }
}

/// The tunables of [`Commands`].
pub const COMMANDS: [Tunable<Commands>; 2] = [
    Tunable::new(
        ["exclusive"; 2],
        Kind::Truth(None, field!(Commands, exclusive)),
        "Whether commands of other sources are refused while one source holds the joint",
    ),
    Tunable::number(
        ["release_after", "release_after_s"],
        // Less would interrupt a stream between two samples; more has no use.
        Range::closed(0.2, 60.0, "s"),
        field!(Commands, release_after),
        "Silence after which another source may take the joint, and pause that a stream needs \
         after a hold, s",
    )
    .optional(),
];

/// Reads the key `commands`; missing entries take their defaults.
pub(super) fn commands(top: &Table) -> Result<Commands, ConfigError> {
    let mut made = Commands::default();
    let Some(value) = top.get("commands") else {
        return Ok(made);
    };
    let [exclusive, release_after] = COMMANDS;
    let keys = [exclusive.file_key, release_after.file_key, "sources"];
    let table = Table::at(top.file, "commands", value, &keys)?;
    exclusive.read(&table, &mut made)?;
    release_after.read(&table, &mut made)?;
    if table.get("sources").is_some() {
        made.sources = sources(&table, "sources")?;
    }
    Ok(made)
}

fn sources(table: &Table, key: &str) -> Result<Vec<String>, ConfigError> {
    let accepted = format!(
        "at most {MOST_SOURCES} names of 1 to 64 letters, digits and single underscores, not \
         starting with a digit, all different and none of them {ACTION}"
    );
    let mut names: Vec<String> = Vec::new();
    for (i, value) in table.list(key, &accepted)?.iter().enumerate() {
        let good = |n: &&str| {
            i < MOST_SOURCES && is_node_name(n) && *n != ACTION && !names.iter().any(|m| m == n)
        };
        let Some(name) = value.as_str().filter(good) else {
            let key = table.key(&format!("{key}[{i}]"));
            return Err(ConfigError::value(table.file, key, show(value), accepted));
        };
        names.push(name.to_string());
    }
    Ok(names)
}

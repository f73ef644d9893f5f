//! The key `commands` of a joint file: which sources may command the joint.

use super::table::{Field, Range, Table};
use super::{ConfigError, is_node_name};

/// Maximum number of sources with topics of their own.
const MOST_SOURCES: usize = 16;
/// Source name of the action; no other source may have it.
pub const ACTION: &str = "action";
/// Minimum and maximum silence after which a source loses the joint, s. A smaller value would
/// interrupt a stream between two samples; a larger one has no use.
pub const RELEASE_AFTER: [f64; 2] = [0.2, 60.0];

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

/// Reads the key `commands`; missing entries take their defaults.
pub(super) fn commands(top: &Table) -> Result<Commands, ConfigError> {
    let mut made = Commands::default();
    let keys = ["exclusive", "release_after_s", "sources"];
    let Some(table) = top.table("commands", &keys)? else {
        return Ok(made);
    };
    made.exclusive = table.truth_or(keys[0], made.exclusive)?;
    let [low, high] = RELEASE_AFTER;
    let range = Range::closed(low, high, "s");
    made.release_after = table.number_or(keys[1], range, made.release_after)?;
    if let Some(list) = table.get(keys[2]) {
        made.sources = sources(&list)?;
    }
    Ok(made)
}

fn sources(list: &Field) -> Result<Vec<String>, ConfigError> {
    let accepted = format!(
        "at most {MOST_SOURCES} names of 1 to 64 letters, digits and single underscores, not \
         starting with a digit, all different and none of them {ACTION}"
    );
    let mut names: Vec<String> = Vec::new();
    for (i, item) in list.items(0..=usize::MAX, &accepted)?.iter().enumerate() {
        let good = |n: &&str| {
            i < MOST_SOURCES && is_node_name(n) && *n != ACTION && !names.iter().any(|m| m == n)
        };
        let Some(name) = item.text().filter(good) else {
            return Err(item.refuse(accepted));
        };
        names.push(name.to_string());
    }
    Ok(names)
}

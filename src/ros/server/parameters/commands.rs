//! The parameters `commands.*`: exclusive command of one source.

use super::{Entry, Key, Parameters, Range, Value, wrong_type};
use crate::files::{Commands, RELEASE_AFTER};

/// The field of [`Commands`] that a parameter sets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum CommandsKey {
    Exclusive,
    ReleaseAfter,
}

use CommandsKey as C;

/// Returns all entries with their names.
pub(super) fn entries() -> [(String, Entry); 2] {
    let [low, high] = RELEASE_AFTER;
    let (range, unit) = (Range::closed(low, high), " s");
    let exclusive = Entry {
        key: Key::Commands(C::Exclusive),
        description: "Whether commands of other sources are refused while one source holds the \
                      joint."
            .into(),
        constraints: String::new(),
        range: None,
        unit: "",
    };
    let release = Entry {
        key: Key::Commands(C::ReleaseAfter),
        description: "Silence after which another source may take the joint, and pause that a \
                      stream needs after a hold, s."
            .into(),
        constraints: format!("accepted: {}", range.words(unit)),
        range: Some(range),
        unit,
    };
    [
        ("commands.exclusive".into(), exclusive),
        ("commands.release_after".into(), release),
    ]
}

pub(super) fn value(commands: &Commands, key: CommandsKey) -> Value {
    match key {
        C::Exclusive => Value::Bool(commands.exclusive),
        C::ReleaseAfter => Value::Double(commands.release_after),
    }
}

/// Sets one field; `number` returns the value as a number in range.
pub(super) fn change(
    commands: &mut Commands,
    key: CommandsKey,
    name: &str,
    value: &Value,
    number: impl FnOnce() -> Result<f64, String>,
) -> Result<(), String> {
    match (key, value) {
        (C::Exclusive, Value::Bool(exclusive)) => commands.exclusive = *exclusive,
        (C::Exclusive, other) => return Err(wrong_type(name, other, "a bool")),
        (C::ReleaseAfter, _) => commands.release_after = number()?,
    }
    Ok(())
}

impl Parameters {
    /// Returns the rules for sources of commands.
    pub fn commands(&self) -> &Commands {
        &self.live.commands
    }
}

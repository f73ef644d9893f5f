//! The parameters `incidents.*`: folder and disk limit of the incident recordings. Read at start.

use super::{Entry, Key, Parameters, Range, Value, wrong_type};

/// The field of [`Kept`] that a parameter sets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum KeptKey {
    Folder,
    DiskLimit,
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

/// Returns all entries with their names.
pub(super) fn entries() -> [(String, Entry); 2] {
    let range = Range::closed(0.0, 1e6);
    let entry = |key, description: &str, constraints, range, unit| Entry {
        key: Key::Kept(key),
        description: description.into(),
        constraints,
        range,
        unit,
    };
    [
        (
            "incidents.folder".into(),
            entry(
                KeptKey::Folder,
                "Folder of the incident recording's files; empty: withy/NODE in $XDG_STATE_HOME, \
                 or in ~/.local/state.",
                "given at start only".into(),
                None,
                "",
            ),
        ),
        (
            "incidents.disk_limit".into(),
            entry(
                KeptKey::DiskLimit,
                "Maximum size of all the incident recording's files, MB; the oldest are deleted. \
                 0: nothing is written.",
                format!("given at start only; accepted: {}", range.words(" MB")),
                Some(range),
                " MB",
            ),
        ),
    ]
}

pub(super) fn value(kept: &Kept, key: KeptKey) -> Value {
    match key {
        KeptKey::Folder => Value::Text(kept.folder.clone()),
        KeptKey::DiskLimit => Value::Double(kept.disk_limit),
    }
}

/// Changes one field at start; while the node runs, only its present value is accepted.
pub(super) fn change(
    kept: &mut Kept,
    key: KeptKey,
    name: &str,
    new: &Value,
    number: impl FnOnce() -> Result<f64, String>,
    at_start: bool,
) -> Result<(), String> {
    if !at_start && *new != value(kept, key) {
        return Err(format!(
            "{name} cannot be changed while the node runs: it is read at start"
        ));
    }
    match (key, new) {
        (KeptKey::Folder, Value::Text(folder)) => kept.folder.clone_from(folder),
        (KeptKey::Folder, other) => return Err(wrong_type(name, other, "a string")),
        (KeptKey::DiskLimit, _) => kept.disk_limit = number()?,
    }
    Ok(())
}

impl Parameters {
    /// Returns the storage settings of the incident recordings.
    pub fn kept(&self) -> &Kept {
        &self.live.kept
    }

    /// Returns all parameters with their values, by name.
    pub fn all(&self) -> impl Iterator<Item = (String, Value)> {
        let values = self.entries.iter();
        values.map(|(name, entry)| (name.clone(), self.value(&self.live, entry)))
    }
}

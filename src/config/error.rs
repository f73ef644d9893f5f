//! What can be wrong with a file, in one sentence each.

use std::path::{Path, PathBuf};

/// Why a file was refused or could not be written. Each is one sentence and one line.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ConfigError {
    /// The file cannot be read.
    #[error("{}: cannot be read: {reason}", file.display())]
    Read {
        /// Which file.
        file: PathBuf,
        /// The system's reason.
        reason: String,
    },
    /// The file is no YAML.
    #[error("{}: is not valid YAML: {reason}", file.display())]
    Syntax {
        /// Which file.
        file: PathBuf,
        /// The parser's reason, with line and column.
        reason: String,
    },
    /// A value is not accepted.
    #[error("{}: {key} is {value}; accepted: {accepted}", file.display())]
    Value {
        /// Which file.
        file: PathBuf,
        /// Full path of the key, such as `tendons[2].drum_radius_mm`.
        key: String,
        /// The value given.
        value: String,
        /// What is accepted.
        accepted: String,
    },
    /// A key that must be there is not.
    #[error("{}: {key} is missing; accepted: {accepted}", file.display())]
    Missing {
        /// Which file.
        file: PathBuf,
        /// Full path of the key.
        key: String,
        /// What is accepted.
        accepted: String,
    },
    /// A key that nothing reads.
    #[error("{}: {key} (given as {value}) is not a known key; accepted here: {accepted}", file.display())]
    Unknown {
        /// Which file.
        file: PathBuf,
        /// Full path of the key.
        key: String,
        /// The value given.
        value: String,
        /// The keys known at that place.
        accepted: String,
    },
    /// The file cannot be written.
    #[error("{}: cannot be written: {reason}", file.display())]
    Write {
        /// Which file.
        file: PathBuf,
        /// The system's reason.
        reason: String,
    },
}

impl ConfigError {
    /// A value that is not accepted.
    pub(super) fn value(
        file: &Path,
        key: impl Into<String>,
        value: impl std::fmt::Display,
        accepted: impl Into<String>,
    ) -> Self {
        Self::Value {
            file: file.to_path_buf(),
            key: key.into(),
            value: value.to_string(),
            accepted: accepted.into(),
        }
    }
}

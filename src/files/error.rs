//! Errors of reading, checking and writing files.

use std::path::{Path, PathBuf};

/// Reason why a file was refused or could not be written: one sentence on one line.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ConfigError {
    /// The file cannot be read.
    #[error("{}: cannot be read: {reason}", file.display())]
    Read {
        /// Path of the file.
        file: PathBuf,
        /// The system's reason.
        reason: String,
    },
    /// The file is not valid YAML.
    #[error("{}: is not valid YAML: {reason}", file.display())]
    Syntax {
        /// Path of the file.
        file: PathBuf,
        /// The parser's reason, with line and column.
        reason: String,
    },
    /// A value is not accepted.
    #[error("{}: {key} is {value}; accepted: {accepted}", file.display())]
    Value {
        /// Path of the file.
        file: PathBuf,
        /// Full path of the key, such as `tendons[2].drum_radius_mm`.
        key: String,
        /// The value given.
        value: String,
        /// The accepted values.
        accepted: String,
    },
    /// A required key is missing.
    #[error("{}: {key} is missing; accepted: {accepted}", file.display())]
    Missing {
        /// Path of the file.
        file: PathBuf,
        /// Full path of the key.
        key: String,
        /// The accepted values.
        accepted: String,
    },
    /// An unknown key.
    #[error("{}: {key} (given as {value}) is not a known key; accepted here: {accepted}", file.display())]
    Unknown {
        /// Path of the file.
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
        /// Path of the file.
        file: PathBuf,
        /// The system's reason.
        reason: String,
    },
}

impl ConfigError {
    /// Returns the error for a value that is not accepted.
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

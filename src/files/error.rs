//! Errors of reading, checking and writing files.

use std::fmt;
use std::path::{Path, PathBuf};

use super::Kind;

/// A position in a file, in characters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Position {
    /// Line, counted from 1.
    pub line: u32,
    /// Column, counted from 1.
    pub column: u32,
}

/// A place in a file, shown as `file:line:column`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Path of the file.
    pub file: PathBuf,
    /// Position in the file; `None` for a file that has not been written yet.
    pub position: Option<Position>,
}

impl Place {
    pub(super) fn new(file: &Path, position: Position) -> Self {
        Self {
            file: file.to_path_buf(),
            position: Some(position),
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(f, "{}", self.file.display())?;
        match self.position {
            Some(Position { line, column }) => write!(f, ":{line}:{column}"),
            None => Ok(()),
        }
    }
}

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
    /// The file is not below the folder in which such files may be named.
    #[error(
        "{file} is not accepted; accepted: a file below {}, by its path from there",
        if folder.as_os_str().is_empty() { "the present folder".into() }
        else { folder.display().to_string() }
    )]
    Outside {
        /// The name given.
        file: String,
        /// The folder.
        folder: PathBuf,
    },
    /// The file is not valid YAML or CSV.
    #[error("{at}: is not valid {format}: {reason}")]
    Syntax {
        /// Place of the error.
        at: Place,
        /// Name of the format.
        format: &'static str,
        /// The parser's reason.
        reason: String,
    },
    /// The file is of another kind.
    #[error("{at}: this is {found}; {wanted} is wanted")]
    Kind {
        /// Start of the file's content.
        at: Place,
        /// Its kind.
        found: Kind,
        /// The kind that belongs here.
        wanted: Kind,
    },
    /// A value is not accepted.
    #[error("{at}: {key} is {value}; accepted: {accepted}")]
    Value {
        /// Place of the value.
        at: Place,
        /// Full path of the key, such as `tendons[2].drum_radius_mm`.
        key: String,
        /// The value given.
        value: String,
        /// The accepted values.
        accepted: String,
    },
    /// A required key is missing.
    #[error("{at}: {key} is missing; accepted: {accepted}")]
    Missing {
        /// Place of the table that lacks it.
        at: Place,
        /// Full path of the key.
        key: String,
        /// The accepted values.
        accepted: String,
    },
    /// An unknown key.
    #[error("{at}: {key} (given as {value}) is not a known key; accepted here: {accepted}")]
    Unknown {
        /// Place of the key.
        at: Place,
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
    /// Returns the error without anything that the file contains, for readers who may not be
    /// allowed to read it.
    pub(super) fn without_content(self) -> Self {
        match self {
            Self::Syntax { at, format, .. } => Self::Syntax {
                at,
                format,
                reason: "the text does not parse".into(),
            },
            Self::Value {
                at, key, accepted, ..
            } => Self::Value {
                at,
                key,
                value: "not accepted".into(),
                accepted,
            },
            Self::Unknown { at, accepted, .. } => Self::Value {
                at,
                key: "a key".into(),
                value: "not known".into(),
                accepted,
            },
            other => other,
        }
    }

    /// Returns the error without the position, for a file that has not been written yet.
    pub(super) fn unplaced(mut self) -> Self {
        match &mut self {
            Self::Syntax { at, .. }
            | Self::Kind { at, .. }
            | Self::Value { at, .. }
            | Self::Missing { at, .. }
            | Self::Unknown { at, .. } => at.position = None,
            Self::Read { .. } | Self::Outside { .. } | Self::Write { .. } => {}
        }
        self
    }
}

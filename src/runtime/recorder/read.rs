//! Reading of incident recordings.

use std::collections::BTreeMap;
use std::path::Path;

use super::file::FIRST;

/// Maximum size of a file, bytes.
const GREATEST: u64 = 2_000_000_000;

/// Reason why a file cannot be read: one sentence.
#[derive(Debug, thiserror::Error)]
#[error("{file}: {flaw}")]
pub struct Misread {
    /// Path of the file.
    pub file: String,
    /// The flaw.
    pub flaw: Flaw,
}

/// A flaw of a file, with what is accepted.
#[derive(Debug, thiserror::Error)]
pub enum Flaw {
    /// The system's error.
    #[error(transparent)]
    System(#[from] std::io::Error),
    /// The file is too large; with its size, bytes.
    #[error("{0} bytes; accepted: at most {GREATEST}")]
    Size(u64),
    /// It is not text.
    #[error("byte {} is not UTF-8; accepted: an incident recording", .0.valid_up_to())]
    Utf8(#[from] std::str::Utf8Error),
    /// It does not begin like an incident recording.
    #[error("line 1 is not '{FIRST}'; accepted: an incident recording")]
    First,
    /// A line of the head, by its number from 1, has no key.
    #[error("line {0} has no ':'; accepted: '# key: text'")]
    NoKey(u64),
    /// A row has another number of fields than there are columns.
    #[error("line {line} has {fields} fields; accepted: {columns}, as the columns' names")]
    Fields {
        /// Number of the line, from 1.
        line: u64,
        /// Number of its fields.
        fields: u64,
        /// Number of columns.
        columns: u64,
    },
    /// The table is not CSV.
    #[error("its table cannot be read: {0}")]
    Table(csv::Error),
    /// Two columns have this name.
    #[error("two columns have the name '{0}'; accepted: one")]
    SameName(String),
    /// There is no column of the time.
    #[error("no column 'time_s'; accepted: an incident recording")]
    NoTime,
}

/// Content of a file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct IncidentFile {
    /// Lines of the head in order: key and text.
    pub head: Vec<(String, String)>,
    /// Names of the columns.
    pub columns: Vec<String>,
    /// The rows, as text; each has as many fields as there are columns.
    pub rows: Vec<csv::StringRecord>,
    places: BTreeMap<String, usize>,
}

impl IncidentFile {
    /// Reads a file.
    ///
    /// # Errors
    /// The system's error, or a mismatch in the content.
    pub fn load(path: &Path) -> Result<Self, Misread> {
        let read = || {
            let size = std::fs::metadata(path)?.len();
            if size > GREATEST {
                return Err(Flaw::Size(size));
            }
            Self::from_bytes(&std::fs::read(path)?)
        };
        read().map_err(|flaw| Misread {
            file: path.display().to_string(),
            flaw,
        })
    }

    /// Parses the content of a file.
    ///
    /// # Errors
    /// The first flaw.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, Flaw> {
        let text = std::str::from_utf8(bytes)?;
        let mut this = Self::default();
        let first = text.lines().next().unwrap_or_default();
        if first.trim_end() != FIRST {
            return Err(Flaw::First);
        }
        let (mut at, mut number) = (0, 0);
        for line in text.split_inclusive('\n') {
            let Some(comment) = line.strip_prefix("# ") else {
                break;
            };
            at += line.len();
            number += 1;
            let comment = comment.trim_end_matches(['\n', '\r']);
            let Some((key, words)) = comment.split_once(':') else {
                if number == 1 {
                    continue;
                }
                return Err(Flaw::NoKey(number));
            };
            let words = words.strip_prefix(' ').unwrap_or(words);
            this.head.push((key.into(), words.into()));
        }
        let mut reader = csv::ReaderBuilder::new().from_reader(&bytes[at..]);
        let fits = |e: csv::Error| match e.kind() {
            csv::ErrorKind::UnequalLengths {
                pos,
                expected_len,
                len,
            } => Flaw::Fields {
                line: pos.as_ref().map_or(0, |p| p.line()) + number,
                fields: *len,
                columns: *expected_len,
            },
            _ => Flaw::Table(e),
        };
        let names = reader.headers().map_err(fits)?;
        this.columns = names.iter().map(Into::into).collect();
        for (place, name) in this.columns.iter().enumerate() {
            if this.places.insert(name.clone(), place).is_some() {
                return Err(Flaw::SameName(name.clone()));
            }
        }
        if !this.places.contains_key("time_s") {
            return Err(Flaw::NoTime);
        }
        for row in reader.records() {
            this.rows.push(row.map_err(fits)?);
        }
        Ok(this)
    }

    /// Returns the first line of the head with this key.
    pub fn line(&self, key: &str) -> Option<&str> {
        let found = self.head.iter().find(|(k, _)| k == key);
        found.map(|(_, text)| text.as_str())
    }

    /// Returns all lines of the head with this key.
    pub fn lines<'a>(&'a self, key: &'a str) -> impl Iterator<Item = &'a str> {
        let found = self.head.iter().filter(move |(k, _)| k == key);
        found.map(|(_, text)| text.as_str())
    }

    /// Returns the texts of a column; nothing if there is no such column.
    pub fn texts<'a>(&'a self, column: &str) -> impl Iterator<Item = &'a str> {
        let place = self.places.get(column).copied();
        self.rows.iter().filter_map(move |row| row.get(place?))
    }

    /// Returns the numbers of a column, NaN for missing ones; empty if there is no such column.
    pub fn numbers(&self, column: &str) -> Vec<f64> {
        self.texts(column)
            .map(|text| text.parse().unwrap_or(f64::NAN))
            .collect()
    }
}

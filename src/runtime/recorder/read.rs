//! Reading of incident recordings.

use std::collections::BTreeMap;
use std::path::Path;

use super::file::FIRST;

/// Maximum size of a file, bytes.
const GREATEST: u64 = 2_000_000_000;

/// Reason why a file cannot be read: one sentence.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{file}: {reason}")]
pub struct Misread {
    /// Path of the file.
    pub file: String,
    /// The mismatch, and what is accepted.
    pub reason: String,
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
        let misread = |reason: String| Misread {
            file: path.display().to_string(),
            reason,
        };
        let size = std::fs::metadata(path).map_err(|e| misread(e.to_string()))?;
        if size.len() > GREATEST {
            return Err(misread(format!(
                "{} bytes; accepted: at most {GREATEST}",
                size.len()
            )));
        }
        let bytes = std::fs::read(path).map_err(|e| misread(e.to_string()))?;
        Self::from_bytes(&bytes).map_err(misread)
    }

    /// Parses the content of a file.
    ///
    /// # Errors
    /// One sentence with the line and the mismatch.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, String> {
        let text = std::str::from_utf8(bytes).map_err(|e| {
            format!(
                "byte {} is not UTF-8; accepted: an incident recording",
                e.valid_up_to()
            )
        })?;
        let mut this = Self::default();
        let first = text.lines().next().unwrap_or_default();
        if first.trim_end() != FIRST {
            return Err(format!(
                "line 1 is not '{FIRST}'; accepted: an incident recording"
            ));
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
                return Err(format!("line {number} has no ':'; accepted: '# key: text'"));
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
            } => {
                let line = pos.as_ref().map_or(0, |p| p.line()) + number;
                format!(
                    "line {line} has {len} fields; accepted: {expected_len}, as the columns' names"
                )
            }
            _ => format!("its table cannot be read: {e}"),
        };
        let names = reader.headers().map_err(fits)?;
        this.columns = names.iter().map(Into::into).collect();
        for (place, name) in this.columns.iter().enumerate() {
            if this.places.insert(name.clone(), place).is_some() {
                return Err(format!("two columns have the name '{name}'; accepted: one"));
            }
        }
        if !this.places.contains_key("time_s") {
            return Err("no column 'time_s'; accepted: an incident recording".into());
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

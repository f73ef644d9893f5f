//! A YAML table that is read key by key. Every value is checked when it is read, and every refusal
//! names the file, the full path of the key, the value and the accepted values.

use std::path::Path;

use serde_yaml::{Mapping, Value};

use super::ConfigError;
pub(super) use super::tunable::Range;

/// Maximum length of a value's text in an error, characters.
const SHOWN: usize = 60;
/// Maximum size of a file, bytes; a joint file has some thousands.
const LARGEST_FILE: u64 = 1 << 20;

/// Returns a value's text for an error: one line of limited length.
pub(super) fn show(value: &Value) -> String {
    let text = match value {
        Value::Null => return "empty".into(),
        Value::Bool(b) => b.to_string(),
        Value::Number(n) => n.to_string(),
        Value::String(s) => quoted(s),
        Value::Sequence(s) => {
            let items: Vec<String> = s.iter().take(8).map(show).collect();
            let more = if s.len() > items.len() { ", ..." } else { "" };
            format!("[{}{more}]", items.join(", "))
        }
        Value::Mapping(m) => format!("a table of {} keys", m.len()),
        Value::Tagged(t) => format!("tagged {}", quoted(&t.tag.to_string())),
    };
    shortened(&text)
}

/// Returns a text in quotes, on one line.
pub(super) fn quoted(text: &str) -> String {
    let short = shortened(text);
    format!("{short:?}")
}

fn shortened(text: &str) -> String {
    if text.chars().count() <= SHOWN {
        return text.to_string();
    }
    let start: String = text.chars().take(SHOWN).collect();
    format!("{start}...")
}

/// Reads a whole YAML file. All reading of configuration files goes through here.
pub(super) fn read(file: &Path) -> Result<Value, ConfigError> {
    let refuse = |reason: String| ConfigError::Read {
        file: file.to_path_buf(),
        reason,
    };
    let about = std::fs::metadata(file).map_err(|e| refuse(e.to_string()))?;
    if !about.is_file() {
        return Err(refuse("it is not a file".into()));
    }
    if about.len() > LARGEST_FILE {
        return Err(refuse(format!(
            "it has {} bytes; accepted: at most {LARGEST_FILE}",
            about.len()
        )));
    }
    let text = std::fs::read_to_string(file).map_err(|e| refuse(e.to_string()))?;
    parse(file, &text)
}

/// Parses the text of `file`.
pub(super) fn parse(file: &Path, text: &str) -> Result<Value, ConfigError> {
    serde_yaml::from_str(text).map_err(|e| ConfigError::Syntax {
        file: file.to_path_buf(),
        // Parsers may quote the text they found, line breaks included.
        reason: one_line(&e.to_string()),
    })
}

fn one_line(text: &str) -> String {
    let shown = text.chars().map(|c| if c.is_control() { ' ' } else { c });
    shown.collect()
}

/// One table of a file.
#[derive(Clone, Copy)]
pub(super) struct Table<'a> {
    pub(super) file: &'a Path,
    path: Spot<'a>,
    map: &'a Mapping,
}

/// Location of a table in its file.
#[derive(Clone, Copy)]
enum Spot<'a> {
    Top,
    Under(&'a str),
}

impl<'a> Table<'a> {
    /// Returns the table of the whole file; its keys must be among `keys`.
    pub(super) fn top(
        file: &'a Path,
        value: &'a Value,
        keys: &[&str],
    ) -> Result<Self, ConfigError> {
        let Value::Mapping(map) = value else {
            return Err(ConfigError::value(
                file,
                "the file",
                show(value),
                format!("a table with the keys {}", keys.join(", ")),
            ));
        };
        let table = Self {
            file,
            path: Spot::Top,
            map,
        };
        table.only(keys)?;
        Ok(table)
    }

    /// Returns the table `value`, found at `path`; its keys must be among `keys`, if any are given.
    pub(super) fn at(
        file: &'a Path,
        path: &'a str,
        value: &'a Value,
        keys: &[&str],
    ) -> Result<Self, ConfigError> {
        let Value::Mapping(map) = value else {
            let accepted = if keys.is_empty() {
                "a table".to_string()
            } else {
                format!("a table with the keys {}", keys.join(", "))
            };
            return Err(ConfigError::value(file, path, show(value), accepted));
        };
        let table = Self {
            file,
            path: Spot::Under(path),
            map,
        };
        if !keys.is_empty() {
            table.only(keys)?;
        }
        Ok(table)
    }

    /// Refuses unknown keys. This comes before missing keys, because a misspelt key is both.
    fn only(&self, keys: &[&str]) -> Result<(), ConfigError> {
        for (key, value) in self.map {
            let known = key.as_str().is_some_and(|k| keys.contains(&k));
            if !known {
                let key = match key {
                    Value::String(s) => shortened(&s.escape_debug().to_string()),
                    other => show(other),
                };
                return Err(ConfigError::Unknown {
                    file: self.file.to_path_buf(),
                    key: self.key(&key),
                    value: show(value),
                    accepted: keys.join(", "),
                });
            }
        }
        Ok(())
    }

    /// Returns the full path of `key`.
    pub(super) fn key(&self, key: &str) -> String {
        match self.path {
            Spot::Top => key.to_string(),
            Spot::Under(path) => format!("{path}.{key}"),
        }
    }

    /// Returns the value at `key`, if there is one.
    pub(super) fn get(&self, key: &str) -> Option<&'a Value> {
        self.map.get(key)
    }

    /// Returns all entries; keys that are not text are refused.
    pub(super) fn entries(&self) -> Result<Vec<(&'a str, &'a Value)>, ConfigError> {
        let entry = |(key, value): (&'a Value, &'a Value)| match key.as_str() {
            Some(key) => Ok((key, value)),
            None => Err(self.refuse(&show(key), value, "text as the key")),
        };
        self.map.iter().map(entry).collect()
    }

    /// Returns the refusal of `value` at `key`.
    pub(super) fn refuse(
        &self,
        key: &str,
        value: &Value,
        accepted: impl Into<String>,
    ) -> ConfigError {
        ConfigError::value(self.file, self.key(key), show(value), accepted)
    }

    /// Returns the value at `key`, which is required.
    pub(super) fn need(&self, key: &str, accepted: &str) -> Result<&'a Value, ConfigError> {
        self.get(key).ok_or_else(|| ConfigError::Missing {
            file: self.file.to_path_buf(),
            key: self.key(key),
            accepted: accepted.to_string(),
        })
    }

    /// Returns a number in `range`.
    pub(super) fn number(&self, key: &str, range: Range) -> Result<f64, ConfigError> {
        let value = self.need(key, &range.words())?;
        number(self.file, &self.key(key), value, range)
    }

    /// Returns a number in `range`, or `default` if the key is missing.
    pub(super) fn number_or(
        &self,
        key: &str,
        range: Range,
        default: f64,
    ) -> Result<f64, ConfigError> {
        match self.get(key) {
            None => Ok(default),
            Some(_) => self.number(key, range),
        }
    }

    /// Returns a whole number from `low` to `high`.
    pub(super) fn whole(&self, key: &str, low: u64, high: u64) -> Result<u64, ConfigError> {
        let accepted = format!("a whole number from {low} to {high}");
        let value = self.need(key, &accepted)?;
        match value.as_u64() {
            Some(n) if (low..=high).contains(&n) => Ok(n),
            _ => Err(self.refuse(key, value, accepted)),
        }
    }

    /// Returns a list of numbers in `range`; `count` bounds its length.
    pub(super) fn numbers(
        &self,
        key: &str,
        count: std::ops::RangeInclusive<usize>,
        range: Range,
    ) -> Result<Vec<f64>, ConfigError> {
        let (low, high) = (count.start(), count.end());
        let many = if low == high {
            low.to_string()
        } else {
            format!("{low} to {high}")
        };
        let accepted = format!("{many} numbers in brackets, each {}", range.words());
        let value = self.need(key, &accepted)?;
        let items = match value.as_sequence() {
            Some(items) if count.contains(&items.len()) => items,
            _ => return Err(self.refuse(key, value, accepted)),
        };
        let item = |(i, value): (usize, &Value)| {
            number(self.file, &format!("{}[{i}]", self.key(key)), value, range)
        };
        items.iter().enumerate().map(item).collect()
    }

    /// Returns two numbers in `range`.
    pub(super) fn pair(&self, key: &str, range: Range) -> Result<[f64; 2], ConfigError> {
        let numbers = self.numbers(key, 2..=2, range)?;
        // The length was checked above.
        Ok([numbers[0], numbers[1]])
    }

    /// Returns a text for which `fits` is true.
    pub(super) fn text(
        &self,
        key: &str,
        accepted: &str,
        fits: impl Fn(&str) -> bool,
    ) -> Result<&'a str, ConfigError> {
        let value = self.need(key, accepted)?;
        match value.as_str() {
            Some(text) if fits(text) => Ok(text),
            _ => Err(self.refuse(key, value, accepted)),
        }
    }

    /// Returns a text for which `fits` is true, or `default` if the key is missing.
    pub(super) fn text_or(
        &self,
        key: &str,
        accepted: &str,
        fits: impl Fn(&str) -> bool,
        default: &'a str,
    ) -> Result<&'a str, ConfigError> {
        match self.get(key) {
            None => Ok(default),
            Some(_) => self.text(key, accepted, fits),
        }
    }

    /// Returns the value of one of the accepted words.
    pub(super) fn choice<T: Copy>(&self, key: &str, words: &[(&str, T)]) -> Result<T, ConfigError> {
        let names: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let accepted = names.join(" or ");
        let value = self.need(key, &accepted)?;
        let given = value.as_str();
        words
            .iter()
            .find(|(word, _)| given == Some(*word))
            .map(|(_, meaning)| *meaning)
            .ok_or_else(|| self.refuse(key, value, accepted))
    }

    /// Returns a boolean.
    pub(super) fn truth(&self, key: &str) -> Result<bool, ConfigError> {
        let accepted = "true or false";
        let value = self.need(key, accepted)?;
        let given = value.as_bool();
        given.ok_or_else(|| self.refuse(key, value, accepted))
    }

    /// Returns the items of a list, which is required.
    pub(super) fn list(&self, key: &str, accepted: &str) -> Result<&'a [Value], ConfigError> {
        let value = self.need(key, accepted)?;
        match value.as_sequence() {
            Some(items) => Ok(items),
            None => Err(self.refuse(key, value, accepted)),
        }
    }
}

/// Checks a number in `range`, found at `key`.
fn number(file: &Path, key: &str, value: &Value, range: Range) -> Result<f64, ConfigError> {
    match value.as_f64() {
        Some(n) if range.holds(n) => Ok(n),
        _ => Err(ConfigError::value(file, key, show(value), range.words())),
    }
}

/// A table with a fallback table that it shares with others; its own keys come first.
#[derive(Clone, Copy)]
pub(super) struct Overlaid<'a> {
    pub(super) own: Table<'a>,
    pub(super) all: Option<Table<'a>>,
}

impl<'a> Overlaid<'a> {
    /// Returns the table that `key` is read from: the own table unless only the shared one has the
    /// key.
    pub(super) fn of(&self, key: &str) -> &Table<'a> {
        match &self.all {
            Some(all) if self.own.get(key).is_none() && all.get(key).is_some() => all,
            _ => &self.own,
        }
    }

    pub(super) fn number(&self, key: &str, range: Range) -> Result<f64, ConfigError> {
        self.of(key).number(key, range)
    }

    pub(super) fn number_or(
        &self,
        key: &str,
        range: Range,
        default: f64,
    ) -> Result<f64, ConfigError> {
        self.of(key).number_or(key, range, default)
    }
}

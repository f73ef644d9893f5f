//! A YAML table read key by key: every value is checked where it is taken, and every refusal names the
//! file, the key's full path, the value and what is accepted.

use std::path::Path;

use serde_yaml::{Mapping, Value};

use super::ConfigError;

/// Longest text of a value that an error repeats.
const SHOWN: usize = 60;
/// Largest file that is read, bytes: a joint file has some thousands.
const LARGEST_FILE: u64 = 1 << 20;

/// Numbers accepted, with their unit for people. Checks are in accept form, so that NaN fails.
#[derive(Clone, Copy, Debug)]
pub(super) struct Range {
    low: f64,
    low_open: bool,
    high: f64,
    high_open: bool,
    unit: &'static str,
}

impl Range {
    /// From `low` to `high`, both included.
    pub(super) const fn closed(low: f64, high: f64, unit: &'static str) -> Self {
        Self {
            low,
            low_open: false,
            high,
            high_open: false,
            unit,
        }
    }

    /// Above `low`, at most `high`.
    pub(super) const fn above(low: f64, high: f64, unit: &'static str) -> Self {
        Self {
            low_open: true,
            ..Self::closed(low, high, unit)
        }
    }

    /// Above `low` and below `high`.
    pub(super) const fn open(low: f64, high: f64, unit: &'static str) -> Self {
        Self {
            high_open: true,
            ..Self::above(low, high, unit)
        }
    }

    fn holds(&self, value: f64) -> bool {
        let low = if self.low_open {
            value > self.low
        } else {
            value >= self.low
        };
        let high = if self.high_open {
            value < self.high
        } else {
            value <= self.high
        };
        low && high
    }

    fn text(&self) -> String {
        let (low, high, unit) = (self.low, self.high, self.unit);
        let space = if unit.is_empty() { "" } else { " " };
        match (self.low_open, self.high_open) {
            (false, _) => format!("a number from {low} to {high}{space}{unit}"),
            (true, false) => format!("a number above {low} and at most {high}{space}{unit}"),
            (true, true) => format!("a number above {low} and below {high}{space}{unit}"),
        }
    }
}

/// A value as an error shows it: on one line, and not longer than a line.
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

/// A text in quotes, on one line.
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

/// Reads a file whole. All reading of files for people happens here.
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
            "it has {} bytes, accepted are at most {LARGEST_FILE}",
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
        // Parsers may quote what they found, line ends included.
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

/// Where a table stands in its file.
#[derive(Clone, Copy)]
enum Spot<'a> {
    Top,
    Under(&'a str),
}

impl<'a> Table<'a> {
    /// The table that is the whole file; its keys must be among `keys`.
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

    /// The table `value`, found at `path`; its keys must be among `keys`, if there are any.
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

    /// Unknown keys come before missing ones: a misspelt key is both.
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

    /// Full path of `key`.
    pub(super) fn key(&self, key: &str) -> String {
        match self.path {
            Spot::Top => key.to_string(),
            Spot::Under(path) => format!("{path}.{key}"),
        }
    }

    /// The value at `key`, if there is one.
    pub(super) fn get(&self, key: &str) -> Option<&'a Value> {
        self.map.get(key)
    }

    /// All entries; keys that are no text are refused.
    pub(super) fn entries(&self) -> Result<Vec<(&'a str, &'a Value)>, ConfigError> {
        let entry = |(key, value): (&'a Value, &'a Value)| match key.as_str() {
            Some(key) => Ok((key, value)),
            None => Err(self.refuse(&show(key), value, "text as the key")),
        };
        self.map.iter().map(entry).collect()
    }

    /// The value at `key` was `value` and is refused.
    pub(super) fn refuse(
        &self,
        key: &str,
        value: &Value,
        accepted: impl Into<String>,
    ) -> ConfigError {
        ConfigError::value(self.file, self.key(key), show(value), accepted)
    }

    /// The value at `key`, which must be there.
    pub(super) fn need(&self, key: &str, accepted: &str) -> Result<&'a Value, ConfigError> {
        self.get(key).ok_or_else(|| ConfigError::Missing {
            file: self.file.to_path_buf(),
            key: self.key(key),
            accepted: accepted.to_string(),
        })
    }

    /// A number in `range`.
    pub(super) fn number(&self, key: &str, range: Range) -> Result<f64, ConfigError> {
        let value = self.need(key, &range.text())?;
        number(self.file, &self.key(key), value, range)
    }

    /// A number in `range`, or `default` where there is none.
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

    /// A whole number from `low` to `high`.
    pub(super) fn whole(&self, key: &str, low: u64, high: u64) -> Result<u64, ConfigError> {
        let accepted = format!("a whole number from {low} to {high}");
        let value = self.need(key, &accepted)?;
        match value.as_u64() {
            Some(n) if (low..=high).contains(&n) => Ok(n),
            _ => Err(self.refuse(key, value, accepted)),
        }
    }

    /// A list of numbers in `range`, as many as `count` says.
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
        let accepted = format!("{many} numbers in brackets, each {}", range.text());
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

    /// Two numbers in `range`.
    pub(super) fn pair(&self, key: &str, range: Range) -> Result<[f64; 2], ConfigError> {
        let numbers = self.numbers(key, 2..=2, range)?;
        // Just asked for two.
        Ok([numbers[0], numbers[1]])
    }

    /// A text that `fits`.
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

    /// A text that `fits`, or `default` where there is none.
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

    /// One of a few words.
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

    /// True or false.
    pub(super) fn truth(&self, key: &str) -> Result<bool, ConfigError> {
        let accepted = "true or false";
        let value = self.need(key, accepted)?;
        let given = value.as_bool();
        given.ok_or_else(|| self.refuse(key, value, accepted))
    }

    /// The items of a list, which must be there.
    pub(super) fn list(&self, key: &str, accepted: &str) -> Result<&'a [Value], ConfigError> {
        let value = self.need(key, accepted)?;
        match value.as_sequence() {
            Some(items) => Ok(items),
            None => Err(self.refuse(key, value, accepted)),
        }
    }
}

/// A number in `range`, found at `key`.
fn number(file: &Path, key: &str, value: &Value, range: Range) -> Result<f64, ConfigError> {
    match value.as_f64() {
        Some(n) if range.holds(n) => Ok(n),
        _ => Err(ConfigError::value(file, key, show(value), range.text())),
    }
}

/// A table and, below it, one that it shares with others: its own keys come first.
#[derive(Clone, Copy)]
pub(super) struct Overlaid<'a> {
    pub(super) own: Table<'a>,
    pub(super) all: Option<Table<'a>>,
}

impl<'a> Overlaid<'a> {
    /// The table that `key` is read from: its own if it is there or nowhere.
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

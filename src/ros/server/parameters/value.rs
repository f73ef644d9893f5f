//! Values of parameters, and their checks.

use super::Refusal;
use crate::files::Range;
use crate::ros::server::refused::cut;

/// A parameter value, of the ROS 2 types.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// No value.
    NotSet,
    /// A boolean.
    Bool(bool),
    /// An integer.
    Integer(i64),
    /// A double.
    Double(f64),
    /// A string.
    Text(String),
    /// An array of strings.
    Texts(Vec<String>),
    /// A type that none of these parameters has, by its number and name.
    Other(u8, &'static str),
}

impl Value {
    /// Returns the number of the type in rcl_interfaces/ParameterType.
    pub fn kind(&self) -> u8 {
        match self {
            Self::NotSet => 0,
            Self::Bool(_) => 1,
            Self::Integer(_) => 2,
            Self::Double(_) => 3,
            Self::Text(_) => 4,
            Self::Texts(_) => 9,
            Self::Other(kind, _) => *kind,
        }
    }

    /// Returns the type in words, with its article.
    pub fn kind_name(&self) -> &'static str {
        match self {
            Self::NotSet => "not set",
            Self::Bool(_) => "a bool",
            Self::Integer(_) => "an integer",
            Self::Double(_) => "a double",
            Self::Text(_) => "a string",
            Self::Texts(_) => "an array of strings",
            Self::Other(_, name) => name,
        }
    }
}

impl std::fmt::Display for Value {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NotSet | Self::Other(..) => f.write_str(self.kind_name()),
            Self::Bool(v) => write!(f, "{v}"),
            Self::Integer(v) => write!(f, "{v}"),
            Self::Double(v) => write!(f, "{v}"),
            Self::Text(v) => write!(f, "'{v}'"),
            Self::Texts(v) => write!(f, "[{}]", quoted(v)),
        }
    }
}

/// Returns names in quotes, with commas between.
pub(super) fn quoted(names: &[String]) -> String {
    let names: Vec<_> = names.iter().map(|n| format!("'{n}'")).collect();
    names.join(", ")
}

/// Returns the accepted words in quotes.
pub(super) fn any_of(words: &[&str]) -> String {
    let words: Vec<_> = words.iter().map(|word| format!("'{word}'")).collect();
    match words.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        _ => words.concat(),
    }
}

/// A value given for a parameter.
#[derive(Clone, Copy)]
pub(super) struct Given<'a> {
    pub(super) name: &'a str,
    pub(super) value: &'a Value,
    /// True while the node is made: files and arguments may write `1` for `1.0`.
    pub(super) at_start: bool,
}

impl<'a> Given<'a> {
    /// Returns the refusal of `value`.
    pub(super) fn refuse(
        &self,
        value: impl std::fmt::Display,
        accepted: impl Into<String>,
    ) -> Refusal {
        Refusal::Value {
            name: self.name.into(),
            value: cut(&value.to_string()).into_owned(),
            accepted: accepted.into(),
        }
    }

    /// Returns the refusal of a change for the reason `why`.
    pub(super) fn read_only(&self, why: &'static str) -> Refusal {
        let name = self.name.into();
        Refusal::ReadOnly { name, why }
    }

    /// Returns the refusal of a value that is not `accepted`, a type with its article.
    fn wrong_type(&self, accepted: &'static str) -> Refusal {
        match self.value {
            Value::NotSet => Refusal::Removed {
                name: self.name.into(),
                accepted,
            },
            Value::Integer(n) if accepted == "a double" => {
                let accepted = format!("a double, as in {n}.0");
                self.refuse(format_args!("the integer {n}"), accepted)
            }
            other => self.refuse(other.kind_name(), accepted),
        }
    }

    /// Returns a number in `range`.
    pub(super) fn number(&self, range: &Range) -> Result<f64, Refusal> {
        let number = match self.value {
            Value::Double(number) => *number,
            Value::Integer(number) if self.at_start => *number as f64,
            _ => return Err(self.wrong_type("a double")),
        };
        match range.holds(number) {
            true => Ok(number),
            false => Err(self.refuse(number, range.words())),
        }
    }

    /// Returns a boolean; false is refused if it `always` has to be true.
    pub(super) fn truth(&self, always: Option<&'static str>) -> Result<bool, Refusal> {
        match (self.value, always) {
            (Value::Bool(false), Some(accepted)) => Err(self.refuse(false, accepted)),
            (Value::Bool(truth), _) => Ok(*truth),
            _ => Err(self.wrong_type("a bool")),
        }
    }

    /// Returns a text.
    pub(super) fn text(&self) -> Result<&'a str, Refusal> {
        match self.value {
            Value::Text(text) => Ok(text),
            _ => Err(self.wrong_type("a string")),
        }
    }

    /// Returns one of `words`.
    pub(super) fn word(&self, words: &[&'static str]) -> Result<&'static str, Refusal> {
        let given = match self.value {
            // YAML reads an unquoted `off` as a boolean.
            Value::Bool(false) if self.at_start && words.contains(&"off") => "off",
            _ => self.text()?,
        };
        let known = words.iter().find(|word| **word == given);
        known
            .copied()
            .ok_or_else(|| self.refuse(format_args!("'{given}'"), any_of(words)))
    }
}

//! The kinds of file, so that one in place of another is recognised.

use std::fmt;

use super::error::Place;
use super::{ConfigError, gains, joint, models, simulated};

/// A kind of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Simulated-joint file, YAML.
    SimulatedJoint,
    /// Gain set, YAML.
    GainSet,
    /// Models of a joint, YAML.
    Models,
    /// Joint file, YAML.
    Joint,
    /// Record of a step test, CSV.
    Record,
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str(match self {
            Self::SimulatedJoint => "a simulated-joint file",
            Self::GainSet => "a gain set",
            Self::Models => "a models file",
            Self::Joint => "a joint file",
            Self::Record => "a record of a step test",
        })
    }
}

impl Kind {
    /// Returns the keys at the top of a YAML file of this kind.
    pub(super) fn keys(self) -> &'static [&'static str] {
        match self {
            Self::SimulatedJoint => simulated::KEYS,
            Self::GainSet => gains::KEYS,
            Self::Models => models::TOP,
            Self::Joint => joint::KEYS,
            Self::Record => &[],
        }
    }

    /// Returns the kind of a YAML file with `keys` at its top if it is clearly none of this kind. A
    /// misspelt key or two do not change the answer.
    pub(super) fn other(self, keys: &[&str]) -> Option<Self> {
        let known = |kind: &Self| keys.iter().filter(|k| kind.keys().contains(k)).count();
        let all = [
            Self::SimulatedJoint,
            Self::GainSet,
            Self::Models,
            Self::Joint,
        ];
        let best = match keys {
            ["models"] => Self::Models,
            _ => all.into_iter().max_by_key(known)?,
        };
        let clear = keys == ["models"] || known(&best) >= known(&self) + 2;
        (clear && best != self).then_some(best)
    }

    /// Returns the refusal of a file of the kind `found` where this one is wanted.
    pub(super) fn instead(self, at: Place, found: Self) -> ConfigError {
        ConfigError::Kind {
            at,
            found,
            wanted: self,
        }
    }

    /// Returns whether a text is a record of a step test: its first line that is no comment heads
    /// a column of time.
    pub(super) fn is_record(text: &str) -> bool {
        let mut lines = text.lines().filter(|line| !line.starts_with('#'));
        let heading = lines.find(|line| !line.trim().is_empty());
        heading.is_some_and(|line| line.split(',').any(|column| column.trim() == "time_s"))
    }
}

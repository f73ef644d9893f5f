//! Content of diagnostic_msgs/DiagnosticStatus. Numeric values parse as numbers, and the key holds
//! the unit.

use r2r::diagnostic_msgs::msg::{DiagnosticStatus, KeyValue};

/// Levels of diagnostic_msgs/DiagnosticStatus; the bindings give them the type of their C header.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Level {
    Ok = 0,
    Warn = 1,
    Error = 2,
}

/// The values of a report.
#[derive(Debug, Default)]
pub struct Values(Vec<KeyValue>);

impl Values {
    pub fn add(&mut self, key: &str, value: impl ToString) {
        self.0.push(KeyValue {
            key: key.into(),
            value: value.to_string(),
        });
    }

    pub fn number(&mut self, key: &str, value: f64) {
        self.add(key, format!("{value:.6}"));
    }

    pub fn flag(&mut self, key: &str, value: bool) {
        self.add(key, u8::from(value));
    }
}

/// Returns the report on a part of the joint whose node is `joint`.
pub fn report(
    joint: &str,
    part: &str,
    (level, message): (Level, impl Into<String>),
    hardware_id: &str,
    values: Values,
) -> DiagnosticStatus {
    DiagnosticStatus {
        level: level as u8,
        name: format!("{}: {part}", joint.trim_start_matches('/')),
        message: message.into(),
        hardware_id: hardware_id.into(),
        values: values.0,
    }
}

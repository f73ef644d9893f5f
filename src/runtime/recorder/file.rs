//! The text of a file: its head, then its rows.

use std::io::{self, Write};

use super::columns::{Column, write_stamp};

/// First line of every file, with the version of the format.
pub(super) const FIRST: &str = "# withy incident recording 1";

/// Severity of an event.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// Normal operation.
    Info,
    /// Something is not as it should be.
    Warn,
    /// Something failed.
    Error,
}

impl Level {
    /// Returns the name in files.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Info => "info",
            Self::Warn => "warn",
            Self::Error => "error",
        }
    }
}

/// An event beside the ticks.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// ROS time, ns.
    pub at: i64,
    /// Severity.
    pub level: Level,
    /// Description.
    pub text: String,
}

/// The lines before the rows.
pub(super) struct Head<'a> {
    pub lines: Vec<(&'a str, String)>,
    pub events: Vec<Event>,
    pub columns: &'a [Column],
}

/// Writes `key: text`, on as many lines as the text has.
fn line(out: &mut impl Write, key: &str, text: &str) -> io::Result<()> {
    let mut lines = text.lines();
    // An empty text is a line too.
    let mut next = Some(lines.next().unwrap_or_default());
    while let Some(text) = next {
        // Control characters would move a cursor or end a line in other programs.
        let clean = text.trim_end().replace(|c: char| c.is_control(), " ");
        writeln!(out, "# {key}: {clean}")?;
        next = lines.next();
    }
    Ok(())
}

/// Writes the whole file except the rows.
pub(super) fn write_head(out: &mut impl Write, head: &Head<'_>) -> io::Result<()> {
    writeln!(out, "{FIRST}")?;
    for (key, text) in &head.lines {
        line(out, key, text)?;
    }
    for event in &head.events {
        let mut at = Vec::new();
        write_stamp(&mut at, event.at)?;
        let at = String::from_utf8_lossy(&at);
        let text = event.text.replace(['\n', '\r'], " ");
        line(out, "event", &format!("{at} {} {text}", event.level.name()))?;
    }
    for (i, column) in head.columns.iter().enumerate() {
        if i > 0 {
            out.write_all(b",")?;
        }
        let name = &column.name;
        if name.contains([',', '"', '\n', '\r', '#']) {
            write!(out, "\"{}\"", name.replace('"', "\"\""))?;
        } else {
            out.write_all(name.as_bytes())?;
        }
    }
    out.write_all(b"\n")
}

/// Writes one row.
pub(super) fn write_row(
    out: &mut impl Write,
    columns: &[Column],
    row: &[f64],
    zero_ns: i64,
) -> io::Result<()> {
    for (i, (column, value)) in columns.iter().zip(row).enumerate() {
        if i > 0 {
            out.write_all(b",")?;
        }
        column.form.write(out, *value, zero_ns)?;
    }
    out.write_all(b"\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_of_several_lines_stays_behind_its_marks() {
        let mut out = Vec::new();
        line(&mut out, "joint_file", "a: 1\n  b: 2\r\n\nc\u{7}d\u{2028}").unwrap();
        line(&mut out, "empty", "").unwrap();
        let text = String::from_utf8(out).unwrap();
        assert_eq!(
            text,
            "# joint_file: a: 1\n# joint_file:   b: 2\n# joint_file: \n# joint_file: c d\n# empty: \n"
        );
    }
}

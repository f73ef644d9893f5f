//! Printing to standard output and standard error, which may be closed or full.
//!
//! A reader may close its end early (`withy fit --json ... | head -1`). This is not a failure:
//! further output is dropped, and the command does the rest of its work, such as saving files, with
//! its usual exit code. Commands that only show things check [`unread`] and may end early.

use std::fmt::Arguments;
use std::io::{ErrorKind, IsTerminal, Write};
use std::sync::OnceLock;

use crate::report::Table;

/// The first error of writing to standard output.
static FIRST: OnceLock<(ErrorKind, String)> = OnceLock::new();

/// Prints to standard output like `print!`, but does not panic.
pub(super) fn print(text: Arguments) {
    if FIRST.get().is_some() {
        return;
    }
    let mut out = std::io::stdout().lock();
    if let Err(error) = out.write_fmt(text).and_then(|()| out.flush()) {
        // Only this function sets it, and the lock is held.
        let _ = FIRST.set((error.kind(), error.to_string()));
    }
}

/// Prints to standard error; an error of writing there is ignored.
pub(super) fn eprint(text: Arguments) {
    let _ = std::io::stderr().lock().write_fmt(text);
}

/// Returns true if the reader of standard output has closed it.
#[cfg(feature = "ros")]
pub(super) fn unread() -> bool {
    matches!(FIRST.get(), Some((ErrorKind::BrokenPipe, _)))
}

/// Returns why output is incomplete, unless the reader has closed it.
pub(super) fn failure() -> Option<&'static str> {
    match FIRST.get() {
        None | Some((ErrorKind::BrokenPipe, _)) => None,
        Some((_, why)) => Some(why),
    }
}

/// Returns the width that lines have to fit into: that of the terminal; without one, no limit.
fn width() -> usize {
    let size = std::io::stdout()
        .is_terminal()
        .then(terminal_size::terminal_size)
        .flatten();
    size.map_or(usize::MAX, |(width, _)| width.0.into())
}

/// Returns a table as it is printed: on a terminal in lines that fit it.
pub(super) fn fitted(table: &Table) -> String {
    table.within(width())
}

/// Returns a text as it is printed: on a terminal, lines that are too long are broken between words.
pub(super) fn wrapped(text: &str) -> String {
    broken(text, width())
}

/// Breaks lines longer than `width` characters between words, and indents their rest like the line.
fn broken(text: &str, width: usize) -> String {
    let mut lines = String::new();
    for line in text.lines() {
        if line.chars().count() <= width {
            lines.push_str(line);
            lines.push('\n');
            continue;
        }
        let indent = &line[..line.len() - line.trim_start().len()];
        let mut used = 0;
        for word in line.split_whitespace() {
            let long = word.chars().count();
            if used > 0 && used + 1 + long > width {
                lines.push('\n');
                used = 0;
            }
            lines.push_str(if used == 0 { indent } else { " " });
            used += if used == 0 { indent.len() } else { 1 } + long;
            lines.push_str(word);
        }
        lines.push('\n');
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::broken;

    #[test]
    fn long_lines_are_broken_between_words() {
        let text = "short\n\n  a line with some words\nunbreakable-word\n";
        assert_eq!(broken(text, usize::MAX), text);
        let narrow = "short\n\n  a line\n  with some\n  words\nunbreakable-word\n";
        assert_eq!(broken(text, 12), narrow);
    }
}

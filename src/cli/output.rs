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

/// Returns a table as it is printed: on a terminal in lines that fit it, else in lines as long as they are.
pub(super) fn fitted(table: &Table) -> String {
    let width = std::io::stdout()
        .is_terminal()
        .then(terminal_size::terminal_size)
        .flatten();
    table.within(width.map_or(usize::MAX, |(width, _)| width.0.into()))
}

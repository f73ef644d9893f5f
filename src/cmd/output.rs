//! What commands print: standard output and standard error, which may be closed or full.
//!
//! A reader that has seen enough (`withy fit --json ... | head -1`) closes its end. That is no failure: what is printed from
//! then on goes nowhere, and the command does the rest of its work, such as saving what it made, with its own exit code.
//! Whoever only shows things asks [`unread`] and may end early.

use std::fmt::Arguments;
use std::io::{ErrorKind, Write};
use std::sync::OnceLock;

/// The first error of writing to standard output.
static FIRST: OnceLock<(ErrorKind, String)> = OnceLock::new();

/// Prints to standard output, as `print!` does without its panic.
pub(super) fn print(text: Arguments) {
    if FIRST.get().is_some() {
        return;
    }
    let mut out = std::io::stdout().lock();
    if let Err(error) = out.write_fmt(text).and_then(|()| out.flush()) {
        // Nobody but this sets it, and the lock is held.
        let _ = FIRST.set((error.kind(), error.to_string()));
    }
}

/// Prints to standard error; where that cannot be, there is nobody to tell.
pub(super) fn eprint(text: Arguments) {
    let _ = std::io::stderr().lock().write_fmt(text);
}

/// Whether the reader of standard output has closed it.
#[cfg(feature = "ros")]
pub(super) fn unread() -> bool {
    matches!(FIRST.get(), Some((ErrorKind::BrokenPipe, _)))
}

/// Why not all was printed, other than that nobody reads it.
pub(super) fn failure() -> Option<&'static str> {
    match FIRST.get() {
        None | Some((ErrorKind::BrokenPipe, _)) => None,
        Some((_, why)) => Some(why),
    }
}

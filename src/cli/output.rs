//! Printing to standard output and standard error, which may be closed, full or a terminal.
//!
//! A reader may close its end early (`withy fit --json ... | head -1`). This is not a failure:
//! further output is dropped, and the command does the rest of its work, such as saving files, with
//! its usual exit code. Commands that only show things check [`unread`] and may end early.
//!
//! Only on a terminal, lines fit its width, words that carry a [`Meaning`] have its colour, and a
//! line shows the [`Progress`] of long work.

use std::fmt::Arguments;
use std::io::{ErrorKind, IsTerminal, Write};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::sync::{Mutex, OnceLock};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use anstream::{AutoStream, ColorChoice};
use anstyle::AnsiColor;

use crate::report::{Table, shown_width};
use crate::runtime::locked;

/// The first error of writing to standard output.
static FIRST: OnceLock<(ErrorKind, String)> = OnceLock::new();

/// Width of the line of progress on the terminal, characters; 0 without one. Locked while anything
/// is printed.
static PROGRESS: Mutex<usize> = Mutex::new(0);

/// Prints to standard output like `print!`, but does not panic.
pub(super) fn print(text: Arguments) {
    if FIRST.get().is_some() {
        return;
    }
    let mut progress = locked(&PROGRESS);
    redraw(&mut progress, "");
    let mut out = std::io::stdout().lock();
    if let Err(error) = out.write_fmt(text).and_then(|()| out.flush()) {
        // Only this function sets it, and the lock is held.
        let _ = FIRST.set((error.kind(), error.to_string()));
    }
}

/// Prints to standard error; an error of writing there is ignored.
pub(super) fn eprint(text: Arguments) {
    let mut progress = locked(&PROGRESS);
    redraw(&mut progress, "");
    let _ = std::io::stderr().lock().write_fmt(text);
}

/// Returns a text that begins with a capital letter.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string());
    first.unwrap_or_default() + letters.as_str()
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

/// Meaning of a text, which its colour shows on a terminal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Meaning {
    Good,
    Warn,
    Bad,
}

impl Meaning {
    /// Returns `text` in its colour if standard output shows colours.
    pub(super) fn out(self, text: &str) -> String {
        self.painted(text, AutoStream::choice(&std::io::stdout()))
    }

    /// Returns `text` in its colour if standard error shows colours.
    pub(super) fn err(self, text: &str) -> String {
        self.painted(text, AutoStream::choice(&std::io::stderr()))
    }

    fn painted(self, text: &str, choice: ColorChoice) -> String {
        if choice == ColorChoice::Never {
            return text.into();
        }
        let style = match self {
            Self::Good => AnsiColor::Green.on_default(),
            Self::Warn => AnsiColor::Yellow.on_default(),
            Self::Bad => AnsiColor::Red.on_default().bold(),
        };
        format!("{style}{text}{style:#}")
    }
}

/// Returns true if log lines on standard error may be coloured.
#[cfg(feature = "ros")]
pub(super) fn logs_are_coloured() -> bool {
    AutoStream::choice(&std::io::stderr()) != ColorChoice::Never
}

/// A line on standard error about long work, with the time so far. It is rewritten while this
/// value lives, and only a terminal shows it.
pub(super) struct Progress {
    texts: Option<Sender<String>>,
    thread: Option<JoinHandle<()>>,
}

impl Progress {
    /// Begins without a text.
    pub(super) fn new() -> Self {
        let (texts, received) = mpsc::channel();
        let thread = std::io::stderr().is_terminal().then(|| {
            let thread = std::thread::Builder::new().name("progress".into());
            thread.spawn(move || show(&received)).ok()
        });
        Self {
            texts: Some(texts),
            thread: thread.flatten(),
        }
    }

    /// Shows `text` from now on.
    pub(super) fn set(&self, text: String) {
        if let Some(texts) = &self.texts {
            // Nobody receives it where there is no terminal.
            let _ = texts.send(text);
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.texts = None;
        if let Some(thread) = self.thread.take() {
            // It removes the line and ends; a panic of it has been printed.
            let _ = thread.join();
        }
    }
}

/// Shows the newest text with the time so far, until there are no more.
fn show(texts: &Receiver<String>) {
    let begin = Instant::now();
    let mut text = String::new();
    loop {
        match texts.recv_timeout(Duration::from_secs(1)) {
            Ok(newest) => text = newest,
            // Each second the time so far changes.
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => break,
        }
        if !text.is_empty() {
            let line = format!("{text}, {:.0} s so far", begin.elapsed().as_secs_f64());
            redraw(&mut locked(&PROGRESS), &line);
        }
    }
    redraw(&mut locked(&PROGRESS), "");
}

/// Replaces the line of progress, of which `shown` is the width on the terminal.
fn redraw(shown: &mut usize, line: &str) {
    if *shown == 0 && line.is_empty() {
        return;
    }
    let size = terminal_size::terminal_size_of(std::io::stderr());
    // A terminal breaks a line that fills it.
    let room = size.map_or(79, |(width, _)| usize::from(width.0).saturating_sub(1));
    let line: String = line.chars().take(room).collect();
    let width = line.chars().count();
    let blank = shown.saturating_sub(width);
    let mut err = std::io::stderr().lock();
    // An error of writing there is ignored.
    let _ = write!(err, "\r{line}{:blank$}\r{line}", "").and_then(|()| err.flush());
    *shown = width;
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
        if shown_width(line) <= width {
            lines.push_str(line);
            lines.push('\n');
            continue;
        }
        let indent = &line[..line.len() - line.trim_start().len()];
        let mut used = 0;
        for word in line.split_whitespace() {
            let long = shown_width(word);
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
    use super::*;

    #[test]
    fn long_lines_are_broken_between_words() {
        let text = "short\n\n  a line with some words\nunbreakable-word\n";
        assert_eq!(broken(text, usize::MAX), text);
        let narrow = "short\n\n  a line\n  with some\n  words\nunbreakable-word\n";
        assert_eq!(broken(text, 12), narrow);
    }

    #[test]
    fn colours_take_no_room() {
        let plain = "gain set FAIL here";
        assert_eq!(Meaning::Bad.painted("FAIL", ColorChoice::Never), "FAIL");
        let bad = Meaning::Bad.painted("FAIL", ColorChoice::AlwaysAnsi);
        assert!(bad.len() > 4);
        assert_eq!(shown_width(&bad), 4);
        let coloured = plain.replace("FAIL", &bad);
        assert_eq!(broken(&coloured, plain.len()), format!("{coloured}\n"));
    }
}

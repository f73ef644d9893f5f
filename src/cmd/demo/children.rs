//! Child processes that end with the one that started them.

use std::ffi::OsString;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use super::inspection::Failure;
use crate::cmd::output;
use crate::node::observer::Session;

/// How long a child may take to end when it is asked to.
const GRACE: Duration = Duration::from_secs(8);
/// Lines of its log that are shown when a child ended by itself.
const LAST_LINES: usize = 6;
/// How long the processes may take to find each other, s.
const START: f64 = 20.0;
/// How often they are looked at, s.
const LOOK: f64 = 0.2;

/// A `withy` process; dropping it ends it.
pub struct Process {
    what: &'static str,
    child: Child,
    log: PathBuf,
}

impl Process {
    /// Starts `withy` with `arguments`; what it says goes into `log`.
    ///
    /// # Errors
    /// What the system says, with what was tried.
    pub fn start(
        what: &'static str,
        arguments: impl IntoIterator<Item = OsString>,
        log: &Path,
    ) -> Result<Self, String> {
        let start = || -> std::io::Result<Child> {
            let out = File::create(log)?;
            Command::new(std::env::current_exe()?)
                .args(arguments)
                .stdin(Stdio::null())
                .stdout(out.try_clone()?)
                .stderr(out)
                .spawn()
        };
        match start() {
            Ok(child) => Ok(Self {
                what,
                child,
                log: log.to_path_buf(),
            }),
            Err(error) => Err(format!("{what} could not be started: {error}")),
        }
    }

    /// Whether it still runs.
    ///
    /// # Errors
    /// That it has ended, with its last words.
    pub fn check(&mut self) -> Result<(), String> {
        match self.child.try_wait() {
            Ok(None) => Ok(()),
            Ok(Some(status)) => Err(format!(
                "{} ended by itself ({status}); its last words, from {}:\n{}",
                self.what,
                self.log.display(),
                self.last_lines()
            )),
            Err(error) => Err(format!("{} cannot be watched: {error}", self.what)),
        }
    }

    fn last_lines(&self) -> String {
        let text = std::fs::read_to_string(&self.log).unwrap_or_default();
        let lines: Vec<&str> = text.lines().collect();
        lines[lines.len().saturating_sub(LAST_LINES)..].join("\n")
    }
}

/// Lets `seconds` pass.
///
/// # Errors
/// A process has ended, nobody reads what the demo says any more, or a signal has come.
pub fn wait(session: &Session, processes: &mut [Process], seconds: f64) -> Result<(), Failure> {
    let end = session.now() + seconds;
    loop {
        for process in &mut *processes {
            process.check().map_err(Failure::Other)?;
        }
        if output::unread() {
            return Err(Failure::Unread);
        }
        let left = end - session.now();
        if left <= 0.0 {
            return Ok(());
        }
        session.wait(left.min(LOOK))?;
    }
}

/// Waits until the processes have found each other: until nothing is `missing`.
///
/// # Errors
/// Those of [`wait`], or what is still missing after a while.
pub fn meet(
    session: &Session,
    processes: &mut [Process],
    missing: impl Fn() -> Option<&'static str>,
) -> Result<(), Failure> {
    let begin = session.now();
    while let Some(missing) = missing() {
        wait(session, processes, 0.05)?;
        if session.now() - begin > START {
            let logs = processes.iter().map(|p| p.log.display().to_string());
            let logs = logs.collect::<Vec<_>>().join(" and ");
            return Err(Failure::Other(format!(
                "after {START} s on the graph {missing}; more is told in {logs}"
            )));
        }
    }
    Ok(())
}

impl Drop for Process {
    fn drop(&mut self) {
        if !matches!(self.child.try_wait(), Ok(None)) {
            return;
        }
        // A child's number fits: the system gave it as one.
        let id = Pid::from_raw(self.child.id() as i32);
        let _ = kill(id, Signal::SIGTERM);
        let asked = Instant::now();
        while asked.elapsed() < GRACE {
            if !matches!(self.child.try_wait(), Ok(None)) {
                return;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

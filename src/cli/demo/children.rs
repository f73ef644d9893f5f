//! Child processes that end together with their parent.

use std::ffi::OsString;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use super::bed::Failure;
use crate::cli::output;
use crate::ros::client::ClientError;
use crate::ros::client::session::Session;

/// Time that a child may take to end after a request.
const GRACE: Duration = Duration::from_secs(8);
/// Number of log lines shown if a child ended by itself.
const LAST_LINES: usize = 6;
/// Time that the processes may take to discover each other, s.
const START: f64 = 20.0;
/// Interval between checks of the processes, s.
const LOOK: f64 = 0.2;

/// A `withy` process; dropping it ends it.
pub struct Process {
    what: &'static str,
    child: Child,
    log: PathBuf,
}

impl Process {
    /// Starts `withy` with `arguments`; its output goes to `log`.
    ///
    /// # Errors
    /// The system's error, with the command.
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

    /// Checks that the process still runs.
    ///
    /// # Errors
    /// The process has ended; with the last lines of its log.
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

/// Returns the name of the second node that simulated time waits for in an act: the act's client,
/// or a command that replaces it for a while.
pub fn visitor(act: &str) -> String {
    format!("{act}_visitor_{}", std::process::id())
}

/// Returns the options for a simulated joint in lockstep with the joint's node and with `visitor`,
/// which may take long to answer.
pub fn lockstep(visitor: &str) -> Vec<OsString> {
    let node = format!("/{visitor}");
    let words = [
        "--clock",
        "--lockstep",
        "--patience-s",
        "600",
        "--wait-for",
        &node,
    ];
    words.map(OsString::from).to_vec()
}

/// ROS arguments with which a process uses simulated time.
pub const SIMULATED_TIME: [&str; 2] = ["-p", "use_sim_time:=true"];

/// Waits for `seconds`.
///
/// # Errors
/// A process has ended, the reader of the demo's output has gone, or a signal has come.
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

/// Waits until nothing is `missing`: all participants that simulated time waits for are connected.
/// Simulated time does not advance meanwhile, so that every run begins alike.
///
/// # Errors
/// A process has ended, a signal has come, or something is still missing after a while.
pub fn connect(
    session: &Session,
    processes: &mut [Process],
    missing: impl Fn() -> Option<&'static str>,
) -> Result<(), Failure> {
    let time = || (!session.clock().runs()).then_some("/clock is silent");
    let begin = Instant::now();
    while let Some(missing) = time().or_else(&missing) {
        for process in &mut *processes {
            process.check().map_err(Failure::Other)?;
        }
        if session.interrupted() {
            return Err(ClientError::Interrupted.into());
        }
        if begin.elapsed().as_secs_f64() > START {
            return Err(lost(processes, missing));
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    Ok(())
}

/// Returns the failure that something is still missing.
fn lost(processes: &[Process], missing: &str) -> Failure {
    let logs = processes.iter().map(|p| p.log.display().to_string());
    let logs = logs.collect::<Vec<_>>().join(" and ");
    Failure::Other(format!(
        "after {START} s on the ROS graph {missing}; see {logs}"
    ))
}

/// Waits until the processes have discovered each other: until nothing is `missing`.
///
/// # Errors
/// Those of [`wait`], or something is still missing after a while.
pub fn meet(
    session: &Session,
    processes: &mut [Process],
    missing: impl Fn() -> Option<&'static str>,
) -> Result<(), Failure> {
    let begin = session.now();
    while let Some(missing) = missing() {
        wait(session, processes, 0.05)?;
        if session.now() - begin > START {
            return Err(lost(processes, missing));
        }
    }
    Ok(())
}

/// Ends the processes one after the other. Time advances meanwhile, so that a joint comes to rest.
pub fn end(session: &Session, processes: &mut Vec<Process>) {
    for mut process in processes.drain(..) {
        process.end(|| {
            // An interrupted wait does not change the end.
            let _ = session.wait(0.02);
        });
    }
}

impl Process {
    /// Requests the process to end and waits for it, checking after each `pause`, for a limited
    /// time.
    fn end(&mut self, pause: impl Fn()) {
        if !matches!(self.child.try_wait(), Ok(None)) {
            return;
        }
        // The system's process id fits.
        let id = Pid::from_raw(self.child.id() as i32);
        let _ = kill(id, Signal::SIGTERM);
        let asked = Instant::now();
        while asked.elapsed() < GRACE && matches!(self.child.try_wait(), Ok(None)) {
            pause();
        }
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        self.end(|| std::thread::sleep(Duration::from_millis(10)));
        if !matches!(self.child.try_wait(), Ok(None)) {
            return;
        }
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

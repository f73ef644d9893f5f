//! Child processes that end together with their parent.

use std::ffi::OsString;
use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

use futures::FutureExt;
use futures::future::select_all;
use nix::errno::Errno;
use nix::sys::signal::{Signal, kill};
use nix::sys::wait::{Id, WaitPidFlag, waitid};
use nix::unistd::Pid;
use tokio::sync::watch;

use super::bed::Failure;
use crate::cli::output;
use crate::ros::client::Need;
use crate::ros::client::session::Session;

/// Time that a child may take to end after a request.
const GRACE: Duration = Duration::from_secs(8);
/// Number of log lines shown if a child ended by itself.
const LAST_LINES: usize = 6;
/// Time that the processes may take to discover each other.
const START: Duration = Duration::from_secs(20);

/// A failure of a child process.
#[derive(Debug, thiserror::Error)]
pub enum ProcessError {
    /// It could not be started.
    #[error("{what} could not be started: {source}")]
    Start {
        /// What it is.
        what: String,
        /// The system's error.
        source: io::Error,
    },
    /// It ended by itself.
    #[error(
        "{what} ended by itself ({status}); its last words, from {}:\n{last_lines}",
        log.display()
    )]
    Ended {
        /// What it is.
        what: String,
        /// Its exit status.
        status: ExitStatus,
        /// Path of its log.
        log: PathBuf,
        /// End of its log.
        last_lines: String,
    },
    /// The system does not report its state.
    #[error("{what} cannot be watched: {source}")]
    Watch {
        /// What it is.
        what: String,
        /// The system's error.
        source: io::Error,
    },
}

/// A `withy` process; dropping it ends it.
pub struct Process {
    what: String,
    child: Child,
    log: PathBuf,
    /// These close when the process has ended: for tasks, and for a wait without a session.
    ended: watch::Receiver<()>,
    ended_for_drop: mpsc::Receiver<()>,
}

impl Process {
    /// Starts `withy` with `arguments`; its output goes to `log`.
    ///
    /// # Errors
    /// [`ProcessError::Start`].
    pub fn start(
        what: &str,
        arguments: impl IntoIterator<Item = OsString>,
        log: &Path,
    ) -> Result<Self, ProcessError> {
        let start = || {
            let out = File::create(log)?;
            let child = Command::new(std::env::current_exe()?)
                .args(arguments)
                .stdin(Stdio::null())
                .stdout(out.try_clone()?)
                .stderr(out)
                .spawn()?;
            let (lives, ended) = watch::channel(());
            let (lives_for_drop, ended_for_drop) = mpsc::channel();
            let process = Self {
                what: what.into(),
                child,
                log: log.to_path_buf(),
                ended,
                ended_for_drop,
            };
            let id = process.pid();
            let thread = std::thread::Builder::new().name("child".into());
            thread.spawn(move || {
                let _lives: (watch::Sender<()>, mpsc::Sender<()>) = (lives, lives_for_drop);
                // The child stays a zombie, so that its number is not used again.
                let flags = WaitPidFlag::WEXITED | WaitPidFlag::WNOWAIT;
                while waitid(Id::Pid(id), flags) == Err(Errno::EINTR) {}
            })?;
            Ok(process)
        };
        start().map_err(|source| ProcessError::Start {
            what: what.into(),
            source,
        })
    }

    fn pid(&self) -> Pid {
        // The system's process id fits.
        Pid::from_raw(self.child.id() as i32)
    }

    /// Waits for the end of the process.
    fn end(&self) -> impl Future<Output = ()> + use<> {
        let mut ended = self.ended.clone();
        // Nothing is sent: the channel closes.
        async move { drop(ended.changed().await) }
    }

    /// Requests the process to end.
    fn request_end(&self) {
        // It may have ended.
        let _ = kill(self.pid(), Signal::SIGTERM);
    }

    /// Returns the error that the process has ended by itself.
    fn ended(&mut self) -> ProcessError {
        let what = self.what.clone();
        match self.child.wait() {
            Ok(status) => ProcessError::Ended {
                what,
                status,
                log: self.log.clone(),
                last_lines: self.last_lines(),
            },
            Err(source) => ProcessError::Watch { what, source },
        }
    }

    fn last_lines(&self) -> String {
        let text = std::fs::read_to_string(&self.log).unwrap_or_default();
        let lines: Vec<&str> = text.lines().collect();
        lines[lines.len().saturating_sub(LAST_LINES)..].join("\n")
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        if let Ok(None) = self.child.try_wait() {
            self.request_end();
            // Nothing is sent: the channel closes at the end.
            let end = self.ended_for_drop.recv_timeout(GRACE);
            if end == Err(mpsc::RecvTimeoutError::Timeout) {
                let _ = self.child.kill();
            }
            let _ = self.child.wait();
        }
    }
}

/// ROS arguments with which a process uses simulated time.
pub const SIMULATED_TIME: [&str; 2] = ["-p", "use_sim_time:=true"];

/// An act with nodes in a namespace of its own: the names of earlier acts are free again only when
/// the ROS graph has dropped them.
#[derive(Clone, Copy)]
pub struct Act {
    /// Its name for people.
    pub name: &'static str,
    /// Its namespace, without slashes.
    pub namespace: &'static str,
}

impl Act {
    /// Returns the full name of a node.
    pub fn full_name(&self, node: &str) -> String {
        format!("/{}/{node}", self.namespace)
    }

    /// Starts its simulated joint and its node, with these arguments and ROS arguments; their logs
    /// go to `folder`. The node comes first and so ends first, because it brings the joint to rest.
    ///
    /// # Errors
    /// [`ProcessError::Start`].
    pub fn start(
        &self,
        folder: &Path,
        simulate: Vec<OsString>,
        run: Vec<OsString>,
        run_ros: &[&str],
    ) -> Result<Vec<Process>, ProcessError> {
        let Self { name, namespace } = self;
        let start = |kind: &str, own: Vec<OsString>, ros: &[&str]| {
            let into = format!("__ns:=/{namespace}");
            let ros = ["--ros-args", "-r", &into]
                .into_iter()
                .chain(ros.iter().copied());
            let words = own.into_iter().chain(ros.map(OsString::from));
            let log = format!("demo-{namespace}-{}.log", kind.replace(' ', "-"));
            let what = format!("the {kind} of the {name} act");
            Process::start(&what, words, &folder.join(log))
        };
        let world = start("simulated joint", simulate, &[])?;
        Ok(vec![start("node", run, run_ros)?, world])
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

/// Waits for the first of the processes that ends by itself, and returns the error.
async fn first_end(processes: &mut [Process]) -> ProcessError {
    let ends: Vec<_> = processes.iter().map(|p| p.end().boxed()).collect();
    if ends.is_empty() {
        return std::future::pending().await;
    }
    let which = select_all(ends).await.1;
    processes[which].ended()
}

/// Waits for `seconds`.
///
/// # Errors
/// A process has ended, the reader of the demo's output has gone, or a signal has come.
pub fn wait(session: &Session, processes: &mut [Process], seconds: f64) -> Result<(), Failure> {
    if output::unread() {
        return Err(Failure::Unread);
    }
    match session.wait_unless(seconds, first_end(processes))? {
        None => Ok(()),
        Some(error) => Err(error.into()),
    }
}

/// Waits until the participants have discovered each other: until time runs and all `needs` have
/// arrived. Simulated time does not advance meanwhile, so that every run begins alike.
///
/// # Errors
/// A process has ended, a signal has come, or something is still missing after a while.
pub fn meet(
    session: &Session,
    processes: &mut [Process],
    needs: Vec<Need<'_>>,
) -> Result<(), Failure> {
    let end = Instant::now() + START;
    let time = Need::new("/clock is silent", session.time_runs());
    for Need { missing, arrival } in std::iter::once(time).chain(needs) {
        let left = end.saturating_duration_since(Instant::now());
        let event = async {
            tokio::select! {
                biased;
                () = arrival => Ok(()),
                error = first_end(processes) => Err(error),
            }
        };
        match session.event(event, left)? {
            Some(outcome) => outcome?,
            None => {
                let logs = processes.iter().map(|p| p.log.clone()).collect();
                return Err(Failure::Missing { missing, logs });
            }
        }
    }
    Ok(())
}

/// Ends the processes one after the other. Time advances meanwhile, so that a joint comes to rest.
pub fn end(session: &Session, processes: &mut Vec<Process>) {
    for process in processes.drain(..) {
        process.request_end();
        // Dropping it ends one that takes longer.
        let _ = session.going_on(process.end(), GRACE);
    }
}

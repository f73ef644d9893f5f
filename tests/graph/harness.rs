//! Starts the processes of a graph test, in a ROS domain of the test's own, and ends them with it.
//!
//! Time is simulated, in lockstep. The simulated hardware waits at each step for the node and for
//! the client. A machine that stalls therefore changes only the run time. Tests that need real time
//! run [`in_real_time`], beside a witness that measures how long the machine stalled.
#![allow(dead_code)] // Each test file uses its own part.

use std::cell::RefCell;
use std::fs::File;
use std::io::Read;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, Once, PoisonError};
use std::time::{Duration, Instant};

use crate::skip::skip;
use nix::sched::{CpuSet, sched_getaffinity, sched_setaffinity};
use nix::unistd::Pid;
use tempfile::TempDir;

/// Capacity of the machine, and the share that a test takes of it. A test in simulated time is
/// never idle; a test in real time needs its processes scheduled when they are due.
const ROOM: u32 = 8;
pub const IN_LOCKSTEP: u32 = 2;
const IN_REAL_TIME: u32 = 4;
static TURNS: Mutex<Turns> = Mutex::new(Turns {
    given: 0,
    next: 0,
    taken: 0,
});
static CHANGED: Condvar = Condvar::new();

/// A test's share of the machine, held until it is dropped. Tests get theirs in the order in which
/// they come, so that those with a large share have a turn too.
pub struct Turn(u32);

/// Numbers of the turns given out and of the next one to begin, and the shares taken.
struct Turns {
    given: u64,
    next: u64,
    taken: u32,
}

impl Turn {
    pub fn new(share: u32) -> Self {
        let mut turns = TURNS.lock().unwrap_or_else(PoisonError::into_inner);
        let own = turns.given;
        turns.given += 1;
        let waits = |turns: &mut Turns| turns.next != own || turns.taken + share > ROOM;
        let turns = CHANGED.wait_while(turns, waits);
        let mut turns = turns.unwrap_or_else(PoisonError::into_inner);
        turns.next += 1;
        turns.taken += share;
        CHANGED.notify_all();
        Self(share)
    }
}

impl Drop for Turn {
    fn drop(&mut self) {
        let mut turns = TURNS.lock().unwrap_or_else(PoisonError::into_inner);
        turns.taken -= self.0;
        CHANGED.notify_all();
    }
}

/// Longest run time of a client. Clients wait on conditions with limits of their own.
const CLIENT: Duration = Duration::from_secs(600);
/// Longest time that a process may take to end after a signal.
const END: Duration = Duration::from_secs(10);

/// Number of attempts when the machine stalls.
const ATTEMPTS: u32 = 3;
/// The witness's period, and the delay from which the machine counts as stalled: a few control
/// periods.
const WITNESS: Duration = Duration::from_millis(2);
const STOOD: Duration = Duration::from_millis(20);

/// Bare loops, one per processor, that measure the longest stall of the machine while they run.
struct Witness {
    worst: Arc<AtomicU64>,
    stop: Arc<AtomicBool>,
}

impl Witness {
    fn new() -> Self {
        let (worst, stop) = (
            Arc::new(AtomicU64::new(0)),
            Arc::new(AtomicBool::new(false)),
        );
        // One for each processor, since each may stall alone.
        let ours = sched_getaffinity(Pid::from_raw(0)).unwrap();
        for processor in (0..CpuSet::count()).filter(|p| ours.is_set(*p) == Ok(true)) {
            let (seen, told) = (worst.clone(), stop.clone());
            std::thread::spawn(move || {
                let mut own = CpuSet::new();
                // Without the affinity it still sees stalls of the whole machine.
                let _ = own
                    .set(processor)
                    .and_then(|()| sched_setaffinity(Pid::from_raw(0), &own));
                while !told.load(Ordering::Acquire) {
                    let begun = Instant::now();
                    std::thread::sleep(WITNESS);
                    let over = begun.elapsed().saturating_sub(WITNESS).as_micros();
                    seen.fetch_max(over as u64, Ordering::AcqRel);
                }
            });
        }
        Self { worst, stop }
    }

    fn worst(&self) -> Duration {
        Duration::from_micros(self.worst.load(Ordering::Acquire))
    }
}

impl Drop for Witness {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
    }
}

/// Runs a test that needs real time. An attempt in which the machine stalled is not judged, but
/// repeated. A test that was never judged counts as skipped, in the file that WITHY_SKIPPED names.
pub fn in_real_time(test: impl Fn(&mut Stage)) {
    for attempt in 1..=ATTEMPTS {
        let mut stage = Stage::on(true);
        let witness = Witness::new();
        let result = catch_unwind(AssertUnwindSafe(|| test(&mut stage)));
        let Err(panic) = result else { return };
        let stood = witness.worst();
        if stood < STOOD {
            stage.keep_logs();
            resume_unwind(panic);
        }
        let stood = stood.as_secs_f64();
        eprintln!("attempt {attempt}: the machine stood still for {stood:.3} s: not judged");
        if attempt == ATTEMPTS {
            skip(&format!(
                "the machine stood still in each of {ATTEMPTS} attempts"
            ));
        }
    }
}

/// Number of lines shown of a failure; the logs have the rest.
const SHOWN: usize = 8;

thread_local! {
    /// Folder with the logs of this thread's test.
    static LOGS: RefCell<Option<PathBuf>> = const { RefCell::new(None) };
}

/// Shortens the report of a failure to ten lines: its cause, and where the logs are.
fn tell_failures_briefly() {
    static SET: Once = Once::new();
    SET.call_once(|| {
        std::panic::set_hook(Box::new(|info| {
            let payload = info.payload();
            let message = payload.downcast_ref::<String>().map(String::as_str);
            let message = message.or(payload.downcast_ref().copied());
            let message = message.unwrap_or("no words");
            let lines = message.lines().filter(|line| !line.trim().is_empty());
            let short = |line: &str| line.chars().take(400).collect::<String>();
            let lines: Vec<String> = lines.map(short).collect();
            let place = info.location().map(ToString::to_string);
            let mut told = format!("failed at {}\n", place.unwrap_or_default());
            for line in lines.iter().take(SHOWN) {
                told += &format!("  {line}\n");
            }
            let logs = LOGS.with_borrow(Clone::clone);
            if let Some(logs) = logs {
                told += &format!("  logs: {}\n", logs.display());
            }
            eprint!("{told}");
        }));
    });
}

/// Returns a ROS domain that no other test of this run has: 1 to 100, since higher ones use ports
/// that the system assigns as ephemeral (ROS 2 documentation, "The ROS_DOMAIN_ID"). Those of tests
/// long past come again.
pub fn domain() -> u32 {
    static NEXT: AtomicU32 = AtomicU32::new(0);
    let next = NEXT.fetch_add(1, Ordering::Relaxed);
    1 + (std::process::id().wrapping_mul(31).wrapping_add(next)) % 100
}

/// Returns the command of the Python that has rclpy, made by `new` from its path, with the transport
/// of the node. What it compiles is kept for the other tests: few packages come compiled.
pub fn python(new: impl FnOnce(&str) -> Command) -> Command {
    // `launch-free-scripts/ros-env` sets it.
    let path = std::env::var("WITHY_PYTHON").unwrap_or_else(|_| "python3".into());
    let compiled = concat!(env!("CARGO_TARGET_TMPDIR"), "/pycache");
    // `launch-free-scripts/engine` sets it, where it can be installed.
    let modules = ["WITHY_ENGINE", "PYTHONPATH"].map(std::env::var);
    let modules: Vec<_> = modules.into_iter().flatten().collect();
    let mut command = new(&path);
    command
        .envs(withy::ros::transport::this_machine().unwrap())
        .env_remove("PYTHONDONTWRITEBYTECODE")
        .env("PYTHONPYCACHEPREFIX", compiled)
        .env("PYTHONPATH", modules.join(":"));
    command
}

/// One test's processes and files.
pub struct Stage {
    domain: u32,
    /// `None` once its logs are to be kept.
    folder: Option<TempDir>,
    path: PathBuf,
    running: Vec<(String, Child)>,
    real_time: bool,
    _turn: Turn,
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

impl Stage {
    /// Returns an empty stage in simulated time.
    pub fn new() -> Self {
        Self::on(false)
    }

    fn on(real_time: bool) -> Self {
        tell_failures_briefly();
        let turn = Turn::new(if real_time { IN_REAL_TIME } else { IN_LOCKSTEP });
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().to_path_buf();
        LOGS.set(Some(path.clone()));
        copy(&root().join("config"), &path.join("config"));
        Self {
            domain: domain(),
            folder: Some(folder),
            path,
            running: Vec::new(),
            real_time,
            _turn: turn,
        }
    }

    /// Keeps the folder, so that the cause of a failure can be looked up.
    fn keep_logs(&mut self) {
        if let Some(folder) = self.folder.take() {
            let _ = folder.keep();
        }
    }

    /// Returns the path of the test's own copy of a file in `config/`.
    pub fn config(&self, name: &str) -> PathBuf {
        self.path.join("config").join(name)
    }

    /// Changes the test's copy of a file in `config/`.
    pub fn edit(&self, name: &str, from: &str, to: &str) {
        let path = self.config(name);
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(text.contains(from), "{name} has no {from:?}");
        std::fs::write(path, text.replace(from, to)).unwrap();
    }

    fn command(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        command
            .env("ROS_DOMAIN_ID", self.domain.to_string())
            .env("ROS_AUTOMATIC_DISCOVERY_RANGE", "LOCALHOST")
            .env("WITHY_LOCKSTEP", if self.real_time { "0" } else { "1" })
            .env("NO_COLOR", "1")
            // Incident recordings go there, not among those of the user who runs the tests.
            .env("XDG_STATE_HOME", self.path.join("state"))
            .current_dir(&self.path)
            .stdin(Stdio::null());
        command
    }

    /// Starts a process under `name`.
    pub fn spawn(&mut self, name: &str, mut command: Command) {
        let log = self.path.join(format!("{name}.log"));
        let out = File::create(&log).unwrap();
        command.stderr(out.try_clone().unwrap()).stdout(out);
        let child = command.spawn().unwrap_or_else(|e| panic!("{name}: {e}"));
        self.running.push((name.into(), child));
    }

    /// Starts a process and waits until its log contains `word`, or until it ends. Participants
    /// that start at the same moment on a busy machine sometimes never discover all of each other's
    /// topics.
    fn spawn_until(&mut self, name: &str, command: Command, word: &str) {
        self.spawn(name, command);
        self.says(name, word);
    }

    /// Waits until a process's log contains `word`. Returns false if it ends first or takes longer
    /// than [`CLIENT`].
    fn says(&mut self, name: &str, word: &str) -> bool {
        let start = Instant::now();
        loop {
            let process = self.running.iter_mut().find(|(n, _)| n == name);
            let ended = process.is_none_or(|(_, child)| !matches!(child.try_wait(), Ok(None)));
            if self.log(name).contains(word) {
                return true;
            }
            if ended || start.elapsed() > CLIENT {
                return false;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Returns the log of a process so far.
    pub fn log(&self, name: &str) -> String {
        let path = self.path.join(format!("{name}.log"));
        let mut text = String::new();
        if let Ok(mut file) = File::open(path) {
            let _ = file.read_to_string(&mut text);
        }
        text
    }

    /// Returns the command `withy run` with joint files of `config/` and ROS arguments. The joints
    /// are not hardware, and activate by themselves.
    pub fn withy(&self, joints: &[&str], ros: &[&str]) -> Command {
        let start = ["-p", "autostart:=true"];
        self.withy_by_hand(joints, &[&start, ros].concat())
    }

    /// Returns the same command for joints that wait to be configured and activated.
    pub fn withy_by_hand(&self, joints: &[&str], ros: &[&str]) -> Command {
        let mut command = self.command(env!("CARGO_BIN_EXE_withy"));
        command.arg("run");
        command.args(joints.iter().map(|name| self.config(name)));
        command.arg("--ros-args").args(ros);
        if !self.real_time {
            command.args(["-p", "use_sim_time:=true"]);
        }
        command
    }

    /// Starts `withy run` as the process "withy", to be configured and activated by hand.
    pub fn withy_run_by_hand(&mut self, joints: &[&str], ros: &[&str]) {
        let command = self.withy_by_hand(joints, ros);
        self.spawn_until("withy", command, "running");
    }

    /// Starts a command as a process of the stage.
    pub fn start(&mut self, name: &str, command: Command) {
        self.spawn(name, command);
    }

    /// Starts `withy run` as the process "withy".
    pub fn withy_run(&mut self, joints: &[&str], ros: &[&str]) {
        let command = self.withy(joints, ros);
        self.spawn_until("withy", command, "running");
    }

    fn python(&self, script: &str, arguments: &[&str]) -> Command {
        let mut command = python(|path| self.command(path));
        command
            .arg(root().join("tests/graph").join(script))
            .args(arguments);
        command
    }

    /// Starts a plant with options `key=value`.
    pub fn plant(&mut self, options: &[&str]) {
        let command = self.python("plant.py", options);
        self.spawn(&format!("plant{}", self.running.len()), command);
    }

    /// Starts a joint in the engine of dynamics, with options `key=value`.
    pub fn engine(&mut self, options: &[&str]) {
        let command = self.python("engine.py", options);
        self.spawn(&format!("engine{}", self.running.len()), command);
    }

    /// Starts `withy simulate` with a file of `config/` and options, as the process "simulated".
    pub fn simulate(&mut self, file: &str, options: &[&str]) {
        let mut command = self.command(env!("CARGO_BIN_EXE_withy"));
        command.arg("simulate").arg(self.config(file)).args(options);
        if !self.real_time {
            command.args(["--clock", "--lockstep", "--wait-for", "/client"]);
        }
        self.spawn_until("simulated", command, "running");
    }

    /// Runs a client to its end, which has to be a success.
    pub fn client(&mut self, script: &str, arguments: &[&str]) {
        self.client_begins(script, arguments);
        self.client_ends();
    }

    /// Runs a client to its end, which has to be a success, after a change to its command.
    pub fn client_as(
        &mut self,
        script: &str,
        arguments: &[&str],
        change: impl FnOnce(&mut Command),
    ) {
        let mut command = self.python(script, arguments);
        change(&mut command);
        self.spawn("client", command);
        self.client_ends();
    }

    /// Starts a client.
    pub fn client_begins(&mut self, script: &str, arguments: &[&str]) {
        let command = self.python(script, arguments);
        self.spawn("client", command);
    }

    /// Waits until the client's log contains `word`; it may not end first.
    pub fn client_says(&mut self, word: &str) {
        if !self.says("client", word) {
            self.client_ends();
            panic!("the client never said: {word}");
        }
    }

    /// Waits for the end of the running client, which has to be a success.
    pub fn client_ends(&mut self) {
        let status = self.wait("client", CLIENT);
        if !status.success() {
            let log = self.log("client");
            let why = log.split("-- why\n").nth(1).unwrap_or(&log);
            panic!("the client: {status}\n{why}");
        }
    }

    /// Waits for a process to end, for `most` at most.
    pub fn wait(&mut self, name: &str, most: Duration) -> ExitStatus {
        let index = self.running.iter().position(|(n, _)| n == name).unwrap();
        let start = Instant::now();
        loop {
            if let Some(status) = self.running[index].1.try_wait().unwrap() {
                self.running.remove(index);
                return status;
            }
            let log = || self.log(name);
            assert!(
                start.elapsed() < most,
                "{name} did not end within {most:?}; it said last:\n{}",
                last_lines(&log())
            );
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Starts `withy step-test` with a joint file of `config/` and options, as the process "steps".
    /// It writes "record.csv" in the test's folder.
    pub fn step_test(&mut self, file: &str, options: &[&str]) {
        let mut command = self.command(env!("CARGO_BIN_EXE_withy"));
        command
            .arg("step-test")
            .arg(self.config(file))
            .args(options);
        command.args(["--output", "record.csv"]);
        self.spawn("steps", command);
    }

    /// The test's own folder, the working directory of its processes.
    pub fn folder(&self) -> &Path {
        &self.path
    }

    /// Waits until a process's log contains `word`; it may not end first.
    pub fn until_said(&mut self, name: &str, word: &str) {
        let said = self.says(name, word);
        assert!(
            said,
            "{name} never said {word:?}; it said last:\n{}",
            last_lines(&self.log(name))
        );
    }

    /// Sends a signal to a process.
    pub fn signal(&self, name: &str, signal: &str) {
        let pid = self.pid(name).to_string();
        let sent = Command::new("kill").args([signal, &pid]).status();
        assert!(sent.unwrap().success(), "kill {signal} {name}");
    }

    /// The process's id.
    pub fn pid(&self, name: &str) -> u32 {
        let (_, child) = self.running.iter().find(|(n, _)| n == name).unwrap();
        child.id()
    }

    /// Returns the command `withy transition`.
    pub fn transition(&self, name: &str) -> Command {
        let mut command = self.command(env!("CARGO_BIN_EXE_withy"));
        command.args(["transition", name]);
        command
    }

    /// Returns the command `withy point`.
    pub fn point(&self, pose: &[&str], more: &[&str]) -> Command {
        let mut command = self.command(env!("CARGO_BIN_EXE_withy"));
        command.arg("point").args(pose).args(more);
        command
    }
}

/// Returns the last lines of a log.
fn last_lines(log: &str) -> String {
    let lines: Vec<&str> = log.lines().collect();
    lines[lines.len().saturating_sub(4)..].join("\n")
}

impl Drop for Stage {
    fn drop(&mut self) {
        if std::thread::panicking() {
            self.keep_logs();
        }
        for (_, child) in &self.running {
            let _ = Command::new("kill")
                .args(["-TERM", &child.id().to_string()])
                .status();
        }
        for (_, child) in &mut self.running {
            let start = Instant::now();
            while start.elapsed() < END && matches!(child.try_wait(), Ok(None)) {
                std::thread::sleep(Duration::from_millis(10));
            }
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

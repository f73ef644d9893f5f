//! Starts processes for a test on the graph, each test in a ROS domain of its own, and ends them with it.
#![allow(dead_code)] // Each test file uses its own part.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

use tempfile::TempDir;

/// How many tests run at a time: each has several processes that want their share of real time.
const AT_ONCE: u32 = 2;
static UNDER_WAY: Mutex<u32> = Mutex::new(0);
static ENDED: Condvar = Condvar::new();

/// A test's turn, until it is dropped.
struct Turn;

impl Turn {
    fn new() -> Self {
        let under_way = UNDER_WAY.lock().unwrap_or_else(PoisonError::into_inner);
        let under_way = ENDED.wait_while(under_way, |n| *n >= AT_ONCE);
        *under_way.unwrap_or_else(PoisonError::into_inner) += 1;
        Self
    }
}

impl Drop for Turn {
    fn drop(&mut self) {
        *UNDER_WAY.lock().unwrap_or_else(PoisonError::into_inner) -= 1;
        ENDED.notify_one();
    }
}

/// Longest a client may take. Clients wait on conditions with limits of their own.
const CLIENT: Duration = Duration::from_secs(240);
/// Longest a process may take to end when told to.
const END: Duration = Duration::from_secs(10);

/// One test's processes and files.
pub struct Stage {
    domain: u32,
    folder: TempDir,
    running: Vec<(String, Child)>,
    _turn: Turn,
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

impl Stage {
    /// An empty stage for the test of this number, which is its own.
    pub fn new(number: u32) -> Self {
        let turn = Turn::new();
        let folder = tempfile::tempdir().unwrap();
        copy(&root().join("config"), &folder.path().join("config"));
        Self {
            // Domains 1 to 100: above, ports run into those that the system hands out (ROS 2 documentation,
            // "The ROS_DOMAIN_ID").
            domain: 1 + (std::process::id().wrapping_mul(31) + 7 * number) % 100,
            folder,
            running: Vec::new(),
            _turn: turn,
        }
    }

    /// The test's own copy of a file in `config/`.
    pub fn config(&self, name: &str) -> PathBuf {
        self.folder.path().join("config").join(name)
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
            .env("NO_COLOR", "1")
            .env("PYTHONDONTWRITEBYTECODE", "1")
            // Black boxes go there, and not among those of whoever runs the tests.
            .env("XDG_STATE_HOME", self.folder.path().join("state"))
            .current_dir(self.folder.path())
            .stdin(Stdio::null());
        command
    }

    /// Starts a process that is known as `name`.
    pub fn spawn(&mut self, name: &str, mut command: Command) {
        let log = self.folder.path().join(format!("{name}.log"));
        let out = File::create(&log).unwrap();
        command.stderr(out.try_clone().unwrap()).stdout(out);
        let child = command.spawn().unwrap_or_else(|e| panic!("{name}: {e}"));
        self.running.push((name.into(), child));
    }

    /// Starts a process and waits until it has said `word`, or has ended: of participants that begin at the same moment on a
    /// busy machine some never discover all topics of each other.
    fn spawn_until(&mut self, name: &str, command: Command, word: &str) {
        self.spawn(name, command);
        self.says(name, word);
    }

    /// Waits until a process has said `word`; whether it has, and neither ended before nor taken too long.
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
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// What a process has said so far.
    pub fn log(&self, name: &str) -> String {
        let path = self.folder.path().join(format!("{name}.log"));
        let mut text = String::new();
        if let Ok(mut file) = File::open(path) {
            let _ = file.read_to_string(&mut text);
        }
        text
    }

    /// The command `withy run` with joint files of `config/` and arguments for ROS; the joints are not hardware, and start
    /// by themselves.
    pub fn withy(&self, joints: &[&str], ros: &[&str]) -> Command {
        let start = ["-p", "autostart:=true"];
        self.withy_by_hand(joints, &[&start, ros].concat())
    }

    /// The same of joints that wait for somebody to configure and activate them.
    pub fn withy_by_hand(&self, joints: &[&str], ros: &[&str]) -> Command {
        let mut command = self.command(env!("CARGO_BIN_EXE_withy"));
        command.arg("run");
        command.args(joints.iter().map(|name| self.config(name)));
        if !ros.is_empty() {
            command.arg("--ros-args").args(ros);
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
        // `launch-free-scripts/ros-env` says which Python has rclpy.
        let python = std::env::var("WITHY_PYTHON").unwrap_or_else(|_| "python3".into());
        let mut command = self.command(&python);
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

    /// Starts `withy simulate` with a file of `config/` and options, as the process "simulated".
    pub fn simulate(&mut self, file: &str, options: &[&str]) {
        let mut command = self.command(env!("CARGO_BIN_EXE_withy"));
        command.arg("simulate").arg(self.config(file)).args(options);
        self.spawn_until("simulated", command, "running");
    }

    /// Runs a client to its end, which has to be a good one.
    pub fn client(&mut self, script: &str, arguments: &[&str]) {
        self.client_begins(script, arguments);
        self.client_ends();
    }

    /// Starts a client.
    pub fn client_begins(&mut self, script: &str, arguments: &[&str]) {
        let command = self.python(script, arguments);
        self.spawn("client", command);
    }

    /// Waits until the client that runs has said `word`; it may not end before.
    pub fn client_says(&mut self, word: &str) {
        if !self.says("client", word) {
            self.client_ends();
            panic!("the client never said: {word}");
        }
    }

    /// Waits for the end of the client that runs, which has to be a good one.
    pub fn client_ends(&mut self) {
        let status = self.wait("client", CLIENT);
        if !status.success() {
            for (name, _) in &self.running {
                eprintln!("--- {name}\n{}", self.log(name));
            }
            panic!("the client: {status}\n{}", self.log("client"));
        }
    }

    /// Waits for a process to end.
    pub fn wait(&mut self, name: &str, most: Duration) -> ExitStatus {
        let index = self.running.iter().position(|(n, _)| n == name).unwrap();
        let start = Instant::now();
        loop {
            if let Some(status) = self.running[index].1.try_wait().unwrap() {
                self.running.remove(index);
                return status;
            }
            if start.elapsed() > most {
                for (name, _) in &self.running {
                    eprintln!("--- {name}\n{}", self.log(name));
                }
                panic!("{name} did not end within {most:?}");
            }
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Starts `withy step-test` with a joint file of `config/` and options, as the process "steps"; its record is
    /// "record.csv" in the test's folder.
    pub fn step_test(&mut self, file: &str, options: &[&str]) {
        let mut command = self.command(env!("CARGO_BIN_EXE_withy"));
        command
            .arg("step-test")
            .arg(self.config(file))
            .args(options);
        command.args(["--output", "record.csv"]);
        self.spawn("steps", command);
    }

    /// The test's own folder, in which its processes run.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Waits until a process has said `word`; it may not end before.
    pub fn until_said(&mut self, name: &str, word: &str) {
        let said = self.says(name, word);
        assert!(said, "{name} never said {word:?}:\n{}", self.log(name));
    }

    /// Sends a signal to a process.
    pub fn signal(&self, name: &str, signal: &str) {
        let pid = self.pid(name).to_string();
        let sent = Command::new("kill").args([signal, &pid]).status();
        assert!(sent.unwrap().success(), "kill {signal} {name}");
    }

    /// The process's number.
    pub fn pid(&self, name: &str) -> u32 {
        let (_, child) = self.running.iter().find(|(n, _)| n == name).unwrap();
        child.id()
    }

    /// The command `withy transition`.
    pub fn transition(&self, name: &str) -> Command {
        let mut command = self.command(env!("CARGO_BIN_EXE_withy"));
        command.args(["transition", name]);
        command
    }

    /// The command `withy point`.
    pub fn point(&self, pose: &[&str], more: &[&str]) -> Command {
        let mut command = self.command(env!("CARGO_BIN_EXE_withy"));
        command.arg("point").args(pose).args(more);
        command
    }
}

impl Drop for Stage {
    fn drop(&mut self) {
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

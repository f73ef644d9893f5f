//! The tuning act: step tests, a fit, a tuning and an examination with the commands that users run,
//! then the resulting set on the joint.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::Command;

use super::bed::{Failure, Length, PAYLOADS, Payload, move_headings, move_words, target, visit};
use super::children::{Act, Process, SIMULATED_TIME, end, lockstep, meet, visitor, wait};
use crate::design::trial::MoveFigures;
use crate::files::JointFile;
use crate::ros::client::bend_client::BendClient;
use crate::ros::client::session::Keeps;
use crate::ros::client::{ClientError, Nodes};

const ACT: Act = Act {
    name: "tuning",
    namespace: "desk",
};
/// Inclination of the steps, deg.
const STEP: &str = "8";
/// Directions of the steps, deg; one of them in the short demo.
const DIRECTIONS: [&str; 2] = ["17", "107"];
/// Time for which each step is held in the short demo, s.
const QUICK_STEP_DWELL: &str = "2";
/// Time for which each target is held, s.
const DWELL: f64 = 2.0;
/// Targets per gain set.
const COUNT: usize = 4;
const QUICK_COUNT: usize = 2;
/// Time for the oscillation after a payload change to decay, s.
const CALM: f64 = 2.5;

/// The act and its results.
pub struct TuningAct {
    bend_client: BendClient,
    processes: Vec<Process>,
    joint: PathBuf,
    node: String,
    /// Name of the node that simulated time waits for.
    visitor: String,
    output: PathBuf,
    length: Length,
    /// Figures for the verdict.
    pub moves: Vec<(String, MoveFigures)>,
}

impl TuningAct {
    /// Starts the processes of the act and waits until they have discovered each other.
    ///
    /// # Errors
    /// A ROS graph that cannot be used, or a process that ends.
    pub fn start(joint: &JointFile, output: &Path, length: Length) -> Result<Self, Failure> {
        let node = ACT.full_name(&joint.name);
        let nodes = Nodes {
            joint: node.clone(),
            simulated: ACT.full_name("simulated_neck"),
            base_frame: joint.frames.base.clone(),
        };
        let name = visitor(ACT.namespace);
        let bend_client = BendClient::new(nodes, &joint.motor_names, &name, Keeps::Simulated)?;
        let mut simulate: Vec<OsString> = vec!["simulate".into()];
        simulate.extend(lockstep(&name));
        let run = vec!["run".into(), joint.file.clone().into()];
        // The node adds gain sets of the demo's folder alone.
        let folder = format!("gain_set_folder:={}", output.canonicalize()?.display());
        let ros = [SIMULATED_TIME.as_slice(), &["-p", &folder]].concat();
        let mut act = Self {
            bend_client,
            processes: ACT.start(output, simulate, run, &ros)?,
            joint: joint.file.clone(),
            node,
            visitor: name,
            output: output.to_path_buf(),
            length,
            moves: Vec::new(),
        };
        let connection = &act.bend_client.connection;
        let needs = act.bend_client.subscribers();
        meet(connection.session(), &mut act.processes, needs)?;
        connection.bring_up()?;
        Ok(act)
    }

    /// Ends its processes.
    pub fn end(&mut self) {
        let session = self.bend_client.connection.session();
        end(session, &mut self.processes);
    }

    fn wait(&mut self, seconds: f64) -> Result<(), Failure> {
        let session = self.bend_client.connection.session();
        wait(session, &mut self.processes, seconds)
    }

    /// Runs a command as a user would, shows it with its output and returns the output.
    fn command(&mut self, words: Vec<OsString>) -> Result<String, Failure> {
        self.wait(0.0)?;
        let line = |words: &[OsString]| {
            let words: Vec<_> = words.iter().map(|w| w.to_string_lossy()).collect();
            words.join(" ")
        };
        let own = words.split(|word| word == "--ros-args").next();
        println!("\n$ withy {}", line(own.unwrap_or_default()));
        let failed = |reason: String| Failure::Command {
            words: line(&words),
            reason,
        };
        let output = std::env::current_exe()
            .and_then(|program| Command::new(program).args(&words).output())
            .map_err(|error| failed(error.to_string()))?;
        let printed = String::from_utf8_lossy(&output.stdout);
        for line in printed.lines() {
            println!("  {line}");
        }
        if output.status.success() {
            Ok(printed.into_owned())
        } else {
            let errors = String::from_utf8_lossy(&output.stderr);
            let last = errors.lines().last().unwrap_or_default();
            Err(failed(last.into()))
        }
    }

    /// Runs step tests with one payload and returns the paths of the records.
    fn step_tests(&mut self, payload: &Payload) -> Result<Vec<PathBuf>, Failure> {
        let connection = &self.bend_client.connection;
        connection.set_payload(payload.mass, payload.height)?;
        self.wait(CALM)?;
        let grams = format!("{:.0}", payload.mass * 1e3);
        let record = self.output.join(format!("steps-{grams}-g.csv"));
        let directions = match self.length {
            Length::Whole => &DIRECTIONS[..],
            Length::Quick => &DIRECTIONS[..1],
        };
        let records = records(&record, directions);
        let mut words: Vec<OsString> = vec!["step-test".into(), self.joint.clone().into()];
        words.extend(["--node".into(), OsString::from(&self.node)]);
        words.extend(["--output".into(), record.into()]);
        words.extend(["--inclination-deg", STEP, "--repeats", "1"].map(OsString::from));
        if self.length == Length::Quick {
            words.extend(["--dwell-s", QUICK_STEP_DWELL].map(OsString::from));
        }
        for direction in directions {
            words.extend(["--direction-deg", direction].map(OsString::from));
        }
        words.extend(["--payload-g".into(), OsString::from(grams)]);
        let height = format!("{:.0}", payload.height * 1e3);
        words.extend(["--payload-height-mm".into(), OsString::from(height)]);
        // Simulated time waits for the step test meanwhile, in place of this act's own client.
        let acknowledged = format!("~/acknowledged:=/{}/acknowledged", self.visitor);
        words.extend(["--ros-args", "-r", &acknowledged].map(OsString::from));
        words.extend(SIMULATED_TIME.map(OsString::from));
        self.clear(&records);
        self.command(words)?;
        Ok(records)
    }

    /// Removes records left by an earlier demo or by an aborted test.
    fn clear(&self, records: &[PathBuf]) {
        for record in records {
            // A missing file is fine.
            let _ = std::fs::remove_file(record);
            let _ = std::fs::remove_file(record.with_extension("aborted.csv"));
        }
    }

    /// Fits models to `records`, tunes a set named `name` for all of them and returns its path.
    fn tuned(&mut self, name: &str, records: &[PathBuf]) -> Result<PathBuf, Failure> {
        let models = self.output.join(format!("{name}-models.yaml"));
        let set = self.output.join(format!("{name}.yaml"));
        for old in [&models, &set] {
            let _ = std::fs::remove_file(old);
        }
        let mut words: Vec<OsString> = vec!["fit".into()];
        words.extend(records.iter().map(OsString::from));
        words.extend(["--save".into(), models.clone().into()]);
        self.command(words)?;
        let mut words: Vec<OsString> = vec!["tune".into(), "--joint".into()];
        words.extend([self.joint.clone().into(), "--models".into(), models.into()]);
        // The IMU's sensor latency is 4 ms, which the models do not include; the rest is reserve.
        words.extend(["--family", "--sensor-latency-ms", "6", "--save"].map(OsString::from));
        words.push(set.clone().into());
        self.command(words)?;
        Ok(set)
    }

    /// Visits a few plants of the bed with one gain set and returns the figures.
    fn visit(&mut self, set: &str, payload: &str) -> Result<Vec<MoveFigures>, Failure> {
        println!("\n{:<12} {}   ({payload})", "gain set", move_headings());
        let count = match self.length {
            Length::Whole => COUNT,
            Length::Quick => QUICK_COUNT,
        };
        let mut all = Vec::new();
        for bend in (0..count).map(target) {
            let (_, figures) = visit(&self.bend_client, &mut self.processes, bend, DWELL)?;
            println!("{set:<12} {}", move_words(bend, &figures));
            all.push(figures);
        }
        Ok(all)
    }

    /// Runs the whole act.
    ///
    /// # Errors
    /// A failure of the ROS graph, a process that ends, or a command that fails.
    pub fn work(&mut self) -> Result<(), Failure> {
        let [bare, .., heaviest] = &PAYLOADS;
        println!(
            "\n\
             From step tests to a gain set, with the commands that you would use: bare head plate, \
             then {} of {:.0} g.",
            heaviest.name,
            heaviest.mass * 1e3
        );
        let light = self.step_tests(bare)?;
        let mut records = light.clone();
        records.extend(self.step_tests(heaviest)?);
        let set = self.tuned("tuned", &records)?;
        let light_set = self.tuned("tuned-for-bare", &light)?;

        // A set for the light head alone does not suit an unknown payload; the node reports the
        // reason.
        println!();
        for file in [&set, &light_set] {
            let file = file.file_name().unwrap_or_default().to_string_lossy();
            self.bend_client.set_text("gain_set_file", &file)?;
        }
        match self.bend_client.swap("tuned-for-bare") {
            Err(ClientError::Refused { reason, .. }) => {
                println!("gain set tuned-for-bare is refused: {reason}");
            }
            Err(error) => return Err(error.into()),
            Ok(_) => println!("gain set tuned-for-bare is accepted for every payload"),
        }
        let before = self.visit("any-payload", heaviest.name)?;
        self.bend_client.swap("tuned")?;
        let after = self.visit("tuned", heaviest.name)?;
        let worst = |figures: &[MoveFigures]| {
            let greatest = |of: fn(&MoveFigures) -> f64| figures.iter().map(of).fold(0.0, f64::max);
            format!(
                "overshoot {:.3} deg, {:.2} s, error {:.3} deg",
                greatest(|f| f.overshoot).to_degrees(),
                greatest(|f| f.settling.unwrap_or(f64::INFINITY)),
                greatest(|f| f.error).to_degrees()
            )
        };
        println!(
            "\nworst with any-payload: {}\nworst with tuned:       {}",
            worst(&before),
            worst(&after)
        );
        let named = after.into_iter().enumerate();
        self.moves = named
            .map(|(i, f)| (format!("tuned set, target {}", i + 1), f))
            .collect();
        Ok(())
    }
}

/// Returns the record paths of a step test: one path, or one per direction with the direction in
/// its name.
fn records(record: &Path, directions: &[&str]) -> Vec<PathBuf> {
    if directions.len() == 1 {
        return vec![record.to_path_buf()];
    }
    let stem = record.file_stem().unwrap_or_default().to_string_lossy();
    let each = directions.iter();
    each.map(|d| record.with_file_name(format!("{stem}-{d}deg.csv")))
        .collect()
}

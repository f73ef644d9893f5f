//! The tuning act: step tests, a fit, a tuning and an examination with the commands that users run,
//! then the resulting set on the joint.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::Command;

use super::bed::{Failure, PAYLOADS, Payload, full_name, pose, score_move, target};
use super::children::{Process, SIMULATED_TIME, connect, end, lockstep, visitor, wait};
use crate::design::trial::MoveFigures;
use crate::files::JointFile;
use crate::ros::client::bend_client::{BendClient, Observed};
use crate::ros::client::session::Keeps;

/// Namespace of this act; the names of earlier acts are free again only when the ROS graph has
/// dropped them.
const NAMESPACE: &str = "/desk";
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
/// Time for messages in transit, s.
const MARGIN: f64 = 0.06;
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
    quick: bool,
    /// Figures for the verdict.
    pub moves: Vec<(String, MoveFigures)>,
}

impl TuningAct {
    /// Starts the processes of the act and waits until they have discovered each other.
    ///
    /// # Errors
    /// A ROS graph that cannot be used, or a process that ends.
    pub fn start(joint: &JointFile, output: &Path, quick: bool) -> Result<Self, Failure> {
        let node = full_name(NAMESPACE, &joint.name);
        let observed = Observed {
            joint: node.clone(),
            simulated: full_name(NAMESPACE, "simulated_neck"),
            base_frame: joint.frames.base.clone(),
            motor_names: joint.motor_names.clone(),
        };
        let name = visitor("desk");
        let bend_client = BendClient::new(observed, &name, Keeps::Simulated)
            .map_err(|e| Failure::Other(e.to_string()))?;
        let into = ["--ros-args", "-r", "__ns:=/desk"].map(OsString::from);
        let words = |own: Vec<OsString>| own.into_iter().chain(into.clone()).collect::<Vec<_>>();
        let log = |name: &str| output.join(name);
        let world = Process::start(
            "the simulated joint of the tuning act",
            words(
                ["simulate".into()]
                    .into_iter()
                    .chain(lockstep(&name))
                    .collect(),
            ),
            &log("demo-desk-simulated-joint.log"),
        );
        let run = Process::start(
            "the node of the tuning act",
            words(vec!["run".into(), joint.file.clone().into()])
                .into_iter()
                .chain(SIMULATED_TIME.map(OsString::from)),
            &log("demo-desk-node.log"),
        );
        let mut act = Self {
            bend_client,
            // The node ends first, because it brings the joint to rest.
            processes: vec![run.map_err(Failure::Other)?, world.map_err(Failure::Other)?],
            joint: joint.file.clone(),
            node,
            visitor: name,
            output: output.to_path_buf(),
            quick,
            moves: Vec::new(),
        };
        let bend_client = &act.bend_client;
        connect(bend_client.session(), &mut act.processes, || {
            bend_client.unheard()
        })?;
        bend_client.bring_up()?;
        Ok(act)
    }

    /// Ends its processes.
    pub fn end(&mut self) {
        end(self.bend_client.session(), &mut self.processes);
    }

    fn wait(&mut self, seconds: f64) -> Result<(), Failure> {
        wait(self.bend_client.session(), &mut self.processes, seconds)
    }

    /// Runs a command as a user would, shows it with its output and returns the output.
    fn command(&mut self, words: Vec<OsString>) -> Result<String, Failure> {
        self.wait(0.0)?;
        let shown: Vec<_> = words.iter().map(|w| w.to_string_lossy()).collect();
        let shown = shown.join(" ");
        let own = shown.split(" --ros-args").next().unwrap_or_default();
        println!("\n$ withy {own}");
        let other = |e: std::io::Error| Failure::Other(format!("withy {shown}: {e}"));
        let program = std::env::current_exe().map_err(other)?;
        let output = Command::new(program).args(&words).output().map_err(other)?;
        let said = String::from_utf8_lossy(&output.stdout);
        for line in said.lines() {
            println!("  {line}");
        }
        if output.status.success() {
            Ok(said.into_owned())
        } else {
            let words = String::from_utf8_lossy(&output.stderr);
            let last = words.lines().last().unwrap_or_default();
            Err(Failure::Other(format!("withy {shown}: {last}")))
        }
    }

    /// Runs step tests with one payload and returns the paths of the records.
    fn step_tests(&mut self, payload: &Payload) -> Result<Vec<PathBuf>, Failure> {
        self.bend_client.set_payload(payload.mass, payload.height)?;
        self.wait(CALM)?;
        let grams = format!("{:.0}", payload.mass * 1e3);
        let record = self.output.join(format!("steps-{grams}-g.csv"));
        let directions = if self.quick {
            &DIRECTIONS[..1]
        } else {
            &DIRECTIONS[..]
        };
        let records = records(&record, directions);
        let mut words: Vec<OsString> = vec!["step-test".into(), self.joint.clone().into()];
        words.extend(["--node".into(), OsString::from(&self.node)]);
        words.extend(["--output".into(), record.into()]);
        words.extend(["--inclination-deg", STEP, "--repeats", "1"].map(OsString::from));
        if self.quick {
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
        println!(
            "\n{:<12} {:>10}  {:>14}  {:>6}  {:>15}  {:>7}   ({payload})",
            "gain set", "commanded", "reached", "error", "overshoot", "settled"
        );
        let count = if self.quick { QUICK_COUNT } else { COUNT };
        let mut figures = Vec::new();
        for k in 0..count {
            let bend = target(k);
            let sent = self.bend_client.point(bend)?;
            let end = sent + DWELL;
            self.wait(end + MARGIN - self.bend_client.now())?;
            let scored = self.bend_client.look(|r| score_move(r, bend, sent, end))?;
            let settled = scored
                .settling
                .map_or("never".into(), |s| format!("{s:.2} s"));
            println!(
                "{set:<12} {:>10}  {:>14}  {:>6.3}  {:>6.3} ({:>4.1} %)  {settled:>7}",
                pose(bend, 0),
                pose(scored.reached, 2),
                scored.error.to_degrees(),
                scored.overshoot.to_degrees(),
                100.0 * scored.overshoot_share()
            );
            figures.push(scored);
        }
        Ok(figures)
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
        let add = |bend_client: &BendClient, file: &Path| {
            let file = file.canonicalize();
            let file = file.map_err(|e| Failure::Other(e.to_string()))?;
            bend_client.set_text("gain_set_file", &file.display().to_string())?;
            Ok::<_, Failure>(())
        };
        add(&self.bend_client, &set)?;
        add(&self.bend_client, &light_set)?;
        match self.bend_client.swap("tuned-for-bare") {
            Err(crate::ros::client::ClientError::Refused { reason, .. }) => {
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

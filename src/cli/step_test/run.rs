//! Recording a step test.

use std::fs::File;
use std::io::Write;
use std::path::PathBuf;

use super::Args;
use crate::cli::output::{Meaning, Progress};
use crate::cli::{CmdError, within};
use crate::control::controller::{CommandInterface, Structure};
use crate::control::geometry::{Bend, bend_from, direction, inclination};
use crate::design::fit::{self, Payload};
use crate::design::trial::StepRow;
use crate::files::{JointFile, MotorColumn, StepTestRecord};
use crate::ros::client::step_test::{
    Extent, GAIN_SET, Progress as Moment, StepTest, StepTestError, Steps, Subject, step_test,
};
use crate::ros::context::NodeError;

/// Cautions printed before anything moves.
const CAUTIONS: [&str; 3] = [
    "the joint moves by itself in a moment: keep people, hands and faces clear of it",
    "have a hand on the emergency stop; this program's stop is not a safety function",
    "nothing corrects the pose meanwhile: a load sags",
];

/// Longest step test, s.
const LONGEST: f64 = 3600.0;

/// Records the step tests, writes the files and prints a summary.
///
/// # Errors
/// A bad file or option, a node that cannot be tested, or a test that ended early.
pub fn run(args: &Args) -> Result<(), CmdError> {
    check(args)?;
    let file = JointFile::load(&args.joint).map_err(CmdError::input)?;
    check_gain_set(&file)?;
    let steps = steps(args);
    let duration = steps.duration();
    if !(duration <= LONGEST) {
        return Err(CmdError::Input(format!(
            "the steps take {duration:.0} s; accepted: at most {LONGEST:.0} s of --dwell-s, \
             --repeats and directions together"
        )));
    }
    let directions = args.direction_deg.iter();
    let destinations = directions.map(|direction| Destination::new(args, *direction));
    let destinations = destinations.collect::<Result<Vec<_>, _>>()?;
    let progress = Progress::new();
    let test = step_test(&subject(args, &file), &steps, |step| {
        report(args, &steps, &progress, step)
    });
    drop(progress);
    let test = test.map_err(|error| match error {
        StepTestError::Node(NodeError::Context(_)) | StepTestError::Beyond { .. } => {
            CmdError::input(error)
        }
        _ => CmdError::failed(error),
    })?;
    let written = Written::of(args, &file, &test, &destinations)?;
    if args.json {
        let summary = serde_json::json!({
            "inclination_deg": args.inclination_deg,
            "steps": steps.count(),
            "records": written.figures,
            "gain_set": test.end.as_ref().ok(),
            "ended_early": test.end.as_ref().err().map(ToString::to_string),
        });
        println!("{summary:#}");
    }
    let written = written.words();
    match test.end {
        Ok(gain_set) => {
            if !args.json {
                println!("{written}");
            }
            say(
                args,
                format_args!("the gain set '{gain_set}' is in force again"),
            );
            Ok(())
        }
        Err(reason) => Err(CmdError::Failed(format!(
            "the step test ended early: {reason}; {written}"
        ))),
    }
}

fn subject(args: &Args, file: &JointFile) -> Subject {
    let joint = match &args.node {
        Some(name) => format!("/{}", name.trim_matches('/')),
        None => format!("{}/{}", file.namespace.trim_end_matches('/'), file.name),
    };
    Subject {
        joint,
        base_frame: file.frames.base.clone(),
        motor_names: file.motor_names.clone(),
        message: file.setpoint_message,
    }
}

/// Prints a line on the test; with --json on standard error.
fn say(args: &Args, line: std::fmt::Arguments) {
    if args.json {
        eprintln!("{line}");
    } else {
        println!("{line}");
    }
}

/// Prints the cautions, and each step.
fn report(args: &Args, steps: &Steps, progress: &Progress, step: Moment) {
    let (count, duration) = (steps.count(), steps.duration());
    match step {
        Moment::Ready(gain_set) => {
            let theta = args.inclination_deg;
            say(
                args,
                format_args!(
                    "{count} steps of {theta} deg, {duration:.0} s, from the gain set \
                     '{gain_set}'; Ctrl-C ends it"
                ),
            );
            let caution = if args.json {
                Meaning::Warn.err("caution:")
            } else {
                Meaning::Warn.out("caution:")
            };
            for words in CAUTIONS {
                say(args, format_args!("{caution} {words}"));
            }
            progress.set(format!("{count} steps, about {duration:.0} s"));
        }
        Moment::Step(number, bend) => {
            let inclination = inclination(bend).to_degrees();
            let toward = direction(bend).map_or_else(String::new, |d| {
                format!(", direction {:.1} deg", d.to_degrees())
            });
            let step = format!("step {number} of {count}");
            say(
                args,
                format_args!("{step}: inclination {inclination:.1} deg{toward}"),
            );
            progress.set(format!("{step}, about {duration:.0} s in all"));
        }
    }
}

/// The records written.
#[derive(Default)]
struct Written {
    /// Paths and numbers of rows, for people.
    words: Vec<String>,
    /// The same for programs.
    figures: Vec<serde_json::Value>,
}

impl Written {
    /// Writes the records of a test.
    fn of(
        args: &Args,
        file: &JointFile,
        test: &StepTest,
        destinations: &[Destination],
    ) -> Result<Self, CmdError> {
        let mut written = Self::default();
        let runs = destinations.iter().zip(&test.runs);
        for ((destination, run), direction) in runs.zip(&args.direction_deg) {
            if run.rows.is_empty() {
                continue;
            }
            let mut record = record(args, file, *direction, &run.rows);
            if let (Err(reason), Extent::Cut) = (&test.end, run.extent) {
                record.abort(&reason.to_string());
            }
            let path = destination.write(&record, run.extent)?;
            let (path, rows) = (path.display(), run.rows.len());
            written.words.push(format!("{path} ({rows} rows)"));
            written.figures.push(serde_json::json!({
                "record": path.to_string(),
                "direction_deg": direction,
                "rows": rows,
                "complete": run.extent == Extent::Complete,
            }));
        }
        Ok(written)
    }

    fn words(&self) -> String {
        if self.words.is_empty() {
            "nothing was recorded".into()
        } else {
            format!("recorded: {}", self.words.join(", "))
        }
    }
}

fn check(args: &Args) -> Result<(), CmdError> {
    let theta = args.inclination_deg;
    if !(theta > 0.0 && theta <= 90.0) {
        let accepted = "above 0, at most 90";
        return Err(CmdError::refused("--inclination-deg", theta, accepted));
    }
    for phi in &args.direction_deg {
        within("--direction-deg", *phi, -360.0, 360.0)?;
        let same = |other: &&f64| (*other - phi).rem_euclid(360.0) == 0.0;
        if args.direction_deg.iter().filter(same).count() > 1 {
            let accepted = "every direction once";
            return Err(CmdError::refused("--direction-deg", phi, accepted));
        }
    }
    within("--dwell-s", args.dwell_s, 0.2, 60.0)?;
    within("--repeats", f64::from(args.repeats), 1.0, 100.0)?;
    let (mass, height) = (args.payload_g, args.payload_height_mm);
    within("--payload-g", mass.unwrap_or(0.0), 0.0, 10_000.0)?;
    within("--payload-height-mm", height.unwrap_or(0.0), 0.0, 1000.0)?;
    Ok(())
}

/// Refuses a gain set that corrects, because it would hide the joint's own response.
fn check_gain_set(file: &JointFile) -> Result<(), CmdError> {
    let name = file.file.display();
    if file.kind != CommandInterface::Position {
        return Err(CmdError::Input(format!(
            "{name}: setpoint.kind is velocity; accepted for step tests: position"
        )));
    }
    let Some(set) = file.gain_sets.iter().find(|set| set.name == GAIN_SET) else {
        return Err(CmdError::Input(format!(
            "{name}: gain_sets has no set '{GAIN_SET}'; accepted for step tests: a list that holds \
             gains/open-loop.yaml, and the node started with it"
        )));
    };
    let gains = &set.gains;
    let follows = gains.structure == Structure::TwoDegreesOfFreedom && gains.model.gain == 1.0;
    if gains.corrects() || !follows {
        return Err(CmdError::Input(format!(
            "{}: this set corrects, or its setpoints differ from the kinematics; accepted for step \
             tests: no gains, no damping, structure two_degrees_of_freedom, model.gain 1",
            set.file.display()
        )));
    }
    Ok(())
}

fn steps(args: &Args) -> Steps {
    let run = |direction: &f64| {
        let out = bend_from(args.inclination_deg.to_radians(), direction.to_radians());
        let straight = Bend::zeros();
        let once: &[Bend] = if args.one_way {
            &[out, straight]
        } else {
            &[out, straight, straight - out, straight]
        };
        once.repeat(args.repeats as usize)
    };
    Steps {
        runs: args.direction_deg.iter().map(run).collect(),
        dwell: args.dwell_s,
    }
}

/// Returns the record of one direction. Its commanded bend is that of the setpoints through the
/// kinematics.
fn record(args: &Args, file: &JointFile, direction: f64, rows: &[StepRow]) -> StepTestRecord {
    let mut test = fit::StepTest {
        direction: Some(direction.to_radians()),
        ..fit::StepTest::default()
    };
    let mut near = Bend::zeros();
    for row in rows {
        near = file
            .joint
            .kinematics
            .bend_from_motors(&row.setpoints, near)
            .bend;
        test.times.push(row.time);
        test.asked.push(near);
        test.stamps.push(row.stamp);
        test.measured.push(row.bend);
    }
    let motors = file.motor_names.iter().enumerate();
    let motor = |(i, name): (usize, &String)| MotorColumn {
        name: name.clone(),
        setpoints: rows.iter().map(|row| row.setpoints[i]).collect(),
        angles: rows.iter().map(|row| row.angles[i]).collect(),
    };
    let payload = args.payload_g.zip(args.payload_height_mm);
    let joint = args.joint.display().to_string();
    let note = format!(
        "steps of {} deg, dwell {} s, repeats {}",
        args.inclination_deg, args.dwell_s, args.repeats
    );
    let texts = [
        ("joint", joint.as_str()),
        ("gain_set", GAIN_SET),
        ("feedback", "imu"),
        ("note", &note),
    ];
    StepTestRecord {
        test,
        payload: payload.map(|(mass, height)| Payload {
            mass: mass * 1e-3,
            height: height * 1e-3,
        }),
        texts: texts.map(|(key, text)| (key.into(), text.into())).to_vec(),
        motors: motors.map(motor).collect(),
        velocities: false,
    }
}

/// Destination of a record. The file is created under a temporary name before anything moves, so
/// that writing it later cannot be refused.
struct Destination {
    part: PathBuf,
    complete: PathBuf,
    aborted: PathBuf,
    file: File,
}

impl Destination {
    fn new(args: &Args, direction: f64) -> Result<Self, CmdError> {
        let refuse = |reason: String| CmdError::Input(format!("--output {reason}"));
        let output = args.output.display();
        let Some(stem) = args.output.file_stem().and_then(|s| s.to_str()) else {
            return Err(refuse(format!("{output} names no file")));
        };
        let stem = match args.direction_deg.as_slice() {
            [_] => stem.to_string(),
            _ => format!("{stem}-{}deg", direction.rem_euclid(360.0)),
        };
        let end = args.output.extension().and_then(|e| e.to_str());
        let end = end.unwrap_or("csv");
        let complete = args.output.with_file_name(format!("{stem}.{end}"));
        let aborted = args.output.with_file_name(format!("{stem}.aborted.{end}"));
        for path in [&complete, &aborted] {
            if path.exists() {
                let path = path.display();
                return Err(refuse(format!(
                    "{path} exists already; accepted: a file that does not exist yet"
                )));
            }
        }
        let part = args
            .output
            .with_file_name(format!(".{stem}.{}.part", std::process::id()));
        let file = File::create_new(&part)
            .map_err(|e| refuse(format!("{}: cannot be written: {e}", complete.display())))?;
        Ok(Self {
            part,
            complete,
            aborted,
            file,
        })
    }

    /// Writes the record, renames it to its final name and returns that path.
    fn write(&self, record: &StepTestRecord, extent: Extent) -> Result<&PathBuf, CmdError> {
        let path = match extent {
            Extent::Complete => &self.complete,
            Extent::Cut => &self.aborted,
        };
        let written = (&self.file)
            .write_all(record.to_csv().as_bytes())
            .and_then(|()| self.file.sync_all())
            .and_then(|()| std::fs::rename(&self.part, path));
        let failed = |e| CmdError::Failed(format!("{}: cannot be written: {e}", path.display()));
        written.map_err(failed)?;
        Ok(path)
    }
}

impl Drop for Destination {
    fn drop(&mut self) {
        // After a rename there is no file of that name; otherwise an empty leftover is harmless.
        let _ = std::fs::remove_file(&self.part);
    }
}

//! `withy step-test`: records step responses of a joint.

use std::path::PathBuf;

#[cfg(feature = "ros")]
use super::CmdError;

/// Record step responses of a joint, to which models are fitted.
///
/// Chooses the gain set `open-loop`, which corrects nothing, and moves the joint out, back and to
/// the other side. Records the motor setpoints, the motor angles and the measured bend. Then the
/// former gain set is chosen again. Ctrl-C, a bend beyond limits.over_bend, missing sensor data or
/// a node that does not answer end the test early: the joint is commanded to hold, the former gain
/// set is restored, and the record is kept in a file marked as aborted.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Joint file that the node runs with.
    #[arg(value_name = "JOINT.yaml")]
    pub joint: PathBuf,
    /// File to record to; it must not exist. With several directions there is one record each, with
    /// the direction in its name.
    #[arg(long, value_name = "RECORD.csv")]
    pub output: PathBuf,
    /// Inclination of a step, deg, above 0 and at most the node's limits.inclination.
    #[arg(long, value_name = "DEG", default_value_t = 10.0)]
    pub inclination_deg: f64,
    /// Direction of a step, from +x toward +y, deg; may be given several times.
    #[arg(
        long,
        value_name = "DEG",
        default_value = "0",
        allow_negative_numbers = true
    )]
    pub direction_deg: Vec<f64>,
    /// Time for which each step is held, s, 0.2 to 60: long enough for the slowest oscillation to
    /// decay.
    #[arg(long, value_name = "S", default_value_t = 3.0)]
    pub dwell_s: f64,
    /// Number of times that each direction is repeated, 1 to 100.
    #[arg(long, value_name = "N", default_value_t = 2)]
    pub repeats: u32,
    /// Step out and back only, not to the other side.
    #[arg(long)]
    pub one_way: bool,
    /// Mass of the payload on the head plate, g, 0 to 10000; noted in the record.
    #[arg(long, value_name = "G", requires = "payload_height_mm")]
    pub payload_g: Option<f64>,
    /// Height of the payload's centre above the beam's end, mm, 0 to 1000; noted in the record.
    #[arg(long, value_name = "MM", requires = "payload_g")]
    pub payload_height_mm: Option<f64>,
    /// Name of the joint's node, with its namespace; by default that of the joint file.
    #[arg(long, value_name = "NAME")]
    pub node: Option<String>,
    /// Print the result as JSON; progress then goes to standard error.
    #[arg(long)]
    pub json: bool,
}

/// Cautions printed before anything moves.
#[cfg(feature = "ros")]
const CAUTIONS: [&str; 3] = [
    "the joint moves by itself in a moment: keep people, hands and faces clear of it",
    "have a hand on the emergency stop; this program's stop is not a safety function",
    "nothing corrects the pose meanwhile: a load sags",
];

/// Longest step test, s.
#[cfg(feature = "ros")]
const LONGEST: f64 = 3600.0;

/// Records the step tests, writes the files and prints a summary.
///
/// # Errors
/// A bad file or option, a node that cannot be tested, or a test that ended early.
#[cfg(feature = "ros")]
pub fn run(args: &Args) -> Result<(), CmdError> {
    use crate::control::geometry::{direction, inclination};
    use crate::files::JointFile;
    use crate::ros::client::step_test::{Progress, StepTestError, Subject, step_test};
    use crate::ros::context::NodeError;

    check(args)?;
    let input = |e: &dyn std::fmt::Display| CmdError::Input(e.to_string());
    let file = JointFile::load(&args.joint).map_err(|e| input(&e))?;
    check_gain_set(&file)?;
    let steps = steps(args);
    let duration = steps.duration();
    if !(duration <= LONGEST) {
        return Err(CmdError::Input(format!(
            "the steps take {duration:.0} s; accepted: at most {LONGEST:.0} s of --dwell-s, \
             --repeats and directions together"
        )));
    }
    let mut destinations = Vec::new();
    for direction in &args.direction_deg {
        destinations.push(Destination::new(args, *direction)?);
    }
    let joint = match &args.node {
        Some(name) => format!("/{}", name.trim_matches('/')),
        None => format!("{}/{}", file.namespace.trim_end_matches('/'), file.name),
    };
    let subject = Subject {
        joint,
        base_frame: file.frames.base.clone(),
        motor_names: file.motor_names.clone(),
        message: file.setpoint_message,
    };
    let count = steps.count();
    let tell = |line: String| {
        if args.json {
            eprintln!("{line}");
        } else {
            println!("{line}");
        }
    };
    let test = step_test(&subject, &steps, |told| match told {
        Progress::Ready(gain_set) => {
            tell(format!(
                "{count} steps of {} deg, {duration:.0} s, from the gain set '{gain_set}'; Ctrl-C ends it",
                args.inclination_deg
            ));
            for caution in CAUTIONS {
                tell(format!("caution: {caution}"));
            }
        }
        Progress::Step(number, bend) => {
            let inclination = inclination(bend).to_degrees();
            let toward = direction(bend).map_or_else(String::new, |d| {
                format!(", direction {:.1} deg", d.to_degrees())
            });
            tell(format!(
                "step {number} of {count}: inclination {inclination:.1} deg{toward}"
            ));
        }
    });
    let test = test.map_err(|error| match error {
        StepTestError::Node(NodeError::Context(_)) | StepTestError::Beyond { .. } => input(&error),
        _ => CmdError::Failed(error.to_string()),
    })?;

    let (mut written, mut listed) = (Vec::new(), Vec::new());
    let runs = destinations.iter().zip(&test.runs);
    for ((destination, run), direction) in runs.zip(&args.direction_deg) {
        if run.rows.is_empty() {
            continue;
        }
        let mut record = record(args, &file, *direction, &run.rows);
        if let (Err(reason), false) = (&test.end, run.complete) {
            record.abort(reason);
        }
        let path = destination.write(&record, run.complete)?;
        written.push(format!("{} ({} rows)", path.display(), run.rows.len()));
        listed.push(serde_json::json!({
            "record": path.display().to_string(),
            "direction_deg": direction,
            "rows": run.rows.len(),
            "complete": run.complete,
        }));
    }
    let written = if written.is_empty() {
        "nothing was recorded".to_string()
    } else {
        format!("recorded: {}", written.join(", "))
    };
    if args.json {
        let (gain_set, ended) = match &test.end {
            Ok(gain_set) => (Some(gain_set), None),
            Err(reason) => (None, Some(reason)),
        };
        let summary = serde_json::json!({
            "inclination_deg": args.inclination_deg,
            "steps": count,
            "records": listed,
            "gain_set": gain_set,
            "ended_early": ended,
        });
        println!("{summary:#}");
    }
    match test.end {
        Ok(gain_set) => {
            if !args.json {
                println!("{written}");
            }
            tell(format!("the gain set '{gain_set}' is in force again"));
            Ok(())
        }
        Err(reason) => Err(CmdError::Failed(format!(
            "the step test ended early: {reason}; {written}"
        ))),
    }
}

#[cfg(feature = "ros")]
fn check(args: &Args) -> Result<(), CmdError> {
    let check = |key: &str, value: f64, accepted: &str, good: bool| {
        let sentence = format!("{key} is {value}; accepted: {accepted}");
        if good {
            Ok(())
        } else {
            Err(CmdError::Input(sentence))
        }
    };
    let theta = args.inclination_deg;
    let good = theta > 0.0 && theta <= 90.0;
    check("--inclination-deg", theta, "above 0, at most 90", good)?;
    for phi in &args.direction_deg {
        let good = (-360.0..=360.0).contains(phi);
        check("--direction-deg", *phi, "-360 to 360", good)?;
        let same = |other: &&f64| (*other - phi).rem_euclid(360.0) == 0.0;
        let once = args.direction_deg.iter().filter(same).count() == 1;
        check("--direction-deg", *phi, "every direction once", once)?;
    }
    let good = (0.2..=60.0).contains(&args.dwell_s);
    check("--dwell-s", args.dwell_s, "0.2 to 60", good)?;
    let good = (1..=100).contains(&args.repeats);
    check("--repeats", f64::from(args.repeats), "1 to 100", good)?;
    let mass = args.payload_g.unwrap_or(0.0);
    let good = (0.0..=10_000.0).contains(&mass);
    check("--payload-g", mass, "0 to 10000", good)?;
    let height = args.payload_height_mm.unwrap_or(0.0);
    let good = (0.0..=1000.0).contains(&height);
    check("--payload-height-mm", height, "0 to 1000", good)
}

/// Refuses a gain set that corrects, because it would hide the joint's own response.
#[cfg(feature = "ros")]
fn check_gain_set(file: &crate::files::JointFile) -> Result<(), CmdError> {
    use crate::control::controller::{CommandInterface, Structure};
    use crate::ros::client::step_test::GAIN_SET;

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

#[cfg(feature = "ros")]
fn steps(args: &Args) -> crate::ros::client::step_test::Steps {
    use crate::control::geometry::{Bend, bend_from};

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
    crate::ros::client::step_test::Steps {
        runs: args.direction_deg.iter().map(run).collect(),
        dwell: args.dwell_s,
    }
}

/// Returns the record of one direction. Its commanded bend is that of the setpoints through the
/// kinematics.
#[cfg(feature = "ros")]
fn record(
    args: &Args,
    file: &crate::files::JointFile,
    direction: f64,
    rows: &[crate::design::trial::StepRow],
) -> crate::files::StepTestRecord {
    use crate::control::geometry::Bend;
    use crate::design::fit::{Payload, StepTest};
    use crate::files::{MotorColumn, StepTestRecord};

    let mut test = StepTest {
        direction: Some(direction.to_radians()),
        ..StepTest::default()
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
        ("gain_set", crate::ros::client::step_test::GAIN_SET),
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
#[cfg(feature = "ros")]
struct Destination {
    part: PathBuf,
    complete: PathBuf,
    aborted: PathBuf,
    file: std::fs::File,
}

#[cfg(feature = "ros")]
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
        let file = std::fs::File::create_new(&part)
            .map_err(|e| refuse(format!("{}: cannot be written: {e}", complete.display())))?;
        Ok(Self {
            part,
            complete,
            aborted,
            file,
        })
    }

    /// Writes the record, renames it to its final name and returns that path.
    fn write(
        &self,
        record: &crate::files::StepTestRecord,
        complete: bool,
    ) -> Result<PathBuf, CmdError> {
        use std::io::Write;

        let path = if complete {
            &self.complete
        } else {
            &self.aborted
        };
        let written = (&self.file)
            .write_all(record.to_csv().as_bytes())
            .and_then(|()| self.file.sync_all())
            .and_then(|()| std::fs::rename(&self.part, path));
        written
            .map_err(|e| CmdError::Failed(format!("{}: cannot be written: {e}", path.display())))?;
        Ok(path.clone())
    }
}

#[cfg(feature = "ros")]
impl Drop for Destination {
    fn drop(&mut self) {
        // After a rename there is no file of that name; otherwise an empty leftover is harmless.
        let _ = std::fs::remove_file(&self.part);
    }
}

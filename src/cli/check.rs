//! `withy check`: checks joint files and summarises them.

use std::fmt::Write;
use std::path::PathBuf;

use super::{CmdError, output};
use crate::control::controller::{CommandInterface, Structure};
use crate::control::geometry::bend_from;
use crate::control::tick::{Feedback, Law};
use crate::files::{JointFile, TickSource};
use crate::report::{Align, Table};

/// Check joint files and print a summary.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Joint files.
    #[arg(required = true, value_name = "JOINT.yaml")]
    pub joints: Vec<PathBuf>,
}

/// Number of directions in which the reach of the motors is tested.
const SPOKES: u32 = 72;
/// Step of inclination in testing the reach of the motors, deg.
const REACH_STEP_DEG: f64 = 0.5;

/// Checks the files and prints a summary of each.
///
/// # Errors
/// The first file that is not accepted.
pub fn run(args: &Args) -> Result<(), CmdError> {
    for file in &args.joints {
        let joint = JointFile::load(file).map_err(|e| CmdError::Input(e.to_string()))?;
        let text = summary(&joint).map_err(|e| CmdError::Failed(e.to_string()))?;
        print!("{}", output::wrapped(&text));
    }
    Ok(())
}

/// Returns the summary of one joint.
fn summary(file: &JointFile) -> Result<String, Box<dyn std::error::Error>> {
    let mut text = String::new();
    let kinematics = &file.joint.kinematics;
    let tick = match file.tick {
        TickSource::Timer => "by timer",
        TickSource::Imu => "at each IMU sample",
    };
    let feedback = match file.feedback {
        Feedback::Imu => "IMU",
        Feedback::Motors => "motors",
    };
    let kind = match file.kind {
        CommandInterface::Position => "position, rad",
        CommandInterface::Velocity => "velocity, rad/s",
    };
    writeln!(text, "{}: good", file.file.display())?;
    writeln!(
        text,
        "node {} in namespace {}; frames {} to {}; setpoints: {kind}",
        file.name, file.namespace, file.frames.base, file.frames.head
    )?;
    writeln!(
        text,
        "tick at {:.0} Hz {tick}; feedback: {feedback}; IMU {:.0} Hz, motors {:.0} Hz",
        1.0 / file.joint.period,
        1.0 / file.imu_period,
        1.0 / file.motor_period
    )?;
    writeln!(
        text,
        "inclination: commands up to {:.1} deg, over-bend beyond {:.1} deg",
        file.limits.inclination.to_degrees(),
        file.limits.over_bend.to_degrees()
    )?;
    writeln!(
        text,
        "tendons released: {}",
        file.self_support_of_file(None)
    )?;
    let greatest = greatest_angles(file);
    let (left, right) = (Align::Left, Align::Right);
    let mut motor_table = Table::new(&[
        ("motor", "", left),
        ("tension", "N", right),
        ("torque", "N m", right),
        ("travel", "rad", right),
        ("speed", "rad/s", right),
        ("at limit", "rad", right),
    ]);
    let motors = file.motor_names.iter().zip(&file.limits.motors);
    for (i, (name, limits)) in motors.enumerate() {
        let tension = kinematics.balanced_tensions()[i];
        motor_table.row([
            name.clone(),
            format!("{tension:.2}"),
            format!("{:.4}", kinematics.motor_torque(i, tension)),
            format!("{:.2} to {:.2}", limits.low, limits.high),
            format!("{:.2}", limits.speed),
            format!("{:.2}", greatest[i]),
        ]);
    }
    write!(text, "\n{}", output::fitted(&motor_table))?;
    writeln!(
        text,
        "tension: balanced, straight; at limit: maximum motor angle of the kinematics at {:.1} deg",
        file.limits.inclination.to_degrees()
    )?;
    let mut set_table = Table::new(&[
        ("gain set", "", left),
        ("structure", "", left),
        ("order", "", right),
        ("bend speed", "deg/s", right),
        ("reach", "deg", right),
        ("delay", "ms", right),
        ("lag", "ms", right),
    ]);
    for (i, set) in file.gain_sets.iter().enumerate() {
        let law = file.law(i)?;
        let mark = if i == file.initial { "*" } else { "" };
        let structure = match set.gains.structure {
            Structure::TwoDegreesOfFreedom => "two degrees of freedom",
            Structure::PureFeedback => "pure feedback",
        };
        let orders: Vec<f64> = set.gains.motors.iter().map(|m| m.integral_order).collect();
        let orders = match orders.split_first() {
            Some((first, rest)) if rest.iter().all(|o| o == first) => first.to_string(),
            _ => "mixed".to_string(),
        };
        set_table.row([
            format!("{}{mark}", set.name),
            structure.into(),
            orders,
            format!("{:.1}", law.reference_speeds().0.to_degrees()),
            format!("{:.1}", reach(file, &law, set.gains.model.gain)),
            format!("{:.1}", law.delay_allowed() * 1e3),
            format!("{:.0}", law.lag() * 1e3),
        ]);
    }
    write!(text, "\n{}", output::fitted(&set_table))?;
    writeln!(
        text,
        "*: at start; bend speed: maximum of the reference; reach: inclination, up to the limit, that the \
         motors' travel allows in all directions; delay: maximum measured dead time; lag: time by which the \
         joint is behind a steadily moving target of unknown speed"
    )?;
    looks(&mut text, file)?;
    Ok(text)
}

/// Writes the summary of pan motor, camera and base IMU.
fn looks(text: &mut String, file: &JointFile) -> std::fmt::Result {
    if let (Some(name), Some(pan)) = (&file.pan_name, &file.joint.pan) {
        writeln!(
            text,
            "\npan motor {name}: {:.1} to {:.1} deg, {:.1} deg/s",
            pan.low.to_degrees(),
            pan.high.to_degrees(),
            pan.speed.to_degrees()
        )?;
    }
    match &file.gazer {
        None => writeln!(text, "\nno camera: gaze points are refused")?,
        Some(gazer) => {
            let place = gazer.camera().position * 1e3;
            let (low, high) = gazer.azimuth_range();
            writeln!(
                text,
                "\n\
                 camera at {:.0}, {:.0}, {:.0} mm on the head plate: looks to azimuths of {:.1} to \
                 {:.1} deg",
                place.x,
                place.y,
                place.z,
                low.to_degrees(),
                high.to_degrees()
            )?;
        }
    }
    let base = match file.joint.base_from_imu {
        Some(_) => "measured by its own IMU",
        None => "as base_orientation_deg says, or captured",
    };
    writeln!(text, "orientation of the base: {base}")
}

/// Returns the largest motor angles at the inclination limit, over all directions, rad.
fn greatest_angles(file: &JointFile) -> Vec<f64> {
    let mut greatest = vec![0.0_f64; file.motor_names.len()];
    let mut angles = greatest.clone();
    for spoke in 0..SPOKES {
        let direction = std::f64::consts::TAU * f64::from(spoke) / f64::from(SPOKES);
        let bend = bend_from(file.limits.inclination, direction);
        file.joint.kinematics.motor_angles(bend, &mut angles);
        for (most, angle) in greatest.iter_mut().zip(&angles) {
            *most = most.max(angle.abs());
        }
    }
    greatest
}

/// Returns the inclination up to which no motor leaves its travel in any direction, at most the
/// limit, deg. The motors stand at about `q(b)/K`, `K` the model's gain.
fn reach(file: &JointFile, law: &Law, gain: f64) -> f64 {
    let limit = law.limits().inclination.to_degrees();
    let mut angles = vec![0.0; file.motor_names.len()];
    let mut fits = |inclination_deg: f64| {
        (0..SPOKES).all(|spoke| {
            let direction = std::f64::consts::TAU * f64::from(spoke) / f64::from(SPOKES);
            let bend = bend_from(inclination_deg.to_radians(), direction);
            file.joint.kinematics.motor_angles(bend, &mut angles);
            let mut motors = angles.iter().zip(&law.limits().motors);
            motors.all(|(q, m)| (m.low..=m.high).contains(&(q / gain)))
        })
    };
    let mut reached = 0.0;
    while reached < limit && fits((reached + REACH_STEP_DEG).min(limit)) {
        reached = (reached + REACH_STEP_DEG).min(limit);
    }
    reached
}

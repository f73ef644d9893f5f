//! `withy check`: checks joint files and summarises them.

use std::path::PathBuf;

use super::{CmdError, output};
use crate::control::controller::{CommandInterface, Structure};
use crate::control::tick::{Feedback, LawError};
use crate::files::{JointFile, TickSource, angles_around, reach_deg};
use crate::report::{Align, Table};

/// Check joint files and print a summary.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Joint files.
    #[arg(required = true, value_name = "JOINT.yaml")]
    pub joints: Vec<PathBuf>,
}

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
fn summary(file: &JointFile) -> Result<String, LawError> {
    Ok(format!(
        "{}\n{}tension: balanced, straight; at limit: maximum motor angle of the kinematics at {:.1} \
         deg\n\n{}{SETS_NOTE}\n{}",
        settings(file),
        output::fitted(&motor_table(file)),
        file.limits.inclination.to_degrees(),
        output::fitted(&set_table(file)?),
        looks(file)
    ))
}

/// Returns the summary of names, rates and limits.
fn settings(file: &JointFile) -> String {
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
    format!(
        "{}: good\n\
         node {} in namespace {}; frames {} to {}; setpoints: {kind}\n\
         tick at {:.0} Hz {tick}; feedback: {feedback}; IMU {:.0} Hz, motors {:.0} Hz\n\
         inclination: commands up to {:.1} deg, over-bend beyond {:.1} deg\n\
         tendons released: {}\n",
        file.file.display(),
        file.name,
        file.namespace,
        file.frames.base,
        file.frames.head,
        1.0 / file.joint.period,
        1.0 / file.imu_period,
        1.0 / file.motor_period,
        file.limits.inclination.to_degrees(),
        file.limits.over_bend.to_degrees(),
        file.self_support_of_file(None)
    )
}

/// Returns the table of the motors with their limits.
fn motor_table(file: &JointFile) -> Table {
    let kinematics = &file.joint.kinematics;
    let greatest = greatest_angles(file);
    let (left, right) = (Align::Left, Align::Right);
    let mut table = Table::new(&[
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
        table.row([
            name.clone(),
            format!("{tension:.2}"),
            format!("{:.4}", kinematics.motor_torque(i, tension)),
            format!("{:.2} to {:.2}", limits.low, limits.high),
            format!("{:.2}", limits.speed),
            format!("{:.2}", greatest[i]),
        ]);
    }
    table
}

/// Explanation of the table of gain sets.
const SETS_NOTE: &str = "*: at start; bend speed: maximum of the reference; reach: inclination, up to \
                         the limit, that the motors' travel allows in all directions; delay: maximum \
                         measured dead time; lag: time by which the joint is behind a steadily moving \
                         target of unknown speed";

/// Returns the table of the gain sets with what the joint does under each.
fn set_table(file: &JointFile) -> Result<Table, LawError> {
    let (left, right) = (Align::Left, Align::Right);
    let mut table = Table::new(&[
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
        let (kinematics, limits) = (&file.joint.kinematics, law.limits());
        let limit_deg = limits.inclination.to_degrees();
        let reach = reach_deg(kinematics, &limits.motors, limit_deg, set.gains.model.gain);
        table.row([
            format!("{}{mark}", set.name),
            structure.into(),
            orders,
            format!("{:.1}", law.reference_speeds().0.to_degrees()),
            format!("{reach:.1}"),
            format!("{:.1}", law.delay_allowed() * 1e3),
            format!("{:.0}", law.lag() * 1e3),
        ]);
    }
    Ok(table)
}

/// Returns the summary of pan motor, camera and base IMU.
fn looks(file: &JointFile) -> String {
    let pan = match (&file.pan_name, &file.joint.pan) {
        (Some(name), Some(pan)) => format!(
            "\npan motor {name}: {:.1} to {:.1} deg, {:.1} deg/s\n",
            pan.low.to_degrees(),
            pan.high.to_degrees(),
            pan.speed.to_degrees()
        ),
        _ => String::new(),
    };
    let camera = match &file.gazer {
        None => "no camera: gaze points are refused".to_string(),
        Some(gazer) => {
            let place = gazer.camera().position * 1e3;
            let (low, high) = gazer.azimuth_range();
            format!(
                "camera at {:.0}, {:.0}, {:.0} mm on the head plate: looks to azimuths of {:.1} to \
                 {:.1} deg",
                place.x,
                place.y,
                place.z,
                low.to_degrees(),
                high.to_degrees()
            )
        }
    };
    let base = match file.joint.base_from_imu {
        Some(_) => "measured by its own IMU",
        None => "as base_orientation_deg says, or captured",
    };
    format!("{pan}\n{camera}\norientation of the base: {base}\n")
}

/// Returns the largest motor angles at the inclination limit, over all directions, rad.
fn greatest_angles(file: &JointFile) -> Vec<f64> {
    let mut greatest = vec![0.0_f64; file.motor_names.len()];
    for angles in angles_around(&file.joint.kinematics, file.limits.inclination) {
        for (most, angle) in greatest.iter_mut().zip(&angles) {
            *most = most.max(angle.abs());
        }
    }
    greatest
}

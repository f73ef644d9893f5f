//! `withy step-test`: records step responses of a joint.

#[cfg(feature = "ros")]
mod run;

#[cfg(feature = "ros")]
pub use run::run;

use std::path::PathBuf;

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

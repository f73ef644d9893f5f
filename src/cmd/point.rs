//! `withy point`: a pose by inclination and direction, for people.

use super::CmdError;

/// Send a joint to a pose, wait until it is held, print what was reached.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Inclination from the base plate's normal, deg.
    #[arg(value_name = "INCLINATION_DEG")]
    pub inclination_deg: f64,
    /// Direction of the lean, from +x toward +y, deg.
    #[arg(value_name = "DIRECTION_DEG", allow_negative_numbers = true)]
    pub direction_deg: f64,
    /// Name of the joint's node, with its namespace.
    #[arg(long, default_value = "/withy")]
    pub node: String,
    /// Give up after this long, s.
    #[arg(long, default_value_t = 10.0)]
    pub timeout_s: f64,
}

/// Sends, waits, prints.
///
/// # Errors
/// No answer, or the pose was not held in time.
pub fn run(_args: &Args) -> Result<(), CmdError> {
    Err(CmdError::Failed("`withy point` is not there yet".into()))
}

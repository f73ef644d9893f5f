//! `withy simulate`: the simulated joint as a process of its own.

use std::path::PathBuf;

use super::CmdError;

/// Run a simulated joint, which stands in for hardware and speaks only topics.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Simulated-joint file.
    #[arg(value_name = "SIMULATED.yaml")]
    pub joint: PathBuf,
}

/// Runs until it is told to stop.
///
/// # Errors
/// A bad file, or a graph that cannot be reached.
pub fn run(_args: &Args) -> Result<(), CmdError> {
    Err(CmdError::Failed("`withy simulate` is not there yet".into()))
}

//! `withy run`: the node.

use std::path::PathBuf;

use super::CmdError;

/// Run one control node per joint file, all in this process.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Joint files.
    #[arg(required = true, value_name = "JOINT.yaml")]
    pub joints: Vec<PathBuf>,
}

/// Runs until it is told to stop.
///
/// # Errors
/// A bad file, or a graph that cannot be reached.
pub fn run(_args: &Args) -> Result<(), CmdError> {
    Err(CmdError::Failed("`withy run` is not there yet".into()))
}

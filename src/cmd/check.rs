//! `withy check`: reads joint files and shows what they make.

use std::path::PathBuf;

use super::CmdError;

/// Check joint files and print what they make.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Joint files.
    #[arg(required = true, value_name = "JOINT.yaml")]
    pub joints: Vec<PathBuf>,
}

/// Checks and prints.
///
/// # Errors
/// The first file that is not good.
pub fn run(_args: &Args) -> Result<(), CmdError> {
    Err(CmdError::Failed("`withy check` is not there yet".into()))
}

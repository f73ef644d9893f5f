//! `withy demo`: the glasshouse guide's neck inspects a bed of plants.

use super::CmdError;

/// Show a simulated joint tracking poses on the graph, and judge it.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the demo and prints its verdict.
///
/// # Errors
/// A verdict that is not good, or a graph that cannot be reached.
pub fn run(_args: &Args) -> Result<(), CmdError> {
    Err(CmdError::Failed("`withy demo` is not there yet".into()))
}

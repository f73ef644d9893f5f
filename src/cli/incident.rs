//! `withy incident`: shows an incident recording.

use std::path::PathBuf;

use super::shown::Shown;
use super::{CmdError, output, report};
use crate::runtime::recorder::IncidentFile;

/// Show an incident recording: its cause, the joint's last changes and events, and the maximum
/// values.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Incident recording to show.
    #[arg(value_name = "FILE.csv")]
    pub file: PathBuf,
    /// Write a report with pictures to this folder.
    #[arg(long, value_name = "FOLDER")]
    pub report: Option<PathBuf>,
}

/// Reads the recording and prints it.
///
/// # Errors
/// A file that is not an incident recording, or a folder that cannot be written.
pub fn run(args: &Args) -> Result<(), CmdError> {
    let read = IncidentFile::load(&args.file).map_err(CmdError::input)?;
    let shown = Shown::new(&read);
    print!("{}", output::wrapped(&shown.summary()));
    if let Some(folder) = &args.report {
        let page = report::incident(&shown);
        let path = report::save(&page, folder, "incident")?;
        println!("report: {}", path.display());
    }
    Ok(())
}

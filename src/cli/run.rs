//! `withy run`: runs the node.

use std::path::PathBuf;

#[cfg(feature = "ros")]
use super::CmdError;

/// Run one control node per joint file, all in this process.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Joint files.
    #[arg(required = true, value_name = "JOINT.yaml")]
    pub joints: Vec<PathBuf>,
}

/// Runs until SIGINT or SIGTERM, then brings the joints to rest.
///
/// Logs go to standard error and to `/rosout`; the environment variable `RUST_LOG` filters them.
///
/// # Errors
/// A bad file or parameter, or a ROS graph that cannot be reached.
#[cfg(feature = "ros")]
pub fn run(args: &Args) -> Result<(), CmdError> {
    use crate::files::JointFile;
    use crate::ros::context::NodeError;
    use crate::ros::server;
    use tracing_subscriber::filter::LevelFilter;
    use tracing_subscriber::layer::SubscriberExt;
    use tracing_subscriber::util::SubscriberInitExt;
    use tracing_subscriber::{EnvFilter, Layer, fmt};

    let files = args.joints.iter().map(JointFile::load);
    let files = files
        .collect::<Result<Vec<_>, _>>()
        .map_err(CmdError::input)?;
    let clock = crate::runtime::rt::Clock::new();
    let (layer, rosout) = server::rosout(clock.clone());
    let (notes, log_capture) = server::log_capture(clock.clone());
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("info"));
    let lines = fmt::layer()
        .with_writer(std::io::stderr)
        .with_ansi(super::output::logs_are_coloured())
        .with_target(false);
    // The events recorded do not depend on the log lines shown.
    tracing_subscriber::registry()
        .with(lines.and_then(layer).with_filter(filter))
        .with(notes.with_filter(LevelFilter::INFO))
        .init();
    server::run(files, clock, rosout, &log_capture).map_err(|error| match error {
        NodeError::Parameter { .. }
        | NodeError::SameName(_)
        | NodeError::Context(_)
        | NodeError::Security { .. } => CmdError::input(error),
        _ => CmdError::failed(error),
    })
}

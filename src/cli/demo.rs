//! `withy demo`: the glasshouse guide's neck inspects a bed of plants.

#[cfg(feature = "ros")]
mod bed;
#[cfg(feature = "ros")]
mod children;
#[cfg(feature = "ros")]
mod gaze;
#[cfg(feature = "ros")]
mod inspection;
#[cfg(feature = "ros")]
mod live;
#[cfg(feature = "ros")]
mod picture;
#[cfg(feature = "ros")]
mod tuning;

use std::path::PathBuf;

#[cfg(feature = "ros")]
use super::CmdError;

/// Run a simulated joint on a ROS 2 graph and judge how it tracks poses.
///
/// Starts the simulated joint and the node as separate processes, in a ROS domain of their own on
/// this machine. The first act inspects a bed of plants through payload changes, gain-set swaps and
/// a push. The second act, on a pan motor, looks at near and far things, one of them flying. The
/// third act makes a gain set from its own step tests and uses it. These acts run in simulated
/// time, in lockstep with the node, so that a busy machine does not change the figures. The last
/// act shows a few moves in real time. Every figure is computed from the simulated joint's true
/// bend and pose. The exit code is 0 if the verdict is good.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Run the node with its feedback limit at 0, so that only the feedforward acts. The verdict
    /// must then be bad.
    #[arg(long)]
    pub feedback_off: bool,
    /// Run a demo of about a minute: fewer targets and step tests, one push, and gain-set swaps are
    /// not judged.
    #[arg(long)]
    pub quick: bool,
    /// Folder for the picture, the recording and the logs of the processes.
    #[arg(long, value_name = "FOLDER", default_value = "output")]
    pub output: PathBuf,
    /// Joint file.
    #[arg(
        long,
        value_name = "JOINT.yaml",
        default_value = concat!(env!("CARGO_MANIFEST_DIR"), "/config/glasshouse-neck.yaml"),
        hide_default_value = true
    )]
    pub joint: PathBuf,
    /// Simulated-joint file; by default the glasshouse guide's neck.
    #[arg(long, value_name = "SIMULATED.yaml")]
    pub simulated: Option<PathBuf>,
}

#[cfg(feature = "ros")]
impl Args {
    fn length(&self) -> bed::Length {
        if self.quick {
            bed::Length::Quick
        } else {
            bed::Length::Whole
        }
    }
}

/// Environment variable that is set once the demo has its own ROS domain.
#[cfg(feature = "ros")]
const OWN_DOMAIN: &str = "WITHY_DEMO_DOMAIN";

/// Runs the demo and prints its verdict.
///
/// # Errors
/// The verdict is not good, or the ROS graph cannot be used.
#[cfg(feature = "ros")]
pub fn run(args: &Args) -> Result<(), CmdError> {
    use std::os::unix::process::CommandExt;

    if std::env::var_os(OWN_DOMAIN).is_none() {
        // ROS reads its domain from the environment, which a running process should not change, so
        // the program starts again. Domains up to 101 conflict with no other use of their ports on
        // any system (ROS 2 documentation, ROS_DOMAIN_ID).
        let domain = (1 + std::process::id() % 101).to_string();
        let program = std::env::current_exe();
        let program =
            program.map_err(|e| CmdError::Failed(format!("this program cannot be found: {e}")))?;
        let mut again = std::process::Command::new(program);
        again
            .args(std::env::args_os().skip(1))
            .env("ROS_DOMAIN_ID", &domain)
            .env("ROS_AUTOMATIC_DISCOVERY_RANGE", "LOCALHOST")
            .env(OWN_DOMAIN, &domain);
        // The equivalent for the one distribution that does not support the range variable.
        if std::env::var_os("ROS_DISTRO").is_some_and(|d| d == "humble") {
            again.env("ROS_LOCALHOST_ONLY", "1");
        }
        return Err(super::not_again(again.exec()));
    }
    super::on_the_graph()?;
    inspection::run(args)
}

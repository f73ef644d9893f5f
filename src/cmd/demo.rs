//! `withy demo`: the glasshouse guide's neck inspects a bed of plants.

#[cfg(feature = "ros")]
mod children;
#[cfg(feature = "ros")]
mod desk;
#[cfg(feature = "ros")]
mod gaze;
#[cfg(feature = "ros")]
mod inspection;
#[cfg(feature = "ros")]
mod live;
#[cfg(feature = "ros")]
mod picture;

use std::path::PathBuf;

#[cfg(feature = "ros")]
use super::CmdError;

/// Show a simulated joint tracking poses on a ROS 2 graph, and judge it.
///
/// Starts the simulated joint and the node, each as a process of its own in a ROS domain of their own on this machine,
/// and inspects a bed of plants through payload changes, swaps of gain sets and a push; then, on a pan motor, looks at
/// things near and far, one of them flying; then makes a gain set from its own step tests and uses it. Where figures are judged
/// time is simulated and goes in lockstep with the node, so that a busy machine changes nothing; a last act shows a few moves in
/// real time. Every figure is from the simulated joint's true bend and pose. The exit code is 0 if the verdict is good.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Run the node with its correction limited to 0: the feedforward alone. The verdict must then be bad.
    #[arg(long)]
    pub feedback_off: bool,
    /// A minute's demo: fewer targets and step tests, one push, and the swaps of gain sets are not watched.
    #[arg(long)]
    pub quick: bool,
    /// Folder for the picture, the recording and the logs of the processes.
    #[arg(long, value_name = "FOLDER", default_value = "output")]
    pub output: PathBuf,
    /// Joint file.
    #[arg(long, value_name = "JOINT.yaml", default_value = concat!(env!("CARGO_MANIFEST_DIR"), "/config/glasshouse-neck.yaml"), hide_default_value = true)]
    pub joint: PathBuf,
    /// Simulated-joint file; by default the glasshouse guide's neck.
    #[arg(long, value_name = "SIMULATED.yaml")]
    pub simulated: Option<PathBuf>,
}

/// Set in the environment of the demo that has a ROS domain of its own.
#[cfg(feature = "ros")]
const OWN_DOMAIN: &str = "WITHY_DEMO_DOMAIN";

/// Runs the demo and prints its verdict.
///
/// # Errors
/// A verdict that is not good, or a graph that cannot be used.
#[cfg(feature = "ros")]
pub fn run(args: &Args) -> Result<(), CmdError> {
    use std::os::unix::process::CommandExt;

    if std::env::var_os(OWN_DOMAIN).is_none() {
        // ROS reads its domain from the environment, which a running process should not change: start over with it.
        // Domains up to 101 are free of other uses of their ports on all systems (ROS 2 documentation, ROS_DOMAIN_ID).
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
        // The name for the same in the one distribution that does not know the other.
        if std::env::var_os("ROS_DISTRO").is_some_and(|d| d == "humble") {
            again.env("ROS_LOCALHOST_ONLY", "1");
        }
        let error = again.exec();
        return Err(CmdError::Failed(format!(
            "this program cannot be started again: {error}"
        )));
    }
    super::on_the_graph()?;
    inspection::run(args)
}

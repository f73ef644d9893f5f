//! `withy transition`: changes the lifecycle state of a node.

#[cfg(feature = "ros")]
use super::CmdError;

/// Change the lifecycle state of a joint's node: configure, activate, deactivate, cleanup,
/// shutdown.
///
/// A node begins unconfigured. configure starts its control loop, which only monitors the joint.
/// activate drives the joint if it is ready. deactivate brings the joint to rest and stops the
/// setpoints. cleanup ends the control loop. shutdown ends the node's lifecycle for good.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Transition to request.
    pub transition: Name,
    /// Name of the joint's node, with its namespace.
    #[arg(long, value_name = "NAME", default_value = "/withy")]
    pub node: String,
}

/// Transitions that can be requested.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Name {
    /// Start the control loop, which only monitors the joint
    Configure,
    /// Drive the joint, if it is ready
    Activate,
    /// Bring the joint to rest and stop the setpoints
    Deactivate,
    /// End the control loop
    Cleanup,
    /// End the lifecycle for good, from any state
    Shutdown,
}

impl Name {
    /// Returns its label in the lifecycle.
    pub fn label(self) -> &'static str {
        match self {
            Self::Configure => "configure",
            Self::Activate => "activate",
            Self::Deactivate => "deactivate",
            Self::Cleanup => "cleanup",
            Self::Shutdown => "shutdown",
        }
    }
}

/// Requests the transition and prints the result.
///
/// # Errors
/// No node of that name, or a transition that was refused or failed, with the node's reason.
#[cfg(feature = "ros")]
pub fn run(args: &Args) -> Result<(), CmdError> {
    use crate::ros::client::{TransitionEnd, TransitionError, transition};
    use crate::ros::context::NodeError;

    let label = args.transition.label();
    let node = super::full_name(&args.node);
    let made = transition(&node, label).map_err(|error| match error {
        TransitionError::Node(NodeError::Context(_)) => CmdError::input(error),
        _ => CmdError::failed(error),
    })?;
    let to = &made.to;
    match made.end {
        TransitionEnd::Made => {
            println!("{node}: {} to {to} in {:.2} s", made.from, made.took);
            Ok(())
        }
        TransitionEnd::Failed(reason) => {
            let reason = reason.as_deref().unwrap_or("its log says why");
            Err(CmdError::Failed(format!(
                "{node} did not {label} and is {to}: {reason}"
            )))
        }
    }
}

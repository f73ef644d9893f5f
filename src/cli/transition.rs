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
    use crate::ros::client::{Transition, TransitionError, transition};
    let label = args.transition.label();
    let node = if args.node.starts_with('/') {
        args.node.clone()
    } else {
        format!("/{}", args.node)
    };
    let answer = transition(&node, label).map_err(|error| match error {
        TransitionError::Node(crate::ros::context::NodeError::Context(_)) => {
            CmdError::Input(error.to_string())
        }
        _ => CmdError::Failed(error.to_string()),
    })?;
    let Transition {
        from,
        to,
        success,
        reason,
        took,
    } = answer;
    if !success {
        let reason = match reason.as_str() {
            "" => "its log says why",
            reason => reason,
        };
        return Err(CmdError::Failed(format!(
            "{node} did not {label} and is {to}: {reason}"
        )));
    }
    println!("{node}: {from} to {to} in {took:.2} s");
    Ok(())
}

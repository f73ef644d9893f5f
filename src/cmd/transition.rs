//! `withy transition`: takes a node from one state of its lifecycle to another.

#[cfg(feature = "ros")]
use super::CmdError;

/// Take a joint's node from one state to another: configure, activate, deactivate, cleanup, shutdown.
///
/// A node begins unconfigured. configure starts its control loop, which watches the joint; activate has the joint driven, where it
/// is ready for that. deactivate brings it to rest, and nothing more goes to the motors; cleanup ends the control loop; shutdown
/// ends it for good.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// What to do.
    pub transition: Name,
    /// Name of the joint's node, with its namespace.
    #[arg(long, value_name = "NAME", default_value = "/withy")]
    pub node: String,
}

/// A transition that can be asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Name {
    /// Start the control loop; it watches
    Configure,
    /// Drive the joint, if it is ready
    Activate,
    /// Bring the joint to rest; send nothing more
    Deactivate,
    /// End the control loop
    Cleanup,
    /// End it for good, from any state
    Shutdown,
}

impl Name {
    /// Its label in the lifecycle.
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

/// Requests for the transition and prints what came of it.
///
/// # Errors
/// No node of that name, or a transition that was refused or failed: with the node's reason.
#[cfg(feature = "ros")]
pub fn run(args: &Args) -> Result<(), CmdError> {
    use crate::node::{Transition, TransitionError, transition};
    let label = args.transition.label();
    let node = if args.node.starts_with('/') {
        args.node.clone()
    } else {
        format!("/{}", args.node)
    };
    let answer = transition(&node, label).map_err(|error| match error {
        TransitionError::Node(crate::node::NodeError::Context(_)) => {
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

//! Errors of the clients.

use crate::ros::context::NodeError;

/// The reason why a client's operation failed.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// The ROS graph cannot be used.
    #[error(transparent)]
    Node(#[from] NodeError),
    /// A message could not be sent.
    #[error("a message could not be sent: {0}")]
    Send(#[from] r2r::Error),
    /// A service does not answer.
    #[error("{0} did not answer within {1} s")]
    Silent(String, u64),
    /// A parameter was refused.
    #[error("{parameter} was refused: {reason}")]
    Refused {
        /// Name of the parameter.
        parameter: String,
        /// Reason of the refusal.
        reason: String,
    },
    /// SIGINT or SIGTERM arrived.
    #[error("interrupted")]
    Interrupted,
}

//! Clients of a joint's node, for commands and tests: they command poses and points, change states,
//! record step tests, and keep what the joint publishes.

pub mod bend_client;
mod connection;
mod error;
pub mod gaze_client;
mod point;
pub mod session;
pub mod step_test;
mod target_state;
mod transition;

pub use connection::{Connection, Need, Nodes};
pub use error::ClientError;
pub use point::{Point, PointEnd, PointError, PointTarget, point};
pub use target_state::{ReportedTarget, TargetState};
pub use transition::{Transition, TransitionEnd, TransitionError, transition};

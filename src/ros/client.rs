//! Clients of a joint's node, for commands and tests: they command poses and points, change states,
//! record step tests, and keep what the joint publishes.

pub mod bend_client;
mod error;
pub mod gaze_client;
mod point;
pub mod session;
pub mod step_test;
mod transition;

pub use error::ClientError;
pub use point::{Point, PointError, PointTarget, Said, point};
pub use transition::{Transition, TransitionError, transition};

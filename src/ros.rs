//! The ROS 2 graph: the only modules that use it. `server` is a joint's node, `client` speaks to
//! one, `simulated` stands in for hardware.

mod acknowledge;
pub mod client;
mod clock;
pub mod context;
mod messages;
pub mod server;
pub mod simulated;
pub mod transport;

//! The simulated joint. It shares nothing with the control side.

pub mod beam;

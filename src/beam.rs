//! The simulated joint.

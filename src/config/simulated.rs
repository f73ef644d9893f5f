//! Simulated-joint files.

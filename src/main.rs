//! The `withy` binary: arguments to commands, errors to exit codes.
#![forbid(unsafe_code)]
fn main() {}

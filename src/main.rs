//! The `withy` binary: passes arguments to the commands and errors to exit codes.
#![forbid(unsafe_code)]

use std::process::ExitCode;

fn main() -> ExitCode {
    withy::cli::main(std::env::args_os())
}

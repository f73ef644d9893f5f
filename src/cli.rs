//! The commands of the binary, one file per command: they parse arguments and return exit codes.
//!
//! Exit codes: 0, done; 1, tried and failed; 2, an argument or a file is wrong. Errors are one
//! sentence on standard error.

mod output;

// Replace the standard macros, which panic if the output is closed, in all commands below.
macro_rules! print {
    ($($words:tt)*) => { $crate::cli::output::print(format_args!($($words)*)) };
}
macro_rules! println {
    () => { print!("\n") };
    ($($words:tt)*) => { print!("{}\n", format_args!($($words)*)) };
}
macro_rules! eprintln {
    ($($words:tt)*) => { $crate::cli::output::eprint(format_args!("{}\n", format_args!($($words)*))) };
}

pub mod check;
pub mod demo;
pub mod examine;
pub mod fit;
mod fit_tables;
pub mod incident;
pub mod point;
pub mod report;
pub mod run;
mod shown;
pub mod simulate;
pub mod step_test;
pub mod transition;
pub mod tune;

use std::ffi::OsString;
use std::fmt;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// Error of a command: one sentence, or one for each of several failures.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CmdError {
    /// An argument or a file is wrong; exit code 2.
    #[error("{0}")]
    Input(String),
    /// The command was tried and failed; exit code 1.
    #[error("{0}")]
    Failed(String),
    /// The command failed on these parts of its work, and did the others; exit code 1.
    #[error("{}", .0.join("; "))]
    Each(Vec<String>),
}

impl CmdError {
    fn input(error: impl fmt::Display) -> Self {
        Self::Input(error.to_string())
    }

    fn failed(error: impl fmt::Display) -> Self {
        Self::Failed(error.to_string())
    }

    /// Returns the error for an option whose value is not accepted.
    fn refused(option: &str, value: impl fmt::Display, accepted: impl fmt::Display) -> Self {
        Self::Input(format!("{option} is {value}; accepted: {accepted}"))
    }

    fn code(&self) -> u8 {
        match self {
            Self::Input(_) => 2,
            Self::Failed(_) | Self::Each(_) => 1,
        }
    }

    fn sentences(self) -> Vec<String> {
        match self {
            Self::Input(sentence) | Self::Failed(sentence) => vec![sentence],
            Self::Each(sentences) => sentences,
        }
    }
}

/// Returns the value of an option if it is from `low` to `high`.
fn within(option: &str, value: f64, low: f64, high: f64) -> Result<f64, CmdError> {
    if low <= value && value <= high {
        Ok(value)
    } else {
        Err(CmdError::refused(
            option,
            value,
            format_args!("{low} to {high}"),
        ))
    }
}

/// Returns a node's name as a full one: without a slash it is in the root namespace.
#[cfg(feature = "ros")]
fn full_name(node: &str) -> String {
    format!("/{}", node.strip_prefix('/').unwrap_or(node))
}

/// Control tendon-driven soft joints through ROS 2.
///
/// ROS arguments go last, after `--ros-args`, and are passed to ROS unchanged.
#[derive(Debug, Parser)]
#[command(name = "withy", version)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Run(run::Args),
    Simulate(simulate::Args),
    Point(point::Args),
    Transition(transition::Args),
    StepTest(step_test::Args),
    Demo(demo::Args),
    Check(check::Args),
    Incident(incident::Args),
    Fit(fit::Args),
    Examine(examine::Args),
    Tune(tune::Args),
}

/// Runs the command given by `arguments`; the first of them is the program's name.
pub fn main(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments = match Arguments::try_parse_from(without_ros_arguments(arguments)) {
        Ok(arguments) => arguments,
        // clap chooses stream and exit code: help is not an error.
        Err(error) => error.exit(),
    };
    let result = match arguments.command {
        Command::Check(args) => check::run(&args),
        Command::Incident(args) => incident::run(&args),
        Command::Examine(args) => examine::run(&args),
        Command::Fit(args) => fit::run(&args),
        Command::Tune(args) => tune::run(&args),
        #[cfg(feature = "ros")]
        Command::Run(args) => on_the_graph().and_then(|()| run::run(&args)),
        #[cfg(feature = "ros")]
        Command::Simulate(args) => on_the_graph().and_then(|()| simulate::run(&args)),
        #[cfg(feature = "ros")]
        Command::Point(args) => on_the_graph().and_then(|()| point::run(&args)),
        #[cfg(feature = "ros")]
        Command::Transition(args) => on_the_graph().and_then(|()| transition::run(&args)),
        #[cfg(feature = "ros")]
        Command::StepTest(args) => on_the_graph().and_then(|()| step_test::run(&args)),
        #[cfg(feature = "ros")]
        Command::Demo(args) => demo::run(&args),
        #[cfg(not(feature = "ros"))]
        _ => Err(CmdError::Failed(
            "this build has no ROS graph: build it with the feature `ros`, which is on by default"
                .into(),
        )),
    };
    let result = result.and_then(|()| match output::failure() {
        None => Ok(()),
        Some(why) => Err(CmdError::Failed(format!(
            "standard output cannot be written: {why}"
        ))),
    });
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let code = error.code();
            let name = output::Meaning::Bad.err("withy:");
            for sentence in error.sentences() {
                eprintln!("{name} {sentence}");
            }
            ExitCode::from(code)
        }
    }
}

/// Prepares a command that uses the ROS graph: checks that ROS is in the environment, and configures
/// the middleware's transport, for which the program may start again.
///
/// # Errors
/// ROS is not in the environment, or the program cannot be started again.
#[cfg(feature = "ros")]
fn on_the_graph() -> Result<(), CmdError> {
    // The loader finds ROS's libraries without it, but the middleware does not find its parts.
    if std::env::var_os("AMENT_PREFIX_PATH").is_none_or(|prefixes| prefixes.is_empty()) {
        return Err(CmdError::Failed(
            "this command needs ROS 2, and AMENT_PREFIX_PATH is not set: source the setup.bash of \
             your ROS 2, or, where this project has fetched it, launch-free-scripts/ros-env in bash"
                .into(),
        ));
    }
    crate::ros::transport::choose().map_err(not_again)
}

#[cfg(feature = "ros")]
fn not_again(error: std::io::Error) -> CmdError {
    CmdError::Failed(format!("this program cannot be started again: {error}"))
}

/// Returns the arguments without those of ROS: each `--ros-args` up to `--` or the end, both marks
/// included. ROS reads the process's own arguments itself.
fn without_ros_arguments(arguments: impl IntoIterator<Item = OsString>) -> Vec<OsString> {
    let mut end = None;
    let mut kept = Vec::new();
    for argument in arguments {
        if let Some(mark) = end {
            end = (argument != mark).then_some(mark);
        } else if argument == "--ros-args" {
            end = Some("--");
        } else {
            kept.push(argument);
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(line: &str) -> Vec<OsString> {
        without_ros_arguments(line.split(' ').map(OsString::from))
    }

    #[test]
    fn ros_arguments_are_left_to_ros() {
        let own = ["withy", "run", "a.yaml"].map(OsString::from);
        assert_eq!(kept("withy run a.yaml --ros-args -r __ns:=/neck"), own);
        assert_eq!(kept("withy run --ros-args -p a:=1 -- a.yaml"), own);
        assert_eq!(kept("withy --ros-args -- run a.yaml --ros-args"), own);
        assert_eq!(kept("withy run a.yaml"), own);
    }

    #[test]
    fn the_arguments_are_consistent() {
        use clap::CommandFactory;
        Arguments::command().debug_assert();
    }
}

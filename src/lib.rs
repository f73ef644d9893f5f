//! Withy: a robotics middleware node for tendon-driven soft joints.
//!
//! Wings, from the ground up; a file imports only from its own wing and those below it (see
//! DEVELOPERS.md, enforced by `tests/project/layers.rs`).
#![forbid(unsafe_code)]
#![cfg_attr(counted, feature(coverage_attribute))]
#![warn(missing_docs)]

pub mod control;
// An instrument of the tests: with its inner loops counted they would take several times as long.
#[cfg_attr(counted, coverage(off))]
pub mod sim;

pub mod design;

pub mod files;

pub mod runtime;

pub mod report;

#[cfg(feature = "ros")]
pub mod ros;

pub mod cli;

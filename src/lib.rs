//! Withy: a robotics middleware node for tendon-driven soft joints.
//!
//! Layers, lowest first; a file imports only from lower layers (see DEVELOPERS.md, enforced by
//! `tests/layers.rs`).
#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod fractional;
pub mod frames;
pub mod geometry;

pub mod beam;
pub mod controller;
pub mod gaze;
pub mod kinematics;
pub mod self_support;
pub mod track;

pub mod model;

pub mod aim;
pub mod tick;

pub mod config;
pub mod examine;
pub mod fit;
pub mod trial;
pub mod tune;

pub mod link;
#[cfg(feature = "ros")]
pub mod node;
pub mod recorder;
pub mod report;
pub mod rt;

pub mod cmd;

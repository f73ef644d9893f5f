//! The node, its commands and the demo on a real ROS 2 graph.
#![cfg(feature = "ros")]

#[path = "../common/skip.rs"]
mod skip;

mod capture;
mod demo;
mod engine;
mod faults;
mod frames;
mod harness;
mod incident;
mod lifecycle;
mod lockstep;
mod node;
mod restart;
mod security;
mod simulate;
mod sources;
mod steps;
mod supervision;
mod time;

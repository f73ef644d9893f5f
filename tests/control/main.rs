//! The control core: geometry, kinematics, operators, gaze, and whole loops closed over the simulated joint.

#[path = "../bench_support/mod.rs"]
mod bench_support;
#[path = "../common/mod.rs"]
mod common;

mod aim;
mod closed_loop;
mod closed_loop_base;
mod closed_loop_faults;
mod closed_loop_gaze;
mod closed_loop_targets;
mod controller;
mod fault_bench;
mod fractional_loops;
mod fractional_operators;
mod frames;
mod frames_garbage;
mod gaze;
mod geometry;
mod kinematics;
mod kinematics_refusals;
mod release;
mod self_support;
mod supervision;
mod track;
mod transitions;

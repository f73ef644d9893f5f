//! The control side, pure: geometry, kinematics, fractional operators, gaze, tracking, the
//! controller, one control tick with its supervision. Time is an argument; nothing here knows
//! files, threads, clocks or ROS.

pub mod aim;
pub mod bounds;
pub mod controller;
pub mod fractional;
pub mod frames;
pub mod gaze;
pub mod geometry;
pub mod kinematics;
pub mod self_support;
pub mod solve;
pub mod tick;
pub mod track;

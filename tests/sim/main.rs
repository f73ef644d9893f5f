//! The simulated joint against mechanics that are not ours.

#[path = "../beam_support/mod.rs"]
mod beam_support;

mod base;
mod joint;
mod mechanics;
mod sensors;

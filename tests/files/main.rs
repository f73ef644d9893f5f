//! Files for people: what is accepted, refused and written.

#[path = "../files_support/mod.rs"]
mod files_support;
#[path = "../common/seeded.rs"]
mod seeded;

mod boundaries;
mod commands;
mod gain_sets;
mod joint;
mod look;
mod reader;
mod self_support;
mod simulated_pan;
mod slips;
mod spoilt;
mod supervision;

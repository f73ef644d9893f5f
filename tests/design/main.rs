//! From records to gain sets: fit, tune, examine, trial.

#[path = "../common/mod.rs"]
mod common;
#[path = "../examine_support/mod.rs"]
mod examine_support;
#[path = "../fit_support/mod.rs"]
mod fit_support;
#[path = "../common/seeded.rs"]
mod seeded;

mod examine;
mod examine_drives;
mod examine_simulated;
mod fit;
mod fit_files;
mod fit_records;
mod fit_simulated;
mod model;
mod trial;
mod tune_command;
mod tune_family;
mod tuning;

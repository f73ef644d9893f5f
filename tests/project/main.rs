//! Commands, reports and the manual, and the shape of the project itself.

#[path = "../common/mod.rs"]
mod common;
#[cfg(feature = "ros")]
#[path = "../files_support/mod.rs"]
mod files_support;
#[path = "../fit_support/mod.rs"]
mod fit_support;
#[path = "../incident_support/mod.rs"]
mod incident_support;
#[path = "../reports_support/mod.rs"]
mod reports_support;
#[cfg(feature = "ros")]
#[path = "../common/seeded.rs"]
mod seeded;

mod commands;
mod coverage;
mod environment;
mod incident_files;
mod layers;
mod manual;
mod packages;
#[cfg(feature = "ros")]
mod parameters;
#[cfg(feature = "ros")]
mod parameters_garbage;
mod reports;
mod reports_browser;
mod reports_family;
mod tables;
mod words;

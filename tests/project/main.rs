//! Commands, reports and the manual, and the shape of the project itself.

#[path = "../common/mod.rs"]
mod common;
#[path = "../fit_support/mod.rs"]
mod fit_support;
#[path = "../incident_support/mod.rs"]
mod incident_support;
#[path = "../reports_support/mod.rs"]
mod reports_support;

mod commands;
mod coverage;
mod environment;
mod incident_files;
mod layers;
mod manual;
mod packages;
mod reports;
mod reports_browser;
mod reports_family;
mod words;

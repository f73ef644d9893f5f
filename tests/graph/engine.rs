//! The node with a joint in an engine of multibody dynamics that is independent of the project.
#![cfg(feature = "ros")]

use crate::harness::Stage;
use crate::skip::skip;

const NECK: &str = "glasshouse-neck.yaml";

/// Returns an empty stage, or `None` where the engine is missing.
fn stage() -> Option<Stage> {
    if std::env::var_os("WITHY_ENGINE").is_none() {
        skip("the engine of dynamics (mujoco) cannot be installed for this Python");
        return None;
    }
    Some(Stage::new())
}

/// A beam, its tendons and a mode against handbook formulas.
#[test]
fn the_engine_agrees_with_closed_forms() {
    let Some(mut stage) = stage() else { return };
    stage.client("engine_checks.py", &[]);
    println!("{}", stage.log("client"));
}

#[test]
fn poses_all_round_with_payloads_settle_where_the_node_says() {
    let Some(mut stage) = stage() else { return };
    stage.withy_run(&[NECK], &[]);
    stage.engine(&[]);
    stage.client("engine_points.py", &[]);
    println!("{}", stage.log("client"));
}

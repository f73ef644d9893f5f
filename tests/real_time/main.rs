//! What only real time shows, each with a witness beside it. Run one at a time.

#[path = "../bench_support/mod.rs"]
mod bench_support;
#[path = "../common/mod.rs"]
mod common;
#[path = "../incident_support/mod.rs"]
mod incident_support;
#[path = "../loop_support/mod.rs"]
mod loop_support;

mod incident;
mod link;
mod real_time_loop;
mod recorder;
mod simulated_time;
mod soak;

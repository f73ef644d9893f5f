//! What runs the control tick: channels between threads, the clock, the real-time loop, the recorder.

pub mod link;
pub mod recorder;
pub mod rt;

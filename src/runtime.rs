//! What runs the control tick: channels between threads, the clock, the real-time loop, the recorder.

pub mod link;
pub mod recorder;
pub mod rt;

use std::sync::{Mutex, MutexGuard, PoisonError};

/// Locks `mutex`, even after a panic of a thread that held it: for values that are consistent at
/// any moment.
pub fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

//! What a joint's threads on the graph's side tell each other.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

use super::intake::Refused;

/// The status of one joint; every field may be read at any time.
#[derive(Debug, Default)]
pub struct Status {
    /// What was refused on the topics.
    pub refused: Refused,
    closing: AtomicBool,
    at_rest: AtomicBool,
    twist: AtomicU64,
    delay: AtomicU64,
    gain_set: Mutex<GainSetInForce>,
}

/// The gain set in force.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct GainSetInForce {
    /// Its name.
    pub name: String,
    /// Whether gains were changed since it was chosen.
    pub changed: bool,
    /// Parameter sets that were refused so far, and the last one's reason.
    pub refused: u64,
    /// The reason of the last refusal.
    pub last_refusal: String,
    /// Dead time that it allows, s.
    pub delay_allowed: f64,
}

fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    // Plain data: a panic elsewhere leaves nothing half done.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Status {
    /// From now on commands are not taken.
    pub fn close(&self) {
        self.closing.store(true, Ordering::Release);
    }

    /// Whether commands are no longer taken.
    pub fn closing(&self) -> bool {
        self.closing.load(Ordering::Acquire)
    }

    /// Whether nothing moves.
    pub fn at_rest(&self) -> bool {
        self.at_rest.load(Ordering::Acquire)
    }

    /// Says whether nothing moves.
    pub fn set_at_rest(&self, at_rest: bool) {
        self.at_rest.store(at_rest, Ordering::Release);
    }

    /// Twist of the last command, rad: what a joint without twist leaves over.
    pub fn twist(&self) -> f64 {
        f64::from_bits(self.twist.load(Ordering::Acquire))
    }

    /// Sets the twist of the last command, rad.
    pub fn set_twist(&self, twist: f64) {
        self.twist.store(twist.to_bits(), Ordering::Release);
    }

    /// Dead time measured, s; 0 before it is known.
    pub fn delay(&self) -> f64 {
        f64::from_bits(self.delay.load(Ordering::Acquire))
    }

    /// Sets the dead time measured, s.
    pub fn set_delay(&self, delay: f64) {
        self.delay.store(delay.to_bits(), Ordering::Release);
    }

    /// The gain set in force.
    pub fn gain_set(&self) -> GainSetInForce {
        locked(&self.gain_set).clone()
    }

    /// Changes what is said of the gain set in force.
    pub fn change_gain_set(&self, change: impl FnOnce(&mut GainSetInForce)) {
        change(&mut locked(&self.gain_set));
    }
}

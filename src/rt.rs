//! The real-time loop and the one clock.

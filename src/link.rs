//! The channels between threads.

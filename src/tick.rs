//! One whole control tick.

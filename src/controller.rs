//! Gains to an immutable law and its state.

//! The fractional operators as discrete designs and states.

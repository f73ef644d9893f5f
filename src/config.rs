//! Raw YAML to checked values.

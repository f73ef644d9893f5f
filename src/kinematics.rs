//! Bend to tendon lengths to motor angles, and back.

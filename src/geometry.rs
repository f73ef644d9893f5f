//! Attitude, bend vector and constant-curvature pose.

//! Scoring of trials: overshoot, settling, reached angle.

//! Tables, pictures and recordings.

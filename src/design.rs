//! From records to gain sets: models of the joint, their fit, tuning, examination, metrics of
//! recorded motions. Data in, figures out; no files, no graph.

pub mod examine;
pub mod fit;
pub mod model;
pub mod trial;
pub mod tune;

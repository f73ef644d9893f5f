//! What people read: aligned tables, line plots as plain SVG, recordings as plain CSV.
//!
//! Nothing here knows what the numbers mean; units stand in headings and on axes.

mod plot;
mod recording;
mod table;

pub use plot::{Band, Figure, Mark, Panel, Series, Stroke};
pub use recording::write_csv;
pub use table::{Align, Table};

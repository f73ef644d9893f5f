//! Output for people: aligned tables, line plots as plain SVG, pages of both as HTML, recordings as
//! plain CSV.
//!
//! This module does not interpret the numbers; units stand in headings and on axes.

mod draw;
mod page;
mod plot;
mod recording;
mod table;

pub use draw::{Scale, Stroke};
pub use page::{Page, Part, SaveError};
pub use plot::{Band, Dot, Figure, Height, Level, Mark, Panel, Series};
pub use recording::write_csv;
pub use table::{Align, Table, shown_width};

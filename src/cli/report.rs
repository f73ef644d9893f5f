//! Reports for people: a page with pictures for a fit, a tuning or an incident recording.
//!
//! [`fit`], [`tuning`] and [`family`] return the page; [`save`] writes it and its pictures for the
//! option `--report FOLDER`.

mod family;
mod fit;
mod incident;
mod setpoints;
mod tuning;

pub use family::{FamilyTuning, family};
pub use fit::{Shown, fit};
pub use incident::incident;
pub use setpoints::Drive;
use setpoints::Line;
pub use tuning::{Tuning, tuning};

use super::CmdError;
use crate::design::tune::Figure as Number;
use crate::report::{Figure, Height, Level, Page, Series, Stroke};
use std::path::{Path, PathBuf};

/// Writes `NAME.html` and its pictures into `folder`. Returns the page's path.
///
/// # Errors
/// A file or folder that cannot be written.
pub fn save(page: &Page, folder: &Path, name: &str) -> Result<PathBuf, CmdError> {
    page.save(folder, name).map_err(CmdError::failed)
}

/// Width of a picture on a page, px.
const WIDTH: f64 = 960.0;

fn number(value: f64) -> String {
    Number(value).to_string()
}

fn maybe(value: Option<f64>) -> String {
    value.map_or("-".into(), number)
}

/// Shows the setpoints of some lines, or why they cannot be shown.
fn show_setpoints(page: &mut Page, drive: &Drive<'_>, lines: &[Line<'_>]) {
    match setpoints::figure(drive, lines) {
        Ok(figure) => page.picture("setpoints", setpoints::words(drive), figure),
        Err(why) => page.text(why.to_string()),
    }
}

fn picture(title: &str, x_label: &str, span: (f64, f64), height: f64) -> Figure {
    Figure {
        title: title.into(),
        x_label: x_label.into(),
        span,
        width: WIDTH,
        height: Height::Px(height),
        ..Figure::default()
    }
}

pub(super) fn series(name: impl Into<String>, stroke: Stroke, points: Vec<(f64, f64)>) -> Series {
    Series {
        name: name.into(),
        stroke,
        points,
    }
}

/// Returns a horizontal line across a panel.
fn level(at: f64, label: &str) -> Level {
    Level {
        from: at,
        to: at,
        label: label.into(),
    }
}

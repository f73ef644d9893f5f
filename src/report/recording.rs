//! Recordings as plain CSV (RFC 4180, numbers only, `.` as decimal point).

use std::io::{self, Write};

/// Writes a heading and rows of numbers. NaN becomes an empty field: unknown.
///
/// # Errors
/// Returns the writer's error.
pub fn write_csv<R: AsRef<[f64]>>(
    out: &mut impl Write,
    columns: &[String],
    rows: impl IntoIterator<Item = R>,
) -> io::Result<()> {
    writeln!(out, "{}", columns.join(","))?;
    for row in rows {
        for (i, value) in row.as_ref().iter().enumerate() {
            if i > 0 {
                out.write_all(b",")?;
            }
            if !value.is_nan() {
                write!(out, "{value:.6}")?;
            }
        }
        out.write_all(b"\n")?;
    }
    out.flush()
}

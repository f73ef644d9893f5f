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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unknown_is_empty() {
        let mut text = Vec::new();
        let columns = ["time_s".to_string(), "angle_rad".to_string()];
        write_csv(&mut text, &columns, [[0.5, f64::NAN], [1.0, -0.25]]).unwrap();
        assert_eq!(
            String::from_utf8(text).unwrap(),
            "time_s,angle_rad\n0.500000,\n1.000000,-0.250000\n"
        );
    }
}

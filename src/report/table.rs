//! Aligned text tables.

use std::fmt;

/// Where a column's text stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Align {
    /// At the left: words.
    Left,
    /// At the right: numbers.
    Right,
}

/// A table of text: a heading, a line of units, rows. Columns are as wide as their widest entry.
#[derive(Clone, Debug)]
pub struct Table {
    align: Vec<Align>,
    /// Rows at the top that are heading and units.
    headings: usize,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// A table with one column per (heading, unit, alignment). The line of units is left out where none has one.
    pub fn new(columns: &[(&str, &str, Align)]) -> Self {
        let mut rows = vec![columns.iter().map(|c| c.0.to_string()).collect()];
        if columns.iter().any(|c| !c.1.is_empty()) {
            rows.push(columns.iter().map(|c| c.1.to_string()).collect());
        }
        Self {
            align: columns.iter().map(|c| c.2).collect(),
            headings: rows.len(),
            rows,
        }
    }

    /// Adds a row; entries missing at its end are empty, entries beyond the columns are left out.
    pub fn row(&mut self, entries: impl IntoIterator<Item = String>) {
        let mut entries = entries.into_iter();
        let columns = 0..self.align.len();
        let row = columns.map(|_| entries.next().unwrap_or_default());
        self.rows.push(row.collect());
    }

    /// Alignment of each column.
    pub(super) fn align(&self) -> &[Align] {
        &self.align
    }

    /// The lines of headings and units, and the rows.
    pub(super) fn parts(&self) -> (&[Vec<String>], &[Vec<String>]) {
        self.rows.split_at(self.headings)
    }
}

/// Blanks between columns.
const GAP: usize = 2;

impl fmt::Display for Table {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let width = |column: usize| {
            let entries = self.rows.iter().map(|r| r[column].chars().count());
            entries.max().unwrap_or(0)
        };
        let widths: Vec<usize> = (0..self.align.len()).map(width).collect();
        for row in &self.rows {
            let mut line = String::new();
            for ((entry, width), align) in row.iter().zip(&widths).zip(&self.align) {
                if !line.is_empty() {
                    line.push_str(&" ".repeat(GAP));
                }
                let fill = " ".repeat(width - entry.chars().count());
                match align {
                    Align::Left => line.extend([entry.as_str(), &fill]),
                    Align::Right => line.extend([&fill, entry.as_str()]),
                }
            }
            writeln!(f, "{}", line.trim_end())?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_line_up() {
        let mut table = Table::new(&[("pose", "", Align::Left), ("error", "deg", Align::Right)]);
        table.row(["far left".into(), "0.1".into()]);
        table.row(["up".into()]);
        let expected = "pose      error\n            deg\nfar left    0.1\nup\n";
        assert_eq!(table.to_string(), expected);
    }
}

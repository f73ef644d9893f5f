//! Aligned text tables.

use std::fmt;

/// Alignment of a column's text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Align {
    /// Left: words.
    Left,
    /// Right: numbers.
    Right,
}

/// A table of text: a heading, a line of units, rows. Columns are as wide as their widest entry.
#[derive(Clone, Debug)]
pub struct Table {
    align: Vec<Align>,
    /// Number of rows at the top that are heading and units.
    headings: usize,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// Returns a table with one column per (heading, unit, alignment). The line of units is left
    /// out where none has one.
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

    /// Adds a row; missing entries at its end are empty, entries beyond the columns are ignored.
    pub fn row(&mut self, entries: impl IntoIterator<Item = String>) {
        let mut entries = entries.into_iter();
        let columns = 0..self.align.len();
        let row = columns.map(|_| entries.next().unwrap_or_default());
        self.rows.push(row.collect());
    }

    /// Returns the alignment of each column.
    pub(super) fn align(&self) -> &[Align] {
        &self.align
    }

    /// Returns the lines of headings and units, and the rows.
    pub(super) fn parts(&self) -> (&[Vec<String>], &[Vec<String>]) {
        self.rows.split_at(self.headings)
    }
}

/// Number of spaces between columns.
const GAP: usize = 2;

/// Returns the number of characters that a terminal shows of a text; colours take no room.
pub fn shown_width(text: &str) -> usize {
    let parts = anstream::adapter::strip_str(text);
    parts.map(|part| part.chars().count()).sum()
}

impl Table {
    /// Returns the width of each column, characters.
    fn widths(&self) -> Vec<usize> {
        let width = |column: usize| {
            let entries = self.rows.iter().map(|r| shown_width(&r[column]));
            entries.max().unwrap_or(0)
        };
        (0..self.align.len()).map(width).collect()
    }

    /// Returns the lines of these columns.
    fn lines(&self, columns: &[usize], widths: &[usize]) -> String {
        let mut lines = String::new();
        for row in &self.rows {
            let mut line = String::new();
            for (i, &column) in columns.iter().enumerate() {
                if i > 0 {
                    line.push_str(&" ".repeat(GAP));
                }
                let entry = row[column].as_str();
                let fill = " ".repeat(widths[column] - shown_width(entry));
                match self.align[column] {
                    Align::Left => line.extend([entry, &fill]),
                    Align::Right => line.extend([&fill, entry]),
                }
            }
            lines.push_str(line.trim_end());
            lines.push('\n');
        }
        lines
    }

    /// Returns the table in lines of at most `width` characters: as many columns side by side as fit,
    /// the others in further blocks below, each with the first columns of words again, which name the
    /// row. One column beside these may still be wider.
    pub fn within(&self, width: usize) -> String {
        let widths = self.widths();
        let words = self.align.iter().take_while(|a| **a == Align::Left);
        let mut names: Vec<usize> = (0..words.count().max(1)).collect();
        let total = |columns: &[usize]| columns.iter().map(|c| widths[*c] + GAP).sum::<usize>();
        if total(&names) > width / 2 {
            names.truncate(1);
        }
        let mut blocks = vec![names.clone()];
        for (column, own) in widths.iter().enumerate().skip(names.len()) {
            match blocks.last_mut() {
                // Each width counts the gap behind it, and the last column has none.
                Some(block) if block.len() == names.len() || total(block) + own <= width => {
                    block.push(column);
                }
                _ => blocks.push(names.iter().copied().chain([column]).collect()),
            }
        }
        let blocks = blocks.iter().map(|columns| self.lines(columns, &widths));
        blocks.collect::<Vec<_>>().join("\n")
    }
}

impl fmt::Display for Table {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.within(usize::MAX))
    }
}

//! Pages of headings, text, tables and pictures as one self-contained HTML file: no scripts, no
//! outside resources.

use std::fmt::Write as _;
use std::io;
use std::path::{Path, PathBuf};

use super::draw::escape;
use super::plot::Figure;
use super::table::{Align, Table};

/// One part of a page.
#[derive(Clone, Debug)]
pub enum Part {
    /// A heading below the title.
    Heading(String),
    /// A paragraph.
    Text(String),
    /// A table with its caption.
    Table(String, Table),
    /// A picture.
    Picture {
        /// Name of its own file, without extension.
        name: String,
        /// Description, beyond its title.
        caption: String,
        /// The picture.
        figure: Box<Figure>,
    },
}

/// A page.
#[derive(Clone, Debug, Default)]
pub struct Page {
    /// Title.
    pub title: String,
    /// Content, top to bottom.
    pub parts: Vec<Part>,
}

/// A file or folder of a page could not be written.
#[derive(Debug, thiserror::Error)]
#[error("{}: cannot be written: {source}", path.display())]
pub struct SaveError {
    /// Path of the file or folder.
    pub path: PathBuf,
    /// The system's error.
    pub source: io::Error,
}

const STYLE: &str = "
body { margin: 2em auto; padding: 0 1em; max-width: 960px; color: #222; background: #fff;
  font: 15px/1.45 sans-serif; }
h1 { font-size: 1.6em; } h2 { font-size: 1.25em; margin-top: 2em; border-bottom: 1px solid #888; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; margin: 1em 0; font-size: 0.87em; font-variant-numeric: tabular-nums; }
caption { text-align: left; font-weight: bold; padding-bottom: 0.3em; }
th, td { padding: 0.2em 0.7em; text-align: left; vertical-align: top; }
thead tr:last-child th { border-bottom: 1px solid #222; } tbody tr { border-bottom: 1px solid #ccc; }
th.unit { font-weight: normal; padding-top: 0; } .number { text-align: right; white-space: nowrap; }
figure { margin: 1.5em 0; } figure svg { display: block; width: 100%; height: auto; }
figcaption { font-size: 0.9em; margin-top: 0.3em; }
@media print {
  body { margin: 0; max-width: none; font-size: 10pt; } .wide { overflow-x: visible; }
  table { font-size: 7.5pt; }
  th, td { padding: 0.1em 0.4em; } figure, tr { break-inside: avoid; } h2 { break-after: avoid; }
}
@page { margin: 15mm; }
";

impl Page {
    /// Returns an empty page.
    pub fn new(title: impl Into<String>) -> Self {
        Self {
            title: title.into(),
            parts: Vec::new(),
        }
    }

    /// Adds a heading.
    pub fn heading(&mut self, text: impl Into<String>) {
        self.parts.push(Part::Heading(text.into()));
    }

    /// Adds a paragraph.
    pub fn text(&mut self, text: impl Into<String>) {
        self.parts.push(Part::Text(text.into()));
    }

    /// Adds a table.
    pub fn table(&mut self, caption: impl Into<String>, table: Table) {
        self.parts.push(Part::Table(caption.into(), table));
    }

    /// Adds a picture. Its name, for a separate file, is made safe and unique on the page.
    pub fn picture(&mut self, name: &str, caption: impl Into<String>, figure: Figure) {
        let safe = |c: char| {
            if c.is_ascii_alphanumeric() || c == '-' || c == '_' {
                c
            } else {
                '-'
            }
        };
        let plain: String = name.chars().take(80).map(safe).collect();
        let (mut name, mut count) = (plain.clone(), 1);
        while self.pictures().any(|(n, _)| n.eq_ignore_ascii_case(&name)) {
            count += 1;
            name = format!("{plain}-{count}");
        }
        self.parts.push(Part::Picture {
            name,
            caption: caption.into(),
            figure: Box::new(figure),
        });
    }

    /// Returns the pictures with their names.
    pub fn pictures(&self) -> impl Iterator<Item = (&str, &Figure)> {
        self.parts.iter().filter_map(|part| match part {
            Part::Picture { name, figure, .. } => Some((name.as_str(), &**figure)),
            _ => None,
        })
    }

    /// Returns the page as HTML, which is also well-formed XML.
    pub fn html(&self) -> String {
        let title = escape(&self.title);
        let mut out = format!(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
             <title>{title}</title>\n\
             <style>{STYLE}</style>\n</head>\n<body>\n<main>\n<h1>{title}</h1>\n"
        );
        for part in &self.parts {
            // Writing to a String cannot fail.
            let _ = match part {
                Part::Heading(text) => writeln!(out, "<h2>{}</h2>", escape(text)),
                Part::Text(text) => writeln!(out, "<p>{}</p>", escape(text)),
                Part::Table(caption, table) => {
                    write_table(&mut out, caption, table);
                    Ok(())
                }
                Part::Picture {
                    caption, figure, ..
                } => {
                    // At most as wide as it was drawn.
                    let (width, svg) = (figure.width, figure.svg());
                    let caption = escape(caption);
                    writeln!(
                        out,
                        "<figure style=\"max-width: {width}px\">\n\
                         {svg}<figcaption>{caption}</figcaption>\n</figure>"
                    )
                }
            };
        }
        out.push_str("</main>\n</body>\n</html>\n");
        out
    }

    /// Writes `NAME.html` into `folder`, which is created if needed, and each picture beside it as
    /// `NAME-PICTURE.svg`. Files with these names are replaced. The page is written last, so that
    /// its pictures exist when it does. Returns the path of the page.
    ///
    /// # Errors
    /// Returns the path that could not be written, with the cause.
    pub fn save(&self, folder: &Path, name: &str) -> Result<PathBuf, SaveError> {
        let failed = |path: &Path, source: io::Error| SaveError {
            path: path.to_path_buf(),
            source,
        };
        std::fs::create_dir_all(folder).map_err(|e| failed(folder, e))?;
        let write =
            |path: &Path, text: String| std::fs::write(path, text).map_err(|e| failed(path, e));
        for (picture, figure) in self.pictures() {
            write(&folder.join(format!("{name}-{picture}.svg")), figure.svg())?;
        }
        let page = folder.join(format!("{name}.html"));
        write(&page, self.html())?;
        Ok(page)
    }
}

fn write_table(out: &mut String, caption: &str, table: &Table) {
    let row = |out: &mut String, name: &str, cells: &[String], more: &str| {
        out.push_str("<tr>");
        for (cell, align) in cells.iter().zip(table.align()) {
            let class = match align {
                Align::Left => more.to_string(),
                Align::Right => format!("number {more}"),
            };
            let (class, cell) = (class.trim_end(), escape(cell));
            let class = match class {
                "" => String::new(),
                class => format!(" class=\"{class}\""),
            };
            out.push_str(&format!("<{name}{class}>{cell}</{name}>"));
        }
        out.push_str("</tr>\n");
    };
    let (headings, rows) = table.parts();
    out.push_str("<div class=\"wide\">\n<table>\n");
    out.push_str(&format!(
        "<caption>{}</caption>\n<thead>\n",
        escape(caption)
    ));
    for (i, cells) in headings.iter().enumerate() {
        row(out, "th", cells, if i > 0 { "unit" } else { "" });
    }
    out.push_str("</thead>\n<tbody>\n");
    for cells in rows {
        row(out, "td", cells, "");
    }
    out.push_str("</tbody>\n</table>\n</div>\n");
}

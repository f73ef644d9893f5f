//! Common parts of the tests of configuration files.
#![allow(dead_code)] // Each test file uses its own part.

use std::fs;
use std::path::{Path, PathBuf};

use withy::files::{ConfigError, JointFile};

pub fn config() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config")
}

pub fn text(name: &str) -> String {
    fs::read_to_string(config().join(name)).unwrap()
}

/// A folder of its own with a copy of `config/`, in which files may be spoilt.
pub struct Copy(tempfile::TempDir);

impl Copy {
    pub fn new() -> Self {
        let copy = Self(tempfile::tempdir().unwrap());
        for folder in ["", "gains", "models"] {
            fs::create_dir_all(copy.path(folder)).unwrap();
            for entry in fs::read_dir(config().join(folder)).unwrap() {
                let from = entry.unwrap().path();
                if from.is_file() {
                    let to = copy.path(folder).join(from.file_name().unwrap());
                    fs::copy(&from, to).unwrap();
                }
            }
        }
        copy
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// Replaces the first `from` in `file` by `to`.
    pub fn spoil(&self, file: &str, from: &str, to: &str) {
        let text = fs::read_to_string(self.path(file)).unwrap();
        assert!(text.contains(from), "{file} has no {from:?}");
        fs::write(self.path(file), text.replacen(from, to, 1)).unwrap();
    }

    pub fn joint(&self) -> Result<JointFile, ConfigError> {
        JointFile::load(self.path(JOINT))
    }
}

pub const JOINT: &str = "glasshouse-neck.yaml";
pub const GAINS: &str = "gains/any-payload.yaml";
pub const SIMULATED: &str = "glasshouse-neck-simulated.yaml";

pub fn assert_one_line(sentence: &str) {
    assert!(
        !sentence.is_empty() && !sentence.contains(char::is_control),
        "{sentence:?}"
    );
}

/// Splits an error into line, column and the sentence behind them.
pub fn placed<'a>(told: &'a str, file: &Path) -> (usize, usize, &'a str) {
    let start = format!("{}:", file.display());
    let parts = told
        .strip_prefix(&start)
        .and_then(|rest| rest.split_once(": "));
    let (position, sentence) = parts.unwrap_or_else(|| panic!("{told}\nstarts not with {start}"));
    let (line, column) = position.split_once(':').expect(told);
    (
        line.parse().expect(told),
        column.parse().expect(told),
        sentence,
    )
}

/// Checks that the error is `sentence` after file, line and column; `...` at its end stands for
/// anything. What stands at the place is checked: the key, its value or, where the key is missing,
/// the table around it.
pub fn assert_told(result: Result<(), ConfigError>, file: &Path, sentence: &str) {
    let told = match result {
        Ok(()) => panic!("accepted, where this was to be told: {sentence}"),
        Err(error) => error.to_string(),
    };
    assert_one_line(&told);
    let (line, column, rest) = placed(&told, file);
    match sentence.strip_suffix("...") {
        Some(start) => assert!(rest.starts_with(start), "{told}\nnot {sentence}"),
        None => assert_eq!(rest, sentence),
    }
    let text = fs::read_to_string(file).unwrap();
    let line = text.lines().nth(line - 1).expect(&told);
    let there: String = line.chars().skip(column - 1).collect();
    let key = rest.split([' ', ';']).next().unwrap();
    let key = key.rsplit('.').next().unwrap();
    let fits = if rest.contains(" is missing; ") {
        // The table's first key, or the bracket that opens it.
        there.starts_with('{') || there.contains(':')
    } else if rest.contains(" is not a known key; ") {
        there.starts_with(&format!("{key}:"))
    } else {
        // A value stands behind its key or, in a list, somewhere behind its bracket.
        let before: String = line.chars().take(column - 1).collect();
        let key = key.split('[').next().unwrap();
        let first_item = column == 1 || there.starts_with("- ") || before.trim_start() == "- ";
        before.contains(&format!("{key}: ")) || there.starts_with(key) || first_item
    };
    assert!(fits, "{told}\nstands at {there:?}");
}

/// Returns the joint file's text with its commented-out block `supervision` enabled.
pub fn watched() -> String {
    let text = text(JOINT);
    let (before, block) = text.split_once("# supervision:\n").unwrap();
    let (block, after) = block.split_once("\n\n").unwrap();
    let lines = block.lines().map(|line| line.strip_prefix("# ").unwrap());
    let block: Vec<_> = lines.collect();
    format!("{before}supervision:\n{}\n\n{after}", block.join("\n"))
}

/// Spoils `text` at one place.
pub fn spoil(text: &mut String, place: proptest::sample::Index, change: u8, nasty: &str) {
    let mut lines: Vec<String> = text.lines().map(String::from).collect();
    // Spoils lines with content, since comments have no effect.
    let said: Vec<usize> = (0..lines.len())
        .filter(|i| lines[*i].contains([':', '-']) && !lines[*i].trim_start().starts_with('#'))
        .collect();
    if said.is_empty() {
        text.push_str(nasty);
        return;
    }
    let i = said[place.index(said.len())];
    match change {
        0 => drop(lines.remove(i)),
        1 => lines.insert(i, lines[i].clone()),
        2 | 8..=11 => {
            let key = lines[i].split(':').next().unwrap_or_default().to_string();
            lines[i] = format!("{key}: {nasty}");
        }
        3 | 12..=15 => lines[i] = lines[i].replacen(|c: char| c.is_ascii_digit(), nasty, 1),
        4 => lines[i] = format!("{nasty}{}", lines[i]),
        5 => lines[i] = format!("  {}", lines[i]),
        6 => {
            let middle = place.index(lines[i].chars().count() + 1);
            lines[i] = lines[i].chars().take(middle).collect::<String>() + nasty;
        }
        _ => lines.truncate(i),
    }
    *text = lines.join("\n");
}

/// Unexpected values in place of others.
pub const NASTY: &[&str] = &[
    "",
    " ",
    ":",
    "-",
    "- ",
    "[",
    "]",
    "{}",
    "[]",
    "~",
    "!tag x",
    "&a *a",
    "*a",
    "<<: {a: 1}",
    "|",
    ">",
    "\"",
    "'",
    "#",
    ".nan",
    ".inf",
    "-.inf",
    "0",
    "-1",
    "1e308",
    "1e-320",
    "18446744073709551616",
    "0x7f",
    "true",
    "null",
    "\t",
    "\r\n",
    "\u{0}",
    "\u{7f}",
    "\u{85}",
    "\u{2028}",
    "\u{feff}",
    "λ",
    "? x",
    "%YAML 3.0",
    "---\n",
    "...\n",
    "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa",
    "5e-324",
    ",",
    "1.0,1.0",
    "0.5",
    "3",
];

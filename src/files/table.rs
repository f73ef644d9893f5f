//! A YAML table that is read key by key. Every value is checked when it is read, and every refusal
//! names the file, line and column, the full path of the key, the value and the accepted values.

use std::fs::OpenOptions;
use std::io::Read;
use std::ops::RangeInclusive;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use nix::fcntl::OFlag;

use super::error::{Place, Position};
use super::yaml::{self, Data, Node};
use super::{ConfigError, Kind, Range};

/// Maximum length of a value's text in an error, characters.
const SHOWN: usize = 60;
/// Maximum size of a file, bytes; a joint file has some thousands.
const LARGEST_FILE: u64 = 1 << 20;

/// Returns a value's text for an error: one line of limited length.
fn show(node: &Node) -> String {
    if let Some(tag) = &node.tag {
        return shortened(&format!("tagged {}", quoted(tag)));
    }
    let text = match &node.data {
        Data::Null => return "empty".into(),
        Data::Bool(b) => b.to_string(),
        Data::Number(n) => n.to_string(),
        Data::Text(text) => quoted(text),
        Data::List(list) => {
            let items: Vec<String> = list.iter().take(8).map(show).collect();
            let more = if list.len() > items.len() {
                ", ..."
            } else {
                ""
            };
            format!("[{}{more}]", items.join(", "))
        }
        Data::Table(entries) => format!("a table of {} keys", entries.len()),
    };
    shortened(&text)
}

/// Returns a text in quotes, on one line.
pub(super) fn quoted(text: &str) -> String {
    let short = shortened(text);
    format!("{short:?}")
}

pub(super) fn shortened(text: &str) -> String {
    if text.chars().count() <= SHOWN {
        return text.to_string();
    }
    let start: String = text.chars().take(SHOWN).collect();
    format!("{start}...")
}

/// Reads a whole regular file of at most `largest` bytes, which are counted while they are read: a
/// file may grow.
pub(super) fn read(file: &Path, largest: u64) -> Result<Vec<u8>, ConfigError> {
    let refuse = |reason: String| ConfigError::Read {
        file: file.to_path_buf(),
        reason,
    };
    let system = |e: std::io::Error| refuse(e.to_string());
    // Opening a pipe would wait for its writer, and opening a device may have an effect.
    if !std::fs::metadata(file).map_err(system)?.is_file() {
        return Err(refuse("it is not a file".into()));
    }
    let mut options = OpenOptions::new();
    let flags = OFlag::O_NONBLOCK.bits();
    let open = options.read(true).custom_flags(flags).open(file);
    let open = open.map_err(system)?;
    if !open.metadata().map_err(system)?.is_file() {
        return Err(refuse("it is not a file".into()));
    }
    let mut bytes = Vec::new();
    let counted = open.take(largest + 1).read_to_end(&mut bytes);
    if counted.map_err(system)? as u64 > largest {
        let reason = format!("it has more than {largest} bytes; accepted: at most {largest}");
        return Err(refuse(reason));
    }
    Ok(bytes)
}

/// A parsed YAML file.
pub(super) struct Document {
    pub(super) file: PathBuf,
    kind: Kind,
    root: Node,
}

impl Document {
    /// Reads a YAML file of that kind. All reading of configuration files goes through here.
    pub(super) fn load(file: &Path, kind: Kind) -> Result<Self, ConfigError> {
        let bytes = read(file, LARGEST_FILE)?;
        let text = std::str::from_utf8(&bytes).map_err(|e| {
            // The bytes before the first invalid one are UTF-8.
            let valid = String::from_utf8_lossy(&bytes[..e.valid_up_to()]);
            let reason = "it is not UTF-8 text".into();
            not_yaml(file, Position::behind(&valid), reason)
        })?;
        Self::parse(file, kind, text)
    }

    /// Parses the text of `file`, which is to be of that kind.
    pub(super) fn parse(file: &Path, kind: Kind, text: &str) -> Result<Self, ConfigError> {
        if Kind::is_record(text) {
            let start = Place::new(file, Position::new(1, 0));
            return Err(kind.instead(start, Kind::Record));
        }
        let root = yaml::parse(text).map_err(|(at, fault)| {
            // The parser may quote the text that it found, line breaks included.
            let reason = fault.to_string().replace(char::is_control, " ");
            not_yaml(file, at, reason)
        })?;
        Ok(Self {
            file: file.to_path_buf(),
            kind,
            root,
        })
    }

    /// Returns the table of the whole file; its keys must be those of its kind.
    pub(super) fn top(&self) -> Result<Table<'_>, ConfigError> {
        match self.kind.other(&self.root.keys()) {
            None => self.whole().table(self.kind.keys()),
            Some(found) => Err(self.kind.instead(self.whole().place(), found)),
        }
    }

    /// Returns the table of the whole file, once it has been checked; for refusals.
    pub(super) fn any_table(&self) -> Table<'_> {
        Table {
            whole: self.whole(),
        }
    }

    fn whole(&self) -> Field<'_> {
        Field {
            file: &self.file,
            path: String::new(),
            node: &self.root,
        }
    }
}

fn not_yaml(file: &Path, at: Position, reason: String) -> ConfigError {
    ConfigError::Syntax {
        at: Place::new(file, at),
        format: "YAML",
        reason,
    }
}

/// Gives a type its constructors from a YAML file: `load` and `from_text`. Both leave the checks to
/// the type's function `checked`.
macro_rules! read_from_yaml {
    ($made:ty, $kind:ident, $name:literal $(, $extra:ident: $of:ty)?) => {
        impl $made {
            #[doc = concat!("Reads ", $name, ".")]
            ///
            /// # Errors
            /// The first entry that is not accepted, in this file or in one that it names.
            pub fn load(
                file: impl AsRef<std::path::Path>
                $(, $extra: $of)?
            ) -> Result<Self, $crate::files::ConfigError> {
                let (file, kind) = (file.as_ref(), $crate::files::Kind::$kind);
                let document = $crate::files::table::Document::load(file, kind)?;
                Self::checked(&document $(, $extra)?)
            }

            #[doc = concat!("Parses `text` as ", $name, ".")]
            /// Files that it names are read from the folder of `file`.
            ///
            /// # Errors
            /// As `load`.
            pub fn from_text(
                file: impl AsRef<std::path::Path>,
                text: &str
                $(, $extra: $of)?
            ) -> Result<Self, $crate::files::ConfigError> {
                let (file, kind) = (file.as_ref(), $crate::files::Kind::$kind);
                let document = $crate::files::table::Document::parse(file, kind, text)?;
                Self::checked(&document $(, $extra)?)
            }
        }
    };
}
pub(super) use read_from_yaml;

/// A value of a file, with the path of its key.
#[derive(Clone)]
pub(super) struct Field<'a> {
    file: &'a Path,
    /// Full path of the key; empty for the whole file.
    path: String,
    node: &'a Node,
}

impl<'a> Field<'a> {
    fn place(&self) -> Place {
        Place::new(self.file, self.node.at)
    }

    /// Returns the refusal of this value.
    pub(super) fn refuse(&self, accepted: impl Into<String>) -> ConfigError {
        self.refuse_as(show(self.node), accepted)
    }

    /// Returns the refusal of this value, which is shown as `value`.
    pub(super) fn refuse_as(
        &self,
        value: impl ToString,
        accepted: impl Into<String>,
    ) -> ConfigError {
        let key = match self.path.as_str() {
            "" => "the file",
            path => path,
        };
        ConfigError::Value {
            at: self.place(),
            key: key.into(),
            value: value.to_string(),
            accepted: accepted.into(),
        }
    }

    /// Returns the table that this value is; its keys must be among `keys`.
    pub(super) fn table(&self, keys: &[&str]) -> Result<Table<'a>, ConfigError> {
        let (Data::Table(entries), None) = (&self.node.data, &self.node.tag) else {
            return Err(self.refuse(Table::with(keys)));
        };
        let table = Table {
            whole: self.clone(),
        };
        table.only(entries, keys)?;
        Ok(table)
    }

    /// Returns the items of the list that this value is, as many as `count` allows.
    pub(super) fn items(
        &self,
        count: RangeInclusive<usize>,
        accepted: &str,
    ) -> Result<Vec<Field<'a>>, ConfigError> {
        let Data::List(items) = &self.node.data else {
            return Err(self.refuse(accepted));
        };
        if !count.contains(&items.len()) {
            return Err(self.refuse_as(format!("a list of {}", items.len()), accepted));
        }
        let item = |(i, node)| Field {
            path: format!("{}[{i}]", self.path),
            node,
            ..self.clone()
        };
        Ok(items.iter().enumerate().map(item).collect())
    }

    /// Returns the number that this value is, in `range`.
    pub(super) fn number(&self, range: Range) -> Result<f64, ConfigError> {
        match self.any_number() {
            Some(n) if range.holds(n) => Ok(n),
            Some(n) => Err(self.refuse(range.words() + &range.slip(n))),
            None => Err(self.refuse(range.words())),
        }
    }

    /// Returns the number that this value is; `None` if it is none.
    pub(super) fn any_number(&self) -> Option<f64> {
        match &self.node.data {
            Data::Number(n) => n.as_f64(),
            _ => None,
        }
    }

    /// Returns the text that this value is; `None` if it is none.
    pub(super) fn text(&self) -> Option<&'a str> {
        self.node.text()
    }

    /// Returns the boolean that this value is.
    pub(super) fn truth(&self) -> Result<bool, ConfigError> {
        match self.node.data {
            Data::Bool(truth) => Ok(truth),
            _ => Err(self.refuse("true or false")),
        }
    }
}

/// One table of a file.
#[derive(Clone)]
pub(super) struct Table<'a> {
    whole: Field<'a>,
}

impl<'a> Table<'a> {
    /// Path of the file.
    pub(super) fn file(&self) -> &'a Path {
        self.whole.file
    }

    /// Returns the full path of `key`.
    pub(super) fn key(&self, key: &str) -> String {
        match self.whole.path.as_str() {
            "" => key.to_string(),
            path => format!("{path}.{key}"),
        }
    }

    /// Returns the refusal of the value at `path`, such as `tendons[2].sign`, in this table.
    pub(super) fn refuse(&self, path: &str, accepted: impl Into<String>) -> ConfigError {
        self.field(path, self.innermost(path)).refuse(accepted)
    }

    fn field(&self, key: &str, node: &'a Node) -> Field<'a> {
        Field {
            file: self.file(),
            path: self.key(key),
            node,
        }
    }

    /// Returns the value at `key`, if there is one.
    pub(super) fn get(&self, key: &str) -> Option<Field<'a>> {
        Some(self.field(key, self.whole.node.get(key)?))
    }

    /// Returns what a table with `keys` is called in errors.
    fn with(keys: &[&str]) -> String {
        format!("a table with the keys {}", keys.join(", "))
    }

    /// Refuses unknown keys. This comes before missing keys, because a misspelt key is both.
    fn only(&self, entries: &[(Node, Node)], keys: &[&str]) -> Result<(), ConfigError> {
        let known = |key: &Node| key.text().is_some_and(|text| keys.contains(&text));
        let Some((key, value)) = entries.iter().find(|(key, _)| !known(key)) else {
            return Ok(());
        };
        let shown = match key.text() {
            Some(text) => shortened(&text.escape_debug().to_string()),
            None => show(key),
        };
        Err(ConfigError::Unknown {
            at: Place::new(self.file(), key.at),
            key: self.key(&shown),
            value: show(value),
            accepted: keys.join(", "),
        })
    }

    /// Returns the refusal of what stands at `path`, shown as `value`. The place is that of the
    /// innermost part of the path that the file has.
    pub(super) fn refuse_as(
        &self,
        path: &str,
        value: impl ToString,
        accepted: impl Into<String>,
    ) -> ConfigError {
        let field = self.field(path, self.innermost(path));
        field.refuse_as(value, accepted)
    }

    fn innermost(&self, path: &str) -> &'a Node {
        let (mut node, mut parts) = (self.whole.node, path.split(['.', '[']));
        while let Some(next) = parts.next().and_then(|part| node.get(part)) {
            node = next;
        }
        node
    }

    /// Returns whether there is something at `path`.
    pub(super) fn has(&self, path: &str) -> bool {
        let mut parts = path.split(['.', '[']);
        let found = parts.try_fold(self.whole.node, |node, part| node.get(part));
        found.is_some()
    }

    /// Returns the value at `key`, which is required.
    pub(super) fn need(&self, key: &str, accepted: &str) -> Result<Field<'a>, ConfigError> {
        self.get(key).ok_or_else(|| self.missing(key, accepted))
    }

    /// Returns the error for `key`, which the table lacks.
    pub(super) fn missing(&self, key: &str, accepted: &str) -> ConfigError {
        ConfigError::Missing {
            at: self.whole.place(),
            key: self.key(key),
            accepted: accepted.to_string(),
        }
    }

    /// Returns the table at `key`, if there is one; its keys must be among `keys`.
    pub(super) fn table(&self, key: &str, keys: &[&str]) -> Result<Option<Table<'a>>, ConfigError> {
        self.get(key).map(|field| field.table(keys)).transpose()
    }

    /// Returns the table at `key`, which is required; its keys must be among `keys`.
    pub(super) fn need_table(&self, key: &str, keys: &[&str]) -> Result<Table<'a>, ConfigError> {
        self.need(key, &Table::with(keys))?.table(keys)
    }

    /// Returns a number in `range`.
    pub(super) fn number(&self, key: &str, range: Range) -> Result<f64, ConfigError> {
        self.need(key, &range.words())?.number(range)
    }

    /// Returns a number in `range`, or `default` if the key is missing.
    pub(super) fn number_or(
        &self,
        key: &str,
        range: Range,
        default: f64,
    ) -> Result<f64, ConfigError> {
        self.get(key)
            .map_or(Ok(default), |field| field.number(range))
    }

    /// Returns a whole number from `low` to `high`.
    pub(super) fn whole(&self, key: &str, low: u64, high: u64) -> Result<u64, ConfigError> {
        let accepted = format!("a whole number from {low} to {high}");
        let field = self.need(key, &accepted)?;
        match &field.node.data {
            Data::Number(n) => n.as_u64().filter(|n| (low..=high).contains(n)),
            _ => None,
        }
        .ok_or_else(|| field.refuse(accepted))
    }

    /// Returns a list of numbers in `range`; `count` bounds its length.
    pub(super) fn numbers(
        &self,
        key: &str,
        count: RangeInclusive<usize>,
        range: Range,
    ) -> Result<Vec<f64>, ConfigError> {
        let (low, high) = (count.start(), count.end());
        let many = if low == high {
            low.to_string()
        } else {
            format!("{low} to {high}")
        };
        let accepted = format!("{many} numbers in brackets, each {}", range.words());
        let field = self.need(key, &accepted)?;
        // A list that is too long or too short is shown as it is.
        let items = field.items(count, "").map_err(|_| field.refuse(accepted))?;
        items.iter().map(|item| item.number(range)).collect()
    }

    /// Returns two numbers in `range`.
    pub(super) fn pair(&self, key: &str, range: Range) -> Result<[f64; 2], ConfigError> {
        let numbers = self.numbers(key, 2..=2, range)?;
        // The length was checked above.
        Ok([numbers[0], numbers[1]])
    }

    /// Returns a text for which `fits` is true.
    pub(super) fn text(
        &self,
        key: &str,
        accepted: &str,
        fits: impl Fn(&str) -> bool,
    ) -> Result<&'a str, ConfigError> {
        let field = self.need(key, accepted)?;
        let text = field.text().filter(|text| fits(text));
        text.ok_or_else(|| field.refuse(accepted))
    }

    /// Returns a text for which `fits` is true, or `default` if the key is missing.
    pub(super) fn text_or(
        &self,
        key: &str,
        accepted: &str,
        fits: impl Fn(&str) -> bool,
        default: &'a str,
    ) -> Result<&'a str, ConfigError> {
        match self.get(key) {
            None => Ok(default),
            Some(_) => self.text(key, accepted, fits),
        }
    }

    /// Returns the value of one of the accepted words.
    pub(super) fn choice<T: Copy>(&self, key: &str, words: &[(&str, T)]) -> Result<T, ConfigError> {
        let names: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let accepted = names.join(" or ");
        let field = self.need(key, &accepted)?;
        let given = field.text();
        words
            .iter()
            .find(|(word, _)| given == Some(*word))
            .map(|(_, meaning)| *meaning)
            .ok_or_else(|| field.refuse(accepted))
    }

    /// Returns a boolean, or `default` if the key is missing.
    pub(super) fn truth_or(&self, key: &str, default: bool) -> Result<bool, ConfigError> {
        self.get(key).map_or(Ok(default), |field| field.truth())
    }
}

/// A table with a fallback table that it shares with others; its own keys come first.
pub(super) struct Overlaid<'a> {
    pub(super) own: Table<'a>,
    pub(super) all: Option<Table<'a>>,
}

impl<'a> Overlaid<'a> {
    /// Returns the table that `key` is read from: the own table unless only the shared one has the
    /// key.
    pub(super) fn of(&self, key: &str) -> &Table<'a> {
        match &self.all {
            Some(all) if self.own.get(key).is_none() && all.get(key).is_some() => all,
            _ => &self.own,
        }
    }

    pub(super) fn number(&self, key: &str, range: Range) -> Result<f64, ConfigError> {
        self.of(key).number(key, range)
    }

    pub(super) fn number_or(
        &self,
        key: &str,
        range: Range,
        default: f64,
    ) -> Result<f64, ConfigError> {
        self.of(key).number_or(key, range, default)
    }
}

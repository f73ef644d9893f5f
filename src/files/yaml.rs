//! YAML text to a tree of nodes that know their positions.
//!
//! Plain scalars are resolved as serde_yaml does, which writes the files: the core schema of YAML
//! 1.2.

use std::collections::HashMap;

use saphyr_parser::{Event, Marker, Parser, ScalarStyle, Tag};
use serde_yaml::Number;

use super::error::Position;
use super::table::shortened;

/// Maximum depth of tables and lists in each other; a joint file has four levels.
const DEEPEST: usize = 100;
/// Maximum number of nodes that anchors and aliases may copy, so that a short file does not fill the
/// memory.
const MOST_COPIED: usize = 10_000;

/// A node with its position.
#[derive(Clone, Debug)]
pub(super) struct Node {
    pub(super) at: Position,
    /// Tag of the file's own, such as `!tag`.
    pub(super) tag: Option<String>,
    pub(super) data: Data,
}

/// Content of a node.
#[derive(Clone, Debug)]
pub(super) enum Data {
    Null,
    Bool(bool),
    Number(Number),
    Text(String),
    List(Vec<Node>),
    /// Keys and values in the order of the file; no text stands as a key twice.
    Table(Vec<(Node, Node)>),
}

/// Reason why a text is not accepted as YAML.
#[derive(Debug, thiserror::Error)]
pub(super) enum Fault {
    #[error("{0}")]
    Syntax(String),
    #[error("the control character {0:?} is not allowed")]
    Control(char),
    #[error("duplicate key {key:?}, first on line {first}")]
    Duplicate { key: String, first: u32 },
    #[error("an alias inside the value that it stands for")]
    InItself,
    #[error("anchors and aliases copy more than {MOST_COPIED} values")]
    Copies,
    #[error("more than {DEEPEST} tables and lists in each other")]
    Depth,
    #[error("a second document starts here; a file has one")]
    Documents,
    #[error("{text:?} is tagged as !!{tag}")]
    Tag { text: String, tag: String },
}

impl Node {
    pub(super) fn text(&self) -> Option<&str> {
        match &self.data {
            Data::Text(text) => Some(text),
            _ => None,
        }
    }

    /// Returns the keys of a table that are texts; none of anything else.
    pub(super) fn keys(&self) -> Vec<&str> {
        match &self.data {
            Data::Table(entries) => entries.iter().filter_map(|(key, _)| key.text()).collect(),
            _ => Vec::new(),
        }
    }

    /// Returns the value at `key` of a table, or the item of a list at an index such as `2]`.
    pub(super) fn get(&self, key: &str) -> Option<&Self> {
        match &self.data {
            Data::Table(entries) => {
                let entry = entries.iter().find(|(k, _)| k.text() == Some(key));
                entry.map(|(_, value)| value)
            }
            Data::List(items) => items.get(key.strip_suffix(']')?.parse::<usize>().ok()?),
            _ => None,
        }
    }

    /// Returns the number of nodes in this one, itself included.
    fn size(&self) -> usize {
        1 + match &self.data {
            Data::List(items) => items.iter().map(Self::size).sum(),
            Data::Table(entries) => entries.iter().map(|(k, v)| k.size() + v.size()).sum(),
            _ => 0,
        }
    }
}

impl Position {
    /// Returns the position at `line`, counted from 1, behind `before` characters. No file is so
    /// long that they do not fit.
    pub(super) fn new(line: usize, before: usize) -> Self {
        Self {
            line: line as u32,
            column: before as u32 + 1,
        }
    }

    fn of(mark: Marker) -> Self {
        Self::new(mark.line(), mark.col())
    }

    /// Returns the position behind `text`, which starts a file.
    pub(super) fn behind(text: &str) -> Self {
        let last = text.rsplit('\n').next().unwrap_or_default();
        Self::new(1 + text.matches('\n').count(), last.chars().count())
    }
}

/// Parses a text of one document; a text without any is an empty node.
///
/// # Errors
/// The first thing that is not accepted, and its position.
pub(super) fn parse(text: &str) -> Result<Node, (Position, Fault)> {
    // The parser would take a NUL for the end of the text.
    if let Some((start, c)) = text.char_indices().find(|(_, c)| !printable(*c)) {
        return Err((Position::behind(&text[..start]), Fault::Control(c)));
    }
    let mut tree = Tree::default();
    let mut parser = Parser::new_from_str(text);
    while let Some(event) = parser.next_event() {
        let (event, span) = event.map_err(|e| {
            (
                Position::of(*e.marker()),
                Fault::Syntax(e.info().to_string()),
            )
        })?;
        let at = Position::of(span.start);
        tree.take(event, at).map_err(|fault| (at, fault))?;
    }
    Ok(tree.root.unwrap_or(Node {
        at: Position::new(1, 0),
        tag: None,
        data: Data::Null,
    }))
}

/// Returns whether YAML allows the character in a text.
fn printable(c: char) -> bool {
    matches!(c, '\t' | '\n' | '\r' | '\u{85}')
        || !(c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}'))
}

/// A tree under construction.
#[derive(Default)]
struct Tree {
    open: Vec<Open>,
    anchors: HashMap<usize, Node>,
    copied: usize,
    root: Option<Node>,
}

/// A list or table that has not ended.
struct Open {
    node: Node,
    anchor: usize,
    /// The key whose value comes next.
    key: Option<Node>,
    /// Lines of the keys so far, by their text.
    keys: HashMap<String, u32>,
}

impl Tree {
    fn take(&mut self, event: Event, at: Position) -> Result<(), Fault> {
        match event {
            Event::Scalar(text, style, anchor, tag) => {
                let node = Node {
                    at,
                    data: scalar(&text, style, tag.as_deref())?,
                    tag: own(tag.as_deref()),
                };
                self.add(node, anchor)
            }
            Event::SequenceStart(anchor, tag) => {
                self.start(at, Data::List(Vec::new()), anchor, tag.as_deref())
            }
            Event::MappingStart(anchor, tag) => {
                self.start(at, Data::Table(Vec::new()), anchor, tag.as_deref())
            }
            Event::SequenceEnd | Event::MappingEnd => match self.open.pop() {
                Some(Open { node, anchor, .. }) => self.add(node, anchor),
                None => Ok(()),
            },
            Event::Alias(anchor) => {
                let node = self.anchors.get(&anchor).ok_or(Fault::InItself)?;
                let node = copy(node, &mut self.copied)?;
                self.add(Node { at, ..node }, 0)
            }
            Event::DocumentStart(_) if self.root.is_some() => Err(Fault::Documents),
            _ => Ok(()),
        }
    }

    fn start(
        &mut self,
        at: Position,
        data: Data,
        anchor: usize,
        tag: Option<&Tag>,
    ) -> Result<(), Fault> {
        if self.open.len() == DEEPEST {
            return Err(Fault::Depth);
        }
        self.open.push(Open {
            node: Node {
                at,
                tag: own(tag),
                data,
            },
            anchor,
            key: None,
            keys: HashMap::new(),
        });
        Ok(())
    }

    /// Adds a whole node to what is open.
    fn add(&mut self, mut node: Node, anchor: usize) -> Result<(), Fault> {
        if anchor > 0 {
            let copied = copy(&node, &mut self.copied)?;
            self.anchors.insert(anchor, copied);
        }
        let Some(open) = self.open.last_mut() else {
            self.root = Some(node);
            return Ok(());
        };
        match (&mut open.node.data, open.key.take()) {
            (Data::Table(entries), Some(key)) => {
                if matches!(node.data, Data::Null) {
                    // Nothing has no position of its own; the parser gives that of what follows.
                    node.at = key.at;
                }
                entries.push((key, node));
            }
            (Data::Table(_), None) => {
                if let Some(text) = node.text() {
                    let line = node.at.line;
                    if let Some(first) = open.keys.insert(text.to_string(), line) {
                        return Err(Fault::Duplicate {
                            key: shortened(text),
                            first,
                        });
                    }
                }
                open.key = Some(node);
            }
            (Data::List(items), _) => items.push(node),
            // Only lists and tables are opened.
            _ => {}
        }
        Ok(())
    }
}

/// Returns a copy of a node, if `copied` and its size are not too many together.
fn copy(node: &Node, copied: &mut usize) -> Result<Node, Fault> {
    *copied += node.size();
    if *copied > MOST_COPIED {
        return Err(Fault::Copies);
    }
    Ok(node.clone())
}

/// Returns the text of a tag that is not one of YAML's own types.
fn own(tag: Option<&Tag>) -> Option<String> {
    let tag = tag.filter(|tag| !tag.is_yaml_core_schema())?;
    Some(format!("{}{}", tag.handle, tag.suffix))
}

/// Returns the content of a scalar: a text, or what its spelling or its tag makes of it.
fn scalar(text: &str, style: ScalarStyle, tag: Option<&Tag>) -> Result<Data, Fault> {
    let core = tag.filter(|tag| tag.is_yaml_core_schema());
    let Some(tag) = core else {
        return Ok(match style {
            ScalarStyle::Plain => plain(text),
            _ => Data::Text(text.to_string()),
        });
    };
    let data = plain(text);
    match (tag.suffix.as_str(), &data) {
        ("bool", Data::Bool(_)) | ("null", Data::Null) => Ok(data),
        ("int", Data::Number(number)) if !number.is_f64() => Ok(data),
        ("float", Data::Number(number)) => Ok(Data::Number(number.as_f64().unwrap_or(0.0).into())),
        ("bool" | "int" | "float" | "null", _) => Err(Fault::Tag {
            text: shortened(text),
            tag: tag.suffix.clone(),
        }),
        _ => Ok(Data::Text(text.to_string())),
    }
}

fn plain(text: &str) -> Data {
    match text {
        "" | "~" | "null" | "Null" | "NULL" => Data::Null,
        "true" | "True" | "TRUE" => Data::Bool(true),
        "false" | "False" | "FALSE" => Data::Bool(false),
        _ => match text.parse::<Number>() {
            Ok(number) => Data::Number(number),
            Err(_) => match (text.parse::<i128>(), text.parse::<f64>()) {
                // An integer beyond 64 bits; leading zeros make a text.
                (Ok(_), Ok(number)) if !text.trim_start_matches(['+', '-']).starts_with('0') => {
                    Data::Number(number.into())
                }
                _ => Data::Text(text.to_string()),
            },
        },
    }
}

//! Pictures and pages read back by an XML parser.
#![allow(dead_code, reason = "each test file uses its own part")]

use roxmltree::{Document, Node, ParsingOptions};

pub fn parse(text: &str) -> Document<'_> {
    let options = ParsingOptions {
        allow_dtd: true,
        ..ParsingOptions::default()
    };
    Document::parse_with_options(text, options).unwrap_or_else(|e| panic!("{e}: {text:.400}"))
}

pub fn named<'a>(document: &'a Document<'_>, name: &'a str) -> Vec<Node<'a, 'a>> {
    let all = document.descendants();
    all.filter(|n| n.tag_name().name() == name).collect()
}

pub fn number(node: &Node, name: &str) -> f64 {
    node.attribute(name).unwrap().parse().unwrap()
}

pub fn points(polyline: &Node) -> Vec<(f64, f64)> {
    let pairs = polyline.attribute("points").unwrap().split_whitespace();
    pairs
        .map(|pair| {
            let (x, y) = pair.split_once(',').unwrap();
            (x.parse().unwrap(), y.parse().unwrap())
        })
        .collect()
}

/// Returns the place of the text, px.
pub fn place(document: &Document, text: &str) -> (f64, f64) {
    let found = named(document, "text");
    let node = found.iter().find(|n| n.text() == Some(text));
    let node = node.unwrap_or_else(|| panic!("no text {text:?}"));
    (number(node, "x"), number(node, "y"))
}

/// Returns left, right, top, bottom of the panels, px.
pub fn frames(document: &Document) -> Vec<[f64; 4]> {
    let borders = named(document, "rect").into_iter();
    let borders = borders.filter(|n| n.attribute("fill") == Some("none"));
    borders
        .map(|n| {
            let (x, y) = (number(&n, "x"), number(&n, "y"));
            [x, x + number(&n, "width"), y, y + number(&n, "height")]
        })
        .collect()
}

/// Returns the place of the tick called `label` in a frame, px.
pub fn tick_of(document: &Document, frame: [f64; 4], label: &str) -> f64 {
    let texts = named(document, "text");
    let mut ticks = texts.iter().filter(|n| n.text() == Some(label));
    let tick = ticks.find(|n| (frame[2]..=frame[3]).contains(&number(n, "y")));
    number(tick.unwrap(), "y") - 4.0
}

//! Elements of all pictures: strokes, text, lines clipped at a frame, ticks on linear and
//! logarithmic axes.

use std::fmt::Write;

/// Style of a line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stroke {
    /// SVG colour.
    pub colour: &'static str,
    /// Dashes and gaps, px; empty for a solid line.
    pub dash: &'static str,
    /// Width, px.
    pub width: f64,
}

impl Stroke {
    /// Returns a stroke of that colour, with dashes and gaps, and width, both px.
    pub const fn new(colour: &'static str, dash: &'static str, width: f64) -> Self {
        Self {
            colour,
            dash,
            width,
        }
    }

    /// Commanded values.
    pub const COMMANDED: Self = Self::new("#c2571a", "6 3", 1.3);
    /// True values.
    pub const TRUE: Self = Self::new("#12355b", "", 1.5);
    /// Noisy values, behind a model of them.
    pub const NOISY: Self = Self::new("#9aa1a9", "", 1.0);
    /// Auxiliary lines.
    pub const HELP: Self = Self::new("#555", "2 3", 0.9);

    /// Returns the stroke of line `i` of several: the first five differ, further ones repeat.
    pub fn of(i: usize) -> Self {
        const EACH: [(&str, &str); 5] = [
            ("#12355b", ""),
            ("#c2571a", "7 3"),
            ("#3b8a4c", "2 2"),
            ("#8a5aa8", "9 2 2 2"),
            ("#a08a00", "14 4"),
        ];
        let (colour, dash) = EACH[i % EACH.len()];
        Self::new(colour, dash, 1.2)
    }

    /// Returns the same stroke, `width` px wide.
    pub fn wide(self, width: f64) -> Self {
        Self { width, ..self }
    }

    fn attributes(&self) -> String {
        let mut text = format!(
            "stroke=\"{}\" stroke-width=\"{}\" stroke-linejoin=\"round\"",
            self.colour, self.width
        );
        if !self.dash.is_empty() {
            text.push_str(&format!(" stroke-dasharray=\"{}\"", self.dash));
        }
        text
    }
}

/// Scale of an axis.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Scale {
    /// Equal steps have equal lengths.
    #[default]
    Linear,
    /// Equal factors have equal lengths. Values of 0 and below cannot be drawn and break a line.
    Logarithmic,
}

impl Scale {
    /// Returns the position of `value` between two ends, 0 to 1; NaN where it cannot be drawn.
    pub(super) fn share(self, value: f64, (low, high): (f64, f64)) -> f64 {
        match self {
            Self::Linear => (value - low) / (high - low),
            Self::Logarithmic if value > 0.0 => (value / low).ln() / (high / low).ln(),
            Self::Logarithmic => f64::NAN,
        }
    }

    /// Returns ends that can be drawn: in order, clearly apart, and above 0 on a logarithmic axis.
    pub(super) fn ends(self, (low, high): (f64, f64)) -> (f64, f64) {
        let size = low.abs().max(high.abs());
        let apart = high - low > (1e-12 * size).max(1e-300) && size < 1e300;
        match self {
            Self::Linear if apart => (low, high),
            Self::Logarithmic if apart && low > 1e-300 => (low, high),
            Self::Linear if size < 1e300 && low <= high => {
                let room = (1e-3 * size).max(1.0);
                (low - room, low + room)
            }
            Self::Linear => (0.0, 1.0),
            Self::Logarithmic if high > 1e-300 && high < 1e300 => (0.1 * high, high),
            Self::Logarithmic => (0.1, 1.0),
        }
    }

    /// Returns positions of ticks with their labels; fine ticks of a logarithmic axis have an empty
    /// label.
    pub(super) fn ticks(self, (low, high): (f64, f64), step: f64) -> Vec<(f64, String)> {
        match self {
            Self::Linear => {
                let step = usable(step, high - low);
                let places = ticks(low, high, step);
                places.map(|v| (v, number(v, step))).collect()
            }
            Self::Logarithmic => decades(low, high),
        }
    }
}

/// Returns a round number (1, 2 or 5 times a power of ten) that divides `span` into about `parts`.
pub(super) fn round_step(span: f64, parts: f64) -> f64 {
    let raw = span / parts;
    let power = 10f64.powf(raw.log10().floor());
    let lead = raw / power;
    let lead = [1.0, 2.0, 5.0].into_iter().find(|&l| lead <= l * 1.0001);
    power * lead.unwrap_or(10.0)
}

/// Returns `step` where it divides `span` into parts that can be drawn; otherwise a round number.
pub(super) fn usable(step: f64, span: f64) -> f64 {
    if (0.01..=100.0).contains(&(span / step)) {
        step
    } else {
        round_step(span, 5.0)
    }
}

/// Returns text for XML and HTML, inside elements and attributes. Characters that XML excludes
/// become a replacement character.
pub(super) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\u{fffe}' | '\u{ffff}' => out.push('\u{fffd}'),
            c if c.is_control() && c != '\n' => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// Returns a number on an axis, with as many decimals as its step needs.
fn number(value: f64, step: f64) -> String {
    let decimals = (-step.log10().floor()).clamp(0.0, 9.0) as usize;
    // Avoids a minus sign before zero.
    let value = if value.abs() < 1e-9 * step {
        0.0
    } else {
        value
    };
    format!("{value:.decimals$}")
}

fn ticks(low: f64, high: f64, step: f64) -> impl Iterator<Item = f64> {
    let first = (low / step - 1e-6).ceil() as i64;
    let last = (high / step + 1e-6).floor() as i64;
    (first..=last).map(move |i| i as f64 * step)
}

/// Returns ticks at 1 to 9 times each power of ten; labels at the powers, and at 2 and 5 where
/// there is room. Over very many decades it returns only some of the powers.
fn decades(low: f64, high: f64) -> Vec<(f64, String)> {
    let room = high.log10() - low.log10() < 2.2;
    let (from, to) = (low.log10().floor() as i32, high.log10().ceil() as i32);
    let every = (to - from) / 12 + 1;
    let leads = if every == 1 { 1..=9 } else { 1..=1 };
    let mut found = Vec::new();
    for power in (from..=to).filter(|p| p.rem_euclid(every) == 0) {
        for lead in leads.clone() {
            let value = f64::from(lead) * 10f64.powi(power);
            if !(low * (1.0 - 1e-9) <= value && value <= high * (1.0 + 1e-9)) {
                continue;
            }
            let label = match lead {
                1 | 2 | 5 if lead == 1 || room => {
                    if (-4..=5).contains(&power) {
                        let decimals = usize::try_from(-power).unwrap_or(0);
                        format!("{value:.decimals$}")
                    } else {
                        format!("{lead}e{power}")
                    }
                }
                _ => String::new(),
            };
            found.push((value, label));
        }
    }
    found
}

/// Returns rows for labels that may not overlap: for each (start, end), the first free row.
pub(super) fn rows(spans: &[(f64, f64)]) -> Vec<usize> {
    let mut ends: Vec<f64> = Vec::new();
    let place = |&(start, end): &(f64, f64)| {
        let free = ends.iter().position(|&e| e <= start);
        let row = free.unwrap_or(ends.len());
        if row == ends.len() {
            ends.push(end);
        }
        ends[row] = end;
        row
    };
    spans.iter().map(place).collect()
}

/// Returns the points, in px, without those that cannot be seen: of neighbours in one column of px
/// it keeps the highest and the lowest, in their order; breaks (NaN) stay.
fn thinned(mut points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let sound = |p: &(f64, f64)| p.0.is_finite() && p.1.is_finite();
    let mut kept: Vec<(f64, f64)> = Vec::new();
    while let Some(first) = points.first() {
        if !sound(first) {
            kept.push((f64::NAN, f64::NAN));
            points = &points[1..];
            continue;
        }
        let column = first.0.floor();
        let same = |p: &&(f64, f64)| sound(p) && p.0.floor() == column;
        let count = points.iter().take_while(same).count().max(1);
        let (here, rest) = points.split_at(count);
        let by = |a: &usize, b: &usize| here[*a].1.total_cmp(&here[*b].1);
        let lowest = (0..count).min_by(by).unwrap_or(0);
        let highest = (0..count).max_by(by).unwrap_or(0);
        kept.push(here[lowest.min(highest)]);
        if lowest != highest {
            kept.push(here[lowest.max(highest)]);
        }
        points = rest;
    }
    kept
}

/// A frame, px.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Frame {
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: f64,
}

impl Frame {
    /// Returns the part of a line from `a` to `b` that is inside, as shares of its length. Source:
    /// Liang and Barsky 1984, "A new concept and method for line clipping" (from memory).
    fn inside(&self, a: (f64, f64), b: (f64, f64)) -> Option<(f64, f64)> {
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let (mut from, mut to) = (0.0_f64, 1.0_f64);
        for (speed, room) in [
            (-dx, a.0 - self.left),
            (dx, self.right - a.0),
            (-dy, a.1 - self.top),
            (dy, self.bottom - a.1),
        ] {
            if speed == 0.0 {
                if !(room >= 0.0) {
                    return None;
                }
            } else if speed < 0.0 {
                from = from.max(room / speed);
            } else {
                to = to.min(room / speed);
            }
        }
        (from <= to).then_some((from, to))
    }

    /// Returns the pieces of a line that are inside; NaN breaks it.
    pub(super) fn cut(&self, line: &[(f64, f64)]) -> Vec<Vec<(f64, f64)>> {
        let mut pieces: Vec<Vec<(f64, f64)>> = Vec::new();
        let mut open = false;
        for pair in line.windows(2) {
            let (a, b) = (pair[0], pair[1]);
            let sound = [a.0, a.1, b.0, b.1].iter().all(|v| v.is_finite());
            let Some((from, to)) = self.inside(a, b).filter(|_| sound) else {
                open = false;
                continue;
            };
            let at = |share: f64| (a.0 + share * (b.0 - a.0), a.1 + share * (b.1 - a.1));
            match pieces.last_mut() {
                Some(piece) if open && from == 0.0 => piece.push(at(to)),
                _ => pieces.push(vec![at(from), at(to)]),
            }
            open = to == 1.0;
        }
        pieces
    }

    /// Returns true if a point is inside.
    pub(super) fn holds(&self, (x, y): (f64, f64)) -> bool {
        (self.left..=self.right).contains(&x) && (self.top..=self.bottom).contains(&y)
    }
}

/// Alignment of text relative to its position.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// An SVG document being written.
pub(super) struct Canvas {
    out: String,
}

impl Canvas {
    /// Returns an empty white drawing of that size, px, with a title for screen readers.
    pub(super) fn new(width: f64, height: f64, name: &str) -> Self {
        let out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" \
             viewBox=\"0 0 {width} {height}\" \
             role=\"img\" font-family=\"sans-serif\" font-size=\"12\" fill=\"#222\">\n<title>{}</title>\n\
             <rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\n",
            escape(name)
        );
        Self { out }
    }

    pub(super) fn finish(mut self) -> String {
        self.out.push_str("</svg>\n");
        self.out
    }

    fn line_of(&mut self, text: std::fmt::Arguments<'_>) {
        // Writing to a String cannot fail.
        let _ = self.out.write_fmt(text);
        self.out.push('\n');
    }

    /// Writes text at a position; `more` has further attributes.
    pub(super) fn text(&mut self, (x, y): (f64, f64), anchor: Anchor, more: &str, text: &str) {
        let anchor = match anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        };
        let text = escape(text);
        self.line_of(format_args!(
            "<text x=\"{x:.1}\" y=\"{y:.1}\"{anchor}{more}>{text}</text>"
        ));
    }

    /// Writes a shaded rectangle.
    pub(super) fn shade(&mut self, frame: Frame, fill: &str) {
        let (x, y) = (frame.left, frame.top);
        let (width, height) = (frame.right - x, frame.bottom - y);
        self.line_of(format_args!(
            "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"{height:.1}\" fill=\"{fill}\"/>"
        ));
    }

    /// Writes the border of a rectangle.
    pub(super) fn border(&mut self, frame: Frame) {
        let (x, y) = (frame.left, frame.top);
        let (width, height) = (frame.right - x, frame.bottom - y);
        self.line_of(format_args!(
            "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"{height:.1}\" \
             fill=\"none\" stroke=\"#222\" stroke-width=\"0.8\"/>"
        ));
    }

    /// Writes a straight line.
    pub(super) fn line(&mut self, a: (f64, f64), b: (f64, f64), stroke: &Stroke) {
        let attributes = stroke.attributes();
        self.line_of(format_args!(
            "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" {attributes}/>",
            a.0, a.1, b.0, b.1
        ));
    }

    /// Writes a line through points, clipped at the frame.
    pub(super) fn course(&mut self, places: &[(f64, f64)], frame: Frame, stroke: &Stroke) {
        let attributes = stroke.attributes();
        for piece in frame.cut(&thinned(places)) {
            let places = piece.iter().map(|(x, y)| format!("{x:.1},{y:.1}"));
            let places = places.collect::<Vec<_>>().join(" ");
            self.line_of(format_args!(
                "<polyline fill=\"none\" {attributes} points=\"{places}\"/>"
            ));
        }
    }

    /// Writes a dot with a white centre.
    pub(super) fn dot(&mut self, (x, y): (f64, f64)) {
        self.line_of(format_args!(
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\" fill=\"#fff\" stroke=\"#000\" stroke-width=\"1.6\"/>"
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round() {
        let expected = [
            (120.0, 15.0, 10.0),
            (20.0, 5.0, 5.0),
            (3.1, 5.0, 1.0),
            (0.011, 5.0, 0.005),
        ];
        for (span, parts, step) in expected {
            assert!(
                (round_step(span, parts) - step).abs() < 1e-12 * step,
                "{span}"
            );
        }
        assert_eq!(number(-0.0, 0.5), "0.0");
        assert_eq!(number(20.0, 5.0), "20");
    }

    #[test]
    fn decades_have_fine_ticks_and_labels_where_there_is_room() {
        let labels = |low, high| {
            let all = decades(low, high).into_iter();
            all.filter(|t| !t.1.is_empty())
                .map(|t| t.1)
                .collect::<Vec<_>>()
        };
        assert_eq!(decades(0.1, 1000.0).len(), 37);
        assert_eq!(labels(0.1, 1000.0), ["0.1", "1", "10", "100", "1000"]);
        assert_eq!(labels(0.5, 12.0), ["0.5", "1", "2", "5", "10"]);
        assert_eq!(labels(1e-6, 1e-3), ["1e-6", "1e-5", "0.0001", "0.001"]);
    }

    #[test]
    fn axes_put_values_in_their_place() {
        assert_eq!(Scale::Linear.share(2.5, (0.0, 10.0)), 0.25);
        let share = Scale::Logarithmic.share(10.0, (0.1, 1000.0));
        assert!((share - 0.5).abs() < 1e-15);
        assert!(Scale::Logarithmic.share(0.0, (0.1, 1.0)).is_nan());
        // Ends that cannot be drawn.
        assert_eq!(Scale::Linear.ends((3.0, 3.0)), (2.0, 4.0));
        assert_eq!(Scale::Linear.ends((f64::NAN, 1.0)), (0.0, 1.0));
        assert_eq!(Scale::Logarithmic.ends((0.0, 10.0)), (1.0, 10.0));
        assert_eq!(Scale::Logarithmic.ends((-2.0, -1.0)), (0.1, 1.0));
    }

    #[test]
    fn lines_are_cut_at_the_frame_and_broken_at_nan() {
        let frame = Frame {
            left: 0.0,
            right: 10.0,
            top: 0.0,
            bottom: 10.0,
        };
        let through = [(-5.0, 5.0), (5.0, 5.0), (5.0, 15.0)];
        assert_eq!(frame.cut(&through), [[(0.0, 5.0), (5.0, 5.0), (5.0, 10.0)]]);
        // Out and in again: two pieces, nothing along the border.
        let out = [(5.0, 5.0), (5.0, -5.0), (8.0, -5.0), (8.0, 5.0)];
        let pieces = [[(5.0, 5.0), (5.0, 0.0)], [(8.0, 0.0), (8.0, 5.0)]];
        assert_eq!(frame.cut(&out), pieces);
        let broken = [(1.0, 1.0), (2.0, 1.0), (f64::NAN, 1.0), (4.0, 1.0)];
        assert_eq!(frame.cut(&broken), [[(1.0, 1.0), (2.0, 1.0)]]);
        assert!(frame.cut(&[(-1.0, -1.0), (-1.0, 20.0)]).is_empty());
        assert!(frame.cut(&[(1.0, 1.0)]).is_empty());
    }

    #[test]
    fn labels_do_not_overlap() {
        let spans = [(0.0, 50.0), (20.0, 70.0), (50.0, 90.0), (60.0, 80.0)];
        assert_eq!(rows(&spans), [0, 1, 0, 2]);
    }

    #[test]
    fn thinning_keeps_peaks_and_breaks() {
        let mut points: Vec<(f64, f64)> = (0..1000)
            .map(|i| (f64::from(i) * 0.05, (f64::from(i) * 0.1).sin()))
            .collect();
        points[503].1 = 7.0;
        points[700].1 = f64::NAN;
        let kept = thinned(&points);
        assert!(kept.len() < 110);
        assert!(kept.contains(&(503.0 * 0.05, 7.0)));
        assert!(kept.iter().any(|p| p.1.is_nan()));
        let seen: Vec<_> = kept.iter().filter(|p| p.0.is_finite()).collect();
        assert!(seen.windows(2).all(|w| w[0].0 <= w[1].0));
    }
}

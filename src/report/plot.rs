//! Line plots over time as plain SVG 1.1: stacked panels on one time axis, no scripts, no outside resources.
//!
//! Lines differ by dash as well as by colour, and their colours by lightness, so that a grey print is readable.

use std::fmt::Write;

/// How a line is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stroke {
    /// Colour, as SVG names it.
    pub colour: &'static str,
    /// Dashes and gaps, px; empty for a solid line.
    pub dash: &'static str,
    /// Width, px.
    pub width: f64,
}

impl Stroke {
    /// What was asked for.
    pub const ASKED: Self = Self {
        colour: "#c2571a",
        dash: "6 3",
        width: 1.3,
    };
    /// What was.
    pub const TRUE: Self = Self {
        colour: "#12355b",
        dash: "",
        width: 1.5,
    };

    /// The stroke of line `i` of several equals: four of them differ, further ones repeat.
    pub fn of(i: usize) -> Self {
        const EACH: [(&str, &str); 4] = [
            ("#12355b", ""),
            ("#c2571a", "7 3"),
            ("#3b8a4c", "2 2"),
            ("#8a5aa8", "9 2 2 2"),
        ];
        let (colour, dash) = EACH[i % EACH.len()];
        Self {
            colour,
            dash,
            width: 1.2,
        }
    }
}

/// One line: its name in the legend, and points in order of time. NaN breaks the line.
#[derive(Clone, Debug)]
pub struct Series {
    /// Name in the legend.
    pub name: String,
    /// How it is drawn.
    pub stroke: Stroke,
    /// (time, value)
    pub points: Vec<(f64, f64)>,
}

/// One panel.
#[derive(Clone, Debug)]
pub struct Panel {
    /// What the vertical axis shows, with its unit.
    pub label: String,
    /// Share of the height that all panels have together.
    pub height: f64,
    /// Ends of the vertical axis; otherwise they follow the lines.
    pub range: Option<(f64, f64)>,
    /// Distance of the ticks on it; otherwise a round number.
    pub ticks: Option<f64>,
    /// The lines.
    pub series: Vec<Series>,
}

/// A stretch of time with a name, shaded or not.
#[derive(Clone, Debug)]
pub struct Band {
    /// Start, on the time axis.
    pub from: f64,
    /// End.
    pub to: f64,
    /// What it is called.
    pub label: String,
}

/// A moment with a name.
#[derive(Clone, Debug)]
pub struct Mark {
    /// When, on the time axis.
    pub at: f64,
    /// What happened.
    pub label: String,
}

/// A whole drawing.
#[derive(Clone, Debug)]
pub struct Figure {
    /// Title.
    pub title: String,
    /// What the time axis shows, with its unit.
    pub time_label: String,
    /// Ends of the time axis.
    pub span: (f64, f64),
    /// Panels, top to bottom.
    pub panels: Vec<Panel>,
    /// Stretches of time.
    pub bands: Vec<Band>,
    /// Moments.
    pub marks: Vec<Mark>,
}

const WIDTH: f64 = 1500.0;
const LEFT: f64 = 70.0;
const RIGHT: f64 = 20.0;
const PANELS: f64 = 640.0;
const PANEL_GAP: f64 = 34.0;
const LINE: f64 = 15.0;
/// Width of a character at the size of labels, px: a generous mean for sans-serif letters.
const CHARACTER: f64 = 7.3;

/// A round number (1, 2 or 5 times a power of ten) that cuts `span` into about `parts`.
fn round_step(span: f64, parts: f64) -> f64 {
    let raw = span / parts;
    let power = 10f64.powf(raw.log10().floor());
    let lead = raw / power;
    let lead = [1.0, 2.0, 5.0].into_iter().find(|&l| lead <= l * 1.0001);
    power * lead.unwrap_or(10.0)
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

/// A number on an axis: as many decimals as its step needs.
fn number(value: f64, step: f64) -> String {
    let decimals = (-step.log10().floor()).clamp(0.0, 6.0) as usize;
    // No minus zero.
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

/// Rows for labels that may not overlap: for each (start, end), the first row that is free.
fn rows(spans: &[(f64, f64)]) -> Vec<usize> {
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

impl Figure {
    /// The drawing as SVG.
    pub fn svg(&self) -> String {
        let mut out = String::new();
        self.draw(&mut out)
            .expect("a String takes all that is written to it");
        out
    }

    fn draw(&self, out: &mut String) -> std::fmt::Result {
        let (start, end) = self.span;
        let plot_width = WIDTH - LEFT - RIGHT;
        let x = |t: f64| LEFT + (t - start) / (end - start) * plot_width;
        // Labels end before the right edge; those of marks stand right of their line.
        let label_spans: Vec<(f64, f64)> = (self.marks.iter())
            .map(|m| {
                let width = m.label.chars().count() as f64 * CHARACTER + 10.0;
                let from = x(m.at).min(WIDTH - width);
                (from, from + width)
            })
            .collect();
        let label_rows = rows(&label_spans);
        let row_count = label_rows.iter().max().map_or(0, |r| r + 1) as f64;
        let bands_top = 36.0;
        let bands_height = if self.bands.is_empty() { 0.0 } else { 20.0 };
        let marks_top = bands_top + bands_height + 4.0;
        let top = marks_top + row_count * LINE + 26.0;
        let gaps = PANEL_GAP * (self.panels.len().saturating_sub(1)) as f64;
        let bottom = top + PANELS + gaps;
        let height = bottom + 48.0;
        writeln!(
            out,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height}\" viewBox=\"0 0 {WIDTH} {height}\" \
             font-family=\"sans-serif\" font-size=\"12\" fill=\"#222\">"
        )?;
        writeln!(
            out,
            "<rect width=\"{WIDTH}\" height=\"{height}\" fill=\"#fff\"/>"
        )?;
        writeln!(
            out,
            "<text x=\"{LEFT}\" y=\"22\" font-size=\"16\" font-weight=\"bold\">{}</text>",
            escape(&self.title)
        )?;
        for (i, band) in self.bands.iter().enumerate() {
            let (from, to) = (x(band.from.max(start)), x(band.to.min(end)));
            let fill = if i % 2 == 0 { "#f1f3f5" } else { "#e3e7eb" };
            let (width, middle) = (to - from, 0.5 * (from + to));
            writeln!(
                out,
                "<rect x=\"{from:.1}\" y=\"{bands_top}\" width=\"{width:.1}\" height=\"{:.1}\" fill=\"{fill}\"/>",
                bottom - bands_top
            )?;
            writeln!(
                out,
                "<text x=\"{middle:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-weight=\"bold\">{}</text>",
                bands_top + 14.0,
                escape(&band.label)
            )?;
        }
        let mut y = top;
        let whole: f64 = self.panels.iter().map(|p| p.height).sum();
        for panel in &self.panels {
            let height = PANELS * panel.height / whole;
            panel.draw(out, (start, end), (y, y + height))?;
            y += height + PANEL_GAP;
        }
        for ((mark, span), row) in self.marks.iter().zip(&label_spans).zip(&label_rows) {
            let line = x(mark.at);
            let base = marks_top + (*row as f64 + 0.75) * LINE;
            writeln!(
                out,
                "<line x1=\"{line:.1}\" y1=\"{:.1}\" x2=\"{line:.1}\" y2=\"{bottom:.1}\" stroke=\"#666\" stroke-width=\"0.8\" stroke-dasharray=\"1 3\"/>",
                base - 9.0
            )?;
            writeln!(
                out,
                "<text x=\"{:.1}\" y=\"{base:.1}\" font-size=\"11\">{}</text>",
                span.0 + 3.0,
                escape(&mark.label)
            )?;
        }
        let step = round_step(end - start, 15.0);
        for t in ticks(start, end, step) {
            writeln!(
                out,
                "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
                x(t),
                bottom + 17.0,
                number(t, step)
            )?;
        }
        writeln!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
            LEFT + 0.5 * plot_width,
            bottom + 36.0,
            escape(&self.time_label)
        )?;
        writeln!(out, "</svg>")
    }
}

impl Panel {
    /// Ends of the vertical axis and distance of its ticks.
    fn axis(&self) -> (f64, f64, f64) {
        let values = self
            .series
            .iter()
            .flat_map(|s| s.points.iter().map(|p| p.1));
        let (low, high) = values
            .filter(|v| v.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
                (l.min(v), h.max(v))
            });
        let (low, high) = self.range.unwrap_or(if low < high {
            (low, high)
        } else if low == high {
            (low - 1.0, high + 1.0)
        } else {
            (0.0, 1.0)
        });
        let step = self.ticks.unwrap_or_else(|| round_step(high - low, 5.0));
        match self.range {
            Some(_) => (low, high, step),
            None => (
                (low / step).floor() * step,
                (high / step).ceil() * step,
                step,
            ),
        }
    }

    fn draw(
        &self,
        out: &mut String,
        (start, end): (f64, f64),
        (top, bottom): (f64, f64),
    ) -> std::fmt::Result {
        let plot_width = WIDTH - LEFT - RIGHT;
        let (low, high, step) = self.axis();
        let x = |t: f64| LEFT + (t - start) / (end - start) * plot_width;
        let y = |v: f64| bottom - (v - low) / (high - low) * (bottom - top);
        let right = WIDTH - RIGHT;
        for v in ticks(low, high, step) {
            let line = y(v);
            writeln!(
                out,
                "<line x1=\"{LEFT}\" y1=\"{line:.1}\" x2=\"{right}\" y2=\"{line:.1}\" stroke=\"#c4c9ce\" stroke-width=\"0.6\"/>"
            )?;
            writeln!(
                out,
                "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                LEFT - 6.0,
                line + 4.0,
                number(v, step)
            )?;
        }
        let time_step = round_step(end - start, 15.0);
        for t in ticks(start, end, time_step) {
            let line = x(t);
            writeln!(
                out,
                "<line x1=\"{line:.1}\" y1=\"{bottom:.1}\" x2=\"{line:.1}\" y2=\"{:.1}\" stroke=\"#222\" stroke-width=\"0.8\"/>",
                bottom + 4.0
            )?;
        }
        writeln!(
            out,
            "<rect x=\"{LEFT}\" y=\"{top:.1}\" width=\"{plot_width}\" height=\"{:.1}\" fill=\"none\" stroke=\"#222\" stroke-width=\"0.8\"/>",
            bottom - top
        )?;
        // Axis label and legend share the line above the panel.
        let base = top - 7.0;
        writeln!(
            out,
            "<text x=\"{LEFT}\" y=\"{base:.1}\" font-weight=\"bold\">{}</text>",
            escape(&self.label)
        )?;
        let mut legend = right;
        for series in self.series.iter().rev() {
            let width = series.name.chars().count() as f64 * CHARACTER + 4.0;
            legend -= width;
            writeln!(
                out,
                "<text x=\"{legend:.1}\" y=\"{base:.1}\">{}</text>",
                escape(&series.name)
            )?;
            let (from, to, line) = (legend - 40.0, legend - 5.0, base - 4.0);
            writeln!(
                out,
                "<line x1=\"{from:.1}\" y1=\"{line:.1}\" x2=\"{to:.1}\" y2=\"{line:.1}\" {}/>",
                series.stroke.attributes()
            )?;
            legend -= 58.0;
        }
        for series in &self.series {
            let drawn = series.thinned(start, (end - start) / plot_width);
            for line in drawn.split(|p| !p.1.is_finite()).filter(|l| l.len() > 1) {
                write!(
                    out,
                    "<polyline fill=\"none\" {} points=\"",
                    series.stroke.attributes()
                )?;
                for &(t, v) in line {
                    write!(out, "{:.1},{:.1} ", x(t), y(v.clamp(low, high)))?;
                }
                writeln!(out, "\"/>")?;
            }
        }
        Ok(())
    }
}

impl Stroke {
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

impl Series {
    /// The points less those that cannot be seen: per pixel column the least and the greatest, in order of time; breaks stay.
    fn thinned(&self, start: f64, column: f64) -> Vec<(f64, f64)> {
        let mut kept: Vec<(f64, f64)> = Vec::new();
        let mut points = self.points.as_slice();
        while let Some(&(time, value)) = points.first() {
            if !value.is_finite() {
                kept.push((time, f64::NAN));
                points = &points[1..];
                continue;
            }
            let of = |t: f64| ((t - start) / column).floor();
            let same = |p: &&(f64, f64)| p.1.is_finite() && of(p.0) == of(time);
            let count = points.iter().take_while(same).count().max(1);
            let (here, rest) = points.split_at(count);
            let least = (0..count)
                .min_by(|&a, &b| here[a].1.total_cmp(&here[b].1))
                .unwrap_or(0);
            let most = (0..count)
                .max_by(|&a, &b| here[a].1.total_cmp(&here[b].1))
                .unwrap_or(0);
            kept.push(here[least.min(most)]);
            if least != most {
                kept.push(here[least.max(most)]);
            }
            points = rest;
        }
        kept
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
    fn labels_do_not_overlap() {
        let spans = [(0.0, 50.0), (20.0, 70.0), (50.0, 90.0), (60.0, 80.0)];
        assert_eq!(rows(&spans), [0, 1, 0, 2]);
    }

    #[test]
    fn thinning_keeps_peaks_and_breaks() {
        let mut points: Vec<(f64, f64)> = (0..1000)
            .map(|i| (f64::from(i) * 0.01, (f64::from(i) * 0.1).sin()))
            .collect();
        points[503].1 = 7.0;
        points[700].1 = f64::NAN;
        let series = Series {
            name: "a".into(),
            stroke: Stroke::TRUE,
            points,
        };
        let kept = series.thinned(0.0, 0.2);
        assert!(kept.len() < 110);
        assert!(kept.contains(&(5.03, 7.0)));
        assert!(kept.iter().any(|p| p.1.is_nan()));
        assert!(kept.windows(2).all(|w| w[0].0 <= w[1].0));
    }

    #[test]
    fn text_is_escaped_and_values_stay_inside() {
        let figure = Figure {
            title: "a < b & c".into(),
            time_label: "time, s".into(),
            span: (0.0, 1.0),
            panels: vec![Panel {
                label: "angle, deg".into(),
                height: 1.0,
                range: Some((0.0, 10.0)),
                ticks: None,
                series: vec![Series {
                    name: "asked".into(),
                    stroke: Stroke::ASKED,
                    points: vec![(0.0, -5.0), (1.0, 20.0)],
                }],
            }],
            bands: vec![],
            marks: vec![Mark {
                at: 0.5,
                label: "push".into(),
            }],
        };
        let svg = figure.svg();
        assert!(svg.contains("a &lt; b &amp; c"));
        assert!(svg.ends_with("</svg>\n"));
        let points = svg
            .split("points=\"")
            .nth(1)
            .unwrap()
            .split('"')
            .next()
            .unwrap();
        for pair in points.split_whitespace() {
            let y: f64 = pair.split(',').nth(1).unwrap().parse().unwrap();
            assert!((60.0..=800.0).contains(&y), "{y}");
        }
    }
}

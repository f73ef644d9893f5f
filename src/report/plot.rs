//! Line plots as plain SVG 1.1: stacked panels on one horizontal axis, no scripts, no outside
//! resources.
//!
//! Lines differ by dash as well as by colour, and their colours by lightness, so that a grey print
//! is readable. Lines are clipped at the panel's frame.

use super::draw::{Anchor, Canvas, Frame, Scale, Stroke, round_step, rows, usable};

/// One line: its name in the legend (none if empty), and its points. NaN breaks the line.
#[derive(Clone, Debug)]
pub struct Series {
    /// Name in the legend; may be empty.
    pub name: String,
    /// Stroke of the line.
    pub stroke: Stroke,
    /// Points, (horizontal, vertical).
    pub points: Vec<(f64, f64)>,
}

/// A level across a panel: a horizontal line, or a shaded band between two values.
#[derive(Clone, Debug)]
pub struct Level {
    /// Lower end, on the vertical axis.
    pub from: f64,
    /// Upper end; the same for a line.
    pub to: f64,
    /// Label; may be empty.
    pub label: String,
}

/// A labelled point.
#[derive(Clone, Debug)]
pub struct Dot {
    /// Position, (horizontal, vertical).
    pub at: (f64, f64),
    /// Label of the point.
    pub label: String,
}

impl Dot {
    /// Returns a point with its label.
    pub fn new(at: (f64, f64), label: impl Into<String>) -> Self {
        let label = label.into();
        Self { at, label }
    }
}

/// One panel.
#[derive(Clone, Debug, Default)]
pub struct Panel {
    /// Quantity on the vertical axis, with its unit.
    pub label: String,
    /// Share of the height of all panels together.
    pub height: f64,
    /// Scale of the vertical axis.
    pub scale: Scale,
    /// Ends of the vertical axis; by default they follow the lines.
    pub range: Option<(f64, f64)>,
    /// Distance of the ticks on a linear axis; by default a round number.
    pub ticks: Option<f64>,
    /// The lines.
    pub series: Vec<Series>,
    /// Levels behind the lines.
    pub levels: Vec<Level>,
    /// Points in front of the lines.
    pub dots: Vec<Dot>,
}

impl Panel {
    /// Returns a panel as high as others, with lines alone.
    pub fn new(label: impl Into<String>, series: Vec<Series>) -> Self {
        Self {
            label: label.into(),
            height: 1.0,
            series,
            ..Self::default()
        }
    }
}

/// A shaded and labelled range of the horizontal axis.
#[derive(Clone, Debug)]
pub struct Band {
    /// Start.
    pub from: f64,
    /// End.
    pub to: f64,
    /// Label of the range.
    pub label: String,
}

/// A labelled position on the horizontal axis.
#[derive(Clone, Debug)]
pub struct Mark {
    /// Position on the axis.
    pub at: f64,
    /// Label of the position.
    pub label: String,
}

/// Height of the panels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Height {
    /// Height of all panels together, px.
    Px(f64),
    /// Each panel as high as equal scales on both axes require.
    Equal,
}

/// A whole drawing.
#[derive(Clone, Debug)]
pub struct Figure {
    /// Title.
    pub title: String,
    /// Quantity on the horizontal axis, with its unit.
    pub x_label: String,
    /// Scale of the horizontal axis.
    pub scale: Scale,
    /// Ends of the horizontal axis.
    pub span: (f64, f64),
    /// Width of the drawing, px.
    pub width: f64,
    /// Height of the panels.
    pub height: Height,
    /// Panels, top to bottom.
    pub panels: Vec<Panel>,
    /// Ranges of the horizontal axis.
    pub bands: Vec<Band>,
    /// Positions on the horizontal axis.
    pub marks: Vec<Mark>,
}

impl Default for Figure {
    /// Returns a wide drawing over a linear axis from 0 to 1, without panels.
    fn default() -> Self {
        Self {
            title: String::new(),
            x_label: String::new(),
            scale: Scale::Linear,
            span: (0.0, 1.0),
            width: 1500.0,
            height: Height::Px(640.0),
            panels: Vec::new(),
            bands: Vec::new(),
            marks: Vec::new(),
        }
    }
}

const LEFT: f64 = 70.0;
const RIGHT: f64 = 20.0;
const PANEL_GAP: f64 = 34.0;
const LINE: f64 = 15.0;
/// Width of a character at the size of labels, px: a generous mean for sans-serif letters.
const CHARACTER: f64 = 7.3;
/// Approximate distance of labelled ticks on the horizontal axis, px.
const TICK: f64 = 95.0;
const GRID: Stroke = Stroke::new("#d3d7db", "", 0.6);
const FINE: Stroke = Stroke::new("#eceef0", "", 0.6);
const EDGE: Stroke = Stroke::new("#222", "", 0.8);
const MARK: Stroke = Stroke::new("#666", "1 3", 0.8);
/// Size of small letters relative to the others.
const SMALL: f64 = 11.0 / 12.0;
/// White outline of letters on top of lines.
const HALO: &str = " font-size=\"11\" stroke=\"#fff\" stroke-width=\"3\" \
                    stroke-linejoin=\"round\" paint-order=\"stroke\"";

fn wide(text: &str) -> f64 {
    text.chars().count() as f64 * CHARACTER
}

/// The drawn horizontal axis.
struct Across {
    scale: Scale,
    ends: (f64, f64),
    /// Position of the left end, px.
    left: f64,
    right: f64,
    /// Distance of labelled ticks.
    step: f64,
    ticks: Vec<(f64, String)>,
}

impl Across {
    fn x(&self, value: f64) -> f64 {
        self.left + self.scale.share(value, self.ends) * (self.right - self.left)
    }

    /// Returns the position of a value, which is moved to an end of the axis from beyond it.
    fn x_within(&self, value: f64) -> f64 {
        self.x(value.clamp(self.ends.0, self.ends.1))
    }
}

/// Top of the bands, and height of their labels, px.
const BANDS_TOP: f64 = 36.0;
const BANDS_HEIGHT: f64 = 20.0;

impl Figure {
    /// Returns the drawing as SVG.
    pub fn svg(&self) -> String {
        let axis = self.axis();
        let labels = self.mark_labels(&axis);
        let label_rows = rows(&labels);
        let row_count = label_rows.iter().max().map_or(0, |r| r + 1) as f64;
        let bands = if self.bands.is_empty() {
            0.0
        } else {
            BANDS_HEIGHT
        };
        let marks_top = BANDS_TOP + bands + 4.0;
        let panels_top = marks_top + row_count * LINE;
        let frames = self.frames(&axis, panels_top);
        let bottom = frames.last().map_or(panels_top, |frame| frame.bottom);
        let mut canvas = Canvas::new(self.width, bottom + 48.0, &self.title);
        let title = " font-size=\"16\" font-weight=\"bold\"";
        canvas.text((axis.left, 22.0), Anchor::Start, title, &self.title);
        self.draw_bands(&mut canvas, &axis, bottom);
        for (panel, frame) in self.panels.iter().zip(&frames) {
            let ticks = matches!(self.height, Height::Equal).then_some(axis.step);
            panel.draw(&mut canvas, &axis, *frame, ticks);
        }
        for ((mark, label), row) in self.marks.iter().zip(&labels).zip(&label_rows) {
            let line = axis.x_within(mark.at);
            if !line.is_finite() {
                continue;
            }
            let base = marks_top + (*row as f64 + 0.75) * LINE;
            canvas.line((line, base - 9.0), (line, bottom), &MARK);
            let place = (label.0 + 3.0, base);
            canvas.text(place, Anchor::Start, " font-size=\"11\"", &mark.label);
        }
        for (value, label) in axis.ticks.iter().filter(|t| !t.1.is_empty()) {
            canvas.text((axis.x(*value), bottom + 17.0), Anchor::Middle, "", label);
        }
        let place = (0.5 * (axis.left + axis.right), bottom + 36.0);
        canvas.text(place, Anchor::Middle, " class=\"axis\"", &self.x_label);
        canvas.finish()
    }

    fn axis(&self) -> Across {
        let ends = self.scale.ends(self.span);
        let (left, right) = (LEFT, self.width - RIGHT);
        let step = round_step(ends.1 - ends.0, ((right - left) / TICK).max(2.0));
        Across {
            scale: self.scale,
            ends,
            left,
            right,
            step,
            ticks: self.scale.ticks(ends, step),
        }
    }

    /// Returns start and end of the labels of the marks, px: right of their line, and before the
    /// right edge.
    fn mark_labels(&self, axis: &Across) -> Vec<(f64, f64)> {
        let label = |mark: &Mark| {
            let width = wide(&mark.label) + 10.0;
            let from = axis.x_within(mark.at).min(self.width - width);
            (from, from + width)
        };
        self.marks.iter().map(label).collect()
    }

    /// Returns the frames of the panels below `top`, px.
    fn frames(&self, axis: &Across, top: f64) -> Vec<Frame> {
        let mut y = top;
        let frame = |(i, panel): (usize, &Panel)| {
            let head = panel.legend(axis.right - axis.left).1 as f64 * LINE + 11.0;
            let top = y + head + if i > 0 { PANEL_GAP - 26.0 } else { 0.0 };
            y = top + self.panel_height(panel, axis);
            Frame {
                left: axis.left,
                right: axis.right,
                top,
                bottom: y,
            }
        };
        self.panels.iter().enumerate().map(frame).collect()
    }

    fn draw_bands(&self, canvas: &mut Canvas, axis: &Across, bottom: f64) {
        for (i, band) in self.bands.iter().enumerate() {
            let (from, to) = (axis.x_within(band.from), axis.x_within(band.to));
            if !(from <= to) {
                continue;
            }
            let fill = if i % 2 == 0 { "#e9edf1" } else { "#dbe1e6" };
            let frame = Frame {
                left: from,
                right: to,
                top: BANDS_TOP,
                bottom,
            };
            canvas.shade(frame, fill);
            let half = 0.5 * wide(&band.label);
            let rightmost = (self.width - half).max(half);
            let middle = (0.5 * (from + to)).clamp(half, rightmost);
            let place = (middle, BANDS_TOP + 14.0);
            let bold = " font-weight=\"bold\"";
            canvas.text(place, Anchor::Middle, bold, &band.label);
        }
    }

    fn panel_height(&self, panel: &Panel, axis: &Across) -> f64 {
        match self.height {
            Height::Px(height) => {
                let whole: f64 = self.panels.iter().map(|p| p.height).sum();
                let share = panel.height / whole;
                let equal = 1.0 / self.panels.len() as f64;
                height * if share.is_finite() { share } else { equal }
            }
            Height::Equal => {
                let (low, high, _) = panel.axis();
                (axis.right - axis.left) * (high - low) / (axis.ends.1 - axis.ends.0)
            }
        }
    }
}

impl Panel {
    /// Returns the ends of the vertical axis and the distance of its ticks.
    fn axis(&self) -> (f64, f64, f64) {
        let drawn = |v: &f64| v.is_finite() && (self.scale == Scale::Linear || *v > 0.0);
        let lines = self.series.iter().flat_map(|s| &s.points).map(|p| p.1);
        let levels = self.levels.iter().flat_map(|l| [l.from, l.to]);
        let (low, high) = lines
            .chain(levels)
            .filter(drawn)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
                (l.min(v), h.max(v))
            });
        let (low, high) = self.scale.ends(self.range.unwrap_or((low, high)));
        let step = usable(self.ticks.unwrap_or(f64::NAN), high - low);
        match (self.range, self.scale) {
            (Some(_), _) => (low, high, step),
            (None, Scale::Linear) => (
                (low / step).floor() * step,
                (high / step).ceil() * step,
                step,
            ),
            (None, Scale::Logarithmic) => {
                let power = |v: f64| 10f64.powf(v);
                (power(low.log10().floor()), power(high.log10().ceil()), step)
            }
        }
    }

    /// Returns the series in the legend, with their positions from the right edge and their rows
    /// from below, and the number of rows of label and legend.
    fn legend(&self, width: f64) -> (Vec<(usize, f64, usize)>, usize) {
        let (mut places, mut row, mut used) = (Vec::new(), 0, 0.0);
        for (i, series) in self.series.iter().enumerate().rev() {
            if series.name.is_empty() {
                continue;
            }
            let own = wide(&series.name) + 62.0;
            if used > 0.0 && used + own > width {
                (row, used) = (row + 1, 0.0);
            }
            used += own;
            places.push((i, used - 58.0, row));
        }
        let label = wide(&self.label) * 1.08 + 10.0;
        let lines = if used + label > width {
            row + 2
        } else {
            row + 1
        };
        (places, lines)
    }

    fn draw(&self, canvas: &mut Canvas, across: &Across, frame: Frame, ticks: Option<f64>) {
        let (low, high, step) = self.axis();
        let scale = self.scale;
        let up = Up {
            scale,
            ends: (low, high),
            frame,
        };
        self.shade_levels(canvas, &up);
        for (value, label) in scale.ticks(up.ends, ticks.unwrap_or(step)) {
            let line = up.y(value);
            canvas.line((frame.left, line), (frame.right, line), grid(&label));
            canvas.text((frame.left - 6.0, line + 4.0), Anchor::End, "", &label);
        }
        for (value, label) in &across.ticks {
            let line = across.x(*value);
            canvas.line((line, frame.top), (line, frame.bottom), grid(label));
            if !label.is_empty() {
                canvas.line((line, frame.bottom), (line, frame.bottom + 4.0), &EDGE);
            }
        }
        self.draw_levels(canvas, &up);
        canvas.border(frame);
        self.draw_legend(canvas, frame);
        for series in &self.series {
            let places = series.points.iter().map(|p| (across.x(p.0), up.y(p.1)));
            canvas.course(&places.collect::<Vec<_>>(), frame, &series.stroke);
        }
        self.label_levels(canvas, &up);
        for dot in &self.dots {
            draw_dot(
                canvas,
                frame,
                (across.x(dot.at.0), up.y(dot.at.1)),
                &dot.label,
            );
        }
    }

    fn shade_levels(&self, canvas: &mut Canvas, up: &Up) {
        let (low, high) = up.ends;
        for level in &self.levels {
            let (from, to) = (level.from.clamp(low, high), level.to.clamp(low, high));
            if from < to {
                let shade = Frame {
                    top: up.y(to),
                    bottom: up.y(from),
                    ..up.frame
                };
                canvas.shade(shade, "#e9edf1");
            }
        }
    }

    fn draw_levels(&self, canvas: &mut Canvas, up: &Up) {
        let frame = up.frame;
        for level in &self.levels {
            let ends = [level.from, level.to];
            for end in &ends[..if level.from == level.to { 1 } else { 2 }] {
                let line = [(frame.left, up.y(*end)), (frame.right, up.y(*end))];
                canvas.course(&line, frame, &Stroke::HELP);
            }
        }
    }

    fn label_levels(&self, canvas: &mut Canvas, up: &Up) {
        let (low, high) = up.ends;
        for level in &self.levels {
            let above = up.y(level.to.min(high)) - 4.0;
            // Below the line where the frame leaves no room above it.
            let under = above - 10.0 < up.frame.top;
            let base = if under { above + 17.0 } else { above };
            if !level.label.is_empty() && level.from <= high && level.to >= low {
                let place = (up.frame.right - 6.0, base);
                canvas.text(place, Anchor::End, HALO, &level.label);
            }
        }
    }

    /// Draws the label of the axis and the legend, which share the row above the panel where there
    /// is room.
    fn draw_legend(&self, canvas: &mut Canvas, frame: Frame) {
        let base = frame.top - 7.0;
        let (legend, lines) = self.legend(frame.right - frame.left);
        let above = base - (lines - 1) as f64 * LINE;
        let bold = " class=\"axis\" font-weight=\"bold\"";
        canvas.text((frame.left, above), Anchor::Start, bold, &self.label);
        for (i, back, row) in legend {
            let series = &self.series[i];
            let place = (frame.right - back, base - row as f64 * LINE);
            canvas.text(place, Anchor::Start, "", &series.name);
            let line = place.1 - 4.0;
            canvas.line(
                (place.0 - 40.0, line),
                (place.0 - 5.0, line),
                &series.stroke,
            );
        }
    }
}

/// The drawn vertical axis of a panel.
struct Up {
    scale: Scale,
    ends: (f64, f64),
    frame: Frame,
}

impl Up {
    fn y(&self, value: f64) -> f64 {
        let share = self.scale.share(value, self.ends);
        self.frame.bottom - share * (self.frame.bottom - self.frame.top)
    }
}

/// Returns the stroke of a grid line at a tick with this label.
fn grid(label: &str) -> &'static Stroke {
    if label.is_empty() { &FINE } else { &GRID }
}

fn draw_dot(canvas: &mut Canvas, frame: Frame, (x, y): (f64, f64), label: &str) {
    if !frame.holds((x, y)) {
        return;
    }
    canvas.dot((x, y));
    let room = frame.right - x > SMALL * wide(label) + 12.0;
    let above = if y - frame.top > 22.0 { -8.0 } else { 16.0 };
    if room {
        canvas.text((x + 7.0, y + above), Anchor::Start, HALO, label);
    } else {
        canvas.text((x - 7.0, y + above), Anchor::End, HALO, label);
    }
}

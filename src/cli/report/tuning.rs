//! The report of a tuning: specification, result and behaviour, beside the integer PI of the same
//! margin and crossover.

use super::setpoints::{Drive, Line};
use super::{level, maybe, number, picture, series, show_setpoints};
use crate::cli::output::capital;
use crate::control::controller::MotorGains;
use crate::control::tick::Law as CompiledLaw;
use crate::design::model::{Law, Loop, Plant};
use crate::design::tune::{Comparison, Design, Figure as Number, GAINS};
use crate::report::{
    Align, Band, Dot, Figure, Height, Mark, Page, Panel, Scale, Series, Stroke, Table,
};

/// Input of the report.
#[derive(Clone, Debug)]
pub struct Tuning<'a> {
    /// Name of what was tuned, for people: a joint, a payload.
    pub name: &'a str,
    /// The design.
    pub design: &'a Design,
    /// The benefit over an integer PI.
    pub comparison: &'a Comparison,
    /// The joint's family: each model with its name, delays included as in the design's own. Empty
    /// if there is none.
    pub family: &'a [(String, Plant)],
    /// The joint and law, to show setpoints against limits.
    pub drive: Option<Drive<'a>>,
    /// The same law with the integer PI's gains.
    pub integer_law: Option<&'a CompiledLaw>,
    /// Further sentences.
    pub notes: &'a [String],
}

/// The phase counts as flat while it differs from that at the crossover by at most this, deg.
const FLAT: f64 = 2.0;
/// Smaller magnitudes are not shown, dB.
const FAINT: f64 = -40.0;
const FRACTIONAL: Stroke = Stroke::TRUE;
const INTEGER: Stroke = Stroke::COMMANDED;

/// One of the laws shown.
struct Shown {
    name: &'static str,
    stroke: Stroke,
    gains: MotorGains,
    open: Loop,
}

impl Tuning<'_> {
    fn shown(&self) -> Vec<Shown> {
        let plant = self.design.plant;
        let one = |name, stroke: Stroke, gains: MotorGains| Shown {
            name,
            stroke: stroke.wide(1.7),
            gains,
            open: Loop::of(plant, Law::new(&gains)),
        };
        let mut shown = vec![one("fractional", FRACTIONAL, self.design.gains)];
        let integer = self.comparison.integer_gains;
        shown.extend(integer.map(|gains| one("integer PI", INTEGER, gains)));
        shown
    }

    /// Returns the duration of responses shown, s: more than two periods of the crossover.
    fn duration(&self) -> f64 {
        let w = self.design.specification.crossover;
        (14.0 / w + 4.0 * self.design.plant.dead_time).max(f64::MIN_POSITIVE)
    }
}

/// Returns the report of a tuning.
pub fn tuning(tuning: &Tuning<'_>) -> Page {
    let mut page = Page::new(format!("Tuning: {}", tuning.name));
    let shown = tuning.shown();
    let specification = &tuning.design.specification;
    page.text(format!(
        "Specified: {specification}, and a phase that is flat there. {}.",
        capital(&tuning.comparison.to_string())
    ));
    for note in tuning.notes {
        page.text(note.as_str());
    }
    page.table(
        "Specification, gains and figures",
        gains_table(tuning, &shown),
    );
    page.table("Overshoot at other loop gains", overshoot_table(tuning));
    page.heading("Open loop");
    let flat = flat_band(&shown[0].open, specification.crossover);
    page.picture(
        "open-loop",
        format!(
            "Shaded: the phase of the fractional law's loop stays within {FLAT} deg of that at the \
             crossover from {} to {} rad/s. The crossover stays in this range while the loop's \
             gain changes by factors from {} to {}.",
            Number(flat.0),
            Number(flat.1),
            Number(1.0 / shown[0].open.response(flat.0).norm()),
            Number(1.0 / shown[0].open.response(flat.1).norm()),
        ),
        open_loop_figure(tuning, &shown, flat),
    );
    page.picture(
        "nyquist",
        "The open loop in the complex plane, positive frequencies, cut at the frame; dotted: the \
         unit circle. The distance to -1 is one over the sensitivity; a dot marks where that \
         peaks.",
        nyquist_figure(tuning, &shown),
    );
    page.heading("Closed loop");
    page.picture(
        "steps",
        "Responses to a step of the reference with the loop's gain at the given factor times the \
         designed one.",
        steps_figure(tuning, &shown),
    );
    if !tuning.family.is_empty() {
        page.picture(
            "family",
            "Responses to a step of the reference on every model of the joint's family (thin, \
             grey) and on the tuning model; models on which a loop is unstable are in the table.",
            family_figure(tuning, &shown),
        );
        page.table("On the models of the family", family_table(tuning, &shown));
    }
    if let Some(drive) = &tuning.drive {
        let laws = [Some(drive.law), tuning.integer_law];
        let lines = shown.iter().zip(laws).filter_map(|(s, law)| {
            Some(Line {
                name: s.name,
                stroke: s.stroke,
                plant: tuning.design.plant,
                law: law?,
            })
        });
        let lines: Vec<Line> = lines.collect();
        show_setpoints(&mut page, drive, &lines);
    }
    page
}

/// Returns the frequencies around `w` between which the phase stays within [`FLAT`] of that at `w`,
/// rad/s.
fn flat_band(open: &Loop, w: f64) -> (f64, f64) {
    let phase = open.phase(w);
    let flat = |at: f64| (open.phase(at) - phase).abs() <= FLAT.to_radians();
    let reach = |factor: f64| {
        let mut at = w;
        // Up to a factor of a thousand.
        for _ in 0..692 {
            if !flat(at * factor) {
                break;
            }
            at *= factor;
        }
        at
    };
    (reach(1.0 / 1.01), reach(1.01))
}

/// Returns `n + 1` frequencies from `from` to `to`, equal factors apart, rad/s.
pub(super) fn frequencies(from: f64, to: f64, n: u32) -> impl Iterator<Item = f64> {
    let ratio = (to / from).ln();
    (0..=n).map(move |i| from * (ratio * f64::from(i) / f64::from(n)).exp())
}

pub(super) fn decibels(factor: f64) -> f64 {
    20.0 * factor.log10()
}

fn open_loop_figure(tuning: &Tuning<'_>, shown: &[Shown], flat: (f64, f64)) -> Figure {
    let w = tuning.design.specification.crossover;
    let span = (w / 50.0, w * 20.0);
    Figure {
        scale: Scale::Logarithmic,
        panels: vec![magnitude_panel(w, shown, span), phase_panel(w, shown, span)],
        bands: vec![Band {
            from: flat.0,
            to: flat.1,
            label: "flat phase".into(),
        }],
        marks: vec![Mark {
            at: w,
            label: "specified crossover".into(),
        }],
        ..picture(
            "Open loop: frequency response",
            "frequency, rad/s",
            span,
            520.0,
        )
    }
}

/// Returns a quantity of the open loops over the frequencies of `span`, with its ends.
fn responses(
    shown: &[Shown],
    span: (f64, f64),
    of: impl Fn(&Loop, f64) -> f64,
) -> (Vec<Series>, (f64, f64)) {
    let line = |s: &Shown| {
        let points = frequencies(span.0, span.1, 900).map(|x| (x, of(&s.open, x)));
        series(s.name, s.stroke, points.collect())
    };
    let lines: Vec<Series> = shown.iter().map(line).collect();
    let values = lines.iter().flat_map(|s| &s.points).map(|p| p.1);
    let ends = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
        (l.min(v), h.max(v))
    });
    (lines, ends)
}

/// Returns a range that whole steps divide, from below `low` to above `high`.
fn whole_steps(low: f64, high: f64, step: f64) -> (f64, f64) {
    ((low / step).floor() * step, (high / step).ceil() * step)
}

fn magnitude_panel(crossover: f64, shown: &[Shown], span: (f64, f64)) -> Panel {
    let magnitude = |open: &Loop, x: f64| decibels(open.response(x).norm());
    let (series, (low, high)) = responses(shown, span, magnitude);
    Panel {
        range: Some(whole_steps(low.max(FAINT), high.max(20.0), 20.0)),
        ticks: Some(20.0),

        levels: vec![level(0.0, "")],
        dots: vec![Dot::new(
            (crossover, 0.0),
            format!("crossover, {} rad/s", Number(crossover)),
        )],
        ..Panel::new("magnitude, dB", series)
    }
}

fn phase_panel(crossover: f64, shown: &[Shown], span: (f64, f64)) -> Panel {
    let degrees = |open: &Loop, x: f64| open.phase(x).to_degrees();
    let (mut phases, (low, high)) = responses(shown, span, degrees);
    let phase = degrees(&shown[0].open, crossover);
    let turns = ((phase + 180.0) / 360.0).round() * 360.0;
    let line = turns - 180.0;
    let margin = Stroke::new("#000", "", 2.6);
    let points = vec![(crossover, line), (crossover, phase)];
    phases.push(series("", margin, points));
    Panel {
        range: Some(whole_steps(low.max(-315.0), high.max(-90.0), 45.0)),
        ticks: Some(45.0),

        levels: vec![level(line, "")],
        dots: vec![Dot::new(
            (crossover, phase),
            format!("margin, {} deg", Number(phase - line)),
        )],
        ..Panel::new("phase, deg", phases)
    }
}

fn nyquist_figure(tuning: &Tuning<'_>, shown: &[Shown]) -> Figure {
    let w = tuning.design.specification.crossover;
    let line = |s: &Shown| {
        let points = frequencies(w / 1000.0, w * 1000.0, 4000).map(|x| s.open.response(x));
        series(s.name, s.stroke, points.map(|l| (l.re, l.im)).collect())
    };
    let mut lines = vec![series("unit circle", Stroke::HELP, circle((0.0, 0.0), 1.0))];
    lines.extend(shown.iter().map(line));
    let at_crossover = shown[0].open.response(w);
    let mut dots = vec![
        Dot::new((-1.0, 0.0), "-1"),
        Dot::new((at_crossover.re, at_crossover.im), "crossover"),
    ];
    let peak = shown[0].open.figures().sensitivity;
    if peak.frequency.is_finite() {
        let nearest = shown[0].open.response(peak.frequency);
        // Two labels at one place would be unreadable.
        if (nearest - at_crossover).norm() > 0.12 {
            dots.push(Dot::new(
                (nearest.re, nearest.im),
                format!("sensitivity {}", Number(peak.value)),
            ));
        }
    }
    plane(lines, dots)
}

/// Returns a circle around a point.
pub(super) fn circle((x, y): (f64, f64), radius: f64) -> Vec<(f64, f64)> {
    let turns = (0..=180_u32).map(|i| (f64::from(i) * 2.0).to_radians().sin_cos());
    turns
        .map(|(sin, cos)| (x + radius * cos, y + radius * sin))
        .collect()
}

/// Returns open loops in the complex plane near -1, with equal scales.
pub(super) fn plane(series: Vec<Series>, dots: Vec<Dot>) -> Figure {
    Figure {
        panels: vec![Panel {
            range: Some((-2.25, 1.25)),

            levels: vec![level(0.0, "")],
            dots,
            ..Panel::new("imaginary part, 1", series)
        }],
        width: 640.0,
        height: Height::Equal,
        ..picture(
            "Open loop in the complex plane",
            "real part, 1",
            (-2.25, 1.25),
            0.0,
        )
    }
}

/// Returns the step response over `duration` s, %; `None` if the loop is unstable.
fn step(open: &Loop, duration: f64) -> Option<Vec<(f64, f64)>> {
    let response = open.step_response(duration)?;
    let at = |i: u32| duration * f64::from(i) / 400.0;
    Some(
        (0..=400)
            .map(|i| (at(i), 100.0 * response.value(at(i))))
            .collect(),
    )
}

/// Returns step responses with a panel for each law, whose lines `of` gives, on one scale.
fn stacked(
    title: &str,
    duration: f64,
    shown: &[Shown],
    of: impl Fn(&Shown) -> Vec<Series>,
) -> Figure {
    let panel = |s: &Shown| Panel {
        levels: vec![level(100.0, "")],
        ticks: Some(20.0),
        ..Panel::new(format!("bend, {}, %", s.name), of(s))
    };
    let mut panels: Vec<Panel> = shown.iter().map(panel).collect();
    let values = panels.iter().flat_map(|p| &p.series);
    let values = values.flat_map(|s| &s.points).map(|p| p.1);
    let high = values.filter(|v| v.is_finite()).fold(100.0, f64::max);
    let high = ((high / 20.0).ceil() * 20.0).min(260.0);
    for panel in &mut panels {
        panel.range = Some((0.0, high));
    }
    let height = 260.0 * panels.len() as f64;
    Figure {
        panels,
        ..picture(title, "time, s", (0.0, duration), height)
    }
}

fn steps_figure(tuning: &Tuning<'_>, shown: &[Shown]) -> Figure {
    let duration = tuning.duration();
    stacked("Steps at other loop gains", duration, shown, |s| {
        let one = |(i, factor): (usize, &f64)| {
            let (points, word) = match step(&s.open.scaled(*factor), duration) {
                Some(points) => (points, ""),
                None => (Vec::new(), ", unstable"),
            };
            // The gain of the design is highlighted.
            let stroke = if *factor == 1.0 {
                Stroke::new("#000", "", 2.2)
            } else {
                Stroke::of([2, 1, 0, 3, 4][i % 5]).wide(1.5)
            };
            series(format!("gain x {factor}{word}"), stroke, points)
        };
        GAINS.iter().enumerate().map(one).collect()
    })
}

fn family_figure(tuning: &Tuning<'_>, shown: &[Shown]) -> Figure {
    let duration = tuning.duration();
    stacked("Steps over the family", duration, shown, |s| {
        let law = Law::new(&s.gains);
        let thin = Stroke::NOISY.wide(0.9);
        let members = tuning.family.iter().enumerate();
        let mut lines: Vec<Series> = members
            .filter_map(|(i, (_, plant))| {
                let name = if i == 0 { "models of the family" } else { "" };
                let points = step(&Loop::of(*plant, law), duration);
                Some(series(name, thin, points?))
            })
            .collect();
        let own = step(&s.open, duration).unwrap_or_default();
        lines.push(series("tuning model", s.stroke, own));
        lines
    })
}

fn gains_table(tuning: &Tuning<'_>, shown: &[Shown]) -> Table {
    let mut columns = vec![("", "", Align::Left), ("unit", "", Align::Left)];
    columns.extend(shown.iter().map(|s| (s.name, "", Align::Right)));
    let mut table = Table::new(&columns);
    let mut row = |name: &str, unit: &str, of: &dyn Fn(&Shown) -> String| {
        let head = [name.to_string(), unit.to_string()];
        table.row(head.into_iter().chain(shown.iter().map(of)));
    };
    let specification = &tuning.design.specification;
    let figures: Vec<_> = shown.iter().map(|s| s.open.figures()).collect();
    let of = |s: &Shown| {
        if s.name == shown[0].name {
            &figures[0]
        } else {
            &figures[figures.len() - 1]
        }
    };
    row("specified phase margin", "deg", &|_| {
        number(specification.phase_margin.to_degrees())
    });
    row("specified gain crossover", "rad/s", &|_| {
        number(specification.crossover)
    });
    row("kp", "rad/rad", &|s| number(s.gains.kp));
    row("ki", "rad/(rad s^order)", &|s| number(s.gains.ki));
    row("integral order", "1", &|s| number(s.gains.integral_order));
    if shown.iter().any(|s| s.gains.kd > 0.0) {
        row("kd", "rad s^order/rad", &|s| number(s.gains.kd));
        row("derivative order", "1", &|s| {
            number(s.gains.derivative_order)
        });
        row("derivative corner", "rad/s", &|s| {
            number(s.gains.derivative_corner)
        });
    }
    row("phase margin", "deg", &|s| {
        maybe(of(s).phase_margin().map(f64::to_degrees))
    });
    row("gain crossovers", "rad/s", &|s| {
        let all = of(s).crossovers.iter().map(|c| number(c.frequency));
        all.collect::<Vec<_>>().join(", ")
    });
    row("gain margin", "dB", &|s| {
        maybe(of(s).gain_margin().map(decibels))
    });
    row("sensitivity peak", "1", &|s| {
        number(of(s).sensitivity.value)
    });
    row("slope of the phase at crossover", "deg/decade", &|s| {
        let w = specification.crossover;
        let (low, high) = (w * 0.999, w * 1.001);
        let slope = (s.open.phase(high) - s.open.phase(low)) / (high / low).log10();
        // Avoids a minus zero.
        format!("{:.1}", (slope.to_degrees() * 10.0).round() / 10.0 + 0.0)
    });
    row("closed-loop poles in the right half-plane", "", &|s| {
        of(s).unstable_poles.to_string()
    });
    table
}

fn percent(value: Option<f64>) -> String {
    value.map_or("unstable".into(), |p| format!("{p:.1}"))
}

fn overshoot_table(tuning: &Tuning<'_>) -> Table {
    let names: Vec<String> = GAINS.iter().map(|g| format!("gain x {g}")).collect();
    let mut columns = vec![("law", "", Align::Left)];
    columns.extend(names.iter().map(|n| (n.as_str(), "%", Align::Right)));
    columns.push(("spread", "points", Align::Right));
    let mut table = Table::new(&columns);
    let comparison = tuning.comparison;
    let spread = |s: Option<f64>| s.map_or("-".to_string(), |s| format!("{s:.1}"));
    let rows = [
        ("fractional", &comparison.fractional, comparison.spread()),
        (
            "integer PI",
            &comparison.integer,
            comparison.integer_spread(),
        ),
    ];
    for (name, overshoots, points) in rows.into_iter().filter(|r| !r.1.is_empty()) {
        let cells = overshoots.iter().map(|o| percent(o.percent));
        let ends = [spread(points)];
        table.row(std::iter::once(name.to_string()).chain(cells).chain(ends));
    }
    table
}

fn family_table(tuning: &Tuning<'_>, shown: &[Shown]) -> Table {
    let right = Align::Right;
    let mut table = Table::new(&[
        ("model", "", Align::Left),
        ("law", "", Align::Left),
        ("crossover", "rad/s", right),
        ("phase margin", "deg", right),
        ("sensitivity peak", "1", right),
        ("overshoot", "%", right),
    ]);
    for (name, plant) in tuning.family {
        for s in shown {
            let open = Loop::of(*plant, Law::new(&s.gains));
            let figures = open.figures();
            let crossover = figures.crossovers.last().map(|c| c.frequency);
            table.row([
                name.clone(),
                s.name.to_string(),
                maybe(crossover),
                maybe(figures.phase_margin().map(f64::to_degrees)),
                if figures.stable() {
                    number(figures.sensitivity.value)
                } else {
                    "unstable".into()
                },
                percent(open.overshoots(&[1.0]).first().and_then(|o| o.percent)),
            ]);
        }
    }
    table
}

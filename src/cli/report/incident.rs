//! The report of an incident recording: the joint's last minute in pictures.

use super::{picture, series};
use crate::cli::shown::Shown;
use crate::report::{Align, Band, Figure, Mark, Page, Panel, Stroke, Table};

/// Maximum number of points of one line; more cannot be distinguished.
const POINTS: usize = 4000;
/// Span of the detail pictures, s before and after the fault.
const CLOSE: (f64, f64) = (-3.0, 2.5);
/// Maximum number of event marks; more are unreadable.
const MARKS: usize = 12;

/// Returns the page of one recording.
pub fn incident(shown: &Shown<'_>) -> Page {
    let mut page = Page::new(shown.title());
    page.text(shown.extent());
    let ends = (shown.times.first(), shown.times.last());
    if let (Some(first), Some(last)) = ends
        && first < last
    {
        let caption = "Shaded: when rules were broken, and when the joint was not tracking. Top: \
                       size of the bend, commanded and measured. Below: setpoints; feedback as a \
                       share of its limit; age of the samples.";
        page.picture(
            "whole",
            caption,
            figure("The whole recording", shown, (*first, *last)),
        );
        let close = (first.max(CLOSE.0), last.min(CLOSE.1));
        if close.0 < close.1 {
            page.picture(
                "close",
                "The same, enlarged.",
                figure("Around time 0", shown, close),
            );
        }
    }
    page.table("Maximum values", shown.greatest());
    let mut events = Table::new(&[("at", "s", Align::Right), ("event", "", Align::Left)]);
    for event in shown.events() {
        events.row([format!("{:.3}", event.at), event.now]);
    }
    page.table("Events", events);
    let mut parameters = Table::new(&[("parameter", "", Align::Left), ("value", "", Align::Left)]);
    for line in shown.read.lines("parameter") {
        let (name, value) = line.split_once(" = ").unwrap_or((line, ""));
        parameters.row([name.into(), value.into()]);
    }
    page.table("Parameters", parameters);
    page
}

fn points(times: &[f64], values: &[f64], span: (f64, f64)) -> Vec<(f64, f64)> {
    let inside = times.iter().copied().zip(values.iter().copied());
    let inside: Vec<_> = inside
        .filter(|(t, _)| span.0 <= *t && *t <= span.1)
        .collect();
    let step = inside.len().div_ceil(POINTS).max(1);
    inside.into_iter().step_by(step).collect()
}

fn figure(title: &str, shown: &Shown<'_>, span: (f64, f64)) -> Figure {
    let line = |name: &str, stroke, values: &[f64]| {
        series(name, stroke, points(&shown.times, values, span))
    };
    let panel = |label: &str, height, series| Panel {
        height,
        ..Panel::new(label, series)
    };
    let motors = shown.motors.iter().enumerate();
    let setpoints = motors
        .clone()
        .map(|(i, m)| line(m, Stroke::of(i), &shown.setpoints(m)));
    let ages = motors.map(|(i, m)| {
        let ages = shown.read.numbers(&format!("{m}_age_s"));
        line(m, Stroke::of(i + 1), &ages)
    });
    let imu = line("IMU", Stroke::of(0), &shown.read.numbers("imu_age_s"));
    let mut figure = picture(title, "time, s", span, 720.0);
    figure.panels = vec![
        panel(
            "bend, deg",
            3.0,
            vec![
                line("reference", Stroke::COMMANDED, &shown.bend_deg("reference")),
                line("measured", Stroke::TRUE, &shown.bend_deg("measured")),
                line("by the motors", Stroke::HELP, &shown.bend_deg("motors")),
            ],
        ),
        panel(
            &format!("setpoints, {}", shown.unit),
            3.0,
            setpoints.collect(),
        ),
        panel(
            "feedback, share of its limit",
            1.5,
            vec![line(
                "",
                Stroke::TRUE,
                &shown.read.numbers("feedback_share"),
            )],
        ),
        panel(
            "age of samples, s",
            1.5,
            std::iter::once(imu).chain(ages).collect(),
        ),
    ];
    for (column, ordinary) in [
        ("mode", "tracking"),
        ("rules_broken", ""),
        ("rules_latched", ""),
    ] {
        let changes = shown.changes(column);
        let ends = changes.iter().skip(1).map(|c| c.at).chain([span.1]);
        for (change, end) in changes.iter().zip(ends) {
            let (from, to) = (change.at.max(span.0), end.min(span.1));
            if change.now != ordinary && from < to {
                let label = change.now.clone();
                figure.bands.push(Band { from, to, label });
            }
        }
    }
    figure.bands.truncate(MARKS);
    if span.0 < 0.0 && 0.0 < span.1 {
        let label = shown.read.line("cause").unwrap_or_default().into();
        figure.marks.push(Mark { at: 0.0, label });
    }
    figure
}

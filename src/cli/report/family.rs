//! The report of a tuning for a family of models: one set and its behaviour on each model.

use super::setpoints::{Drive, Line};
use super::tuning::{circle, decibels, frequencies, plane};
use super::{level, maybe, number, picture, series, show_setpoints};
use crate::design::model::{Loop, Peak, Plant, SecondOrder};
use crate::design::tune::{FamilyDesign, FamilySpecification, Figure as Number};
use crate::report::{Align, Dot, Figure, Page, Panel, Scale, Series, Stroke, Table};

/// Input of the report.
#[derive(Clone, Debug)]
pub struct FamilyTuning<'a> {
    /// Name of what was tuned, for people.
    pub name: &'a str,
    /// The design.
    pub design: &'a FamilyDesign,
    /// The specification of the design.
    pub specification: &'a FamilySpecification,
    /// Names of the models, in their order.
    pub names: &'a [String],
    /// The joint and law, to show setpoints against limits.
    pub drive: Option<Drive<'a>>,
}

/// A model's loop and its line style.
struct Shown {
    name: String,
    stroke: Stroke,
    plant: Plant,
    open: Loop,
    sensitivity: Peak,
}

impl FamilyTuning<'_> {
    fn called(&self, index: usize) -> &str {
        self.names.get(index).map_or("-", String::as_str)
    }

    /// Returns all loops; highlighted ones come last, so that they are drawn on top.
    fn shown(&self) -> Vec<Shown> {
        let design = self.design;
        let (slowest, worst) = (design.slowest, design.worst);
        let mut order: Vec<usize> = (0..design.models.len()).collect();
        order.sort_by_key(|i| (*i == slowest, *i == worst));
        let mut others = 0;
        let one = |i: usize| {
            let (name, stroke) = if i == slowest && i == worst {
                (
                    format!("{}, slowest and worst", self.called(i)),
                    Stroke::TRUE,
                )
            } else if i == slowest {
                (format!("{}, slowest", self.called(i)), Stroke::TRUE)
            } else if i == worst {
                (format!("{}, worst peak", self.called(i)), Stroke::COMMANDED)
            } else {
                others += 1;
                let name = if others == 1 { "the others" } else { "" };
                (name.to_string(), Stroke::NOISY)
            };
            Some(Shown {
                name,
                stroke: stroke.wide(if i == slowest || i == worst { 1.8 } else { 1.0 }),
                plant: design.models[i].plant,
                open: design.open_loop(i, self.specification)?,
                sensitivity: design.models[i].sensitivity,
            })
        };
        order.into_iter().filter_map(one).collect()
    }
}

/// Returns the report of a tuning for a family.
pub fn family(tuning: &FamilyTuning<'_>) -> Page {
    let (design, specification) = (tuning.design, tuning.specification);
    let mut page = Page::new(format!("Tuning for a family: {}", tuning.name));
    page.text(format!(
        "One gain set for {} models: crossover at least {} rad/s, sensitivity peak at most {} ({} \
         specified). {}",
        design.models.len(),
        Number(design.crossover()),
        Number(design.peak()),
        Number(specification.sensitivity_peak),
        design.limits(tuning.names),
    ));
    if let Some(words) = design.order_words() {
        page.text(words);
    }
    page.table("Gains", gains_table(tuning));
    page.table("On each model", models_table(tuning));
    let shown = tuning.shown();
    page.heading("Open loop and sensitivity");
    page.picture(
        "open-loop",
        "Integral action and damping together, delays included. Bottom: how much larger an error \
         of that frequency becomes; dotted: the specified peak.",
        frequency_figure(tuning, &shown),
    );
    page.picture(
        "nyquist",
        "The open loops in the complex plane, positive frequencies, cut at the frame. No loop may \
         enter the circle about -1: its radius is one over the specified sensitivity peak.",
        plane_figure(tuning, &shown),
    );
    page.heading("Closed loop");
    page.picture(
        "push",
        "Remaining part of a sudden offset of the bend, as from a lasting push, while the loop \
         removes it.",
        push_figure(tuning, &shown),
    );
    if let Some(drive) = &tuning.drive {
        let lines = shown.iter().map(|s| Line {
            name: &s.name,
            stroke: s.stroke,
            plant: s.plant,
            law: drive.law,
        });
        let lines: Vec<Line> = lines.collect();
        show_setpoints(&mut page, drive, &lines);
    }
    page
}

fn gains_table(tuning: &FamilyTuning<'_>) -> Table {
    let mut table = Table::new(&[
        ("", "", Align::Left),
        ("unit", "", Align::Left),
        ("value", "", Align::Right),
    ]);
    let gains = &tuning.design.gains;
    let motor = gains.motors.first();
    let of = |f: fn(&crate::control::controller::MotorGains) -> f64| motor.map_or(f64::NAN, f);
    let [first, second] = gains.smoothing;
    for (name, unit, value) in [
        ("kp, every motor", "rad/rad", of(|g| g.kp)),
        ("ki, every motor", "rad/(rad s^order)", of(|g| g.ki)),
        ("integral order", "1", of(|g| g.integral_order)),
        ("damping", "s", gains.damping),
        ("shaper's first window", "s", first),
        ("shaper's second window", "s", second),
        ("delay allowed for", "ms", gains.delay_allowed * 1e3),
    ] {
        table.row([name.into(), unit.into(), number(value)]);
    }
    table
}

fn models_table(tuning: &FamilyTuning<'_>) -> Table {
    let right = Align::Right;
    let mut table = Table::new(&[
        ("model", "", Align::Left),
        ("crossover", "rad/s", right),
        ("phase margin", "deg", right),
        ("sensitivity peak", "1", right),
        ("at", "rad/s", right),
        ("of the damping loop", "1", right),
        ("remaining mode", "rad/s", right),
        ("its damping ratio", "1", right),
        ("unstable poles", "", right),
    ]);
    for (i, on) in tuning.design.models.iter().enumerate() {
        let mode = |of: fn(&SecondOrder) -> f64| maybe(on.swing.as_ref().map(of));
        table.row([
            tuning.called(i).to_string(),
            number(on.crossover),
            format!("{:.1}", on.phase_margin.to_degrees()),
            format!("{:.3}", on.sensitivity.value),
            number(on.sensitivity.frequency),
            format!("{:.3}", on.damping_sensitivity.value),
            mode(|m| m.natural_frequency),
            mode(|m| m.damping_ratio),
            on.unstable_poles.to_string(),
        ]);
    }
    table
}

fn frequency_figure(tuning: &FamilyTuning<'_>, shown: &[Shown]) -> Figure {
    let w = tuning.design.crossover();
    let span = (w / 10.0, w * 100.0);
    let over = |name: fn(&Shown) -> &str, of: fn(&Loop, f64) -> f64| -> Vec<Series> {
        let line = |s: &Shown| {
            let points = frequencies(span.0, span.1, 900).map(|x| (x, of(&s.open, x)));
            series(name(s), s.stroke, points.collect())
        };
        shown.iter().map(line).collect()
    };
    let panels = vec![
        Panel {
            range: Some((-40.0, 40.0)),
            ticks: Some(20.0),

            levels: vec![level(0.0, "")],
            ..Panel::new(
                "magnitude, dB",
                over(|s| &s.name, |open, x| decibels(open.response(x).norm())),
            )
        },
        Panel {
            range: Some((-360.0, 90.0)),
            ticks: Some(90.0),

            levels: vec![level(-180.0, "")],
            ..Panel::new(
                "phase, deg",
                over(|_| "", |open, x| open.phase(x).to_degrees()),
            )
        },
        Panel {
            range: Some((-30.0, 10.0)),
            ticks: Some(10.0),

            levels: vec![level(
                decibels(tuning.specification.sensitivity_peak),
                "specified",
            )],
            ..Panel::new(
                "sensitivity, dB",
                over(|_| "", |open, x| -decibels((open.response(x) + 1.0).norm())),
            )
        },
    ];
    Figure {
        scale: Scale::Logarithmic,
        panels,
        ..picture(
            "Frequency responses over the family",
            "frequency, rad/s",
            span,
            600.0,
        )
    }
}

fn plane_figure(tuning: &FamilyTuning<'_>, shown: &[Shown]) -> Figure {
    let w = tuning.design.crossover();
    let radius = 1.0 / tuning.specification.sensitivity_peak;
    let mut lines = vec![
        series("unit circle", Stroke::HELP, circle((0.0, 0.0), 1.0)),
        series("specified peak", Stroke::of(3), circle((-1.0, 0.0), radius)),
    ];
    lines.extend(shown.iter().map(|s| {
        let points = frequencies(w / 300.0, w * 1000.0, 4000).map(|x| s.open.response(x));
        series(
            s.name.as_str(),
            s.stroke,
            points.map(|l| (l.re, l.im)).collect(),
        )
    }));
    let mut dots = vec![Dot::new((-1.0, 0.0), "-1")];
    let worst = shown
        .iter()
        .max_by(|a, b| a.sensitivity.value.total_cmp(&b.sensitivity.value));
    if let Some(worst) = worst.filter(|s| s.sensitivity.frequency.is_finite()) {
        let nearest = worst.open.response(worst.sensitivity.frequency);
        dots.push(Dot::new(
            (nearest.re, nearest.im),
            format!("sensitivity {}", Number(worst.sensitivity.value)),
        ));
    }
    plane(lines, dots)
}

fn push_figure(tuning: &FamilyTuning<'_>, shown: &[Shown]) -> Figure {
    let duration = 8.0 / tuning.design.crossover();
    let line = |s: &Shown| {
        // The remainder of an output offset is one minus the reference step response; an unstable
        // loop has none.
        let response = s.open.step_response(duration)?;
        let time = |i: u32| duration * f64::from(i) / 600.0;
        let points = (0..=600).map(|i| (time(i), 100.0 * (1.0 - response.value(time(i)))));
        Some(series(s.name.as_str(), s.stroke, points.collect()))
    };
    let panel = Panel {
        levels: vec![level(0.0, "")],
        ..Panel::new(
            "remaining offset, %",
            shown.iter().filter_map(line).collect(),
        )
    };
    Figure {
        panels: vec![panel],
        ..picture("Rejection of a push", "time, s", (0.0, duration), 320.0)
    }
}

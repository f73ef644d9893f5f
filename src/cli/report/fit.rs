//! The report of a fit: each record with the fitted response, the residuals and their whiteness.

use super::{picture, series};
use crate::cli::fit_tables::{NOTE, payload_words, records_table, spreads_table};
use crate::design::fit::{Family, Fit, Member, Order, Record, WHITE_FROM, autocorrelation};
use crate::report::{Align, Figure, Height, Level, Page, Panel, Stroke, Table};

/// One record and its fit.
#[derive(Clone, Copy, Debug)]
pub struct Shown<'a> {
    /// The record.
    pub record: &'a Record,
    /// The fit.
    pub member: &'a Member,
}

/// Maximum lag shown, samples.
const LAGS: usize = 40;

/// Returns the report of fits to records, in the order given. `bad` are sentences on records to
/// which no model could be fitted.
pub fn fit(shown: &[Shown<'_>], bad: &[String]) -> Page {
    let mut page = Page::new("Models fitted to step tests");
    let family = Family::new(shown.iter().map(|s| s.member.clone()).collect());
    page.text(format!(
        "{} of {} records fitted, over {} payloads. Input of each model: the bend commanded by the \
         motors' setpoints; output: the measured bend, both in-plane.",
        shown.len(),
        shown.len() + bad.len(),
        family.groups().len(),
    ));
    if !shown.is_empty() {
        page.table("Models chosen", records_table(&family));
        page.table("Spread of the models", spreads_table(&family));
        page.text(NOTE);
    }
    if !bad.is_empty() {
        page.heading("Records that cannot be fitted");
        for sentence in bad {
            page.text(sentence.as_str());
        }
    }
    for one in shown {
        section(&mut page, one);
    }
    page
}

fn section(page: &mut Page, shown: &Shown<'_>) {
    let (member, fitted) = (shown.member, &shown.member.fitted);
    let order = Order::of(fitted.fit.plant.dynamics).name();
    let name = &member.name;
    page.heading(name.as_str());
    page.text(format!(
        "Payload {}, direction {:.1} deg from +x toward +y, a move of {:.2} deg, {:.2} s of rest \
         at most. Chosen: {order}.",
        payload_words(member.payload),
        member.direction.to_degrees(),
        fitted.moved.to_degrees(),
        fitted.dwell,
    ));
    page.picture(
        &format!("{name}-record"),
        "Top: the in-plane bend, commanded, measured and fitted. Middle: the cross-axis bend. \
         Bottom: the in-plane residual of the fit.",
        record_figure(shown, None),
    );
    if let Some(span) = first_step(shown) {
        page.picture(
            &format!("{name}-first-step"),
            "The same where the input first moves.",
            record_figure(shown, Some(span)),
        );
    }
    page.picture(
        &format!("{name}-autocorrelation"),
        whiteness_words(&fitted.fit),
        autocorrelation_figure(shown),
    );
    page.table(
        format!("{name}: parameters of the model chosen"),
        parameters_table(&fitted.fit),
    );
    page.table(format!("{name}: forms tried"), forms_table(shown));
}

fn whiteness_words(fit: &Fit) -> String {
    let white = &fit.whiteness;
    let verdict = if white.white() {
        "they are white: the model explains all that this record shows"
    } else {
        "they are not white: the model is incomplete, and the standard errors are too small"
    };
    format!(
        "Shaded: where 95 % of the correlations of white residuals lie. Ljung-Box statistic {:.1} \
         over {} lags, probability {:.3} (white from {WHITE_FROM} on): {verdict}.",
        white.statistic, white.lags, white.p_value,
    )
}

fn degrees(times: &[f64], values: &[f64]) -> Vec<(f64, f64)> {
    let start = times.first().copied().unwrap_or(0.0);
    let each = times.iter().zip(values);
    each.map(|(t, v)| (t - start, v.to_degrees())).collect()
}

/// Returns values that are held until the next time as a staircase.
fn stairs(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut stairs = Vec::with_capacity(2 * points.len());
    for (i, point) in points.iter().enumerate() {
        if i > 0 {
            stairs.push((point.0, points[i - 1].1));
        }
        stairs.push(*point);
    }
    stairs
}

/// Returns the span of the first step, s from the first row: from just before the first move until
/// the response has decayed or the next move begins. `None` if the span is most of the record.
fn first_step(shown: &Shown<'_>) -> Option<(f64, f64)> {
    let (record, fitted) = (shown.record, &shown.member.fitted);
    let rest = *record.input.first()?;
    let start = record.times.first()?.min(*record.stamps.first()?);
    let moved = |v: &f64| (v - rest).abs() > 0.02 * fitted.moved;
    let at = record.times[record.input.iter().position(moved)?] - start;
    let fades = fitted.fit.plant.dead_time + 6.0 * fitted.fit.plant.dynamics.slowest();
    let length = fades.min(fitted.dwell);
    let whole = record.times.last()? - start;
    (length < 0.4 * whole).then(|| ((at - 0.2 * length).max(0.0), at + length))
}

/// Returns a figure of the record and its fit, whole or within a span.
fn record_figure(shown: &Shown<'_>, span: Option<(f64, f64)>) -> Figure {
    let (record, fitted) = (shown.record, &shown.member.fitted);
    // One time axis for commanded and measured values, from the first of both.
    let first = |times: &[f64]| times.first().copied().unwrap_or(0.0);
    let (commanded_from, seen_from) = (first(&record.times), first(&record.stamps));
    let start = commanded_from.min(seen_from);
    let from = |begin: f64, points: Vec<(f64, f64)>| -> Vec<(f64, f64)> {
        let moved = points.into_iter().map(|(t, v)| (t + begin - start, v));
        // The vertical axes follow the values shown.
        let shown = |p: &(f64, f64)| span.is_none_or(|(low, high)| low <= p.0 && p.0 <= high);
        moved.filter(shown).collect()
    };
    let seen = |values: &[f64]| from(seen_from, degrees(&record.stamps, values));
    let mut commanded = from(commanded_from, degrees(&record.times, &record.input));
    if record.hold == crate::design::fit::Hold::Constant {
        commanded = stairs(&commanded);
    }
    let last = |times: &[f64]| times.last().copied().unwrap_or(start) - start;
    let end = last(&record.times).max(last(&record.stamps));
    let model = fitted.fit.response(record);
    let noise = fitted.fit.noise.to_degrees();
    let mut across = vec![series("measured", Stroke::NOISY, seen(&record.across))];
    if let Some(fit) = &fitted.across.fit {
        across.push(series("fitted", Stroke::TRUE, seen(&fit.response(record))));
    }
    let panels = vec![
        Panel {
            label: "in-plane bend, deg".into(),
            height: 2.0,
            series: vec![
                series("measured", Stroke::NOISY, seen(&record.along)),
                series("commanded", Stroke::COMMANDED, commanded),
                series("fitted", Stroke::TRUE, seen(&model)),
            ],
            ..Panel::default()
        },
        Panel::new("cross-axis bend, deg", across),
        Panel {
            levels: vec![Level {
                from: -2.0 * noise,
                to: 2.0 * noise,
                label: "± 2 standard deviations".into(),
            }],
            ..Panel::new(
                "in-plane residual, deg",
                vec![series("", Stroke::TRUE.wide(0.8), seen(&fitted.residuals))],
            )
        },
    ];
    Figure {
        panels,
        ..picture(
            &match span {
                None => format!("{}: record and fitted response", shown.member.name),
                Some(_) => format!("{}: the first step", shown.member.name),
            },
            "time, s",
            span.unwrap_or((0.0, end)),
            520.0,
        )
    }
}

fn autocorrelation_figure(shown: &Shown<'_>) -> Figure {
    let residuals = &shown.member.fitted.residuals;
    let n = residuals.len();
    let lags = LAGS.min(n / 5).max(1);
    let correlations = autocorrelation(residuals, lags);
    // White residuals have a standard deviation of 1/sqrt(n), e.g. Box and Jenkins 1970, "Time
    // Series Analysis" (from memory).
    let band = 1.96 / (n as f64).sqrt();
    let mut stems = Vec::new();
    for (i, r) in correlations.iter().enumerate() {
        let lag = (i + 1) as f64;
        stems.extend([(lag, 0.0), (lag, *r), (lag, f64::NAN)]);
    }
    let max = correlations.iter().fold(2.0 * band, |m, r| m.max(r.abs()));
    let end = if max > 0.5 {
        1.0
    } else {
        (max * 10.0).ceil() / 10.0
    };
    let panel = Panel {
        range: Some((-end, end)),

        levels: vec![
            Level {
                from: -band,
                to: band,
                label: "95 % of white residuals".into(),
            },
            Level {
                from: 0.0,
                to: 0.0,
                label: String::new(),
            },
        ],
        ..Panel::new(
            "correlation of residuals, 1",
            vec![series("", Stroke::TRUE.wide(4.0), stems)],
        )
    };
    Figure {
        panels: vec![panel],
        height: Height::Px(180.0),
        ..picture(
            &format!("{}: correlation of residuals", shown.member.name),
            "lag, samples",
            (0.0, lags as f64 + 1.0),
            180.0,
        )
    }
}

fn parameters_table(fit: &Fit) -> Table {
    let right = Align::Right;
    let mut table = Table::new(&[
        ("parameter", "", Align::Left),
        ("value", "", right),
        ("standard error", "", right),
        ("95 % interval", "", right),
    ]);
    for parameter in &fit.parameters {
        let figure = crate::design::tune::Figure;
        let interval = fit.interval_95(parameter.name);
        table.row([
            parameter.name.to_string(),
            figure(parameter.value).to_string(),
            match parameter.standard_error {
                Some(error) => figure(error).to_string(),
                None => "at its bound".into(),
            },
            match interval {
                Some((low, high)) => format!("{} to {}", figure(low), figure(high)),
                None => "-".into(),
            },
        ]);
    }
    table
}

fn forms_table(shown: &Shown<'_>) -> Table {
    let right = Align::Right;
    let mut table = Table::new(&[
        ("form", "", Align::Left),
        ("error", "nrms", right),
        ("noise", "deg", right),
        ("Bayesian criterion", "", right),
        ("Akaike's, corrected", "", right),
        ("Ljung-Box probability", "", right),
        ("residuals", "", Align::Left),
    ]);
    let fitted = &shown.member.fitted;
    for fit in std::iter::once(&fitted.fit).chain(&fitted.others) {
        table.row([
            Order::of(fit.plant.dynamics).name().to_string(),
            format!("{:.4}", fit.nrmse),
            format!("{:.4}", fit.noise.to_degrees()),
            format!("{:.1}", fit.bic),
            format!("{:.1}", fit.aicc),
            format!("{:.3}", fit.whiteness.p_value),
            if fit.whiteness.white() {
                "white"
            } else {
                "not white"
            }
            .to_string(),
        ]);
    }
    table
}

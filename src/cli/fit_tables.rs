//! Tables of fitted models, for the terminal and for reports.

use crate::design::fit::{Extent, Family, Fit, Order, Payload, Spread};
use crate::report::{Align, Table};

/// Returns a value with its standard error.
fn with_error(fit: &Fit, name: &str, digits: usize, scale: f64) -> String {
    let Some(parameter) = fit.parameter(name) else {
        return "-".into();
    };
    let value = parameter.value * scale;
    match parameter.standard_error {
        Some(error) => format!("{value:.digits$} ± {:.digits$}", error * scale),
        None => format!("{value:.digits$}"),
    }
}

/// Returns mass and height of a payload in words.
pub fn payload_words(payload: Option<Payload>) -> String {
    match payload {
        Some(p) => format!("{:.0} g at {:.0} mm", p.mass * 1e3, p.height * 1e3),
        None => "unknown".into(),
    }
}

/// Explanation of the signs in the tables.
pub const NOTE: &str = "* within the errors of the fits; ± is one standard error, too small where \
                        residuals are not white: a second-order model's natural frequency and \
                        damping may then be off by more";

/// Returns a table with one row per record.
pub fn records_table(family: &Family) -> Table {
    let (left, right) = (Align::Left, Align::Right);
    let mut table = Table::new(&[
        ("record", "", left),
        ("payload", "", left),
        ("direction", "deg", right),
        ("form", "", left),
        ("gain", "", right),
        ("time const.", "ms", right),
        ("nat. freq.", "rad/s", right),
        ("damping", "", right),
        ("dead time", "ms", right),
        ("error", "nrms", right),
        ("residuals", "", left),
        ("cross-axis", "", right),
    ]);
    for member in &family.members {
        let fit = &member.fitted.fit;
        let order = Order::of(fit.plant.dynamics);
        let gain = if order == Order::Integrating {
            "gain_per_s"
        } else {
            "gain"
        };
        table.row([
            member.name.clone(),
            payload_words(member.payload),
            format!("{:.1}", member.direction.to_degrees()),
            order.name().to_string(),
            with_error(fit, gain, 4, 1.0),
            with_error(fit, "time_constant_s", 1, 1e3),
            with_error(fit, "natural_frequency_rad_s", 2, 1.0),
            with_error(fit, "damping_ratio", 3, 1.0),
            with_error(fit, "dead_time_s", 1, 1e3),
            format!("{:.4}", fit.nrmse),
            if fit.whiteness.white() {
                "white".into()
            } else {
                format!("not white, r1 {:.2}", fit.whiteness.lag_one)
            },
            format!("{:+.4}", member.fitted.across.gain),
        ]);
    }
    table
}

/// Returns the spread of the models: one row per payload, and one over all.
pub fn spreads_table(family: &Family) -> Table {
    let (left, right) = (Align::Left, Align::Right);
    let mut table = Table::new(&[
        ("spread over", "", left),
        ("records", "", right),
        ("gain", "", right),
        ("lag", "ms", right),
        ("nat. freq.", "rad/s", right),
        ("damping", "", right),
        ("dead time", "ms", right),
        ("cross-axis", "", right),
    ]);
    for group in family.groups() {
        let name = payload_words(group.payload);
        table.row(spread_row(name, group.members.len(), &group.spread));
    }
    if let Some(spread) = family.spread() {
        table.row(spread_row("all".into(), family.members.len(), &spread));
    }
    table
}

fn spread_row(name: String, count: usize, spread: &Spread) -> [String; 8] {
    let words = |extent: &Extent, digits: usize, scale: f64| {
        let (low, high) = (extent.least * scale, extent.greatest * scale);
        let mark = match extent.within_errors() {
            Some(true) => " *",
            _ => "",
        };
        format!("{low:.digits$} to {high:.digits$}{mark}")
    };
    let maybe = |extent: &Option<Extent>, digits: usize| match extent {
        Some(extent) => words(extent, digits, 1.0),
        None => "-".into(),
    };
    [
        name,
        count.to_string(),
        words(&spread.gain, 3, 1.0),
        words(&spread.lag, 1, 1e3),
        maybe(&spread.natural_frequency, 1),
        maybe(&spread.damping_ratio, 3),
        words(&spread.dead_time, 1, 1e3),
        format!("{:.4}", spread.cross_axis_gain),
    ]
}

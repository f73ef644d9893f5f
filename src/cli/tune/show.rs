//! Output of `withy tune`: tables for people, figures for programs.

use serde_json::{Value, json};

use super::{ForFamily, Single};
use crate::cli::fit_tables::payload_words;
use crate::cli::output::{self, capital};
use crate::control::controller::MotorGains;
use crate::design::model::{Delays, Dynamics, Figures, Law, Loop, Overshoot, Plant, SecondOrder};
use crate::design::tune;
use crate::report::{Align, Table};

fn delay_words(delays: &Delays) -> String {
    format!(
        "delays beyond the model's: hold {:.2} ms, sensor {:.2} ms, output {:.2} ms\n",
        delays.hold * 1e3,
        delays.age * 1e3,
        delays.output * 1e3
    )
}

fn plant_words(plant: &Plant) -> String {
    let gain = plant.gain;
    let dynamics = match plant.dynamics {
        Dynamics::First { time_constant } => {
            format!(
                "gain {gain:.4}, time constant {:.1} ms",
                time_constant * 1e3
            )
        }
        Dynamics::Second(second) => {
            let (w, z) = second.parts();
            format!("gain {gain:.4}, natural frequency {w:.2} rad/s, damping ratio {z:.3}")
        }
        Dynamics::Integrating { time_constant } => format!(
            "integrating, gain {gain:.4} 1/s, time constant {:.1} ms",
            time_constant * 1e3
        ),
    };
    format!("{dynamics}, dead time {:.1} ms", plant.dead_time * 1e3)
}

fn span(overshoots: &[Overshoot]) -> String {
    let values: Option<Vec<f64>> = overshoots.iter().map(|o| o.percent).collect();
    match values {
        Some(values) if !values.is_empty() => {
            let low = values.iter().copied().fold(f64::INFINITY, f64::min);
            let high = values.iter().copied().fold(0.0, f64::max);
            format!("{low:.1} to {high:.1}")
        }
        _ => "unstable at some".into(),
    }
}

pub(super) fn single_words(tuned: &Single) -> String {
    let Single { model, delays, .. } = tuned;
    let mut text = format!("model {}: {}\n", model.name, plant_words(&model.plant));
    text.push_str(&delay_words(delays));
    if tuned.joint.is_none() {
        text.push_str("no joint file: a tick's hold and the sensor's period are not in it\n");
    }
    text.push('\n');
    text.push_str(&output::fitted(&laws_table(tuned)));
    text.push_str("overshoot: minimum and maximum over loop gains from half to twice\n\n");
    text += &capital(&format!("{}.\n", tuned.comparison));
    text
}

/// Returns a table of the fractional law and the integer one.
fn laws_table(tuned: &Single) -> Table {
    let Single {
        design, comparison, ..
    } = tuned;
    let (left, right) = (Align::Left, Align::Right);
    let mut table = Table::new(&[
        ("law", "", left),
        ("kp", "", right),
        ("ki", "", right),
        ("order", "", right),
        ("kd", "", right),
        ("order", "", right),
        ("corner", "rad/s", right),
        ("crossover", "rad/s", right),
        ("margin", "deg", right),
        ("gain margin", "", right),
        ("sens. peak", "", right),
        ("overshoot", "%", right),
    ]);
    let (open, overshoots) = (design.open_loop(), &comparison.fractional);
    table.row(law_row("fractional", &design.gains, &open, overshoots));
    if let Some(gains) = &comparison.integer_gains {
        let open = Loop::of(design.plant, Law::new(gains));
        table.row(law_row("integer PI", gains, &open, &comparison.integer));
    }
    table
}

fn law_row(name: &str, gains: &MotorGains, open: &Loop, overshoots: &[Overshoot]) -> [String; 12] {
    let figures = open.figures();
    let dash = || "-".to_string();
    let integral = |text: String| if gains.ki > 0.0 { text } else { dash() };
    let derivative = |text: String| if gains.kd > 0.0 { text } else { dash() };
    let crossover = figures.crossovers.first();
    let (margin, gain_margin) = (figures.phase_margin(), figures.gain_margin());
    [
        name.to_string(),
        format!("{:.4}", gains.kp),
        format!("{:.4}", gains.ki),
        integral(format!("{:.4}", gains.integral_order)),
        derivative(format!("{:.5}", gains.kd)),
        derivative(format!("{:.4}", gains.derivative_order)),
        derivative(format!("{:.0}", gains.derivative_corner)),
        crossover.map_or_else(dash, |c| format!("{:.3}", c.frequency)),
        margin.map_or_else(dash, |m| format!("{:.2}", m.to_degrees())),
        gain_margin.map_or_else(|| "over 100".into(), |m| format!("{m:.2}")),
        format!("{:.3}", figures.sensitivity.value),
        span(overshoots),
    ]
}

fn gains_figures(gains: &MotorGains) -> Value {
    json!({
        "kp": gains.kp,
        "ki": gains.ki,
        "integral_order": gains.integral_order,
        "kd": gains.kd,
        "derivative_order": gains.derivative_order,
        "derivative_corner_rad_s": gains.derivative_corner.is_finite().then_some(gains.derivative_corner),
    })
}

/// Returns a model for programs, with the keys of model files.
pub(in crate::cli) fn plant_figures(plant: &Plant) -> Value {
    plant.parameters().into_iter().collect()
}

fn delays_figures(delays: &Delays) -> Value {
    json!({"hold_s": delays.hold, "sensor_s": delays.age, "output_s": delays.output})
}

fn loop_figures(figures: &Figures) -> Value {
    let crossovers = figures.crossovers.iter().map(
        |c| json!({"frequency_rad_s": c.frequency, "phase_margin_deg": c.margin.to_degrees()}),
    );
    json!({
        "crossovers": crossovers.collect::<Vec<_>>(),
        "phase_margin_deg": figures.phase_margin().map(f64::to_degrees),
        "gain_margin": figures.gain_margin(),
        "gain_reduction_margin": figures.least_gain(),
        "sensitivity_peak": figures.sensitivity.value,
        "sensitivity_peak_rad_s":
            figures.sensitivity.frequency.is_finite().then_some(figures.sensitivity.frequency),
        "unstable_poles": figures.unstable_poles,
    })
}

pub(super) fn single_figures(tuned: &Single) -> Value {
    let Single {
        model,
        delays,
        design,
        comparison,
        ..
    } = tuned;
    let law = |gains: &MotorGains, open: &Loop, overshoots: &[Overshoot], spread: Option<f64>| {
        let overshoots = overshoots.iter();
        let overshoots = overshoots.map(|o| json!({"loop_gain": o.factor, "percent": o.percent}));
        json!({
            "gains": gains_figures(gains),
            "loop": loop_figures(&open.figures()),
            "overshoot": overshoots.collect::<Vec<_>>(),
            "overshoot_spread_points": spread,
        })
    };
    let integer = comparison.integer_gains.map(|gains| {
        let open = Loop::of(design.plant, Law::new(&gains));
        let spread = comparison.integer_spread();
        law(&gains, &open, &comparison.integer, spread)
    });
    json!({
        "made": true,
        "model": {"name": model.name, "parameters": plant_figures(&model.plant)},
        "delays": delays_figures(delays),
        "specification": {
            "phase_margin_deg": design.specification.phase_margin.to_degrees(),
            "crossover_rad_s": design.specification.crossover,
        },
        "fractional": law(&design.gains, &design.open_loop(), &comparison.fractional, comparison.spread()),
        "integer": integer,
        "pays": matches!(comparison.benefit, tune::Benefit::Pays | tune::Benefit::NoInteger),
        "comparison": comparison.to_string(),
    })
}

pub(super) fn family_words(tuned: &ForFamily) -> String {
    let ForFamily {
        models,
        names,
        delays,
        design,
        ..
    } = tuned;
    let (left, right) = (Align::Left, Align::Right);
    let mut table = Table::new(&[
        ("model", "", left),
        ("payload", "", left),
        ("crossover", "rad/s", right),
        ("margin", "deg", right),
        ("sens. peak", "", right),
        ("at", "rad/s", right),
        ("damping loop", "", right),
        ("remaining mode", "rad/s", right),
        ("damping ratio", "", right),
    ]);
    for (model, on) in models.iter().zip(&design.models) {
        let mode = |of: &dyn Fn(SecondOrder) -> String| on.swing.map_or("-".into(), of);
        table.row([
            model.name.clone(),
            payload_words(model.payload),
            format!("{:.2}", on.crossover),
            format!("{:.1}", on.phase_margin.to_degrees()),
            format!("{:.3}", on.sensitivity.value),
            format!("{:.1}", on.sensitivity.frequency),
            format!("{:.3}", on.damping_sensitivity.value),
            mode(&|s| format!("{:.1}", s.natural_frequency)),
            mode(&|s| format!("{:.3}", s.damping_ratio)),
        ]);
    }
    let mut text = delay_words(delays);
    text.push('\n');
    text.push_str(&output::fitted(&table));
    text.push_str(
        "crossover, margin: of the integral loop around the damped joint; damping loop: its \
         sensitivity peak\n\n",
    );
    let gains = &design.gains;
    if let Some(motor) = gains.motors.first() {
        text.push_str(&format!(
            "kp {}, ki {}, integral order {}, damping {} ms\n",
            motor.kp,
            motor.ki,
            motor.integral_order,
            millis(gains.damping)
        ));
    }
    let plant = Plant::from(gains.model);
    text.push_str(&format!("feedforward model: {}\n", plant_words(&plant)));
    let [first, second] = gains.smoothing.map(millis);
    text.push_str(&format!(
        "smoothing {first} and {second} ms, the first for the mode of {}; delay allowed {} ms\n\n",
        names[design.swings],
        millis(gains.delay_allowed)
    ));
    for words in std::iter::once(design.limits(names)).chain(design.order_words()) {
        text.push_str(&words);
        text.push('\n');
    }
    text
}

/// Returns milliseconds, rounded to three decimals.
fn millis(seconds: f64) -> f64 {
    (seconds * 1e6).round() / 1e3
}

pub(super) fn family_figures(tuned: &ForFamily) -> Value {
    let ForFamily {
        models,
        names,
        delays,
        specification,
        design,
    } = tuned;
    let each = models.iter().zip(&design.models).map(|(model, on)| {
        let mode = on.swing.map(|s| {
            json!({"natural_frequency_rad_s": s.natural_frequency, "damping_ratio": s.damping_ratio})
        });
        json!({
            "name": model.name,
            "payload_moment_kg_m": model.payload.map(|p| p.moment()),
            "model": plant_figures(&model.plant),
            "crossover_rad_s": on.crossover,
            "phase_margin_deg": on.phase_margin.to_degrees(),
            "sensitivity_peak": on.sensitivity.value,
            "sensitivity_peak_rad_s":
                on.sensitivity.frequency.is_finite().then_some(on.sensitivity.frequency),
            "damping_sensitivity_peak": on.damping_sensitivity.value,
            "unstable_poles": on.unstable_poles,
            "remaining_mode": mode,
        })
    });
    let gains = &design.gains;
    json!({
        "made": true,
        "delays": delays_figures(delays),
        "specification": {
            "sensitivity_peak": specification.sensitivity_peak,
            "crossover_rad_s": specification.crossover,
        },
        "gains": gains.motors.first().map(gains_figures),
        "damping_s": gains.damping,
        "model": plant_figures(&Plant::from(gains.model)),
        "smoothing_s": gains.smoothing,
        "delay_allowed_s": gains.delay_allowed,
        "crossover_rad_s": design.crossover(),
        "sensitivity_peak": design.peak(),
        "limits": design.limits(names),
        "order_1_crossover_rad_s": design.integer_crossover,
        "order": design.order_words(),
        "models": each.collect::<Vec<_>>(),
    })
}

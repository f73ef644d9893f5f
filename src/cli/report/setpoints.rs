//! Setpoints of a move against the motors' limits, by the discretised law. Limits are shown, not
//! applied.

use super::{level, picture, series};
use crate::control::tick::{Joint, Law};
use crate::design::examine::{Conditions, ExamineError, Excitation, Member, Moment, course};
use crate::design::model::Plant;
use crate::design::tune::Figure as Number;
use crate::report::{Figure, Panel, Stroke};

/// Pictures end when the rest of the move is below this share of the step and of the speed limit.
const QUIET: f64 = 0.01;

/// A joint whose motors take position setpoints, with its law.
#[derive(Clone, Copy, Debug)]
pub struct Drive<'a> {
    /// The joint, its tick and sensor.
    pub joint: &'a Joint,
    /// The whole law with the tuned gains and its limits.
    pub law: &'a Law,
}

/// A line of the picture.
pub(super) struct Line<'a> {
    pub name: &'a str,
    pub stroke: Stroke,
    /// The model; its dead time includes the delays of hold and samples as in a tuning.
    pub plant: Plant,
    pub law: &'a Law,
}

/// The setpoints of a line cannot be drawn.
#[derive(Debug, thiserror::Error)]
#[error("No setpoints are shown for {name}: {source}.")]
pub(super) struct NotShown {
    name: String,
    source: ExamineError,
}

pub(super) fn words(drive: &Drive<'_>) -> String {
    format!(
        "A move from straight to the inclination limit, {} deg, its reference shaped, at ticks of \
         {} ms, by the discretised law. Travel and speed are those of the motor with the largest \
         demand, over all directions; limits are shown, not applied.",
        Number(drive.law.limits().inclination.to_degrees()),
        Number(drive.joint.period * 1e3),
    )
}

/// Returns the picture.
///
/// # Errors
/// A line that cannot be drawn.
pub(super) fn figure(drive: &Drive<'_>, lines: &[Line<'_>]) -> Result<Figure, NotShown> {
    let inclination = drive.law.limits().inclination.to_degrees();
    let mut panels = [
        "bend, deg",
        "setpoint, share of the travel, %",
        "speed of the setpoint, share of the limit, %",
    ]
    .map(|label| Panel::new(label, Vec::new()));
    let mut end = f64::MIN_POSITIVE;
    for (i, line) in lines.iter().enumerate() {
        // The simulated loop has these delays of its own.
        let samples = (drive.joint.sample_period / drive.joint.period)
            .round()
            .max(1.0);
        let own = 0.5 * samples * drive.joint.period;
        let plant = Plant {
            dead_time: (line.plant.dead_time - own).max(0.0),
            ..line.plant
        };
        let member = Member::new(line.name, plant);
        let (moments, load) = course(
            drive.joint,
            line.law,
            &member,
            &Conditions::default(),
            Excitation::Shaped,
        )
        .map_err(|source| NotShown {
            name: line.name.into(),
            source,
        })?;
        let busy =
            |m: &&Moment| (m.bend.x - 1.0).abs() > QUIET || load.speed_share * m.speed > QUIET;
        let last = moments.iter().rfind(busy);
        end = last.map_or(end, |m| end.max(1.25 * m.time));
        let of = |value: &dyn Fn(&Moment) -> f64| -> Vec<(f64, f64)> {
            moments.iter().map(|m| (m.time, value(m))).collect()
        };
        if i == 0 {
            let points = of(&|m| inclination * m.reference.x);
            let reference = series("reference", Stroke::HELP.wide(1.4), points);
            panels[0].series.push(reference);
        }
        let values = [
            of(&|m| inclination * m.bend.x),
            of(&|m| 100.0 * load.travel_share * m.setpoint.norm()),
            of(&|m| 100.0 * load.speed_share * m.speed),
        ];
        for (panel, points) in panels.iter_mut().zip(values) {
            panel.series.push(series(line.name, line.stroke, points));
        }
    }
    panels[0].levels = vec![level(inclination, "")];
    for panel in &mut panels[1..] {
        let values = panel.series.iter().flat_map(|s| &s.points).map(|p| p.1);
        let high = values.filter(|v| v.is_finite()).fold(100.0, f64::max);
        panel.range = Some((0.0, (high / 20.0 + 0.25).ceil() * 20.0));
        panel.ticks = Some(if high > 200.0 { 100.0 } else { 20.0 });
        panel.levels = vec![level(100.0, "limit")];
    }
    Ok(Figure {
        panels: panels.into(),
        ..picture("Setpoints against limits", "time, s", (0.0, end), 540.0)
    })
}

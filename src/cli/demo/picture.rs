//! Output files of the demo: a picture and a recording.

use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

use crate::cli::report::series;
use crate::control::geometry::{Bend, direction, inclination};
use crate::design::trial::BendSample;
use crate::report::{Band, Figure, Mark, Panel, Stroke, write_csv};
use crate::ros::client::bend_client::Recorded;

/// Commands and events of the demo; times on the bend client's clock.
#[derive(Clone, Debug, Default)]
pub struct Story {
    /// Times and bends of the commands.
    pub commands: Vec<(f64, Bend)>,
    /// Sections, each until the next: start time and name.
    pub chapters: Vec<(f64, String)>,
    /// Marked moments.
    pub marks: Vec<Mark>,
    /// Start and end of the demo.
    pub span: (f64, f64),
}

fn direction_deg(bend: Bend) -> f64 {
    direction(bend).map_or(f64::NAN, |d| d.to_degrees().rem_euclid(360.0))
}

/// Returns directions over time, deg. The line is interrupted where a straight joint has no
/// direction, and at 360.
fn directions(points: impl Iterator<Item = (f64, Bend)>) -> Vec<(f64, f64)> {
    let mut line: Vec<(f64, f64)> = Vec::new();
    for (time, bend) in points {
        let value = direction_deg(bend);
        if let Some(&(_, last)) = line.last()
            && (value - last).abs() > 180.0
        {
            line.push((time, f64::NAN));
        }
        line.push((time, value));
    }
    line
}

impl Story {
    /// Returns the bend commanded at `time`.
    fn commanded(&self, time: f64) -> Option<Bend> {
        let after = self.commands.partition_point(|c| c.0 <= time);
        after.checked_sub(1).map(|i| self.commands[i].1)
    }

    /// Returns the commanded bend as a staircase.
    fn commanded_line(&self) -> Vec<(f64, Bend)> {
        let mut line = Vec::new();
        for (i, &(time, bend)) in self.commands.iter().enumerate() {
            line.push((time, bend));
            let next = self.commands.get(i + 1).map_or(self.span.1, |c| c.0);
            line.push((next, bend));
        }
        line
    }

    fn within<'a>(&self, bends: &'a [BendSample]) -> &'a [BendSample] {
        crate::design::trial::between(bends, self.span.0, self.span.1)
    }

    /// Returns a figure of inclination and direction, commanded and true, and of motor setpoints
    /// over time.
    pub fn picture(&self, recorded: &Recorded, motors: &[String], setpoint_label: &str) -> Figure {
        let start = self.span.0;
        let ends = self.chapters.iter().skip(1).map(|c| c.0);
        let ends = ends.chain([self.span.1]);
        let bands = self.chapters.iter().zip(ends).map(|(chapter, end)| Band {
            from: chapter.0 - start,
            to: end - start,
            label: chapter.1.clone(),
        });
        let marks = self.marks.iter().map(|m| Mark {
            at: m.at - start,
            label: m.label.clone(),
        });
        let bends = self.within(&recorded.bends).iter();
        let bends: Vec<_> = bends.map(|s| (s.time - start, s.bend)).collect();
        let commanded = self.commanded_line();
        let commanded: Vec<_> = commanded.iter().map(|p| (p.0 - start, p.1)).collect();
        Figure {
            title: "The glasshouse guide's neck inspects a bed of plants".into(),
            x_label: "time, s".into(),
            span: (0.0, self.span.1 - start),
            panels: vec![
                inclination_panel(&bends, &commanded),
                direction_panel(&bends, &commanded),
                self.setpoint_panel(recorded, motors, setpoint_label),
            ],
            bands: bands.collect(),
            marks: marks.collect(),
            ..Figure::default()
        }
    }

    fn setpoint_panel(&self, recorded: &Recorded, motors: &[String], label: &str) -> Panel {
        let (start, end) = self.span;
        let sent = recorded.setpoints.iter();
        let sent: Vec<_> = sent.filter(|s| (start..end).contains(&s.time)).collect();
        let motor = |(i, name): (usize, &String)| {
            let points = sent.iter().map(|s| (s.time - start, s.setpoints[i]));
            series(name, Stroke::of(i), points.collect())
        };
        Panel {
            label: label.into(),
            height: 1.1,
            series: motors.iter().enumerate().map(motor).collect(),
            ..Panel::default()
        }
    }

    /// Writes the recording: commanded and true bend, and the setpoints in force.
    ///
    /// # Errors
    /// The system's error.
    pub fn record(
        &self,
        recorded: &Recorded,
        motors: &[String],
        unit: &str,
        file: &Path,
    ) -> std::io::Result<()> {
        let mut columns: Vec<String> = [
            "time_s",
            "commanded_inclination_deg",
            "commanded_direction_deg",
            "true_inclination_deg",
            "true_direction_deg",
            "true_bend_x_rad",
            "true_bend_y_rad",
        ]
        .map(String::from)
        .to_vec();
        columns.extend(motors.iter().map(|m| format!("setpoint_{m}_{unit}")));
        let row = |sample: &BendSample| {
            let commanded = self.commanded(sample.time);
            let mut row = vec![
                sample.time - self.span.0,
                commanded.map_or(f64::NAN, |b| inclination(b).to_degrees()),
                commanded.map_or(f64::NAN, direction_deg),
                inclination(sample.bend).to_degrees(),
                direction_deg(sample.bend),
                sample.bend.x,
                sample.bend.y,
            ];
            let sent = recorded
                .setpoints
                .partition_point(|s| s.time <= sample.time);
            match sent.checked_sub(1) {
                Some(i) => row.extend(&recorded.setpoints[i].setpoints),
                None => row.extend(vec![f64::NAN; motors.len()]),
            }
            row
        };
        let mut out = BufWriter::new(File::create(file)?);
        write_csv(
            &mut out,
            &columns,
            self.within(&recorded.bends).iter().map(row),
        )
    }
}

/// Returns a panel of the true and the commanded inclination over time.
fn inclination_panel(bends: &[(f64, Bend)], commanded: &[(f64, Bend)]) -> Panel {
    let inclinations = |line: &[(f64, Bend)]| {
        let point = |p: &(f64, Bend)| (p.0, inclination(p.1).to_degrees());
        line.iter().map(point).collect()
    };
    Panel {
        label: "inclination, deg".into(),
        height: 1.2,
        ticks: Some(5.0),
        series: vec![
            series("true", Stroke::TRUE, inclinations(bends)),
            series("commanded", Stroke::COMMANDED, inclinations(commanded)),
        ],
        ..Panel::default()
    }
}

/// Returns a panel of the true and the commanded direction over time.
fn direction_panel(bends: &[(f64, Bend)], commanded: &[(f64, Bend)]) -> Panel {
    let directions = |line: &[(f64, Bend)]| directions(line.iter().copied());
    Panel {
        label: "direction from +x toward +y, deg (none near the straight joint)".into(),
        height: 1.0,
        range: Some((0.0, 360.0)),
        ticks: Some(90.0),
        series: vec![
            series("true", Stroke::TRUE, directions(bends)),
            series("commanded", Stroke::COMMANDED, directions(commanded)),
        ],
        ..Panel::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::geometry::bend_from;

    #[test]
    fn directions_break_across_360_and_at_the_straight_joint() {
        let bend = |inclination: f64, direction: f64| {
            bend_from(inclination.to_radians(), direction.to_radians())
        };
        let points = [
            (0.0, bend(12.0, 350.0)),
            (1.0, bend(12.0, 10.0)),
            (2.0, bend(0.5, 10.0)),
            (3.0, bend(12.0, 20.0)),
        ];
        let line = directions(points.into_iter());
        let shown: Vec<_> = line.iter().map(|p| p.1.round()).collect();
        assert_eq!(shown.len(), 5);
        assert_eq!((shown[0], shown[2], shown[4]), (350.0, 10.0, 20.0));
        assert!(shown[1].is_nan() && shown[3].is_nan());
    }
}

//! An incident recording, prepared for the terminal and for its report.

use std::fmt::Write;

use super::output::{self, Meaning};
use crate::control::tick::Mode;
use crate::report::{Align, Table};
use crate::runtime::recorder::IncidentFile;

/// Maximum number of changes and events shown; earlier ones are counted.
const SHOWN: usize = 20;

/// A recording, prepared for display.
pub struct Shown<'a> {
    /// Content of the file.
    pub read: &'a IncidentFile,
    /// Time of each row, s after the first fault; after the last row if there is no fault.
    pub times: Vec<f64>,
    /// Names of the motors.
    pub motors: Vec<String>,
    /// The unit of setpoints.
    pub unit: &'static str,
    /// ROS time of time 0, s.
    zero: f64,
}

/// A change or event with its time.
pub struct Change {
    /// Time, s as in [`Shown::times`].
    pub at: f64,
    /// New value, or text of the event.
    pub now: String,
}

impl<'a> Shown<'a> {
    /// Prepares a recording for display.
    pub fn new(read: &'a IncidentFile) -> Self {
        let clock = read.numbers("time_s");
        let ros = read.numbers("ros_time_s");
        let offset = match (ros.last(), clock.last()) {
            (Some(ros), Some(at)) => ros - at,
            _ => 0.0,
        };
        let fault = read
            .lines("fault")
            .find_map(|line| line.split(' ').next()?.parse::<f64>().ok());
        let zero = fault.map_or_else(|| clock.last().copied().unwrap_or(0.0), |at| at - offset);
        let units = [("_setpoint_rad", "rad"), ("_setpoint_rad_s", "rad/s")];
        let motors_of = |ending: &str| -> Vec<String> {
            let columns = read.columns.iter();
            columns
                .filter_map(|c| c.strip_suffix(ending))
                .map(Into::into)
                .collect()
        };
        let (motors, unit) = units
            .into_iter()
            .map(|(ending, unit)| (motors_of(ending), unit))
            .find(|(motors, _)| !motors.is_empty())
            .unwrap_or_default();
        Self {
            times: clock.iter().map(|at| at - zero).collect(),
            motors,
            unit,
            zero: zero + offset,
            read,
        }
    }

    /// Returns the changes of a column of words.
    pub fn changes(&self, column: &str) -> Vec<Change> {
        let mut changes: Vec<Change> = Vec::new();
        for (at, word) in self.times.iter().zip(self.read.texts(column)) {
            if changes.last().is_none_or(|last| last.now != word) {
                let now = word.to_string();
                changes.push(Change { at: *at, now });
            }
        }
        changes
    }

    /// Returns the magnitude of a bend, deg.
    pub fn bend_deg(&self, what: &str) -> Vec<f64> {
        let x = self.read.numbers(&format!("{what}_bend_x_rad"));
        let y = self.read.numbers(&format!("{what}_bend_y_rad"));
        let pairs = x.iter().zip(&y);
        pairs.map(|(x, y)| x.hypot(*y).to_degrees()).collect()
    }

    /// Returns the setpoints of one motor.
    pub fn setpoints(&self, motor: &str) -> Vec<f64> {
        let unit = if self.unit == "rad" { "rad" } else { "rad_s" };
        self.read.numbers(&format!("{motor}_setpoint_{unit}"))
    }

    /// Returns the events beside the ticks.
    pub fn events(&self) -> Vec<Change> {
        let events = self.read.lines("event").filter_map(|line| {
            let (at, now) = line.split_once(' ')?;
            let at = at.parse::<f64>().ok()? - self.zero;
            let now = now.to_string();
            Some(Change { at, now })
        });
        events.collect()
    }

    /// Returns the maximum values with their times.
    pub fn greatest(&self) -> Table {
        let mut table = Table::new(&[
            ("maximum", "", Align::Left),
            ("value", "", Align::Right),
            ("unit", "", Align::Left),
            ("at", "s", Align::Right),
        ]);
        let mut add = |name: String, values: Vec<f64>, unit: &str| {
            let sizes = self.times.iter().zip(values);
            let known = sizes.filter(|(_, v)| v.is_finite());
            let greatest = known.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
            if let Some((at, value)) = greatest {
                table.row([name, format!("{value:.4}"), unit.into(), format!("{at:.3}")]);
            }
        };
        add("bend measured".into(), self.bend_deg("measured"), "deg");
        add("bend by the motors".into(), self.bend_deg("motors"), "deg");
        add(
            "bend of the reference".into(),
            self.bend_deg("reference"),
            "deg",
        );
        for motor in &self.motors {
            add(
                format!("setpoint of {motor}"),
                self.setpoints(motor),
                self.unit,
            );
        }
        let correction = self.read.numbers("feedback_share");
        add("share of the feedback limit".into(), correction, "");
        add(
            "age of the head's IMU".into(),
            self.read.numbers("imu_age_s"),
            "s",
        );
        for motor in &self.motors {
            let ages = self.read.numbers(&format!("{motor}_age_s"));
            add(format!("age of {motor}'s encoder"), ages, "s");
        }
        table
    }

    /// Returns the number of rows in which a flag is set.
    fn set(&self, flag: &str) -> usize {
        self.read.texts(flag).filter(|text| *text == "1").count()
    }

    /// Returns a title: node, cause and time of writing.
    pub fn title(&self) -> String {
        let line = |key| self.read.line(key).unwrap_or("unknown");
        format!(
            "{}: {}, written {}",
            line("node"),
            line("cause"),
            line("written_utc")
        )
    }

    /// Returns the length of the recording and its counts of late and missed cycles.
    pub fn extent(&self) -> String {
        let span = match (self.times.first(), self.times.last()) {
            (Some(first), Some(last)) => last - first,
            _ => 0.0,
        };
        let grew = |column: &str| {
            let counts = self.read.numbers(column);
            match (counts.first(), counts.last()) {
                (Some(first), Some(last)) => last - first,
                _ => 0.0,
            }
        };
        format!(
            "{:.2} s in {} cycles, {} of them late, {} missed; times below are s after the {}",
            span,
            self.times.len(),
            grew("late_cycles"),
            grew("missed_cycles"),
            if self.read.line("fault").is_some() {
                "first fault"
            } else {
                "last tick"
            },
        )
    }

    /// Returns what is printed: cause, last changes and events, maximum values.
    pub fn summary(&self) -> String {
        let mut text = format!("{}\n{}\n", self.title(), self.extent());
        // Writing to a string does not fail.
        let mut list = |title: &str, changes: Vec<Change>, meaning: fn(&str) -> Option<Meaning>| {
            let left_out = changes.len().saturating_sub(SHOWN);
            let _ = writeln!(text, "\n{title}");
            if left_out > 0 {
                let _ = writeln!(text, "  ({left_out} earlier ones)");
            }
            for change in &changes[left_out..] {
                let now = match change.now.as_str() {
                    "" => "none",
                    now => now,
                };
                let now = meaning(now).map_or(now.into(), |meaning| meaning.out(now));
                let _ = writeln!(text, "{:>10.3}  {now}", change.at);
            }
        };
        let fault = |rules: &str| (rules != "none").then_some(Meaning::Bad);
        list("mode", self.changes("mode"), |mode| {
            (mode == Mode::Faulted.name()).then_some(Meaning::Bad)
        });
        list("rules broken", self.changes("rules_broken"), fault);
        list("rules latched", self.changes("rules_latched"), fault);
        list("bend measured by", self.changes("measured_by"), |_| None);
        list("events", self.events(), |event| {
            // An event begins with its level.
            match event.split(' ').next() {
                Some("error") => Some(Meaning::Bad),
                Some("warn") => Some(Meaning::Warn),
                _ => None,
            }
        });
        let _ = write!(text, "\n{}", output::fitted(&self.greatest()));
        let limits = [
            ("feedback_limited", "feedback"),
            ("speed_limited", "a motor's speed"),
            ("travel_limited", "a motor's travel"),
            ("over_bend", "the bend"),
        ];
        let met = limits
            .iter()
            .map(|(flag, name)| format!("{name} in {}", self.set(flag)));
        let met: Vec<_> = met.collect();
        let _ = writeln!(text, "\ncycles at a limit: {}", met.join(", "));
        text
    }
}

//! The columns: recorded values of a tick and their text form.

use std::fmt::Arguments;
use std::io::{self, Write};

use nalgebra::Vector3;

use crate::control::controller::CommandInterface;
use crate::control::tick::{ImuSample, Mode, Reaction, Readiness, Rule, Source};
use crate::runtime::link::Record;

/// Parameters that determine the columns.
#[derive(Clone, Debug)]
pub struct Layout {
    /// Names of the motors, in tendon order.
    pub motors: Vec<String>,
    /// Name of the pan motor, if there is one.
    pub pan: Option<String>,
    /// True if the base has an IMU.
    pub base_imu: bool,
    /// Command interface of the motors.
    pub kind: CommandInterface,
}

/// Text form of a value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Form {
    /// A decimal number.
    Number,
    /// Loop time, written as ROS time.
    Stamp,
    /// A whole number.
    Count,
    /// One of these words, by its index.
    Word(&'static [&'static str]),
    /// Names of rules, one per bit.
    Rules,
}

/// One column.
#[derive(Clone, Debug)]
pub(super) struct Column {
    pub name: String,
    pub form: Form,
}

impl Layout {
    /// Returns all columns, in order.
    pub(super) fn columns(&self) -> Vec<Column> {
        let mut columns = Vec::new();
        self.visit(&Record::new(self.motors.len()), &mut |name, form, _| {
            let name = name.to_string();
            columns.push(Column { name, form });
        });
        columns
    }

    /// Returns the names of all columns, in order.
    pub fn names(&self) -> Vec<String> {
        self.columns().into_iter().map(|c| c.name).collect()
    }

    /// Writes a tick into `row`, which has one element per column. Missing values are NaN.
    pub(super) fn encode(&self, record: &Record, row: &mut [f64]) {
        let mut places = row.iter_mut();
        self.visit(record, &mut |_, _, value| {
            if let Some(place) = places.next() {
                *place = value;
            }
        });
    }

    /// Returns the names of all motors, the pan motor last.
    fn all_motors(&self) -> impl Iterator<Item = &String> {
        self.motors.iter().chain(&self.pan)
    }

    /// Calls `put` with each column's name, form and value, in order. A name is formatted only if
    /// `put` formats it.
    fn visit(&self, record: &Record, put: &mut impl FnMut(Arguments<'_>, Form, f64)) {
        let (input, out) = (&record.input, &record.output);
        let at = record.at;
        put(format_args!("time_s"), Form::Number, at);
        put(format_args!("ros_time_s"), Form::Stamp, at);

        let motors = self.motors.len();
        for (i, name) in self.all_motors().enumerate() {
            let sample = if i < motors {
                input.motors.get(i).copied().flatten()
            } else {
                input.pan
            };
            let (angle, stamp) = sample.map_or((f64::NAN, f64::NAN), |s| (s.angle, s.stamp));
            put(format_args!("{name}_angle_rad"), Form::Number, angle);
            put(format_args!("{name}_stamp_s"), Form::Stamp, stamp);
            put(format_args!("{name}_age_s"), Form::Number, at - stamp);
        }
        imu("imu", &input.head, at, put);
        if self.base_imu {
            imu("base_imu", &input.base, at, put);
        }

        let desired = input.desired.as_ref();
        let of = |value: fn(&crate::control::tick::Desired) -> f64| desired.map_or(f64::NAN, value);
        put(
            format_args!("command"),
            Form::Count,
            of(|d| d.command as f64),
        );
        put(
            format_args!("command_sample"),
            Form::Count,
            of(|d| d.sequence as f64),
        );
        put(
            format_args!("command_bend_x_rad"),
            Form::Number,
            of(|d| d.configuration.x),
        );
        put(
            format_args!("command_bend_y_rad"),
            Form::Number,
            of(|d| d.configuration.y),
        );
        put(
            format_args!("command_pan_rad"),
            Form::Number,
            of(|d| d.configuration.z),
        );
        put(
            format_args!("holds_requested"),
            Form::Count,
            input.hold as f64,
        );
        put(
            format_args!("clears_requested"),
            Form::Count,
            input.clear as f64,
        );
        put(
            format_args!("releases_requested"),
            Form::Count,
            input.release_tension as f64,
        );
        flag("active", !input.inactive, put);

        put(
            format_args!("mode"),
            Form::Word(Mode::NAMES),
            out.mode as usize as f64,
        );
        put(
            format_args!("readiness"),
            Form::Word(Readiness::NAMES),
            out.readiness as usize as f64,
        );
        let faults = &out.faults;
        put(
            format_args!("reaction"),
            Form::Word(Reaction::NAMES),
            faults.reaction as usize as f64,
        );
        let cause = faults.cause.map_or(f64::NAN, |rule| rule as usize as f64);
        put(format_args!("cause"), Form::Word(Rule::NAMES), cause);
        let bits = |is: fn(&crate::control::tick::Fault) -> bool| {
            let bit = |(i, fault)| u32::from(is(fault)) << i;
            f64::from(faults.rules.iter().enumerate().map(bit).sum::<u32>())
        };
        put(
            format_args!("rules_broken"),
            Form::Rules,
            bits(|f| f.broken),
        );
        put(
            format_args!("rules_latched"),
            Form::Rules,
            bits(|f| f.latched),
        );

        let estimate = &out.estimate;
        for (what, bend, pan) in [
            ("target", out.target, out.target_pan),
            ("reference", out.reference, out.reference_pan),
            ("measured", estimate.bend, estimate.pan),
        ] {
            put(format_args!("{what}_bend_x_rad"), Form::Number, bend.x);
            put(format_args!("{what}_bend_y_rad"), Form::Number, bend.y);
            if self.pan.is_some() {
                put(format_args!("{what}_pan_rad"), Form::Number, pan);
            }
        }
        put(
            format_args!("measured_by"),
            Form::Word(Source::NAMES),
            estimate.source as usize as f64,
        );
        put(
            format_args!("measured_stamp_s"),
            Form::Stamp,
            out.bend_stamp,
        );
        put(
            format_args!("motors_bend_x_rad"),
            Form::Number,
            estimate.motors_bend.x,
        );
        put(
            format_args!("motors_bend_y_rad"),
            Form::Number,
            estimate.motors_bend.y,
        );
        put(format_args!("delay_s"), Form::Number, out.delay);

        let unit = match self.kind {
            CommandInterface::Position => "rad",
            CommandInterface::Velocity => "rad_s",
        };
        let sends = out.mode.sends() && !out.unsent;
        let sent = |value: f64| if sends { value } else { f64::NAN };
        put(
            format_args!("setpoint_stamp_s"),
            Form::Stamp,
            sent(out.stamp),
        );
        let of = |values: &[f64], pan: f64, i: usize| {
            if i < motors {
                sent(values.get(i).copied().unwrap_or(f64::NAN))
            } else {
                sent(pan)
            }
        };
        for (i, name) in self.all_motors().enumerate() {
            let value = of(&out.setpoints, out.pan_setpoint, i);
            put(format_args!("{name}_setpoint_{unit}"), Form::Number, value);
        }
        for (i, name) in self.all_motors().enumerate() {
            let value = of(&out.references, out.pan_reference, i);
            put(format_args!("{name}_reference_rad"), Form::Number, value);
        }
        put(
            format_args!("feedback_share"),
            Form::Number,
            out.feedback_share,
        );
        for (name, is) in [
            ("feedback_limited", out.feedback_limited),
            ("speed_limited", out.speed_limited),
            ("travel_limited", out.travel_limited),
            ("target_limited", out.target_limited),
            ("over_bend", out.over_bend),
            ("integrator_deadband", out.in_deadband),
            ("hunting", out.hunting),
            ("following_error", out.following_error),
            ("settled", out.settled),
        ] {
            flag(name, is, put);
        }

        let counts = &record.counts;
        for (name, count) in [
            ("cycles", counts.ticks),
            ("late_cycles", counts.late),
            ("missed_cycles", counts.missed),
            ("cycles_without_sample", counts.without_sample),
            ("records_lost", counts.lost),
        ] {
            put(format_args!("{name}"), Form::Count, count as f64);
        }
    }
}

fn flag(name: &str, is: bool, put: &mut impl FnMut(Arguments<'_>, Form, f64)) {
    put(format_args!("{name}"), Form::Count, f64::from(u8::from(is)));
}

fn imu(
    name: &str,
    sample: &Option<ImuSample>,
    at: f64,
    put: &mut impl FnMut(Arguments<'_>, Form, f64),
) {
    let nothing = Vector3::repeat(f64::NAN);
    let stamp = sample.as_ref().map_or(f64::NAN, |s| s.stamp);
    put(format_args!("{name}_stamp_s"), Form::Stamp, stamp);
    put(format_args!("{name}_age_s"), Form::Number, at - stamp);
    let gravity = sample.as_ref().map_or(nothing, |s| s.gravity);
    let rate = sample.as_ref().map_or(nothing, |s| s.angular_velocity);
    for (i, axis) in ["x", "y", "z"].into_iter().enumerate() {
        put(
            format_args!("{name}_gravity_{axis}"),
            Form::Number,
            gravity[i],
        );
    }
    for (i, axis) in ["x", "y", "z"].into_iter().enumerate() {
        put(
            format_args!("{name}_rate_{axis}_rad_s"),
            Form::Number,
            rate[i],
        );
    }
}

impl Form {
    /// Writes one value; nothing for NaN. `zero_ns`: ROS time of loop time 0.
    pub(super) fn write(self, out: &mut impl Write, value: f64, zero_ns: i64) -> io::Result<()> {
        if value.is_nan() {
            return Ok(());
        }
        match self {
            Self::Number if value.abs() < 1e9 => write!(out, "{value:.6}"),
            Self::Number => write!(out, "{value:e}"),
            Self::Stamp => write_stamp(out, (value * 1e9).round() as i64 + zero_ns),
            Self::Count => write!(out, "{value}"),
            Self::Word(words) => {
                let word = words.get(value as usize).copied().unwrap_or("unknown");
                out.write_all(word.as_bytes())
            }
            Self::Rules => {
                let bits = value as u64;
                let mut first = true;
                for (i, name) in Rule::NAMES.iter().enumerate() {
                    if bits & (1 << i) != 0 {
                        if !std::mem::take(&mut first) {
                            out.write_all(b"+")?;
                        }
                        out.write_all(name.as_bytes())?;
                    }
                }
                Ok(())
            }
        }
    }
}

/// Writes a time of `ns` in s, with a resolution of 1 ns.
pub(super) fn write_stamp(out: &mut impl Write, ns: i64) -> io::Result<()> {
    const NS: i64 = 1_000_000_000;
    write!(out, "{}.{:09}", ns.div_euclid(NS), ns.rem_euclid(NS))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_written_as_people_read_them() {
        let written = |form: Form, value: f64| {
            let mut out = Vec::new();
            form.write(&mut out, value, 1_700_000_000_000_000_001)
                .unwrap();
            String::from_utf8(out).unwrap()
        };
        assert_eq!(written(Form::Number, f64::NAN), "");
        assert_eq!(written(Form::Number, -0.25), "-0.250000");
        assert_eq!(written(Form::Number, 1e300), "1e300");
        assert_eq!(written(Form::Stamp, 12.5), "1700000012.500000001");
        assert_eq!(written(Form::Count, 12.0), "12");
        assert_eq!(written(Form::Word(Mode::NAMES), 5.0), "tracking");
        assert_eq!(written(Form::Word(Mode::NAMES), 99.0), "unknown");
        assert_eq!(written(Form::Rules, 0.0), "");
        assert_eq!(written(Form::Rules, 5.0), "imu_stale+motor_stale");
    }
}

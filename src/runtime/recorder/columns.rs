//! The columns: recorded values of a tick and their text form.

use std::io::{self, Write};

use crate::control::controller::CommandInterface;
use crate::control::geometry::Bend;
use crate::control::tick::{
    Desired, Fault, ImuSample, Mode, MotorSample, Reaction, Readiness, Rule, Source,
};
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

use Form::{Count, Number, Rules, Stamp, Word};

/// One column: its name and text form, and where its value is in a tick.
pub(super) struct Column {
    pub name: String,
    pub form: Form,
    value: Box<dyn Fn(&Record) -> f64 + Send + Sync>,
}

impl Column {
    /// Returns the value of a tick; NaN if it is missing.
    pub(super) fn value(&self, record: &Record) -> f64 {
        (self.value)(record)
    }
}

/// A column of every joint.
type Fixed = (&'static str, Form, fn(&Record) -> f64);

const TIME: [Fixed; 2] = [
    ("time_s", Number, |r| r.at),
    ("ros_time_s", Stamp, |r| r.at),
];

const COMMAND: [Fixed; 9] = [
    ("command", Count, |r| desired(r, |d| d.command as f64)),
    ("command_sample", Count, |r| {
        desired(r, |d| d.sequence as f64)
    }),
    ("command_bend_x_rad", Number, |r| {
        desired(r, |d| d.configuration.x)
    }),
    ("command_bend_y_rad", Number, |r| {
        desired(r, |d| d.configuration.y)
    }),
    ("command_pan_rad", Number, |r| {
        desired(r, |d| d.configuration.z)
    }),
    ("holds_requested", Count, |r| r.input.hold as f64),
    ("clears_requested", Count, |r| r.input.clear as f64),
    ("releases_requested", Count, |r| {
        r.input.release_tension as f64
    }),
    ("active", Count, |r| flag(!r.input.inactive)),
];

const STATE: [Fixed; 6] = [
    ("mode", Word(Mode::NAMES), |r| r.output.mode as usize as f64),
    ("readiness", Word(Readiness::NAMES), |r| {
        r.output.readiness as usize as f64
    }),
    ("reaction", Word(Reaction::NAMES), |r| {
        r.output.faults.reaction as usize as f64
    }),
    ("cause", Word(Rule::NAMES), |r| {
        let cause = r.output.faults.cause;
        cause.map_or(f64::NAN, |rule| rule as usize as f64)
    }),
    ("rules_broken", Rules, |r| bits(r, |f| f.broken)),
    ("rules_latched", Rules, |r| bits(r, |f| f.latched)),
];

const MEASURED: [Fixed; 5] = [
    ("measured_by", Word(Source::NAMES), |r| {
        r.output.estimate.source as usize as f64
    }),
    ("measured_stamp_s", Stamp, |r| r.output.timing.bend_stamp),
    ("motors_bend_x_rad", Number, |r| {
        r.output.estimate.motors_bend.x
    }),
    ("motors_bend_y_rad", Number, |r| {
        r.output.estimate.motors_bend.y
    }),
    ("delay_s", Number, |r| r.output.timing.delay),
];

const SENT: [Fixed; 1] = [("setpoint_stamp_s", Stamp, |r| {
    sent(r, r.output.timing.stamp)
})];

const LIMITS: [Fixed; 10] = [
    ("feedback_share", Number, |r| {
        r.output.limited.feedback_share
    }),
    ("feedback_limited", Count, |r| {
        flag(r.output.limited.feedback)
    }),
    ("speed_limited", Count, |r| flag(r.output.limited.speed)),
    ("travel_limited", Count, |r| flag(r.output.limited.travel)),
    ("target_limited", Count, |r| flag(r.output.limited.target)),
    ("over_bend", Count, |r| flag(r.output.over_bend())),
    ("integrator_deadband", Count, |r| flag(r.output.in_deadband)),
    ("hunting", Count, |r| flag(r.output.hunting)),
    ("following_error", Count, |r| {
        flag(r.output.following_error())
    }),
    ("settled", Count, |r| flag(r.output.settled)),
];

const COUNTS: [Fixed; 5] = [
    ("cycles", Count, |r| r.counts.ticks as f64),
    ("late_cycles", Count, |r| r.counts.late as f64),
    ("missed_cycles", Count, |r| r.counts.missed as f64),
    ("cycles_without_sample", Count, |r| {
        r.counts.without_sample as f64
    }),
    ("records_lost", Count, |r| r.counts.lost as f64),
];

/// The bends of a tick, with the beginning of their columns' names.
const BENDS: [(&str, Bent); 3] = [
    ("target", |r| (r.output.target, r.output.target_pan)),
    ("reference", |r| {
        (r.output.reference, r.output.reference_pan)
    }),
    ("measured", |r| {
        (r.output.estimate.bend, r.output.estimate.pan)
    }),
];

/// A bend of a tick, with the pan.
type Bent = fn(&Record) -> (Bend, f64);
/// An IMU of a record.
type Imu = fn(&Record) -> &Option<ImuSample>;

fn desired(record: &Record, value: fn(&Desired) -> f64) -> f64 {
    record.input.desired.as_ref().map_or(f64::NAN, value)
}

fn flag(is: bool) -> f64 {
    f64::from(u8::from(is))
}

/// Returns a number with one bit per rule.
fn bits(record: &Record, is: fn(&Fault) -> bool) -> f64 {
    let faults = record.output.faults.rules.iter().enumerate();
    let bit = |(i, fault)| u32::from(is(fault)) << i;
    f64::from(faults.map(bit).sum::<u32>())
}

/// Returns a value of the setpoints if they were sent.
fn sent(record: &Record, value: f64) -> f64 {
    let sends = record.output.mode.sends() && !record.output.unsent;
    if sends { value } else { f64::NAN }
}

/// The columns so far.
#[derive(Default)]
struct Columns(Vec<Column>);

impl Columns {
    fn add(
        &mut self,
        name: String,
        form: Form,
        value: impl Fn(&Record) -> f64 + Send + Sync + 'static,
    ) {
        let value = Box::new(value);
        self.0.push(Column { name, form, value });
    }

    fn fixed(&mut self, columns: &[Fixed]) {
        for (name, form, value) in columns {
            self.add((*name).into(), *form, *value);
        }
    }

    /// Adds angle, stamp and age of a motor's encoder.
    fn motor(&mut self, name: &str, motor: Motor) {
        let of = |value: fn(&MotorSample) -> f64| {
            move |r: &Record| motor.sample(r).as_ref().map_or(f64::NAN, value)
        };
        let stamp = of(|s| s.stamp);
        self.add(format!("{name}_angle_rad"), Number, of(|s| s.angle));
        self.add(format!("{name}_stamp_s"), Stamp, stamp);
        self.add(format!("{name}_age_s"), Number, move |r| r.at - stamp(r));
    }

    /// Adds stamp, age and values of an IMU.
    fn imu(&mut self, name: &str, imu: Imu) {
        let stamp = move |r: &Record| imu(r).as_ref().map_or(f64::NAN, |s| s.stamp);
        self.add(format!("{name}_stamp_s"), Stamp, stamp);
        self.add(format!("{name}_age_s"), Number, move |r| r.at - stamp(r));
        for (i, axis) in AXES.into_iter().enumerate() {
            let gravity = move |r: &Record| imu(r).as_ref().map_or(f64::NAN, |s| s.gravity[i]);
            self.add(format!("{name}_gravity_{axis}"), Number, gravity);
        }
        for (i, axis) in AXES.into_iter().enumerate() {
            let rate =
                move |r: &Record| imu(r).as_ref().map_or(f64::NAN, |s| s.angular_velocity[i]);
            self.add(format!("{name}_rate_{axis}_rad_s"), Number, rate);
        }
    }
}

const AXES: [&str; 3] = ["x", "y", "z"];

/// A motor in a record.
#[derive(Clone, Copy)]
enum Motor {
    /// That of a tendon, by its index.
    Tendon(usize),
    Pan,
}

impl Motor {
    fn sample(self, record: &Record) -> Option<MotorSample> {
        match self {
            Self::Tendon(i) => record.input.motors.get(i).copied().flatten(),
            Self::Pan => record.input.pan,
        }
    }

    /// Returns its value among those of the tendons' motors and the pan's.
    fn of(self, tendons: &[f64], pan: f64) -> f64 {
        match self {
            Self::Tendon(i) => tendons.get(i).copied().unwrap_or(f64::NAN),
            Self::Pan => pan,
        }
    }
}

impl Layout {
    /// Returns all columns, in order.
    pub(super) fn columns(&self) -> Vec<Column> {
        let mut columns = Columns::default();
        columns.fixed(&TIME);
        for (name, motor) in self.all_motors() {
            columns.motor(name, motor);
        }
        columns.imu("imu", |r| &r.input.head);
        if self.base_imu {
            columns.imu("base_imu", |r| &r.input.base);
        }
        columns.fixed(&COMMAND);
        columns.fixed(&STATE);
        for (what, of) in BENDS {
            let x = format!("{what}_bend_x_rad");
            columns.add(x, Number, move |r| of(r).0.x);
            let y = format!("{what}_bend_y_rad");
            columns.add(y, Number, move |r| of(r).0.y);
            if self.pan.is_some() {
                let pan = format!("{what}_pan_rad");
                columns.add(pan, Number, move |r| of(r).1);
            }
        }
        columns.fixed(&MEASURED);
        columns.fixed(&SENT);
        let unit = match self.kind {
            CommandInterface::Position => "rad",
            CommandInterface::Velocity => "rad_s",
        };
        for (name, motor) in self.all_motors() {
            let name = format!("{name}_setpoint_{unit}");
            columns.add(name, Number, move |r| {
                sent(r, motor.of(&r.output.setpoints, r.output.pan_setpoint))
            });
        }
        for (name, motor) in self.all_motors() {
            let name = format!("{name}_reference_rad");
            columns.add(name, Number, move |r| {
                sent(r, motor.of(&r.output.references, r.output.pan_reference))
            });
        }
        columns.fixed(&LIMITS);
        columns.fixed(&COUNTS);
        columns.0
    }

    /// Returns the names of all columns, in order.
    pub fn names(&self) -> Vec<String> {
        self.columns().into_iter().map(|c| c.name).collect()
    }

    /// Returns all motors, the pan motor last.
    fn all_motors(&self) -> impl Iterator<Item = (&String, Motor)> {
        let tendons = self.motors.iter().enumerate();
        let tendons = tendons.map(|(i, name)| (name, Motor::Tendon(i)));
        tendons.chain(self.pan.iter().map(|name| (name, Motor::Pan)))
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

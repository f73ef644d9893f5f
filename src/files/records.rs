//! Records of step tests as CSV.
//!
//! # The format
//! UTF-8, fields separated by commas, `.` as decimal point (RFC 4180 with comments). The first
//! lines are `# key: value`, in any order and all optional:
//!
//! | key | value |
//! |---|---|
//! | `payload_mass_g`, `payload_height_mm` | payload: mass, height of its centre; both or none |
//! | `direction_deg` | direction of the step, +x toward +y, -360 to 360; default: first move |
//! | `limit_deg` | inclination to which the commanded bend was cut |
//! | `gain_set`, `feedback`, `joint`, `note` | text for people |
//! | `aborted` | why the test ended early; the record is then incomplete |
//!
//! Other comment lines are ignored. The heading follows, then one row per control tick:
//!
//! | column | content |
//! |---|---|
//! | `time_s` | time at which the setpoints were sent, s, rising |
//! | `commanded_x_rad`, `commanded_y_rad` | commanded bend, rad; see below |
//! | `bend_x_rad`, `bend_y_rad` | the last measured bend, rad |
//! | `bend_stamp_s` | time of that measurement, s; optional, default: the row's time |
//! | `setpoint_<motor>_rad` or `_rad_s` | setpoint sent to the motor of that name; optional |
//! | `motor_<motor>_rad` | measured angle of the motor; optional |
//!
//! The payload height is that of its centre above the end of the beam. The commanded bend is that
//! of the setpoints through the kinematics (rad/s for velocity setpoints), held until the next row.
//! A `bend_stamp_s` that repeats marks the same measurement.
//!
//! With the stamps of the measurements a fitted dead time excludes the sensor latency; without them
//! it includes the sensor latency.
//!
//! An empty field of a motor means unknown. Columns with other names are ignored.
//!
//! For records from other sources a [`Mapping`] gives the names and units of the columns, for one
//! axis or two.

use std::path::Path;

use super::error::{Place, Position};
use super::table::{Document, quoted, read};
use super::{ConfigError, Kind};
use crate::control::geometry::Bend;
use crate::design::fit::{Hold, Payload, StepTest};

/// Maximum size of a record, bytes: an hour at 200 Hz.
const LARGEST: u64 = 256 << 20;

/// Column names and units of a record from another source.
#[derive(Clone, Debug, PartialEq)]
pub struct Mapping {
    /// Column of the time.
    pub time: String,
    /// Seconds per unit of time.
    pub seconds: f64,
    /// Columns of the commanded bend: one axis, or x and y.
    pub asked: Vec<String>,
    /// Columns of the measured bend, as many.
    pub measured: Vec<String>,
    /// Radians per unit of angle.
    pub radians: f64,
    /// Separator of the fields.
    pub delimiter: u8,
    /// Course of the input between rows.
    pub hold: Hold,
}

impl Default for Mapping {
    fn default() -> Self {
        let names = |list: [&str; 2]| list.map(String::from).to_vec();
        Self {
            time: "time_s".into(),
            seconds: 1.0,
            asked: names(["commanded_x_rad", "commanded_y_rad"]),
            measured: names(["bend_x_rad", "bend_y_rad"]),
            radians: 1.0,
            delimiter: b',',
            hold: Hold::Constant,
        }
    }
}

/// A motor's part of a record, one value per row; NaN if unknown.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MotorColumn {
    /// The motor's name.
    pub name: String,
    /// Setpoints, rad or rad/s.
    pub setpoints: Vec<f64>,
    /// Measured angles, rad.
    pub angles: Vec<f64>,
}

/// The content of a step-test file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StepTestRecord {
    /// The test itself.
    pub test: StepTest,
    /// Payload on the head plate, if known.
    pub payload: Option<Payload>,
    /// Texts for people: `gain_set`, `feedback`, `joint`, `note`, `aborted`.
    pub texts: Vec<(String, String)>,
    /// The motors, if recorded.
    pub motors: Vec<MotorColumn>,
    /// True if the setpoints are velocities.
    pub velocities: bool,
}

const ABORTED: &str = "aborted";
const TEXTS: [&str; 5] = ["joint", "gain_set", "feedback", "note", ABORTED];

impl StepTestRecord {
    /// Marks the record as one of a test that ended early.
    pub fn abort(&mut self, why: &str) {
        self.texts.push((ABORTED.into(), why.into()));
    }

    /// Returns why the test ended early, or `None`; empty if the record gives no reason.
    pub fn aborted(&self) -> Option<&str> {
        let (_, why) = self.texts.iter().find(|(key, _)| key == ABORTED)?;
        Some(why)
    }

    /// Reads a record.
    ///
    /// # Errors
    /// The first entry that is not accepted, with line and column.
    pub fn load(file: &Path, mapping: &Mapping) -> Result<Self, ConfigError> {
        Self::from_bytes(file, &read(file, LARGEST)?, mapping)
    }

    /// Parses `bytes` as the content of the record `file`.
    ///
    /// # Errors
    /// As [`StepTestRecord::load`].
    pub fn from_bytes(file: &Path, bytes: &[u8], mapping: &Mapping) -> Result<Self, ConfigError> {
        // Some programs start a file with a byte order mark.
        let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
        let mut record = Self::default();
        record.test.hold = mapping.hold;
        comments(file, bytes, &mut record)?;
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(mapping.delimiter)
            .comment(Some(b'#'))
            .trim(csv::Trim::All)
            .flexible(true)
            .from_reader(bytes);
        let text = Text {
            file,
            bytes,
            delimiter: mapping.delimiter,
        };
        let heading = reader.headers().map_err(|e| text.refuse(&e))?.clone();
        let sheet = Sheet {
            text,
            heading: &heading,
        };
        let time = sheet.need(&mapping.time).map_err(|missing| {
            let text = String::from_utf8_lossy(bytes);
            yaml_instead(file, &text).unwrap_or(missing)
        })?;
        let asked = sheet.all(&mapping.asked)?;
        let measured = sheet.all(&mapping.measured)?;
        let stamp = sheet.find("bend_stamp_s")?;
        let motors = sheet.motors(&mut record)?;
        for row in reader.records() {
            let row = row.map_err(|e| sheet.text.refuse(&e))?;
            let bend = |columns: &[usize]| -> Result<Bend, ConfigError> {
                let x = sheet.number(&row, columns[0])? * mapping.radians;
                let y = match columns.get(1) {
                    Some(y) => sheet.number(&row, *y)? * mapping.radians,
                    None => 0.0,
                };
                Ok(Bend::new(x, y))
            };
            let at = sheet.number(&row, time)? * mapping.seconds;
            let stamp = match stamp {
                Some(stamp) => sheet.number(&row, stamp)?,
                None => at,
            };
            let test = &mut record.test;
            test.asked.push(bend(&asked)?);
            test.measured.push(bend(&measured)?);
            test.times.push(at);
            test.stamps.push(stamp);
            for (motor, (setpoint, angle)) in record.motors.iter_mut().zip(&motors) {
                motor.setpoints.push(sheet.maybe(&row, *setpoint)?);
                motor.angles.push(sheet.maybe(&row, *angle)?);
            }
        }
        Ok(record)
    }

    /// Returns the text of the record's file. Numbers are written so that they are read back
    /// unchanged.
    pub fn to_csv(&self) -> String {
        use std::fmt::Write;
        let mut text = String::new();
        let mut put = |line: std::fmt::Arguments| {
            // Writing to a string does not fail.
            let _ = writeln!(text, "{line}");
        };
        if let Some(payload) = self.payload {
            put(format_args!("# payload_mass_g: {}", payload.mass * 1e3));
            put(format_args!(
                "# payload_height_mm: {}",
                payload.height * 1e3
            ));
        }
        let degrees = |angle: f64| angle.to_degrees();
        if let Some(direction) = self.test.direction {
            put(format_args!("# direction_deg: {}", degrees(direction)));
        }
        if let Some(limit) = self.test.limit {
            put(format_args!("# limit_deg: {}", degrees(limit)));
        }
        for (key, value) in &self.texts {
            let value: String = value
                .chars()
                .map(|c| if c.is_control() { ' ' } else { c })
                .collect();
            put(format_args!("# {key}: {}", value.trim()));
        }
        let mut heading: Vec<String> = [
            "time_s",
            "commanded_x_rad",
            "commanded_y_rad",
            "bend_x_rad",
            "bend_y_rad",
            "bend_stamp_s",
        ]
        .map(String::from)
        .to_vec();
        let unit = if self.velocities { "rad_s" } else { "rad" };
        for motor in &self.motors {
            heading.push(format!("setpoint_{}_{unit}", motor.name));
            heading.push(format!("motor_{}_rad", motor.name));
        }
        put(format_args!("{}", heading.join(",")));
        let test = &self.test;
        for (i, time) in test.times.iter().enumerate() {
            let (asked, bend) = (test.asked[i], test.measured[i]);
            let row = [time, &asked.x, &asked.y, &bend.x, &bend.y, &test.stamps[i]];
            let mut row = row.map(f64::to_string).to_vec();
            for motor in &self.motors {
                for value in [motor.setpoints[i], motor.angles[i]] {
                    row.push(if value.is_nan() {
                        String::new()
                    } else {
                        value.to_string()
                    });
                }
            }
            put(format_args!("{}", row.join(",")));
        }
        text
    }

    /// Writes the record to a new file.
    ///
    /// # Errors
    /// The system's error; an existing file is left unchanged.
    pub fn save(&self, file: &Path) -> Result<(), ConfigError> {
        use std::io::Write;
        let open = std::fs::OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(file);
        open.and_then(|mut f| {
            f.write_all(self.to_csv().as_bytes())?;
            f.sync_all()
        })
        .map_err(|e| ConfigError::Write {
            file: file.to_path_buf(),
            reason: e.to_string(),
        })
    }
}

/// The text of a file.
struct Text<'a> {
    file: &'a Path,
    bytes: &'a [u8],
    delimiter: u8,
}

impl Text<'_> {
    /// Returns the error of the CSV parser on one line.
    fn refuse(&self, error: &csv::Error) -> ConfigError {
        let (reason, field) = match error.kind() {
            csv::ErrorKind::Utf8 { err, .. } => ("it is not UTF-8 text".into(), err.field()),
            _ => (error.to_string().replace(char::is_control, " "), 0),
        };
        ConfigError::Syntax {
            at: self.place(error.position(), field),
            format: "CSV",
            reason,
        }
    }

    /// Returns the place of a field of the row that is read from `start` on; of the row's end if it
    /// has fewer fields.
    fn place(&self, start: Option<&csv::Position>, field: usize) -> Place {
        let (mut line, byte) = start.map_or((1, 0), |p| (p.line() as usize, p.byte() as usize));
        let mut rest = self.bytes.get(byte..).unwrap_or_default();
        // The reader passes over comments and empty lines before a row.
        while let Some(end) = rest.iter().position(|b| *b == b'\n')
            && (rest.starts_with(b"#") || rest[..end].trim_ascii().is_empty())
        {
            line += 1;
            rest = &rest[end + 1..];
        }
        let (mut column, mut passed, mut in_quotes) = (0, 0, false);
        for &byte in rest {
            match byte {
                b'"' => in_quotes = !in_quotes,
                b'\n' if in_quotes => {
                    line += 1;
                    column = 0;
                    continue;
                }
                b'\r' | b'\n' if !in_quotes => break,
                b' ' => {}
                _ if passed == field => break,
                _ if byte == self.delimiter && !in_quotes => passed += 1,
                _ => {}
            }
            // Characters are counted, not the further bytes of one.
            column += usize::from(byte & 0xC0 != 0x80);
        }
        Place::new(self.file, Position::new(line, column))
    }
}

/// Returns the refusal of a YAML file of ours.
fn yaml_instead(file: &Path, text: &str) -> Option<ConfigError> {
    let document = Document::parse(file, Kind::Record, text).ok()?;
    document
        .top()
        .err()
        .filter(|e| matches!(e, ConfigError::Kind { .. }))
}

/// Reads the lines `# key: value`.
fn comments(file: &Path, bytes: &[u8], record: &mut StepTestRecord) -> Result<(), ConfigError> {
    let (mut mass, mut height) = (None, None);
    let mut place = Place::new(file, Position::new(1, 0));
    for (i, line) in bytes.split(|b| *b == b'\n').enumerate() {
        let Some(rest) = line.strip_prefix(b"#") else {
            continue;
        };
        let rest = String::from_utf8_lossy(rest);
        let Some((key, value)) = rest.split_once(':') else {
            continue;
        };
        let blanks = value.len() - value.trim_start().len();
        let at = Position::new(i + 1, "#:".len() + key.chars().count() + blanks);
        let (key, value) = (key.trim(), value.trim());
        let number = |low: f64, high: f64, unit: &str| {
            let read = value.parse::<f64>().ok();
            let read = read.filter(|v| *v >= low && *v <= high);
            read.ok_or_else(|| ConfigError::Value {
                at: Place::new(file, at),
                key: key.into(),
                value: quoted(value),
                accepted: format!("a number from {low} to {high} {unit}"),
            })
        };
        if key.starts_with("payload_") {
            place = Place::new(file, at);
        }
        match key {
            "payload_mass_g" => mass = Some(number(0.0, 1e5, "g")? * 1e-3),
            "payload_height_mm" => height = Some(number(-1e4, 1e4, "mm")? * 1e-3),
            "direction_deg" => {
                record.test.direction = Some(number(-360.0, 360.0, "deg")?.to_radians());
            }
            "limit_deg" => record.test.limit = Some(number(1e-3, 180.0, "deg")?.to_radians()),
            key if TEXTS.contains(&key) => record.texts.push((key.into(), value.into())),
            _ => {}
        }
    }
    record.payload = match (mass, height) {
        (Some(mass), Some(height)) => Some(Payload { mass, height }),
        (None, None) => None,
        (mass, _) => {
            let missing = if mass.is_some() {
                "payload_height_mm"
            } else {
                "payload_mass_g"
            };
            return Err(ConfigError::Missing {
                at: place,
                key: missing.into(),
                accepted: "payload_mass_g and payload_height_mm, or neither".into(),
            });
        }
    };
    Ok(())
}

/// The heading of a file.
struct Sheet<'a> {
    text: Text<'a>,
    heading: &'a csv::StringRecord,
}

/// Indices of the columns of a motor's setpoint and angle.
type MotorColumns = (Option<usize>, Option<usize>);

impl Sheet<'_> {
    fn find(&self, name: &str) -> Result<Option<usize>, ConfigError> {
        let mut places = (0..self.heading.len()).filter(|i| &self.heading[*i] == name);
        let first = places.next();
        match places.next() {
            None => Ok(first),
            Some(again) => Err(ConfigError::Value {
                at: self.text.place(self.heading.position(), again),
                key: "the heading".into(),
                value: format!("a line with {} twice", quoted(name)),
                accepted: "every column once".into(),
            }),
        }
    }

    fn need(&self, name: &str) -> Result<usize, ConfigError> {
        self.find(name)?.ok_or_else(|| ConfigError::Missing {
            at: self.text.place(self.heading.position(), 0),
            key: format!("the column {}", quoted(name)),
            accepted: format!(
                "a heading with it; this one has {}",
                quoted(&self.heading.iter().collect::<Vec<_>>().join(", "))
            ),
        })
    }

    fn all(&self, names: &[String]) -> Result<Vec<usize>, ConfigError> {
        names.iter().map(|name| self.need(name)).collect()
    }

    /// Returns the column indices of each motor's setpoint and angle.
    fn motors(&self, record: &mut StepTestRecord) -> Result<Vec<MotorColumns>, ConfigError> {
        let mut places = Vec::new();
        for column in self.heading {
            let position = |c: &str, start: &str, end: &str| {
                let name = c.strip_prefix(start)?.strip_suffix(end)?;
                (!name.is_empty()).then(|| name.to_string())
            };
            let velocity = position(column, "setpoint_", "_rad_s");
            record.velocities |= velocity.is_some();
            let setpoint = velocity.or_else(|| position(column, "setpoint_", "_rad"));
            let Some(name) = setpoint.or_else(|| position(column, "motor_", "_rad")) else {
                continue;
            };
            if record.motors.iter().any(|m| m.name == name) {
                continue;
            }
            let setpoint = match self.find(&format!("setpoint_{name}_rad_s"))? {
                None => self.find(&format!("setpoint_{name}_rad"))?,
                some => some,
            };
            places.push((setpoint, self.find(&format!("motor_{name}_rad"))?));
            record.motors.push(MotorColumn {
                name,
                ..MotorColumn::default()
            });
        }
        Ok(places)
    }

    fn number(&self, row: &csv::StringRecord, column: usize) -> Result<f64, ConfigError> {
        let field = row.get(column);
        let read = field.and_then(|field| field.parse::<f64>().ok());
        read.filter(|v| v.is_finite()).ok_or_else(|| {
            let at = self.text.place(row.position(), column);
            let key = format!("column {}", quoted(&self.heading[column]));
            let accepted = "a finite number with . as decimal point".into();
            match field.map(quoted) {
                None => ConfigError::Missing { at, key, accepted },
                Some(value) => ConfigError::Value {
                    at,
                    key,
                    value,
                    accepted,
                },
            }
        })
    }

    fn maybe(&self, row: &csv::StringRecord, column: Option<usize>) -> Result<f64, ConfigError> {
        match column {
            Some(column) if row.get(column).is_some_and(|f| !f.is_empty()) => {
                self.number(row, column)
            }
            _ => Ok(f64::NAN),
        }
    }
}

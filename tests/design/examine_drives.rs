//! Examined loops of velocity setpoints and of feedback from the motors' encoders, against
//! state-space models of controller and joint, made by other libraries
//! (`tests/references/make_examine_drives.py`).

use crate::examine_support::gains_of;
use nalgebra::{Complex, Matrix2};
use withy::control::controller::{CommandInterface, GainSet};
use withy::control::geometry::Bend;
use withy::control::tick::{Feedback, Joint, Law};
use withy::design::examine::{Conditions, LoopFigures, Member, loop_figures, loop_response};
use withy::design::model::Plant;
use withy::files::JointFile;

/// One row of the table, with its joint and law.
struct Row {
    name: String,
    /// Command interface and feedback.
    drive: (String, String),
    joint: Joint,
    law: Law,
    member: Member,
    conditions: Conditions,
    slack: Option<usize>,
    value: serde_json::Value,
}

impl Row {
    fn at(&self) -> (Bend, Option<usize>) {
        (Bend::zeros(), self.slack)
    }

    fn response(&self, w: f64) -> (Matrix2<Complex<f64>>, Complex<f64>) {
        let Self {
            joint, law, member, ..
        } = self;
        loop_response(joint, law, member, &self.conditions, self.at(), w).unwrap()
    }

    fn figures(&self) -> LoopFigures {
        let Self {
            joint, law, member, ..
        } = self;
        loop_figures(joint, law, member, &self.conditions, self.at()).unwrap()
    }
}

fn row(file: &JointFile, value: &serde_json::Value) -> Row {
    let number = |key: &str| value[key].as_f64().unwrap();
    let word = |key: &str| value[key].as_str().unwrap().to_string();
    let drive = (word("kind"), word("feedback"));
    let mut joint = file.joint.clone();
    joint.period = number("dt");
    joint.sample_period = joint.period * number("hold");
    joint.motor_time_constant = number("tau");
    let set = GainSet {
        kind: match drive.0.as_str() {
            "velocity" => CommandInterface::Velocity,
            "position" => CommandInterface::Position,
            other => panic!("{other}"),
        },
        motors: value["gains"]
            .as_array()
            .unwrap()
            .iter()
            .map(gains_of)
            .collect(),
        damping: number("damping"),
        tension_gain: number("tension_gain"),
        ..file.gain_sets[0].gains.clone()
    };
    let feedback = match drive.1.as_str() {
        "motors" => Feedback::Motors,
        "imu" => Feedback::Imu,
        other => panic!("{other}"),
    };
    let law = Law::new(&joint, &set, &file.limits, feedback).expect("a sound law");
    let of = |key: &str| value["plant"][key].as_f64();
    let (gain, dead) = (of("gain").unwrap(), of("dead").unwrap());
    let plant = match of("time_constant") {
        Some(time_constant) => Plant::first_order(gain, time_constant, dead),
        None => Plant::second_order(gain, of("w").unwrap(), of("z").unwrap(), dead),
    };
    Row {
        name: format!(
            "{} {}, {} on {}, dt {}, hold {}, slack {}, age {}",
            drive.0,
            drive.1,
            word("law"),
            word("model"),
            value["dt"],
            value["hold"],
            value["slack"],
            value["age"],
        ),
        drive,
        joint,
        law,
        member: Member {
            name: word("model"),
            plant,
            motor_lag: of("lag").unwrap(),
        },
        conditions: Conditions {
            age: number("age"),
            output: number("output"),
            ..Conditions::default()
        },
        slack: value["slack"].as_u64().map(|i| i as usize),
        value: value.clone(),
    }
}

fn rows() -> Vec<Row> {
    let file = JointFile::load("config/glasshouse-neck.yaml").expect("a sound joint file");
    let tables: serde_json::Value =
        serde_json::from_str(include_str!("../references/examine_drives.json")).unwrap();
    let rows = tables["loops"].as_array().unwrap();
    let rows: Vec<Row> = rows.iter().map(|value| row(&file, value)).collect();
    for (kind, feedback) in [
        ("velocity", "imu"),
        ("velocity", "motors"),
        ("position", "motors"),
    ] {
        let mine = || {
            rows.iter()
                .filter(|r| r.drive.0 == kind && r.drive.1 == feedback)
        };
        let unstable = mine().filter(|r| r.value["unstable"] != 0).count();
        assert!(
            mine().count() >= 50 && unstable >= 5,
            "{kind} {feedback}: {unstable} of {}",
            mine().count()
        );
    }
    rows
}

fn numbers(value: &serde_json::Value) -> Vec<f64> {
    serde_json::from_value(value.clone()).unwrap()
}

/// The greatest of many errors, and its place.
#[derive(Default)]
struct Worst {
    error: f64,
    place: String,
    count: usize,
}

impl Worst {
    fn take(&mut self, error: f64, place: impl Fn() -> String) {
        assert!(error.is_finite(), "{}", place());
        self.count += 1;
        if error > self.error {
            (self.error, self.place) = (error, place());
        }
    }

    fn at_most(&self, most: f64, what: &str) {
        println!(
            "{what}: {} values, worst {:.1e}, {}",
            self.count, self.error, self.place
        );
        assert!(
            self.error <= most,
            "{what}: {:e}, {}",
            self.error,
            self.place
        );
    }
}

/// Returns the largest singular value of `(I + L)^-1`, by nalgebra's own decomposition.
fn sensitivity(open: Matrix2<Complex<f64>>) -> f64 {
    let one = Matrix2::<Complex<f64>>::identity();
    1.0 / (open + one).svd(false, false).singular_values[1]
}

#[test]
fn responses_match_the_controller_stepped_through() {
    let [mut determinants, mut traces, mut peaks] = [(); 3].map(|()| Worst::default());
    for row in rows() {
        for entry in row.value["responses"].as_array().unwrap() {
            let entry = numbers(entry);
            let place = || format!("{} at {} rad/s", row.name, entry[0]);
            let (open, determinant) = row.response(entry[0]);
            let wanted = Complex::new(entry[1], entry[2]);
            determinants.take(
                (determinant - wanted).norm() / wanted.norm().max(1.0),
                place,
            );
            let trace = Complex::new(entry[3], entry[4]);
            traces.take((open.trace() - trace).norm() / trace.norm().max(1.0), place);
            if let Some(wanted) = entry.get(5) {
                peaks.take((sensitivity(open) / wanted - 1.0).abs(), place);
            }
        }
    }
    determinants.at_most(1e-9, "determinants");
    traces.at_most(1e-9, "traces");
    peaks.at_most(1e-9, "sensitivities");
}

#[test]
fn stability_is_that_of_the_closed_loops_poles() {
    let mut wrong = Vec::new();
    for row in rows() {
        let (found, there) = (row.figures().unstable_poles, &row.value["unstable"]);
        if u64::from(found) != there.as_u64().unwrap() {
            let radius = &row.value["radius"];
            wrong.push(format!(
                "{}: {found} poles found, {there} there, radius {radius}",
                row.name
            ));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn margins_crossovers_and_peaks_match() {
    let [mut crossovers, mut margins, mut factors, mut peaks] = [(); 4].map(|()| Worst::default());
    let mut wrong = Vec::new();
    for row in rows() {
        let (figures, wanted) = (row.figures(), &row.value["margins"]);
        if wanted.is_null() {
            continue;
        }
        let place = || row.name.clone();
        let mut missing = |what: &str, found: String, wanted: &serde_json::Value| {
            wrong.push(format!("{}: {what} {found}, wanted {wanted}", row.name));
        };
        match (figures.crossovers, &wanted["crossovers"]) {
            (Some(found), there) if there.is_array() => {
                for (found, there) in found.iter().zip(numbers(there)) {
                    crossovers.take((found / there - 1.0).abs(), place);
                }
            }
            (None, serde_json::Value::Null) => {}
            (found, there) => missing("crossovers", format!("{found:?}"), there),
        }
        for (what, found) in [
            ("phase_margin", figures.phase_margin),
            ("gain_margin", figures.gain_margin),
            ("least_gain", figures.least_gain),
        ] {
            match (found, &wanted[what]) {
                (Some(found), there) if there.is_array() => {
                    let there = numbers(there);
                    if what == "phase_margin" {
                        margins.take((found.value - there[1]).abs(), place);
                    } else {
                        factors.take((found.value / there[1] - 1.0).abs(), place);
                        crossovers.take((found.frequency / there[0] - 1.0).abs(), place);
                    }
                }
                (None, serde_json::Value::Null) => {}
                (found, there) => missing(what, format!("{found:?}"), there),
            }
        }
        let peak = numbers(&row.value["peak"]);
        peaks.take((figures.sensitivity.value / peak[1] - 1.0).abs(), place);
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(margins.count >= 100 && factors.count >= 100);
    crossovers.at_most(1e-6, "crossovers");
    margins.at_most(1e-6, "phase margins, rad");
    factors.at_most(1e-6, "gain margins");
    peaks.at_most(1e-6, "sensitivity peaks");
}

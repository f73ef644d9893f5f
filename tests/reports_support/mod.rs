//! Example reports: fits of records drawn from seeds, and tunings of invented joints.
#![allow(dead_code, reason = "each test file uses its own part")]

pub mod svg;

use withy::cli::report::{Drive, FamilyTuning, Shown, Tuning, family, fit, tuning};
use withy::control::controller::{GainSet, MotorGains, Structure};
use withy::control::tick::Law;
use withy::design::fit::{Hold, Member, Payload, Record};
use withy::design::model::{Delays, Plant};
use withy::design::tune::{
    FamilyDesign, FamilySpecification, Form, Specification, compare, tune, tune_family,
};
use withy::files::JointFile;
use withy::report::Page;

use super::fit_support::Random;

/// Returns a record of a second-order joint, steps both ways, with noise and some cross-axis
/// motion.
pub fn record(seed: u64) -> Record {
    let mut random = Random::new(seed);
    let (dt, n) = (0.01, 600);
    let mut record = Record {
        times: Vec::new(),
        input: Vec::new(),
        stamps: Vec::new(),
        along: Vec::new(),
        across: Vec::new(),
        hold: Hold::Constant,
        limit: None,
    };
    let (w, z) = (18.0_f64, 0.35);
    let (mut bend, mut rate) = (0.0_f64, 0.0_f64);
    for i in 0..n {
        let t = f64::from(i) * dt;
        let level = |t: f64| match t {
            t if t < 0.5 => 0.0,
            t if t < 3.0 => 0.3,
            _ => 0.0,
        };
        record.times.push(t);
        record.input.push(level(t));
        record.stamps.push(t + 0.004);
        record.along.push(bend + 0.002 * random.normal());
        record.across.push(0.04 * bend + 0.002 * random.normal());
        for k in 0..100 {
            let h = dt / 100.0;
            let late = t + f64::from(k) * h - 0.03;
            rate += h * w * (w * (1.06 * level(late) - bend) - 2.0 * z * rate);
            bend += h * rate;
        }
    }
    record
}

pub fn fitted(name: &str, seed: u64) -> (Record, Member) {
    let record = record(seed);
    let fitted = withy::design::fit::fit(&record, None).unwrap();
    let member = Member {
        name: name.into(),
        payload: Some(Payload {
            mass: 0.09 * seed as f64,
            height: 0.035,
        }),
        direction: 0.3,
        fitted,
    };
    (record, member)
}

pub fn fit_page() -> Page {
    let both = [fitted("bare & <light>", 1), fitted("bare & <light>", 2)];
    let shown = both
        .each_ref()
        .map(|(record, member)| Shown { record, member });
    fit(
        &shown,
        &["third.csv: no step: the input moves by 0.00000 rad".into()],
    )
}

/// Returns example designs: name, joint, margin in deg, crossover in rad/s.
pub fn tunings() -> Vec<(&'static str, Plant, f64, f64)> {
    vec![
        (
            "a first-order joint",
            Plant::first_order(1.0, 0.055, 0.0),
            65.0,
            8.0,
        ),
        (
            "a joint with dead time",
            Plant::first_order(0.95, 0.12, 0.02),
            60.0,
            6.0,
        ),
        (
            "a swinging joint",
            Plant::second_order(1.06, 18.0, 0.35, 0.02),
            70.0,
            3.0,
        ),
        (
            "an integrating joint",
            Plant::integrating(1.0, 0.03, 0.01),
            60.0,
            6.0,
        ),
    ]
}

/// Returns the joint that moves on the pages.
pub fn joint() -> JointFile {
    JointFile::load("config/glasshouse-neck.yaml").unwrap()
}

/// Returns that joint's law in pure feedback with `gains`.
fn pure(joint: &JointFile, gains: MotorGains) -> Law {
    let set = GainSet {
        structure: Structure::PureFeedback,
        motors: vec![
            MotorGains {
                derivative_corner: 100.0,
                ..gains
            };
            joint.motor_names.len()
        ],
        damping: 0.0,
        ..joint.gain_sets[0].gains.clone()
    };
    Law::new(&joint.joint, &set, &joint.limits, joint.feedback).unwrap()
}

/// Returns the law of a family's design.
pub fn family_law(joint: &JointFile, design: &FamilyDesign) -> Law {
    Law::new(&joint.joint, &design.gains, &joint.limits, joint.feedback).unwrap()
}

pub fn tuning_page(name: &str, plant: &Plant, margin: f64, crossover: f64, all: bool) -> Page {
    let delays = Delays::of(0.005, 0.005, 0.01, 0.0);
    let asked = Specification::of_degrees(margin, crossover);
    let design = tune(plant, &delays, &asked, Form::ProportionalIntegral)
        .unwrap_or_else(|e| panic!("{name}: {e}"));
    let comparison = compare(&design);
    let heavier = |k: u32| Plant {
        gain: design.plant.gain * (1.0 + 0.15 * f64::from(k)),
        dead_time: design.plant.dead_time + 0.002 * f64::from(k),
        ..design.plant
    };
    let family: Vec<_> = (0..4)
        .map(|k| (format!("{} g", 90 * k), heavier(k)))
        .collect();
    let joint = joint();
    let law = pure(&joint, design.gains);
    let integer = comparison.integer_gains.map(|gains| pure(&joint, gains));
    tuning(&Tuning {
        name,
        design: &design,
        comparison: &comparison,
        family: if all { &family } else { &[] },
        drive: all.then_some(Drive {
            joint: &joint.joint,
            law: &law,
        }),
        integer_law: integer.as_ref(),
        notes: &["Invented for a look.".into()],
    })
}

/// Returns one set for a joint that oscillates more slowly the more it carries.
pub fn family_design() -> (FamilyDesign, FamilySpecification) {
    let joints = [68.0, 40.0, 24.0, 17.0].map(|w| Plant::second_order(0.95, w, 0.3, 0.004));
    let delays = Delays::of(0.005, 0.005, 0.0, 0.0);
    let specification = FamilySpecification::usual(4, 0.005);
    (
        tune_family(&joints, &delays, &specification).unwrap(),
        specification,
    )
}

pub fn family_page() -> Page {
    let (design, specification) = family_design();
    let names = ["bare", "lens & hood", "camera", "camera <lamp>"].map(String::from);
    let joint = joint();
    let law = family_law(&joint, &design);
    family(&FamilyTuning {
        name: "an invented neck",
        design: &design,
        specification: &specification,
        names: &names,
        drive: Some(Drive {
            joint: &joint.joint,
            law: &law,
        }),
    })
}

//! Records drawn from seeds, as `tests/references/make_fits.py` draws them.
#![allow(dead_code, reason = "each test file uses its own part")]

use serde_json::Value;
use std::sync::OnceLock;
use withy::control::geometry::Bend;
use withy::design::fit::{Fit, Hold, Order, Record, StepTest};

/// SplitMix64 (Steele, Lea and Flood 2014), normal deviates by Box and Muller.
pub struct Random {
    state: u64,
    spare: Option<f64>,
}

impl Random {
    pub fn new(seed: u64) -> Self {
        Self {
            state: seed,
            spare: None,
        }
    }

    pub fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    pub fn unit(&mut self) -> f64 {
        ((self.next() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * self.unit().ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.unit()).sin_cos();
        self.spare = Some(radius * sin);
        radius * cos
    }
}

/// A fit by SciPy.
#[derive(Clone)]
pub struct Stored {
    pub seed: u64,
    pub parameters: Vec<f64>,
    pub errors: Vec<f64>,
    pub rss: f64,
    pub aicc: f64,
    pub bic: f64,
}

#[derive(Clone)]
pub struct Case {
    pub index: usize,
    pub order: Order,
    pub truth: Vec<f64>,
    pub noise: f64,
    pub period: f64,
    pub samples: usize,
    pub bound: Vec<f64>,
    pub fits: Vec<Stored>,
}

pub fn reference() -> &'static Value {
    static REFERENCE: OnceLock<Value> = OnceLock::new();
    REFERENCE.get_or_init(|| {
        serde_json::from_str(include_str!("../references/fits.json")).expect("a sound table")
    })
}

pub fn numbers(value: &Value) -> Vec<f64> {
    let items = value.as_array().expect("a list");
    items
        .iter()
        .map(|v| v.as_f64().expect("a number"))
        .collect()
}

pub fn cases() -> Vec<Case> {
    let list = reference()["cases"].as_array().unwrap();
    let stored = |v: &Value| Stored {
        seed: v["seed"].as_u64().unwrap(),
        parameters: numbers(&v["parameters"]),
        errors: numbers(&v["errors"]),
        rss: v["rss"].as_f64().unwrap(),
        aicc: v["aicc"].as_f64().unwrap(),
        bic: v["bic"].as_f64().unwrap(),
    };
    let case = |(index, v): (usize, &Value)| Case {
        index,
        order: match v["name"].as_str().unwrap() {
            "first" => Order::First,
            "second" => Order::Second,
            _ => Order::Integrating,
        },
        truth: numbers(&v["truth"]),
        noise: v["noise"].as_f64().unwrap(),
        period: v["period"].as_f64().unwrap(),
        samples: v["samples"].as_u64().unwrap() as usize,
        bound: numbers(&v["bound"]),
        fits: v["fits"].as_array().unwrap().iter().map(stored).collect(),
    };
    list.iter().enumerate().map(case).collect()
}

/// Response of unit gain to a unit step at 0, in closed form.
fn step(order: Order, shape: &[f64], t: f64) -> f64 {
    if t <= 0.0 {
        return 0.0;
    }
    match order {
        Order::First => 1.0 - (-t / shape[0]).exp(),
        Order::Integrating => t - shape[0] * (1.0 - (-t / shape[0]).exp()),
        Order::Second => {
            let (w, z) = (shape[0], shape[1]);
            if z < 1.0 {
                let d = w * (1.0 - z * z).sqrt();
                1.0 - (-z * w * t).exp() * ((d * t).cos() + z * w / d * (d * t).sin())
            } else {
                let root = (z * z - 1.0).sqrt();
                let (p, q) = (w * (root - z), w * (-root - z));
                1.0 + (q * (p * t).exp() - p * (q * t).exp()) / (p - q)
            }
        }
    }
}

/// Returns the record of that seed.
pub fn drawn(case: &Case, seed: u64) -> Record {
    let mut random = Random::new(7000 + case.index as u64);
    let n = case.samples;
    let times: Vec<f64> = (0..n)
        .map(|i| case.period * (i as f64 + 0.7 * random.unit()))
        .collect();
    let mut input = vec![0.0; n];
    let mut moves = Vec::new();
    let mut before = 0.0;
    for pair in reference()["moves"].as_array().unwrap() {
        let from = (pair[0].as_f64().unwrap() * n as f64) as usize;
        let to = pair[1].as_f64().unwrap();
        input[from..].fill(to);
        moves.push((times[from], to - before));
        before = to;
    }
    let truth = &case.truth;
    let (shape, late) = (&truth[2..truth.len() - 1], truth[truth.len() - 1]);
    let mut random = Random::new(seed);
    let along = times.iter().map(|t| {
        let moved = moves
            .iter()
            .map(|(at, by)| by * step(case.order, shape, t - late - at));
        truth[1] + truth[0] * moved.sum::<f64>() + case.noise * random.normal()
    });
    let along: Vec<f64> = along.collect();
    Record {
        stamps: times.clone(),
        times,
        input,
        across: vec![0.0; along.len()],
        along,
        hold: Hold::Constant,
        limit: None,
    }
}

/// Returns true if the 95 % interval of that parameter holds the truth.
pub fn holds(fit: &Fit, name: &str, truth: f64) -> bool {
    let (low, high) = fit.interval_95(name).expect("a parameter with an error");
    (low..=high).contains(&truth)
}

/// Returns the step test of a record, in that direction.
pub fn test_of(record: &Record, direction: f64) -> StepTest {
    let (sin, cos) = direction.sin_cos();
    let turned = |(along, across): (&f64, &f64)| {
        Bend::new(cos * along - sin * across, sin * along + cos * across)
    };
    StepTest {
        times: record.times.clone(),
        asked: record.input.iter().map(|u| turned((u, &0.0))).collect(),
        stamps: record.stamps.clone(),
        measured: record
            .along
            .iter()
            .zip(&record.across)
            .map(turned)
            .collect(),
        hold: record.hold,
        direction: None,
        limit: record.limit,
    }
}

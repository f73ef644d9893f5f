//! Parameters under random changes: none panics, a refused set says why in one line, an accepted one
//! is applied as a whole. A check alone cannot change them: it borrows them.

use std::cell::RefCell;

use crate::files_support::config;
use crate::seeded::seeded;
use proptest::prelude::*;
use proptest::test_runner::TestRunner;
use withy::files::JointFile;
use withy::ros::server::parameters::{Parameters, Value};

fn number() -> impl Strategy<Value = f64> {
    let special = vec![
        f64::NAN,
        f64::INFINITY,
        f64::NEG_INFINITY,
        f64::MAX,
        5e-324,
        -0.0,
        0.0,
        1.0,
        -1.0,
        2.0,
        1e9,
    ];
    prop_oneof![
        4 => 0.0..2.0,
        2 => -10.0..100.0,
        1 => any::<f64>(),
        1 => prop::sample::select(special),
    ]
}

fn value() -> impl Strategy<Value = Value> {
    let words = [
        "imu", "motors", "off", "warn", "hold", "slow", "release", "neutral", "camera", "bare", "",
        "no-such", "../..",
    ];
    let word = prop::sample::select(words.map(String::from).to_vec());
    prop_oneof![
        8 => number().prop_map(Value::Double),
        1 => any::<i64>().prop_map(Value::Integer),
        1 => any::<bool>().prop_map(Value::Bool),
        2 => word.prop_map(Value::Text),
        1 => ".{0,12}".prop_map(Value::Text),
        1 => prop::collection::vec(".{0,3}", 0..3).prop_map(Value::Texts),
        1 => Just(Value::NotSet),
        1 => Just(Value::Other(6, "an array of booleans")),
    ]
}

/// Returns true if two values are equal, with NaN equal to itself.
fn same(a: &Value, b: &Value) -> bool {
    a == b || a.to_string() == b.to_string()
}

#[test]
fn changes_are_made_as_a_whole_or_not_at_all() {
    let file = config().join("glasshouse-neck-pan.yaml");
    let mut parameters = Parameters::new(JointFile::load(file).unwrap(), false);
    // Examining takes a millisecond each time and has its own tests.
    let off = ("examine.action".to_string(), Value::Text("off".into()));
    let off = parameters.check(&[off], 0.0, false).unwrap();
    parameters.commit(off);
    let names: Vec<String> = parameters.entries().keys().cloned().collect();
    let parameters = RefCell::new(parameters);
    let accepted = std::cell::Cell::new(0);
    let change = (
        any::<prop::sample::Index>(),
        prop::bool::weighted(0.02),
        value(),
    );
    let changes = prop::collection::vec(change, 0..4);
    let run = TestRunner::new(seeded(42, 100_000)).run(
        &(changes, any::<bool>(), number()),
        |(changes, at_start, delay)| {
            let changes: Vec<(String, Value)> = changes
                .into_iter()
                .map(|(index, foreign, value)| {
                    if foreign {
                        ("no.such".into(), value)
                    } else {
                        (names[index.index(names.len())].clone(), value)
                    }
                })
                // Examining stays off.
                .filter(|(name, _)| name != "examine.action")
                .collect();
            let mut parameters = parameters.borrow_mut();
            match parameters.check(&changes, delay, at_start) {
                Err(refusal) => {
                    let sentence = refusal.to_string();
                    prop_assert!(
                        !sentence.is_empty() && !sentence.contains('\n'),
                        "{sentence:?}"
                    );
                }
                Ok(candidate) => {
                    accepted.set(accepted.get() + 1);
                    let changed = parameters.commit(candidate);
                    for (name, value) in &changes {
                        let is = parameters.get(name).expect("accepted, so it is there");
                        let asked = match value {
                            Value::Integer(n) if at_start => Value::Double(*n as f64),
                            other => other.clone(),
                        };
                        // An infinite time is written as 0: never.
                        prop_assert!(same(&is, &asked), "{name} is {is}, accepted was {asked}");
                    }
                    let chosen = changes
                        .iter()
                        .any(|(n, _)| n == "gain_set" || n.starts_with("payload."));
                    for (name, _) in &changed {
                        let asked = changes.iter().any(|(n, _)| n == name);
                        prop_assert!(asked || chosen, "{name} changed unasked");
                    }
                }
            }
            Ok(())
        },
    );
    run.unwrap();
    let accepted = accepted.get();
    assert!(accepted > 10_000, "only {accepted} of 100000 accepted");
}

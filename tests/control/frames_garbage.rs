//! The transform buffer under random transforms, good and bad.

use nalgebra::{Isometry3, Quaternion, UnitQuaternion, Vector3};
use proptest::prelude::*;
use proptest::test_runner::{RngSeed, TestRunner};
use std::cell::Cell;
use std::collections::HashSet;
use withy::control::frames::{At, TransformBuffer};

const NAMES: [&str; 9] = ["a", "b", "c", "d", "e", "/f", "g", "", "//"];

fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => -3.0..3.0,
        4 => (-4_i32..5).prop_map(f64::from),
        1 => any::<f64>(),
        1 => prop::sample::select(vec![f64::NAN, f64::INFINITY, f64::MAX, f64::MIN, 1e9, 1e-320]),
    ]
}

fn orientation() -> impl Strategy<Value = UnitQuaternion<f64>> {
    let wild = prop::array::uniform4(number())
        .prop_map(|q| UnitQuaternion::new_unchecked(Quaternion::new(q[0], q[1], q[2], q[3])));
    let turn = prop::array::uniform3(-4.0..4.0).prop_map(|r| UnitQuaternion::new(r.into()));
    let half = prop::array::uniform4(-1_i32..2)
        .prop_map(|q| UnitQuaternion::new_unchecked(Quaternion::from(q.map(f64::from))));
    prop_oneof![1 => wild, 8 => turn, 2 => half]
}

fn name() -> impl Strategy<Value = &'static str> {
    prop::sample::select(NAMES.to_vec())
}

type Insertion = (
    &'static str,
    &'static str,
    [f64; 3],
    UnitQuaternion<f64>,
    f64,
    bool,
);

fn insertion() -> impl Strategy<Value = Insertion> {
    let place = prop::array::uniform3(number());
    (
        name(),
        name(),
        place,
        orientation(),
        number(),
        prop::bool::weighted(0.3),
    )
}

/// Returns a tree from any transforms, and a bound on the rounding of a position in it, m.
fn grown(inserted: Vec<Insertion>, keep: f64) -> Result<(TransformBuffer, f64), TestCaseError> {
    let (mut tree, mut size) = (TransformBuffer::new(keep), 1.0);
    for (child, parent, p, q, stamp, fixed) in inserted {
        let pose = Isometry3::from_parts(p.into(), q);
        let known =
            |tree: &TransformBuffer| (tree.parent(child).map(String::from), tree.newest(child));
        let before = known(&tree);
        match tree.insert(child, parent, pose, stamp, fixed) {
            Ok(()) => {
                prop_assert_eq!(tree.parent(child), Some(parent.trim_start_matches('/')));
                prop_assert!(tree.newest(child).unwrap() >= stamp);
                size += Vector3::from(p).norm();
            }
            Err(refused) => {
                prop_assert_eq!(before, known(&tree));
                prop_assert!(!refused.to_string().is_empty());
            }
        }
    }
    Ok((tree, 1e-14 * size))
}

/// For any input: no panic, no loop, finite answers, there and back is the identity, and chains
/// compose.
#[test]
fn garbage_leaves_a_tree() {
    let config = ProptestConfig {
        cases: 2000,
        rng_seed: RngSeed::Fixed(20250611),
        failure_persistence: None,
        ..ProptestConfig::default()
    };
    let inserted = prop::collection::vec(insertion(), 0..60);
    let times = prop::collection::vec(number(), 4);
    let (round_trips, sums) = (Cell::new(0), Cell::new(0));
    let checked = TestRunner::new(config).run(&(inserted, number(), times), |(i, keep, times)| {
        let (tree, rounding) = grown(i, keep)?;
        for start in NAMES {
            let mut seen = HashSet::new();
            let mut next = Some(start);
            while let Some(at) = next {
                prop_assert!(seen.insert(at), "a loop at {}", at);
                next = tree.parent(at);
            }
        }
        let same = |a: &Isometry3<f64>, b: &Isometry3<f64>| {
            let off = a.translation.vector - b.translation.vector;
            off.norm() <= rounding && a.rotation.angle_to(&b.rotation) < 1e-12
        };
        let times = times.into_iter().map(At::Time).chain([At::Newest]);
        let pairs = |time: At| {
            NAMES
                .map(|a| NAMES.map(|b| (time, a, b)))
                .into_iter()
                .flatten()
        };
        for (time, a, b) in times.flat_map(pairs) {
            let (there, back) = (tree.lookup(a, b, time), tree.lookup(b, a, time));
            prop_assert_eq!(there.is_ok(), back.is_ok());
            let (Ok(there), Ok(back)) = (there, back) else {
                continue;
            };
            prop_assert_eq!((there.stamp, there.moving), (back.stamp, back.moving));
            prop_assert!(same(
                &(there.transform * back.transform),
                &Isometry3::identity()
            ));
            prop_assert!(tree.passes(a, b, a) && tree.passes(a, b, b));
            round_trips.set(round_trips.get() + u32::from(a != b));
            for c in NAMES {
                let moment = if there.stamp.is_finite() {
                    At::Time(there.stamp)
                } else {
                    time
                };
                let (onward, whole) = (tree.lookup(b, c, moment), tree.lookup(a, c, moment));
                if let (Ok(onward), Ok(whole)) = (onward, whole)
                    && moment != At::Newest
                {
                    let sum = there.transform * onward.transform;
                    prop_assert!(same(&sum, &whole.transform), "{} {}", sum, whole.transform);
                    sums.set(sums.get() + u32::from(a != b && b != c && a != c));
                }
            }
        }
        Ok(())
    });
    println!(
        "{} round trips, {} sums of ways",
        round_trips.get(),
        sums.get()
    );
    checked.unwrap();
    assert!(round_trips.get() > 10_000 && sums.get() > 10_000);
}

//! The transform buffer against independent products of matrices and closed forms.
//!
//! References: `references/frames.json`, made by `references/make_frames.py` with Python 3.11.7,
//! NumPy 2.4.6 and SciPy 1.17.1 (Slerp, chains from each frame to its root and back).

use nalgebra::{Isometry3, Matrix3, Point3, Quaternion, Translation3, UnitQuaternion, Vector3};
use serde_json::Value;
use std::f64::consts::{FRAC_PI_2, PI};
use withy::control::frames::{
    At, FARTHEST, InsertError, LONGEST_NAME, LookupError, MOST_FRAMES, MOST_SAMPLES,
    TransformBuffer,
};

fn numbers(v: &Value) -> Vec<f64> {
    let number = |x: &Value| x.as_f64().unwrap();
    v.as_array().unwrap().iter().map(number).collect()
}

fn at(x: f64, y: f64, z: f64) -> Isometry3<f64> {
    Isometry3::translation(x, y, z)
}

fn turned(axis: Vector3<f64>, angle: f64) -> Isometry3<f64> {
    Isometry3::rotation(axis * angle)
}

/// Returns the largest difference of two transforms, of all numbers of their matrices.
fn apart(a: &Isometry3<f64>, b: &Isometry3<f64>) -> f64 {
    (a.to_homogeneous() - b.to_homogeneous()).amax()
}

/// Returns a tree of fixed transforms, and moving ones at 1 s and 2 s.
fn robot() -> TransformBuffer {
    let mut tree = TransformBuffer::new(10.0);
    for (child, parent, x, fixed) in [
        ("torso", "base", 0.5, true),
        ("neck", "torso", 0.25, true),
        ("head", "neck", 0.125, false),
        ("camera", "head", 0.0625, true),
        ("arm", "torso", 1.0, false),
        ("cup", "arm", 2.0, false),
    ] {
        for stamp in [1.0, 2.0] {
            let x = if fixed { x } else { x * stamp };
            tree.insert(child, parent, at(x, 0.0, 0.0), stamp, fixed)
                .unwrap();
        }
    }
    tree.insert("petal", "glasshouse", at(0.0, 0.0, 1.0), 1.5, false)
        .unwrap();
    tree
}

/// Chains up, down and across, between samples, on samples and at the newest common time, to 1e-12.
#[test]
fn chains_agree_with_products_of_matrices() {
    let table: Value = serde_json::from_str(include_str!("../references/frames.json")).unwrap();
    let (mut worst, mut asked, mut newest) = (0.0_f64, 0, 0);
    let (mut up, mut down, mut across, mut longest) = (0, 0, 0, 0);
    for t in table["trees"].as_array().unwrap() {
        let mut tree = TransformBuffer::new(10.0);
        for f in t["frames"].as_array().unwrap() {
            let [child, parent] = ["child", "parent"].map(|k| f[k].as_str().unwrap());
            let stamps = numbers(&f["stamps"]);
            // In reverse order: the buffer sorts the samples.
            for i in (0..stamps.len()).rev() {
                let p = Vector3::from_vec(numbers(&f["positions"][i]));
                let q = numbers(&f["orientations"][i]);
                let q = UnitQuaternion::new_unchecked(Quaternion::new(q[3], q[0], q[1], q[2]));
                let pose = Isometry3::from_parts(p.into(), q);
                let fixed = f["fixed"].as_bool().unwrap();
                tree.insert(child, parent, pose, stamps[i], fixed).unwrap();
            }
        }
        for q in t["questions"].as_array().unwrap() {
            let [target, source] = ["target", "source"].map(|k| q[k].as_str().unwrap());
            let time = q["time"].as_f64().unwrap();
            let found = tree.lookup(target, source, At::Time(time)).unwrap();
            let m = q["matrix"].as_array().unwrap();
            let m = Matrix3::from_row_iterator(m.iter().flat_map(numbers));
            let p = Vector3::from_vec(numbers(&q["position"]));
            worst = worst
                .max((found.transform.rotation.to_rotation_matrix().matrix() - m).amax())
                .max((found.transform.translation.vector - p).amax());
            assert_eq!(found.stamp, time);
            assert_eq!(found.moving, !q["newest"].is_null(), "{q}");
            if q["newest"].as_f64().is_none_or(|t| t == time) {
                let latest = tree.lookup(target, source, At::Newest).unwrap();
                assert_eq!(latest.transform, found.transform, "{q}");
                assert_eq!(
                    latest.stamp,
                    if found.moving { time } else { f64::INFINITY }
                );
                newest += 1;
            }
            asked += 1;
            let ways = (q["up"].as_u64().unwrap(), q["released"].as_u64().unwrap());
            up += u32::from(ways.0 > 0 && ways.1 == 0);
            down += u32::from(ways.0 == 0 && ways.1 > 0);
            across += u32::from(ways.0 > 0 && ways.1 > 0);
            longest = longest.max(ways.0 + ways.1);
        }
    }
    println!(
        "{asked} lookups ({newest} newest) within {worst:.1e}; {up} up, {down} down, {across} across, \
         longest way {longest} transforms"
    );
    assert!(worst < 1e-12, "{worst:e}");
    assert!(up >= 50 && down >= 50 && across >= 50 && newest >= 50 && longest >= 6);
}

/// A camera 0.1 m ahead of a head that is turned a quarter to the left, 1 m above the base: a point
/// 2 m ahead of the camera is 2.1 m to the left of the base. By hand.
#[test]
fn the_transform_maps_source_to_target() {
    let mut tree = TransformBuffer::new(10.0);
    let head = Translation3::new(0.0, 0.0, 1.0) * UnitQuaternion::new(Vector3::z() * FRAC_PI_2);
    tree.insert("head", "base", head, 5.0, false).unwrap();
    tree.insert("camera", "head", at(0.1, 0.0, 0.0), 0.0, true)
        .unwrap();
    let found = tree.lookup("base", "camera", At::Newest).unwrap();
    let point = found.transform * Point3::new(2.0, 0.0, 0.0);
    assert!(
        (point - Point3::new(0.0, 2.1, 1.0)).norm() < 1e-15,
        "{point}"
    );
    assert_eq!((found.stamp, found.moving), (5.0, true));
    let back = tree.lookup("camera", "base", At::Time(5.0)).unwrap();
    let point = back.transform * Point3::new(0.0, 2.1, 1.0);
    assert!(
        (point - Point3::new(2.0, 0.0, 0.0)).norm() < 1e-15,
        "{point}"
    );
    let own = tree.lookup("head", "/head", At::Time(-7.0)).unwrap();
    assert_eq!(own.transform, Isometry3::identity());
    assert_eq!((own.stamp, own.moving), (-7.0, false));
}

/// Half the angle at half the time, for rotations where the usual quotient of sines fails, and the
/// shorter way.
#[test]
fn orientations_turn_the_shorter_way() {
    let axis = Vector3::new(1.0, -2.0, 0.5).normalize();
    for (angle, sign, half) in [
        (0.0, 1.0, 0.0),
        (0.0, -1.0, 0.0),
        (1e-12, -1.0, 5e-13),
        (1.0, -1.0, 0.5),
        (3.0, 1.0, 1.5),
        (3.5, 1.0, 0.5 * 3.5 - PI),
        (6.0, -1.0, 3.0 - PI),
    ] {
        let mut tree = TransformBuffer::new(10.0);
        let first = turned(Vector3::new(0.3, 1.0, 2.0), 1.0);
        let mut last = first * turned(axis, angle);
        let q = last.rotation.into_inner() * sign;
        last.rotation = UnitQuaternion::new_unchecked(q);
        tree.insert("a", "b", first, 1.0, false).unwrap();
        tree.insert("a", "b", last, 3.0, false).unwrap();
        let found = tree.lookup("b", "a", At::Time(2.0)).unwrap().transform;
        let off = apart(&found, &(first * turned(axis, half)));
        assert!(off < 1e-15 * 4.0, "{angle} {sign}: {off:e}");
    }
    // Half a turn has two shortest ways; one of them is taken.
    let mut tree = TransformBuffer::new(10.0);
    tree.insert("a", "b", at(0.0, 0.0, 0.0), 1.0, false)
        .unwrap();
    let half = UnitQuaternion::new_unchecked(Quaternion::new(0.0, 0.0, 0.0, 1.0));
    tree.insert(
        "a",
        "b",
        Isometry3::from_parts(Translation3::identity(), half),
        2.0,
        false,
    )
    .unwrap();
    let found = tree.lookup("b", "a", At::Time(1.5)).unwrap().transform;
    let ways = [FRAC_PI_2, -FRAC_PI_2].map(|a| apart(&found, &turned(Vector3::z(), a)));
    assert!(ways[0].min(ways[1]) < 1e-15, "{ways:?}");
}

#[test]
fn lookups_are_refused_in_one_sentence() {
    let mut tree = robot();
    // The arm is the last to start and the first to end.
    tree.insert("cup", "arm", at(0.0, 0.0, 0.0), 0.5, false)
        .unwrap();
    tree.insert("cup", "arm", at(0.0, 0.0, 0.0), 2.5, false)
        .unwrap();
    tree.insert("head", "neck", at(0.0, 0.0, 0.0), 1.0 - 0.25, false)
        .unwrap();
    for (target, source, at, word, sentence) in [
        (
            "base",
            "/spoon",
            At::Newest,
            "unknown_frame",
            r#"frame "spoon" is not known"#,
        ),
        (
            "",
            "base",
            At::Time(1.5),
            "unknown_frame",
            r#"frame "" is not known"#,
        ),
        (
            "base",
            "petal",
            At::Time(1.5),
            "not_connected",
            r#"frame "petal" is not connected to frame "base""#,
        ),
        (
            "base",
            "cup",
            At::Time(0.58),
            "too_old",
            r#"the requested time is 0.42 s before the oldest transform of frame "arm""#,
        ),
        (
            "camera",
            "cup",
            At::Time(0.75),
            "too_old",
            r#"the requested time is 0.25 s before the oldest transform of frame "arm""#,
        ),
        (
            "base",
            "cup",
            At::Time(2.1875),
            "too_new",
            r#"the requested time is 0.1875 s after the newest transform of frame "arm""#,
        ),
        (
            "cup",
            "arm",
            At::Time(2.5 + 1e-9),
            "too_new",
            r#"the requested time is 0.000001 s after the newest transform of frame "cup""#,
        ),
        (
            "glasshouse",
            "petal",
            At::Time(1.7e9),
            "too_new",
            r#"the requested time is 1.700e9 s after the newest transform of frame "petal""#,
        ),
        (
            "base",
            "neck",
            At::Time(f64::NAN),
            "no_time",
            "the requested time is NaN s; accepted: a finite number",
        ),
        (
            "base",
            "neck",
            At::Time(f64::INFINITY),
            "no_time",
            "the requested time is inf s; accepted: a finite number",
        ),
    ] {
        let refused = tree.lookup(target, source, at).unwrap_err();
        assert_eq!(refused.to_string(), sentence);
        assert_eq!(refused.word(), word);
    }
    // Histories that do not overlap have no common time, not even a newest one.
    tree.insert("dish", "cup", at(0.0, 0.0, 0.0), 3.5, false)
        .unwrap();
    let refused = tree.lookup("base", "dish", At::Newest).unwrap_err();
    let expected = LookupError::TooOld {
        frame: "dish".into(),
        oldest: 3.5,
        asked: 2.0,
    };
    assert_eq!(refused, expected);
    // A chain without the dish is independent of it, whatever else moves.
    assert_eq!(tree.lookup("base", "cup", At::Newest).unwrap().stamp, 2.0);
    assert_eq!(tree.lookup("arm", "cup", At::Newest).unwrap().stamp, 2.5);
    // An overlong name is not echoed.
    let refused = tree.lookup("base", &"é".repeat(100_000), At::Newest);
    assert!(refused.unwrap_err().to_string().len() < 3 * LONGEST_NAME);
}

#[test]
fn insertions_are_refused_in_one_sentence() {
    let before = robot();
    let none = Isometry3::identity();
    let quaternion = |w, x| Isometry3 {
        rotation: UnitQuaternion::new_unchecked(Quaternion::new(w, x, 0.0, 0.0)),
        ..none
    };
    let long = "n".repeat(LONGEST_NAME + 1);
    for (child, parent, transform, stamp, fixed, sentence) in [
        (
            "/",
            "base",
            none,
            1.0,
            false,
            "a transform from \"\" to parent \"base\" has an empty name, or one that is not UTF-8; \
             accepted: two names",
        ),
        (
            "cup",
            "",
            none,
            1.0,
            false,
            "a transform from \"cup\" to parent \"\" has an empty name, or one that is not UTF-8; \
             accepted: two names",
        ),
        (
            &long,
            "",
            none,
            1.0,
            false,
            "the name of a frame has 256 bytes; accepted: at most 255",
        ),
        (
            "cup",
            "/cup",
            none,
            1.0,
            true,
            r#"frame "cup" is given as its own parent; accepted: another frame"#,
        ),
        (
            "cup",
            "arm",
            at(0.5, f64::NAN, 0.0),
            3.0,
            false,
            r#"the transform of frame "cup" has position [0.5, NaN, 0] m; accepted: at most 1e9 m each way"#,
        ),
        (
            "cup",
            "arm",
            at(0.0, 0.0, -1.5 * FARTHEST),
            3.0,
            false,
            "the transform of frame \"cup\" has position [0, 0, -1500000000] m; accepted: at most 1e9 \
             m each way",
        ),
        (
            "cup",
            "arm",
            quaternion(0.0, 0.0),
            3.0,
            false,
            r#"the transform of frame "cup" has a quaternion of norm 0; accepted: 1 within 1e-6"#,
        ),
        (
            "cup",
            "arm",
            quaternion(3.0, 4.0),
            3.0,
            false,
            r#"the transform of frame "cup" has a quaternion of norm 5; accepted: 1 within 1e-6"#,
        ),
        (
            "cup",
            "arm",
            quaternion(f64::NAN, 1.0),
            3.0,
            false,
            r#"the transform of frame "cup" has a quaternion of norm NaN; accepted: 1 within 1e-6"#,
        ),
        (
            "cup",
            "arm",
            none,
            f64::INFINITY,
            false,
            r#"the transform of frame "cup" is stamped inf s; accepted: a finite number"#,
        ),
        (
            "cup",
            "arm",
            none,
            -8.25,
            false,
            r#"the transform of frame "cup" is 10.25 s older than its newest; accepted: at most 10 s"#,
        ),
        (
            "cup",
            "torso",
            none,
            1.58,
            false,
            r#"the transform of frame "cup" is 0.42 s older than its newest; accepted: at most 0 s"#,
        ),
        (
            "base",
            "camera",
            none,
            1.0,
            true,
            r#"frame "base" cannot have parent "camera", which is below it; accepted: a tree"#,
        ),
        (
            "torso",
            "arm",
            none,
            9.0,
            false,
            r#"frame "torso" cannot have parent "arm", which is below it; accepted: a tree"#,
        ),
    ] {
        let mut tree = before.clone();
        let refused = tree.insert(child, parent, transform, stamp, fixed);
        assert_eq!(refused.unwrap_err().to_string(), sentence);
        // Nothing has changed.
        assert_eq!(tree.parent("cup"), Some("arm"));
        assert_eq!(tree.newest("cup"), Some(2.0));
        assert_eq!(tree.parent("base"), None);
        assert_eq!(tree.parent("torso"), Some("base"));
        for time in [1.0, 1.3, 2.0] {
            let asked = |t: &TransformBuffer| t.lookup("camera", "cup", At::Time(time)).unwrap();
            assert_eq!(asked(&tree), asked(&before));
        }
    }
}

/// A refusal at the limit leaves the rest unchanged, and known frames go on.
#[test]
fn a_tree_holds_so_many_frames() {
    let mut tree = TransformBuffer::new(10.0);
    let one = at(1.0, 0.0, 0.0);
    // One long chain: the longest possible.
    for i in 1..MOST_FRAMES {
        let (child, parent) = (format!("f{i}"), format!("f{}", i - 1));
        // Space for one frame is not enough for two.
        if i == MOST_FRAMES - 1 {
            let refused = tree.insert("new", "newer", one, 1.0, false);
            assert!(matches!(refused, Err(InsertError::Full { .. })));
        }
        tree.insert(&child, &parent, one, 1.0, false).unwrap();
    }
    let last = format!("f{}", MOST_FRAMES - 1);
    for (child, parent) in [("new", "f0"), ("f0", "new"), ("new", "newer")] {
        let refused = tree.insert(child, parent, one, 1.0, false).unwrap_err();
        assert_eq!(
            refused.to_string(),
            format!(
                "frame {child:?} with parent {parent:?} would be one too many; accepted: 2000 \
                 frames"
            )
        );
        assert_eq!(tree.newest(child), None);
    }
    tree.insert(&last, "f0", one, 2.0, true).unwrap();
    tree.insert(&last, &format!("f{}", MOST_FRAMES - 2), one, 2.0, true)
        .unwrap();
    let found = tree.lookup("f0", &last, At::Newest).unwrap();
    assert_eq!(
        found.transform.translation.x,
        f64::from(MOST_FRAMES as u32 - 1)
    );
    let refused = tree.insert("f0", &last, one, 1.0, false);
    assert!(matches!(refused, Err(InsertError::Loop { .. })));
    // The greatest accepted transforms add up to something finite.
    for i in 1..MOST_FRAMES {
        let (child, parent) = (format!("f{i}"), format!("f{}", i - 1));
        let far = at(FARTHEST, -FARTHEST, FARTHEST);
        tree.insert(&child, &parent, far, 2.0, false).unwrap();
    }
    let found = tree.lookup(&last, "f0", At::Newest).unwrap();
    assert!(found.transform.translation.vector.norm().is_finite());
}

/// Samples come late, twice, and far ahead; `keep` s of them stay, up to the limit of samples.
#[test]
fn histories_keep_what_they_should() {
    let mut tree = TransformBuffer::new(2.0);
    let put = |tree: &mut TransformBuffer, stamp: f64, x: f64| {
        tree.insert("a", "b", at(x, 0.0, 0.0), stamp, false)
    };
    let x = |tree: &TransformBuffer, time: f64| {
        let found = tree.lookup("b", "a", At::Time(time));
        found.map(|f| f.transform.translation.x)
    };
    put(&mut tree, 10.0, 0.0).unwrap();
    put(&mut tree, 12.0, 2.0).unwrap();
    assert_eq!(x(&tree, 11.0), Ok(1.0));
    // In between, and again.
    put(&mut tree, 11.0, 5.0).unwrap();
    assert_eq!(x(&tree, 11.5), Ok(3.5));
    put(&mut tree, 11.0, 7.0).unwrap();
    assert_eq!(x(&tree, 10.5), Ok(3.5));
    assert_eq!(x(&tree, 11.0), Ok(7.0));
    // At the edge of the history, just outside, and pushed out.
    put(&mut tree, 10.0, -1.0).unwrap();
    assert_eq!(x(&tree, 10.0), Ok(-1.0));
    assert!(put(&mut tree, 9.99, 0.0).is_err());
    put(&mut tree, 12.5, 0.0).unwrap();
    assert_eq!(x(&tree, 11.0), Ok(7.0));
    assert!(matches!(x(&tree, 10.9), Err(LookupError::TooOld { oldest, .. }) if oldest == 11.0));
    put(&mut tree, 10.75, 3.0).unwrap();
    assert_eq!(x(&tree, 10.875), Ok(5.0));
    // A jump of the clock leaves one sample, which is exact at its own time.
    put(&mut tree, 1e6, 9.0).unwrap();
    assert_eq!(x(&tree, 1e6), Ok(9.0));
    assert!(x(&tree, 12.5).is_err() && x(&tree, 1e6 + 1e-3).is_err());
    assert_eq!(tree.newest("a"), Some(1e6));
    // A fast publisher exceeds the limit of samples: the oldest go, and older ones are refused.
    let more = MOST_SAMPLES + 500;
    for i in 0..more {
        put(&mut tree, 2e6 + i as f64 / 4096.0, i as f64).unwrap();
    }
    let oldest = 2e6 + (more - MOST_SAMPLES) as f64 / 4096.0;
    assert_eq!(x(&tree, oldest), Ok(500.0));
    assert!(x(&tree, oldest - 1e-4).is_err());
    assert!(matches!(
        put(&mut tree, oldest - 1e-4, 0.0),
        Err(InsertError::TooOld { .. })
    ));
    put(&mut tree, oldest + 1e-4, 0.0).unwrap();
    assert!(x(&tree, oldest).is_err());
    assert_eq!(x(&tree, oldest + 1e-4), Ok(0.0));
    // The time kept is limited to a sensible range.
    for (keep, kept) in [
        (f64::NAN, 0.0),
        (-1.0, 0.0),
        (0.0, 0.0),
        (f64::INFINITY, 3600.0),
    ] {
        let mut tree = TransformBuffer::new(keep);
        put(&mut tree, 4000.0, 0.0).unwrap();
        put(&mut tree, 4000.0 - kept, 0.0).unwrap();
        assert!(put(&mut tree, 3999.0 - kept, 0.0).is_err());
        assert!(x(&tree, 4000.0 - kept).is_ok());
    }
}

#[test]
fn frames_change_parents() {
    let mut tree = robot();
    // The cup is put down on the torso: its history in the arm is dropped.
    tree.insert("cup", "torso", at(0.0, 3.0, 0.0), 2.0, false)
        .unwrap();
    assert_eq!(tree.parent("cup"), Some("torso"));
    let found = tree.lookup("base", "cup", At::Newest).unwrap();
    assert_eq!(found.transform, at(0.5, 3.0, 0.0));
    assert!(tree.lookup("base", "cup", At::Time(1.5)).is_err());
    // Fixed: at all times, and then no longer.
    tree.insert("cup", "torso", at(0.0, 4.0, 0.0), 0.0, true)
        .unwrap();
    assert_eq!(tree.newest("cup"), Some(f64::INFINITY));
    for time in [-1e9, 0.0, 1e9] {
        let found = tree.lookup("base", "cup", At::Time(time)).unwrap();
        assert_eq!(found.transform, at(0.5, 4.0, 0.0));
        assert!(!found.moving && found.stamp == time);
    }
    tree.insert("cup", "arm", at(0.0, 5.0, 0.0), 1.5, false)
        .unwrap();
    assert_eq!(tree.newest("cup"), Some(1.5));
    // A root gets a parent, so that two trees become one.
    assert!(tree.lookup("base", "petal", At::Newest).is_err());
    tree.insert("base", "glasshouse", at(1.0, 0.0, 0.0), 0.0, true)
        .unwrap();
    let found = tree.lookup("petal", "base", At::Newest).unwrap();
    assert_eq!((found.transform, found.stamp), (at(1.0, 0.0, -1.0), 1.5));
    // Reversed: a frame below becomes the top, which is no loop once the old link is gone.
    let mut tree = TransformBuffer::new(10.0);
    tree.insert("a", "b", at(1.0, 0.0, 0.0), 1.0, false)
        .unwrap();
    assert!(
        tree.insert("b", "a", at(1.0, 0.0, 0.0), 2.0, false)
            .is_err()
    );
    tree.insert("a", "c", at(1.0, 0.0, 0.0), 2.0, false)
        .unwrap();
    tree.insert("b", "a", at(1.0, 0.0, 0.0), 2.0, false)
        .unwrap();
    let found = tree.lookup("c", "b", At::Newest).unwrap();
    assert_eq!(found.transform, at(2.0, 0.0, 0.0));
}

#[test]
fn a_way_passes_through_frames() {
    let tree = robot();
    for (target, source, through, expected) in [
        ("base", "camera", "head", true),
        ("camera", "base", "/head", true),
        ("base", "camera", "arm", false),
        // The ends, and the common ancestor of two branches.
        ("base", "camera", "camera", true),
        ("base", "camera", "base", true),
        ("camera", "cup", "torso", true),
        ("camera", "cup", "head", true),
        ("camera", "cup", "arm", true),
        ("camera", "cup", "base", false),
        ("arm", "cup", "torso", false),
        ("head", "head", "head", true),
        ("head", "head", "neck", false),
        ("base", "petal", "base", false),
        ("base", "spoon", "base", false),
        ("base", "camera", "spoon", false),
    ] {
        let passes = tree.passes(target, source, through);
        assert_eq!(passes, expected, "{source} to {target} through {through}");
    }
    assert_eq!(tree.newest("head"), Some(2.0));
    assert_eq!(tree.newest("torso"), Some(f64::INFINITY));
    assert_eq!((tree.newest("base"), tree.newest("spoon")), (None, None));
    assert_eq!(tree.parent("/camera"), Some("head"));
    assert_eq!((tree.parent("base"), tree.parent("spoon")), (None, None));
}

/// After a jump back of the clock, old stamps are accepted again and fixed transforms stay.
#[test]
fn moving_transforms_are_forgotten() {
    let mut tree = robot();
    tree.forget_moving();
    assert!(tree.lookup("base", "neck", At::Newest).is_ok());
    assert!(tree.lookup("head", "camera", At::Newest).is_ok());
    let refused = tree.lookup("base", "camera", At::Newest).unwrap_err();
    assert_eq!(refused.word(), "not_connected");
    tree.insert("head", "neck", at(0.0, 0.0, 0.0), -100.0, false)
        .unwrap();
    let found = tree.lookup("base", "camera", At::Newest).unwrap();
    assert_eq!(found.stamp, -100.0);
}

/// Frames that come and go make room for others; what is heard and what is fixed stays.
#[test]
fn idle_frames_are_forgotten() {
    let mut tree = TransformBuffer::new(10.0);
    let mut put = |child: &str, parent: &str, stamp: f64, fixed: bool| {
        let pose = at(1.0, 0.0, 0.0);
        tree.insert(child, parent, pose, stamp, fixed).unwrap();
    };
    put("neck", "base", 0.0, true);
    put("old", "visitors", 5.0, false);
    put("cup", "hand", 100.0, false);
    put("hand", "neck", 100.0, false);
    put("older", "old", 4.0, false);
    put("lens", "older", 100.0, false);
    tree.forget_idle(50.0);
    for gone in ["old", "visitors"] {
        let refused = tree.lookup("base", gone, At::Newest).unwrap_err();
        assert_eq!(refused.word(), "unknown_frame", "{gone}");
    }
    // Three steps of 1 m, whatever places the frames had before.
    let found = tree.lookup("base", "cup", At::Newest).unwrap();
    assert_eq!(found.transform, at(3.0, 0.0, 0.0));
    assert_eq!(tree.parent("lens"), Some("older"));
    let found = tree.lookup("older", "lens", At::Newest).unwrap();
    assert_eq!(found.transform, at(1.0, 0.0, 0.0));
    // However many visitors come, there is room for the next one.
    for visitor in 0..3 * MOST_FRAMES {
        let stamp = 200.0 + visitor as f64;
        tree.forget_idle(stamp - 50.0);
        let name = format!("visitor_{visitor}");
        tree.insert(&name, "base", at(0.0, 0.0, 0.0), stamp, false)
            .unwrap();
    }
    assert!(tree.lookup("base", "neck", At::Newest).is_ok());
}

/// Lookups allocate nothing.
#[test]
fn lookups_do_not_allocate() {
    let tree = robot();
    let allocated = allocation_counter::measure(|| {
        for at in [At::Newest, At::Time(1.3)] {
            assert!(tree.lookup("camera", "/cup", at).is_ok());
        }
        assert!(tree.passes("camera", "cup", "torso"));
        assert!(tree.newest("cup").is_some() && tree.parent("cup").is_some());
    });
    assert_eq!(allocated.count_total, 0);
}

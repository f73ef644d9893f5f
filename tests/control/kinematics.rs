//! Tendon kinematics against closed forms, differences and independent computations.
//!
//! References: `references/kinematics.json`, made by `references/make_kinematics.py` with Python
//! 3.11.7, NumPy 2.4.6 and SciPy 1.17.1 (rod integrated as differential equations, pretension by
//! constrained minimisation).

use nalgebra::{DMatrix, DVector, Vector2};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use serde_json::Value;
use std::f64::consts::{PI, TAU};
use withy::control::geometry::{Bend, bend_from, inclination};
use withy::control::kinematics::{Kinematics, Motor, Routing, Tendon};

fn tendon(angle_deg: f64, radius: f64) -> Tendon {
    let angle = angle_deg.to_radians();
    Tendon {
        base_angle: angle,
        base_radius: radius,
        head_angle: angle,
        head_radius: radius,
        base_offset: 0.0,
        head_offset: 0.0,
        disc_radius: None,
        stiffness: 8e3,
        pretension: 6.0,
    }
}

fn motor() -> Motor {
    Motor {
        ratio: 1.0,
        drum_radius: 0.008,
        tendon_thickness: 0.001,
        sign: 1.0,
    }
}

fn routing(tendons: Vec<Tendon>, discs: usize) -> Routing {
    Routing {
        length: 0.12,
        discs,
        max_inclination: 60_f64.to_radians(),
        motors: vec![motor(); tendons.len()],
        tendons,
    }
}

fn regular(angles_deg: &[f64], discs: usize) -> Routing {
    routing(angles_deg.iter().map(|a| tendon(*a, 0.03)).collect(), discs)
}

fn table() -> Value {
    serde_json::from_str(include_str!("../references/kinematics.json")).unwrap()
}

fn numbers(v: &Value) -> Vec<f64> {
    let number = |x: &Value| x.as_f64().unwrap();
    v.as_array().unwrap().iter().map(number).collect()
}

/// Returns a joint of the table, with motors that differ from one another.
fn joint(name: &str) -> Routing {
    let all = table();
    let found = all["lengths"].as_array().unwrap().iter();
    let j = found.clone().find(|j| j["name"] == name).unwrap();
    let tendons: Vec<Tendon> = j["tendons"]
        .as_array()
        .unwrap()
        .iter()
        .map(|t| {
            let f = |key: &str| t[key].as_f64().unwrap();
            Tendon {
                base_angle: f("base_angle"),
                base_radius: f("base_radius"),
                head_angle: f("head_angle"),
                head_radius: f("head_radius"),
                base_offset: f("base_offset"),
                head_offset: f("head_offset"),
                disc_radius: t["disc_radius"].as_f64(),
                stiffness: f("stiffness"),
                pretension: f("pretension"),
            }
        })
        .collect();
    let motors = (0..tendons.len())
        .map(|i| Motor {
            ratio: 1.0 + 0.5 * (i % 3) as f64,
            drum_radius: 0.007 + 0.001 * (i % 2) as f64,
            tendon_thickness: 0.0006,
            sign: if i % 2 == 0 { 1.0 } else { -1.0 },
        })
        .collect();
    Routing {
        length: j["length"].as_f64().unwrap(),
        discs: j["discs"].as_u64().unwrap() as usize,
        max_inclination: 60_f64.to_radians(),
        tendons,
        motors,
    }
}

const JOINTS: [&str; 4] = [
    "three straight",
    "four guided",
    "six irregular",
    "six irregular straight",
];

/// Lengths within 1e-9 m of those along a rod integrated by SciPy's DOP853.
#[test]
fn lengths_agree_with_an_integrated_rod() {
    let mut worst = 0.0_f64;
    for j in table()["lengths"].as_array().unwrap() {
        let kin = Kinematics::new(joint(j["name"].as_str().unwrap())).unwrap();
        let mut mine = vec![0.0; kin.count()];
        for case in j["cases"].as_array().unwrap() {
            let b = Vector2::from_vec(numbers(&case["bend"]));
            kin.lengths(b, &mut mine);
            for (l, reference) in mine.iter().zip(numbers(&case["lengths"])) {
                worst = worst.max((l - reference).abs());
            }
        }
    }
    println!("largest difference of a length: {worst:.1e} m");
    assert!(worst < 1e-12, "{worst:e} m"); // the bar is 1e-9
}

/// Equal radii and no offsets: n chords of `2 (L/theta - r cos(phi - psi)) sin(theta/2n)`, and
/// their limit `L - theta r cos(phi - psi)`, reached as 1/n^2. Source: Webster and Jones 2010.
#[test]
fn lengths_agree_with_closed_forms() {
    let angles = [10.0, 130.0, 250.0];
    let mut limits = Vec::new();
    for discs in [0, 1, 2, 7, 100, 1000] {
        let kin = Kinematics::new(regular(&angles, discs)).unwrap();
        let n = (discs + 1) as f64;
        let mut lengths = [0.0; 3];
        let mut to_limit = 0.0_f64;
        for theta in [0.05, 0.3, 0.9] {
            for phi in [-2.0, 0.4, 3.0] {
                kin.lengths(bend_from(theta, phi), &mut lengths);
                for (l, angle) in lengths.iter().zip(angles) {
                    let lever = 0.03 * (phi - f64::to_radians(angle)).cos();
                    let chords = 2.0 * n * (0.12 / theta - lever) * (theta / 2.0 / n).sin();
                    assert!(
                        (l - chords).abs() < 1e-14,
                        "{discs} discs: {l} for {chords}"
                    );
                    to_limit = to_limit.max((l - (0.12 - theta * lever)).abs());
                }
            }
        }
        limits.push(to_limit * n * n);
    }
    // theta^2 (L - theta r cos) / 24, the first term left out, at most 0.9^2 0.147 / 24.
    assert!(
        limits.iter().all(|l| *l < 0.9_f64.powi(2) * 0.147 / 24.0),
        "{limits:?}"
    );
}

/// Hand computation: two straight points, offsets along the normals, straight joint.
#[test]
fn offsets_move_the_anchors_along_the_normals() {
    let mut r = regular(&[0.0, 120.0, 240.0], 0);
    r.tendons[0].base_offset = 0.010;
    r.tendons[1].head_offset = 0.020;
    r.tendons[2].head_radius = 0.030 + 0.050;
    let kin = Kinematics::new(r).unwrap();
    let mut l = [0.0; 3];
    kin.lengths(Bend::zeros(), &mut l);
    assert!((l[0] - 0.110).abs() < 1e-16);
    assert!((l[1] - 0.140).abs() < 1e-16);
    assert!((l[2] - 0.130).abs() < 1e-16); // 5, 12, 13
}

/// `q = sign ratio (l(0) - l(b)) / (drum + thickness/2)`: a tendon on the inner side of the bend is
/// reeled in.
#[test]
fn motors_turn_by_gear_drum_thickness_and_sign() {
    let mut r = regular(&[0.0, 120.0, 240.0], 2);
    r.motors[1].sign = -1.0;
    r.motors[2].ratio = 3.0;
    let kin = Kinematics::new(r).unwrap();
    let b = bend_from(0.3, 0.2);
    let (mut l0, mut l, mut q) = ([0.0; 3], [0.0; 3], [0.0; 3]);
    kin.lengths(Bend::zeros(), &mut l0);
    kin.lengths(b, &mut l);
    kin.motor_angles(b, &mut q);
    assert!(q[0] > 0.0 && l[0] < l0[0]);
    for (i, (sign, ratio)) in [(1.0, 1.0), (-1.0, 1.0), (1.0, 3.0)]
        .into_iter()
        .enumerate()
    {
        let expected = sign * ratio * (l0[i] - l[i]) / 0.0085;
        assert!((q[i] - expected).abs() < 1e-13);
        // k r^2 / ratio^2
        let weight = 8e3 * 0.0085 * 0.0085 / (ratio * ratio);
        assert!((kin.weights()[i] - weight).abs() < 1e-15);
        // Virtual work: torque times motor speed is tension times tendon speed.
        let torque = sign * 6.0 * 0.0085 / ratio;
        assert!((kin.motor_torque(i, 6.0) - torque).abs() < 1e-15);
    }
    kin.motor_angles(Bend::zeros(), &mut q);
    assert_eq!(q, [0.0; 3]);
}

/// 350 deg at the base and 10 at the head are 20 deg apart, as -10 and 10 are.
#[test]
fn hole_angles_go_the_short_way_round() {
    let with = |base: f64, head: f64| {
        let mut r = regular(&[0.0, 120.0, 240.0], 3);
        r.tendons[0].base_angle = base.to_radians();
        r.tendons[0].head_angle = head.to_radians();
        let kin = Kinematics::new(r).unwrap();
        let mut l = [0.0; 3];
        kin.lengths(bend_from(0.4, 1.0), &mut l);
        l[0]
    };
    assert!((with(350.0, 10.0) - with(-10.0, 10.0)).abs() < 1e-15);
    assert!((with(350.0, 10.0) - with(350.0, 370.0)).abs() < 1e-15);
}

fn worst_inverse(kin: &Kinematics, b: Bend, near: Bend) -> f64 {
    let mut q = vec![0.0; kin.count()];
    kin.motor_angles(b, &mut q);
    let fix = kin.bend_from_motors(&q, near);
    assert!(
        fix.converged && fix.determined && fix.slack == 0,
        "{b:?}: {fix:?}"
    );
    assert!(fix.residual < 1e-12, "{b:?}: {fix:?}");
    (fix.bend - b).norm()
}

/// Forward and inverse agree to 1e-12 rad over the range, at zero bend, and close to it.
#[test]
fn inverse_undoes_forward() {
    let mut worst = 0.0_f64;
    for name in JOINTS {
        let kin = Kinematics::new(joint(name)).unwrap();
        for theta in [
            0.0, 1e-15, 1e-12, 3e-10, 1e-9, 1e-6, 1e-3, 0.1, 0.35, 0.7, 1.04,
        ] {
            for spoke in 0..36 {
                let b = bend_from(theta, TAU * f64::from(spoke) / 36.0);
                for near in [Bend::zeros(), b * 0.9, bend_from(0.5, 2.0)] {
                    worst = worst.max(worst_inverse(&kin, b, near));
                }
            }
        }
    }
    println!("forward and inverse differ by at most {worst:.1e} rad");
    assert!(worst < 1e-12, "{worst:e}");
}

/// The Jacobian against fourth-order central differences, and of lengths likewise.
#[test]
fn jacobian_agrees_with_differences() {
    let h = 1e-3;
    let mut worst = 0.0_f64;
    for name in JOINTS {
        let kin = Kinematics::new(joint(name)).unwrap();
        let n = kin.count();
        let mut rows = vec![Vector2::zeros(); n];
        let angles = |b: Bend| {
            let mut q = vec![0.0; n];
            kin.motor_angles(b, &mut q);
            DVector::from_vec(q)
        };
        for b in [
            (0.0, 0.0),
            (1e-9, 0.0),
            (0.1, 0.9),
            (0.35, -2.0),
            (1.0, 2.5),
        ] {
            let b = bend_from(b.0, b.1);
            kin.jacobian(b, &mut rows);
            for k in 0..2 {
                let mut d = Bend::zeros();
                d[k] = h;
                let slope = (angles(b - d * 2.0) - angles(b + d * 2.0)
                    + (angles(b + d) - angles(b - d)) * 8.0)
                    / (12.0 * h);
                for (row, reference) in rows.iter().zip(slope.iter()) {
                    worst = worst.max((row[k] - reference).abs() / 10.0);
                }
            }
        }
    }
    println!("largest relative difference of the Jacobian: {worst:.1e}");
    assert!(worst < 1e-10, "{worst:e}");
}

/// Balanced pretension against SciPy's SLSQP, and its two conditions by themselves; the six
/// irregular tendons among the joints, every tension strictly positive.
#[test]
fn pretension_is_balanced_positive_and_nearest() {
    let mut raised = 0;
    for case in table()["balance"].as_array().unwrap() {
        let kin = Kinematics::new(joint(case["joint"].as_str().unwrap())).unwrap();
        let asked = numbers(&case["asked"]);
        let tensions = kin.pretension(&asked).unwrap();
        let mean = asked.iter().sum::<f64>() / asked.len() as f64;
        let mut rows = vec![Vector2::zeros(); kin.count()];
        kin.length_jacobian(Bend::zeros(), &mut rows);
        let moment: Vector2<f64> = rows.iter().zip(&tensions).map(|(g, t)| g * *t).sum();
        assert!(moment.norm() < 1e-14 * mean, "{case}: moment {moment:?}");
        for (mine, reference) in tensions.iter().zip(numbers(&case["tensions"])) {
            assert!(*mine >= 0.05 * mean * (1.0 - 1e-12), "{case}: {tensions:?}");
            assert!(
                (mine - reference).abs() < 1e-5 * mean,
                "{case}: {tensions:?}"
            );
        }
        raised += tensions.iter().filter(|t| **t < 0.0501 * mean).count();
    }
    assert!(
        raised > 0,
        "some case must reach the floor, or it is not tested"
    );
    for name in ["six irregular", "six irregular straight"] {
        let kin = Kinematics::new(joint(name)).unwrap();
        println!("{name}: {:.3?} N", kin.balanced_tensions());
        assert!(kin.balanced_tensions().iter().all(|t| *t > 0.0));
    }
}

/// A tension far out of balance that only one tendon requests still ends balanced.
#[test]
fn pretension_copes_with_lopsided_wishes() {
    let kin = Kinematics::new(joint("six irregular")).unwrap();
    let mut rows = [Vector2::zeros(); 6];
    kin.length_jacobian(Bend::zeros(), &mut rows);
    for i in 0..6 {
        for (much, little) in [(100.0, 1e-3), (1e-3, 50.0), (1e6, 1e-6)] {
            let mut asked = [little; 6];
            asked[i] = much;
            let t = kin.pretension(&asked).unwrap();
            let mean = asked.iter().sum::<f64>() / 6.0;
            let moment: Vector2<f64> = rows.iter().zip(&t).map(|(g, t)| g * *t).sum();
            assert!(moment.norm() < 1e-13 * mean, "{asked:?}: {t:?}, {moment:?}");
            assert!(t.iter().all(|t| *t >= 0.05 * mean * (1.0 - 1e-12)));
        }
    }
    for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(kin.pretension(&[1.0, 1.0, bad, 1.0, 1.0, 1.0]).is_err());
    }
    assert!(kin.pretension(&[1.0; 5]).is_err());
}

/// A motor that paid out too much leaves a slack tendon: its bit is set, and the others determine
/// the bend exactly. One paid out within the stretch of its pretension is taut and shares in the
/// estimate.
#[test]
fn slack_tendons_do_not_drag_the_estimate() {
    for (name, least) in JOINTS.into_iter().zip([1, 4, 18, 18]) {
        let kin = Kinematics::new(joint(name)).unwrap();
        let n = kin.count();
        let mut q = vec![0.0; n];
        let mut tried = 0;
        for (theta, phi) in [(0.1, 0.3), (0.25, 2.0), (0.35, -1.0)] {
            let b = bend_from(theta, phi);
            for i in 0..n {
                kin.motor_angles(b, &mut q);
                // 30 mm; at least three times the reel-in of the inner side for 0.35 rad.
                q[i] -= 0.030 * kin.gearing(i);
                // Only a tendon that resists the bend can fall slack while the others hold the
                // bend. Slack in a tendon that makes the bend lets the joint move freely.
                let away = (phi - kin.routing().tendons[i].base_angle).cos();
                if n == 4 && away > 0.05 || n == 3 && away > -0.6 {
                    continue;
                }
                let fix = kin.bend_from_motors(&q, Bend::zeros());
                assert_eq!(fix.slack, 1 << i, "{name} {b:?} tendon {i}: {fix:?}");
                assert!(fix.converged && fix.determined, "{name} {b:?}: {fix:?}");
                assert!(
                    (fix.bend - b).norm() < 1e-12,
                    "{name} {b:?} tendon {i}: {fix:?}"
                );
                assert!(fix.residual < 1e-12);
                tried += 1;
            }
        }
        assert!(tried >= least, "{name}: {tried}");
    }
}

/// Within the stretch of its pretension (6 N / 8000 N/m = 0.75 mm) a tendon still pulls, and the
/// fix is the weighted least-squares one. Source: normal equations by nalgebra's SVD.
#[test]
fn taut_tendons_share_by_stiffness() {
    let mut r = joint("six irregular");
    for t in &mut r.tendons {
        t.pretension = 50.0;
    }
    let kin = Kinematics::new(r).unwrap();
    let b = bend_from(0.2, 1.0);
    let mut q = [0.0; 6];
    kin.motor_angles(b, &mut q);
    for (i, d) in [1e-4, -2e-4, 3e-4, 1e-4, -1e-4, 2e-4]
        .into_iter()
        .enumerate()
    {
        q[i] += d * kin.gearing(i);
    }
    let fix = kin.bend_from_motors(&q, Bend::zeros());
    assert!(fix.converged && fix.determined && fix.slack == 0);
    assert!(fix.residual > 1e-3);
    // At the minimum the weighted residual is orthogonal to the Jacobian, and no step helps.
    let (mut at, mut rows) = ([0.0; 6], [Vector2::zeros(); 6]);
    kin.motor_angles(fix.bend, &mut at);
    kin.jacobian(fix.bend, &mut rows);
    let root = DVector::from_iterator(6, kin.weights().iter().map(|w| w.sqrt()));
    let a = DMatrix::from_fn(6, 2, |i, k| rows[i][k] * root[i]);
    let miss = DVector::from_fn(6, |i, _| (q[i] - at[i]) * root[i]);
    let step = a.svd(true, true).solve(&miss, 1e-12).unwrap();
    assert!(step.norm() < 1e-11, "{step:?}");
    let rms = (0..6).map(|i| (q[i] - at[i]).powi(2)).sum::<f64>() / 6.0;
    assert!((fix.residual - rms.sqrt()).abs() < 1e-14);
}

/// In a direction that no taut tendon determines, the joint is taken as straight, and the fix
/// reports it.
#[test]
fn untold_directions_go_straight() {
    // All tendons slack.
    for name in JOINTS {
        let kin = Kinematics::new(joint(name)).unwrap();
        let n = kin.count();
        let q: Vec<f64> = (0..n).map(|i| -0.01 * kin.gearing(i)).collect();
        let fix = kin.bend_from_motors(&q, bend_from(0.2, 1.0));
        assert!(fix.bend.norm() < 1e-9, "{name}: {fix:?}");
        assert_eq!(fix.slack, (1 << n) - 1, "{name}");
        assert!(!fix.determined && fix.converged, "{name}: {fix:?}");
        assert_eq!(fix.residual, 0.0);
    }
    // One tendon pulls, the others are slack: the joint bends toward that one, as far as it must.
    let kin = Kinematics::new(regular(&[0.0, 90.0, 180.0, 270.0], 2)).unwrap();
    let mut q = [0.0; 4];
    let b = bend_from(0.3, 0.0);
    kin.motor_angles(b, &mut q);
    for (i, angle) in q.iter_mut().enumerate().skip(1) {
        *angle = -0.03 * kin.gearing(i);
    }
    let fix = kin.bend_from_motors(&q, Bend::zeros());
    assert!((fix.bend - b).norm() < 1e-5, "{fix:?}");
    assert_eq!(fix.slack, 0b1110);
    assert!(!fix.determined);
}

#[test]
fn inverse_of_nonsense_is_finite_and_says_so() {
    let kin = Kinematics::new(regular(&[0.0, 120.0, 240.0], 2)).unwrap();
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let near = Vector2::new(0.1, 0.2);
        let fix = kin.bend_from_motors(&[0.1, bad, 0.2], near);
        assert!(fix.bend == near && !fix.converged && fix.residual == f64::INFINITY);
    }
    let fix = kin.bend_from_motors(&[0.0; 3], Vector2::new(f64::NAN, 0.0));
    assert!(fix.bend.norm() < 1e-15 && fix.converged);
}

/// `P` as an explicit N x N matrix, by nalgebra.
#[test]
fn projection_is_the_weighted_projector() {
    for name in JOINTS {
        let kin = Kinematics::new(joint(name)).unwrap();
        let n = kin.count();
        let mut rows = vec![Vector2::zeros(); n];
        kin.jacobian(bend_from(0.3, 0.8), &mut rows);
        let j = DMatrix::from_fn(n, 2, |i, k| rows[i][k]);
        let w = DMatrix::from_diagonal(&DVector::from_row_slice(kin.weights()));
        let coordinates = (j.transpose() * &w * &j).try_inverse().unwrap() * j.transpose() * &w;
        let p = &j * &coordinates;
        let projection = kin.projection(&rows);
        for unit in 0..n {
            let mut v = vec![0.0; n];
            v[unit] = 1.0;
            let x = DVector::from_vec(v.clone());
            let bend = projection.bend_part(&v);
            assert!((&coordinates * &x - bend).norm() < 1e-13);
            let mut kept = v.clone();
            assert_eq!(projection.project(&mut kept), bend);
            assert!((&p * &x - DVector::from_vec(kept.clone())).norm() < 1e-13);
            let mut internal = v.clone();
            projection.reject(&mut internal);
            for i in 0..n {
                assert!((internal[i] + kept[i] - v[i]).abs() < 1e-14);
            }
            assert!(projection.bend_part(&internal).norm() < 1e-13);
        }
    }
}

/// Irregular tendons whose directions leave no gap above 150 deg.
fn irregular() -> impl Strategy<Value = Routing> {
    let one = (
        (-20.0..20.0_f64, -15.0..15.0_f64),
        (0.02..0.04_f64, 0.02..0.04_f64),
        (-0.004..0.004_f64, -0.004..0.004_f64),
        prop::option::of(0.02..0.04_f64),
        (4e3..1.2e4_f64, 2.0..10.0_f64),
        (0.5..3.0_f64, 0.005..0.012_f64, any::<bool>()),
    );
    (
        prop::collection::vec(one, 3..9),
        0_usize..6,
        0.08..0.2_f64,
        -PI..PI,
    )
        .prop_map(|(parts, discs, length, turn)| {
            let n = parts.len() as f64;
            let (tendons, motors) = parts
                .into_iter()
                .enumerate()
                .map(|(i, (angle, radius, offset, disc_radius, spring, drive))| {
                    let base_angle = turn + TAU * i as f64 / n + (angle.0 * 3.0 / n).to_radians();
                    let tendon = Tendon {
                        base_angle,
                        head_angle: base_angle + (angle.1 * 3.0 / n).to_radians(),
                        base_radius: radius.0,
                        head_radius: radius.1,
                        base_offset: offset.0,
                        head_offset: offset.1,
                        disc_radius,
                        stiffness: spring.0,
                        pretension: spring.1,
                    };
                    let motor = Motor {
                        ratio: drive.0,
                        drum_radius: drive.1,
                        tendon_thickness: 0.0008,
                        sign: if drive.2 { 1.0 } else { -1.0 },
                    };
                    (tendon, motor)
                })
                .unzip();
            Routing {
                length,
                discs,
                max_inclination: 0.7,
                tendons,
                motors,
            }
        })
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 500,
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(20_260_417),
        ..ProptestConfig::default()
    })]

    /// Any accepted joint inverts to 1e-12 rad and holds every tendon taut and balanced.
    #[test]
    fn accepted_joints_invert_and_balance(
        r in irregular(), theta in 0.0..0.7_f64, phi in -PI..PI, near in (0.0..0.7_f64, -PI..PI),
    ) {
        let made = Kinematics::new(r);
        prop_assume!(made.is_ok());
        let kin = made.unwrap();
        let b = bend_from(theta, phi);
        prop_assert!(worst_inverse(&kin, b, bend_from(near.0, near.1)) < 1e-12);
        let mut rows = vec![Vector2::zeros(); kin.count()];
        kin.length_jacobian(Bend::zeros(), &mut rows);
        let t = kin.balanced_tensions();
        let moment: Vector2<f64> = rows.iter().zip(t).map(|(g, t)| g * *t).sum();
        prop_assert!(moment.norm() < 1e-13);
        prop_assert!(t.iter().all(|t| *t > 0.09));
    }

    /// For any motor angles the fix is finite and inside half a turn.
    #[test]
    fn any_motor_angles_give_a_finite_bend(
        r in irregular(), q in prop::collection::vec(-20.0..20.0_f64, 9),
    ) {
        let made = Kinematics::new(r);
        prop_assume!(made.is_ok());
        let fix = made.unwrap().bend_from_motors(&q, Bend::zeros());
        prop_assert!(inclination(fix.bend) < PI + 1e-12);
        prop_assert!(fix.residual >= 0.0 && fix.residual.is_finite());
    }
}

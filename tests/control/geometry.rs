//! Geometry against closed forms in 900 digits, SciPy and nalgebra's own rotations.
//!
//! References: `references/kinematics.json`, made by `references/make_kinematics.py` with Python
//! 3.11.7, NumPy 2.4.6, SciPy 1.17.1 and mpmath 1.4.1.

use nalgebra::{Matrix3, Quaternion, Rotation3, UnitQuaternion, Vector2, Vector3};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use serde_json::Value;
use std::f64::consts::{FRAC_PI_2, PI};
use withy::control::geometry::*;

fn table(part: &str) -> Vec<Value> {
    let text = include_str!("../references/kinematics.json");
    let all: Value = serde_json::from_str(text).unwrap();
    all[part].as_array().unwrap().clone()
}

fn numbers(v: &Value) -> Vec<f64> {
    let number = |x: &Value| match x {
        Value::String(s) => s.parse().unwrap(),
        other => other.as_f64().unwrap(),
    };
    v.as_array().unwrap().iter().map(number).collect()
}

fn vector3(v: &Value) -> Vector3<f64> {
    Vector3::from_vec(numbers(v))
}

fn vector2(v: &Value) -> Vector2<f64> {
    Vector2::from_vec(numbers(v))
}

/// Position (unit length) and orientation, row by row, in the order of the table.
fn flat(p: Vector3<f64>, r: Matrix3<f64>) -> Vec<f64> {
    p.iter().chain(r.transpose().iter()).copied().collect()
}

fn bend() -> impl Strategy<Value = Bend> {
    (0.0..3.1_f64, -PI..PI, -13.0..0.5_f64).prop_map(|(t, phi, exponent)| {
        // Half of the bends are spread over the decades near zero.
        let theta = if exponent > -6.0 {
            t
        } else {
            t * 10_f64.powf(exponent)
        };
        bend_from(theta, phi)
    })
}

/// Every value and derivative, from zero bend through the change from series to closed form (at 2
/// rad) to 180 deg, is right to a few roundings of its own size near zero. Source: closed forms in
/// mpmath, 900 digits.
#[test]
fn arc_is_exact_everywhere() {
    // By place in the table: even in the bend and 1 or 1/2 at zero; the others vanish with the
    // bend.
    const EVEN: [usize; 4] = [2, 3, 7, 11];
    let mut worst = [0.0_f64; 2];
    for case in table("arc") {
        let b = vector2(&case["bend"]);
        let theta = inclination(b);
        let value = flat(position(b, 1.0), rotation(b).into_inner());
        for (i, (mine, exact)) in value.iter().zip(numbers(&case["value"])).enumerate() {
            // Even ones cross zero at large bends, where only their error against 1 is meaningful;
            // the others are products, relative to themselves.
            let own = exact.abs().max(if EVEN.contains(&i) {
                0.5
            } else {
                0.05 * theta.powi(2)
            });
            worst[0] = worst[0].max((mine - exact).abs() / own.max(1e-300));
        }
        let (dp, dr) = (
            Curvature::at(b).position_jacobian(1.0),
            Curvature::at(b).rotation_jacobian(),
        );
        for (k, key) in ["dx", "dy"].into_iter().enumerate() {
            let mine = flat(dp.column(k).into(), dr[k]);
            for (i, (mine, exact)) in mine.iter().zip(numbers(&case[key])).enumerate() {
                // Along x: p_x, R_xz, R_zx; along y: p_y, R_yz, R_zy; cross-axis ones are products
                // of second order.
                let along = [[0, 5, 9], [1, 8, 10]][k].contains(&i);
                let across = [[1, 8, 10], [0, 5, 9]][k].contains(&i);
                let size = if along {
                    0.5
                } else if across {
                    0.0
                } else {
                    0.2 * theta.min(1.0)
                };
                let own = exact.abs().max(size).max(1e-300);
                worst[1] = worst[1].max((mine - exact).abs() / own);
            }
        }
    }
    println!(
        "largest relative error: values {:.1e}, derivatives {:.1e}",
        worst[0], worst[1]
    );
    assert!(worst[0] < 2e-15, "values: {:e}", worst[0]);
    assert!(worst[1] < 3e-15, "derivatives: {:e}", worst[1]);
}

#[test]
fn straight_joint_is_exact() {
    let b = Bend::zeros();
    assert_eq!(rotation(b).into_inner(), Matrix3::identity());
    assert_eq!(position(b, 0.12), Vector3::new(0.0, 0.0, 0.12));
    assert_eq!(inclination(b), 0.0);
    assert_eq!(direction(b), None);
    let a = Curvature::at(b).angular_jacobian();
    assert_eq!(a.column(0), Vector3::new(0.0, 1.0, 0.0));
    assert_eq!(a.column(1), Vector3::new(-1.0, 0.0, 0.0));
    assert_eq!(Curvature::at(b).angular_jacobian_head(), a);
    let p = Curvature::at(b).position_jacobian(2.0);
    assert_eq!(p.column(0), Vector3::new(1.0, 0.0, 0.0));
    assert_eq!(p.column(1), Vector3::new(0.0, 1.0, 0.0));
}

/// The conventions by their closed form, at a quarter turn toward +y.
#[test]
fn quarter_turn_leans_where_it_says() {
    let b = bend_from(FRAC_PI_2, FRAC_PI_2);
    let r = rotation(b);
    assert!((r * Vector3::z() - Vector3::y()).norm() < 1e-15);
    assert!((r * Vector3::x() - Vector3::x()).norm() < 1e-15);
    let p = position(b, 1.0);
    let radius = 1.0 / FRAC_PI_2;
    assert!((p - Vector3::new(0.0, radius, radius)).norm() < 1e-15);
}

#[test]
fn direction_is_reported_from_three_degrees() {
    assert_eq!(direction(bend_from(DIRECTION_FLOOR * 0.999, 1.0)), None);
    let phi = direction(bend_from(DIRECTION_FLOOR * 1.001, 1.0)).unwrap();
    assert!((phi - 1.0).abs() < 1e-15);
}

/// Bends from gravity, with a tilted base and erroneous directions. Source: SciPy least_squares
/// from 41 starts.
#[test]
fn gravity_agrees_with_brute_force() {
    for case in table("gravity") {
        let near = vector2(&case["near"]);
        let fix = bend_from_gravity(vector3(&case["seen"]), vector3(&case["base"]), near);
        let error = (fix.bend - vector2(&case["bend"])).norm();
        assert!(error < 1e-7, "{case}: {fix:?}, error {error:e}");
        let residual = case["residual"].as_f64().unwrap();
        assert!((fix.residual - residual).abs() < 1e-9);
        assert!(fix.observability > 0.3 && fix.observability <= 1.0);
    }
}

/// Observability against its closed form in the plane of the tilt. A cross-plane rotation of the
/// head moves the measured gravity by the component of gravity normal to its axis. The cross-axis
/// column of `A_head` has its axis at `theta/2` from the head's lean axis and the length `2
/// sin(theta/2)/theta`, so the observability is `2 sin(theta/2)/theta |cos(tilt + theta/2)|`.
#[test]
fn observability_falls_to_zero_where_gravity_cannot_tell() {
    for tilt_deg in [0.0, 20.0, 60.0, 80.0, 90.0] {
        for theta_deg in [0.0, 10.0, 20.0, 40.0, 60.0, 90.0] {
            let (tilt, theta) = (f64::to_radians(tilt_deg), f64::to_radians(theta_deg));
            // A base tilted toward +x and a head leaning on toward +x.
            let base = Vector3::new(tilt.sin(), 0.0, -tilt.cos());
            let b = bend_from(theta, 0.0);
            let seen = rotation(b).inverse() * base;
            let fix = bend_from_gravity(seen, base, b);
            let lever = if theta > 0.0 {
                2.0 * (theta / 2.0).sin() / theta
            } else {
                1.0
            };
            let expected = lever * (tilt + theta / 2.0).cos().abs();
            assert!(
                (fix.observability - expected).abs() < 1e-7,
                "tilt {tilt_deg}, inclination {theta_deg}: {} for {expected}",
                fix.observability
            );
        }
    }
}

#[test]
fn gravity_without_direction_changes_nothing() {
    let near = Vector2::new(0.1, -0.2);
    let down = Vector3::new(0.0, 0.0, -1.0);
    for bad in [
        Vector3::zeros(),
        Vector3::new(f64::NAN, 0.0, 1.0),
        Vector3::new(f64::INFINITY, 0.0, 1.0),
    ] {
        for (seen, base) in [(bad, down), (down, bad)] {
            let fix = bend_from_gravity(seen, base, near);
            assert_eq!((fix.bend, fix.observability), (near, 0.0));
        }
    }
    let fix = bend_from_gravity(down, down, Vector2::new(f64::NAN, 0.0));
    assert_eq!(fix.bend, Bend::zeros());
}

/// Swing-twist decomposition of orientations composed by SciPy's Rotation.
#[test]
fn swing_twist_agrees_with_composition() {
    for case in table("twist") {
        let q = numbers(&case["wxyz"]);
        let q = UnitQuaternion::from_quaternion(Quaternion::new(q[0], q[1], q[2], q[3]));
        let (twist, b) = swing_twist(&q);
        // Close to 180 deg of bend the yaw is as ill-conditioned as the orientation's rounding.
        let theta = inclination(vector2(&case["bend"]));
        let bar = 4e-15 / (theta / 2.0).cos();
        assert!(
            (twist - case["twist"].as_f64().unwrap()).abs() < bar,
            "{case}"
        );
        assert!((b - vector2(&case["bend"])).norm() < bar * PI, "{case}");
    }
}

#[test]
fn swing_twist_at_its_singular_points() {
    assert_eq!(
        swing_twist(&UnitQuaternion::identity()),
        (0.0, Bend::zeros())
    );
    let minus = UnitQuaternion::new_unchecked(Quaternion::new(-1.0, 0.0, 0.0, 0.0));
    let (twist, b) = swing_twist(&minus);
    assert!(twist == 0.0 && b == Bend::zeros());
    // Pure yaw of half a turn.
    let half = UnitQuaternion::new_unchecked(Quaternion::new(0.0, 0.0, 0.0, 1.0));
    assert_eq!(swing_twist(&half), (PI, Bend::zeros()));
    // Upside down: the whole orientation is bend.
    for phi in [0.0, 1.0, -2.0] {
        let axis = Vector3::new(-f64::sin(phi), f64::cos(phi), 0.0);
        let down = UnitQuaternion::new_unchecked(Quaternion::from_parts(0.0, axis));
        let (twist, b) = swing_twist(&down);
        assert_eq!(twist, 0.0);
        assert!((b - bend_from(PI, phi)).norm() < 1e-15);
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 2000,
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(20_260_417),
        ..ProptestConfig::default()
    })]

    /// Against nalgebra's Rodrigues rotation and its product of three elementary ones.
    #[test]
    fn rotation_is_the_product_of_three(b in bend()) {
        let r = rotation(b);
        let axis_angle = Rotation3::new(Vector3::new(-b.y, b.x, 0.0));
        prop_assert!((r.matrix() - axis_angle.matrix()).norm() < 3e-15);
        let phi = b.y.atan2(b.x);
        let z = |a| Rotation3::from_axis_angle(&Vector3::z_axis(), a);
        let lean = Rotation3::from_axis_angle(&Vector3::y_axis(), inclination(b));
        let product = z(phi) * lean * z(-phi);
        prop_assert!((r.matrix() - product.matrix()).norm() < 3e-15);
        let orthogonal = r.matrix().transpose() * r.matrix() - Matrix3::identity();
        prop_assert!(orthogonal.norm() < 3e-15);
    }

    /// `omega = A db/dt` against fourth-order differences of the orientation, in both frames.
    #[test]
    fn angular_velocity_agrees_with_differences(b in bend(), rx in -1.0..1.0_f64, ry in -1.0..1.0_f64) {
        let rate = Vector2::new(rx, ry);
        let h = 1e-3;
        let at = |k: f64| rotation(b + rate * (k * h)).into_inner();
        let slope = (at(-2.0) - at(2.0) + (at(1.0) - at(-1.0)) * 8.0) / (12.0 * h);
        let base = slope * rotation(b).inverse().matrix();
        let head = rotation(b).inverse().matrix() * slope;
        let vee = |m: Matrix3<f64>| Vector3::new(m[(2, 1)], m[(0, 2)], m[(1, 0)]);
        prop_assert!((vee(base) - Curvature::at(b).angular_jacobian() * rate).norm() < 1e-10);
        prop_assert!((vee(head) - Curvature::at(b).angular_jacobian_head() * rate).norm() < 1e-10);
    }

    /// A gyro on a head plate that moves as the joint allows gives the bend rate back; a rotation
    /// orthogonal to the joint's motion gives zero.
    #[test]
    fn gyro_gives_the_bend_rate(
        b in bend(),
        rx in -5.0..5.0_f64,
        ry in -5.0..5.0_f64,
        spin in -5.0..5.0_f64,
    ) {
        let rate = Vector2::new(rx, ry);
        let a = Curvature::at(b).angular_jacobian_head();
        let normal = a.column(0).cross(&a.column(1)).normalize();
        let omega = a * rate + normal * spin;
        prop_assert!((bend_rate_from_gyro(b, omega) - rate).norm() < 1e-13);
    }

    /// Without noise the bend comes back exactly, at any tilt of the base where gravity shows it.
    #[test]
    fn gravity_inverts(
        b in bend(), tilt in 0.0..1.2_f64, toward in -PI..PI, dx in -0.1..0.1_f64, dy in -0.1..0.1_f64,
    ) {
        let base = rotation(bend_from(tilt, toward)) * Vector3::new(0.0, 0.0, -9.81);
        let seen = rotation(b).inverse() * base;
        let exact = bend_from_gravity(seen, base, b);
        prop_assume!(exact.observability > 0.35);
        let fix = bend_from_gravity(seen, base, b + Vector2::new(dx, dy));
        prop_assert!((fix.bend - b).norm() < 1e-13, "{:?} for {:?}", fix, b);
        prop_assert!(fix.residual < 1e-14);
    }

    /// The answer is finite for any measurement.
    #[test]
    fn gravity_is_always_finite(
        s in prop::array::uniform3(prop::num::f64::ANY),
        g in prop::array::uniform3(prop::num::f64::ANY),
        n in prop::array::uniform2(prop::num::f64::ANY),
    ) {
        let fix = bend_from_gravity(Vector3::from(s), Vector3::from(g), Vector2::from(n));
        prop_assert!(fix.bend.iter().all(|v| v.is_finite()) && inclination(fix.bend) < PI + 1e-12);
        prop_assert!((0.0..=1.0).contains(&fix.observability));
        prop_assert!((0.0..=2.0 + 1e-12).contains(&fix.residual));
    }

    /// Any orientation is composed again from its parts, by nalgebra.
    #[test]
    fn swing_twist_composes(axis in prop::array::uniform3(-1.0..1.0_f64), angle in -6.0..6.0_f64) {
        let q = UnitQuaternion::from_scaled_axis(Vector3::from(axis) * angle);
        let (twist, b) = swing_twist(&q);
        prop_assert!(twist.abs() <= PI + 1e-15 && inclination(b) <= PI + 1e-15);
        let back = orientation(twist, b);
        prop_assert!((back.matrix() - q.to_rotation_matrix().matrix()).norm() < 1e-14);
    }
}

//! Gaze points against closed forms and an independent optimiser.
//!
//! References: `references/gaze.json`, made by `references/make_gaze.py` with Python 3.11.7, NumPy
//! 2.4.6 and SciPy 1.17.1 (grid, L-BFGS-B and Nelder-Mead on the angle itself, poses by
//! quadrature).

use nalgebra::{Rotation3, Vector2, Vector3};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use serde_json::Value;
use std::f64::consts::{FRAC_PI_2, PI, TAU};
use withy::control::gaze::{
    Camera, Gaze, GazeError, Gazer, Outcome, PanLimits, Present, REACHED_WITHIN, WORTH_A_JUMP,
};
use withy::control::geometry::{Bend, bend_from, inclination};

const LENGTH: f64 = 0.12;
const DEG: f64 = PI / 180.0;

fn camera(position: [f64; 3], axis: [f64; 3]) -> Camera {
    Camera {
        position: position.into(),
        axis: axis.into(),
        ..Camera::default()
    }
}

fn pan(low_deg: f64, high_deg: f64) -> Option<PanLimits> {
    Some(PanLimits {
        low: low_deg * DEG,
        high: high_deg * DEG,
    })
}

fn gazer(camera: Camera, most_deg: f64, pan: Option<PanLimits>) -> Gazer {
    Gazer::new(LENGTH, most_deg * DEG, camera, pan).unwrap()
}

const FREE: PanLimits = PanLimits {
    low: f64::NEG_INFINITY,
    high: f64::INFINITY,
};
const FORWARD: [f64; 3] = [1.0, 0.0, 0.0];
const UPWARD: [f64; 3] = [0.0, 0.0, 1.0];

/// Returns camera and axis by rotations about two axes and the arc's centre, independent of the
/// crate's formulas. Source: Webster and Jones 2010.
fn sight(c: &Camera, length: f64, b: Bend, pan: f64) -> (Vector3<f64>, Vector3<f64>) {
    let (theta, phi) = (b.norm(), b.y.atan2(b.x));
    let rz = |a: f64| Rotation3::from_axis_angle(&Vector3::z_axis(), a);
    let lean = rz(phi) * Rotation3::from_axis_angle(&Vector3::y_axis(), theta);
    let place = if theta > 1e-6 {
        let radius = length / theta;
        rz(phi) * Vector3::new(radius * (1.0 - theta.cos()), 0.0, radius * theta.sin())
    } else {
        Vector3::new(0.5 * length * b.x, 0.5 * length * b.y, length)
    };
    let head = lean * rz(-phi);
    (
        rz(pan) * (place + head * c.position),
        rz(pan) * (head * c.axis.normalize()),
    )
}

/// Returns the angle by `2 atan2(|u - v|, |u + v|)` (Kahan, from memory).
fn angle(u: Vector3<f64>, v: Vector3<f64>) -> f64 {
    let (u, v) = (u.normalize(), v.normalize());
    2.0 * (u - v).norm().atan2((u + v).norm())
}

fn residual(c: &Camera, length: f64, point: Vector3<f64>, b: Bend, pan: f64) -> f64 {
    let (place, axis) = sight(c, length, b, pan);
    angle(axis, point - place)
}

fn numbers(v: &Value) -> Vec<f64> {
    let number = |x: &Value| x.as_f64().unwrap();
    v.as_array().unwrap().iter().map(number).collect()
}

/// The smallest residual within 0.05 deg of SciPy's on every point, joint and camera; the reported
/// outcome is true.
#[test]
fn residuals_agree_with_an_independent_optimiser() {
    let table: Value = serde_json::from_str(include_str!("../references/gaze.json")).unwrap();
    let cases = table["cases"].as_array().unwrap();
    let (mut worst, mut own) = (0.0_f64, 0.0_f64);
    let mut told = [[0; 3]; 2];
    for case in cases {
        let f = |key: &str| case[key].as_f64().unwrap();
        let c = Camera {
            position: Vector3::from_vec(numbers(&case["position"])),
            axis: Vector3::from_vec(numbers(&case["axis"])),
            nearest: f("nearest"),
        };
        let limits = case["pan"].as_array().map(|_| {
            let v = numbers(&case["pan"]);
            PanLimits {
                low: v[0],
                high: v[1],
            }
        });
        let most = f("max_inclination");
        let g = Gazer::new(f("length"), most, c, limits).unwrap();
        let point = Vector3::from_vec(numbers(&case["point"]));
        let present = Present {
            bend: Vector2::from_vec(numbers(&case["bend"])),
            pan: f("present_pan"),
        };
        let found = g.look(point, present);
        let off = (found.residual - f("residual")).abs();
        if off >= 0.05 * DEG {
            println!("{off:.4} rad off: {case}: {found:?}");
        }
        worst = worst.max(off);
        own = own
            .max((residual(&c, f("length"), point, found.bend, found.pan) - found.residual).abs());
        assert!(inclination(found.bend) <= most * (1.0 + 1e-12), "{case}");
        let range = limits.unwrap_or(PanLimits {
            low: 0.0,
            high: 0.0,
        });
        assert!(
            range.low <= found.pan && found.pan <= range.high,
            "{case}: {found:?}"
        );
        let expected = if found.residual <= REACHED_WITHIN {
            Outcome::Reached
        } else if found.residual <= FRAC_PI_2 {
            Outcome::BestPossible
        } else {
            Outcome::OutOfReach
        };
        assert_eq!(found.outcome, expected, "{case}");
        told[usize::from(limits.is_some())][expected as usize] += 1;
    }
    println!(
        "{} cases: residuals within {:.5} deg, own arithmetic within {own:.1e} rad; \
         reached, best possible, out of reach: {:?} without pan, {:?} with",
        cases.len(),
        worst / DEG,
        told[0],
        told[1]
    );
    assert!(worst < 0.05 * DEG, "{} deg", worst / DEG);
    assert!(own < 1e-10, "{own:e} rad");
    assert!(told.iter().flatten().all(|n| *n >= 20), "{told:?}");
}

/// A camera at the centre with the axis along the normal and a point at the tangent of the arc:
/// `x = p + d t`, both in closed form.
#[test]
fn points_on_the_tangent_are_reached_exactly() {
    let g = gazer(camera([0.0; 3], UPWARD), 80.0, None);
    let mut worst = 0.0_f64;
    for theta in [0.0, 1e-9, 1e-4, 0.1, 0.6, 1.3] {
        for phi in [0.0, 0.7, 2.0, -2.5] {
            for d in [0.2, 0.4, 3.0] {
                let b = bend_from(theta, phi);
                let (place, axis) = sight(g.camera(), LENGTH, b, 0.0);
                let found = g.look(place + axis * d, Present::default());
                assert_eq!(found.outcome, Outcome::Reached);
                worst = worst.max((found.bend - b).norm());
            }
        }
    }
    println!("bends of points on the tangent within {worst:.1e} rad");
    assert!(worst < 1e-9, "{worst:e}");
}

/// The camera stands 60 mm off the axis and the point at 0.4 m. In closed form the line of sight of
/// a level camera at height h passes a point at height z and distance r when tan(pitch) = (h - z) /
/// r. A camera that looks along the point's direction from the base would miss it by the parallax.
#[test]
fn parallax_of_a_camera_off_the_axis() {
    // A straight joint: 60 mm above the plate, the point 0.4 m ahead at the camera's own height.
    let c = camera([0.0, 0.0, 0.06], FORWARD);
    let g = gazer(c, 45.0, None);
    let found = g.look(Vector3::new(0.4, 0.0, LENGTH + 0.06), Present::default());
    assert!(found.bend.norm() < 1e-12 && found.outcome == Outcome::Reached);
    // 60 mm to the left, with pan: the axis is a tangent of the circle of 60 mm about the base's z,
    // so that the point at distance r is at azimuth pan + asin(0.06 / r).
    let c = camera([0.0, 0.06, 0.0], FORWARD);
    let g = gazer(c, 45.0, pan(-120.0, 120.0));
    for azimuth in [-1.0, 0.0, 0.8] {
        let point = Vector3::new(0.4 * f64::cos(azimuth), 0.4 * f64::sin(azimuth), LENGTH);
        let found = g.look(point, Present::default());
        let expected = azimuth - (0.06_f64 / 0.4).asin();
        assert_eq!(found.outcome, Outcome::Reached);
        assert!((found.pan - expected).abs() < 1e-10, "{found:?}");
        assert!(found.bend.norm() < 1e-10, "{found:?}");
        // 8.6 deg of parallax, the error of a gaze without the camera's place.
        let naive = g.angle_to(point, Bend::zeros(), azimuth).unwrap();
        assert!((naive - (0.06_f64 / 0.4).atan()).abs() < 0.01, "{naive}");
    }
    // 60 mm in any direction and the same point at any height: reached from the camera's true
    // place.
    for spoke in 0..12 {
        let a = TAU * f64::from(spoke) / 12.0;
        let c = camera([0.06 * a.cos(), 0.06 * a.sin(), 0.03], FORWARD);
        let g = gazer(c, 45.0, pan(-150.0, 150.0));
        for height in [-0.05, 0.1, 0.2, 0.35] {
            let point = Vector3::new(0.4 * f64::cos(a / 3.0), 0.4 * f64::sin(a / 3.0), height);
            let found = g.look(point, Present::default());
            assert_eq!(found.outcome, Outcome::Reached, "{point:?}");
            assert!(residual(&c, LENGTH, point, found.bend, found.pan) < 1e-9);
        }
    }
}

/// A pitch that must reach 60 deg and is limited to 40: 20 deg remain. The point is so far away
/// that the camera's place does not matter (0.12 m / 1e6 m).
#[test]
fn the_limit_leaves_the_difference() {
    for (pan, lean) in [(None, 0.0), (pan(-100.0, 100.0), 0.9)] {
        let g = gazer(camera([0.0; 3], UPWARD), 40.0, pan);
        let point = Vector3::from(sight(g.camera(), LENGTH, bend_from(60.0 * DEG, lean), 0.0).1);
        let found = g.look(point * 1e6, Present::default());
        assert_eq!(found.outcome, Outcome::BestPossible);
        assert!((found.residual - 20.0 * DEG).abs() < 1e-6, "{found:?}");
        assert!((inclination(found.bend) - 40.0 * DEG).abs() < 1e-12);
    }
    // Below the plate, straight under a camera that looks along the normal: behind.
    let g = gazer(camera([0.0; 3], UPWARD), 40.0, None);
    let found = g.look(Vector3::new(1e6, 0.0, -1e6), Present::default());
    assert_eq!(found.outcome, Outcome::OutOfReach);
    assert!((found.residual - 95.0 * DEG).abs() < 1e-6, "{found:?}");
}

/// `R e_x = (1 - V c^2, -V s c, ..)` with `V = 1 - cos theta`: the largest azimuth is
/// `tan = V / (2 sqrt(1 - V))`, by calculus.
#[test]
fn azimuth_range_of_a_forward_camera() {
    for most in [10.0, 30.0, 45.0] {
        let g = gazer(camera([0.0; 3], FORWARD), most, None);
        let v = 1.0 - f64::cos(most * DEG);
        let expected = (v / (2.0 * (1.0 - v).sqrt())).atan();
        let (low, high) = g.azimuth_range();
        println!("{most} deg: azimuth {:.3} deg", high / DEG);
        assert!(high <= expected + 1e-12 && high > expected - 0.01 * DEG);
        assert!((low + high).abs() < 1e-12);
        // A point just inside is reached at some elevation, one outside at none.
        let turned = gazer(camera([0.0; 3], FORWARD), most, pan(-60.0, 90.0));
        let (low, high) = turned.azimuth_range();
        assert!((low + expected + 60.0 * DEG).abs() < 0.01 * DEG);
        assert!((high - expected - 90.0 * DEG).abs() < 0.01 * DEG);
    }
    let upward = gazer(camera([0.0; 3], UPWARD), 20.0, None);
    assert_eq!(upward.azimuth_range(), (-PI, PI));
    let free = gazer(camera([0.0; 3], FORWARD), 20.0, Some(FREE));
    assert_eq!(free.azimuth_range(), (-PI, PI));
}

/// With pan the image stays level: the camera's own horizontal stays horizontal, to rounding, and
/// its top up.
#[test]
fn pan_keeps_the_image_level() {
    for axis in [FORWARD, UPWARD, [0.8, 0.5, 0.2], [-0.3, 0.6, -0.4]] {
        let c = camera([0.02, -0.03, 0.04], axis);
        let g = gazer(c, 70.0, Some(FREE));
        let a = c.axis.normalize();
        let mut reached = 0;
        // The image's right in the head frame: horizontal, normal to the axis; for an axis along
        // the normal, the plate's -y, as for a camera that was pitched up from looking forward.
        let across = a.cross(&Vector3::z());
        let right = if across.norm() > 1e-9 {
            across.normalize()
        } else {
            -Vector3::y()
        };
        for spoke in 0..24 {
            let azimuth = TAU * f64::from(spoke) / 24.0;
            for height in [-0.4, 0.1, 0.5, 1.2] {
                let point = Vector3::new(azimuth.cos(), azimuth.sin(), height);
                let found = g.look(point, Present::default());
                if found.outcome != Outcome::Reached {
                    continue;
                }
                reached += 1;
                let head = withy::control::geometry::rotation(found.bend);
                assert!((head * right).z.abs() < 1e-12, "{axis:?} {found:?}");
                assert!((head * right.cross(&a)).z > -1e-12, "{axis:?} {found:?}");
            }
        }
        assert!(reached >= 24, "{axis:?}: {reached}");
    }
}

/// From 170 to -170 deg is 20 deg onward without limits, and 340 back with an end stop between.
#[test]
fn pan_goes_the_shortest_way_round() {
    let at = |deg: f64| Vector3::new(f64::cos(deg * DEG), f64::sin(deg * DEG), LENGTH);
    let near = |deg: f64| Present {
        pan: deg * DEG,
        ..Present::default()
    };
    for (limits, from, target, expected) in [
        (Some(FREE), 170.0, -170.0, 190.0),
        (Some(FREE), 1000.0, 0.0, 1080.0),
        (pan(-175.0, 175.0), 170.0, -170.0, -170.0),
        (pan(-270.0, 270.0), 170.0, -170.0, 190.0),
        (pan(-270.0, 270.0), 100.0, -80.0 - 1.0, -81.0),
        (pan(-270.0, 270.0), 100.0, -80.0 + 1.0 + 360.0, -79.0),
        (pan(90.0, 450.0), 100.0, 10.0, 370.0),
    ] {
        let g = gazer(camera([0.0; 3], FORWARD), 40.0, limits);
        let found = g.look(at(target), near(from));
        let by = (found.pan / DEG - expected).abs();
        let tie = expected == -81.0 || expected == -79.0;
        let other = (found.pan / DEG - expected - 360.0).abs();
        assert!(
            by < 1e-6 || tie && other < 1e-6,
            "{from} to {target}: {found:?}"
        );
        if tie {
            assert!((found.pan / DEG - from).abs() <= 181.0 + 1e-6);
        }
        assert_eq!(found.outcome, Outcome::Reached);
    }
}

/// Lateral bend only at a pan limit, and there as far as it helps.
#[test]
fn lateral_bend_helps_only_at_the_pan_limit() {
    let c = camera([0.0; 3], FORWARD);
    let g = gazer(c, 45.0, pan(-60.0, 60.0));
    let at = |deg: f64| Vector3::new(f64::cos(deg * DEG), f64::sin(deg * DEG), LENGTH + 0.3);
    let mut present = Present::default();
    let mut lateral = 0;
    for deg in 0..90 {
        let found = g.look(at(f64::from(deg)), present);
        if f64::from(deg) <= 59.0 {
            assert!(found.bend.y.abs() < 1e-12 && found.outcome == Outcome::Reached);
        }
        if found.bend.y.abs() > 1e-6 {
            assert!((found.pan - 60.0 * DEG).abs() < 1e-9, "{found:?}");
            // Better than without it.
            let pitch_only = (0..=900)
                .map(|k| bend_from(f64::from(k) * 0.1 * DEG - 45.0 * DEG, 0.0))
                .map(|b| residual(&c, LENGTH, at(f64::from(deg)), b, found.pan))
                .fold(f64::INFINITY, f64::min);
            assert!(found.residual < pitch_only);
            lateral += 1;
        }
        present = present_of(&found);
    }
    assert!(lateral >= 25, "{lateral}");
}

fn present_of(gaze: &Gaze) -> Present {
    Present {
        bend: gaze.bend,
        pan: gaze.pan,
    }
}

/// Minimum gain of a jump over the old pose, which is no better than the old branch, rad.
const WORTH_IT: f64 = WORTH_A_JUMP - REACHED_WITHIN;

/// Returns the gain of the new answer over the old pose at the new point, rad.
fn gain(g: &Gazer, point: Vector3<f64>, old: &Gaze, new: &Gaze) -> f64 {
    g.angle_to(point, old.bend, old.pan).unwrap() - new.residual
}

/// Follows a path in small steps, allowing jumps only with the minimum gain. Returns the largest
/// change of pose per step and the answers.
fn follow(g: &Gazer, steps: u32, path: impl Fn(f64) -> Vector3<f64>) -> (f64, Vec<Gaze>) {
    let first = g.look(path(0.0), Present::default());
    let mut all = vec![first];
    let mut largest = 0.0_f64;
    for k in 1..=steps {
        let last = all[all.len() - 1];
        let point = path(f64::from(k) / f64::from(steps));
        let found = g.look(point, present_of(&last));
        let moved = (found.bend - last.bend).norm() + (found.pan - last.pan).abs();
        if moved > 0.05 && gain(g, point, &last, &found) < WORTH_IT {
            // Steep or a jump: a hundredth of the step decides.
            let mut last = last;
            for j in 1..=100 {
                let s = (f64::from(k - 1) + f64::from(j) / 100.0) / f64::from(steps);
                let found = g.look(path(s), present_of(&last));
                let moved = (found.bend - last.bend).norm() + (found.pan - last.pan).abs();
                assert!(
                    moved < 0.05 || gain(g, path(s), &last, &found) >= WORTH_IT,
                    "{k}: {last:?} to {found:?}"
                );
                last = found;
            }
        }
        largest = largest.max(moved);
        all.push(found);
    }
    (largest, all)
}

/// Neighbouring points have neighbouring answers: circles that cross the limits and come back, full
/// turns, and lines through the straight joint. 2000 steps of at most 4 mrad each.
#[test]
fn neighbouring_points_have_neighbouring_answers() {
    let circle = |x: f64, radius: f64| {
        move |s: f64| {
            let a = TAU * s;
            Vector3::new(x, radius * a.cos(), LENGTH + radius * a.sin())
        }
    };
    let off = [0.03, -0.04, 0.05];
    let forward = gazer(camera(off, FORWARD), 30.0, Some(FREE));
    // Up to 51 deg of elevation with 30 reachable.
    for radius in [0.05, 0.15, 0.5] {
        let (largest, _) = follow(&forward, 2000, circle(0.4, radius));
        println!("forward with pan, circle of {radius} m: {largest:.4} rad a step");
        assert!(largest < 0.01, "{largest}");
    }
    // A full circle, twice: the pan turns on.
    let (largest, all) = follow(&forward, 4000, |s| {
        let a = 2.0 * TAU * s;
        Vector3::new(0.5 * a.cos(), 0.5 * a.sin(), LENGTH + 0.2 * (3.0 * a).sin())
    });
    assert!(largest < 0.02, "{largest}");
    assert!((all[4000].pan - all[0].pan - 2.0 * TAU).abs() < 1e-6);
    // Past both pan limits and back, above the level: there lateral bend replaces pan, steeply but
    // without a jump.
    let limited = gazer(camera(off, FORWARD), 35.0, pan(-60.0, 60.0));
    let sweep = |s: f64| {
        let a = 1.4 * (TAU * s).sin();
        Vector3::new(0.8 * a.cos(), 0.8 * a.sin(), LENGTH + 0.3)
    };
    let (largest, all) = follow(&limited, 8000, sweep);
    println!("past the pan limits: {largest:.4} rad a step");
    assert!(largest < 0.03, "{largest}");
    let stopped = all.iter().filter(|f| f.outcome == Outcome::BestPossible);
    assert!(stopped.count() > 1000);
    // A camera along the normal without pan: a full circle, through the straight joint, over the
    // limit.
    let upward = gazer(camera(off, UPWARD), 35.0, None);
    for radius in [0.05, 0.2, 0.6] {
        let path = |s: f64| {
            let a = TAU * s;
            Vector3::new(radius * a.cos(), radius * a.sin(), LENGTH + 0.4)
        };
        let (largest, _) = follow(&upward, 2000, path);
        println!("along the normal, circle of {radius} m: {largest:.4} rad a step");
        assert!(largest < 0.01, "{largest}");
    }
    for side in [0.0, 0.01, 0.3] {
        let line = |s: f64| Vector3::new(1.2 * (s - 0.5), side, LENGTH + 0.4);
        let (largest, _) = follow(&upward, 2000, line);
        assert!(largest < 0.01, "{largest}");
    }
    // A forward camera without pan, inside its few degrees at one elevation.
    let fixed = gazer(camera([0.0; 3], FORWARD), 40.0, None);
    let line = |s: f64| Vector3::new(1.0, 0.06 * (s - 0.5), LENGTH + 0.5);
    let (largest, all) = follow(&fixed, 2000, line);
    assert!(all.iter().all(|f| f.outcome == Outcome::Reached));
    assert!(largest < 0.01, "{largest}");
    // Through its level with a point beside: changes sides once each way, as a real jump of the
    // smallest angle.
    let wave = |s: f64| Vector3::new(1.0, 0.1, LENGTH + 0.2 * (TAU * s).cos());
    let (_, all) = follow(&fixed, 4000, wave);
    let jumps = all
        .windows(2)
        .filter(|w| (w[1].bend - w[0].bend).norm() > 0.05)
        .count();
    println!("point beside a forward camera without pan: {jumps} changes of side");
    assert!(jumps <= 2, "{jumps}");
}

/// Points at singular places: finite answers, pan kept where it has no effect.
#[test]
fn singular_points_have_answers() {
    let present = Present {
        bend: bend_from(0.1, 0.4),
        pan: 0.7,
    };
    for axis in [FORWARD, UPWARD] {
        for limits in [None, pan(-170.0, 170.0)] {
            for nearest in [0.0, 0.05] {
                let c = Camera {
                    nearest,
                    ..camera([0.0; 3], axis)
                };
                let g = gazer(c, 60.0, limits);
                let straight = Vector3::new(0.0, 0.0, LENGTH);
                for point in [
                    Vector3::zeros(),
                    straight,
                    straight * 2.0,
                    straight * 1e3,
                    -straight,
                    straight + Vector3::new(1e-12, 0.0, 0.0),
                    straight + Vector3::new(0.0, 1e-300, 1e-9),
                    sight(&c, LENGTH, present.bend, present.pan).0,
                    Vector3::new(f64::MAX, -f64::MAX, f64::MAX),
                    Vector3::from_element(f64::MIN_POSITIVE),
                ] {
                    for from in [Present::default(), present] {
                        let found = g.look(point, from);
                        assert!(
                            found.residual.is_finite()
                                && found.pan.is_finite()
                                && found.bend.iter().all(|x| x.is_finite()),
                            "{point:?}: {found:?}"
                        );
                        assert!(inclination(found.bend) <= 60.0 * DEG * (1.0 + 1e-12));
                    }
                }
            }
        }
    }
    // Straight up from a turned base with the axis along the normal: any pan fits, the present one
    // stays.
    let g = gazer(camera([0.0; 3], UPWARD), 60.0, pan(-170.0, 170.0));
    let found = g.look(Vector3::new(0.0, 0.0, 2.0), present);
    assert_eq!(found.outcome, Outcome::Reached);
    assert!(found.bend.norm() < 1e-6, "{found:?}");
}

/// A point that cannot be seen leaves the joint where it is, within its limits.
#[test]
fn out_of_reach_stays() {
    let g = gazer(camera([0.0; 3], FORWARD), 30.0, None);
    let present = Present {
        bend: bend_from(0.2, -1.0),
        pan: 0.0,
    };
    // Straight in front of the camera, but closer than 50 mm.
    let blind = g.look(Vector3::new(0.03, 0.0, LENGTH), present);
    for found in [
        blind,
        g.look(Vector3::new(f64::NAN, 0.0, 1.0), present),
        g.look(Vector3::new(0.0, f64::INFINITY, 1.0), present),
    ] {
        assert_eq!(found.outcome, Outcome::OutOfReach);
        assert_eq!((found.bend, found.pan), (present.bend, 0.0));
    }
    let point = Vector3::new(f64::NAN, 0.0, 1.0);
    assert_eq!(g.look(point, present).residual, PI);
    let odd = Present {
        bend: Bend::new(f64::NAN, 9.0),
        pan: f64::NAN,
    };
    let found = g.look(Vector3::new(1.0, 0.0, LENGTH), odd);
    assert_eq!(found.outcome, Outcome::Reached);
    assert_eq!(
        g.angle_to(Vector3::new(0.0, 0.0, LENGTH), Bend::zeros(), 0.0),
        None
    );
}

/// One sentence: the value and the accepted ones.
#[test]
fn refusals_name_value_and_range() {
    let c = Camera::default();
    let far = camera([0.0, 11.0, 0.0], FORWARD);
    let nan = camera([0.0, 0.0, f64::NAN], FORWARD);
    let blind = Camera { nearest: -0.1, ..c };
    let none = camera([0.0; 3], [0.0; 3]);
    let said = |made: Result<Gazer, GazeError>| made.unwrap_err().to_string();
    assert_eq!(
        said(Gazer::new(0.0, 0.5, c, None)),
        "the beam length is 0; accepted: a length above 0 and up to 10 m"
    );
    assert_eq!(
        said(Gazer::new(0.1, PI, c, None)),
        format!("the largest inclination is {PI}; accepted: an angle above 0 and below pi rad")
    );
    assert!(Gazer::new(f64::NAN, 0.5, c, None).is_err());
    assert!(Gazer::new(0.1, f64::NAN, c, None).is_err());
    assert_eq!(
        said(Gazer::new(0.1, 0.5, far, None)),
        "the camera's y is 11; accepted: -10 to 10 m"
    );
    assert!(said(Gazer::new(0.1, 0.5, nan, None)).starts_with("the camera's z is NaN"));
    assert_eq!(
        said(Gazer::new(0.1, 0.5, blind, None)),
        "the camera's nearest distance is -0.1; accepted: 0 to 10 m"
    );
    assert_eq!(
        said(Gazer::new(0.1, 0.5, none, None)),
        "the camera's axis is [0, 0, 0]; accepted: a direction of finite numbers, not all zero"
    );
    for (low, high) in [(0.5, 0.4), (f64::NAN, 1.0), (f64::INFINITY, f64::INFINITY)] {
        let limits = Some(PanLimits { low, high });
        assert_eq!(
            said(Gazer::new(0.1, 0.5, c, limits)),
            format!(
                "the pan limits are {low} to {high} rad; accepted: a low limit not above the high \
                 one"
            )
        );
    }
}

/// Nothing is allocated in a search, the hardest one included.
#[test]
fn a_search_allocates_nothing() {
    let g = gazer(camera([0.06, 0.0, 0.02], FORWARD), 40.0, pan(-60.0, 60.0));
    let mut sum = 0.0;
    let made = allocation_counter::measure(|| {
        for k in 0..50 {
            let a = f64::from(k) * 0.13;
            let point = Vector3::new(a.cos(), a.sin(), 0.8 * (2.0 * a).sin());
            sum += g.look(point, Present::default()).residual;
        }
    });
    assert!(sum > 0.0);
    assert_eq!(made.count_total, 0);
}

fn any_camera() -> impl Strategy<Value = Camera> {
    let axis = prop_oneof![
        Just(Vector3::x()),
        Just(Vector3::z()),
        [-1.0..1.0, -1.0..1.0, -1.0..1.0_f64]
            .prop_map(Vector3::from)
            .prop_filter("a direction", |v| v.norm() > 1e-3),
    ];
    ([-0.08..0.08, -0.08..0.08, -0.08..0.08_f64], axis).prop_map(|(position, axis)| Camera {
        position: position.into(),
        axis,
        nearest: 0.02,
    })
}

fn config() -> ProptestConfig {
    ProptestConfig {
        cases: 400,
        rng_seed: RngSeed::Fixed(0x5ee),
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}

proptest! {
    #![proptest_config(config())]

    /// A point on the axis of a pose inside the limits is reached, from any present pose.
    #[test]
    fn what_can_be_seen_is_reached(
        c in any_camera(), theta in 0.0..0.75_f64, phi in -PI..PI, d in 0.25..5.0_f64,
        from in 0.0..0.8_f64, from_phi in -PI..PI,
    ) {
        let g = Gazer::new(LENGTH, 0.8, c, None).unwrap();
        let (place, axis) = sight(&c, LENGTH, bend_from(theta, phi), 0.0);
        let point = place + axis * d;
        let present = Present { bend: bend_from(from, from_phi), pan: 0.0 };
        let found = g.look(point, present);
        prop_assert_eq!(found.outcome, Outcome::Reached);
        prop_assert!(residual(&c, LENGTH, point, found.bend, 0.0) <= REACHED_WITHIN * 1.001);
        // A second search from there stays there.
        let again = g.look(point, present_of(&found));
        prop_assert!((again.bend - found.bend).norm() < 1e-3);
    }

    /// Finite, inside the limits and reported truly, for any point; never worse than staying.
    #[test]
    fn answers_are_finite_and_never_worse_than_staying(
        c in any_camera(), point in [-1.0..1.0, -1.0..1.0, -1.0..1.0_f64], scale in -12..9_i32,
        from in 0.0..0.8_f64, from_phi in -PI..PI, pan in -4.0..4.0_f64, low in -3.0..0.0_f64,
        high in 0.0..3.0_f64, turns in any::<bool>(),
    ) {
        let limits = turns.then_some(PanLimits { low, high });
        let g = Gazer::new(LENGTH, 0.8, c, limits).unwrap();
        let point = Vector3::from(point) * 10_f64.powi(scale);
        let found = g.look(point, Present { bend: bend_from(from, from_phi), pan });
        prop_assert!(inclination(found.bend) <= 0.8 * (1.0 + 1e-12));
        let (low, high) = if turns { (low, high) } else { (0.0, 0.0) };
        prop_assert!(low <= found.pan && found.pan <= high);
        prop_assert!((0.0..=PI).contains(&found.residual));
        if !turns && found.outcome != Outcome::OutOfReach {
            let stay = g.angle_to(point, bend_from(from, from_phi), 0.0).unwrap();
            prop_assert!(found.residual <= stay + WORTH_A_JUMP);
        }
    }

    /// The whole scene rotated about z by the pan's own axis: same bend, pan rotated with it.
    #[test]
    fn turning_the_scene_turns_the_pan(
        c in any_camera(),
        azimuth in -PI..PI,
        height in -0.2..0.6_f64,
        d in 0.5..3.0_f64,
        by in -3.0..3.0_f64,
    ) {
        let g = Gazer::new(LENGTH, 0.8, c, Some(FREE)).unwrap();
        let at = |a: f64| Vector3::new(d * a.cos(), d * a.sin(), height);
        let one = g.look(at(azimuth), Present::default());
        let two = g.look(at(azimuth + by), Present { bend: Bend::zeros(), pan: by });
        prop_assert!((one.residual - two.residual).abs() < 1e-7 + WORTH_A_JUMP);
        if one.outcome == Outcome::Reached {
            prop_assert!((one.bend - two.bend).norm() < 1e-6, "{:?} {:?}", one, two);
            prop_assert!((two.pan - one.pan - by).abs() < 1e-6, "{:?} {:?}", one, two);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, ..config() })]

    /// Along a line past any camera the pose changes without a jump, except for those with the
    /// minimum gain.
    #[test]
    fn lines_past_any_camera_jump_only_for_a_gain(
        c in any_camera(), from in [0.3..1.0, -0.8..0.8, -0.3..0.6_f64],
        to in [0.3..1.0, -0.8..0.8, -0.3..0.6_f64], most in 10.0..60.0_f64, turns in any::<bool>(),
    ) {
        let g = gazer(c, most, if turns { pan(-100.0, 100.0) } else { None });
        let (from, to) = (Vector3::from(from), Vector3::from(to));
        follow(&g, 150, |s| from + (to - from) * s);
    }
}

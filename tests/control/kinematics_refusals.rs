//! Invalid routings, each refused in one sentence.

use std::f64::consts::PI;
use withy::control::kinematics::{Kinematics, MAX_TENDONS, Motor, Routing, RoutingError, Tendon};

/// Straight-running tendons at these angles, and their motors.
fn regular(angles_deg: &[f64], discs: usize) -> Routing {
    let tendon = |angle_deg: &f64| Tendon {
        base_angle: angle_deg.to_radians(),
        base_radius: 0.03,
        head_angle: angle_deg.to_radians(),
        head_radius: 0.03,
        base_offset: 0.0,
        head_offset: 0.0,
        disc_radius: None,
        stiffness: 8e3,
        pretension: 6.0,
    };
    let motor = Motor {
        ratio: 1.0,
        drum_radius: 0.008,
        tendon_thickness: 0.001,
        sign: 1.0,
    };
    Routing {
        length: 0.12,
        discs,
        max_inclination: 60_f64.to_radians(),
        tendons: angles_deg.iter().map(tendon).collect(),
        motors: vec![motor; angles_deg.len()],
    }
}

#[test]
fn bad_routings_are_refused_in_one_sentence() {
    let refused = |r: Routing| {
        let error = Kinematics::new(r).unwrap_err();
        let text = error.to_string();
        assert!(!text.contains('\n') && text.len() < 260, "{text}");
        (error, text)
    };
    let good = || regular(&[0.0, 120.0, 240.0], 2);
    assert!(Kinematics::new(good()).is_ok());

    let (e, _) = refused(regular(&[0.0, 180.0], 2));
    assert_eq!(e, RoutingError::TendonCount { given: 2 });
    let (e, _) = refused(regular(&vec![0.0; MAX_TENDONS + 1], 2));
    assert!(matches!(e, RoutingError::TendonCount { .. }));
    let mut r = good();
    r.motors.pop();
    assert!(matches!(
        refused(r).0,
        RoutingError::MotorCount {
            motors: 2,
            tendons: 3
        }
    ));

    // All on one side; exactly half a turn free; on one line; in one place.
    let (e, text) = refused(regular(&[0.0, 40.0, 100.0], 2));
    assert!(
        matches!(e, RoutingError::Gap { .. }) && text.contains("260.0 deg"),
        "{text}"
    );
    let (e, _) = refused(regular(&[0.0, 90.0, 180.0], 2));
    assert!(matches!(e, RoutingError::Gap { .. }));
    let (e, _) = refused(regular(&[0.0, 180.0, 180.0], 2));
    assert!(matches!(e, RoutingError::OneDirection { .. }));
    let (e, _) = refused(regular(&[30.0, 30.0, 30.0], 2));
    assert!(matches!(e, RoutingError::OneDirection { .. }));
    // A gap of 175 deg can be held.
    assert!(Kinematics::new(regular(&[0.0, 92.0, 185.0], 50)).is_ok());

    // Head anchors on the base anchors.
    let mut r = good();
    r.discs = 0;
    r.tendons[1].head_offset = -r.length;
    assert!(matches!(
        refused(r).0,
        RoutingError::NoLength { tendon: 2, .. }
    ));

    type Spoil = fn(&mut Routing, f64);
    let sizes: [(&str, Spoil, &[f64]); 13] = [
        ("beam length", |r, v| r.length = v, &[0.0, -0.1]),
        (
            "largest inclination",
            |r, v| r.max_inclination = v,
            &[0.0, -1.0, PI],
        ),
        (
            "base angle of tendon 2",
            |r, v| r.tendons[1].base_angle = v,
            &[],
        ),
        (
            "head angle of tendon 2",
            |r, v| r.tendons[1].head_angle = v,
            &[],
        ),
        (
            "base offset of tendon 2",
            |r, v| r.tendons[1].base_offset = v,
            &[],
        ),
        (
            "head offset of tendon 2",
            |r, v| r.tendons[1].head_offset = v,
            &[],
        ),
        (
            "base radius of tendon 2",
            |r, v| r.tendons[1].base_radius = v,
            &[0.0, -0.03],
        ),
        (
            "head radius of tendon 2",
            |r, v| r.tendons[1].head_radius = v,
            &[0.0],
        ),
        (
            "disc radius of tendon 2",
            |r, v| r.tendons[1].disc_radius = Some(v),
            &[0.0],
        ),
        (
            "stiffness of tendon 2",
            |r, v| r.tendons[1].stiffness = v,
            &[0.0, -1.0],
        ),
        (
            "pretension of tendon 2",
            |r, v| r.tendons[1].pretension = v,
            &[0.0, -1.0],
        ),
        (
            "gear ratio of tendon 2",
            |r, v| r.motors[1].ratio = v,
            &[0.0, -1.0],
        ),
        (
            "drum radius of tendon 2",
            |r, v| r.motors[1].drum_radius = v,
            &[0.0],
        ),
    ];
    for (what, spoil, values) in sizes {
        for v in values.iter().chain(&[f64::NAN, f64::INFINITY]) {
            let mut r = good();
            spoil(&mut r, *v);
            let (_, text) = refused(r);
            assert!(
                text.starts_with(&format!("the {what} is {v}; accepted: ")),
                "{text}"
            );
        }
    }
    let mut r = good();
    r.motors[0].sign = 0.5;
    assert_eq!(
        refused(r).1,
        "the sign of tendon 1 is 0.5; accepted: 1 or -1"
    );
    let mut r = good();
    r.motors[0].tendon_thickness = -1e-3;
    refused(r);
}

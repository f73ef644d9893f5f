//! Which configuration a target becomes, and what is left over.

use std::f64::consts::PI;

use nalgebra::{UnitQuaternion, Vector3};
use withy::control::aim::{Aim, Target};
use withy::control::gaze::{Outcome, PanLimits};
use withy::control::geometry::{Bend, Configuration, configuration, orientation, rotation};

fn pose(twist: f64, bend: Bend) -> Target {
    Target::Pose(UnitQuaternion::from_rotation_matrix(&orientation(
        twist, bend,
    )))
}

#[test]
fn twist_goes_to_the_pan_the_shortest_way_round() {
    let limits = PanLimits {
        low: -3.5,
        high: 3.5,
    };
    let aim = Aim::new(None, Some(limits), 0.7);
    let bend = Bend::new(0.3, -0.1);
    for (twist, present, pan) in [
        (0.4, 0.0, 0.4),
        // Beyond half a turn, in both directions.
        (-PI + 0.1, 3.0, PI + 0.1),
        (PI - 0.1, -3.0, -PI - 0.1),
        // The short turn exceeds the limit, so the long one is used.
        (-PI + 0.5, 3.0, -PI + 0.5),
    ] {
        let present = configuration(Bend::zeros(), present);
        let aimed = aim.solve(&pose(twist, bend), present).unwrap();
        assert!(
            (aimed.configuration - configuration(bend, pan)).norm() < 1e-9,
            "{aimed:?}"
        );
        assert_eq!(aimed.outcome, Outcome::Reached);
    }
}

#[test]
fn what_cannot_be_done_is_left_over() {
    let present = Configuration::zeros();
    let bend = Bend::new(0.3, -0.1);
    // Without a pan motor, the whole yaw remains.
    let aim = Aim::new(None, None, 0.7);
    let aimed = aim.solve(&pose(0.4, bend), present).unwrap();
    assert!((aimed.configuration - configuration(bend, 0.0)).norm() < 1e-9);
    assert!((aimed.residual - 0.4).abs() < 1e-9);
    assert_eq!(aimed.outcome, Outcome::BestPossible);
    // At a pan limit, the rest of the yaw remains.
    let limits = PanLimits {
        low: -0.3,
        high: 0.25,
    };
    let aim = Aim::new(None, Some(limits), 0.7);
    let aimed = aim.solve(&pose(0.4, bend), present).unwrap();
    assert!((aimed.configuration.z - 0.25).abs() < 1e-12 && (aimed.residual - 0.15).abs() < 1e-9);
    // A bend beyond the limit is shortened and keeps its direction.
    let aimed = aim.solve(&pose(0.0, bend * 4.0), present).unwrap();
    assert!((aimed.configuration.xy() - bend.normalize() * 0.7).norm() < 1e-9);
    assert!((aimed.residual - (4.0 * bend.norm() - 0.7)).abs() < 1e-9);
    // A point without a camera.
    assert_eq!(aim.solve(&Target::Point(Vector3::x()), present), None);
    assert_eq!(aim.residual(&Target::Point(Vector3::x()), present), None);
    let asked = UnitQuaternion::from_rotation_matrix(&rotation(bend));
    let nan = configuration(Bend::new(f64::NAN, 0.0), 0.0);
    assert_eq!(aim.residual(&Target::Pose(asked), nan), None);
}

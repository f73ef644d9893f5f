//! Tendon kinematics against closed forms, differences and an independent computation.

use nalgebra::Vector2;
use withy::geometry::{Bend, bend_from};
use withy::kinematics::{Kinematics, Motor, Routing, Tendon};

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

#[test]
fn inverse_smoke() {
    for k in [0, 3] {
        let r = routing([10.0, 130.0, 250.0].map(|a| tendon(a, 0.03)).to_vec(), k);
        let kin = Kinematics::new(r).unwrap();
        let mut q = [0.0; 3];
        for theta in [0.0, 1e-12, 1e-9, 0.1, 0.5, 1.0] {
            for spoke in 0..24 {
                let b = bend_from(theta, spoke as f64 * 0.3);
                kin.motor_angles(b, &mut q);
                let fix = kin.bend_from_motors(&q, Bend::zeros());
                assert!((fix.bend - b).norm() < 1e-12, "{b:?} {fix:?}");
                assert!(fix.converged && fix.determined && fix.slack == 0, "{fix:?}");
            }
        }
        let mut j = [Vector2::zeros(); 3];
        kin.jacobian(bend_from(0.3, 1.0), &mut j);
        println!("{:?} {:?}", j, kin.balanced_tensions());
    }
}

//! Looking at things in closed loop, on virtual time: the shipped files' joint on a pan motor against the simulated joint.

mod common;

use common::{Loop, Neck, PAYLOADS};
use nalgebra::Vector3;
use withy::aim::{Aim, Aimed, Target};
use withy::gaze::{Camera, Outcome};
use withy::geometry::posture;

/// Angle between the camera's true optical axis and the true line of sight, deg.
fn true_angle(closed: &Loop, camera: &Camera, point: Vector3<f64>) -> f64 {
    let truth = closed.plant.truth();
    let place = truth.position + truth.attitude * camera.position;
    let axis = truth.attitude * camera.axis;
    axis.angle(&(point - place)).to_degrees()
}

fn look(closed: &mut Loop, aim: &Aim, point: Vector3<f64>) -> Aimed {
    let present = posture(closed.out.reference, closed.out.reference_pan);
    let aimed = aim.solve(&Target::Point(point), present).expect("a camera");
    closed.command_posture(aimed.posture);
    aimed
}

/// Mean of the true angle over the last half second of a run of `seconds`, deg.
fn held(closed: &mut Loop, camera: &Camera, point: Vector3<f64>, seconds: f64) -> f64 {
    closed.run(seconds - 0.5);
    let ticks = 100;
    let sum: f64 = (0..ticks)
        .map(|_| {
            closed.step();
            true_angle(closed, camera, point)
        })
        .sum();
    sum / f64::from(ticks)
}

#[test]
fn the_axis_goes_through_the_point_at_every_payload() {
    let neck = Neck::pan();
    let camera = *neck.file.gazer.as_ref().expect("a camera").camera();
    let aim = neck.file.aim();
    let mut worst = 0.0_f64;
    for payload in 0..PAYLOADS.len() {
        let mut closed = neck.ready("any-payload", payload);
        for (k, distance) in [0.4, 0.4, 0.4, 0.4, 1.0, 1.5, 2.5, 0.4]
            .into_iter()
            .enumerate()
        {
            let azimuth = (-150.0 + 41.0 * k as f64).to_radians();
            let elevation =
                [-35.0_f64, -20.0, 12.0, 25.0, -30.0, -12.0, 20.0, -8.0][k].to_radians();
            let point = Vector3::new(
                distance * elevation.cos() * azimuth.cos(),
                distance * elevation.cos() * azimuth.sin(),
                0.15 + distance * elevation.sin(),
            );
            let aimed = look(&mut closed, &aim, point);
            let angle = held(&mut closed, &camera, point, 4.0);
            println!(
                "payload {payload} {k}: bend {:.1} pan {:.1} residual {:.3} {:?} true {angle:.3} settled {}",
                aimed.posture.xy().norm().to_degrees(),
                aimed.posture.z.to_degrees(),
                aimed.residual.to_degrees(),
                aimed.outcome,
                closed.out.settled
            );
            if aimed.outcome == Outcome::Reached && aimed.posture.xy().norm() >= 5f64.to_radians() {
                worst = worst.max(angle);
            }
        }
    }
    println!("worst {worst:.3} deg");
    assert!(worst < 0.5);
}

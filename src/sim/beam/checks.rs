//! Checks of the mechanics against closed forms and conservation laws.

use super::coordinates::{COORDINATES, Coordinates};
use super::rod::{Foot, Rod};
use super::*;

/// A joint bent in space: all coordinates in use, tendons taut, gravity oblique.
fn rod(retardation: f64) -> Rod {
    let joint = JointDescription {
        retardation,
        air_drag: 0.0,
        head_mass: 0.3,
        head_height: 0.05,
        head_inertia: [4e-4, 3e-4, 2e-4],
        ..JointDescription::glasshouse()
    };
    let still = Vector3::zeros();
    let foot = Foot {
        omega: still,
        alpha: still,
        velocity: still,
        acceleration: still,
        gravity: Vector3::new(2.0, -1.0, -9.0),
    };
    let mut rod = Rod::new(&joint, joint.tendons.iter().map(run).collect(), foot).unwrap();
    for run in &mut rod.runs {
        run.pretension = 30.0;
    }
    rod.q = Coordinates::from([0.5, 0.2, -0.1, -0.7, 0.15, 0.08]);
    rod.update();
    rod
}

/// The generalised force at rest is minus the gradient of the energy (central differences,
/// 1e-6 rad).
#[test]
fn force_is_the_gradient_of_the_energy() {
    let base = rod(0.0);
    let force = base.force_at_rest();
    for c in 0..COORDINATES {
        let energy = |offset: f64| {
            let mut moved = base.clone();
            moved.q[c] += offset;
            moved.update();
            moved.energy()
        };
        let slope = (energy(1e-6) - energy(-1e-6)) / 2e-6;
        assert!(
            (force[c] + slope).abs() < 1e-6,
            "coordinate {c}: {} against {}",
            force[c],
            -slope
        );
    }
}

/// Without damping the energy of a large spatial oscillation is conserved, which requires the
/// correct velocity-dependent inertia. The loss belongs to the method and is of first order in the
/// step. At a step of zero (Richardson's extrapolation) none remains.
#[test]
fn undamped_swing_conserves_energy() {
    let loss = |dt: f64| {
        let mut swinging = rod(0.0);
        // Constant curvature: the stiff shapes, which the method damps first, take little part.
        swinging.q = Coordinates::from([0.3, 0.0, 0.0, -0.4, 0.0, 0.0]);
        swinging.update();
        let resting = swinging.energy();
        swinging.v = Coordinates::from([6.0, 0.0, 0.0, 8.0, 0.0, 0.0]);
        swinging.update();
        let start = swinging.energy();
        let kinetic = start - resting;
        for _ in 0..(0.3 / dt).round() as usize {
            swinging.step(dt);
        }
        (start - swinging.energy()) / kinetic
    };
    let (coarse, fine) = (loss(4e-6), loss(1e-6));
    println!("share of the kinetic energy lost in 0.3 s: {coarse:.2e} at 4 us, {fine:.2e} at 1 us");
    let limit = (4.0 * fine - coarse) / 3.0;
    assert!(limit.abs() < 1e-3, "{limit} left at a step of zero");
}

/// Constant curvature is exact: (L/theta) (1 - cos theta, sin theta) and a turn by theta (plane
/// geometry of an arc), also at zero.
#[test]
fn constant_curvature_is_an_arc() {
    for theta in [0.0, 1e-9, 0.3, 1.5, 3.0_f64] {
        let mut arc = rod(0.0);
        let (sin, cos) = 0.7f64.sin_cos();
        arc.q = Coordinates::from([theta * cos, 0.0, 0.0, theta * sin, 0.0, 0.0]);
        arc.update();
        let l = JointDescription::glasshouse().length;
        let (aside, along) = if theta < 1e-6 {
            (0.5 * theta * l, l)
        } else {
            (l * (1.0 - theta.cos()) / theta, l * theta.sin() / theta)
        };
        let expected = Vector3::new(aside * cos, aside * sin, along);
        assert!((arc.position() - expected).norm() < 1e-9, "{theta}");
        let bend = lean(arc.rotation());
        assert!(
            (bend - Vector2::new(theta * cos, theta * sin)).norm() < 1e-8,
            "{theta}: {bend}"
        );
    }
}

/// The rate of the frames is the angular velocity, and the accelerations at q'' = 0 are its
/// derivatives (central differences).
#[test]
fn velocities_and_accelerations_follow_the_frames() {
    let mut moving = rod(0.0);
    moving.v = Coordinates::from([2.0, 0.5, -0.3, 3.0, -0.8, 0.4]);
    moving.update();
    let at = |t: f64| {
        let mut other = moving.clone();
        other.q += other.v * t;
        other.update();
        other
    };
    let (t, before, after) = (1e-4, at(-1e-4), at(1e-4));
    let turned = (after.rotation() - before.rotation()) / (2.0 * t);
    let skew = turned * moving.rotation().transpose();
    let omega = Vector3::new(skew[(2, 1)], skew[(0, 2)], skew[(1, 0)]);
    assert!((omega - moving.omega()).norm() < 1e-5);
    let acceleration = (after.position() - moving.position() * 2.0 + before.position()) / (t * t);
    let (linear, angular) = moving.end_acceleration();
    let scale = acceleration.norm();
    assert!(
        (linear - acceleration).norm() < 2e-3 * scale,
        "{linear} against {acceleration}"
    );
    let alpha = (after.omega() - before.omega()) / (2.0 * t);
    assert!(
        (angular - alpha).norm() < 2e-3 * alpha.norm().max(1.0),
        "{angular} against {alpha}"
    );
}

/// On a foot that turns and accelerates, the accelerations are those in the world: second
/// differences of the end's position and differences of its angular velocity there.
#[test]
fn accelerations_on_a_moving_foot_are_those_in_the_world() {
    let mut moving = rod(0.0);
    moving.v = Coordinates::from([2.0, 0.5, -0.3, 3.0, -0.8, 0.4]);
    let axis = Vector3::new(0.48, -0.6, 0.64);
    let (rate, change) = (3.0, 20.0);
    let carried = Vector3::new(4.0, -2.0, 5.0);
    let at = |t: f64| {
        let mut other = moving.clone();
        other.q += other.v * t;
        other.foot.omega = axis * (rate + change * t);
        other.foot.alpha = axis * change;
        other.foot.acceleration = carried;
        other.update();
        let turned = Rotation3::new(axis * (rate * t + 0.5 * change * t * t));
        let place = turned * other.position() + carried * (0.5 * t * t);
        (place, turned * other.omega(), other)
    };
    let t = 1e-4;
    let (before, now, after) = (at(-t), at(0.0), at(t));
    let (linear, angular) = now.2.end_acceleration();
    let acceleration = (after.0 - now.0 * 2.0 + before.0) / (t * t);
    let alpha = (after.1 - before.1) / (2.0 * t);
    assert!((linear - acceleration).norm() < 2e-3 * acceleration.norm());
    assert!((angular - alpha).norm() < 2e-3 * alpha.norm());
    // The foot's part is not small compared with the beam's own.
    let (still, _) = {
        let mut still = moving.clone();
        still.update();
        still.end_acceleration()
    };
    assert!((linear - still).norm() > 0.3 * still.norm());
}

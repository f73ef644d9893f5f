//! Joints of any number of tendons, and inputs that keep them busy.

use super::Neck;
use nalgebra::Vector3;
use withy::geometry::{Bend, attitude, bend_from, posture};
use withy::kinematics::Kinematics;
use withy::tick::{Desired, ImuSample, Input, Joint, Law, MotorLimits, MotorSample};

/// The glasshouse neck with `tendons` tendons, and its any-payload law with a fractional integral and
/// derivative on every motor.
pub fn neck_of(tendons: usize) -> (Joint, Law) {
    let neck = Neck::position();
    let mut routing = neck.file.joint.kinematics.routing().clone();
    let (tendon, motor) = (routing.tendons[0], routing.motors[0]);
    routing.motors = vec![motor; tendons];
    routing.tendons = (0..tendons)
        .map(|i| {
            let angle = 0.35 + std::f64::consts::TAU * i as f64 / tendons as f64;
            withy::kinematics::Tendon {
                base_angle: angle,
                head_angle: angle,
                ..tendon
            }
        })
        .collect();
    let kinematics = Kinematics::new(routing).expect("evenly spaced tendons balance");
    let joint = Joint {
        kinematics,
        ..neck.file.joint.clone()
    };
    let mut limits = neck.file.limits.clone();
    let limit: MotorLimits = limits.motors[0];
    limits.motors = vec![limit; tendons];
    let mut gains = neck.gains("pid").clone();
    let mut motor_gains = gains.motors[0];
    motor_gains.integral_order = 1.15;
    gains.motors = vec![motor_gains; tendons];
    let law = Law::new(&joint, &gains, &limits, neck.file.feedback).expect("a sound law");
    (joint, law)
}

/// What sensors and commands say at tick `k`: a swaying head, a new target now and then.
pub fn busy(joint: &Joint, input: &mut Input, angles: &mut [f64], k: u64) -> f64 {
    let now = k as f64 * joint.period;
    let bend = bend_from(0.2 + 0.1 * (2.0 * now).sin(), 0.7 * now);
    joint.kinematics.motor_angles(bend, angles);
    for (slot, angle) in input.motors.iter_mut().zip(angles) {
        *slot = Some(MotorSample {
            angle: *angle,
            stamp: now,
            received: now,
        });
    }
    input.head = Some(ImuSample {
        gravity: attitude(0.3, bend).inverse() * Vector3::new(0.0, 0.0, -1.0),
        angular_velocity: Vector3::new(0.1, -0.2, 0.0),
        stamp: now,
        received: now,
    });
    if k % 100 == 50 {
        let bend = Bend::new(0.3 * now.sin(), 0.2);
        input.desired = Some(Desired {
            posture: posture(bend, 0.0),
            command: k,
            sequence: k,
            ..Desired::default()
        });
    }
    now
}

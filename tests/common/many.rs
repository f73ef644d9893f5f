//! Joints of any number of tendons, and inputs that keep them moving.

use super::Neck;
use nalgebra::Vector3;
use withy::control::geometry::{Bend, bend_from, configuration, orientation};
use withy::control::kinematics::Kinematics;
use withy::control::tick::{
    Desired, ImuSample, Input, Joint, Law, MotorLimits, MotorSample, Reaction, Rule,
};
use withy::control::track::Track;

/// Returns the glasshouse neck with `tendons` tendons, and its any-payload law with a fractional
/// integral and derivative on every motor.
/// derivative on every motor.
pub fn neck_of(tendons: usize) -> (Joint, Law) {
    of(Neck::position(), tendons)
}

/// Returns the same on a pan motor, with an IMU on its base.
pub fn panned_neck_of(tendons: usize) -> (Joint, Law) {
    of(Neck::pan(), tendons)
}

fn of(neck: Neck, tendons: usize) -> (Joint, Law) {
    let mut routing = neck.file.joint.kinematics.routing().clone();
    let (tendon, motor) = (routing.tendons[0], routing.motors[0]);
    routing.motors = vec![motor; tendons];
    routing.tendons = (0..tendons)
        .map(|i| {
            let angle = 0.35 + std::f64::consts::TAU * i as f64 / tendons as f64;
            withy::control::kinematics::Tendon {
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
    // The inputs follow no setpoint, so rules would trip.
    for rule in Rule::ALL {
        limits.supervision.guard_mut(rule).reaction = Reaction::Warn;
    }
    let mut gains = neck.gains("pid").clone();
    let mut motor_gains = gains.motors[0];
    motor_gains.integral_order = 1.15;
    gains.motors = vec![motor_gains; tendons];
    let law = Law::new(&joint, &gains, &limits, neck.file.feedback).expect("a sound law");
    (joint, law)
}

/// Inputs that keep a joint moving.
pub struct Busy {
    angles: Vec<f64>,
    track: Track,
}

impl Busy {
    pub fn new(joint: &Joint) -> Self {
        Self {
            angles: vec![0.0; joint.motors()],
            track: Track::new(),
        }
    }

    /// Writes sensor samples and commands of cycle `k`, and returns its time: a swaying head, a new
    /// target now and then. On a pan motor also a swaying base, and a stream of targets whose
    /// motion is known.
    pub fn at(&mut self, joint: &Joint, input: &mut Input, k: u64) -> f64 {
        let now = k as f64 * joint.period;
        let bend = bend_from(0.2 + 0.1 * (2.0 * now).sin(), 0.7 * now);
        joint.kinematics.motor_angles(bend, &mut self.angles);
        for (slot, angle) in input.motors.iter_mut().zip(&self.angles) {
            *slot = Some(MotorSample {
                angle: *angle,
                stamp: now,
                received: now,
            });
        }
        input.head = Some(ImuSample {
            gravity: orientation(0.3, bend).inverse() * Vector3::new(0.0, 0.0, -1.0),
            angular_velocity: Vector3::new(0.1, -0.2, 0.0),
            stamp: now,
            received: now,
        });
        let target = configuration(Bend::new(0.3 * now.sin(), 0.2), 0.0);
        if joint.pan.is_none() && k % 100 == 50 {
            input.desired = Some(Desired {
                configuration: target,
                command: k,
                sequence: k,
                ..Desired::default()
            });
        }
        if let Some(pan) = &joint.pan {
            let angle = 0.4 * now.sin();
            input.pan = Some(MotorSample {
                angle: pan.ratio * angle,
                stamp: now,
                received: now,
            });
            input.base = Some(ImuSample {
                gravity: orientation(0.0, Bend::new(0.1 * now.sin(), 0.05)).inverse()
                    * -Vector3::z(),
                angular_velocity: Vector3::new(0.0, 0.1 * now.cos(), 0.0),
                stamp: now,
                received: now,
            });
            // 50 samples a second.
            if k.is_multiple_of(4) {
                let target = configuration(target.xy(), angle);
                let motion = self.track.sample(target, now);
                input.desired = Some(Desired {
                    configuration: target,
                    motion: motion.expect("stamps rise"),
                    continues: true,
                    sequence: k,
                    ..Desired::default()
                });
            }
        }
        now
    }
}

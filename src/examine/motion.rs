//! How a law moves a model, and what it asks of the motors: the linear sampled loop stepped with the operators that the
//! node runs. Limits are left out.

use super::loops::{Case, Frame, Matrix, Place};
use super::pulse::Vector;
use super::{Conditions, Member};
use crate::controller::Structure;
use crate::controller::reference_model::ReferenceModelState;
use crate::controller::shaper::ShaperState;
use crate::geometry::{Bend, Posture, bend_from, posture};
use crate::tick::Feedback;
use nalgebra::{Complex, Vector2};

/// Band of settling, as a share of the step.
const BAND: f64 = 0.05;
/// Longest time that is looked at, s.
const LONGEST: f64 = 20.0;
/// Time after the reference has come to rest, s.
const AFTER: f64 = 3.0;
/// Frequencies at which noise is looked at.
const NOISE_POINTS: u32 = 256;
/// Directions in which the motors' angles are looked at.
const SPOKES: u32 = 24;

/// How a model moves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Course {
    /// Of the feedback loop alone after a step of its reference.
    pub feedback: Move,
    /// Of the whole, reference shaped, after a step of the target.
    pub shaped: Move,
}

/// One move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Move {
    /// Overshoot, % of the step.
    pub overshoot: f64,
    /// From the step to the last time outside 5 % of it, s; none if it was outside at the end.
    pub settling: Option<f64>,
    /// Greatest setpoint, in bend, as a factor on the step; velocity drives: its integral.
    pub peak: f64,
    /// Greatest speed of the setpoint, 1/s: in bend, as a factor on the step.
    pub speed: f64,
}

/// What is asked of the motors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Demand {
    /// Greatest motor angle on a shaped move from straight to the inclination limit, rad.
    pub angle: f64,
    /// As a share of the travel, greatest over motors and directions.
    pub travel_share: f64,
    /// Greatest motor speed on it, rad/s.
    pub speed: f64,
    /// As a share of the speed limit.
    pub speed_share: f64,
    /// Setpoint noise of the noisiest motor, rad rms (velocity drives: rad/s).
    pub noise: f64,
    /// What a motor has to follow of it from tick to tick, rad/s rms (velocity drives: rad/s^2).
    pub noise_speed: f64,
}

pub(super) fn course(frame: &Frame, member: &Member, place: &Place) -> Course {
    Course {
        feedback: run(frame, member, place, false),
        shaped: run(frame, member, place, true),
    }
}

/// The joint in one direction of bend: measurements under way, newest last.
struct Axis {
    state: Vector,
    coming: std::collections::VecDeque<(f64, f64)>,
}

fn run(frame: &Frame, member: &Member, place: &Place, shaped: bool) -> Move {
    let (law, dt) = (frame.law, frame.joint.period);
    let Ok(case) = Case::new(frame, member, place, None) else {
        // A taut joint never falls.
        return Move {
            overshoot: f64::INFINITY,
            settling: None,
            peak: f64::INFINITY,
            speed: f64::INFINITY,
        };
    };
    let pulse = case.pulse();
    let unit = [Vector2::x()];
    let (rows, columns) = if frame.motors == 1 {
        (&unit[..], &unit[..])
    } else {
        (place.rows(), place.columns())
    };
    let controllers = law.controllers();
    let mut memory = controllers.state();
    let mut axes = [0, 1].map(|_| Axis {
        state: Vector::zeros(),
        coming: (0..pulse.ticks()).map(|_| (0.0, 0.0)).collect(),
    });
    let mut error = vec![0.0; rows.len()];
    let mut correction = error.clone();
    let size = if shaped {
        law.limits().inclination
    } else {
        1.0
    };
    let target = Vector2::new(size, 0.0);
    let mut shaper = ShaperState::new(dt, Posture::zeros());
    let mut model = ReferenceModelState::new(dt, Posture::zeros());
    let followed = shaped && law.structure() == Structure::TwoDegreesOfFreedom;
    let encoders = law.feedback() == Feedback::Motors;
    let motors = case.encoder_pulse();
    let mut motor_axes = motors.map(|pulse| {
        [0, 1].map(|_| Axis {
            state: Vector::zeros(),
            coming: (0..pulse.ticks()).map(|_| (0.0, 0.0)).collect(),
        })
    });
    let (mut seen, mut seen_rate) = (Bend::zeros(), Bend::zeros());
    let (mut offset, mut offset_rate) = (Bend::zeros(), Bend::zeros());
    let (mut sum, mut before) = (Bend::zeros(), Bend::zeros());
    let mut found = Move {
        overshoot: 0.0,
        settling: Some(0.0),
        peak: 0.0,
        speed: 0.0,
    };
    let mut end = LONGEST;
    let mut tick = 0_u32;
    while f64::from(tick) * dt <= end {
        let now = f64::from(tick) * dt;
        let (mut measured, mut rate) = (Bend::zeros(), Bend::zeros());
        for (k, axis) in axes.iter_mut().enumerate() {
            (measured[k], rate[k]) = axis.coming.pop_front().unwrap_or_default();
        }
        let x = measured.x / size;
        found.overshoot = found.overshoot.max(100.0 * (x - 1.0));
        if !((measured - target).norm() <= BAND * size) {
            found.settling = Some(now + dt);
        }
        let fresh = (tick as usize).is_multiple_of(frame.hold);
        let mut by_motors = Bend::zeros();
        for (k, axis) in motor_axes.iter_mut().flatten().enumerate() {
            by_motors[k] = axis.coming.pop_front().unwrap_or_default().0;
        }
        if fresh {
            seen = if encoders { by_motors } else { measured };
            seen_rate = rate;
        }
        // Where the reference is, and how fast.
        let (reference, ahead, wanted_rate) = if shaped {
            shaper.step(law.shaper(), posture(target, 0.0), 1.0);
            let reference = shaper.value().xy();
            model.step(law.joint_model(), shaper.value());
            if followed {
                (model.value().xy(), reference, model.rate().xy())
            } else {
                (reference, Bend::zeros(), shaper.rate().xy())
            }
        } else {
            (target, Bend::zeros(), Bend::zeros())
        };
        if shaped && shaper.at_rest() && tick > 2 && end == LONGEST {
            end = (now + AFTER).min(LONGEST);
        }
        let e = reference - seen;
        for (error, row) in error.iter_mut().zip(rows) {
            *error = row.dot(&e);
        }
        controllers.step(&mut memory, &error, fresh, true, 1.0, &mut correction);
        let mut setpoint: Bend = columns
            .iter()
            .zip(&correction)
            .map(|(column, c)| column * *c)
            .sum();
        let beyond = (wanted_rate - seen_rate) * law.damping();
        if frame.velocity() {
            if fresh {
                offset_rate = (beyond - offset) / frame.joint.sample_period;
                offset = beyond;
            }
            setpoint += offset_rate;
            if followed {
                setpoint += shaper.rate().xy() * law.feedforward();
            }
            sum += setpoint * dt;
            found.speed = found.speed.max(setpoint.norm() / size);
            found.peak = found.peak.max(sum.norm() / size);
        } else {
            setpoint += beyond + ahead * law.feedforward();
            // A jump at the first tick is no speed that a shaped reference asks for.
            found.speed = found.speed.max((setpoint - before).norm() / dt / size);
            found.peak = found.peak.max(setpoint.norm() / size);
        }
        before = setpoint;
        for (k, axis) in axes.iter_mut().enumerate() {
            axis.coming
                .push_back(pulse.step(&mut axis.state, setpoint[k]));
        }
        if let (Some(pulse), Some(axes)) = (motors, &mut motor_axes) {
            for (k, axis) in axes.iter_mut().enumerate() {
                axis.coming
                    .push_back(pulse.step(&mut axis.state, setpoint[k]));
            }
        }
        tick += 1;
    }
    if found.settling.is_some_and(|t| t > end - 2.0 * dt) {
        found.settling = None;
    }
    found
}

/// What a move and the sensors' noise ask of the motors.
pub(super) fn demand(
    frame: &Frame,
    member: &Member,
    places: &[Place],
    conditions: &Conditions,
    course: &Course,
) -> Demand {
    let law = frame.law;
    let limits = law.limits();
    let shaped = &course.shaped;
    let mut angles = vec![0.0; frame.joint.motors()];
    let (mut angle, mut travel_share) = (0.0_f64, 0.0_f64);
    for spoke in 0..SPOKES {
        let direction = std::f64::consts::TAU * f64::from(spoke) / f64::from(SPOKES);
        let kinematics = &frame.joint.kinematics;
        kinematics.motor_angles(bend_from(limits.inclination, direction), &mut angles);
        for (q, motor) in angles.iter().zip(&limits.motors) {
            let q = q * shaped.peak;
            angle = angle.max(q.abs());
            let room = if q > 0.0 { motor.high } else { -motor.low };
            travel_share = travel_share.max(q.abs() / room);
        }
    }
    let (mut speed, mut speed_share) = (0.0_f64, 0.0_f64);
    for place in places {
        for (row, motor) in place.rows().iter().zip(&limits.motors) {
            let fastest = row.norm() * shaped.speed * limits.inclination;
            speed = speed.max(fastest);
            speed_share = speed_share.max(fastest / motor.speed);
        }
    }
    let (noise, noise_speed) = noise(frame, member, places, conditions);
    Demand {
        angle,
        travel_share,
        speed,
        speed_share,
        noise,
        noise_speed,
    }
}

/// Noise of the noisiest motor's setpoint and of its change per s, straight: the mean over frequency of the squared
/// response (Parseval), samples independent.
fn noise(frame: &Frame, member: &Member, places: &[Place], conditions: &Conditions) -> (f64, f64) {
    let place = &places[0];
    let Ok(case) = Case::new(frame, member, place, None) else {
        return (f64::INFINITY, f64::INFINITY);
    };
    let dt = frame.joint.period;
    let step = std::f64::consts::PI / frame.sensor() / f64::from(NOISE_POINTS);
    let motors = place.rows().len();
    let (mut squares, mut changes) = (vec![0.0; motors], vec![0.0; motors]);
    for i in 0..NOISE_POINTS {
        let point = frame.discrete(Complex::new(0.0, step * (f64::from(i) + 0.5)));
        let closed = case.discrete(&point).open + Matrix::identity();
        let Some(inverse) = closed.try_inverse() else {
            return (f64::INFINITY, f64::INFINITY);
        };
        for term in &point.terms {
            let by_bend = inverse * place.controllers(&term.controllers);
            let by_rate = inverse * term.damping;
            let differs = 4.0 * (0.5 * term.s.im * dt).sin().powi(2) / (dt * dt);
            for (k, row) in place.rows().iter().enumerate() {
                let row = row.transpose().map(Complex::from);
                let square = (row * by_bend).norm_squared() * conditions.attitude_noise.powi(2)
                    + (row * by_rate).norm_squared() * conditions.gyro_noise.powi(2);
                squares[k] += square / f64::from(NOISE_POINTS);
                changes[k] += square * differs / f64::from(NOISE_POINTS);
            }
        }
    }
    let most = |sums: Vec<f64>| sums.into_iter().fold(0.0, f64::max).sqrt();
    (most(squares), most(changes))
}

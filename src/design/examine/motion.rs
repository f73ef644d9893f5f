//! Motion of a model with a law, and the motor effort it needs: the linear sampled loop stepped
//! with the operators of the node. Limits are left out.

use super::contour::Which;
use super::loops::{Case, Frame, Matrix, Place};
use super::pulse::{Pulse, Vector};
use super::{Conditions, Member};
use crate::control::controller::reference_model::ReferenceModelState;
use crate::control::controller::shaper::ShaperState;
use crate::control::controller::{ControllersState, Structure};
use crate::control::geometry::{Bend, Configuration, bend_from, configuration};
use crate::control::tick::Law;
use nalgebra::{Complex, Vector2};
use std::collections::VecDeque;

/// Settling band, as a share of the step.
const BAND: f64 = 0.05;
/// Maximum duration that is examined, s.
pub(super) const LONGEST: f64 = 20.0;
/// Time examined after the reference has come to rest, s.
const AFTER: f64 = 3.0;
/// Number of frequencies at which noise is evaluated.
const NOISE_POINTS: u32 = 256;
/// Number of directions in which the motors' angles are evaluated.
const SPOKES: u32 = 24;

/// Motion of a model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Course {
    /// Move of the feedback loop alone after a step of its reference.
    pub feedback: Move,
    /// Move of the whole, with the shaped reference, after a step of the target.
    pub shaped: Move,
}

/// One moment of a move; bends as factors on the step, which goes along x.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moment {
    /// Time since the step, s.
    pub time: f64,
    /// Reference of the feedback.
    pub reference: Bend,
    /// Measured bend.
    pub bend: Bend,
    /// Setpoint, in bend; velocity drives: its integral.
    pub setpoint: Bend,
    /// Speed of the setpoint, in bend, over the tick before, 1/s.
    pub speed: f64,
}

/// Figures of one move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Move {
    /// Overshoot of the measured bend, % of the step.
    pub overshoot: f64,
    /// Time from the step to the last time outside 5 % of it, s; none if it was outside at the end.
    pub settling: Option<f64>,
    /// Maximum setpoint, in bend, as a factor on the step; velocity drives: its integral.
    pub peak: f64,
    /// Maximum speed of the setpoint over a tick, in bend, as a factor on the step, 1/s. An
    /// unshaped step of the reference makes position setpoints jump: within a tick with the
    /// discretised law, at once with the continuous one (infinite).
    pub speed: f64,
}

impl Move {
    pub(super) fn of(moments: &[Moment]) -> Self {
        let target = Vector2::x();
        let most = |of: &dyn Fn(&Moment) -> f64| moments.iter().map(of).fold(0.0, f64::max);
        let outside = |m: &Moment| !((m.bend - target).norm() <= BAND);
        let last = moments.iter().rposition(outside);
        let settling = match last {
            None => Some(0.0),
            // Outside at the end, or so close to the end that the next samples are unknown.
            Some(i) => moments
                .get(i + 1)
                .filter(|_| i + 3 < moments.len())
                .map(|m| m.time),
        };
        Self {
            overshoot: most(&|m| 100.0 * (m.bend.x - 1.0)),
            settling,
            peak: most(&|m| m.setpoint.norm()),
            speed: most(&|m| m.speed),
        }
    }
}

/// Motor effort of a gain set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Demand {
    /// Maximum motor angle on a shaped move from straight to the inclination limit, rad.
    pub angle: f64,
    /// Maximum share of the travel, over motors and directions.
    pub travel_share: f64,
    /// Maximum motor speed on that move, rad/s.
    pub speed: f64,
    /// Maximum share of the speed limit.
    pub speed_share: f64,
    /// Setpoint noise of the noisiest motor, rad rms (velocity drives: rad/s).
    pub noise: f64,
    /// Change of that noise from tick to tick, rad/s rms (velocity drives: rad/s^2).
    pub noise_speed: f64,
}

pub(super) fn course(frame: &Frame, member: &Member, place: &Place) -> Course {
    let of = |excitation| Move::of(&moments(frame, member, place, excitation));
    Course {
        feedback: of(Excitation::Step),
        shaped: of(Excitation::Shaped),
    }
}

/// A chain in both directions of bend, with the measurements in transit, newest last.
struct Axes<'a> {
    pulse: &'a Pulse,
    states: [Vector; 2],
    coming: VecDeque<(Bend, Bend)>,
}

impl<'a> Axes<'a> {
    fn new(pulse: &'a Pulse) -> Self {
        Self {
            pulse,
            states: [Vector::zeros(); 2],
            coming: vec![(Bend::zeros(), Bend::zeros()); pulse.ticks()].into(),
        }
    }

    /// Returns the bend and the rate that are measured at this tick.
    fn measured(&mut self) -> (Bend, Bend) {
        self.coming.pop_front().unwrap_or_default()
    }

    fn send(&mut self, setpoint: Bend) {
        let (mut bend, mut rate) = (Bend::zeros(), Bend::zeros());
        for (k, state) in self.states.iter_mut().enumerate() {
            (bend[k], rate[k]) = self.pulse.step(state, setpoint[k]);
        }
        self.coming.push_back((bend, rate));
    }
}

/// Input of an examined move.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Excitation {
    /// A step of the feedback's reference, unshaped, of 1 rad.
    Step,
    /// A step of the target to the inclination limit, shaped as the node does it.
    Shaped,
}

/// Reference of a loop.
pub(super) struct Reference<'a> {
    law: &'a Law,
    excitation: Excitation,
    target: Bend,
    shaper: ShaperState,
    model: ReferenceModelState,
}

/// Reference at a tick, rad and rad/s.
pub(super) struct Wanted {
    /// Reference of the feedback.
    pub reference: Bend,
    /// Its rate, for damping.
    pub rate: Bend,
    /// Feedforward, without its gain.
    pub ahead: Bend,
    /// Rate of the feedforward.
    pub ahead_rate: Bend,
}

impl<'a> Reference<'a> {
    pub(super) fn new(frame: &Frame<'a>, excitation: Excitation) -> Self {
        let law = frame.law;
        let size = match excitation {
            Excitation::Step => 1.0,
            Excitation::Shaped => law.limits().inclination,
        };
        Self {
            law,
            excitation,
            target: Vector2::x() * size,
            shaper: ShaperState::new(frame.joint.period, Configuration::zeros()),
            model: ReferenceModelState::new(frame.joint.period, Configuration::zeros()),
        }
    }

    /// Returns the size of the step, rad.
    pub(super) fn size(&self) -> f64 {
        self.target.x
    }

    /// Returns the reference of the next tick.
    pub(super) fn step(&mut self) -> Wanted {
        let mut wanted = Wanted {
            reference: self.target,
            rate: Bend::zeros(),
            ahead: Bend::zeros(),
            ahead_rate: Bend::zeros(),
        };
        if self.excitation == Excitation::Step {
            return wanted;
        }
        self.shaper
            .step(self.law.shaper(), configuration(self.target, 0.0), 1.0);
        wanted.reference = self.shaper.value().xy();
        wanted.rate = self.shaper.rate().xy();
        self.model.step(self.law.joint_model(), self.shaper.value());
        if self.law.structure() == Structure::TwoDegreesOfFreedom {
            (wanted.ahead, wanted.ahead_rate) = (wanted.reference, wanted.rate);
            wanted.reference = self.model.value().xy();
            wanted.rate = self.model.rate().xy();
        }
        wanted
    }

    /// Returns the duration to examine, at `tick` after the step for it, s; none while the
    /// reference moves.
    pub(super) fn end(&self, tick: u32, dt: f64) -> Option<f64> {
        let shaped = self.excitation == Excitation::Shaped;
        let rests = shaped && self.shaper.at_rest() && tick > 2;
        rests.then(|| (f64::from(tick) * dt + AFTER).min(LONGEST))
    }
}

/// The discretised law, stepped at each tick.
struct Stepped<'a> {
    frame: &'a Frame<'a>,
    /// Jacobian and its inverse, one motor for all if they are alike.
    rows: Vec<Bend>,
    columns: Vec<Bend>,
    memory: ControllersState,
    error: Vec<f64>,
    correction: Vec<f64>,
    /// Newest sample.
    seen: Bend,
    seen_rate: Bend,
    /// Offset by damping, and its rate, for velocity drives.
    offset: Bend,
    offset_rate: Bend,
}

impl<'a> Stepped<'a> {
    fn new(frame: &'a Frame<'a>, place: &Place) -> Self {
        let (rows, columns) = if frame.motors == 1 {
            (vec![Vector2::x()], vec![Vector2::x()])
        } else {
            (place.rows().to_vec(), place.columns().to_vec())
        };
        Self {
            frame,
            memory: frame.law.controllers().state(),
            error: vec![0.0; rows.len()],
            correction: vec![0.0; rows.len()],
            rows,
            columns,
            seen: Bend::zeros(),
            seen_rate: Bend::zeros(),
            offset: Bend::zeros(),
            offset_rate: Bend::zeros(),
        }
    }

    /// Returns the setpoint of a tick, in bend; with a new `sample` of bend and rate if there is
    /// one.
    fn step(&mut self, wanted: &Wanted, sample: Option<(Bend, Bend)>) -> Bend {
        let (law, fresh) = (self.frame.law, sample.is_some());
        if let Some((bend, rate)) = sample {
            (self.seen, self.seen_rate) = (bend, rate);
        }
        let e = wanted.reference - self.seen;
        for (error, row) in self.error.iter_mut().zip(&self.rows) {
            *error = row.dot(&e);
        }
        let (memory, out) = (&mut self.memory, &mut self.correction);
        let controllers = law.controllers();
        controllers.step(memory, &self.error, fresh, true, 1.0, out);
        let each = self.columns.iter().zip(&self.correction);
        let setpoint: Bend = each.map(|(column, c)| column * *c).sum();
        let beyond = (wanted.rate - self.seen_rate) * law.damping();
        if !self.frame.velocity() {
            return setpoint + (beyond + wanted.ahead * law.feedforward());
        }
        if fresh {
            self.offset_rate = (beyond - self.offset) / self.frame.joint.sample_period;
            self.offset = beyond;
        }
        setpoint + (self.offset_rate + wanted.ahead_rate * law.feedforward())
    }
}

/// Returns a move with the discretised law, tick by tick; empty where the joint lacks full rank.
pub(super) fn moments(
    frame: &Frame,
    member: &Member,
    place: &Place,
    excitation: Excitation,
) -> Vec<Moment> {
    let dt = frame.joint.period;
    let mut moments = Vec::new();
    let Ok(case) = Case::new(frame, member, place, None) else {
        // A taut joint never falls.
        return moments;
    };
    let mut joint = Axes::new(case.pulse());
    let mut encoders = case.encoder_pulse().map(Axes::new);
    let mut law = Stepped::new(frame, place);
    let mut reference = Reference::new(frame, excitation);
    let size = reference.size();
    let (mut sum, mut before) = (Bend::zeros(), Bend::zeros());
    let mut end = None;
    let mut tick = 0_u32;
    while f64::from(tick) * dt <= end.unwrap_or(LONGEST) {
        let (bend, rate) = joint.measured();
        let fed_back = encoders.as_mut().map_or(bend, |axes| axes.measured().0);
        let fresh = (tick as usize).is_multiple_of(frame.hold);
        let wanted = reference.step();
        end = end.or_else(|| reference.end(tick, dt));
        let setpoint = law.step(&wanted, fresh.then_some((fed_back, rate)));
        let speed = if frame.velocity() {
            sum += setpoint * dt;
            setpoint.norm()
        } else {
            sum = setpoint;
            (setpoint - before).norm() / dt
        };
        moments.push(Moment {
            time: f64::from(tick) * dt,
            reference: wanted.reference / size,
            bend: bend / size,
            setpoint: sum / size,
            speed: speed / size,
        });
        before = setpoint;
        joint.send(setpoint);
        if let Some(axes) = &mut encoders {
            axes.send(setpoint);
        }
        tick += 1;
    }
    moments
}

/// Maximum motor effort per unit of setpoint, over all motors and directions of bend. Setpoints are
/// in bend, as factors on a move from straight to the inclination limit. Motor angles are taken as
/// proportional to the bend up to that limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Load {
    /// Maximum motor angle for a setpoint of 1, rad.
    pub angle: f64,
    /// Maximum share of the travel.
    pub travel_share: f64,
    /// Maximum motor speed for 1/s, rad/s.
    pub speed: f64,
    /// Maximum share of the speed limit.
    pub speed_share: f64,
}

impl Load {
    pub(super) fn new(frame: &Frame, places: &[Place]) -> Self {
        let limits = frame.law.limits();
        let mut angles = vec![0.0; frame.joint.motors()];
        let (mut angle, mut travel_share) = (0.0_f64, 0.0_f64);
        for spoke in 0..SPOKES {
            let direction = std::f64::consts::TAU * f64::from(spoke) / f64::from(SPOKES);
            let kinematics = &frame.joint.kinematics;
            kinematics.motor_angles(bend_from(limits.inclination, direction), &mut angles);
            for (q, motor) in angles.iter().zip(&limits.motors) {
                angle = angle.max(q.abs());
                let room = if *q > 0.0 { motor.high } else { -motor.low };
                travel_share = travel_share.max(q.abs() / room);
            }
        }
        let (mut speed, mut speed_share) = (0.0_f64, 0.0_f64);
        for place in places {
            for (row, motor) in place.rows().iter().zip(&limits.motors) {
                let fastest = row.norm() * limits.inclination;
                speed = speed.max(fastest);
                speed_share = speed_share.max(fastest / motor.speed);
            }
        }
        Self {
            angle,
            travel_share,
            speed,
            speed_share,
        }
    }
}

/// Returns the motor effort of a move and of the sensors' noise.
pub(super) fn demand(
    frame: &Frame,
    member: &Member,
    places: &[Place],
    conditions: &Conditions,
    course: &Course,
    which: Which,
) -> Demand {
    let load = Load::new(frame, places);
    let shaped = &course.shaped;
    let (noise, noise_speed) = noise(frame, member, places, conditions, which);
    Demand {
        angle: load.angle * shaped.peak,
        travel_share: load.travel_share * shaped.peak,
        speed: load.speed * shaped.speed,
        speed_share: load.speed_share * shaped.speed,
        noise,
        noise_speed,
    }
}

/// Returns the noise of the noisiest motor's setpoint and of its change per s, straight: the mean
/// over frequency of the squared response (Parseval), samples independent. With the continuous law
/// the noise has the same density up to the Nyquist frequency of the samples, and none above.
fn noise(
    frame: &Frame,
    member: &Member,
    places: &[Place],
    conditions: &Conditions,
    which: Which,
) -> (f64, f64) {
    let place = &places[0];
    let Ok(case) = Case::new(frame, member, place, None) else {
        return (f64::INFINITY, f64::INFINITY);
    };
    let dt = frame.joint.period;
    let step = std::f64::consts::PI / frame.sensor() / f64::from(NOISE_POINTS);
    let motors = place.rows().len();
    let (mut squares, mut changes) = (vec![0.0; motors], vec![0.0; motors]);
    for i in 0..NOISE_POINTS {
        let point = which.point(frame, Complex::new(0.0, step * (f64::from(i) + 0.5)));
        let closed = which.seen(&case, &point).open + Matrix::identity();
        let Some(inverse) = closed.try_inverse() else {
            return (f64::INFINITY, f64::INFINITY);
        };
        for term in &point.terms {
            let by_bend = inverse * place.controllers(&term.controllers);
            let by_rate = inverse * term.damping;
            let differs = match which {
                Which::Discrete => 4.0 * (0.5 * term.s.im * dt).sin().powi(2) / (dt * dt),
                Which::Continuous => term.s.im.powi(2),
            };
            for (k, row) in place.rows().iter().enumerate() {
                let row = row.transpose().map(Complex::from);
                let square = (row * by_bend).norm_squared() * conditions.orientation_noise.powi(2)
                    + (row * by_rate).norm_squared() * conditions.gyro_noise.powi(2);
                squares[k] += square / f64::from(NOISE_POINTS);
                changes[k] += square * differs / f64::from(NOISE_POINTS);
            }
        }
    }
    let most = |sums: Vec<f64>| sums.into_iter().fold(0.0, f64::max).sqrt();
    (most(squares), most(changes))
}

//! Motion of a model with the continuous law: the continuous loop, exact dead time, by inverse
//! Laplace transforms.
//!
//! With a reference `r`, its rate `r'` and `a` fed forward with gain `f`, setpoints (velocity
//! drives: their integrals, with `C/s` for `C`) are
//!
//! ```text
//! p = (I + L)^-1 (C r + d r' + f a),
//! ```
//!
//! and the bend is `g p`; with encoders for feedback L holds them for g. The motion thus follows
//! from responses to a step through `C` and to one past it. References are those of the node, from
//! tick to tick, taken as lines between them. Delays are those of the margins: half a sensor period
//! in the loop, and half a tick, for the held setpoints, on the path of the reference. Figures thus
//! differ from those of the discretised law by the effects of sampling beyond a delay.

use super::loops::{Case, Frame, Matrix, Place};
use super::motion::{Course, Excitation, LONGEST, Moment, Move, Reference};
use super::{LoopFigures, Member};
use crate::control::geometry::Bend;
use crate::design::model::{Expected, REACH, StepResponse};
use nalgebra::Complex;

/// Number of moments per tick.
const FINE: usize = 4;

/// Responses in the two directions of bend to steps along x, at every moment.
type Plane = [Vec<f64>; 2];

/// Responses of the closed loop to a step.
struct Answer {
    setpoint: Plane,
    bend: Plane,
}

struct Answers {
    /// Time between two moments, s.
    step: f64,
    /// Response through the controllers.
    through: Answer,
    /// Response past them.
    past: Answer,
}

/// Returns the motion of a model with the continuous law; none where the joint lacks full rank. The
/// loop, with those `figures`, is stable.
pub(super) fn course(
    frame: &Frame,
    member: &Member,
    place: &Place,
    figures: &LoopFigures,
) -> Option<Course> {
    let answers = Answers::new(frame, member, place, figures)?;
    let of = |excitation| Move::of(&answers.moments(frame, excitation));
    Some(Course {
        feedback: of(Excitation::Step),
        shaped: of(Excitation::Shaped),
    })
}

impl Answers {
    fn new(frame: &Frame, member: &Member, place: &Place, figures: &LoopFigures) -> Option<Self> {
        let case = Case::new(frame, member, place, None).ok()?;
        let dt = frame.joint.period;
        let step = dt / FINE as f64;
        // A few thousand moments, up to the next power of two; the cast saturates.
        let bits = (LONGEST / step).log2().ceil().max(1.0) as u32;
        let horizon = step * f64::from(bits).exp2();
        // The part of the loop's half sensor period that is not on the path of the reference is
        // left out here.
        let beyond = 0.5 * frame.sensor();
        let velocity = frame.velocity();
        let of = |s: Complex<f64>| {
            let point = frame.continuous(s);
            let closed = case.continuous(&point).open + Matrix::identity();
            // Singular only at the loop's poles, which are all in the left half-plane.
            let inverse = closed.try_inverse().unwrap_or_else(Matrix::zeros);
            let mut law = place.controllers(&point.terms[0].controllers) * (s * beyond).exp();
            if velocity {
                law /= s;
            }
            let (through, past) = (inverse * law, inverse);
            let bend = case.bend_of_position(s, velocity);
            let of = |m: &Matrix| [m[(0, 0)], m[(1, 0)], m[(0, 0)] * bend, m[(1, 0)] * bend];
            let ([a, b, c, d], [e, f, g, h]) = (of(&through), of(&past));
            [a, b, c, d, e, f, g, h]
        };
        let jump = if velocity {
            Matrix::zeros()
        } else {
            place.controllers(&frame.continuous_at_once())
        };
        let at = |jump: f64, dead_time: f64| Expected {
            dead_time,
            jump,
            last: 0.0,
        };
        let late = case.dead_time();
        let bend = at(0.0, late);
        let expected = [
            at(jump[(0, 0)].re, 0.0),
            at(jump[(1, 0)].re, 0.0),
            bend,
            bend,
            at(1.0, 0.0),
            at(0.0, 0.0),
            bend,
            bend,
        ];
        let crossover = figures.crossovers.map_or(0.0, |c| c[1]);
        let fastest = crossover.max(frame.corner()).max(case.corner());
        let all = StepResponse::all(of, expected, horizon, REACH * fastest);
        let [a, b, c, d, e, f, g, h] = all.map(|response| response.every(bits));
        Some(Self {
            step,
            through: Answer {
                setpoint: [a, b],
                bend: [c, d],
            },
            past: Answer {
                setpoint: [e, f],
                bend: [g, h],
            },
        })
    }

    fn moments(&self, frame: &Frame, excitation: Excitation) -> Vec<Moment> {
        let law = frame.law;
        let dt = frame.joint.period;
        if excitation == Excitation::Step {
            let at = |plane: &Plane, i: usize| Bend::new(plane[0][i], plane[1][i]);
            let moment = |i: usize| Moment {
                time: self.step * i as f64 + 0.5 * dt,
                reference: Bend::x(),
                bend: at(&self.through.bend, i),
                setpoint: at(&self.through.setpoint, i),
                speed: 0.0,
            };
            // All responses are of the same length.
            let mut moments: Vec<Moment> = (0..self.through.bend[0].len()).map(moment).collect();
            speeds(&mut moments, dt);
            if let (false, Some(first)) = (frame.velocity(), moments.first_mut()) {
                first.speed = f64::INFINITY;
            }
            return moments;
        }
        let mut reference = Reference::new(frame, excitation);
        let size = reference.size();
        // From rest: input through the controllers and input past them; the move is along x.
        let mut ways = [vec![0.0], vec![0.0]];
        let mut end = None;
        let mut tick = 0_u32;
        while f64::from(tick) * dt <= end.unwrap_or(LONGEST - dt) {
            let wanted = reference.step();
            end = end.or_else(|| reference.end(tick, dt));
            let past = wanted.rate * law.damping() + wanted.ahead * law.feedforward();
            ways[0].push(wanted.reference.x / size);
            ways[1].push(past.x / size);
            tick += 1;
        }
        let count = (ways[0].len() - 1) * FINE;
        let mut setpoints = [vec![0.0; count], vec![0.0; count]];
        let mut bends = setpoints.clone();
        for (way, answer) in ways.iter().zip([&self.through, &self.past]) {
            for k in 0..2 {
                follow(way, &answer.setpoint[k], &mut setpoints[k]);
                follow(way, &answer.bend[k], &mut bends[k]);
            }
        }
        let between = |i: usize| {
            let (tick, part) = (i / FINE, (i % FINE) as f64 / FINE as f64);
            ways[0][tick] + (ways[0][tick + 1] - ways[0][tick]) * part
        };
        let moment = |i: usize| Moment {
            // The reference rests one tick before the node's first.
            time: self.step * i as f64 - 0.5 * dt,
            reference: Bend::new(between(i), 0.0),
            bend: Bend::new(bends[0][i], bends[1][i]),
            setpoint: Bend::new(setpoints[0][i], setpoints[1][i]),
            speed: 0.0,
        };
        let mut moments: Vec<Moment> = (0..count).map(moment).collect();
        speeds(&mut moments, dt);
        moments
    }
}

/// Computes the speeds over a tick.
fn speeds(moments: &mut [Moment], dt: f64) {
    for i in FINE..moments.len() {
        moments[i].speed = (moments[i].setpoint - moments[i - FINE].setpoint).norm() / dt;
    }
}

/// Adds to `out` the response to `way`, lines from tick to tick, given the step response `answer`:
/// Duhamel's integral, by the trapezoidal rule over moments.
fn follow(way: &[f64], answer: &[f64], out: &mut [f64]) {
    if answer.iter().all(|v| *v == 0.0) {
        return;
    }
    // The response to a line of slope one per tick that lasts a tick.
    let mut line = vec![0.0; out.len()];
    for (i, value) in line.iter_mut().enumerate().skip(1) {
        let first = i.saturating_sub(FINE);
        let inner: f64 = answer[first + 1..i].iter().sum();
        *value = (0.5 * (answer[first] + answer[i]) + inner) / FINE as f64;
    }
    for (j, ends) in way.windows(2).enumerate() {
        let change = ends[1] - ends[0];
        if change != 0.0 {
            for (value, answer) in out.iter_mut().skip(j * FINE).zip(&line) {
                *value += change * answer;
            }
        }
    }
}

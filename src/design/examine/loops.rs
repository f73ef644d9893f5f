//! The 2 x 2 loops of a joint in bend space, as functions of frequency.

use super::pulse::{Chain, Motion, Pulse};
use super::{Conditions, Law, Member};
use crate::control::controller::CommandInterface;
use crate::control::fractional::shift;
use crate::control::geometry::Bend;
use crate::control::kinematics::Kinematics;
use crate::control::tick::{Feedback, Joint};
use crate::design::model::{self, Dynamics};
use nalgebra::{Complex, Matrix2, Vector2};

pub(super) type Matrix = Matrix2<Complex<f64>>;

/// Data that all loops of one law share.
pub(super) struct Frame<'a> {
    pub joint: &'a Joint,
    pub law: &'a Law,
    /// Number of ticks per used sensor sample.
    pub hold: usize,
    /// Delay beyond a model's dead time, s.
    pub late: f64,
    /// Number of motors whose laws are examined: one where all are alike.
    pub motors: usize,
    continuous: Vec<model::Law>,
}

/// The law at one complex frequency: one term for each frequency that the sampling folds onto it.
pub(super) struct Point {
    pub s: Complex<f64>,
    pub terms: Vec<Term>,
}

pub(super) struct Term {
    pub s: Complex<f64>,
    /// Controller of each examined motor, with sample and hold of the sensor.
    pub controllers: Vec<Complex<f64>>,
    pub damping: Complex<f64>,
}

impl<'a> Frame<'a> {
    pub(super) fn new(joint: &'a Joint, law: &'a Law, conditions: &Conditions) -> Self {
        let controllers = law.controllers();
        let motors = if controllers.alike() {
            1
        } else {
            joint.motors()
        };
        // A sensor faster than the ticks is sampled at the ticks. The cast saturates.
        let hold = (joint.sample_period / joint.period).round().max(1.0) as usize;
        Self {
            joint,
            law,
            hold,
            late: conditions.age + conditions.output,
            motors,
            continuous: controllers
                .gains()
                .take(motors)
                .map(model::Law::new)
                .collect(),
        }
    }

    /// Returns the period of the used samples, s.
    pub(super) fn sensor(&self) -> f64 {
        self.hold as f64 * self.joint.period
    }

    pub(super) fn velocity(&self) -> bool {
        self.law.kind() == CommandInterface::Velocity
    }

    /// Returns the discretised law at `s`, from samples to setpoints.
    pub(super) fn discrete(&self, s: Complex<f64>) -> Point {
        let dt = self.joint.period;
        let sensor = self.sensor();
        let sample = shift(s * sensor);
        let damping = self.damping_at(sample / (sample + 1.0));
        let around = 2.0 * std::f64::consts::PI / sensor;
        let term = |l: usize| {
            let s = s + Complex::new(0.0, around * l as f64);
            let tick = shift(s * dt);
            // A sample held over the ticks of its period: (1 + z^-1 + .. + z^-(m-1))/m.
            let back = (tick + 1.0).inv();
            let mut held = Complex::from(0.0);
            for _ in 0..self.hold {
                held = held * back + 1.0;
            }
            let held = held / self.hold as f64;
            let laws = self.law.controllers();
            Term {
                s,
                controllers: (0..self.motors)
                    .map(|motor| laws.at(motor, tick, sample) * held)
                    .collect(),
                damping: damping * held,
            }
        };
        Point {
            s,
            terms: (0..self.hold).map(term).collect(),
        }
    }

    /// Returns the damping, where `difference` is the change by a new sample: `1 - z^-1`.
    fn damping_at(&self, difference: Complex<f64>) -> Complex<f64> {
        let damping = self.law.damping();
        if self.velocity() {
            // A velocity drive gets the change of the offset.
            difference * (damping / self.joint.sample_period)
        } else {
            Complex::from(damping)
        }
    }

    /// Returns the initial response of the continuous laws to a jump.
    pub(super) fn continuous_at_once(&self) -> Vec<Complex<f64>> {
        let at_once = |law: &model::Law| Complex::from(law.at_once());
        self.continuous.iter().map(at_once).collect()
    }

    /// Returns the highest corner of a derivative's roll-off, rad/s; 0 without one.
    pub(super) fn corner(&self) -> f64 {
        let gains = self.continuous.iter().map(model::Law::gains);
        let corners = gains.filter(|g| g.kd > 0.0).map(|g| g.derivative_corner);
        corners.fold(0.0, f64::max)
    }

    /// Returns the continuous law at `s`, with the holds' delays: half a sensor period.
    pub(super) fn continuous(&self, s: Complex<f64>) -> Point {
        let held = (-s * (0.5 * self.sensor())).exp();
        let damping = self.law.damping();
        let damping = if self.velocity() {
            s * damping
        } else {
            Complex::from(damping)
        };
        let term = Term {
            s,
            controllers: self.continuous.iter().map(|law| law.at(s) * held).collect(),
            damping: damping * held,
        };
        Point {
            s,
            terms: vec![term],
        }
    }
}

/// A joint at one bend: Jacobian, tendon stiffness in bend.
pub(super) struct Place {
    pub bend: Bend,
    rows: Vec<Vector2<f64>>,
    /// Columns of `(J^T W J)^-1 J^T W`.
    columns: Vec<Vector2<f64>>,
    /// Square roots of `K_t = J^T W J` and its inverse.
    root: Matrix2<f64>,
    inverse_root: Matrix2<f64>,
    weights: Vec<f64>,
}

impl Place {
    pub(super) fn new(kinematics: &Kinematics, bend: Bend) -> Option<Self> {
        let mut rows = vec![Vector2::zeros(); kinematics.count()];
        kinematics.jacobian(bend, &mut rows);
        let weights = kinematics.weights().to_vec();
        let stiffness: Matrix2<f64> = rows
            .iter()
            .zip(&weights)
            .map(|(row, w)| row * row.transpose() * *w)
            .sum();
        let inverse = stiffness.try_inverse()?;
        let columns = rows.iter().zip(&weights).map(|(row, w)| inverse * row * *w);
        let columns = columns.collect();
        let eigen = stiffness.symmetric_eigen();
        let root_of = |power: f64| {
            let values = eigen.eigenvalues.map(|v| v.powf(power));
            eigen.eigenvectors * Matrix2::from_diagonal(&values) * eigen.eigenvectors.transpose()
        };
        Some(Self {
            bend,
            rows,
            columns,
            root: root_of(0.5),
            inverse_root: root_of(-0.5),
            weights,
        })
    }

    /// Returns tendon `i`'s share of the tendons' stiffness in the direction of its pull.
    pub(super) fn share(&self, i: usize) -> f64 {
        (self.inverse_root * self.rows[i]).norm_squared() * self.weights[i]
    }

    pub(super) fn rows(&self) -> &[Vector2<f64>] {
        &self.rows
    }

    pub(super) fn columns(&self) -> &[Vector2<f64>] {
        &self.columns
    }

    /// Returns `(J^T W J)^-1 J^T W diag(C) J`: the controllers in bend space.
    pub(super) fn controllers(&self, c: &[Complex<f64>]) -> Matrix {
        if let [one] = c {
            return Matrix::from_diagonal_element(*one);
        }
        let mut sum = Matrix::zeros();
        for ((column, row), c) in self.columns.iter().zip(&self.rows).zip(c) {
            sum += (column * row.transpose()).map(|x| c * x);
        }
        sum
    }
}

/// One loop: a model at a place, all tendons taut or one slack.
pub(super) struct Case<'a> {
    pub place: &'a Place,
    /// Decoupled directions of the joint, as columns, and the inverse.
    modes: Option<(Matrix2<f64>, Matrix2<f64>)>,
    /// Chains in the direction of the slack tendon, and in the other one.
    chains: [Chain; 2],
    pulses: [Pulse; 2],
    /// Share of a setpoint that the motors exert in each direction.
    force: [f64; 2],
    /// Encoder feedback instead of the head's IMU.
    encoder: Option<(Chain, Pulse)>,
}

/// Error: the joint without the tendon would fall over.
pub(super) struct Falls {
    pub share: f64,
}

impl<'a> Case<'a> {
    pub(super) fn new(
        frame: &Frame,
        member: &Member,
        place: &'a Place,
        slack: Option<usize>,
    ) -> Result<Self, Falls> {
        let tick = frame.joint.period;
        let mut motor_lag = member.motor_lag;
        let mut dead_time = member.plant.dead_time;
        let first = matches!(member.plant.dynamics, Dynamics::First { .. });
        if first && frame.law.damping() > 0.0 && motor_lag == 0.0 {
            motor_lag = frame.joint.motor_time_constant.min(dead_time);
            dead_time -= motor_lag;
        }
        let whole = Chain {
            integrator: frame.velocity(),
            motor_lag,
            motion: Motion::of(&member.plant),
            dead_time: dead_time + frame.late,
        };
        let pulse = Pulse::new(&whole, tick);
        let encoder = (frame.law.feedback() == Feedback::Motors).then(|| {
            let motion = Motion {
                second: 0.0,
                first: frame.joint.motor_time_constant.max(1e-6),
                stiffness: 1.0,
                gain: 1.0,
            };
            let chain = Chain {
                integrator: frame.velocity(),
                motor_lag: 0.0,
                motion,
                dead_time: frame.late,
            };
            (chain, Pulse::new(&chain, tick))
        });
        let Some(i) = slack else {
            return Ok(Self {
                place,

                modes: None,
                chains: [whole, whole],
                pulses: [pulse.clone(), pulse],
                force: [1.0, 1.0],
                encoder,
            });
        };
        let share = place.share(i);
        let mut softer = whole;
        softer.motion.stiffness -= whole.motion.gain * share;
        if !(softer.motion.stiffness > 0.0) {
            return Err(Falls { share });
        }
        // The lost direction, scaled by the root of the stiffness, and the one at a right angle to
        // it.
        let lost = (place.inverse_root * place.rows[i]).normalize();
        let turn = Matrix2::new(lost.x, -lost.y, lost.y, lost.x);
        let modes = place.inverse_root * turn;
        let back = turn.transpose() * place.root;
        Ok(Self {
            place,

            modes: Some((modes, back)),
            chains: [softer, whole],
            pulses: [Pulse::new(&softer, tick), pulse],
            force: [1.0 - share, 1.0],
            encoder,
        })
    }

    /// Returns the same loop with `delay` s more.
    pub(super) fn later(&self, frame: &Frame, delay: f64) -> Self {
        let later = |chain: &Chain| {
            let mut chain = *chain;
            chain.dead_time += delay;
            (chain, Pulse::new(&chain, frame.joint.period))
        };
        let [(lost, lost_pulse), (other, other_pulse)] = [0, 1].map(|i| later(&self.chains[i]));
        Self {
            chains: [lost, other],
            pulses: [lost_pulse, other_pulse],
            encoder: self.encoder.as_ref().map(|(chain, _)| later(chain)),
            ..*self
        }
    }

    /// Returns the pulse transfer in the direction of the slack tendon (any direction, if none is
    /// slack).
    pub(super) fn pulse(&self) -> &Pulse {
        &self.pulses[0]
    }

    /// Returns the transfer from position setpoints (velocity drives: the integral of theirs) to
    /// the measured bend in that direction, at `s`.
    pub(super) fn bend_of_position(&self, s: Complex<f64>, velocity: bool) -> Complex<f64> {
        let bend = self.chains[0].at(s);
        if velocity { bend * s } else { bend }
    }

    /// Returns the dead time from setpoint to measurement in that direction, s.
    pub(super) fn dead_time(&self) -> f64 {
        self.chains[0].dead_time
    }

    /// Returns the highest corner frequency of the joint and its motors, rad/s.
    pub(super) fn corner(&self) -> f64 {
        let chain = &self.chains[0];
        let motion = &chain.motion;
        let lag = |t: f64| if t > 0.0 { 1.0 / t } else { 0.0 };
        let own = if motion.second > 0.0 {
            (motion.stiffness / motion.second)
                .sqrt()
                .max(motion.first / motion.second)
        } else {
            lag(motion.first)
        };
        own.max(lag(chain.motor_lag))
    }

    /// Returns the motors' pulse transfer to their encoders, for encoder feedback.
    pub(super) fn encoder_pulse(&self) -> Option<&Pulse> {
        self.encoder.as_ref().map(|(_, pulse)| pulse)
    }

    /// Returns the sampled loop at a point of the discretised law.
    pub(super) fn discrete(&self, point: &Point) -> Seen {
        let mut seen = Seen::default();
        let fold = point.terms.len() > 1;
        for term in &point.terms {
            let first = self.pulses[0].at(term.s);
            let second = if self.modes.is_some() {
                self.pulses[1].at(term.s)
            } else {
                first
            };
            let encoder = self.encoder.as_ref().map(|(_, pulse)| pulse.at(term.s).0);
            let (bend, rate) = ([first.0, second.0], [first.1, second.1]);
            self.add(&mut seen, term, bend, rate, encoder, fold);
        }
        seen.finish(fold);
        seen
    }

    /// Returns the continuous loop at a point of the continuous law.
    pub(super) fn continuous(&self, point: &Point) -> Seen {
        let mut seen = Seen::default();
        for term in &point.terms {
            let bend = [0, 1].map(|k| self.chains[k].at(term.s));
            let encoder = self.encoder.as_ref().map(|(chain, _)| chain.at(term.s));
            let rate = bend.map(|b| b * term.s);
            self.add(&mut seen, term, bend, rate, encoder, false);
        }
        seen.finish(false);
        seen
    }

    /// Returns the transfer from setpoints, as a bend, to the measured bend.
    fn shaped(&self, response: [Complex<f64>; 2]) -> Matrix {
        match &self.modes {
            None => Matrix::from_diagonal_element(response[0]),
            Some((modes, back)) => {
                let middle = Matrix::new(
                    response[0] * self.force[0],
                    Complex::from(0.0),
                    Complex::from(0.0),
                    response[1] * self.force[1],
                );
                modes.map(Complex::from) * middle * back.map(Complex::from)
            }
        }
    }

    fn add(
        &self,
        seen: &mut Seen,
        term: &Term,
        bend: [Complex<f64>; 2],
        rate: [Complex<f64>; 2],
        encoder: Option<Complex<f64>>,
        fold: bool,
    ) {
        let law = self.place.controllers(&term.controllers);
        let position = match encoder {
            Some(motors) => Matrix::from_diagonal_element(motors),
            None => self.shaped(bend),
        };
        let rate = self.shaped(rate);
        seen.open += law * position + rate * term.damping;
        if fold {
            seen.blocks[0] += position * law;
            seen.blocks[1] += position * term.damping;
            seen.blocks[2] += rate * law;
            seen.blocks[3] += rate * term.damping;
        }
    }
}

/// A loop at one frequency.
#[derive(Clone, Default)]
pub(super) struct Seen {
    /// Loop opened at the setpoints, from setpoint to setpoint as bends, without the sign.
    pub open: Matrix,
    /// Blocks of the loop opened at the samples of bend and rate, where several frequencies fold
    /// onto one.
    blocks: [Matrix; 4],
    /// Determinant of the return difference.
    pub determinant: Complex<f64>,
}

impl Seen {
    fn finish(&mut self, fold: bool) {
        let one = Matrix::identity();
        if !fold {
            self.determinant = (self.open + one).determinant();
            return;
        }
        // Schur complement of the first block.
        let first = self.blocks[0] + one;
        let inverse = first.try_inverse().unwrap_or_else(Matrix::zeros);
        let rest = self.blocks[3] + one - self.blocks[2] * inverse * self.blocks[1];
        self.determinant = first.determinant() * rest.determinant();
    }
}

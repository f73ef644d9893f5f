//! Control law: combines reference, feedforward, correction and limits into setpoints.
#![allow(
    clippy::needless_range_loop,
    reason = "several arrays, one place per motor each, are iterated together"
)]

use super::command::limited;
use super::{HAND_OVER, Input, Joint, Law, Mode, Output, Rule, Source, State, handed_over};
use crate::control::controller::limits::{dead_zone, factor_inside, factor_within};
use crate::control::controller::{CommandInterface, Structure};
use crate::control::geometry::{Bend, configuration};
use crate::control::kinematics::{Kinematics, Projection};

/// Time constant of back-calculation, s: the rate at which integrators follow what was not sent.
const BACK_CALCULATION: f64 = 0.05;
/// Time constant with which integrators lose the part that the projection removes, s.
const BLEED: f64 = 0.5;
/// Look-ahead for position and feedback limits with velocity setpoints, s.
const LOOK_AHEAD: f64 = 0.1;
/// Time constant of the fade when damping gains or loses its rate measurement, s.
const DAMPING_FADE: f64 = 0.1;
/// Magnitude below which a value counts as zero.
const LEAST_DELTA: f64 = 1e-12;

/// Scratch memory of one tick; allocated once.
#[derive(Clone, Debug)]
pub(super) struct Work {
    /// Motor angles of the reference, and their bend part.
    reference: Vec<f64>,
    bend_part: Vec<f64>,
    jacobian: Vec<Bend>,
    /// Motor angles of the reference model's bend.
    expected: Vec<f64>,
    error: Vec<f64>,
    correction: Vec<f64>,
    /// Bend part of `expected`.
    expected_part: Vec<f64>,
    integrals: Vec<f64>,
    /// Part of `integrals` in bend space.
    inside: Vec<f64>,
    /// Motor angles that feedback has caused.
    caused: Vec<f64>,
    asked: Vec<f64>,
    base: Vec<f64>,
    /// Setpoints of the previous tick.
    before: Vec<f64>,
}

impl Work {
    pub(super) fn new(motors: usize) -> Self {
        let zero = vec![0.0; motors];
        Self {
            reference: zero.clone(),
            bend_part: zero.clone(),
            jacobian: vec![Bend::zeros(); motors],
            expected: zero.clone(),
            error: zero.clone(),
            correction: zero.clone(),
            expected_part: zero.clone(),
            integrals: zero.clone(),
            inside: zero.clone(),
            caused: zero.clone(),
            asked: zero.clone(),
            base: zero.clone(),
            before: zero,
        }
    }

    /// Computes motor angles, Jacobian and bend part of the angles at `reference`.
    fn refer(&mut self, kinematics: &Kinematics, reference: Bend) {
        kinematics.motor_angles(reference, &mut self.reference);
        kinematics.jacobian(reference, &mut self.jacobian);
        self.bend_part.copy_from_slice(&self.reference);
        kinematics
            .projection(&self.jacobian)
            .project(&mut self.bend_part);
    }
}

/// Starts the loop with setpoints equal to the measured angles and the reference at the measured
/// bend. The angles' difference from the feedforward goes to the integrators up to the feedback
/// limit; the rest decays as an offset.
pub(super) fn start(joint: &Joint, law: &Law, state: &mut State, input: &Input, now: f64) {
    state.plan = law.plan;
    let estimate = state.estimator.estimate();
    let at = match (estimate.source, state.plan.structure) {
        // Encoders at `q(b)/K` correspond to the bend `b`.
        (Source::Motors, Structure::TwoDegreesOfFreedom) => estimate.bend * state.plan.gain,
        _ => estimate.bend,
    };
    let pan = estimate.pan;
    let rest = configuration(at, pan);
    state.shaper.rest_at(rest);
    state.motor_model.rest_at(rest);
    state.joint_model.rest_at(rest);
    state.pan.start(law.kind, pan);
    state.basis = (estimate.source, joint.gravity_base);
    state.error = Bend::zeros();
    state.change = (Bend::zeros(), f64::NEG_INFINITY);
    law.controllers.clear(&mut state.controllers);
    state.inverse_gain = state.plan.inverse_gain;
    state.inverse_gain_from = (state.plan.inverse_gain, f64::NEG_INFINITY);
    state.take_over = false;
    state.damping_from = law.damping;
    state.taken_over = f64::NEG_INFINITY;
    state.over_bend = false;
    (state.target, state.goal, state.motion) = (rest, rest, None);
    state.hold = input.hold;
    // After an outage earlier commands are void and only a new one moves the joint; after a gap the
    // command continues.
    let gap = state.held.is_some_and(|held| held.resumes);
    if std::mem::take(&mut state.resuming) && !gap {
        state.end_command(input);
    }
    state.sequence = state.sequence.filter(|_| !gap);
    state.shortfall = Bend::zeros();
    state.missing = Bend::zeros();
    state.damping_offset = Bend::zeros();
    state.damped = Bend::zeros();
    state.damping_gap = None;
    state.damping_rate = Bend::zeros();
    state.corrected.fill(0.0);
    state.residue.start.fill(0.0);
    state.residue.since = now;
    let work = &mut state.work;
    work.refer(&joint.kinematics, at);
    let angles = state.estimator.angles();
    if law.kind == CommandInterface::Position {
        state.sent.copy_from_slice(angles);
        for i in 0..angles.len() {
            let ahead = work.reference[i] + (state.inverse_gain - 1.0) * work.bend_part[i];
            state.residue.start[i] = angles[i] - ahead;
        }
        work.correction.copy_from_slice(&state.residue.start);
        joint
            .kinematics
            .projection(&work.jacobian)
            .project(&mut work.correction);
        if state.plan.structure == Structure::TwoDegreesOfFreedom {
            let most = law.limits.feedback;
            let factor = factor_within(work.correction.iter().map(|c| (*c, most)));
            work.correction.iter_mut().for_each(|c| *c *= factor);
        }
        if law.correct {
            law.controllers
                .shift(&mut state.controllers, work.correction.iter().copied());
            law.controllers
                .integrals(&state.controllers, &mut work.integrals);
            for (residue, integral) in state.residue.start.iter_mut().zip(&work.integrals) {
                *residue -= integral;
            }
        }
        state.corrected.copy_from_slice(&work.integrals);
    } else {
        state.sent.fill(0.0);
    }
    state.expected.copy_from_slice(angles);
    state.departures.fill(0.0);
    (state.started, state.held) = (true, None);
    (state.timed_out, state.furthest, state.saturated) = (false, None, false);
    state.watch.begin();
}

/// Blends `1/K` over a bumpless transfer. Returns the decrease in this tick.
fn blend_gain(state: &mut State, now: f64) -> f64 {
    let (from, since) = state.inverse_gain_from;
    let share = handed_over(since, now);
    let blended = from + (state.plan.inverse_gain - from) * share;
    std::mem::replace(&mut state.inverse_gain, blended) - blended
}

/// The reference of one tick and what the joint should make of it, rad and rad/s.
struct Followed {
    reference: Bend,
    /// Bend that the measurement should show.
    expected: Bend,
    /// Rate that the head should have.
    rate: Bend,
}

/// Runs one tick of the closed loop and fills `state.sent`: reference, feedforward, error,
/// feedback, damping, authority, drive.
pub(super) fn setpoints(
    joint: &Joint,
    law: &Law,
    state: &mut State,
    input: &Input,
    fresh: bool,
    now: f64,
    out: &mut Output,
) {
    let dt = joint.period;
    let share = handed_over(state.taken_over, now);
    let followed = reference(law, state);
    state.work.refer(&joint.kinematics, followed.reference);
    feedforward(law, state, now);
    let overdue = state.estimator.overdue(joint, now);
    error(joint, state, &followed, overdue, now);
    let at_rest = state.shaper.at_rest();
    state.integrator_deadband.step(
        law.integrator_deadband.as_ref(),
        &state.work.error,
        at_rest,
        dt,
    );
    (out.feedback_limited, out.feedback_share) = (false, 0.0);
    if state.watch.motion_doubted() {
        stand_still(law, state);
    } else {
        feedback(joint, law, state, fresh, share);
        let damping = damping(joint, law, state, &followed, fresh, overdue, share);
        for (correction, row) in state.work.correction.iter_mut().zip(&state.work.jacobian) {
            *correction = if law.correct {
                *correction + row.dot(&damping)
            } else {
                0.0
            };
        }
        if law.kind == CommandInterface::Position {
            position_authority(law, state, dt, out);
        }
        transfer(state, now);
    }
    state.work.before.copy_from_slice(&state.sent);
    match law.kind {
        CommandInterface::Position => position(joint, law, state, out),
        CommandInterface::Velocity => velocity(joint, law, state, out),
    }
    if !state.sent.iter().all(|s| s.is_finite()) {
        // Messages are range-checked; this covers unforeseen cases by a restart from the last
        // setpoints.
        state.sent.copy_from_slice(&state.work.before);
        state.mode = Mode::Stopped;
        state.begin_hold(now, true);
        state.end_command(input);
        return;
    }
    let estimate = state.estimator.estimate();
    if let Some(pan) = &joint.pan {
        let (value, rate) = (state.joint_model.value().z, state.joint_model.rate().z);
        let gain = law.tension_gain;
        state
            .pan
            .step(pan, law.kind, value, rate, estimate.pan, gain, dt);
    }
    follow(joint, law, state);
    state.saturated = out.feedback_limited || out.speed_limited || out.travel_limited;
    let min = law.limits.supervision.guard(Rule::Hunting).limit;
    state
        .hunting
        .step(estimate.motors_bend, at_rest, min, now, dt);
}

/// Lets the controllers stand still while the head moves otherwise than its motors: feedback of such
/// a measurement may drive the joint away. The last correction stays.
fn stand_still(law: &Law, state: &mut State) {
    match law.kind {
        CommandInterface::Position => state.work.correction.copy_from_slice(&state.corrected),
        CommandInterface::Velocity => state.work.correction.fill(0.0),
    }
}

/// Steps the shaper, and the models, which follow it as actually limited.
fn reference(law: &Law, state: &mut State) -> Followed {
    let (goal, pace) = limited(law, state);
    state.shaper.step(&law.shaper, goal, pace);
    let (reference, plan) = (state.shaper.value(), state.plan);
    let limited = configuration(reference.xy() + state.shortfall * plan.gain, reference.z);
    state.motor_model.step(&plan.motor_model, limited);
    state.joint_model.step(&plan.joint_model, limited);
    let reference = reference.xy();
    match plan.structure {
        Structure::TwoDegreesOfFreedom => Followed {
            reference,
            expected: match state.estimator.estimate().source {
                Source::Imu => state.joint_model.value().xy(),
                Source::Motors => state.motor_model.value().xy(),
            },
            rate: state.joint_model.rate().xy(),
        },
        Structure::PureFeedback => Followed {
            reference,
            expected: reference,
            rate: state.shaper.rate().xy(),
        },
    }
}

/// Blends the feedforward's gain over a bumpless transfer: its slope changes, but its present
/// output must not.
fn feedforward(law: &Law, state: &mut State, now: f64) {
    let change = blend_gain(state, now);
    if law.kind == CommandInterface::Position && change != 0.0 {
        let parts = state.work.bend_part.iter().map(|part| change * part);
        law.controllers.shift(&mut state.controllers, parts);
    }
}

/// Fills the motors' errors, projected into bend space before they reach the integrators.
fn error(joint: &Joint, state: &mut State, followed: &Followed, overdue: bool, now: f64) {
    let (kinematics, estimate) = (&joint.kinematics, state.estimator.estimate());
    let work = &mut state.work;
    let projection = kinematics.projection(&work.jacobian);
    kinematics.motor_angles(followed.expected, &mut work.expected);
    match estimate.source {
        Source::Imu => kinematics.motor_angles(estimate.bend, &mut work.error),
        Source::Motors => {
            work.error.copy_from_slice(state.estimator.angles());
            if state.plan.structure == Structure::TwoDegreesOfFreedom {
                // The feedforward sends the encoders to `q(b)/K`.
                work.expected_part.copy_from_slice(&work.expected);
                projection.project(&mut work.expected_part);
                for (expected, part) in work.expected.iter_mut().zip(&work.expected_part) {
                    *expected += (state.inverse_gain - 1.0) * part;
                }
            }
        }
    }
    for (error, expected) in work.error.iter_mut().zip(&work.expected) {
        *error = expected - *error;
    }
    // A change of the measurement basis must not act as an error: the offset it leaves decays.
    let error = projection.project(&mut work.error);
    let basis = (estimate.source, joint.gravity_base);
    if std::mem::replace(&mut state.basis, basis) != basis {
        state.change = (state.error - error, now);
    }
    // While samples are missing the reference moves on; its lead is no error either.
    if overdue {
        projection.expand(state.error, &mut work.error);
        return;
    }
    let (left, since) = state.change;
    let left = left * (1.0 - handed_over(since, now));
    for (error, row) in work.error.iter_mut().zip(&work.jacobian) {
        *error += row.dot(&left);
    }
    state.error = error + left;
}

/// Steps the controllers; their integrators lose what the projection removes from their sum.
fn feedback(joint: &Joint, law: &Law, state: &mut State, fresh: bool, share: f64) {
    let work = &mut state.work;
    let projection = joint.kinematics.projection(&work.jacobian);
    let integrate = !state.integrator_deadband.holding() && !state.over_bend;
    law.controllers.step(
        &mut state.controllers,
        &work.error,
        fresh,
        integrate,
        share,
        &mut work.correction,
    );
    law.controllers
        .integrals(&state.controllers, &mut work.integrals);
    work.inside.copy_from_slice(&work.integrals);
    projection.project(&mut work.inside);
    let bleed = joint.period / (BLEED + joint.period);
    let parts = work.inside.iter().zip(&work.integrals);
    let outside = parts.map(|(inside, all)| bleed * (inside - all));
    law.controllers.shift(&mut state.controllers, outside);
    projection.project(&mut work.correction);
}

/// Returns the damping in bend space, on the rate in excess of the expected one: rad, or rad/s of a
/// velocity drive.
fn damping(
    joint: &Joint,
    law: &Law,
    state: &mut State,
    followed: &Followed,
    fresh: bool,
    overdue: bool,
    share: f64,
) -> Bend {
    let dt = joint.period;
    let gain = state.damping_from + (law.damping - state.damping_from) * share;
    let knows_rate = state.estimator.knows_rate();
    let offset = if knows_rate {
        (followed.rate - state.estimator.estimate().rate) * gain
    } else {
        // Without a measured rate the model's rate would drive the joint, not damp it.
        Bend::zeros()
    };
    // The feedback limit also bounds the effect of a gyro glitch.
    let max = law.limits.feedback;
    let rows = state.work.jacobian.iter();
    let offset = offset * factor_within(rows.map(|row| (row.dot(&offset), max)));
    // A non-finite offset counts as zero.
    let offset = if offset.iter().all(|part| part.is_finite()) {
        offset
    } else {
        Bend::zeros()
    };
    // When the rate becomes known or unknown, the jump decays instead.
    let gap = match state.damping_gap {
        Some((gap, known)) if known == knows_rate => gap * (DAMPING_FADE / (DAMPING_FADE + dt)),
        _ => {
            state.damping_offset = state.damped;
            state.damped - offset
        }
    };
    state.damping_gap = Some((gap, knows_rate));
    let offset = if overdue { state.damped } else { offset + gap };
    state.damped = offset;
    match law.kind {
        CommandInterface::Position => offset,
        CommandInterface::Velocity => {
            // A velocity drive integrates: it takes the change of the offset per new sample.
            if fresh {
                state.damping_rate = (offset - state.damping_offset) / joint.sample_period;
                state.damping_offset = offset;
            } else if overdue {
                state.damping_rate = Bend::zeros();
            }
            state.damping_rate
        }
    }
}

/// Returns the part of the way to the reference, `q/K`, that the feedforward does not supply: what
/// feedback has to make in `pure_feedback`, and during a blend of `1/K`.
fn owed(state: &State) -> f64 {
    match state.plan.structure {
        Structure::TwoDegreesOfFreedom => state.plan.inverse_gain - state.inverse_gain,
        Structure::PureFeedback => 1.0 / state.plan.gain - state.inverse_gain,
    }
}

/// Bounds what feedback adds to the setpoints by the feedback limit, beyond what it has to make.
fn position_authority(law: &Law, state: &mut State, dt: f64, out: &mut Output) {
    let (owed, max) = (owed(state), law.limits.feedback);
    let pure = state.plan.structure == Structure::PureFeedback;
    let bounds = |part: f64| {
        let owed = owed * part;
        if pure {
            (owed.min(0.0) - max, owed.max(0.0) + max)
        } else {
            // The integrators also carry what the feedforward had before the blend.
            (-owed.abs() - max, owed.abs() + max)
        }
    };
    let work = &mut state.work;
    let parts = work.correction.iter().zip(&work.bend_part);
    let parts = parts.map(|(c, part)| (*c, bounds(*part)));
    out.feedback_share = parts
        .clone()
        .map(|(c, (low, high))| c / if c < 0.0 { low } else { high }.abs().max(LEAST_DELTA))
        .map(f64::abs)
        .fold(0.0, f64::max);
    let factor = factor_inside(parts.map(|(c, (low, high))| (0.0, c, low, high)));
    if factor < 1.0 {
        out.feedback_limited = true;
        back_calculate(
            law,
            &mut state.controllers,
            dt,
            &work.correction,
            factor - 1.0,
        );
        work.correction.iter_mut().for_each(|c| *c *= factor);
    }
}

/// Adds what is left of the offset of a bumpless transfer, which starts from the last correction.
fn transfer(state: &mut State, now: f64) {
    let work = &mut state.work;
    if std::mem::take(&mut state.take_over) {
        for i in 0..work.correction.len() {
            state.residue.start[i] = state.corrected[i] - work.correction[i];
        }
        state.residue.since = now;
    }
    let residue = state.residue.share(now);
    for i in 0..work.correction.len() {
        work.correction[i] += residue * state.residue.start[i];
    }
    state.corrected.copy_from_slice(&work.correction);
}

/// Shifts the integrators by `share` of `part`, with the time constant of back-calculation.
fn back_calculate(
    law: &Law,
    controllers: &mut crate::control::controller::ControllersState,
    dt: f64,
    part: &[f64],
    share: f64,
) {
    let weight = share * dt / (BACK_CALCULATION + dt);
    law.controllers
        .shift(controllers, part.iter().map(|p| weight * p));
}

fn position(joint: &Joint, law: &Law, state: &mut State, out: &mut Output) {
    let dt = joint.period;
    let motors = joint.motors();
    let work = &mut state.work;
    let projection = joint.kinematics.projection(&work.jacobian);
    // Internal part of the reference; everything else lies in bend space.
    for i in 0..motors {
        work.base[i] = work.reference[i] - work.bend_part[i];
        work.asked[i] = state.inverse_gain * work.bend_part[i] + work.correction[i];
    }
    let limits = &law.limits.motors;
    let factor = factor_inside(
        (0..motors).map(|i| (work.base[i], work.asked[i], limits[i].low, limits[i].high)),
    );
    out.travel_limited = factor < 1.0;
    if out.travel_limited {
        back_calculate(law, &mut state.controllers, dt, &work.asked, factor - 1.0);
    }
    for i in 0..motors {
        work.asked[i] = work.base[i] + factor * work.asked[i] - state.sent[i];
    }
    if state.over_bend {
        let bend = state.estimator.estimate().bend;
        inward_only(&projection, &work.jacobian, &mut work.asked, bend);
    }
    // One factor for the whole increment keeps the direction of its bend, and the internal part
    // that belongs to that bend.
    let factor = factor_within((0..motors).map(|i| (work.asked[i], limits[i].speed * dt)));
    out.speed_limited = factor < 1.0;
    let mut missing = Bend::zeros();
    if out.speed_limited {
        back_calculate(law, &mut state.controllers, dt, &work.asked, factor - 1.0);
        missing = projection.bend_part(&work.asked) * (factor - 1.0);
    }
    for i in 0..motors {
        state.sent[i] += factor * work.asked[i];
    }
    state.shortfall = missing;
}

/// Removes from the increments `asked` the part that would bend further outward.
fn inward_only(projection: &Projection, jacobian: &[Bend], asked: &mut [f64], bend: Bend) {
    let size = bend.norm();
    if size <= LEAST_DELTA {
        return;
    }
    let outward = bend / size;
    let beyond = projection.bend_part(asked).dot(&outward).max(0.0);
    for (asked, row) in asked.iter_mut().zip(jacobian) {
        *asked -= row.dot(&outward) * beyond;
    }
}

/// Returns `made` without its part on the way from zero to `owed`.
fn beyond_owed(made: Bend, owed: Bend) -> Bend {
    let size = owed.norm_squared();
    if size <= LEAST_DELTA {
        return made;
    }
    made - owed * (made.dot(&owed) / size).clamp(0.0, 1.0)
}

/// Bounds feedback with velocity setpoints: the motors' bend that feedback has caused so far, beyond
/// what it has to make, plus what it would soon add. The motors' own lag is not counted as feedback.
fn velocity_authority(joint: &Joint, law: &Law, state: &mut State, out: &mut Output) {
    let owed = match state.plan.structure {
        Structure::TwoDegreesOfFreedom => Bend::zeros(),
        Structure::PureFeedback => state.shaper.value().xy() * owed(state),
    };
    let work = &mut state.work;
    let angles = state.estimator.angles();
    let projection = joint.kinematics.projection(&work.jacobian);
    let rate = state.shaper.rate().xy() * state.inverse_gain;
    let lag = joint.motor_time_constant + joint.period;
    for i in 0..joint.motors() {
        let ahead = work.reference[i] + (state.inverse_gain - 1.0) * work.bend_part[i];
        work.caused[i] = angles[i] - ahead + lag * work.jacobian[i].dot(&rate);
    }
    let rows = work.jacobian.iter().map(|row| row.norm());
    let max = law.limits.feedback / rows.fold(0.0, f64::max).max(LEAST_DELTA);
    let made = beyond_owed(projection.bend_part(&work.caused), owed);
    let size = made.norm();
    out.feedback_share = size / max.max(LEAST_DELTA);
    let outward = made / size.max(LEAST_DELTA);
    let room = ((max - size) / LOOK_AHEAD).max(0.0);
    let beyond = projection.bend_part(&work.correction).dot(&outward) - room;
    out.feedback_limited = beyond > 0.0;
    if out.feedback_limited {
        for (part, row) in work.caused.iter_mut().zip(&work.jacobian) {
            *part = -row.dot(&outward) * beyond;
        }
        back_calculate(law, &mut state.controllers, joint.period, &work.caused, 1.0);
        for (correction, part) in work.correction.iter_mut().zip(&work.caused) {
            *correction += part;
        }
    }
}

fn velocity(joint: &Joint, law: &Law, state: &mut State, out: &mut Output) {
    velocity_authority(joint, law, state, out);
    let motors = joint.motors();
    let kinematics = &joint.kinematics;
    let work = &mut state.work;
    let angles = state.estimator.angles();
    let projection = kinematics.projection(&work.jacobian);
    let rate = state.shaper.rate().xy() * state.inverse_gain;
    // Internal directions: hold the tension that belongs to the reference.
    for i in 0..motors {
        work.base[i] = work.reference[i] - angles[i];
        work.error[i] = work.base[i];
    }
    projection.project(&mut work.error);
    for i in 0..motors {
        work.base[i] = law.tension_gain * (work.base[i] - work.error[i]);
        work.asked[i] = work.jacobian[i].dot(&rate) + work.correction[i];
    }
    if state.over_bend {
        let bend = state.estimator.estimate().bend;
        inward_only(&projection, &work.jacobian, &mut work.asked, bend);
    }
    let limits = &law.limits.motors;
    let travel = factor_within((0..motors).map(|i| {
        let room = if work.asked[i] > 0.0 {
            limits[i].high - angles[i]
        } else {
            angles[i] - limits[i].low
        };
        (work.asked[i], (room / LOOK_AHEAD).max(0.0))
    }));
    out.travel_limited = travel < 1.0;
    let speed = factor_inside((0..motors).map(|i| {
        let most = limits[i].speed;
        (
            work.base[i].clamp(-most, most),
            travel * work.asked[i],
            -most,
            most,
        )
    }));
    out.speed_limited = speed < 1.0;
    let factor = travel * speed;
    let mut missing = Bend::zeros();
    if factor < 1.0 {
        back_calculate(
            law,
            &mut state.controllers,
            joint.period,
            &work.correction,
            factor - 1.0,
        );
        missing = projection.bend_part(&work.asked) * (factor - 1.0);
    }
    for i in 0..motors {
        let most = limits[i].speed;
        state.sent[i] = work.base[i].clamp(-most, most) + factor * work.asked[i];
    }
    // Bend that was not sent is missing from now on; it decays as the loop makes up for it.
    let kept = 1.0 - joint.period / HAND_OVER;
    state.missing = state.missing * kept + missing * joint.period;
    state.shortfall = state.missing;
}

/// Updates the motors' expected angles by their known lag, and the encoders' deviations from them.
pub(super) fn expect(joint: &Joint, law: &Law, state: &mut State) {
    let dt = joint.period;
    let weight = dt / (joint.motor_time_constant + dt);
    let angles = state.estimator.angles();
    for i in 0..angles.len() {
        match law.kind {
            CommandInterface::Position => {
                state.expected[i] += weight * (state.sent[i] - state.expected[i]);
            }
            // Drawn to the encoder slowly, since only the deviation counts.
            CommandInterface::Velocity => {
                state.expected[i] += dt * state.sent[i];
                let most = law.limits.feedback + joint.following_error_limit;
                let apart = (angles[i] - state.expected[i]).clamp(-most, most);
                state.expected[i] += dt / HAND_OVER * apart;
            }
        }
        // A velocity drive lags by its own time constant.
        let lag = match law.kind {
            CommandInterface::Position => 0.0,
            CommandInterface::Velocity => joint.motor_time_constant * state.sent[i],
        };
        state.departures[i] = angles[i] - state.expected[i] + lag;
    }
    if let Some(pan) = &joint.pan {
        let measured = state.estimator.estimate().pan;
        state.departures[angles.len()] = state.pan.departure(pan, law.kind, measured, dt);
    }
}

/// Feeds the deviation of the encoders from the expected angles back to the integrators.
fn follow(joint: &Joint, law: &Law, state: &mut State) {
    expect(joint, law, state);
    let mut followed = true;
    let work = &mut state.work;
    for (error, departure) in work.error.iter_mut().zip(&state.departures) {
        // The feedback limit also bounds the effect of an encoder glitch.
        let departure = dead_zone(*departure, joint.following_error_limit);
        *error = departure.clamp(-law.limits.feedback, law.limits.feedback);
        followed &= *error == 0.0;
    }
    if !followed {
        let projection = joint.kinematics.projection(&work.jacobian);
        state.shortfall += projection.project(&mut work.error);
        back_calculate(law, &mut state.controllers, joint.period, &work.error, 1.0);
    }
}

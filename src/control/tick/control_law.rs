//! Control law: combines reference, feedforward, correction and limits into setpoints.
#![allow(
    clippy::needless_range_loop,
    reason = "several arrays, one place per motor each, are iterated together"
)]

use super::command::limited;
use super::state::Common;
use super::tracking::{Tracking, Transfer};
use super::{HAND_OVER, Joint, Law, Output, Rule, Source, handed_over};
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
    pub(super) jacobian: Vec<Bend>,
    /// Motor angles of the reference model's bend.
    expected: Vec<f64>,
    error: Vec<f64>,
    pub(super) correction: Vec<f64>,
    /// Bend part of `expected`.
    expected_part: Vec<f64>,
    pub(super) integrals: Vec<f64>,
    /// Part of `integrals` in bend space.
    inside: Vec<f64>,
    /// Motor angles that feedback has caused.
    caused: Vec<f64>,
    asked: Vec<f64>,
    base: Vec<f64>,
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
            base: zero,
        }
    }

    /// Computes motor angles, Jacobian and bend part of the angles at `reference`.
    pub(super) fn refer(&mut self, kinematics: &Kinematics, reference: Bend) {
        kinematics.motor_angles(reference, &mut self.reference);
        kinematics.jacobian(reference, &mut self.jacobian);
        self.bend_part.copy_from_slice(&self.reference);
        kinematics
            .projection(&self.jacobian)
            .project(&mut self.bend_part);
    }

    /// Returns the angle that the feedforward gives motor `i` at the reference, rad.
    pub(super) fn ahead(&self, i: usize, inverse_gain: f64) -> f64 {
        self.reference[i] + (inverse_gain - 1.0) * self.bend_part[i]
    }
}

/// The reference of one tick and what the joint should make of it, rad and rad/s.
struct Followed {
    reference: Bend,
    /// Bend that the measurement should show.
    expected: Bend,
    /// Rate that the head should have.
    rate: Bend,
}

/// Samples and bumpless transfer at one tick.
#[derive(Clone, Copy)]
struct Moment {
    /// The sample that feedback uses is new.
    fresh: bool,
    /// The next one is long overdue.
    overdue: bool,
    /// Progress of the transfer to the present law, 0 to 1.
    share: f64,
    now: f64,
}

/// Runs one tick of the closed loop and fills the setpoints: reference, feedforward, error,
/// feedback, damping, authority, drive. Returns false if a setpoint is not finite.
pub(super) fn setpoints(
    joint: &Joint,
    law: &Law,
    tracking: &mut Tracking,
    common: &mut Common,
    fresh: bool,
    now: f64,
    out: &mut Output,
) -> bool {
    let dt = joint.period;
    let followed = reference(law, tracking, common);
    common.work.refer(&joint.kinematics, followed.reference);
    feedforward(law, tracking, common, now);
    let moment = Moment {
        fresh,
        overdue: common.estimator.overdue(joint, now),
        share: tracking.transfer.share(now),
        now,
    };
    error(joint, tracking, common, &followed, moment);
    let at_rest = tracking.buffers.shaper.at_rest();
    common.integrator_deadband.step(
        law.integrator_deadband.as_ref(),
        &common.work.error,
        at_rest,
        dt,
    );
    feedback(joint, law, tracking, common, moment);
    let damping = damping(joint, law, tracking, common, &followed, moment);
    for (correction, row) in common.work.correction.iter_mut().zip(&common.work.jacobian) {
        *correction = if law.correct {
            *correction + row.dot(&damping)
        } else {
            0.0
        };
    }
    (out.limited.feedback, out.limited.feedback_share) = (false, 0.0);
    if law.kind == CommandInterface::Position {
        position_authority(law, tracking, common, dt, out);
    }
    transfer(tracking, common, now);
    match law.kind {
        CommandInterface::Position => position(joint, law, tracking, common, out),
        CommandInterface::Velocity => velocity(joint, law, tracking, common, out),
    }
    let drives = &mut common.drives;
    if !drives.sent.iter().all(|s| s.is_finite()) {
        // Messages are range-checked; this covers unforeseen cases by a restart from the last
        // setpoints.
        drives.sent.copy_from_slice(&drives.before);
        return false;
    }
    let estimate = common.estimator.estimate();
    if let Some(pan) = &joint.pan {
        let model = &tracking.buffers.joint_model;
        let (value, rate) = (model.value().z, model.rate().z);
        let gain = law.tension_gain;
        drives
            .pan
            .step(pan, law.kind, value, rate, estimate.pan, gain, dt);
    }
    follow(joint, law, tracking, common);
    tracking.saturated = out.limited.feedback || out.limited.speed || out.limited.travel;
    let min = law.limits.supervision.guard(Rule::Hunting).limit;
    common
        .hunting
        .step(estimate.motors_bend, at_rest, min, now, dt);
    true
}

/// Steps the shaper, and the models, which follow it as actually limited.
fn reference(law: &Law, tracking: &mut Tracking, common: &Common) -> Followed {
    let (goal, pace) = limited(law, tracking, &common.monitor);
    tracking.buffers.shaper.step(&law.shaper, goal, pace);
    let (reference, plan) = (tracking.buffers.shaper.value(), tracking.transfer.plan);
    let limited = configuration(reference.xy() + tracking.shortfall * plan.gain, reference.z);
    tracking
        .buffers
        .motor_model
        .step(&plan.motor_model, limited);
    tracking
        .buffers
        .joint_model
        .step(&plan.joint_model, limited);
    let reference = reference.xy();
    match plan.structure {
        Structure::TwoDegreesOfFreedom => Followed {
            reference,
            expected: match common.estimator.estimate().source {
                Source::Imu => tracking.buffers.joint_model.value().xy(),
                Source::Motors => tracking.buffers.motor_model.value().xy(),
            },
            rate: tracking.buffers.joint_model.rate().xy(),
        },
        Structure::PureFeedback => Followed {
            reference,
            expected: reference,
            rate: tracking.buffers.shaper.rate().xy(),
        },
    }
}

/// Blends the feedforward's gain over a bumpless transfer: its slope changes, but its present
/// output must not.
fn feedforward(law: &Law, tracking: &mut Tracking, common: &Common, now: f64) {
    let change = tracking.transfer.blend_gain(now);
    if law.kind == CommandInterface::Position && change != 0.0 {
        let parts = common.work.bend_part.iter().map(|part| change * part);
        law.controllers
            .shift(&mut tracking.buffers.controllers, parts);
    }
}

/// Fills the motors' errors, projected into bend space before they reach the integrators.
fn error(
    joint: &Joint,
    tracking: &mut Tracking,
    common: &mut Common,
    followed: &Followed,
    moment: Moment,
) {
    let now = moment.now;
    let (kinematics, estimate) = (&joint.kinematics, common.estimator.estimate());
    let work = &mut common.work;
    let projection = kinematics.projection(&work.jacobian);
    kinematics.motor_angles(followed.expected, &mut work.expected);
    match estimate.source {
        Source::Imu => kinematics.motor_angles(estimate.bend, &mut work.error),
        Source::Motors => {
            work.error.copy_from_slice(common.estimator.angles());
            if tracking.transfer.plan.structure == Structure::TwoDegreesOfFreedom {
                // The feedforward sends the encoders to `q(b)/K`.
                work.expected_part.copy_from_slice(&work.expected);
                projection.project(&mut work.expected_part);
                for (expected, part) in work.expected.iter_mut().zip(&work.expected_part) {
                    *expected += (tracking.transfer.inverse_gain - 1.0) * part;
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
    if std::mem::replace(&mut tracking.basis.of, basis) != basis {
        tracking.basis.change = (tracking.basis.error - error, now);
    }
    // While samples are missing the reference moves on; its lead is no error either.
    if moment.overdue {
        projection.expand(tracking.basis.error, &mut work.error);
        return;
    }
    let (left, since) = tracking.basis.change;
    let left = left * (1.0 - handed_over(since, now));
    for (error, row) in work.error.iter_mut().zip(&work.jacobian) {
        *error += row.dot(&left);
    }
    tracking.basis.error = error + left;
}

/// Steps the controllers; their integrators lose what the projection removes from their sum.
fn feedback(
    joint: &Joint,
    law: &Law,
    tracking: &mut Tracking,
    common: &mut Common,
    moment: Moment,
) {
    let work = &mut common.work;
    let projection = joint.kinematics.projection(&work.jacobian);
    let integrate = !common.integrator_deadband.holding() && !tracking.over_bend;
    law.controllers.step(
        &mut tracking.buffers.controllers,
        &work.error,
        moment.fresh,
        integrate,
        moment.share,
        &mut work.correction,
    );
    law.controllers
        .integrals(&tracking.buffers.controllers, &mut work.integrals);
    work.inside.copy_from_slice(&work.integrals);
    projection.project(&mut work.inside);
    let bleed = joint.period / (BLEED + joint.period);
    let parts = work.inside.iter().zip(&work.integrals);
    let outside = parts.map(|(inside, all)| bleed * (inside - all));
    law.controllers
        .shift(&mut tracking.buffers.controllers, outside);
    projection.project(&mut work.correction);
}

/// Returns the damping in bend space, on the rate in excess of the expected one: rad, or rad/s of a
/// velocity drive.
fn damping(
    joint: &Joint,
    law: &Law,
    tracking: &mut Tracking,
    common: &Common,
    followed: &Followed,
    moment: Moment,
) -> Bend {
    let dt = joint.period;
    let gain = tracking.transfer.damping(law, moment.share);
    let knows_rate = common.estimator.knows_rate();
    let offset = if knows_rate {
        (followed.rate - common.estimator.estimate().rate) * gain
    } else {
        // Without a measured rate the model's rate would drive the joint, not damp it.
        Bend::zeros()
    };
    // The feedback limit also bounds the effect of a gyro glitch.
    let max = law.limits.feedback;
    let rows = common.work.jacobian.iter();
    let offset = offset * factor_within(rows.map(|row| (row.dot(&offset), max)));
    // A non-finite offset counts as zero.
    let offset = if offset.iter().all(|part| part.is_finite()) {
        offset
    } else {
        Bend::zeros()
    };
    // When the rate becomes known or unknown, the jump decays instead.
    let gap = match tracking.damping.gap {
        Some((gap, known)) if known == knows_rate => gap * (DAMPING_FADE / (DAMPING_FADE + dt)),
        _ => {
            tracking.damping.sampled = tracking.damping.last;
            tracking.damping.last - offset
        }
    };
    tracking.damping.gap = Some((gap, knows_rate));
    let offset = if moment.overdue {
        tracking.damping.last
    } else {
        offset + gap
    };
    tracking.damping.last = offset;
    match law.kind {
        CommandInterface::Position => offset,
        CommandInterface::Velocity => {
            // A velocity drive integrates: it takes the change of the offset per new sample.
            if moment.fresh {
                tracking.damping.rate = (offset - tracking.damping.sampled) / joint.sample_period;
                tracking.damping.sampled = offset;
            } else if moment.overdue {
                tracking.damping.rate = Bend::zeros();
            }
            tracking.damping.rate
        }
    }
}

/// Returns the part of the way to the reference, `q/K`, that the feedforward does not supply: what
/// feedback has to make in `pure_feedback`, and during a blend of `1/K`.
fn owed(transfer: &Transfer) -> f64 {
    match transfer.plan.structure {
        Structure::TwoDegreesOfFreedom => transfer.plan.inverse_gain - transfer.inverse_gain,
        Structure::PureFeedback => 1.0 / transfer.plan.gain - transfer.inverse_gain,
    }
}

/// Bounds what feedback adds to the setpoints by the feedback limit, beyond what it has to make.
fn position_authority(
    law: &Law,
    tracking: &mut Tracking,
    common: &mut Common,
    dt: f64,
    out: &mut Output,
) {
    let (owed, max) = (owed(&tracking.transfer), law.limits.feedback);
    let pure = tracking.transfer.plan.structure == Structure::PureFeedback;
    let bounds = |part: f64| {
        let owed = owed * part;
        if pure {
            (owed.min(0.0) - max, owed.max(0.0) + max)
        } else {
            // The integrators also carry what the feedforward had before the blend.
            (-owed.abs() - max, owed.abs() + max)
        }
    };
    let work = &mut common.work;
    let parts = work.correction.iter().zip(&work.bend_part);
    let parts = parts.map(|(c, part)| (*c, bounds(*part)));
    out.limited.feedback_share = parts
        .clone()
        .map(|(c, (low, high))| c / if c < 0.0 { low } else { high }.abs().max(LEAST_DELTA))
        .map(f64::abs)
        .fold(0.0, f64::max);
    let factor = factor_inside(parts.map(|(c, (low, high))| (0.0, c, low, high)));
    if factor < 1.0 {
        out.limited.feedback = true;
        back_calculate(
            law,
            &mut tracking.buffers.controllers,
            dt,
            &work.correction,
            factor - 1.0,
        );
        work.correction.iter_mut().for_each(|c| *c *= factor);
    }
}

/// Adds what is left of the offset of a bumpless transfer, which starts from the last correction.
fn transfer(tracking: &mut Tracking, common: &mut Common, now: f64) {
    let work = &mut common.work;
    if std::mem::take(&mut tracking.transfer.due) {
        for i in 0..work.correction.len() {
            tracking.buffers.residue[i] = tracking.buffers.corrected[i] - work.correction[i];
        }
        tracking.transfer.residue_since = now;
    }
    let residue = 1.0 - handed_over(tracking.transfer.residue_since, now);
    for i in 0..work.correction.len() {
        work.correction[i] += residue * tracking.buffers.residue[i];
    }
    tracking.buffers.corrected.copy_from_slice(&work.correction);
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

fn position(
    joint: &Joint,
    law: &Law,
    tracking: &mut Tracking,
    common: &mut Common,
    out: &mut Output,
) {
    let dt = joint.period;
    let motors = joint.motors();
    let work = &mut common.work;
    let projection = joint.kinematics.projection(&work.jacobian);
    // Internal part of the reference; everything else lies in bend space.
    for i in 0..motors {
        work.base[i] = work.reference[i] - work.bend_part[i];
        work.asked[i] = tracking.transfer.inverse_gain * work.bend_part[i] + work.correction[i];
    }
    let limits = &law.limits.motors;
    let factor = factor_inside(
        (0..motors).map(|i| (work.base[i], work.asked[i], limits[i].low, limits[i].high)),
    );
    out.limited.travel = factor < 1.0;
    if out.limited.travel {
        back_calculate(
            law,
            &mut tracking.buffers.controllers,
            dt,
            &work.asked,
            factor - 1.0,
        );
    }
    for i in 0..motors {
        work.asked[i] = work.base[i] + factor * work.asked[i] - common.drives.sent[i];
    }
    if tracking.over_bend {
        let bend = common.estimator.estimate().bend;
        inward_only(&projection, &work.jacobian, &mut work.asked, bend);
    }
    // One factor for the whole increment keeps the direction of its bend, and the internal part
    // that belongs to that bend.
    let factor = factor_within((0..motors).map(|i| (work.asked[i], limits[i].speed * dt)));
    out.limited.speed = factor < 1.0;
    let mut missing = Bend::zeros();
    if out.limited.speed {
        back_calculate(
            law,
            &mut tracking.buffers.controllers,
            dt,
            &work.asked,
            factor - 1.0,
        );
        missing = projection.bend_part(&work.asked) * (factor - 1.0);
    }
    for i in 0..motors {
        common.drives.sent[i] += factor * work.asked[i];
    }
    tracking.shortfall = missing;
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
fn velocity_authority(
    joint: &Joint,
    law: &Law,
    tracking: &mut Tracking,
    common: &mut Common,
    out: &mut Output,
) {
    let owed = match tracking.transfer.plan.structure {
        Structure::TwoDegreesOfFreedom => Bend::zeros(),
        Structure::PureFeedback => tracking.buffers.shaper.value().xy() * owed(&tracking.transfer),
    };
    let work = &mut common.work;
    let angles = common.estimator.angles();
    let projection = joint.kinematics.projection(&work.jacobian);
    let rate = tracking.buffers.shaper.rate().xy() * tracking.transfer.inverse_gain;
    let lag = joint.motor_time_constant + joint.period;
    for i in 0..joint.motors() {
        let ahead = work.ahead(i, tracking.transfer.inverse_gain);
        work.caused[i] = angles[i] - ahead + lag * work.jacobian[i].dot(&rate);
    }
    let rows = work.jacobian.iter().map(|row| row.norm());
    let max = law.limits.feedback / rows.fold(0.0, f64::max).max(LEAST_DELTA);
    let made = beyond_owed(projection.bend_part(&work.caused), owed);
    let size = made.norm();
    out.limited.feedback_share = size / max.max(LEAST_DELTA);
    let outward = made / size.max(LEAST_DELTA);
    let room = ((max - size) / LOOK_AHEAD).max(0.0);
    let beyond = projection.bend_part(&work.correction).dot(&outward) - room;
    out.limited.feedback = beyond > 0.0;
    if out.limited.feedback {
        for (part, row) in work.caused.iter_mut().zip(&work.jacobian) {
            *part = -row.dot(&outward) * beyond;
        }
        back_calculate(
            law,
            &mut tracking.buffers.controllers,
            joint.period,
            &work.caused,
            1.0,
        );
        for (correction, part) in work.correction.iter_mut().zip(&work.caused) {
            *correction += part;
        }
    }
}

fn velocity(
    joint: &Joint,
    law: &Law,
    tracking: &mut Tracking,
    common: &mut Common,
    out: &mut Output,
) {
    velocity_authority(joint, law, tracking, common, out);
    let motors = joint.motors();
    let kinematics = &joint.kinematics;
    let work = &mut common.work;
    let angles = common.estimator.angles();
    let projection = kinematics.projection(&work.jacobian);
    let rate = tracking.buffers.shaper.rate().xy() * tracking.transfer.inverse_gain;
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
    if tracking.over_bend {
        let bend = common.estimator.estimate().bend;
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
    out.limited.travel = travel < 1.0;
    let speed = factor_inside((0..motors).map(|i| {
        let most = limits[i].speed;
        (
            work.base[i].clamp(-most, most),
            travel * work.asked[i],
            -most,
            most,
        )
    }));
    out.limited.speed = speed < 1.0;
    let factor = travel * speed;
    let mut missing = Bend::zeros();
    if factor < 1.0 {
        back_calculate(
            law,
            &mut tracking.buffers.controllers,
            joint.period,
            &work.correction,
            factor - 1.0,
        );
        missing = projection.bend_part(&work.asked) * (factor - 1.0);
    }
    for i in 0..motors {
        let most = limits[i].speed;
        common.drives.sent[i] = work.base[i].clamp(-most, most) + factor * work.asked[i];
    }
    // Bend that was not sent is missing from now on; it decays as the loop makes up for it.
    let kept = 1.0 - joint.period / HAND_OVER;
    tracking.missing = tracking.missing * kept + missing * joint.period;
    tracking.shortfall = tracking.missing;
}

/// Updates the motors' expected angles by their known lag, and the encoders' deviations from them.
pub(super) fn expect(joint: &Joint, law: &Law, common: &mut Common) {
    let dt = joint.period;
    let weight = dt / (joint.motor_time_constant + dt);
    let angles = common.estimator.angles();
    for i in 0..angles.len() {
        match law.kind {
            CommandInterface::Position => {
                common.drives.expected[i] +=
                    weight * (common.drives.sent[i] - common.drives.expected[i]);
            }
            // Drawn to the encoder slowly, since only the deviation counts.
            CommandInterface::Velocity => {
                common.drives.expected[i] += dt * common.drives.sent[i];
                let most = law.limits.feedback + joint.following_error_limit;
                let apart = (angles[i] - common.drives.expected[i]).clamp(-most, most);
                common.drives.expected[i] += dt / HAND_OVER * apart;
            }
        }
        // A velocity drive lags by its own time constant.
        let lag = match law.kind {
            CommandInterface::Position => 0.0,
            CommandInterface::Velocity => joint.motor_time_constant * common.drives.sent[i],
        };
        common.drives.departures[i] = angles[i] - common.drives.expected[i] + lag;
    }
    if let Some(pan) = &joint.pan {
        let measured = common.estimator.estimate().pan;
        common.drives.departures[angles.len()] =
            common.drives.pan.departure(pan, law.kind, measured, dt);
    }
}

/// Feeds the deviation of the encoders from the expected angles back to the integrators.
fn follow(joint: &Joint, law: &Law, tracking: &mut Tracking, common: &mut Common) {
    expect(joint, law, common);
    let mut followed = true;
    let work = &mut common.work;
    for (error, departure) in work.error.iter_mut().zip(&common.drives.departures) {
        // The feedback limit also bounds the effect of an encoder glitch.
        let departure = dead_zone(*departure, joint.following_error_limit);
        *error = departure.clamp(-law.limits.feedback, law.limits.feedback);
        followed &= *error == 0.0;
    }
    if !followed {
        let projection = joint.kinematics.projection(&work.jacobian);
        tracking.shortfall += projection.project(&mut work.error);
        back_calculate(
            law,
            &mut tracking.buffers.controllers,
            joint.period,
            &work.error,
            1.0,
        );
    }
}

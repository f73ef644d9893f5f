//! What the loop does next: waits, tracks, or holds.

use super::supervise::{Reaction, Readiness, Rule};
use super::{Feedback, Input, Joint, Law, Mode, MotorSample, State, release};
use crate::controller::CommandInterface;

/// Shortest hold, s: many time constants of a motor, so that a loop that starts anew finds the motors where they were sent.
const SHORTEST_HOLD: f64 = 0.25;

/// Share of a motor's acceleration with which a held velocity comes to rest.
const BRAKING_SHARE: f64 = 0.4;

/// A hold under way.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hold {
    /// When it began, s.
    since: f64,
    /// It is a short gap in what is measured or in ticks, so that the command that there is goes on after it.
    pub resumes: bool,
    /// Every motor has been silent meanwhile.
    pub(super) alone: bool,
}

/// What the loop does in this tick.
pub(super) fn next(joint: &Joint, law: &Law, state: &mut State, input: &Input, now: f64) -> Mode {
    if input.inactive {
        state.stop_sending();
        state.readiness = readiness(joint, law, state, input, now);
        // A loop that was made anew knows nothing of it, and the command of the one before is there.
        state.resuming = true;
        return Mode::Inactive;
    }
    let running = state.started || state.held.is_some();
    let without = state.watch.motors_may_serve(law);
    let good = state
        .estimator
        .complete(joint, law, input, without, running, now);
    if good {
        state.last_good = now;
    }
    let hold = state.watch.faults().reaction >= Reaction::Hold;
    // A drive that takes velocities ran on while nothing ticked, until its own timeout: the reference is behind the joint by as
    // much. After as long as samples may be old the loop starts anew from where it is.
    let stood = state.watch.stood();
    let ran_on = law.kind == CommandInterface::Velocity && stood > law.limits.stale_motors;
    if state.started {
        if good && !hold && !ran_on {
            state.readiness = Readiness::Ready;
            return Mode::Tracking;
        }
        let gap = !(ran_on && stood >= law.limits.stop_after);
        state.begin_hold(now, gap);
    }
    state.readiness = readiness(joint, law, state, input, now);
    let Some(held) = &mut state.held else {
        return match state.readiness {
            Readiness::Waiting => Mode::Waiting,
            Readiness::LatencyTooHigh => Mode::LatencyTooHigh,
            Readiness::PositionOutOfRange => Mode::PositionOutOfRange,
            Readiness::Ready => Mode::Tracking,
            _ => Mode::NotReady,
        };
    };
    // What is held is sent until the loop can start anew from where the joint is; not to motors of which none has been
    // heard for long, for when they come back they may stand elsewhere.
    let heard = |sample: &Option<MotorSample>| {
        sample.is_some_and(|s| now - s.received <= law.limits.stop_after)
    };
    held.alone |= !input.motors.iter().any(heard);
    let held = *held;
    let mode = if state.watch.stuck() {
        Mode::Faulted
    } else if !good && now - state.last_good >= law.limits.stop_after {
        Mode::Stopped
    } else if good
        && !hold
        && now - held.since >= SHORTEST_HOLD
        && state.readiness == Readiness::Ready
    {
        Mode::Tracking
    } else if good && state.mode == Mode::Stopped {
        Mode::Stopped
    } else {
        Mode::Holding
    };
    let gap = matches!(mode, Mode::Holding | Mode::Tracking) && state.watch.only_gaps();
    state.held = Some(Hold {
        resumes: held.resumes && gap,
        ..held
    });
    mode
}

impl State {
    /// The setpoints stand still until the loop starts anew, perhaps after no more than a `gap`.
    pub(super) fn begin_hold(&mut self, now: f64, gap: bool) {
        (self.started, self.resuming) = (false, true);
        self.held = Some(Hold {
            since: now,
            resumes: gap,
            alone: false,
        });
    }

    /// No setpoint goes out any more. Commands from before are old when the loop starts anew.
    pub(super) fn stop_sending(&mut self) {
        self.resuming |= self.started || self.held.is_some();
        (self.started, self.held) = (false, None);
    }

    /// Tendons are released or retensioned: after that the loop starts anew.
    pub(super) fn release_on(&mut self, now: f64) {
        self.started = false;
        self.held.get_or_insert(Hold {
            since: now,
            resumes: false,
            alone: false,
        });
    }

    /// One tick of a hold. A held velocity is no hold: it comes to rest no harder than motions do, all by one factor, so that
    /// bend and tension keep their proportion on the way.
    pub(super) fn keep(&mut self, joint: &Joint, law: &Law) {
        self.keep_pan(joint, law);
        if law.kind != CommandInterface::Velocity {
            return;
        }
        let dt = joint.period;
        let limits = law.limits.motors.iter();
        let slowed = |(sent, motor): (&f64, &super::MotorLimits)| {
            BRAKING_SHARE * motor.acceleration * dt / sent.abs().max(1e-9)
        };
        let share = self
            .sent
            .iter()
            .zip(limits)
            .map(slowed)
            .fold(f64::INFINITY, f64::min);
        let left = (1.0 - share).max(0.0);
        self.sent.iter_mut().for_each(|sent| *sent *= left);
    }

    /// The same of the pan.
    pub(super) fn keep_pan(&mut self, joint: &Joint, law: &Law) {
        if let (Some(pan), CommandInterface::Velocity) = (&joint.pan, law.kind) {
            self.pan.brake(pan, joint.period);
        }
    }
}

/// Whether the joint may be set going from where it is.
fn readiness(joint: &Joint, law: &Law, state: &State, input: &Input, now: f64) -> Readiness {
    let estimator = &state.estimator;
    let estimate = estimator.estimate();
    let running = state.held.is_some();
    let without = state.watch.motors_may_serve(law);
    let base =
        input.base.is_some() || joint.base_from_imu.is_none() || law.feedback == Feedback::Motors;
    let guards = &law.limits.supervision;
    let apart = (estimate.imu_bend - estimate.motors_bend).norm();
    let agree = !(law.feedback == Feedback::Imu && estimate.imu_serves)
        || apart <= guards.guard(Rule::SensorMismatch).limit;
    if !(base
        && estimator.complete(joint, law, input, without, running, now)
        && estimator.knows_delay())
    {
        Readiness::Waiting
    } else if estimator.delay(joint) > law.delay_allowed {
        Readiness::LatencyTooHigh
    } else if !estimator.inside(joint, &law.limits.motors) {
        Readiness::PositionOutOfRange
    } else if !(estimate.bend.norm() <= law.limits.over_bend) {
        Readiness::OverBent
    } else if !estimator.steady(now) {
        Readiness::Unexplained
    } else if release::found_released(joint, state) {
        // Where tendons hang, neither their motors nor what these say of the bend need to fit.
        latched_or_ready(law, state)
    } else if !(estimate.motors_residual <= unexplained(joint)) {
        Readiness::Unexplained
    } else if !agree {
        Readiness::SensorMismatch
    } else {
        latched_or_ready(law, state)
    }
}

fn latched_or_ready(law: &Law, state: &State) -> Readiness {
    match state.watch.latched(law) {
        true => Readiness::Latched,
        false => Readiness::Ready,
    }
}

/// Motor angles further than this (rms over the taut tendons) from those of any bend at pretension are explained by nothing
/// that the joint does, rad: more than the stretch of its pretension and what motors ordinarily depart from their setpoints.
/// Such a residue decays unasked within a second of the start, so that it must be small. Reeled in by as much, all tendons
/// pull twice their pretension; paid out by as much they hang slack.
fn unexplained(joint: &Joint) -> f64 {
    let kinematics = &joint.kinematics;
    let tendons = kinematics.routing().tendons.iter();
    let stretched = tendons.zip(kinematics.balanced_tensions()).enumerate();
    let stretched = stretched
        .map(|(i, (tendon, tension))| tension / tendon.stiffness * kinematics.gearing(i).abs());
    stretched.fold(0.0, f64::max) + joint.following_error_limit
}

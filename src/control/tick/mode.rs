//! Next mode of the loop: waiting, tracking or holding.

use super::supervise::{Reaction, Readiness, Rule};
use super::{Feedback, Input, Joint, Law, Mode, MotorSample, State, release};
use crate::control::controller::CommandInterface;

/// Shortest hold, s: many motor time constants, so that the motors have settled at a restart.
const SHORTEST_HOLD: f64 = 0.25;

/// Fraction of a motor's acceleration with which a held velocity is braked.
const BRAKING_SHARE: f64 = 0.4;

/// A hold in progress.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hold {
    /// Time when it began, s.
    since: f64,
    /// The hold is a short gap in samples or ticks: the current command continues after it.
    pub resumes: bool,
    /// Every motor has been silent during the hold.
    pub(super) alone: bool,
}

/// Returns the mode of this tick.
pub(super) fn next(joint: &Joint, law: &Law, state: &mut State, input: &Input, now: f64) -> Mode {
    if input.inactive {
        state.stop_sending();
        state.readiness = readiness(joint, law, state, input, now);
        // A new loop has no record of earlier commands, and the last one is still in the input.
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
    // While nothing ticks, a velocity drive runs on until its own timeout, so the reference is
    // behind the joint. After a gap as long as the stale limit the loop restarts from where the
    // joint is.
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
    // The held setpoint is sent until the loop can restart from where the joint is. It is not sent
    // if all motors were silent for long: they may stand elsewhere when they return.
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
    /// Holds the setpoints until a restart. `gap`: the current command may continue after it.
    pub(super) fn begin_hold(&mut self, now: f64, gap: bool) {
        (self.started, self.resuming) = (false, true);
        self.held = Some(Hold {
            since: now,
            resumes: gap,
            alone: false,
        });
    }

    /// Stops sending setpoints. Earlier commands are void when the loop restarts.
    pub(super) fn stop_sending(&mut self) {
        self.resuming |= self.started || self.held.is_some();
        (self.started, self.held) = (false, None);
    }

    /// Marks the tendons as released or being retensioned: the loop restarts after that.
    pub(super) fn release_on(&mut self, now: f64) {
        self.started = false;
        self.held.get_or_insert(Hold {
            since: now,
            resumes: false,
            alone: false,
        });
    }

    /// One tick of a hold. A held velocity is braked no harder than in ordinary motions. One factor
    /// for all motors keeps the ratio of bend and tension.
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

    /// One tick of a hold of the pan: brakes a held velocity.
    pub(super) fn keep_pan(&mut self, joint: &Joint, law: &Law) {
        if let (Some(pan), CommandInterface::Velocity) = (&joint.pan, law.kind) {
            self.pan.brake(pan, joint.period);
        }
    }
}

/// Returns the readiness of the joint to be started from where it is.
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
        // With slack tendons, neither the motors' angles nor their bend has to match.
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
    if state.watch.latched(law) {
        Readiness::Latched
    } else {
        Readiness::Ready
    }
}

/// Returns the limit on the motor angles' residual (rms over the taut tendons) against any bend at
/// pretension, rad. It is the stretch by pretension plus the following-error limit; the joint
/// explains no more. Such a residual decays without command within a second of the start, so it
/// must be small. Reeled in by as much, all tendons pull twice their pretension; paid out by as
/// much they hang slack.
fn unexplained(joint: &Joint) -> f64 {
    let kinematics = &joint.kinematics;
    let tendons = kinematics.routing().tendons.iter();
    let stretched = tendons.zip(kinematics.balanced_tensions()).enumerate();
    let stretched = stretched
        .map(|(i, (tendon, tension))| tension / tendon.stiffness * kinematics.gearing(i).abs());
    stretched.fold(0.0, f64::max) + joint.following_error_limit
}

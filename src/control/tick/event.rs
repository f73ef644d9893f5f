//! The event of a tick: what data, supervision and requests mean for the phase of the loop.

use super::state::Common;
use super::supervise::{Reaction, Readiness, Rule};
use super::transition::{Event, Phase};
use super::{Feedback, Input, Joint, Law, MotorSample, State, release};
use crate::control::controller::CommandInterface;

/// Shortest hold, s: many motor time constants, so that the motors have settled at a restart.
const SHORTEST_HOLD: f64 = 0.25;

/// Returns the event of this tick, and answers a new request to release the tendons.
pub(super) fn of_tick(
    joint: &Joint,
    law: &Law,
    state: &mut State,
    input: &Input,
    now: f64,
) -> Event {
    let phase = state.phase();
    let condition = condition(joint, law, state, input, now);
    let demanded = state.common.monitor.faults().reaction == Reaction::Release;
    let granted = release::granted(joint, law, state, input, demanded, now);
    let common = &state.common;
    if condition == Event::Deactivated {
        return condition;
    }
    if granted {
        return Event::Release;
    }
    if !phase.is_release() {
        let starts = condition == Event::Ready && phase != Phase::Tracking;
        return if starts && !demanded && release::found_released(joint, &common.estimator) {
            Event::FoundReleased
        } else {
            condition
        };
    }
    let stuck = common.monitor.stuck();
    if !(demanded || stuck) {
        // Only a new command moves a released joint; a hold request also ends a release under way.
        if phase == Phase::Released && common.commands.is_new(input) {
            return Event::Command;
        }
        if !phase.is_retensioning() && common.commands.hold != input.hold {
            return Event::HoldRequest;
        }
    }
    if stuck && phase.is_retensioning() {
        Event::Fault
    } else if common.estimator.motors_complete(joint, law, input, now) {
        Event::Ready
    } else {
        Event::Missing
    }
}

/// Returns what data and supervision alone mean for a loop whose tendons are not released.
fn condition(joint: &Joint, law: &Law, state: &mut State, input: &Input, now: f64) -> Event {
    let phase = state.phase();
    let hold = state.current.hold_mut().copied();
    let common = &mut state.common;
    let running = !input.inactive && !phase.is_idle();
    if input.inactive {
        common.readiness = readiness(joint, law, common, input, running, now);
        return Event::Deactivated;
    }
    let without = common.monitor.motors_may_serve(law);
    let good = common
        .estimator
        .complete(joint, law, input, without, running, now);
    if good {
        common.last_good = now;
    }
    let held = common.monitor.faults().reaction >= Reaction::Hold;
    // While nothing ticks, a velocity drive runs on until its own timeout, so the reference is
    // behind the joint. After a gap as long as the stale limit the loop restarts from where the
    // joint is.
    let stood = common.monitor.stood();
    let ran_on = phase == Phase::Tracking
        && law.kind == CommandInterface::Velocity
        && stood > law.limits.stale_motors;
    if phase == Phase::Tracking && good && !held && !ran_on {
        common.readiness = Readiness::Ready;
        return Event::Ready;
    }
    common.readiness = readiness(joint, law, common, input, running, now);
    let ready = common.readiness == Readiness::Ready;
    let Some(since) = hold
        .map(|hold| hold.since)
        .or((phase == Phase::Tracking).then_some(now))
    else {
        return if ready { Event::Ready } else { Event::NotReady };
    };
    if common.monitor.stuck() {
        Event::Fault
    } else if !good && now - common.last_good >= law.limits.stop_after {
        Event::Silence
    } else if good && !held && ready && now - since >= SHORTEST_HOLD {
        Event::Ready
    } else if !common.monitor.only_gaps() || (ran_on && stood >= law.limits.stop_after) {
        Event::RuleHolds
    } else if !good || phase == Phase::Tracking {
        Event::Missing
    } else {
        Event::NotReady
    }
}

/// Returns true if every motor has been silent for long.
pub(super) fn all_silent(law: &Law, input: &Input, now: f64) -> bool {
    let heard = |sample: &Option<MotorSample>| {
        sample.is_some_and(|s| now - s.received <= law.limits.stop_after)
    };
    !input.motors.iter().any(heard)
}

/// Returns the readiness of the joint to be started from where it is.
fn readiness(
    joint: &Joint,
    law: &Law,
    common: &Common,
    input: &Input,
    running: bool,
    now: f64,
) -> Readiness {
    let estimator = &common.estimator;
    let estimate = estimator.estimate();
    let without = common.monitor.motors_may_serve(law);
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
    } else if release::found_released(joint, estimator) {
        // With slack tendons, neither the motors' angles nor their bend has to match.
        latched_or_ready(law, common)
    } else if !(estimate.motors_residual <= unexplained(joint)) {
        Readiness::Unexplained
    } else if !agree {
        Readiness::SensorMismatch
    } else {
        latched_or_ready(law, common)
    }
}

fn latched_or_ready(law: &Law, common: &Common) -> Readiness {
    if common.monitor.latched(law) {
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

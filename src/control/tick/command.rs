//! Goal of the reference: commands, hold requests, and the restrictions by fault rules.

use super::state::{Common, LoopState};
use super::supervise::{FaultMonitor, Reaction, Rule, TimeoutAction};
use super::tracking::Tracking;
use super::{Input, Joint, Law, State};
use crate::control::geometry::{Configuration, configuration};

/// Fraction of the speed that the reference keeps under [`Reaction::Slow`].
const LIMITED: f64 = 0.25;
/// Fraction of the speed with which a joint without commands moves to straight.
const ABANDONED: f64 = 0.1;

/// Accepts a new command or a new hold request.
pub(super) fn command(
    joint: &Joint,
    law: &Law,
    tracking: &mut Tracking,
    common: &mut Common,
    input: &Input,
    now: f64,
) {
    if common.commands.hold != input.hold {
        stop_tracking(law, tracking, common, input);
    }
    let goal = &mut tracking.goal;
    if let Some(desired) = input.desired
        && common.commands.sequence != Some(desired.sequence)
    {
        common.commands.sequence = Some(desired.sequence);
        if common.commands.ended >= Some(desired.command) {
            return;
        }
        common.commands.command = Some(desired.command);
        goal.motion = desired.motion;
        goal.pace = desired.pace;
        (goal.target, goal.limited) = within_limits(joint, law, desired.configuration);
        if !desired.continues {
            let reference = tracking.buffers.shaper.value();
            common.settling.restart(goal.target - reference);
        }
        goal.ahead = goal.target;
    }
    if let Some(motion) = &goal.motion {
        (goal.target, goal.limited) = within_limits(joint, law, motion.at(now, 0.0));
        (goal.ahead, _) = within_limits(joint, law, motion.at(now, law.lag()));
    }
}

/// Returns the configuration cut to the inclination and pan limits, and true if it was cut.
fn within_limits(joint: &Joint, law: &Law, asked: Configuration) -> (Configuration, bool) {
    let most = law.limits.inclination;
    let (mut bend, size) = (asked.xy(), asked.xy().norm());
    // Rounding beyond the limit does not count as a cut.
    let bent_too_far = size > most * (1.0 + 1e-9);
    if size > most {
        bend *= most / size;
    }
    let pan = match &joint.pan {
        Some(pan) => asked.z.clamp(pan.low, pan.high),
        None => 0.0,
    };
    let turned_too_far = joint.pan.is_some() && (pan - asked.z).abs() > 1e-9;
    (configuration(bend, pan), bent_too_far || turned_too_far)
}

impl State {
    /// Stops the reference from where it is and ends the current command, as a hold request
    /// demands. In an open loop the reference stands already.
    pub(super) fn stop_reference(&mut self, law: &Law, input: &Input) {
        let common = &mut self.common;
        if let LoopState::Tracking(tracking) = &mut self.current {
            stop_tracking(law, tracking, common, input);
            return;
        }
        common.commands.hold = input.hold;
        common.commands.end(input);
        let reference = &mut common.reference;
        reference.target = law.shaper.braked(reference.value, reference.rate);
        reference.target_limited = false;
    }
}

fn stop_tracking(law: &Law, tracking: &mut Tracking, common: &mut Common, input: &Input) {
    common.commands.hold = input.hold;
    common.commands.end(input);
    let goal = &mut tracking.goal;
    goal.stand(tracking.buffers.shaper.brake(&law.shaper));
    goal.limited = false;
}

/// Stops outward motion beyond the over-bend limit; motion back inward stays possible.
pub(super) fn stop_over_bent(law: &Law, tracking: &mut Tracking, common: &Common) {
    tracking.over_bend = common.monitor.over_bend();
    let (goal, shaper) = (&mut tracking.goal, &mut tracking.buffers.shaper);
    let way = goal.ahead.xy() - shaper.value().xy();
    if tracking.over_bend && way.dot(&common.estimator.estimate().bend) > 0.0 {
        let at = shaper.brake(&law.shaper).xy();
        goal.motion = None;
        goal.target = configuration(at, goal.target.z);
        goal.ahead = configuration(at, goal.ahead.z);
    }
}

/// Carries out the action of a command timeout: hold, or a slow move to straight.
pub(super) fn abandon(law: &Law, tracking: &mut Tracking, common: &mut Common, input: &Input) {
    let stale = common.monitor.faults().of(Rule::CommandTimeout).broken;
    if !stale || std::mem::replace(&mut tracking.goal.timed_out, stale) {
        tracking.goal.timed_out = stale;
        return;
    }
    stop_tracking(law, tracking, common, input);
    if law.limits.supervision.command_timeout_action == TimeoutAction::Neutral {
        let goal = &mut tracking.goal;
        goal.stand(Configuration::zeros());
        goal.pace = ABANDONED;
        let reference = tracking.buffers.shaper.value();
        common.settling.restart(goal.target - reference);
    }
}

/// Returns the permitted goal and pace. [`Reaction::Slow`] stops the reference; then it moves
/// slowly and no further out than it stopped. It stays stopped while a mismatch is suspected.
pub(super) fn limited(
    law: &Law,
    tracking: &mut Tracking,
    monitor: &FaultMonitor,
) -> (Configuration, f64) {
    let (goal, shaper) = (&mut tracking.goal, &mut tracking.buffers.shaper);
    if monitor.faults().reaction < Reaction::Slow {
        goal.furthest = None;
        return (goal.ahead, goal.pace);
    }
    let doubts = monitor.doubts();
    if goal.furthest.is_none() || (doubts && !shaper.at_rest()) {
        shaper.brake(&law.shaper);
    }
    let point = shaper.point();
    let most = *goal.furthest.get_or_insert(point.xy().norm());
    if doubts {
        return (point, goal.pace);
    }
    let size = goal.ahead.xy().norm();
    let bend = goal.ahead.xy() * if size > most { most / size } else { 1.0 };
    (configuration(bend, goal.ahead.z), LIMITED * goal.pace)
}

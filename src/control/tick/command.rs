//! Goal of the reference: commands, hold requests, and the restrictions by fault rules.

use super::supervise::{Reaction, Rule, TimeoutAction};
use super::{Input, Joint, Law, State};
use crate::control::geometry::{Bend, Configuration, configuration};

/// Fraction of the speed that the reference keeps under [`Reaction::Slow`].
const LIMITED: f64 = 0.25;
/// Fraction of the speed with which a joint without commands moves to straight.
const ABANDONED: f64 = 0.1;

/// Accepts a new command or a new hold request.
pub(super) fn command(joint: &Joint, law: &Law, state: &mut State, input: &Input, now: f64) {
    if state.hold != input.hold {
        stop_reference(law, state, input);
    }
    if let Some(desired) = input.desired
        && state.sequence != Some(desired.sequence)
    {
        state.sequence = Some(desired.sequence);
        if state.ended >= Some(desired.command) {
            return;
        }
        state.command = Some(desired.command);
        state.motion = desired.motion;
        state.pace = desired.pace;
        (state.target, state.target_limited) = within_limits(joint, law, desired.configuration);
        if !desired.continues {
            state.settled_since = None;
            state.short = state.target - state.shaper.value();
        }
        state.goal = state.target;
    }
    if let Some(motion) = &state.motion {
        (state.target, state.target_limited) = within_limits(joint, law, motion.at(now, 0.0));
        (state.goal, _) = within_limits(joint, law, motion.at(now, law.lag()));
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

/// Stops the reference from where it is and ends the current command, as a hold request demands.
pub(super) fn stop_reference(law: &Law, state: &mut State, input: &Input) {
    state.hold = input.hold;
    state.end_command(input);
    state.motion = None;
    state.target = state.shaper.brake(&law.shaper);
    state.goal = state.target;
    state.target_limited = false;
}

/// Stops outward motion beyond the over-bend limit; motion back inward stays possible.
pub(super) fn stop_over_bent(law: &Law, state: &mut State, bend: Bend) {
    state.over_bend = state.watch.over_bend();
    let way = state.goal.xy() - state.shaper.value().xy();
    if state.over_bend && way.dot(&bend) > 0.0 {
        let at = state.shaper.brake(&law.shaper).xy();
        state.motion = None;
        state.target = configuration(at, state.target.z);
        state.goal = configuration(at, state.goal.z);
    }
}

/// Carries out the action of a command timeout: hold, or a slow move to straight.
pub(super) fn abandon(law: &Law, state: &mut State, input: &Input) {
    let stale = state.watch.faults().of(Rule::CommandTimeout).broken;
    if !stale || std::mem::replace(&mut state.timed_out, stale) {
        state.timed_out = stale;
        return;
    }
    stop_reference(law, state, input);
    if law.limits.supervision.command_timeout_action == TimeoutAction::Neutral {
        (state.target, state.goal) = (Configuration::zeros(), Configuration::zeros());
        state.pace = ABANDONED;
        state.settled_since = None;
        state.short = state.target - state.shaper.value();
    }
}

/// Returns the permitted goal and pace. [`Reaction::Slow`] stops the reference; then it moves
/// slowly and no further out than it stopped. It stays stopped while a mismatch is suspected.
pub(super) fn limited(law: &Law, state: &mut State) -> (Configuration, f64) {
    if state.watch.faults().reaction < Reaction::Slow {
        state.furthest = None;
        return (state.goal, state.pace);
    }
    let doubts = state.watch.doubts();
    if state.furthest.is_none() || (doubts && !state.shaper.at_rest()) {
        state.shaper.brake(&law.shaper);
    }
    let point = state.shaper.point();
    let most = *state.furthest.get_or_insert(point.xy().norm());
    if doubts {
        return (point, state.pace);
    }
    let size = state.goal.xy().norm();
    let bend = state.goal.xy() * if size > most { most / size } else { 1.0 };
    (configuration(bend, state.goal.z), LIMITED * state.pace)
}

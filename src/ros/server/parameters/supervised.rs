//! The parameters `supervision.*`: the guards of the rules, as in joint files.

use super::{Entry, Key, Parameters, Range, Value, wrong_type};
use crate::control::self_support::SelfSupport;
use crate::control::tick::{Feedback, Rule, Supervision};
use crate::files::supervision::{
    Counted, LATCHES, NOT_MILD, TIMEOUT_ACTIONS, choice, never, too_mild,
};

/// The field of [`Supervision`] that a parameter sets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum SupervisionKey {
    Limit(Rule),
    After(Rule),
    Reaction(Rule),
    Latch(Rule),
    Fallback,
    TimeoutAction,
}

use SupervisionKey as S;

/// Returns all entries with their names.
pub(super) fn entries() -> Vec<(String, Entry)> {
    let mut list = Vec::new();
    let mut add = |name: String, key, description: String, constraints: String, range, unit| {
        let entry = Entry {
            key: Key::Supervision(key),
            description,
            constraints,
            range,
            unit,
        };
        list.push((format!("supervision.{name}"), entry));
    };
    for rule in Rule::ALL {
        let choice = choice(rule);
        let name = rule.name();
        if let Some((counted, [low, high])) = choice.limit {
            let range = Range::closed(low, high);
            let unit = match counted {
                Counted::Angle => " rad",
                Counted::Share => "",
                Counted::Tendons => " tendons",
            };
            let what = watched(rule);
            add(
                format!("{name}.limit"),
                S::Limit(rule),
                format!("Above this {name} is broken: {what}."),
                format!("accepted: {}", range.words(unit)),
                Some(range),
                unit,
            );
        }
        let [low, high] = choice.after;
        let range = Range::closed(low, high);
        let unit = if choice.never { " s, 0: never" } else { " s" };
        add(
            format!("{name}.after"),
            S::After(rule),
            match choice.limit {
                Some((Counted::Share, _)) => {
                    format!("Time over which the share of {name} is computed, s.")
                }
                _ if choice.never => {
                    "Time without a command after which supervision.command_timeout_action \
                     follows, s; 0: never."
                        .into()
                }
                _ => format!("Time that {name} has to last before its reaction follows, s."),
            },
            format!("accepted: {}", range.words(unit)),
            Some(range),
            unit,
        );
        if choice.mildest.is_some() {
            add(
                format!("{name}.reaction"),
                S::Reaction(rule),
                format!("Reaction when {name} is broken."),
                accepted_reactions(rule),
                None,
                "",
            );
        }
        if choice.unlatched.is_some() {
            add(
                format!("{name}.latch"),
                S::Latch(rule),
                format!("Whether the reaction to {name} stays until ~/clear_faults."),
                match choice.unlatched {
                    Some(false) => LATCHES.into(),
                    _ => String::new(),
                },
                None,
                "",
            );
        }
    }
    add(
        "fallback_to_motors".into(),
        S::Fallback,
        "Whether the bend may come from the motors where the IMU cannot measure it.".into(),
        String::new(),
        None,
        "",
    );
    add(
        "command_timeout_action".into(),
        S::TimeoutAction,
        "Action after supervision.command_timeout.after without a command: the joint holds, or \
         moves slowly to the straight pose."
            .into(),
        "'hold' or 'neutral'".into(),
        None,
        "",
    );
    list
}

/// Returns the quantity that a rule's limit bounds.
fn watched(rule: Rule) -> &'static str {
    match rule {
        Rule::ImuFrozen => {
            "commanded motion, rad, while the head's IMU repeats bit-identical samples"
        }
        Rule::MotorFrozen => {
            "commanded motion of a motor, rad, while its encoder repeats bit-identical samples"
        }
        Rule::SensorMismatch => "distance between the bends by IMU and by encoders, rad",
        Rule::MotionMismatch => {
            "share of the motion by which bends by IMU and by encoders differ"
        }
        Rule::PositionLimit => "distance of a motor beyond its travel, rad",
        Rule::Slack => "tendons that hang slack",
        Rule::Saturation => "share of cycles with feedback, a speed or a travel at its limit",
        Rule::Hunting => "oscillation while the reference rests, rad",
        Rule::DivergingOscillation => "oscillation that grows while the reference rests, rad",
        Rule::LateCycles => "share of ticks that come late",
        // Their limits are defined elsewhere.
        Rule::ImuStale
        | Rule::MotorStale
        | Rule::OverBend
        | Rule::FollowingError
        | Rule::CommandTimeout => "",
    }
}

fn accepted_reactions(rule: Rule) -> String {
    let words: Vec<_> = choice(rule)
        .reactions()
        .map(|r| format!("'{}'", r.name()))
        .collect();
    match words.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        _ => words.concat(),
    }
}

/// Returns the present value of a field.
pub(super) fn value(supervision: &Supervision, key: SupervisionKey) -> Value {
    let guard = |rule| supervision.guard(rule);
    match key {
        S::Limit(rule) => Value::Double(guard(rule).limit),
        // An infinite time is reported as it is set: 0.
        S::After(rule) => Value::Double(
            Some(guard(rule).after)
                .filter(|a| a.is_finite())
                .unwrap_or(0.0),
        ),
        S::Reaction(rule) => Value::Text(guard(rule).reaction.name().into()),
        S::Latch(rule) => Value::Bool(guard(rule).latch),
        S::Fallback => Value::Bool(supervision.fallback),
        S::TimeoutAction => {
            let named = TIMEOUT_ACTIONS
                .iter()
                .find(|(_, a)| *a == supervision.command_timeout_action);
            Value::Text(named.map_or("", |(name, _)| name).into())
        }
    }
}

/// Sets one field; `number` returns the value as a number in the entry's range.
///
/// # Errors
/// One sentence if the value is not accepted.
pub(super) fn change(
    supervision: &mut Supervision,
    key: SupervisionKey,
    name: &str,
    given: &Value,
    number: impl Fn() -> Result<f64, String>,
) -> Result<(), String> {
    let truth = || match given {
        Value::Bool(truth) => Ok(*truth),
        other => Err(wrong_type(name, other, "a bool")),
    };
    let text = || match given {
        Value::Text(text) => Ok(text.as_str()),
        other => Err(wrong_type(name, other, "a string")),
    };
    match key {
        S::Limit(rule) => supervision.guard_mut(rule).limit = number()?,
        S::After(rule) => supervision.guard_mut(rule).after = never(choice(rule), number()?),
        S::Reaction(rule) => {
            let word = text()?;
            let reaction = choice(rule).reactions().find(|r| r.name() == word);
            supervision.guard_mut(rule).reaction = reaction.ok_or_else(|| {
                format!("{name} is '{word}'; accepted: {}", accepted_reactions(rule))
            })?;
        }
        S::Latch(rule) => {
            let latch = truth()?;
            if !latch && choice(rule).unlatched == Some(false) {
                return Err(format!("{name} is false; accepted: {LATCHES}"));
            }
            supervision.guard_mut(rule).latch = latch;
        }
        S::Fallback => supervision.fallback = truth()?,
        S::TimeoutAction => {
            let word = text()?;
            let found = TIMEOUT_ACTIONS.iter().find(|(known, _)| *known == word);
            let (_, command_timeout_action) = found
                .ok_or_else(|| format!("{name} is '{word}'; accepted: 'hold' or 'neutral'"))?;
            supervision.command_timeout_action = *command_timeout_action;
        }
    }
    Ok(())
}

/// Refuses reactions that are too mild for the feedback in use.
///
/// # Errors
/// One sentence naming the first such rule.
pub(super) fn together(supervision: &Supervision, feedback: Feedback) -> Result<(), String> {
    match too_mild(supervision, feedback) {
        None => Ok(()),
        Some(rule) => Err(format!(
            "supervision.{}.reaction is '{}' and feedback is 'imu'; accepted: {NOT_MILD}",
            rule.name(),
            supervision.guard(rule).reaction.name()
        )),
    }
}

impl Parameters {
    /// Returns the self-support of the beam under the law in force.
    pub fn self_support(&self) -> SelfSupport {
        self.self_support
    }

    /// Returns the supervision in force, each guard with its effective limit, which may be defined
    /// elsewhere.
    pub fn supervision(&self) -> Supervision {
        let limits = &self.live.limits;
        let mut supervision = limits.supervision;
        let after = supervision.guard(Rule::CommandTimeout).after;
        for (rule, limit) in [
            (Rule::ImuStale, limits.stale_imu),
            (Rule::MotorStale, limits.stale_motors),
            (Rule::OverBend, limits.over_bend),
            (Rule::FollowingError, self.file.joint.following_error_limit),
            (Rule::CommandTimeout, after),
        ] {
            supervision.guard_mut(rule).limit = limit;
        }
        supervision
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::tick::Reaction;

    #[test]
    fn what_is_usual_may_be_chosen() {
        let usual = Supervision::default();
        for (name, entry) in entries() {
            let Key::Supervision(key) = entry.key else {
                panic!("{name}");
            };
            let is = value(&usual, key);
            let number = || match (&is, entry.range) {
                (Value::Double(is), Some(range)) if range.holds(*is) => Ok(*is),
                _ => Err(format!("{name} is {is}; accepted: {}", entry.constraints)),
            };
            let mut made = usual;
            change(&mut made, key, &name, &is, number).unwrap();
            assert_eq!(made, usual, "{name}");
        }
        assert_eq!(too_mild(&usual, Feedback::Imu), None);
    }

    #[test]
    fn reactions_are_told_by_name() {
        assert_eq!(accepted_reactions(Rule::MotorStale), "'hold' or 'release'");
        assert_eq!(
            accepted_reactions(Rule::Slack),
            "'warn', 'slow', 'hold' or 'release'"
        );
        let mut mild = Supervision::default();
        mild.guard_mut(Rule::ImuFrozen).reaction = Reaction::Warn;
        assert!(together(&mild, Feedback::Motors).is_ok());
        let told = together(&mild, Feedback::Imu).unwrap_err();
        assert!(
            told.starts_with("supervision.imu_frozen.reaction is 'warn'"),
            "{told}"
        );
    }
}

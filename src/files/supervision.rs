//! The key `supervision` of a joint file: the fault rules and their reactions.
//!
//! The accepted values are defined here once, for files and for parameters. A reaction cannot be
//! milder than the safety of the joint requires when the fault is real; see [`Choice::mildest`] and
//! [`too_mild`].

use super::ConfigError;
use super::table::{Field, Range, Table};
use crate::control::tick::{FaultConfig, Feedback, Reaction, Rule, Supervision, TimeoutAction};

/// Quantity that the limit of a rule applies to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Counted {
    /// An angle, rad.
    Angle,
    /// A share of ticks.
    Share,
    /// A number of tendons.
    Tendons,
}

impl Counted {
    /// Returns the key of the limit in files.
    const fn key(self) -> &'static str {
        match self {
            Self::Angle => "limit_rad",
            Self::Share => "limit_share",
            Self::Tendons => "limit_tendons",
        }
    }

    /// Returns the unit for people; empty for a share.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Angle => "rad",
            Self::Share => "",
            Self::Tendons => "tendons",
        }
    }
}

/// Accepted settings for one rule. Ranges include both ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Choice {
    /// Minimum and maximum limit; `None` if the limit is set elsewhere.
    pub limit: Option<(Counted, [f64; 2])>,
    /// Minimum and maximum time, s.
    pub after: [f64; 2],
    /// True if a time of 0 means never.
    pub never: bool,
    /// The mildest reaction accepted; `None` if the reaction cannot be set.
    pub mildest: Option<Reaction>,
    /// True if the rule may be set not to latch; `None` if this cannot be set.
    pub unlatched: Option<bool>,
}

impl Choice {
    /// Returns the accepted reactions, the mildest first.
    pub fn reactions(&self) -> impl Iterator<Item = Reaction> {
        let mildest = self.mildest;
        let all = Reaction::ALL.into_iter();
        all.filter(move |r| mildest.is_some_and(|mildest| *r >= mildest))
    }
}

/// Longest time for which sensor data may be missing beyond their age limit, s.
const OUTAGE: f64 = 1.0;
/// Longest time for which the joint may run with a fault, s.
const LONG: f64 = 10.0;
/// Longest time for a fault that is only a nuisance, s.
const LONGEST: f64 = 60.0;
/// Longest time without a command, s.
const ABANDONED: f64 = 3600.0;
/// Shortest time over which a share of ticks is computed, s.
const SHARE_TIME: f64 = 0.5;

/// Returns the accepted settings of a rule. The bounds are invented: wide, but short of values that
/// would make a rule ineffective.
pub const fn choice(rule: Rule) -> Choice {
    use Counted::{Angle, Share, Tendons};
    use Reaction::{Hold, Slow, Warn};
    let (limit, after, mildest, unlatched) = match rule {
        // The mildest reaction without IMU feedback; see `too_mild` for the other case.
        Rule::ImuStale => (None, [0.0, OUTAGE], Warn, true),
        // A held joint does not move, which hides the fault: without a latch it would come and go.
        Rule::ImuFrozen => (Some((Angle, [0.01, 0.5])), [0.0, OUTAGE], Warn, false),
        // Without its encoder, a motor's angle and its tendon's tension are unknown.
        Rule::MotorStale => (None, [0.0, OUTAGE], Hold, true),
        Rule::MotorFrozen => (Some((Angle, [0.02, 2.0])), [0.0, OUTAGE], Hold, false),
        // One of the two sensors is wrong, and which one is unknown.
        Rule::SensorMismatch => (Some((Angle, [0.02, 1.0])), [0.0, LONG], Slow, true),
        // A held joint does not move, which hides the fault.
        Rule::MotionMismatch => (Some((Share, [0.15, 2.0])), [0.0, OUTAGE], Hold, false),
        Rule::OverBend => (None, [0.0, LONG], Slow, true),
        // The encoder has lost its zero or the drum slips: every setpoint is wrong.
        Rule::PositionLimit => (Some((Angle, [0.0, 1.0])), [0.0, LONG], Hold, true),
        Rule::Slack => (Some((Tendons, [0.0, 63.0])), [0.0, LONGEST], Warn, true),
        Rule::Saturation => (
            Some((Share, [0.05, 0.99])),
            [SHARE_TIME, LONGEST],
            Warn,
            true,
        ),
        // The other motors would pull against one that stands still.
        Rule::FollowingError => (None, [0.0, LONG], Slow, true),
        Rule::Hunting => (Some((Angle, [5e-4, 0.5])), [0.0, LONGEST], Warn, true),
        // The reference is at rest, so that only opening the loop ends the oscillation; this hides
        // the fault.
        Rule::DivergingOscillation => (Some((Angle, [0.005, 0.5])), [0.0, LONG], Hold, false),
        Rule::LateCycles => (
            Some((Share, [0.05, 0.99])),
            [SHARE_TIME, LONGEST],
            Warn,
            true,
        ),
        Rule::CommandTimeout => {
            return Choice {
                limit: None,
                after: [0.0, ABANDONED],
                never: true,
                mildest: None,
                unlatched: None,
            };
        }
    };
    Choice {
        limit,
        after,
        never: false,
        mildest: Some(mildest),
        unlatched: Some(unlatched),
    }
}

/// Returns a rule whose reaction is too mild for the feedback in use. With IMU feedback and no
/// usable IMU or motor-based bend, the loop would correct against an outdated bend.
pub fn too_mild(supervision: &Supervision, feedback: Feedback) -> Option<Rule> {
    let blind = |rule: &Rule| supervision.guard(*rule).reaction < Reaction::Hold;
    let rests = feedback == Feedback::Imu;
    let found = [Rule::ImuStale, Rule::ImuFrozen].into_iter().find(blind);
    found.filter(|_| rests)
}

/// Accepted values for a reaction that [`too_mild`] refuses.
pub const NOT_MILD: &str =
    "hold or release where feedback is imu; warn and slow where it is motors";

/// Reads the fault settings of a joint file; missing entries take their defaults.
pub(super) fn supervision(top: &Table, feedback: Feedback) -> Result<Supervision, ConfigError> {
    let mut made = Supervision::default();
    let mut keys: Vec<&str> = Rule::ALL.map(Rule::name).to_vec();
    keys.extend(["fallback_to_motors", "command_timeout_action"]);
    let Some(table) = top.table("supervision", &keys)? else {
        return Ok(made);
    };
    made.fallback = table.truth_or("fallback_to_motors", made.fallback)?;
    if table.get("command_timeout_action").is_some() {
        made.command_timeout_action = table.choice("command_timeout_action", &TIMEOUT_ACTIONS)?;
    }
    for rule in Rule::ALL {
        if let Some(field) = table.get(rule.name()) {
            guard(&field, rule, made.guard_mut(rule))?;
        }
    }
    if let Some(rule) = too_mild(&made, feedback) {
        let key = format!("supervision.{}.reaction", rule.name());
        let value = made.guard(rule).reaction.name();
        return Err(top.refuse_as(&key, value, NOT_MILD));
    }
    Ok(made)
}

/// Reactions to a command timeout, by name.
pub const TIMEOUT_ACTIONS: [(&str, TimeoutAction); 2] = [
    ("hold", TimeoutAction::Hold),
    ("neutral", TimeoutAction::Neutral),
];

/// Reads the table of one rule.
fn guard(field: &Field, rule: Rule, guard: &mut FaultConfig) -> Result<(), ConfigError> {
    let choice = choice(rule);
    let limit_key = choice.limit.map(|(counted, _)| counted.key());
    let mut keys: Vec<&str> = limit_key.into_iter().collect();
    keys.push("after_s");
    keys.extend(choice.mildest.map(|_| "reaction"));
    keys.extend(choice.unlatched.map(|_| "latch"));
    let table = field.table(&keys)?;
    if let Some((counted, [low, high])) = choice.limit {
        let range = Range::closed(low, high, counted.unit());
        guard.limit = table.number_or(counted.key(), range, guard.limit)?;
    }
    if table.get("after_s").is_some() {
        let [low, high] = choice.after;
        let unit = if choice.never { "s, 0: never" } else { "s" };
        let after = table.number("after_s", Range::closed(low, high, unit))?;
        guard.after = never(choice, after);
    }
    if table.get("reaction").is_some() {
        let words: Vec<_> = choice.reactions().map(|r| (r.name(), r)).collect();
        guard.reaction = table.choice("reaction", &words)?;
    }
    guard.latch = table.truth_or("latch", guard.latch)?;
    if !guard.latch && choice.unlatched == Some(false) {
        return Err(table.refuse("latch", LATCHES));
    }
    Ok(())
}

/// Accepted value for a rule that must latch.
pub const LATCHES: &str = "true: while the joint is held, the cause cannot be observed";

/// Returns the time of a rule as set, s: infinity for a 0 that means never.
pub fn never(choice: Choice, after: f64) -> f64 {
    if choice.never && after == 0.0 {
        f64::INFINITY
    } else {
        after
    }
}

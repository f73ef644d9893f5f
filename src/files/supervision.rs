//! The key `supervision` of a joint file: the fault rules and their reactions.
//!
//! The accepted values and the tunables made of them are here, for files and for parameters. A
//! reaction cannot be milder than the safety of the joint requires when the fault is real; see
//! [`guard`] and [`too_mild`].

use super::table::Table;
use super::{Accepts, ConfigError, Range, Tunable, access};
use crate::control::tick::{FaultConfig, Feedback, Reaction, Rule, Supervision, TimeoutAction};

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

type Guard = Tunable<FaultConfig>;
/// A rule, and one of its keys.
pub type RuleKey = (Rule, &'static str);

/// Returns the tunables of a rule; `RULE` stands for its name in their descriptions. The bounds are
/// invented: wide, but short of values that would make a rule ineffective.
pub fn guard(rule: Rule) -> Vec<Guard> {
    use Reaction::{Hold, Slow, Warn};
    // The limit if it is not set elsewhere, the time, the mildest reaction, and whether the rule
    // may be set not to latch.
    let (limit, after, mildest, unlatched) = match rule {
        // The mildest reaction without IMU feedback; see `too_mild` for the other case.
        Rule::ImuStale => (None, lasts(OUTAGE), Warn, true),
        // A held joint does not move, which hides the fault: without a latch it would come and go.
        Rule::ImuFrozen => {
            let watched =
                "commanded motion, rad, while the head's IMU repeats bit-identical samples";
            (angle(0.01, 0.5, watched), lasts(OUTAGE), Warn, false)
        }
        // Without its encoder, a motor's angle and its tendon's tension are unknown.
        Rule::MotorStale => (None, lasts(OUTAGE), Hold, true),
        Rule::MotorFrozen => {
            let watched = "commanded motion of a motor, rad, while its encoder repeats \
                           bit-identical samples";
            (angle(0.02, 2.0, watched), lasts(OUTAGE), Hold, false)
        }
        // One of the two sensors is wrong, and which one is unknown.
        Rule::SensorMismatch => {
            let watched = "distance between the bends by IMU and by encoders, rad";
            (angle(0.02, 1.0, watched), lasts(LONG), Slow, true)
        }
        Rule::OverBend => (None, lasts(LONG), Slow, true),
        // The encoder has lost its zero or the drum slips: every setpoint is wrong.
        Rule::PositionLimit => {
            let watched = "distance of a motor beyond its travel, rad";
            (angle(0.0, 1.0, watched), lasts(LONG), Hold, true)
        }
        Rule::Slack => {
            let range = Range::closed(0.0, 63.0, "tendons");
            let limit = limit("limit_tendons", range, "tendons that hang slack");
            (limit, lasts(LONGEST), Warn, true)
        }
        Rule::Saturation => {
            let watched = "share of cycles with feedback, a speed or a travel at its limit";
            (share(watched), spans(), Warn, true)
        }
        // The other motors would pull against one that stands still.
        Rule::FollowingError => (None, lasts(LONG), Slow, true),
        Rule::Hunting => {
            let watched = "oscillation while the reference rests, rad";
            (angle(5e-4, 0.5, watched), lasts(LONGEST), Warn, true)
        }
        // The reference is at rest, so that only opening the loop ends the oscillation; this hides
        // the fault.
        Rule::DivergingOscillation => {
            let watched = "oscillation that grows while the reference rests, rad";
            (angle(0.005, 0.5, watched), lasts(LONG), Hold, false)
        }
        Rule::LateCycles => (share("share of ticks that come late"), spans(), Warn, true),
        // Its reaction is `command_timeout_action`.
        Rule::CommandTimeout => return vec![until_timeout()],
    };
    let reaction = Accepts::Word(
        &Reaction::NAMES[mildest as usize..],
        (
            |guard: &FaultConfig| guard.reaction.name(),
            |guard: &mut FaultConfig, word| {
                let named = Reaction::ALL.into_iter().find(|r| r.name() == word);
                guard.reaction = named.unwrap_or(guard.reaction);
            },
        ),
    );
    let reaction = Guard::new(["reaction"; 2], reaction, "Reaction when RULE is broken");
    let latch = Guard::new(
        ["latch"; 2],
        Accepts::Truth((!unlatched).then_some(LATCHES), access!(FaultConfig, latch)),
        "Whether the reaction to RULE stays until ~/clear_faults",
    );
    limit.into_iter().chain([after, reaction, latch]).collect()
}

fn limit(file_key: &'static str, range: Range, watched: &'static str) -> Option<Guard> {
    let keys = ["limit", file_key];
    Some(Guard::number(keys, range, access!(FaultConfig, limit), watched).optional())
}

fn angle(low: f64, high: f64, watched: &'static str) -> Option<Guard> {
    limit("limit_rad", Range::closed(low, high, "rad"), watched)
}

fn share(watched: &'static str) -> Option<Guard> {
    limit("limit_share", Range::closed(0.05, 0.99, ""), watched)
}

fn after(range: Range, text: &'static str) -> Guard {
    Guard::number(
        ["after", "after_s"],
        range,
        access!(FaultConfig, after),
        text,
    )
    .optional()
}

/// The time that a fault has to last, at most `longest` s.
fn lasts(longest: f64) -> Guard {
    let text = "Time that RULE has to last before its reaction follows, s";
    after(Range::closed(0.0, longest, "s"), text)
}

/// The time over which a share of ticks is computed.
fn spans() -> Guard {
    let text = "Time over which the share of RULE is computed, s";
    after(Range::closed(SHARE_TIME, LONGEST, "s"), text)
}

/// Time without a command, s.
const NEVER_OR: Range = Range::closed(0.0, ABANDONED, "s, 0: never");

/// The time without a command; in the configs, infinity stands for never.
fn until_timeout() -> Guard {
    Guard::number(
        ["after", "after_s"],
        NEVER_OR,
        (
            |guard| {
                Some(guard.after)
                    .filter(|after| after.is_finite())
                    .unwrap_or(0.0)
            },
            |guard, after| guard.after = if after == 0.0 { f64::INFINITY } else { after },
        ),
        "Time without a command after which supervision.command_timeout_action follows, s; \
         0: never",
    )
    .unit("s", 1.0)
    .optional()
}

/// The tunables of the supervision as a whole.
pub const SUPERVISION: [Tunable<Supervision>; 2] = [
    Tunable::new(
        ["fallback_to_motors"; 2],
        Accepts::Truth(None, access!(Supervision, fallback)),
        "Whether the bend may come from the motors where the IMU cannot measure it",
    ),
    Tunable::new(
        ["command_timeout_action"; 2],
        Accepts::Word(
            &["hold", "neutral"],
            (
                |supervision| match supervision.command_timeout_action {
                    TimeoutAction::Hold => "hold",
                    TimeoutAction::Neutral => "neutral",
                },
                |supervision, word| {
                    supervision.command_timeout_action = match word {
                        "neutral" => TimeoutAction::Neutral,
                        _ => TimeoutAction::Hold,
                    };
                },
            ),
        ),
        "Action after supervision.command_timeout.after without a command: the joint holds, or \
         moves slowly to the straight pose",
    ),
];

/// Why the reaction of some rules has to latch.
const LATCHES: &str = "true: while the joint is held, the cause cannot be observed";

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

/// Reads the fault settings of a joint file, and which keys of which rules are among them; missing
/// entries take their defaults.
pub(super) fn supervision(
    top: &Table,
    feedback: Feedback,
) -> Result<(Supervision, Vec<RuleKey>), ConfigError> {
    let (mut made, mut limited) = (Supervision::default(), Vec::new());
    let mut keys: Vec<&str> = Rule::NAMES.to_vec();
    keys.extend(SUPERVISION.map(|tunable| tunable.file_key));
    let Some(table) = top.table("supervision", &keys)? else {
        return Ok((made, limited));
    };
    for tunable in SUPERVISION {
        tunable.read(&table, &mut made)?;
    }
    for rule in Rule::ALL {
        let tunables = guard(rule);
        let keys: Vec<&str> = tunables.iter().map(|tunable| tunable.file_key).collect();
        let Some(table) = table.table(rule.name(), &keys)? else {
            continue;
        };
        for tunable in tunables {
            tunable.read(&table, made.guard_mut(rule))?;
            if table.has(tunable.file_key) {
                limited.push((rule, tunable.key));
            }
        }
    }
    if let Some(rule) = too_mild(&made, feedback) {
        let key = format!("supervision.{}.reaction", rule.name());
        let value = made.guard(rule).reaction.name();
        return Err(top.refuse_as(&key, value, NOT_MILD));
    }
    Ok((made, limited))
}

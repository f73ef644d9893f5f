//! The key `supervision` of a joint file: rules and reactions.

use crate::files_support::{Copy, JOINT, assert_one_line, assert_told, config, text, watched};
use withy::control::tick::{Reaction, Rule, Supervision, TimeoutAction};
use withy::files::supervision::guard;
use withy::files::{Accepts, JointFile, Tunable};

/// Reads the supervision of the joint file with `lines` under its key.
fn with(lines: &str) -> Result<Supervision, String> {
    let text = format!("{}\nsupervision:\n{lines}", text(JOINT));
    let read = JointFile::from_text(config().join(JOINT), &text);
    read.map(|file| file.limits.supervision)
        .map_err(|e| e.to_string())
}

#[test]
fn what_the_comments_say_is_what_is_usual() {
    let (plain, spelt) = (text(JOINT), watched());
    let read = |text| JointFile::from_text(config().join(JOINT), text).unwrap();
    assert_eq!(read(&plain).limits.supervision, Supervision::default());
    assert_eq!(read(&spelt).limits.supervision, Supervision::default());
    let value: serde_yaml::Value = serde_yaml::from_str(&spelt).unwrap();
    let told = value["supervision"].as_mapping().unwrap();
    assert_eq!(told.len(), Rule::ALL.len() + 2);
    for rule in Rule::ALL {
        let told = told[rule.name()].as_mapping().unwrap();
        let told: Vec<_> = told.keys().map(|key| key.as_str().unwrap()).collect();
        let keys: Vec<_> = guard(rule).iter().map(|t| t.file_key).collect();
        assert_eq!(told, keys);
    }
}

#[test]
fn the_manual_tells_what_is_usual() {
    let manual = include_str!("../../docs/supervision.md");
    let usual = Supervision::default();
    for rule in Rule::ALL {
        let start = format!("| `{}` |", rule.name());
        let row = manual.lines().find(|line| line.starts_with(&start));
        let cells: Vec<_> = row.unwrap().split('|').map(str::trim).collect();
        let [_, _, _, limit, after, reaction, latch, _] = cells[..] else {
            panic!("{cells:?}");
        };
        let (guard, tunables) = (usual.guard(rule), guard(rule));
        let number = |cell: &str| cell.split(' ').next().and_then(|n| n.parse().ok());
        let told = tunables.iter().any(|t| t.key == "limit");
        assert_eq!(number(limit), told.then_some(guard.limit), "{start}");
        if rule == Rule::CommandTimeout {
            assert_eq!((after, guard.after), ("never", f64::INFINITY));
            continue;
        }
        assert_eq!(number(after), Some(guard.after), "{start}");
        assert_eq!(reaction, guard.reaction.name(), "{start}");
        let always = |t: &Tunable<_>| matches!(t.accepts, Accepts::Truth(Some(_), _));
        let latches = match (tunables.iter().any(always), guard.latch) {
            (true, true) => "always",
            (false, true) => "yes",
            (_, false) => "no",
        };
        assert_eq!(latch, latches, "{start}");
    }
}

#[test]
fn what_is_written_is_taken_and_the_rest_is_as_usual() {
    let mut wanted = Supervision::default();
    let slack = wanted.guard_mut(Rule::Slack);
    (slack.limit, slack.after) = (2.0, 4.5);
    (slack.reaction, slack.latch) = (Reaction::Release, true);
    wanted.guard_mut(Rule::SensorMismatch).limit = 0.1;
    wanted.guard_mut(Rule::CommandTimeout).after = 30.0;
    (wanted.fallback, wanted.command_timeout_action) = (false, TimeoutAction::Neutral);
    let lines = "  slack: {limit_tendons: 2, after_s: 4.5, reaction: release, latch: true}\n  \
                 sensor_mismatch: {limit_rad: 0.1}\n  command_timeout: {after_s: 30}\n  \
                 fallback_to_motors: false\n  command_timeout_action: neutral\n";
    assert_eq!(with(lines).unwrap(), wanted);
    let never = with("  command_timeout: {after_s: 0}\n").unwrap();
    assert_eq!(never.guard(Rule::CommandTimeout).after, f64::INFINITY);
    // Both ends of every range are accepted, values beside them are not; the same for reactions.
    for rule in Rule::ALL {
        let (name, tunables) = (rule.name(), guard(rule));
        for tunable in &tunables {
            let Accepts::Number { range, .. } = tunable.accepts else {
                continue;
            };
            let (key, low, high) = (tunable.file_key, range.low, range.high);
            let told = |value: String| with(&format!("  {name}: {{{key}: {value}}}\n"));
            assert!(told(format!("{low}")).is_ok(), "{name} {key} {low}");
            assert!(told(format!("{high}")).is_ok(), "{name} {key} {high}");
            for bad in [low - 1e-9, high + 1e-6, f64::NAN, f64::INFINITY] {
                let bad = match bad {
                    bad if bad.is_nan() => ".nan".into(),
                    bad if bad.is_infinite() => ".inf".into(),
                    bad => format!("{bad:e}"),
                };
                let reason = told(bad.clone()).unwrap_err();
                assert_one_line(&reason);
                assert!(
                    reason.contains(&format!("supervision.{name}.{key} is ")),
                    "{reason}"
                );
            }
        }
        for reaction in Reaction::ALL {
            let word = reaction.name();
            let result = with(&format!("  {name}: {{reaction: {word}}}\n"));
            let by_imu = [Rule::ImuStale, Rule::ImuFrozen].contains(&rule);
            let good = if by_imu {
                reaction >= Reaction::Hold
            } else {
                let words =
                    |t: &Tunable<_>| matches!(t.accepts, Accepts::Word(w, _) if w.contains(&word));
                tunables.iter().any(words)
            };
            assert_eq!(result.is_ok(), good, "{name} {word}");
        }
    }
}

#[test]
fn the_mildest_reactions_are_those_that_keep_the_joint_safe() {
    let mildest = |rule| {
        let words = |t: &Tunable<_>| match t.accepts {
            Accepts::Word(words, _) => Some(words[0]),
            _ => None,
        };
        guard(rule).iter().find_map(words)
    };
    for (rule, reaction) in [
        (Rule::MotorStale, "hold"),
        (Rule::MotorFrozen, "hold"),
        (Rule::SensorMismatch, "slow"),
        (Rule::OverBend, "slow"),
        (Rule::PositionLimit, "hold"),
        (Rule::FollowingError, "slow"),
        (Rule::DivergingOscillation, "hold"),
    ] {
        assert_eq!(mildest(rule), Some(reaction), "{rule:?}");
    }
    assert_eq!(mildest(Rule::CommandTimeout), None);
}

#[test]
fn feedback_from_the_motors_does_without_the_imu() {
    let text = watched().replace("feedback: imu\n", "feedback: motors\n");
    let text = text.replacen("reaction: hold", "reaction: warn", 1);
    let read = JointFile::from_text(config().join(JOINT), &text).unwrap();
    let guard = read.limits.supervision.guards[Rule::ImuStale as usize];
    assert_eq!(guard.reaction, Reaction::Warn);
}

#[test]
fn what_is_wrong_is_told_in_one_sentence() {
    for (lines, sentence) in [
        (
            "supervision: on",
            "supervision is \"on\"; accepted: a table with the keys imu_stale, imu_frozen, ...",
        ),
        (
            "supervision: {imu_stail: {}}",
            "supervision.imu_stail (given as a table of 0 keys) is not a known key; accepted here: \
             imu_stale, ...",
        ),
        (
            "supervision: {slack: 3}",
            "supervision.slack is 3; accepted: a table with the keys limit_tendons, after_s, reaction, latch",
        ),
        (
            "supervision: {imu_stale: {limit_rad: 3}}",
            "supervision.imu_stale.limit_rad (given as 3) is not a known key; accepted here: \
             after_s, reaction, latch",
        ),
        (
            "supervision: {sensor_mismatch: {limit_rad: 2}}",
            "supervision.sensor_mismatch.limit_rad is 2; accepted: a number from 0.02 to 1 rad",
        ),
        (
            "supervision: {saturation: {limit_share: 1}}",
            "supervision.saturation.limit_share is 1; accepted: a number from 0.05 to 0.99",
        ),
        (
            "supervision: {slack: {limit_tendons: -1}}",
            "supervision.slack.limit_tendons is -1; accepted: a number from 0 to 63 tendons",
        ),
        (
            "supervision: {position_limit: {after_s: .nan}}",
            "supervision.position_limit.after_s is .nan; accepted: a number from 0 to 10 s",
        ),
        (
            "supervision: {command_timeout: {after_s: .inf}}",
            "supervision.command_timeout.after_s is .inf; accepted: a number from 0 to 3600 s, 0: never",
        ),
        (
            "supervision: {command_timeout: {reaction: hold}}",
            "supervision.command_timeout.reaction (given as \"hold\") is not a known key; accepted \
             here: after_s",
        ),
        (
            "supervision: {slack: {reaction: stop}}",
            "supervision.slack.reaction is \"stop\"; accepted: warn or slow or hold or release",
        ),
        (
            "supervision: {motor_stale: {reaction: slow}}",
            "supervision.motor_stale.reaction is \"slow\"; accepted: hold or release",
        ),
        (
            "supervision: {imu_stale: {reaction: warn}}",
            "supervision.imu_stale.reaction is warn; accepted: hold or release where feedback is \
             imu; warn and slow where it is motors",
        ),
        (
            "supervision: {diverging_oscillation: {latch: false}}",
            "supervision.diverging_oscillation.latch is false; accepted: true: while the joint is \
             held, the cause cannot be observed",
        ),
        (
            "supervision: {slack: {latch: 1}}",
            "supervision.slack.latch is 1; accepted: true or false",
        ),
        (
            "supervision: {fallback_to_motors: never}",
            "supervision.fallback_to_motors is \"never\"; accepted: true or false",
        ),
        (
            "supervision: {command_timeout_action: fall}",
            "supervision.command_timeout_action is \"fall\"; accepted: hold or neutral",
        ),
    ] {
        let copy = Copy::new();
        copy.spoil(JOINT, "settled:\n", &format!("{lines}\n\nsettled:\n"));
        assert_told(copy.joint().map(drop), &copy.path(JOINT), sentence);
    }
}

//! The reader of YAML against serde_yaml, which reads with another parser: spoilt files read the
//! same, and what only one of the two refuses is a known difference of their grammars, YAML 1.2 here
//! and 1.1 there.

use crate::files_support::{GAINS, JOINT, NASTY, SIMULATED, config, placed, spoil, text, watched};
use crate::seeded::seeded;
use proptest::prelude::*;
use serde_yaml::Value;
use withy::files::{ConfigError, JointFile, ModelsFile, NamedGainSet, SimulatedFile};

const MODELS: &str = "models/glasshouse-neck.yaml";

/// Spellings of values on which readers differ most.
const SPELT: &[&str] = &[
    "1_000",
    "0x10",
    "0o17",
    "017",
    "0b1",
    "on",
    "off",
    "yes",
    "no",
    "True",
    "Null",
    "+5",
    "+.inf",
    ".5",
    "5.",
    "1e3",
    "!!str 5",
    "!!int 5",
    "!!int 5.0",
    "!!float 1",
    "!!bool 1",
    "&x 3",
    "# c",
    " # c",
    "}",
    "{",
    "\n",
    "\n  ",
    "'a'",
    "\"a\\n\"",
    "|\n   x\n",
    ">-\n   x\n",
    "a: b",
    "[1, 2]",
    "1:30",
    "2001-01-01",
    "=",
    "<<",
    "!a",
    "!",
    "%",
    "@a",
    "`a",
];

/// What the parser of YAML 1.2 refuses and that of 1.1 lets pass.
const STRICTER: &[&str] = &[
    "invalid indentation",
    "comments must be separated",
    "comment intercepting",
    "plain scalar cannot start with '-'",
    "simple key expect",
    "invalid trailing content",
    "must be followed by",
];

/// The reverse.
const LAXER: &[&str] = &[
    "did not find expected",
    "found character that cannot start any token",
    "found unexpected ':'",
    // Integers beyond 64 bits are numbers here.
    "expected any YAML value",
    "invalid leading UTF-8 octet",
];

/// Reads a text as the file of `config/` that it is made from, and returns what came of it.
fn read(which: usize, text: &str) -> Result<String, ConfigError> {
    let names = [1, 2, 3, 4].map(|i| format!("neck_motor_{i}"));
    match which {
        0 => JointFile::from_text(config().join("f"), text).map(|f| format!("{f:?}")),
        1 => NamedGainSet::from_text(config().join("f"), text, &names).map(|f| format!("{f:?}")),
        2 => SimulatedFile::from_text(config().join("f"), text).map(|f| format!("{f:?}")),
        _ => ModelsFile::from_text(config().join("f"), text).map(|f| format!("{f:?}")),
    }
}

fn original(which: usize) -> String {
    match which {
        0 => watched(),
        _ => text([JOINT, GAINS, SIMULATED, MODELS][which]),
    }
}

/// Compares both readers on a text: serde_yaml's reading, written anew, is read as the text itself.
fn compare(which: usize, text: &str) -> Result<(), String> {
    let sentence = |result: Result<String, ConfigError>| match result {
        Ok(made) => made,
        // The refusal of a file that the text names has its place there.
        Err(error) if !error.to_string().contains("config/f:") => error.to_string(),
        Err(error) => placed(&error.to_string(), &config().join("f"))
            .2
            .to_string(),
    };
    let ours = read(which, text);
    let theirs = match serde_yaml::from_str::<Value>(text) {
        Ok(value) => value,
        Err(theirs) => {
            let known = LAXER.iter().any(|words| theirs.to_string().contains(words));
            let refused = matches!(ours, Err(ConfigError::Syntax { .. }));
            return match refused || known {
                true => Ok(()),
                false => Err(format!("refused there: {theirs}; here: {ours:?}")),
            };
        }
    };
    if let Err(ConfigError::Syntax { reason, .. }) = &ours {
        return match STRICTER.iter().any(|words| reason.contains(words)) {
            true => Ok(()),
            false => Err(format!("refused here: {reason}; there: {theirs:?}")),
        };
    }
    let anew = serde_yaml::to_string(&theirs).unwrap();
    let (ours, theirs) = (sentence(ours), sentence(read(which, &anew)));
    // Without a line break at its end, a block scalar has none there and one here.
    match ours == theirs || text.contains(['|', '>']) {
        true => Ok(()),
        false => Err(format!("here:  {ours}\nthere: {theirs}")),
    }
}

#[test]
fn shipped_files_read_the_same() {
    for which in 0..4 {
        assert_eq!(compare(which, &original(which)), Ok(()));
    }
}

#[test]
fn every_spelling_of_a_value_reads_the_same() {
    for spelt in NASTY.iter().chain(SPELT) {
        for (which, from) in [
            (0, "  length_mm: 120"),
            (0, "name: withy"),
            (1, "  kp: 0.05 "),
            (1, "name: any-payload"),
            (2, "  encoder_counts: 4096"),
        ] {
            let key = from.split(':').next().unwrap();
            let text = original(which);
            assert!(text.contains(from));
            let spoilt = text.replacen(from, &format!("{key}: {spelt}"), 1);
            if !other_breaks(&spoilt) {
                assert_eq!(compare(which, &spoilt), Ok(()), "{key}: {spelt:?}");
            }
        }
    }
}

/// These break lines or are passed over in YAML 1.1 only.
fn other_breaks(text: &str) -> bool {
    text.contains(['\u{85}', '\u{2028}', '\u{feff}'])
}

proptest! {
    #![proptest_config(seeded(21, 3000))]

    #[test]
    fn spoilt_files_read_the_same(
        which in 0..4_usize,
        changes in prop::collection::vec(
            (any::<prop::sample::Index>(), 0..16_u8, 0..NASTY.len() + SPELT.len()),
            1..3,
        ),
    ) {
        let mut text = original(which);
        for (place, change, nasty) in changes {
            spoil(&mut text, place, change, NASTY.iter().chain(SPELT).nth(nasty).unwrap());
        }
        if !other_breaks(&text) {
            prop_assert_eq!(compare(which, &text), Ok(()), "{}", text);
        }
    }
}

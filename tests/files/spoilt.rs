//! Files spoilt at random: never a panic, and every refusal on one line, at a place of the file.

use crate::files_support::{
    GAINS, JOINT, NASTY, SIMULATED, assert_one_line, config, placed, spoil, text, watched,
};
use crate::seeded::seeded;
use proptest::prelude::*;
use withy::files::{ConfigError, JointFile, NamedGainSet, SimulatedFile};

const WITH_PAN: &str = "glasshouse-neck-pan-simulated.yaml";
const LOOKING: &str = "glasshouse-neck-pan.yaml";

proptest! {
    #![proptest_config(seeded(20, 1280))]

    #[test]
    fn spoilt_files_are_accepted_or_told_in_one_line(
        which in 0..5_usize,
        changes in prop::collection::vec((any::<prop::sample::Index>(), 0..16_u8, 0..NASTY.len()), 1..3),
    ) {
        let mut text = match which {
            0 => watched(),
            _ => text([JOINT, GAINS, SIMULATED, WITH_PAN, LOOKING][which]),
        };
        for (place, change, nasty) in changes {
            spoil(&mut text, place, change, NASTY[nasty]);
        }
        let names = [1, 2, 3, 4].map(|i| format!("neck_motor_{i}"));
        let result = match which {
            0 => JointFile::from_text(config().join(JOINT), &text).map(drop),
            4 => JointFile::from_text(config().join(LOOKING), &text).map(drop),
            1 => NamedGainSet::from_text(config().join(GAINS), &text, &names).map(drop),
            _ => SimulatedFile::from_text(config().join(SIMULATED), &text).map(drop),
        };
        if let Err(error) = result {
            let sentence = error.to_string();
            assert_one_line(&sentence);
            assert_within(&sentence, which, &text);
        }
    }
}

/// Checks that a refusal names a place in the text; other files are read where it names them.
fn assert_within(sentence: &str, which: usize, text: &str) {
    let file = [JOINT, GAINS, SIMULATED, SIMULATED, LOOKING][which];
    let path = config().join(file);
    if !sentence.starts_with(&format!("{}:", path.display())) {
        assert!(
            sentence.starts_with(config().to_str().unwrap()),
            "{sentence}"
        );
        return;
    }
    let (line, column, _) = placed(sentence, &path);
    // The parser reports an early end behind the last line.
    let lines: Vec<&str> = text.lines().chain([""]).collect();
    assert!((1..=lines.len()).contains(&line), "{sentence}");
    // A line break within a value may be counted as part of its line.
    let width = lines[line - 1].chars().count() + 1;
    assert!((1..=width + 1).contains(&column), "{sentence}: {width}");
}

#[test]
fn aliases_and_depth_are_bounded() {
    // Each level names the one before nine times: a file of a few lines that would exhaust any
    // memory.
    let mut bomb = String::from("a0: &a0 [x, x, x, x, x, x, x, x, x]\n");
    for i in 1..12 {
        let items = vec![format!("*a{}", i - 1); 9].join(", ");
        bomb += &format!("a{i}: &a{i} [{items}]\n");
    }
    // An anchor at each level of a value keeps a copy of all below it.
    let inner = vec!["x"; 5000].join(", ");
    let anchored: String = (0..90).map(|i| format!("&a{i} [")).collect();
    let anchored = format!("{anchored}{inner}{}", "]".repeat(90));
    let blocks: String = (0..1400).map(|i| " ".repeat(i) + "a:\n").collect();
    let repeated = ["[", "{", "- ", "? ", "[a: ", "{a: ", "!t ", "&a ", "- ? "];
    let mut texts = vec![bomb, anchored, blocks];
    texts.extend(repeated.map(|s| s.repeat(100_000)));
    for text in texts {
        let error = JointFile::from_text("joint.yaml", &text).unwrap_err();
        assert!(matches!(error, ConfigError::Syntax { .. }), "{error}");
        assert_one_line(&error.to_string());
    }
}

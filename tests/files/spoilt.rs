//! Files spoilt at random: never a panic, and every refusal on one line.

use crate::files_support::{
    GAINS, JOINT, NASTY, SIMULATED, assert_one_line, config, text, watched,
};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use withy::files::{JointFile, NamedGainSet, SimulatedFile};

const WITH_PAN: &str = "glasshouse-neck-pan-simulated.yaml";
const LOOKING: &str = "glasshouse-neck-pan.yaml";

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(20), ..ProptestConfig::with_cases(1280) })]

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
            1 => NamedGainSet::from_text(&config().join(GAINS), &text, &names).map(drop),
            _ => SimulatedFile::from_text(config().join(SIMULATED), &text).map(drop),
        };
        if let Err(error) = result {
            assert_one_line(&error.to_string());
        }
    }
}

/// Spoils `text` at one place.
fn spoil(text: &mut String, place: prop::sample::Index, change: u8, nasty: &str) {
    let mut lines: Vec<String> = text.lines().map(String::from).collect();
    // Spoils lines with content, since comments have no effect.
    let said: Vec<usize> = (0..lines.len())
        .filter(|i| lines[*i].contains([':', '-']) && !lines[*i].trim_start().starts_with('#'))
        .collect();
    if said.is_empty() {
        text.push_str(nasty);
        return;
    }
    let i = said[place.index(said.len())];
    match change {
        0 => drop(lines.remove(i)),
        1 => lines.insert(i, lines[i].clone()),
        2 | 8..=11 => {
            let key = lines[i].split(':').next().unwrap_or_default().to_string();
            lines[i] = format!("{key}: {nasty}");
        }
        3 | 12..=15 => lines[i] = lines[i].replacen(|c: char| c.is_ascii_digit(), nasty, 1),
        4 => lines[i] = format!("{nasty}{}", lines[i]),
        5 => lines[i] = format!("  {}", lines[i]),
        6 => {
            let middle = place.index(lines[i].chars().count() + 1);
            lines[i] = lines[i].chars().take(middle).collect::<String>() + nasty;
        }
        _ => lines.truncate(i),
    }
    *text = lines.join("\n");
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
    let deep = "[".repeat(100_000);
    for text in [bomb, deep] {
        let error = JointFile::from_text("joint.yaml", &text).unwrap_err();
        assert_one_line(&error.to_string());
    }
}

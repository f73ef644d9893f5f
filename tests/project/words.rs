//! Words that the public face of the program has given up do not come back: keys, options, topics,
//! services, parameters, columns, sentences.
//!
//! One thing has one name; CHANGELOG.md has the list of what replaced them.

use std::path::Path;
use std::process::Command;

/// What was given up, as whole words (letters, digits, `_` and `-` make a word), and what is used instead.
const RETIRED: &[(&str, &str)] = &[
    ("slacken", "release_tension"),
    ("let_down", "release"),
    ("letting_down", "releasing_tension"),
    ("taking_up", "retensioning"),
    ("disagreement", "sensor_mismatch"),
    ("not_following", "following_error"),
    ("growing_swing", "diverging_oscillation"),
    ("command_stale", "command_timeout"),
    ("abandoned", "command_timeout_action"),
    ("late_ticks", "late_cycles"),
    ("missed_ticks", "missed_cycles"),
    ("ticks_without_sample", "cycles_without_sample"),
    ("hold_band", "integrator_deadband"),
    ("correction_rad", "feedback_rad"),
    ("limits.correction", "limits.feedback"),
    ("correction_share", "feedback_share"),
    ("correction_limited", "feedback_limited"),
    ("follow_band_rad", "following_error_limit_rad"),
    ("black_box", "incident"),
    ("black-box", "incident"),
    ("write_black_box", "save_incident"),
    ("black_box.folder", "incidents.folder"),
    ("black_box.disk_limit", "incidents.disk_limit"),
    ("gains/step-test.yaml", "gains/open-loop.yaml"),
    ("attitude", "orientation"),
    ("base_attitude", "base_orientation"),
    ("base_attitude_deg", "base_orientation_deg"),
    ("capture_base_attitude", "capture_base_orientation"),
    ("attitude_deg", "orientation_deg"),
    ("attitude_noise_deg", "orientation_noise_deg"),
    ("--attitude-noise-deg", "--orientation-noise-deg"),
    ("--age-ms", "--sensor-latency-ms"),
    ("--sensor-age-ms", "--sensor-latency-ms"),
    ("--imu-age-ms", "--imu-latency-ms"),
    ("imu_age_ms", "imu_latency_ms"),
    ("motor_age_ms", "motor_latency_ms"),
    ("--output-ms", "--output-delay-ms"),
    ("--imu-rate", "--imu-rate-hz"),
    ("--stiction", "--stiction-rad"),
    ("--margin-deg", "--margin-floor-deg"),
    (
        "--sensitivity",
        "--sensitivity-ceiling or --sensitivity-peak",
    ),
    ("--asked", "--commanded"),
    ("asked_x_rad", "commanded_x_rad"),
    ("asked_y_rad", "commanded_y_rad"),
    ("--swing-decay", "--mode-decay"),
    ("--swing-deg", "--base-oscillation-deg"),
    ("--swing-hz", "--base-oscillation-hz"),
    ("too_slow", "latency_too_high"),
    ("sensors_too_slow", "latency_too_high"),
    ("outside_travel", "position_out_of_range"),
    ("unfit", "not_ready"),
    ("across_gain", "cross_axis_gain"),
    ("longest_tick_s", "longest_cycle_s"),
    ("latest_tick_s", "latest_cycle_s"),
    ("holds_asked", "holds_requested"),
    ("clears_asked", "clears_requested"),
    ("slackens_asked", "releases_requested"),
];

/// Whether `word` stands in `text` as a whole one.
fn stands_in(text: &str, word: &str) -> bool {
    let part = |c: Option<char>| c.is_some_and(|c| c.is_ascii_alphanumeric() || "_-".contains(c));
    text.match_indices(word).any(|(at, _)| {
        let (before, after) = (&text[..at], &text[at + word.len()..]);
        !part(before.chars().next_back()) && !part(after.chars().next())
    })
}

fn check(place: &str, text: &str) {
    // The standard library's own name.
    let text = &text.replace("hint::black_box", "");
    for (word, instead) in RETIRED {
        if stands_in(text, word) {
            let line = text.lines().find(|line| stands_in(line, word)).unwrap();
            panic!("{place}: '{word}' was given up for '{instead}': {line}");
        }
    }
}

/// Checks all files below `folder` of the kinds that people and programs read.
fn check_below(folder: &Path) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            check_below(&path);
        } else if let Ok(text) = std::fs::read_to_string(&path) {
            check(&path.display().to_string(), &text);
        }
    }
}

#[test]
fn whole_words_are_found() {
    for (text, found) in [
        ("~/slacken", true),
        ("slackens", false),
        ("not_slacken", false),
        ("a slacken.", true),
        ("--age-ms", false),
    ] {
        assert_eq!(stands_in(text, "slacken"), found, "{text}");
    }
    assert!(stands_in("with --age-ms 4", "--age-ms"));
    assert!(!stands_in("with --imu-age-ms 4", "--age-ms"));
}

#[test]
fn files_and_sources_do_without_retired_words() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for folder in ["src", "config", "docs", "launch-free-scripts"] {
        check_below(&root.join(folder));
    }
    for file in ["README.md", "DEVELOPERS.md"] {
        check(file, &std::fs::read_to_string(root.join(file)).unwrap());
    }
}

#[test]
fn help_does_without_retired_words() {
    let help = |command: &[&str]| {
        let out = Command::new(env!("CARGO_BIN_EXE_withy"))
            .args(command)
            .arg("--help")
            .output();
        String::from_utf8(out.unwrap().stdout).unwrap()
    };
    let all = help(&[]);
    let commands: Vec<&str> = all
        .lines()
        .skip_while(|line| !line.starts_with("Commands:"))
        .skip(1)
        .take_while(|line| !line.is_empty())
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|command| *command != "help")
        .collect();
    assert!(
        commands.contains(&"incident") && commands.len() > 9,
        "{commands:?}"
    );
    check("withy --help", &all);
    for command in commands {
        check(&format!("withy {command} --help"), &help(&[command]));
    }
}

//! The key `commands` of a joint file: the sources of commands.

use crate::files_support::{JOINT, assert_one_line, config, text};
use withy::files::{Commands, JointFile};

/// Reads the joint file with this under its key.
fn with(value: &str) -> Result<Commands, String> {
    let text = format!("{}\ncommands: {value}\n", text(JOINT));
    let read = JointFile::from_text(config().join(JOINT), &text);
    read.map(|file| file.commands).map_err(|e| e.to_string())
}

#[test]
fn what_the_comment_says_is_what_is_usual() {
    let told = text(JOINT);
    let line = told.lines().find_map(|l| l.strip_prefix("# commands: "));
    assert_eq!(with(line.unwrap()).unwrap(), Commands::default());
    let plain = JointFile::load(config().join(JOINT)).unwrap();
    assert_eq!(plain.commands, Commands::default());
}

#[test]
fn what_is_written_is_taken() {
    let read = with("{exclusive: true, release_after_s: 0.5, sources: [teleop, gaze_2]}").unwrap();
    assert!(read.exclusive);
    assert_eq!(read.release_after, 0.5);
    assert_eq!(read.sources, ["teleop", "gaze_2"]);
    for edge in [0.2, 60.0] {
        let read = with(&format!("{{release_after_s: {edge}}}")).unwrap();
        assert_eq!((read.release_after, read.exclusive), (edge, false));
    }
}

#[test]
fn what_does_not_fit_is_told_in_one_sentence() {
    let many: Vec<_> = (0..17).map(|i| format!("s{i}")).collect();
    let many = format!("{{sources: [{}]}}", many.join(", "));
    let cases: &[(&str, &[&str])] = &[
        ("7", &["commands", "7", "exclusive"]),
        ("{exclusive: perhaps}", &["commands.exclusive", "perhaps"]),
        (
            "{release_after_s: 0.19}",
            &["commands.release_after_s", "0.19", "from 0.2 to 60 s"],
        ),
        (
            "{release_after_s: 61}",
            &["commands.release_after_s", "61", "60"],
        ),
        (
            "{release_after_s: .nan}",
            &["commands.release_after_s", "nan"],
        ),
        (
            "{sources: teleop}",
            &["commands.sources", "teleop", "names"],
        ),
        (
            "{sources: [teleop, teleop]}",
            &["commands.sources[1]", "teleop", "all different"],
        ),
        (
            "{sources: [a, action]}",
            &["commands.sources[1]", "action", "none of them action"],
        ),
        (
            "{sources: [/teleop]}",
            &["commands.sources[0]", "/teleop", "letters"],
        ),
        ("{sources: [2]}", &["commands.sources[0]", "2"]),
        (&many, &["commands.sources[16]", "s16", "at most 16"]),
        ("{exclusiv: true}", &["commands.exclusiv", "exclusive"]),
    ];
    for (value, words) in cases {
        let told = with(value).unwrap_err();
        assert_one_line(&told);
        for word in [JOINT].iter().chain(*words) {
            assert!(
                told.to_lowercase().contains(word),
                "{value}: {word} is not in {told}"
            );
        }
    }
}

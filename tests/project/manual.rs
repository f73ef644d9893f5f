//! The manual: its links lead somewhere, and its commands are commands.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Returns the pages with their text, by path from the project's root.
fn pages() -> Vec<(PathBuf, String)> {
    let mut pages = ["README.md", "DEVELOPERS.md", "CHANGELOG.md"]
        .map(PathBuf::from)
        .to_vec();
    for entry in std::fs::read_dir(root().join("docs")).unwrap() {
        let name = entry.unwrap().file_name();
        if Path::new(&name).extension().is_some_and(|e| e == "md") {
            pages.push(Path::new("docs").join(name));
        }
    }
    let read = |page: PathBuf| {
        let text = std::fs::read_to_string(root().join(&page)).unwrap();
        (page, text)
    };
    pages.into_iter().map(read).collect()
}

/// Returns the lines of a page, each with whether it stands in a block of code.
fn lines(text: &str) -> Vec<(bool, &str)> {
    let mut fenced = false;
    let mut blank = true;
    let mut indented = false;
    let line = |line| {
        let mark = str::trim_start(line).starts_with("```");
        fenced ^= mark;
        // A block by indentation begins after an empty line.
        indented = line.starts_with("    ") && (blank || indented) || indented && line.is_empty();
        blank = line.is_empty();
        (fenced || mark || indented, line)
    };
    text.lines().map(line).collect()
}

/// Returns the name by which a heading is linked to, as the usual renderers make it (common
/// practice, no source): small letters, no punctuation, hyphens for blanks.
fn anchor(heading: &str) -> String {
    let kept = heading.trim().to_lowercase();
    let kept = kept
        .chars()
        .filter(|c| c.is_alphanumeric() || "-_ ".contains(*c));
    kept.map(|c| if c == ' ' { '-' } else { c }).collect()
}

fn anchors(text: &str) -> BTreeSet<String> {
    lines(text)
        .iter()
        .filter(|(code, line)| !code && line.starts_with('#'))
        .map(|(_, line)| anchor(line.trim_start_matches('#')))
        .collect()
}

/// Returns the targets of the links of a page.
fn links(text: &str) -> Vec<&str> {
    let prose = lines(text).into_iter().filter(|(code, _)| !code);
    prose
        .flat_map(|(_, line)| line.match_indices("](").map(move |(at, _)| &line[at + 2..]))
        .filter_map(|rest| rest.split(')').next())
        .collect()
}

#[test]
fn links_lead_somewhere() {
    let pages = pages();
    let mut broken = Vec::new();
    let mut count = 0;
    for (page, text) in &pages {
        for link in links(text) {
            if link.contains("://") || link.starts_with("mailto:") {
                continue;
            }
            count += 1;
            let (file, part) = link.split_once('#').unwrap_or((link, ""));
            let target = if file.is_empty() {
                page.clone()
            } else {
                page.parent().unwrap().join(file)
            };
            if !root().join(&target).exists() {
                broken.push(format!("{}: {link}: no such file", page.display()));
            } else if !part.is_empty() {
                let text = std::fs::read_to_string(root().join(&target)).unwrap();
                if !anchors(&text).contains(part) {
                    broken.push(format!("{}: {link}: no such heading", page.display()));
                }
            }
        }
    }
    assert!(broken.is_empty(), "{}", broken.join("\n"));
    assert!(count > 20, "{count} links");
}

/// Returns the commands in blocks of code, comments and what ROS reads left out, continued lines joined.
fn commands(text: &str) -> Vec<Vec<String>> {
    let code: Vec<&str> = lines(text)
        .into_iter()
        .map(|(code, line)| if code { line.trim() } else { "" })
        .collect();
    code.join("\n")
        .replace("\\\n", " ")
        .lines()
        .filter_map(|line| line.split(" #").next())
        .map(|line| {
            line.split_whitespace()
                .map(String::from)
                .collect::<Vec<_>>()
        })
        .map(|words| {
            words
                .into_iter()
                .take_while(|w| w != "--ros-args" && w != "|" && w != "&&")
        })
        .map(Iterator::collect)
        .filter(|words: &Vec<String>| !words.is_empty())
        .collect()
}

fn withy(arguments: &[&str], folder: &Path) -> std::process::Output {
    Command::new(env!("CARGO_BIN_EXE_withy"))
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap()
}

#[test]
fn commands_are_commands_and_those_without_a_graph_run() {
    // The files that the manual's examples begin with, in a folder of their own.
    let folder = tempfile::tempdir().unwrap();
    let copied = Command::new("cp")
        .arg("-r")
        .arg(root().join("config"))
        .arg(folder.path())
        .status();
    assert!(copied.unwrap().success());
    for (from, to) in [
        ("config/glasshouse-neck.yaml", "config/my-neck.yaml"),
        ("config/models/glasshouse-neck.yaml", "models.yaml"),
    ] {
        std::fs::copy(folder.path().join(from), folder.path().join(to)).unwrap();
    }

    let (mut seen, mut ran) = (0, 0);
    for (page, text) in pages() {
        for words in commands(&text) {
            let told = format!("{}: {}", page.display(), words.join(" "));
            if let Some(script) = words[0].strip_prefix("./").or(Some(&words[0]))
                && script.starts_with("launch-free-scripts/")
            {
                assert!(root().join(script).exists(), "{told}");
            }
            if words[0] != "withy" && words[0] != "target/release/withy" {
                continue;
            }
            seen += 1;
            let arguments: Vec<&str> = words[1..].iter().map(String::as_str).collect();
            let Some(command) = arguments.first().filter(|c| !c.starts_with('-')) else {
                continue;
            };
            let help = withy(&[command, "--help"], folder.path());
            assert!(help.status.success(), "{told}: no such command");
            let help = String::from_utf8(help.stdout).unwrap();
            for option in arguments.iter().filter(|a| a.starts_with("--")) {
                let option = option.split('=').next().unwrap();
                let known = |word: &str| word.trim_matches(|c| ",[]".contains(c)) == option;
                let known = help.split_whitespace().any(known);
                assert!(known, "{told}: {command} has no {option}");
            }
            let offline = ["check", "examine", "tune"].contains(command);
            let help_asked = arguments.contains(&"--help");
            if offline && !help_asked {
                let out = withy(&arguments, folder.path());
                // A gain set below the floor is an answer too.
                let code = out.status.code();
                let error = String::from_utf8_lossy(&out.stderr);
                assert!(
                    matches!(code, Some(0 | 1)),
                    "{told}: exit code {code:?}: {error}"
                );
                assert!(!out.stdout.is_empty(), "{told}: {error}");
                ran += 1;
            }
        }
    }
    assert!(seen > 10 && ran > 2, "{seen} commands, {ran} of them run");
}

#[test]
fn blocks_headings_and_links_are_found() {
    let page = "# A b, c\n\ntext [x](docs/a.md#part)\n    not code\n\n    withy check a.yaml  # why\n\n    \
                more\n```\nwithy fit \\\n  --save m.yaml | head\n```\n## `c` d\n";
    assert_eq!(
        anchors(page),
        BTreeSet::from(["a-b-c".into(), "c-d".into()])
    );
    assert_eq!(links(page), ["docs/a.md#part"]);
    let words = |line: &str| line.split(' ').map(String::from).collect::<Vec<_>>();
    let found = commands(page);
    assert!(found.contains(&words("withy check a.yaml")), "{found:?}");
    assert!(
        found.contains(&words("withy fit --save m.yaml")),
        "{found:?}"
    );
    assert!(!found.contains(&words("not code")), "{found:?}");
}

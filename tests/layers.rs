//! The shape of the code: which file may use which, what the lower layers never see, how long a file may be,
//! and what stands at the top of the project. DEVELOPERS.md says why.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Modules, lowest first. A module uses only modules of lower ranks, and its own folder. Ranks within a
/// layer: 4 is a chain, from the channels to the loop that they feed and to the graph around both.
const RANKS: &[(u32, u32, &[&str])] = &[
    // (rank, layer, modules)
    (0, 0, &["geometry", "fractional", "frames"]),
    // The build script: a program of its own, which uses nothing of the crate.
    (0, 5, &["build"]),
    (
        1,
        1,
        &[
            "kinematics",
            "gaze",
            "track",
            "controller",
            "self_support",
            "beam",
        ],
    ),
    (2, 1, &["model"]),
    (3, 2, &["aim", "tick"]),
    (4, 3, &["examine", "fit", "trial", "tune"]),
    // Files hold models of the joint, with their errors.
    (5, 3, &["config"]),
    (6, 4, &["link"]),
    (7, 4, &["rt", "report", "recorder"]),
    (8, 4, &["node"]),
    (9, 5, &["cmd"]),
    (10, 5, &["main"]),
];

/// What no code of layers 0 to 2 mentions.
const OUTSIDE: &[&str] = &[
    "serde",
    "serde_yaml",
    "tokio",
    "tracing",
    "r2r",
    "futures",
    "rtrb",
    "triple_buffer",
    "nix",
    "Instant",
    "SystemTime",
    "Mutex",
    "println",
    "eprintln",
];

/// What no code of layers 0 to 2 takes from the standard library.
const OUTSIDE_STD: &[&str] = &[
    "thread", "sync", "fs", "net", "io", "env", "process", "time",
];

/// The only files that may use the simulated joint: it stands in for hardware.
const BEAM_USERS: &[&str] = &["config/simulated.rs", "cmd/simulate", "node/simulate"];

/// Longest file, lines.
const LONGEST: usize = 700;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Every file under `folder` that ends in one of `endings`, with its path from there.
fn files(folder: &Path, endings: &[&str]) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            let name = path
                .strip_prefix(folder)
                .unwrap()
                .to_str()
                .unwrap()
                .to_string();
            if path.is_dir() {
                folders.push(path);
            } else if endings.iter().any(|e| name.ends_with(e)) {
                found.push((name, fs::read_to_string(&path).unwrap()));
            }
        }
    }
    found.sort();
    assert!(!found.is_empty(), "no files in {}", folder.display());
    found
}

/// Names of the modules that are tests; with `ending` `;` those in files of their own.
fn test_modules<'a>(text: &'a str, ending: &'a str) -> impl Iterator<Item = (usize, &'a str)> {
    text.match_indices("#[cfg(test)]\nmod ")
        .filter_map(move |(at, mark)| {
            let name = text[at + mark.len()..].lines().next()?;
            name.strip_suffix(ending).map(|name| (at, name))
        })
}

/// Code without line comments, string contents, and the tests at its end.
fn code(text: &str) -> String {
    let end = test_modules(text, " {")
        .next()
        .map_or(text.len(), |(at, _)| at);
    let mut kept = String::new();
    let mut chars = text[..end].chars().peekable();
    while let Some(c) = chars.next() {
        match c {
            '/' if chars.peek() == Some(&'/') => {
                for c in chars.by_ref() {
                    if c == '\n' {
                        kept.push('\n');
                        break;
                    }
                }
            }
            '"' => {
                kept.push('"');
                while let Some(c) = chars.next() {
                    match c {
                        '\\' => drop(chars.next()),
                        '"' => break,
                        _ => {}
                    }
                }
                kept.push('"');
            }
            // A quote as a character, not the start of a text.
            '\'' if chars.clone().take(2).eq("\"'".chars()) => {
                kept.push_str("' '");
                chars.next();
                chars.next();
            }
            c => kept.push(c),
        }
    }
    kept
}

/// Identifiers and what stands between them.
fn words(code: &str) -> Vec<String> {
    let mut words = Vec::new();
    let mut word = String::new();
    for c in code.chars() {
        if c.is_alphanumeric() || c == '_' {
            word.push(c);
            continue;
        }
        if !word.is_empty() {
            words.push(std::mem::take(&mut word));
        }
        if !c.is_whitespace() {
            words.push(c.to_string());
        }
    }
    words.push(word);
    words
}

/// The module that a file belongs to.
fn module(file: &str) -> &str {
    let first = file.split('/').next().unwrap_or(file);
    first.strip_suffix(".rs").unwrap_or(first)
}

fn rank(module: &str) -> Option<(u32, u32)> {
    RANKS
        .iter()
        .find(|(_, _, modules)| modules.contains(&module))
        .map(|(rank, layer, _)| (*rank, *layer))
}

/// The first words of the paths that start at `words[at]`: of each part in `{a, b::{c, d}}`.
fn heads(words: &[String], at: usize) -> Vec<String> {
    if words.get(at).is_none_or(|w| w != "{") {
        return words.get(at).cloned().into_iter().collect();
    }
    let (mut open, mut first) = (1, true);
    let mut heads = Vec::new();
    for word in &words[at + 1..] {
        match word.as_str() {
            "{" => open += 1,
            "}" => open -= 1,
            "," if open == 1 => first = true,
            word if first => {
                heads.push(word.to_string());
                first = false;
            }
            _ => {}
        }
        if open == 0 {
            break;
        }
    }
    heads
}

/// What the code takes from `root`, as in `root::x` or `root::{x, y}`.
fn taken(words: &[String], root: &str) -> BTreeSet<String> {
    let starts = (0..words.len()).filter(|i| {
        let colon = |at: usize| words.get(at).is_some_and(|w| w == ":");
        words[*i] == root && colon(i + 1) && colon(i + 2)
    });
    starts.flat_map(|i| heads(words, i + 3)).collect()
}

/// The modules of this crate that the code of `file` uses, by whatever path.
fn used(file: &str, words: &[String]) -> BTreeSet<String> {
    let mut used = taken(words, "crate");
    used.extend(taken(words, "withy"));
    // So many times `super` lead to the root of the crate from here.
    let depth = file.matches('/').count() + 1;
    let mut run = 0;
    for (i, word) in words.iter().enumerate() {
        match word.as_str() {
            "super" => {
                run += 1;
                if run == depth {
                    used.extend(heads(words, i + 3));
                }
            }
            ":" => {}
            _ => run = 0,
        }
    }
    used.retain(|name| rank(name).is_some());
    used
}

/// What is wrong with what `file` uses.
fn offences(file: &str, text: &str) -> Vec<String> {
    let own = module(file);
    let Some((rank_here, layer)) = rank(own) else {
        return vec![format!("{file} has no place among the layers")];
    };
    let words = words(&code(text));
    let mut offences = Vec::new();
    for name in used(file, &words) {
        let lower = rank(&name).is_some_and(|(r, _)| r < rank_here);
        if name != own && !lower {
            offences.push(format!("{file} uses {name}, which is not below it"));
        }
        if name == "beam" && own != "beam" && !BEAM_USERS.iter().any(|user| file.starts_with(user))
        {
            offences.push(format!("{file} uses the simulated joint"));
        }
        if own == "beam" && name != "beam" {
            offences.push(format!("{file} shares {name} with the controller's side"));
        }
    }
    if layer <= 2 {
        let std = taken(&words, "std");
        let named = |name: &&&str| words.iter().any(|w| w == **name);
        let from_std = |name: &&&str| std.contains(**name);
        let outside = OUTSIDE.iter().filter(named);
        for outside in outside.chain(OUTSIDE_STD.iter().filter(from_std)) {
            offences.push(format!("{file} of layer {layer} mentions {outside}"));
        }
    }
    if own != "node" && words.iter().any(|w| w == "r2r") {
        offences.push(format!("{file} uses the middleware; only node does"));
    }
    if own == "trial" && words.iter().any(|w| w == "fs") {
        offences.push(format!("{file} touches files"));
    }
    offences
}

#[test]
fn files_use_only_what_is_below_them() {
    let mut all = Vec::new();
    let sources = files(&root().join("src"), &[".rs"]);
    let tests: BTreeSet<String> = sources
        .iter()
        .flat_map(|(file, text)| {
            let folder = file.trim_end_matches(".rs");
            test_modules(text, ";").map(move |(_, name)| format!("{folder}/{name}.rs"))
        })
        .collect();
    for (file, text) in sources {
        if file != "lib.rs" && !tests.contains(&file) {
            all.extend(offences(&file, &text));
        }
    }
    assert!(all.is_empty(), "{}", all.join("\n"));
}

#[test]
fn the_check_sees_what_it_should() {
    let none: &[&str] = &[];
    for (file, text, expected) in [
        (
            "tick.rs",
            "use crate::config::JointFile;",
            &["tick.rs uses config, which is not below it"][..],
        ),
        (
            "tick/law.rs",
            "use crate::{geometry::{Bend, tick}, link as l};",
            &["tick/law.rs uses link, which is not below it"],
        ),
        (
            "geometry.rs",
            "use super::tick;",
            &["geometry.rs uses tick, which is not below it"],
        ),
        (
            "tick/law.rs",
            "use super::super::rt::Loop;",
            &["tick/law.rs uses rt, which is not below it"],
        ),
        ("tick/law.rs", "use super::link; use super::State;", none),
        (
            "kinematics.rs",
            "fn f() { crate::controller::x(); }",
            &["kinematics.rs uses controller, which is not below it"],
        ),
        (
            "controller.rs",
            "let t = std::time::Instant::now();",
            &[
                "controller.rs of layer 1 mentions Instant",
                "controller.rs of layer 1 mentions time",
            ],
        ),
        (
            "controller.rs",
            "use std::{f64::consts::PI, fs::File}; fn f(time: f64, fs: f64) {}",
            &["controller.rs of layer 1 mentions fs"],
        ),
        (
            "controller.rs",
            "// std::time\nlet a = \"std::fs\";\n#[cfg(test)]\nmod tests {\nuse std::fs; }",
            none,
        ),
        (
            "controller.rs",
            "let q = '\"'; use std::fs;",
            &["controller.rs of layer 1 mentions fs"],
        ),
        ("rt.rs", "use crate::link::Record;", none),
        (
            "rt.rs",
            "use crate::beam::Plant;",
            &["rt.rs uses the simulated joint"],
        ),
        ("cmd/simulate.rs", "use crate::beam::Plant;", none),
        (
            "beam/rod.rs",
            "use crate::geometry::Bend;",
            &["beam/rod.rs shares geometry with the controller's side"],
        ),
        (
            "cmd/run.rs",
            "let c = r2r::Context::create();",
            &["cmd/run.rs uses the middleware; only node does"],
        ),
        (
            "sundry.rs",
            "",
            &["sundry.rs has no place among the layers"],
        ),
    ] {
        assert_eq!(offences(file, text), expected, "{file}: {text}");
    }
}

#[test]
fn no_file_is_too_long() {
    let mut long = Vec::new();
    for folder in ["src", "tests", "launch-free-scripts"] {
        let endings: &[&str] = if folder == "launch-free-scripts" {
            &[""]
        } else {
            &[".rs", ".py"]
        };
        for (file, text) in files(&root().join(folder), endings) {
            let lines = text.lines().count();
            if lines > LONGEST {
                long.push(format!(
                    "{folder}/{file} has {lines} lines, at most {LONGEST} are accepted"
                ));
            }
        }
    }
    assert!(long.is_empty(), "{}", long.join("\n"));
}

#[test]
fn the_top_level_holds_what_belongs_there() {
    let entries = [
        "Cargo.toml",
        "Cargo.lock",
        "README.md",
        "DEVELOPERS.md",
        "LICENSE-MIT",
        "LICENSE-APACHE",
        "src",
        "config",
        "tests",
        "launch-free-scripts",
    ];
    let ignored = fs::read_to_string(root().join(".gitignore")).unwrap();
    for entry in fs::read_dir(root()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        let belongs = name.starts_with('.')
            || entries.contains(&name.as_str())
            || ignored.lines().any(|line| line.trim_matches('/') == name);
        assert!(belongs, "{name} does not belong at the top level");
    }
}

#[test]
fn unsafe_code_is_forbidden() {
    for file in ["src/lib.rs", "src/main.rs"] {
        let text = fs::read_to_string(root().join(file)).unwrap();
        assert!(text.contains("#![forbid(unsafe_code)]"), "{file}");
    }
}

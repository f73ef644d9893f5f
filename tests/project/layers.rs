//! The shape of the code: which file may use which, what the lower layers never see, how long a file may be,
//! and what stands at the top of the project. DEVELOPERS.md says why.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// The wings, from the ground up, and of which others each may use.
const WINGS: &[(&str, &[&str])] = &[
    ("control", &[]),
    ("sim", &[]),
    ("design", &["control"]),
    ("files", &["control", "sim", "design"]),
    ("runtime", &["control", "files"]),
    ("report", &[]),
    (
        "ros",
        &["control", "sim", "design", "files", "runtime", "report"],
    ),
    (
        "cli",
        &[
            "control", "sim", "design", "files", "runtime", "report", "ros",
        ],
    ),
    ("main", &["cli"]),
    // The build script: a program of its own, which uses nothing of the crate.
    ("build", &[]),
];

/// Modules within a wing, lowest first: one uses only those of rows above its own, and its own folder.
const WITHIN: &[(&str, &[&[&str]])] = &[
    (
        "control",
        &[
            &["bounds", "solve"],
            &["geometry", "fractional", "frames"],
            &["kinematics", "gaze", "track", "controller", "self_support"],
            &["aim", "tick"],
        ],
    ),
    (
        "design",
        &[&["model"], &["examine", "fit", "trial", "tune"]],
    ),
    ("runtime", &[&["link"], &["recorder", "rt"]]),
    (
        "ros",
        &[
            &["acknowledge", "context", "messages", "transport"],
            &["clock"],
            &["server"],
            &["client"],
            &["simulated"],
        ],
    ),
];

/// Wings without serde, threads, files, clocks or middleware: time is an argument.
const PURE: &[&str] = &["control", "sim", "design"];

/// What no code of a pure wing mentions.
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

/// What no code of a pure wing takes from the standard library.
const OUTSIDE_STD: &[&str] = &[
    "thread", "sync", "fs", "net", "io", "env", "process", "time",
];

/// The only files that may use the simulated joint: it stands in for hardware.
const SIM_USERS: &[&str] = &["files/simulated.rs", "cli/simulate", "ros/simulated"];

/// Longest file, lines: a guard, not where files are cut.
const LONGEST: usize = 1000;

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

/// The wing and, within it, the module that a file belongs to: "" for the file that only lists a
/// wing's modules.
fn place(file: &str) -> (&str, &str) {
    let mut parts = file.split('/').map(|p| p.strip_suffix(".rs").unwrap_or(p));
    let wing = parts.next().unwrap_or("");
    (wing, parts.next().unwrap_or(""))
}

/// The wings that `wing` may use.
fn below(wing: &str) -> Option<&'static [&'static str]> {
    WINGS.iter().find(|(w, _)| *w == wing).map(|(_, may)| *may)
}

/// The row of `module` among those of its wing; none where the wing has no rows or does not know it.
fn row(wing: &str, module: &str) -> Option<usize> {
    let (_, rows) = WITHIN.iter().find(|(w, _)| *w == wing)?;
    rows.iter().position(|modules| modules.contains(&module))
}

/// The first words of the paths that start at `words[at]`, of each part in `{a, b::{c, d}}`, and
/// where each stands.
fn heads(words: &[String], at: usize) -> Vec<usize> {
    if words.get(at).is_none_or(|w| w != "{") {
        return if at < words.len() {
            vec![at]
        } else {
            Vec::new()
        };
    }
    let (mut open, mut first) = (1, true);
    let mut heads = Vec::new();
    for (i, word) in words.iter().enumerate().skip(at + 1) {
        match word.as_str() {
            "{" => open += 1,
            "}" => open -= 1,
            "," if open == 1 => first = true,
            _ if first => {
                heads.push(i);
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

/// Whether `words[at]` and the next are the `::` of a path.
fn is_path(words: &[String], at: usize) -> bool {
    let colon = |at: usize| words.get(at).is_some_and(|w| w == ":");
    colon(at) && colon(at + 1)
}

/// Where the first words after `root::` stand, as in `root::x` or `root::{x, y}`.
fn taken(words: &[String], root: &str) -> Vec<usize> {
    let starts = (0..words.len()).filter(|i| words[*i] == root && is_path(words, i + 1));
    starts.flat_map(|i| heads(words, i + 3)).collect()
}

/// The wings and modules of this crate that the code of `file` uses, by whatever path.
fn used(file: &str, words: &[String]) -> BTreeSet<(String, String)> {
    let mut of_the_crate = taken(words, "crate");
    of_the_crate.extend(taken(words, "withy"));
    let mut of_the_wing = Vec::new();
    // So many times `super` lead to the root of the crate from here, and one time less to the wing.
    let depth = file.matches('/').count() + 1;
    let mut run = 0;
    for (i, word) in words.iter().enumerate() {
        match word.as_str() {
            "super" => {
                run += 1;
                let next = words.get(i + 3).is_some_and(|w| w == "super");
                if run == depth {
                    of_the_crate.extend(heads(words, i + 3));
                } else if run + 1 == depth && !next {
                    of_the_wing.extend(heads(words, i + 3));
                }
            }
            ":" => {}
            _ => run = 0,
        }
    }
    let mut used = BTreeSet::new();
    for at in of_the_crate {
        let wing = &words[at];
        if below(wing).is_none() {
            continue;
        }
        let inner = if is_path(words, at + 1) {
            heads(words, at + 3)
        } else {
            Vec::new()
        };
        used.insert((wing.clone(), String::new()));
        used.extend(inner.into_iter().map(|i| (wing.clone(), words[i].clone())));
    }
    let own = place(file).0;
    used.extend(
        of_the_wing
            .into_iter()
            .map(|i| (own.to_string(), words[i].clone())),
    );
    used
}

/// What is wrong with what `file` uses.
fn offences(file: &str, text: &str) -> Vec<String> {
    let (own_wing, own) = place(file);
    let Some(may) = below(own_wing) else {
        return vec![format!("{file} is in no wing")];
    };
    let mut offences = Vec::new();
    if !own.is_empty() && WITHIN.iter().any(|(w, _)| *w == own_wing) && row(own_wing, own).is_none()
    {
        return vec![format!("{file} has no place in the wing {own_wing}")];
    }
    let words = words(&code(text));
    for (wing, module) in used(file, &words) {
        if wing != own_wing {
            if module.is_empty() && !may.contains(&wing.as_str()) {
                offences.push(format!("{file} uses {wing}, which is not below it"));
            }
            if module.is_empty() && wing == "sim" && !SIM_USERS.iter().any(|u| file.starts_with(u))
            {
                offences.push(format!("{file} uses the simulated joint"));
            }
        } else if let (Some(here), Some(there)) = (row(&wing, own), row(&wing, &module))
            && module != own
            && there >= here
        {
            offences.push(format!("{file} uses {module}, which is not below it"));
        }
    }
    if PURE.contains(&own_wing) {
        let std: BTreeSet<&str> = taken(&words, "std")
            .into_iter()
            .map(|i| words[i].as_str())
            .collect();
        let named = |name: &&&str| words.iter().any(|w| w == **name);
        let from_std = |name: &&&str| std.contains(**name);
        let outside = OUTSIDE.iter().filter(named);
        for outside in outside.chain(OUTSIDE_STD.iter().filter(from_std)) {
            offences.push(format!("{file} of the wing {own_wing} mentions {outside}"));
        }
    }
    if own_wing != "ros" && words.iter().any(|w| w == "r2r") {
        offences.push(format!("{file} uses the middleware; only ros does"));
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
            "control/tick.rs",
            "use crate::files::JointFile;",
            &["control/tick.rs uses files, which is not below it"][..],
        ),
        (
            "control/tick/law.rs",
            "use crate::{control::geometry::{Bend, tick}, runtime::link as l};",
            &["control/tick/law.rs uses runtime, which is not below it"],
        ),
        (
            "control/geometry.rs",
            "use super::tick;",
            &["control/geometry.rs uses tick, which is not below it"],
        ),
        (
            "control/geometry.rs",
            "use crate::control::{fractional, tick::Law};",
            &[
                "control/geometry.rs uses fractional, which is not below it",
                "control/geometry.rs uses tick, which is not below it",
            ],
        ),
        (
            "control/tick/law.rs",
            "use super::super::super::runtime::rt;",
            &["control/tick/law.rs uses runtime, which is not below it"],
        ),
        (
            "control/tick/law.rs",
            "use super::link; use super::State;",
            none,
        ),
        (
            "control/tick/law.rs",
            "use super::super::geometry::Bend;",
            none,
        ),
        (
            "control/kinematics.rs",
            "fn f() { crate::control::controller::x(); }",
            &["control/kinematics.rs uses controller, which is not below it"],
        ),
        (
            "control/controller.rs",
            "let t = std::time::Instant::now();",
            &[
                "control/controller.rs of the wing control mentions Instant",
                "control/controller.rs of the wing control mentions time",
            ],
        ),
        (
            "design/fit.rs",
            "use std::{f64::consts::PI, fs::File}; fn f(time: f64, fs: f64) {}",
            &["design/fit.rs of the wing design mentions fs"],
        ),
        (
            "control/controller.rs",
            "// std::time\nlet a = \"std::fs\";\n#[cfg(test)]\nmod tests {\nuse std::fs; }",
            none,
        ),
        (
            "control/controller.rs",
            "let q = '\"'; use std::fs;",
            &["control/controller.rs of the wing control mentions fs"],
        ),
        ("runtime/rt.rs", "use crate::runtime::link::Record;", none),
        (
            "runtime/rt.rs",
            "use crate::sim::beam::Plant;",
            &[
                "runtime/rt.rs uses sim, which is not below it",
                "runtime/rt.rs uses the simulated joint",
            ],
        ),
        (
            "cli/check.rs",
            "use crate::sim::beam::Plant;",
            &["cli/check.rs uses the simulated joint"],
        ),
        ("cli/simulate.rs", "use crate::sim::beam::Plant;", none),
        (
            "sim/beam/rod.rs",
            "use crate::control::geometry::Bend;",
            &["sim/beam/rod.rs uses control, which is not below it"],
        ),
        (
            "cli/run.rs",
            "let c = r2r::Context::create();",
            &["cli/run.rs uses the middleware; only ros does"],
        ),
        (
            "ros/server/status.rs",
            "use crate::ros::client::session;",
            &["ros/server/status.rs uses client, which is not below it"],
        ),
        ("sundry.rs", "", &["sundry.rs is in no wing"]),
        (
            "control/sundry.rs",
            "",
            &["control/sundry.rs has no place in the wing control"],
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
        "CHANGELOG.md",
        "DEVELOPERS.md",
        "docs",
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

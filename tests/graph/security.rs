//! The policy for DDS security in `config/security` against the node's real use of the graph, and
//! enclave arguments.
#![cfg(feature = "ros")]

use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

use crate::harness::Stage;
use roxmltree::{Document, Node};

const POLICY: &str = include_str!("../../config/security/withy-policy.xml");

/// A right: an operation and the name that it applies to.
type Right = (&'static str, String);

/// Rights, each with a flag that is true if it is only optional.
type Rights = BTreeMap<Right, bool>;

/// The rights that a list of the policy can give, by the list and its attributes.
const GIVEN: [(&str, &str, [&str; 2]); 3] = [
    ("topics", "topic", ["publish", "subscribe"]),
    ("services", "service", ["reply", "request"]),
    ("actions", "action", ["execute", "call"]),
];

/// The topics from an action's server, and the services to it (ROS 2 design documents, "Actions").
const ACTION: [(&str, [&str; 2]); 2] = [
    ("topic", ["feedback", "status"]),
    ("service", ["send_goal", "cancel_goal"]),
];

/// Returns the children that are elements, all of which must have these names.
fn children<'a, 'i>(of: Node<'a, 'i>, names: &[&str]) -> Vec<Node<'a, 'i>> {
    let found: Vec<_> = of.children().filter(Node::is_element).collect();
    for child in &found {
        let name = child.tag_name().name();
        assert!(names.contains(&name), "{name} in {}", of.tag_name().name());
    }
    let text = |n: &Node| n.is_text() && !n.text().unwrap_or_default().trim().is_empty();
    assert!(!of.children().any(|n| text(&n)), "text in {:?}", of);
    assert!(!found.is_empty(), "nothing in {:?}", of.tag_name());
    found
}

/// Checks that all attributes have these names, and that the first `needed` are there.
fn attributes(of: Node, names: &[&str], needed: usize) {
    for attribute in of.attributes() {
        assert!(names.contains(&attribute.name()), "{attribute:?}");
    }
    for name in &names[..needed] {
        assert!(of.attribute(*name).is_some(), "{of:?} has no {name}");
    }
}

/// Returns a full name from an expression of a profile.
fn full(profile: Node, name: &str) -> String {
    let (ns, node) = (
        profile.attribute("ns").unwrap(),
        profile.attribute("node").unwrap(),
    );
    let ns = ns.trim_end_matches('/');
    match name.strip_prefix('~') {
        Some(rest) => format!("{ns}/{node}{rest}"),
        None if name.starts_with('/') => name.into(),
        None => format!("{ns}/{name}"),
    }
}

/// Reads the policy by the rules of its schema (ROS 2 design documents, "ROS 2 Access Control
/// Policies", policy.xsd 0.2.0). Returns the rights of each enclave.
fn policy() -> BTreeMap<String, Rights> {
    let document = Document::parse(POLICY).unwrap();
    let root = document.root_element();
    assert_eq!(root.tag_name().name(), "policy");
    attributes(root, &["version"], 1);
    assert_eq!(root.attribute("version"), Some("0.2.0"));
    let enclaves = children(root, &["enclaves"]);
    assert_eq!(enclaves.len(), 1);
    attributes(enclaves[0], &[], 0);
    let mut all = BTreeMap::new();
    for enclave in children(enclaves[0], &["enclave"]) {
        attributes(enclave, &["path"], 1);
        let path = enclave.attribute("path").unwrap();
        assert!(path.starts_with('/') && path.len() > 1, "{path}");
        let mut rights = Rights::new();
        for profiles in children(enclave, &["profiles"]) {
            attributes(profiles, &["type"], 0);
            for profile in children(profiles, &["profile"]) {
                attributes(profile, &["ns", "node"], 2);
                for list in children(profile, &GIVEN.map(|(list, ..)| list)) {
                    read(profile, list, &mut rights);
                }
            }
        }
        assert!(all.insert(path.to_string(), rights).is_none(), "{path}");
    }
    all
}

/// Reads one list of names.
fn read(profile: Node, list: Node, rights: &mut Rights) {
    let name = list.tag_name().name();
    let given = GIVEN.iter().find(|(list, ..)| *list == name);
    let (_, item, does) = given.unwrap();
    attributes(list, does, 0);
    assert!(list.attributes().len() > 0, "{name} that allow nothing");
    let before = list.prev_siblings().skip(1).find(|n| !n.is_text());
    let comment = before.filter(Node::is_comment).and_then(|n| n.text());
    let optional = comment.is_some_and(|text| text.trim().starts_with("optional: "));
    for entry in children(list, &[*item]) {
        attributes(entry, &[], 0);
        let name = entry.text().unwrap_or_default();
        // Full names, no wildcards, for least privilege.
        let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '/');
        assert!(
            name.trim_start_matches('~').chars().all(good) && name.len() > 1,
            "{name:?}"
        );
        for does in does {
            match list.attribute(*does) {
                None => {}
                Some("ALLOW") => {
                    let right = (*does, full(profile, name));
                    assert!(
                        rights.insert(right, optional).is_none(),
                        "{does} {name} twice"
                    );
                }
                Some(other) => panic!("{does} is {other}: nothing need be denied here"),
            }
        }
    }
}

/// Replaces actions by the topics and services that they consist of.
fn spelt_out(rights: &Rights) -> Rights {
    let mut all = Rights::new();
    for ((does, name), optional) in rights {
        let (topic, service) = match *does {
            "execute" => ("publish", "reply"),
            "call" => ("subscribe", "request"),
            does => {
                all.insert((does, name.clone()), *optional);
                continue;
            }
        };
        for (kind, parts) in ACTION {
            let does = if kind == "topic" { topic } else { service };
            for part in parts {
                all.insert((does, format!("{name}/_action/{part}")), *optional);
            }
        }
        all.insert((service, format!("{name}/_action/get_result")), *optional);
    }
    all
}

/// Returns rights as one line each.
fn lines<'a>(rights: impl Iterator<Item = &'a Right>) -> BTreeSet<String> {
    rights
        .map(|(does, name)| format!("{does} {name}"))
        .collect()
}

/// Returns the node's use of the graph, once it includes all of `wanted` or the time is over.
fn used(
    stage: &mut Stage,
    ros: &[&str],
    joint: &str,
    wanted: &BTreeSet<String>,
) -> BTreeSet<String> {
    let ros = [&["--enclave", "/withy"], ros].concat();
    stage.withy_run(&[joint], &ros);
    let mut arguments = vec!["/withy"];
    arguments.extend(wanted.iter().map(String::as_str));
    stage.client("named.py", &arguments);
    let said = stage.log("client");
    let used = said.lines().filter_map(|line| line.strip_prefix("uses "));
    used.map(String::from).collect()
}

#[test]
fn the_policy_allows_what_the_node_uses_and_nothing_else() {
    let allowed = spelt_out(&policy()["/withy"]);
    let needed = allowed.iter().filter(|(_, optional)| !**optional);
    let needed = lines(needed.map(|(right, _)| right));
    let mut stage = Stage::new();
    stage.plant(&[]);
    let used = used(&mut stage, &[], "glasshouse-neck.yaml", &needed);
    let all = lines(allowed.keys());
    let more: Vec<_> = used.difference(&all).collect();
    assert!(more.is_empty(), "used and not allowed: {more:#?}");
    let less: Vec<_> = needed.difference(&used).collect();
    assert!(less.is_empty(), "allowed and not used: {less:#?}");
    let (used_by, of) = (used.len(), all.len());
    eprintln!(
        "{used_by} names used, {of} allowed, {} of them needed",
        needed.len()
    );
}

#[test]
fn a_joint_that_has_everything_uses_all_that_is_optional() {
    let all = lines(spelt_out(&policy()["/withy"]).keys());
    let joint = "glasshouse-neck-pan.yaml";
    let mut stage = Stage::new();
    let sources = "\ncommands: {sources: [teleop]}\n";
    stage.edit(joint, "\nsetpoint:\n", &format!("{sources}\nsetpoint:\n"));
    stage.simulate("glasshouse-neck-pan-simulated.yaml", &[]);
    let used = used(&mut stage, &[], joint, &all);
    let packages = cfg!(has_tf2_msgs) && cfg!(has_control_msgs);
    assert!(!packages || used == all, "{used:#?}\nand {all:#?}");
}

#[test]
fn an_enclave_that_is_none_is_refused_in_one_sentence() {
    let stage = Stage::new();
    // Rules of a path by the ROS 2 design document "ROS 2 Security Enclaves": it begins with a
    // slash, and so on.
    for enclave in ["withy", "/with y", "//withy", "/withy/", "/1withy", ""] {
        let ros = ["--enclave", enclave];
        let output = stage.withy(&["glasshouse-neck.yaml"], &ros).output();
        let output = output.unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{enclave:?}: {said}");
        let own: Vec<_> = said.lines().filter(|l| l.starts_with("withy: ")).collect();
        assert_eq!(own.len(), 1, "{enclave:?}: {said}");
        assert!(own[0].contains("Enclave"), "{enclave:?}: {said}");
        assert!(!said.contains("panicked"), "{enclave:?}: {said}");
    }
}

/// Returns the command of a node with security, with keys from a folder of the stage.
fn secure(stage: &Stage, keystore: &str) -> Command {
    let mut command = stage.withy(&["glasshouse-neck.yaml"], &["--enclave", "/withy"]);
    command.env("ROS_SECURITY_ENABLE", "true");
    command.env("ROS_SECURITY_KEYSTORE", stage.folder().join(keystore));
    command
}

/// A node that silently lacks the requested security would be open to all.
#[test]
fn security_that_cannot_be_had_is_no_reason_to_go_without() {
    let stage = Stage::new();
    // A folder for keys that holds none. The wheels' middleware has no security, and reports the
    // same.
    std::fs::create_dir_all(stage.folder().join("keys/enclaves/withy")).unwrap();
    let enabled = "ROS_SECURITY_ENABLE";
    let cases = [("nowhere", "SECURITY"), ("keys", enabled)];
    for (keystore, word) in cases {
        let mut command = secure(&stage, keystore);
        let output = command.env("ROS_SECURITY_STRATEGY", "Enforce").output();
        let output = output.unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{keystore}: {said}");
        let own: Vec<_> = said.lines().filter(|l| l.starts_with("withy: ")).collect();
        assert_eq!(own.len(), 1, "{keystore}: {said}");
        for word in [word, keystore] {
            assert!(own[0].contains(word), "{keystore}: {word} is not in {said}");
        }
        assert!(!said.contains("panicked"), "{keystore}: {said}");
    }
}

#[test]
fn a_strategy_that_lets_it_run_unprotected_is_warned_of() {
    let mut stage = Stage::new();
    let command = secure(&stage, "nowhere");
    stage.start("withy", command);
    stage.until_said("withy", "ROS_SECURITY_STRATEGY is not Enforce");
}

#[test]
fn what_one_may_do_another_may_answer() {
    let all = policy();
    let rights = |enclaves: &dyn Fn(&str) -> bool| -> BTreeSet<Right> {
        let chosen = all.iter().filter(|(path, _)| enclaves(path));
        chosen
            .flat_map(|(_, rights)| rights.keys().cloned())
            .collect()
    };
    let node = rights(&|path| path == "/withy");
    let others = rights(&|path| path != "/withy");
    let answers = [
        ("publish", "subscribe"),
        ("subscribe", "publish"),
        ("reply", "request"),
        ("execute", "call"),
    ];
    for (does, answers) in answers {
        for (_, name) in node.iter().filter(|(d, _)| *d == does) {
            assert!(
                others.contains(&(answers, name.clone())),
                "nobody may {answers} {name}"
            );
        }
        // No enclave may ask for names that the node lacks.
        for (_, name) in others
            .iter()
            .filter(|(d, n)| *d == answers && n.starts_with("/withy/"))
        {
            assert!(
                node.contains(&(does, name.clone())),
                "{name} does not {does}"
            );
        }
    }
    // Only drivers publish motor angles, and only the node commands them.
    for (path, rights) in &all {
        for name in ["/joint_states", "/imu", "/base_imu"] {
            let may = rights.contains_key(&("publish", name.to_string()));
            assert_eq!(may, path == "/drivers", "{path} {name}");
        }
        let drives = rights.contains_key(&("publish", "/withy/motor_setpoints".to_string()));
        assert_eq!(drives, path == "/withy", "{path}");
    }
}

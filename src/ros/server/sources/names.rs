//! The full name of a topic of this node: the bindings remap relative names but do not report the
//! result.
//!
//! The rules are those of the ROS 2 design documents "Topic and Service name mapping to DDS"
//! (expansion), "Remapping Names" and "ROS Command Line Arguments": the first matching rule wins,
//! and both its sides are expanded before the comparison.

/// Arguments that begin and end the ROS arguments.
const BEGIN: &str = "--ros-args";
const END: &str = "--";

/// Returns the full name of `name` for the node of full name `node`, as remapped by the `arguments`
/// of the process.
pub(super) fn full_name(
    node: &str,
    name: &str,
    arguments: impl IntoIterator<Item = String>,
) -> String {
    let (_, own) = split(node);
    let name = expanded(node, name);
    let mut ours = false;
    let mut arguments = arguments.into_iter();
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            BEGIN => ours = true,
            END => ours = false,
            "-r" | "--remap" if ours => {
                let rule = arguments.next().unwrap_or_default();
                if let Some(to) = applied(node, own, &rule, &name) {
                    return to;
                }
            }
            _ => {}
        }
    }
    name
}

/// Returns the name that a rule maps a full topic name to, if the rule applies.
fn applied(node: &str, own: &str, rule: &str, name: &str) -> Option<String> {
    let (from, to) = rule.split_once(":=")?;
    let from = match from.split_once(':') {
        Some(("rostopic", rest)) => rest.strip_prefix("//")?,
        Some((only, rest)) if only == own => rest.strip_prefix("rostopic://").unwrap_or(rest),
        // Rules of another node, or of services.
        Some(_) => return None,
        None => from,
    };
    // Rules for node names and namespaces begin with `__`.
    let about_topics = !from.starts_with("__");
    (about_topics && expanded(node, from) == name).then(|| expanded(node, to))
}

/// Splits a full node name into namespace, empty for `/`, and base name.
fn split(node: &str) -> (&str, &str) {
    node.rsplit_once('/').unwrap_or(("", node))
}

fn expanded(node: &str, name: &str) -> String {
    let (namespace, own) = split(node);
    let name = name
        .replace("{node}", own)
        .replace("{ns}", namespace)
        .replace("{namespace}", namespace);
    match name.strip_prefix('~') {
        Some(rest) => format!("{node}/{}", rest.trim_start_matches('/')),
        None if name.starts_with('/') => name,
        None => format!("{namespace}/{name}"),
    }
}

#[cfg(test)]
mod tests {
    use super::full_name;

    fn of(node: &str, name: &str, arguments: &[&str]) -> String {
        full_name(node, name, arguments.iter().map(ToString::to_string))
    }

    // Expected names: the tables of the design documents named above.
    #[test]
    fn names_are_expanded_and_remapped() {
        let pose = "~/desired_pose";
        assert_eq!(of("/withy", pose, &[]), "/withy/desired_pose");
        assert_eq!(of("/a/b/neck", pose, &[]), "/a/b/neck/desired_pose");
        for rule in [
            "~/desired_pose:=/look",
            "/garden/neck/desired_pose:=/look",
            "neck/desired_pose:=/look",
            "neck:~/desired_pose:=/look",
            "rostopic://~/desired_pose:=/look",
            "neck:rostopic://~/desired_pose:=/look",
            "{node}/desired_pose:=/look",
        ] {
            let ros = ["withy", "--ros-args", "-r", rule];
            assert_eq!(of("/garden/neck", pose, &ros), "/look", "{rule}");
        }
        for rule in [
            "desired_pose:=/look",
            "other:~/desired_pose:=/look",
            "rosservice://~/desired_pose:=/look",
            "__node:=look",
            "nonsense",
        ] {
            let ros = ["--ros-args", "--remap", rule];
            let same = "/garden/neck/desired_pose";
            assert_eq!(of("/garden/neck", pose, &ros), same, "{rule}");
        }
        let to = |to: &str| format!("~/desired_pose:={to}");
        let ros = |rule: &str| of("/garden/neck", pose, &["--ros-args", "-r", rule]);
        assert_eq!(ros(&to("look")), "/garden/look");
        assert_eq!(ros(&to("~/look")), "/garden/neck/look");
    }

    #[test]
    fn the_first_rule_wins_and_only_those_for_ros_count() {
        let (first, second) = ("~/p:=/a", "~/p:=/b");
        let of = |arguments: &[&str]| of("/withy", "~/p", arguments);
        assert_eq!(of(&["--ros-args", "-r", first, "-r", second]), "/a");
        assert_eq!(of(&["-r", first, "--ros-args", "-r", second]), "/b");
        assert_eq!(
            of(&["--ros-args", "--", "-r", first, "--ros-args", "-r", second]),
            "/b"
        );
        assert_eq!(of(&["--ros-args", "-r"]), "/withy/p");
    }
}

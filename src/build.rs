//! Build script: says which of the message packages that not every ROS 2 has can be used, as `has_tf2_msgs` and
//! `has_control_msgs`. They are set exactly when r2r generates the messages that the node needs of them, so the search
//! is r2r's own (r2r_common 0.9.7, `get_wanted_messages`): by the same variables, watched by both. A package that is
//! installed later, under variables that stay the same, is seen by neither until r2r is built anew.

use std::path::Path;

/// The cfg flag, the package, the folder in it and the definition needed.
const OPTIONAL: [(&str, &str, &str, &str); 2] = [
    ("has_tf2_msgs", "tf2_msgs", "msg", "TFMessage"),
    ("has_control_msgs", "control_msgs", "action", "PointHead"),
];

/// What the answer depends on. The last is ours: packages to leave out although they are there, joined by `;`, so
/// that the build without them can be tried anywhere.
const VARIABLES: [&str; 5] = [
    "AMENT_PREFIX_PATH",
    "CMAKE_PREFIX_PATH",
    "CMAKE_IDL_PACKAGES",
    "IDL_PACKAGE_FILTER",
    "WITHY_WITHOUT",
];

fn main() {
    println!("cargo::rerun-if-changed=src/build.rs");
    for name in VARIABLES {
        println!("cargo::rerun-if-env-changed={name}");
    }
    for (flag, ..) in OPTIONAL {
        println!("cargo::rustc-check-cfg=cfg({flag})");
    }
    if std::env::var_os("CARGO_FEATURE_ROS").is_some() {
        for flag in flags(|name| std::env::var(name).ok()) {
            println!("cargo::rustc-cfg={flag}");
        }
    }
}

/// The flags to set where `variable` gives the values of environment variables.
pub fn flags(variable: impl Fn(&str) -> Option<String>) -> Vec<&'static str> {
    let lists = |name: &str, package: &str| {
        variable(name).map(|list| list.split(';').any(|p| p == package))
    };
    OPTIONAL
        .iter()
        .filter(|(_, package, folder, definition)| {
            lists("IDL_PACKAGE_FILTER", package) != Some(false)
                && lists("WITHY_WITHOUT", package) != Some(true)
                && is_there(&variable, package, folder, definition)
        })
        .map(|(flag, ..)| *flag)
        .collect()
}

/// Is the definition among the packages that r2r looks at?
fn is_there(
    variable: impl Fn(&str) -> Option<String>,
    package: &str,
    folder: &str,
    definition: &str,
) -> bool {
    // A build by CMake names the `cmake` folder of each package that it wants.
    if let Some(packages) = variable("CMAKE_IDL_PACKAGES") {
        return packages
            .split(':')
            .filter_map(|cmake| Path::new(cmake).parent())
            .filter(|share| share.ends_with(package))
            .any(|share| {
                share
                    .join(folder)
                    .join(format!("{definition}.idl"))
                    .exists()
            });
    }
    let kinds = ["idl", folder].map(|kind| format!("{folder}/{definition}.{kind}"));
    ["AMENT_PREFIX_PATH", "CMAKE_PREFIX_PATH"]
        .iter()
        .filter_map(|name| variable(name))
        .any(|prefixes| {
            prefixes.split(':').any(|prefix| {
                let index = "share/ament_index/resource_index/rosidl_interfaces";
                std::fs::read_to_string(Path::new(prefix).join(index).join(package))
                    .is_ok_and(|listed| listed.lines().any(|line| kinds.iter().any(|k| k == line)))
            })
        })
}

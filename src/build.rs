//! Build script: sets `has_tf2_msgs` and `has_control_msgs` if these message packages, which not
//! every ROS 2 installation has, are usable.
//!
//! They are set exactly when r2r generates the messages that the node needs from them. The search
//! is therefore r2r's own (r2r_common 0.9.7, `get_wanted_messages`), by the same variables, which
//! both watch. A package installed later under unchanged variables is found only after r2r is
//! rebuilt.

use std::path::Path;

/// The cfg flag, the package, the folder in it and the definition needed.
const OPTIONAL: [(&str, &str, &str, &str); 2] = [
    ("has_tf2_msgs", "tf2_msgs", "msg", "TFMessage"),
    ("has_control_msgs", "control_msgs", "action", "PointHead"),
];

/// Variables that the result depends on. The last one belongs to this project: existing packages to
/// leave out, separated by `;`, so that the build without them can be tested anywhere.
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
        // Commands that use no ROS graph run without ROS in the environment: the loader searches
        // its libraries where they were at build time. DT_RPATH is needed because DT_RUNPATH does
        // not apply to the dependencies of those libraries.
        println!("cargo::rustc-link-arg=-Wl,--disable-new-dtags");
        for folder in libraries(|name| std::env::var(name).ok()) {
            println!("cargo::rustc-link-arg=-Wl,-rpath,{folder}");
        }
    }
}

/// Returns the flags to set; `variable` gives the values of environment variables.
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

/// Returns true if the definition is in a package that r2r searches.
fn is_there(
    variable: impl Fn(&str) -> Option<String>,
    package: &str,
    folder: &str,
    definition: &str,
) -> bool {
    // A build by CMake names the `cmake` folder of each package that it uses.
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
    prefixes(&variable).iter().any(|prefix| {
        let index = "share/ament_index/resource_index/rosidl_interfaces";
        std::fs::read_to_string(Path::new(prefix).join(index).join(package))
            .is_ok_and(|listed| listed.lines().any(|line| kinds.iter().any(|k| k == line)))
    })
}

/// Returns the folders with ROS's libraries: `lib` of each prefix, and of the loader's own path the
/// folders inside a prefix.
pub fn libraries(variable: impl Fn(&str) -> Option<String>) -> Vec<String> {
    let prefixes = prefixes(&variable);
    let mut folders: Vec<String> = prefixes
        .iter()
        .map(|prefix| format!("{prefix}/lib"))
        .collect();
    let loaders = variable("LD_LIBRARY_PATH").unwrap_or_default();
    for folder in loaders.split(':').filter(|folder| !folder.is_empty()) {
        let inside = prefixes
            .iter()
            .any(|prefix| Path::new(folder).starts_with(prefix));
        if inside && !folders.iter().any(|f| f == folder) {
            folders.push(folder.into());
        }
    }
    folders
}

/// Returns the folders that ROS packages are installed under.
fn prefixes(variable: impl Fn(&str) -> Option<String>) -> Vec<String> {
    ["AMENT_PREFIX_PATH", "CMAKE_PREFIX_PATH"]
        .iter()
        .filter_map(|name| variable(name))
        .flat_map(|list| list.split(':').map(String::from).collect::<Vec<_>>())
        .filter(|prefix| !prefix.is_empty())
        .collect()
}

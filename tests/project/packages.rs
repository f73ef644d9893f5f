//! Message packages that not every ROS 2 has: the build script's choice for folders made here, and
//! the messages as r2r gives them.

#[allow(dead_code)]
#[path = "../../src/build.rs"]
mod build;

use std::fs;
use std::path::Path;

const INDEX: &str = "share/ament_index/resource_index/rosidl_interfaces";

fn list(prefix: &Path, package: &str, lines: &str) {
    let index = prefix.join(INDEX);
    fs::create_dir_all(&index).unwrap();
    fs::write(index.join(package), lines).unwrap();
}

fn flags(variables: &[(&str, &str)]) -> Vec<&'static str> {
    build::flags(|name| {
        let found = variables.iter().find(|(n, _)| *n == name);
        found.map(|(_, value)| value.to_string())
    })
}

#[test]
fn packages_are_found_where_the_bindings_look() {
    let folder = tempfile::tempdir().unwrap();
    let [one, two] = ["one", "two"].map(|name| folder.path().join(name));
    list(&one, "tf2_msgs", "msg/TF2Error.idl\nmsg/TFMessage.idl");
    list(&two, "control_msgs", "action/PointHead.action");
    let both = format!("{}:{}", one.display(), two.display());
    let [one, two] = [&one, &two].map(|path| path.to_str().unwrap());
    let (tf, control) = ("has_tf2_msgs", "has_control_msgs");
    let none: &[&str] = &[];
    for (variables, expected) in [
        (&[][..], none),
        (&[("AMENT_PREFIX_PATH", one)], &[tf]),
        (&[("AMENT_PREFIX_PATH", two)], &[control]),
        (&[("AMENT_PREFIX_PATH", &both)], &[tf, control]),
        (
            &[("AMENT_PREFIX_PATH", two), ("CMAKE_PREFIX_PATH", one)],
            &[tf, control],
        ),
        (
            &[
                ("AMENT_PREFIX_PATH", &both),
                ("IDL_PACKAGE_FILTER", "std_msgs;tf2_msgs"),
            ],
            &[tf],
        ),
        // A filter that is set and empty passes nothing.
        (
            &[("AMENT_PREFIX_PATH", &both), ("IDL_PACKAGE_FILTER", "")],
            none,
        ),
        (
            &[("AMENT_PREFIX_PATH", &both), ("WITHY_WITHOUT", "tf2_msgs")],
            &[control],
        ),
        (
            &[
                ("AMENT_PREFIX_PATH", &both),
                ("WITHY_WITHOUT", "tf2_msgs;control_msgs"),
            ],
            none,
        ),
        // A CMake build names its packages, and the prefixes do not count.
        (
            &[("AMENT_PREFIX_PATH", &both), ("CMAKE_IDL_PACKAGES", "")],
            none,
        ),
    ] {
        assert_eq!(flags(variables), expected, "{variables:?}");
    }
}

#[test]
fn packages_without_the_definition_do_not_count() {
    let folder = tempfile::tempdir().unwrap();
    list(folder.path(), "tf2_msgs", "msg/TF2Error.idl\n");
    list(
        folder.path(),
        "control_msgs",
        "action/PointHeads.idl\nmsg/PointHead.idl",
    );
    let prefix = folder.path().to_str().unwrap();
    assert!(flags(&[("AMENT_PREFIX_PATH", prefix)]).is_empty());
}

#[test]
fn packages_of_a_build_by_cmake_are_found() {
    let folder = tempfile::tempdir().unwrap();
    let share = folder.path().join("share/tf2_msgs");
    fs::create_dir_all(share.join("msg")).unwrap();
    fs::write(share.join("msg/TFMessage.idl"), "").unwrap();
    let cmake = share.join("cmake");
    let cmake = cmake.to_str().unwrap();
    let packages = format!("/nowhere/share/std_msgs/cmake:{cmake}");
    assert_eq!(
        flags(&[("CMAKE_IDL_PACKAGES", &packages)]),
        ["has_tf2_msgs"]
    );
}

/// The project's own ROS has both, unless they are left out on purpose.
#[cfg(feature = "ros")]
#[test]
fn the_projects_own_ros_has_them() {
    let own = std::env::var_os("WITHY_ROS_PREFIX").is_some();
    if own && std::env::var_os("WITHY_WITHOUT").is_none() {
        let there = [cfg!(has_tf2_msgs), cfg!(has_control_msgs)];
        assert_eq!(there, [true, true], "tf2_msgs, control_msgs");
    }
}

/// Converts to the middleware's own form and back.
#[cfg(has_tf2_msgs)]
#[test]
fn transforms_survive_serialisation() {
    use r2r::WrappedTypesupport;
    use r2r::geometry_msgs::msg::TransformStamped;
    use r2r::tf2_msgs::msg::TFMessage;

    let mut transform = TransformStamped::default();
    transform.header.frame_id = "neck_base".into();
    transform.child_frame_id = "head".into();
    transform.transform.translation.z = 0.25;
    let message = TFMessage {
        transforms: vec![transform; 40],
    };
    let bytes = message.to_serialized_bytes().unwrap();
    // Header and length (4 bytes each) of plain CDR, little endian (DDS-XTypes, section 7.4.1).
    assert_eq!(bytes[..8], [0, 1, 0, 0, 40, 0, 0, 0]);
    assert_eq!(TFMessage::from_serialized_bytes(&bytes).unwrap(), message);
    assert!(TFMessage::from_serialized_bytes(&bytes[..bytes.len() / 2]).is_err());
}

#[cfg(has_control_msgs)]
#[test]
fn goals_survive_serialisation() {
    use r2r::WrappedTypesupport;
    use r2r::control_msgs::action::PointHead;

    let mut goal = PointHead::Goal::default();
    goal.target.header.frame_id = "glasshouse".into();
    goal.target.point.x = 1.5;
    goal.pointing_frame = "camera".into();
    goal.max_velocity = 0.5;
    let bytes = goal.to_serialized_bytes().unwrap();
    assert_eq!(
        PointHead::Goal::from_serialized_bytes(&bytes).unwrap(),
        goal
    );
    assert_eq!(bytes[bytes.len() - 8..], 0.5f64.to_le_bytes());
}

#[test]
fn libraries_are_those_of_the_prefixes_and_of_the_loaders_path_in_them() {
    let variable = |name: &str| match name {
        "AMENT_PREFIX_PATH" => Some("/overlay:/opt/ros".to_string()),
        "LD_LIBRARY_PATH" => Some("/usr/lib::/opt/ros/lib:/opt/ros/lib/x86_64".to_string()),
        _ => None,
    };
    let folders = ["/overlay/lib", "/opt/ros/lib", "/opt/ros/lib/x86_64"];
    assert_eq!(build::libraries(variable), folders);
    assert!(build::libraries(|_| None).is_empty());
}

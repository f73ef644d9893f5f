//! Gaze targets on a real ROS 2 graph: points and poses in frames, moving frames, streams, a moving
//! base. The real binary and the simulated joint run as processes; the clients in another language
//! (rclpy) are in `tests/graph/`.
#![cfg(all(feature = "ros", has_tf2_msgs))]

use crate::harness::Stage;

const JOINT: &str = "glasshouse-neck-pan.yaml";
const SIMULATED: &str = "glasshouse-neck-pan-simulated.yaml";

/// Keys of the shipped files that some tests leave out.
const CAMERA: &str = "camera:\n  position_mm: [60, 0, 30]\n  axis: [1, 0, 0]\n  nearest_mm: 50\n";
const PAN: &str = "pan:\n  motor: neck_pan\n  travel_deg: [-170, 170]\n  speed_rad_s: 3\n  \
                   acceleration_rad_s2: 40\n  time_constant_s: 0.02\n  gear_ratio: 1\n  sign: 1\n";

/// Runs a client against the neck on its pan.
fn look(client: &str, arguments: &[&str], simulated: &[&str]) {
    let mut stage = Stage::new();
    run(&mut stage, client, arguments, simulated);
}

fn run(stage: &mut Stage, client: &str, arguments: &[&str], simulated: &[&str]) {
    stage.simulate(SIMULATED, simulated);
    stage.withy_run(&[JOINT], &[]);
    stage.client(client, arguments);
    println!("{}", stage.log("client"));
}

#[test]
fn targets_in_frames_that_stand_move_or_are_not_to_be_had() {
    look("frames.py", &[], &[]);
}

#[test]
fn a_moving_frame_is_followed_until_the_next_command() {
    look("following.py", &[], &[]);
}

#[test]
fn the_heads_transform_is_the_measured_pose_of_its_stamp() {
    look("tf_out.py", &[], &[]);
}

#[test]
fn reached_best_possible_and_out_of_reach_are_told_apart() {
    look("target_state.py", &[], &[]);
}

#[test]
fn streams_of_points_are_followed_and_held_when_they_stop() {
    look("streams.py", &[], &[]);
}

#[test]
fn a_pose_is_held_on_a_base_that_swings() {
    let swing = [
        "--base-oscillation-deg",
        "20",
        "--base-oscillation-hz",
        "0.2",
    ];
    look("base.py", &["swing"], &swing);
}

#[test]
fn a_base_tilted_far_leaves_it_to_the_motors() {
    look("base.py", &["tilt"], &[]);
}

#[test]
fn a_silent_base_imu_is_waited_for_and_told() {
    let mut stage = Stage::new();
    let path = stage.config(SIMULATED);
    let text = std::fs::read_to_string(&path).unwrap();
    let from = text.find("base_imu:\n").unwrap();
    let to = text.find("sensors:\n").unwrap();
    std::fs::write(&path, format!("{}{}", &text[..from], &text[to..])).unwrap();
    run(&mut stage, "base.py", &["silence"], &[]);
}

#[test]
fn without_a_camera_points_are_refused() {
    let mut stage = Stage::new();
    stage.edit(JOINT, CAMERA, "");
    run(&mut stage, "blind.py", &[], &[]);
    let said = stage.log("withy");
    assert!(said.contains("gaze points are refused"), "{said}");
}

#[test]
fn a_forward_camera_without_pan_is_told_to_see_a_few_degrees() {
    let mut stage = Stage::new();
    stage.edit(JOINT, PAN, "");
    stage.withy_run(&[JOINT], &[]);
    stage.client("start_words.py", &["without a pan motor", "azimuths"]);
    let said = stage.log("withy");
    let line = said.lines().find(|l| l.contains("without a pan motor"));
    let line = line.unwrap_or_else(|| panic!("{said}"));
    assert!(line.contains("WARN"), "{line}");
    // Leaning sideways turns a forward axis a little: by less than 10 deg within 40 deg of
    // inclination.
    let numbers: Vec<f64> = line
        .split(' ')
        .filter_map(|word| word.parse().ok())
        .collect();
    let [low, high] = numbers[..] else {
        panic!("{line}")
    };
    assert!((-10.0..-3.0).contains(&low), "{line}");
    assert!((low + high).abs() < 0.11, "{line}");
}

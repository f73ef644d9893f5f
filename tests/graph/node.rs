//! The node on a real ROS 2 graph: the real binary, a plant and clients in another language
//! (rclpy). The clients are in `tests/graph/`; each test has a ROS domain of its own.
#![cfg(feature = "ros")]

use std::time::Duration;

use crate::harness::{Stage, in_real_time};

/// A silent IMU holds the joint.
const WITHOUT_FALLBACK: &[&str] = &["-p", "supervision.fallback_to_motors:=false"];

#[test]
fn poses_in_setpoints_out_and_the_head_pose_held() {
    let mut stage = Stage::new();
    stage.withy_run(&["glasshouse-neck.yaml"], &[]);
    stage.plant(&[]);
    stage.client("tracks.py", &["/withy", "", ""]);
}

#[test]
fn remapping_and_namespace() {
    let mut stage = Stage::new();
    let ros = [
        "-r",
        "__ns:=/garden/neck",
        "-r",
        "__node:=guide",
        "-r",
        "~/desired_pose:=/look",
        "-r",
        "imu:=/garden/inertial",
        "-r",
        "joint_states:=/garden/joint_states",
    ];
    stage.withy_run(&["glasshouse-neck.yaml"], &ros);
    stage.plant(&["ns=/garden", "node=neck/guide", "imu_topic=inertial"]);
    stage.client(
        "tracks.py",
        &["/garden/neck/guide", "/garden", "/look", "inertial"],
    );
}

#[test]
fn parameter_services() {
    let mut stage = Stage::new();
    stage.withy_run(&["glasshouse-neck.yaml"], &[]);
    stage.plant(&[]);
    stage.client("parameters.py", &[]);
}

#[test]
fn malformed_foreign_and_partial_messages() {
    let mut stage = Stage::new();
    stage.withy_run(&["glasshouse-neck.yaml"], &[]);
    stage.plant(&[]);
    stage.client("malformed.py", &[]);
}

#[test]
fn one_joint_starved_the_other_undisturbed() {
    let mut stage = Stage::new();
    let neck = std::fs::read_to_string(stage.config("glasshouse-neck.yaml")).unwrap();
    for side in ["left", "right"] {
        let text = neck.replace("namespace: /", &format!("namespace: /{side}"));
        std::fs::write(stage.config(&format!("{side}.yaml")), text).unwrap();
    }
    stage.withy_run(&["left.yaml", "right.yaml"], WITHOUT_FALLBACK);
    stage.plant(&["ns=/left", "--", "ns=/right"]);
    stage.client("starved.py", &[]);
}

#[test]
fn nothing_goes_out_before_the_sensors_are_there() {
    let mut stage = Stage::new();
    stage.withy_run(&["glasshouse-neck.yaml"], &[]);
    stage.plant(&["imu=off"]);
    stage.client("waiting.py", &[]);
}

#[test]
fn sigterm_and_sigint_bring_the_joint_to_rest() {
    for (joint, signal, kind) in [
        ("glasshouse-neck.yaml", "15", "position"),
        ("glasshouse-neck-velocity.yaml", "2", "velocity"),
    ] {
        in_real_time(|stage| {
            stage.withy_run(&[joint], &[]);
            stage.plant(&[&format!("kind={kind}")]);
            let pid = stage.pid("withy").to_string();
            stage.client("stopping.py", &[&pid, signal, kind]);
            let status = stage.wait("withy", Duration::from_secs(10));
            assert!(status.success(), "{status}\n{}", stage.log("withy"));
        });
    }
}

#[test]
fn a_second_signal_sends_zero_velocities_and_ends_the_process() {
    in_real_time(|stage| {
        stage.withy_run(&["glasshouse-neck-velocity.yaml"], &[]);
        stage.plant(&["kind=velocity"]);
        let pid = stage.pid("withy").to_string();
        stage.client("second_signal.py", &[&pid]);
        println!("{}", stage.log("client"));
        let status = stage.wait("withy", Duration::from_secs(10));
        let log = stage.log("withy");
        assert_eq!(status.code(), Some(1), "{log}");
        assert!(log.contains(" again: exiting at once"), "{log}");
    });
}

#[test]
fn a_sensors_clock_ahead_and_a_second_publisher_are_named() {
    in_real_time(|stage| {
        stage.withy_run(&["glasshouse-neck.yaml"], &[]);
        stage.plant(&["wrong=ahead 0.05"]);
        stage.client("clock_ahead.py", &[]);
        let log = stage.log("withy");
        assert!(log.contains("/client, /plant publish on imu"), "{log}");
    });
}

#[test]
fn a_hold_does_not_wait_for_gains() {
    let mut stage = Stage::new();
    stage.withy_run(&["glasshouse-neck.yaml"], &[]);
    stage.plant(&[]);
    stage.client("holding.py", &[]);
}

#[test]
fn ticks_at_imu_samples() {
    let mut stage = Stage::new();
    stage.withy_run(&["glasshouse-neck-imu-tick.yaml"], WITHOUT_FALLBACK);
    stage.plant(&[]);
    stage.client("imu_tick.py", &[]);
}

#[test]
fn setpoints_as_an_array() {
    let mut stage = Stage::new();
    let file = "glasshouse-neck.yaml";
    stage.edit(file, "message: joint_state", "message: float64_array");
    stage.withy_run(&[file], &[]);
    stage.plant(&["message=float64_array"]);
    stage.client("as_array.py", &[]);
}

#[test]
fn velocity_setpoints_are_zero_on_stale_data() {
    let mut stage = Stage::new();
    stage.withy_run(&["glasshouse-neck-velocity.yaml"], WITHOUT_FALLBACK);
    stage.plant(&["kind=velocity"]);
    stage.client("velocity.py", &[]);
}

#[test]
fn parameters_at_start_and_logs() {
    let mut stage = Stage::new();
    let file = stage.config("given.yaml");
    let text = "/**:\n  ros__parameters:\n    gain_set: bare\n    gains:\n      neck_motor_2:\n        \
                ki: 6\n    somebody_elses: 3\n";
    std::fs::write(&file, text).unwrap();
    let file = file.to_str().unwrap();
    let ros = ["--params-file", file, "-p", "limits.feedback:=0.12"];
    stage.withy_run(&["glasshouse-neck.yaml"], &ros);
    stage.plant(&[]);
    stage.client("given.py", &[]);
    assert!(stage.log("withy").contains("somebody_elses"));
}

#[test]
fn what_is_bad_at_start_ends_with_one_sentence() {
    let stage = Stage::new();
    let neck = "glasshouse-neck.yaml";
    let cases: [(&[&str], &[&str], &[&str]); 8] = [
        (
            &[neck],
            &["-p", "gains.neck_motor_1.kp:=-1.0"],
            &["gains.neck_motor_1.kp", "-1", "from 0"],
        ),
        (
            &[neck],
            &["-p", "gains.neck_motor_1.integral_order:=2.0"],
            &["integral_order", "is 2", "below 2"],
        ),
        (
            &[neck],
            &["-p", "gain_set:=feather"],
            &["'feather'", "'bare'"],
        ),
        (
            &[neck],
            &["-p", "gains.neck_motor_1.kp:=much"],
            &["kp", "a string", "a double"],
        ),
        (&[neck], &["-p", "tick_rate_hz:=100.0"], &["tick_rate_hz"]),
        (
            &[neck],
            &["--params-file", "nowhere.yaml"],
            &["nowhere.yaml"],
        ),
        (&[neck], &["-r", "nonsense"], &["nonsense"]),
        (&[neck, neck], &[], &["/withy", "name"]),
    ];
    for (joints, ros, words) in cases {
        let output = stage.withy(joints, ros).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{ros:?}: {said}");
        let own: Vec<_> = said.lines().filter(|l| l.starts_with("withy: ")).collect();
        assert_eq!(own.len(), 1, "{ros:?}: {said}");
        for word in words {
            assert!(own[0].contains(word), "{ros:?}: {word} is not in {said}");
        }
        assert!(!said.contains("panicked"), "{ros:?}: {said}");
    }
}

#[test]
fn gains_are_saved() {
    let mut stage = Stage::new();
    let file = stage.config("gains/any-payload.yaml");
    let before = std::fs::read_to_string(&file).unwrap();
    stage.withy_run(&["glasshouse-neck.yaml"], &[]);
    stage.plant(&[]);
    stage.client("saving.py", &[]);
    assert_eq!(std::fs::read_to_string(&file).unwrap(), before);
    // Once listed in the joint file, the new set is available at the next start.
    let (from, to) = (
        "gains/any-payload.yaml",
        "gains/any-payload.yaml\n  - gains/any-payload-1.yaml",
    );
    stage.edit("glasshouse-neck.yaml", from, to);
    let read = withy::files::JointFile::load(stage.config("glasshouse-neck.yaml")).unwrap();
    assert_eq!(read.gain_sets[1].name, "any-payload-1");
    assert_eq!(read.gain_sets[1].gains.motors[2].ki, 4.75);
    assert_eq!(
        read.gain_sets[1].purpose.payload_moment,
        read.gain_sets[0].purpose.payload_moment
    );
}

#[test]
fn the_payload_told_chooses_the_gain_set() {
    let mut stage = Stage::new();
    stage.withy_run(&["glasshouse-neck.yaml"], &[]);
    stage.plant(&[]);
    stage.client("payload.py", &[]);
}

#[test]
fn gains_are_examined_before_they_are_accepted() {
    let mut stage = Stage::new();
    let text = std::fs::read_to_string(stage.config("gains/any-payload.yaml")).unwrap();
    for (name, ki) in [("mine", "5.25"), ("wild", "900.0")] {
        let own = text.replace("name: any-payload", &format!("name: {name}"));
        let own = own.replace("ki: 5.5 ", &format!("ki: {ki} "));
        std::fs::write(stage.config(&format!("gains/{name}.yaml")), own).unwrap();
    }
    stage.withy_run(&["glasshouse-neck.yaml"], &[]);
    stage.plant(&[]);
    stage.client("examined.py", &["gains/mine.yaml", "gains/wild.yaml"]);
}

#[test]
fn a_gain_set_made_for_less_delay_is_refused() {
    for way in ["swap", "start"] {
        let mut stage = Stage::new();
        let from = "delay_allowed_s: 0.02";
        stage.edit("gains/bare.yaml", from, "delay_allowed_s: 0.001");
        let ros: &[&str] = match way {
            "swap" => &[],
            _ => &["-p", "gain_set:=bare"],
        };
        stage.withy_run(&["glasshouse-neck.yaml"], ros);
        stage.plant(&[]);
        stage.client("delay.py", &[way]);
    }
}

#[test]
fn a_pose_sent_by_hand() {
    in_real_time(|stage| {
        let pose = ["--inclination-deg", "12", "--direction-deg", "-70"];
        let mut lonely = stage.point(&pose, &["--timeout-s", "1"]);
        let output = lonely.output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{said}");
        assert!(said.contains("no joint answers as /withy"), "{said}");

        stage.withy_run(&["glasshouse-neck.yaml"], &[]);
        stage.plant(&[]);
        stage.client("ready.py", &[]);
        let output = stage.point(&pose, &["--timeout-s", "60"]).output().unwrap();
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert_eq!(output.status.code(), Some(0), "{said}");
        let number = |key: &str, word: &str| -> f64 {
            let line = said.lines().find(|l| l.starts_with(key)).unwrap();
            let after = line.split(word).nth(1).unwrap().trim();
            after.split(' ').next().unwrap().parse().unwrap()
        };
        assert!(
            (number("reached", "inclination") - 12.0).abs() < 0.7,
            "{said}"
        );
        assert!(
            (number("reached", "direction") + 70.0).abs() < 3.0,
            "{said}"
        );
        assert!(number("error", "error") < 0.7, "{said}");

        // Beyond its limit the joint holds another pose than the commanded one, which is a failure.
        let far = ["--inclination-deg", "70", "--direction-deg", "-70"];
        let output = stage.point(&far, &["--timeout-s", "60"]).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{said}");
        assert!(said.contains("from the commanded one"), "{said}");

        // The sensors fall silent: the pose cannot be held, and the command reports it in time.
        stage.client("silence.py", &[]);
        let output = stage.point(&pose, &["--timeout-s", "5"]).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{said}");
        assert!(said.contains("the pose was not held"), "{said}");

        let bad = ["--inclination-deg", "NaN", "--direction-deg", "0"];
        let output = stage.point(&bad, &[]).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(
            said.contains("--inclination-deg is NaN; accepted: 0 to 180"),
            "{said}"
        );
    });
}

#[test]
fn a_point_looked_at_by_hand() {
    in_real_time(|stage| {
        stage.withy_run(&["glasshouse-neck-pan.yaml"], &[]);
        stage.simulate("glasshouse-neck-pan-simulated.yaml", &[]);
        stage.client("ready.py", &[]);
        let look = |stage: &Stage, arguments: &[&str], code: i32| -> String {
            let more = ["--timeout-s", "60"];
            let output = stage.point(arguments, &more).output().unwrap();
            let said = String::from_utf8_lossy(&output.stdout).into_owned()
                + &String::from_utf8_lossy(&output.stderr);
            assert_eq!(output.status.code(), Some(code), "{arguments:?}: {said}");
            said
        };
        let number = |said: &str, word: &str| -> f64 {
            let before = said.split(word).next().unwrap().trim();
            before.rsplit(' ').next().unwrap().parse().unwrap()
        };

        let said = look(stage, &["--at-m", "0.3,0.5,0"], 0);
        assert!(
            said.contains("commanded  (0.3, 0.5, 0) m in the base frame"),
            "{said}"
        );
        assert!(said.contains("outcome    reached"), "{said}");
        assert!(number(&said, " deg at least") < 0.1, "{said}");
        assert!(number(&said, " deg measured") < 1.0, "{said}");
        assert!(said.contains("held after"), "{said}");
        // The same point in a frame of the joint file: the torso is 350 mm below the base plate.
        let said = look(stage, &["--at-m", "0.3,0.5,0.35", "--frame", "torso"], 0);
        assert!(said.contains("m in torso"), "{said}");
        assert!(number(&said, " deg measured") < 1.0, "{said}");

        let said = look(stage, &["--at-m=0.3,0,-1"], 1);
        assert!(said.contains("outcome    best possible"), "{said}");
        let least = number(&said, " deg at least");
        assert!(least > 5.0, "{said}");
        assert!(
            (number(&said, " deg measured") - least).abs() < 1.5,
            "{said}"
        );
        assert!(
            said.contains("cannot look at the point (best possible)"),
            "{said}"
        );
        let said = look(stage, &["--at-m", "0.09,0,0.16"], 1);
        assert!(said.contains("outcome    out of reach"), "{said}");
        let said = look(stage, &["--at-m", "1,0,0", "--frame", "garden"], 1);
        assert!(
            said.contains("/withy refuses the target: gaze_point: "),
            "{said}"
        );
        assert!(said.contains("garden"), "{said}");

        // A pose with a yaw, which the pan motor turns; directions are those of the base frame.
        let pose = [
            "--inclination-deg=15",
            "--direction-deg=-40",
            "--pan-deg=60",
        ];
        let said = look(stage, &pose, 0);
        let reached = said.lines().find(|l| l.starts_with("reached")).unwrap();
        assert!(
            (number(reached, " deg, direction") - 15.0).abs() < 0.7,
            "{said}"
        );
        assert!((number(reached, " deg, pan") + 40.0).abs() < 3.0, "{said}");
        let pan = reached.split("pan ").nth(1).unwrap();
        assert!((number(pan, " deg") - 60.0).abs() < 0.7, "{said}");
        assert!(number(&said, " deg\nheld") < 1.0, "{said}");
    });
}

#[cfg(has_control_msgs)]
#[test]
fn points_as_goals_of_an_action() {
    let mut stage = Stage::new();
    stage.withy_run(&["glasshouse-neck-pan.yaml"], &[]);
    stage.simulate("glasshouse-neck-pan-simulated.yaml", &[]);
    stage.client("point_head.py", &[]);
}

#[cfg(has_control_msgs)]
#[test]
fn goals_end_with_the_joint_s_sensors_and_with_its_node() {
    in_real_time(|stage| {
        stage.withy_run(&["glasshouse-neck-pan.yaml"], &[]);
        stage.simulate("glasshouse-neck-pan-simulated.yaml", &[]);
        let pids = ["withy", "simulated"].map(|name| stage.pid(name).to_string());
        stage.client("point_head_gone.py", &[&pids[0], &pids[1]]);
        let status = stage.wait("withy", Duration::from_secs(10));
        assert!(status.success(), "{status}\n{}", stage.log("withy"));
    });
}

/// Reads with rclpy the interface packages that the project's own ROS builds, or those of a sourced
/// ROS.
#[cfg(all(has_tf2_msgs, has_control_msgs))]
#[test]
fn transforms_and_pointing_cross_the_graph() {
    let mut stage = Stage::new();
    stage.client("interfaces.py", &[]);
}

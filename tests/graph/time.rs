//! Simulated time over a real ROS 2 graph: the simulated joint's own clock, and an external one.
#![cfg(feature = "ros")]

use std::time::Duration;

use crate::harness::in_real_time;

const NECK: &str = "glasshouse-neck.yaml";
const SIMULATED: &str = "glasshouse-neck-simulated.yaml";
const SIMULATED_TIME: [&str; 2] = ["-p", "use_sim_time:=true"];
/// Only failures wait this long.
const END: Duration = Duration::from_secs(20);

#[test]
fn a_pose_is_held_at_twice_the_speed_of_time() {
    in_real_time(|stage| {
        stage.simulate(SIMULATED, &["--clock", "--speed", "2"]);
        stage.withy_run(&[NECK], &SIMULATED_TIME);
        stage.client("own_time.py", &["hold", "2"]);
        print!("{}", stage.log("client"));
    });
}

#[test]
fn a_pose_is_held_at_half_the_speed_of_time_through_a_pause_and_a_new_begin() {
    in_real_time(|stage| {
        stage.simulate(SIMULATED, &["--clock", "--speed", "0.5"]);
        stage.withy_run(&[NECK], &SIMULATED_TIME);
        stage.client("own_time.py", &["hold", "0.5"]);
        print!("{}", stage.log("client"));
        stage.signal("simulated", "-STOP");
        stage.client("own_time.py", &["paused"]);
        stage.signal("simulated", "-CONT");
        stage.client("own_time.py", &["again"]);
        print!("{}", stage.log("client"));
        stage.signal("simulated", "-TERM");
        assert!(stage.wait("simulated", END).success());
        stage.simulate(SIMULATED, &["--clock"]);
        stage.client("own_time.py", &["anew"]);
        print!("{}", stage.log("client"));
        assert!(
            stage
                .log("withy")
                .contains("simulated time has jumped by -")
        );
    });
}

#[test]
fn a_strangers_time_pauses_begins_anew_and_leaps_ahead() {
    in_real_time(|stage| {
        // The external clock advances by two periods a message, so that every cycle is late.
        let late = ["-p", "supervision.late_cycles.reaction:=warn"];
        stage.withy_run(&[NECK], &[&SIMULATED_TIME[..], &late].concat());
        stage.client("clock_plant.py", &[]);
        print!("{}", stage.log("client"));
    });
}

#[test]
fn without_a_clock_it_waits_and_says_so_and_ends_when_told() {
    in_real_time(|stage| {
        stage.simulate(SIMULATED, &[]);
        stage.withy_run(&[NECK], &SIMULATED_TIME);
        stage.until_said("withy", "nothing comes on /clock");
        stage.until_said("withy", "nothing has come on /clock yet");
        stage.signal("withy", "-TERM");
        assert!(stage.wait("withy", END).success(), "{}", stage.log("withy"));
    });
}

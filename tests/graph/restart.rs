//! Processes that are killed and started again on a real ROS 2 graph: each hears and is heard
//! within seconds, and leaves nothing in shared memory.
//!
//! 5 times each; `WITHY_RESTARTS=50` for more.
#![cfg(feature = "ros")]

use std::process::Command;

use crate::harness::in_real_time;
use crate::skip::skip;

/// A network of its own, with nothing but this machine in it: discovery needs no limit there. The
/// shared memory is also its own, since other listeners use the machine's.
const ALONE: &str = r#"ip link set lo up multicast on && ip route add 224.0.0.0/4 dev lo &&
mount -t tmpfs withy /dev/shm && exec "$@""#;

fn restarts(limited: bool) {
    in_real_time(|stage| {
        let times = std::env::var("WITHY_RESTARTS").unwrap_or_else(|_| "5".into());
        let (joint, simulated) = (
            stage.config("glasshouse-neck.yaml"),
            stage.config("glasshouse-neck-simulated.yaml"),
        );
        let range = if limited { "LOCALHOST" } else { "SUBNET" };
        let arguments = [
            env!("CARGO_BIN_EXE_withy"),
            joint.to_str().unwrap(),
            simulated.to_str().unwrap(),
            &times,
            range,
        ];
        stage.client_as("restarts.py", &arguments, |command| {
            if limited {
                return;
            }
            let mut alone = Command::new("unshare");
            alone.args(["--net", "--mount", "sh", "-c", ALONE, "sh"]);
            alone.arg(command.get_program()).args(command.get_args());
            for (name, value) in command.get_envs() {
                alone.env(name, value.unwrap_or_default());
            }
            alone.current_dir(command.get_current_dir().unwrap());
            *command = alone;
        });
        println!("{}", stage.log("client"));
    });
}

#[test]
fn what_is_killed_and_started_anew_hears_and_is_heard_on_this_machine() {
    restarts(true);
}

#[test]
fn what_is_killed_and_started_anew_hears_and_is_heard_without_a_limit() {
    let alone = Command::new("unshare")
        .args(["--net", "--mount", "sh", "-c", ALONE, "sh", "true"])
        .output();
    if !alone.is_ok_and(|output| output.status.success()) {
        return skip("this user may not make a network of its own, or there is no `ip`");
    }
    restarts(false);
}

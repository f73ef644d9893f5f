//! The live act: the same joint in real time, as on a robot. It shows figures but does not judge
//! them, because a machine that stalls would show in them.

use std::ffi::OsString;
use std::path::Path;

use super::bed::{Failure, full_name, pose, score_move, target};
use super::children::{Process, meet, visitor, wait};
use crate::files::JointFile;
use crate::ros::client::bend_client::{BendClient, Observed};
use crate::ros::client::session::Keeps;

/// Namespace of this act; the names of earlier acts are free again only when the ROS graph has
/// dropped them.
const NAMESPACE: &str = "/live";
/// Time for which each target is held, s.
const DWELL: f64 = 1.5;
/// Number of targets.
const COUNT: usize = 4;
const QUICK_COUNT: usize = 1;
/// Time for messages in transit, s.
const MARGIN: f64 = 0.06;

/// Shows a few moves in real time.
///
/// # Errors
/// A ROS graph that cannot be used, or a process that ends.
pub fn show(joint: &JointFile, output: &Path, quick: bool) -> Result<(), Failure> {
    let observed = Observed {
        joint: full_name(NAMESPACE, &joint.name),
        simulated: full_name(NAMESPACE, "simulated_neck"),
        base_frame: joint.frames.base.clone(),
        motor_names: joint.motor_names.clone(),
    };
    let other = |e: &dyn std::fmt::Display| Failure::Other(e.to_string());
    let bend_client = BendClient::new(observed, &visitor("live"), Keeps::Machine);
    let bend_client = bend_client.map_err(|e| other(&e))?;
    let into = ["--ros-args", "-r", "__ns:=/live"].map(OsString::from);
    let start = |what, own: &[OsString], more: &[&str], log: &str| {
        let words = own.iter().cloned().chain(into.clone());
        let words = words.chain(more.iter().map(OsString::from));
        Process::start(what, words, &output.join(log)).map_err(Failure::Other)
    };
    let world = start(
        "the simulated joint of the live act",
        &["simulate".into()],
        &[],
        "demo-live-simulated-joint.log",
    )?;
    let node = start(
        "the node of the live act",
        &["run".into(), joint.file.clone().into()],
        &["-p", "autostart:=true"],
        "demo-live-node.log",
    )?;
    // The node ends first, because it brings the joint to rest.
    let mut processes = vec![node, world];
    meet(bend_client.session(), &mut processes, || {
        bend_client.missing()
    })?;
    println!(
        "\n\
         The same joint in real time, as on a robot: not judged, since pauses of the machine \
         affect it.\n\
         {:>10}  {:>14}  {:>6}  {:>15}  {:>7}",
        "commanded", "reached", "error", "overshoot", "settled"
    );
    for k in 0..if quick { QUICK_COUNT } else { COUNT } {
        let bend = target(k);
        let sent = bend_client.point(bend)?;
        let end = sent + DWELL;
        wait(
            bend_client.session(),
            &mut processes,
            end + MARGIN - bend_client.now(),
        )?;
        let scored = bend_client.look(|r| score_move(r, bend, sent, end))?;
        let settled = scored
            .settling
            .map_or("never".into(), |s| format!("{s:.2} s"));
        println!(
            "{:>10}  {:>14}  {:>6.3}  {:>6.3} ({:>4.1} %)  {settled:>7}",
            pose(bend, 0),
            pose(scored.reached, 2),
            scored.error.to_degrees(),
            scored.overshoot.to_degrees(),
            100.0 * scored.overshoot_share()
        );
    }
    Ok(())
}

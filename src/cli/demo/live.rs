//! The live act: the same joint in real time, as on a robot. It shows figures but does not judge
//! them, because a machine that stalls would show in them.

use std::path::Path;

use super::bed::{Failure, Length, move_headings, move_words, target, visit};
use super::children::{Act, end, meet, visitor};
use crate::files::JointFile;
use crate::ros::client::Nodes;
use crate::ros::client::bend_client::BendClient;
use crate::ros::client::session::Keeps;

const ACT: Act = Act {
    name: "live",
    namespace: "live",
};
/// Time for which each target is held, s.
const DWELL: f64 = 1.5;
/// Number of targets.
const COUNT: usize = 4;
const QUICK_COUNT: usize = 1;

/// Shows a few moves in real time.
///
/// # Errors
/// A ROS graph that cannot be used, or a process that ends.
pub fn show(joint: &JointFile, output: &Path, length: Length) -> Result<(), Failure> {
    let nodes = Nodes {
        joint: ACT.full_name(&joint.name),
        simulated: ACT.full_name("simulated_neck"),
        base_frame: joint.frames.base.clone(),
    };
    let name = visitor(ACT.namespace);
    let bend_client = BendClient::new(nodes, &joint.motor_names, &name, Keeps::Machine)?;
    let run = vec!["run".into(), joint.file.clone().into()];
    let autostart = ["-p", "autostart:=true"];
    let mut processes = ACT.start(output, vec!["simulate".into()], run, &autostart)?;
    let session = bend_client.connection.session();
    let mut needs = bend_client.streams();
    needs.extend(bend_client.subscribers());
    meet(session, &mut processes, needs)?;
    println!(
        "\n\
         The same joint in real time, as on a robot: not judged, since pauses of the machine \
         affect it.\n\
         {}",
        move_headings()
    );
    let count = match length {
        Length::Whole => COUNT,
        Length::Quick => QUICK_COUNT,
    };
    for bend in (0..count).map(target) {
        let (_, figures) = visit(&bend_client, &mut processes, bend, DWELL)?;
        println!("{}", move_words(bend, &figures));
    }
    end(session, &mut processes);
    Ok(())
}

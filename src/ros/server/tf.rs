//! `/tf` and `/tf_static`: received transforms go into the transform buffer; the head's transform
//! is published.
//!
//! If the sourced ROS has no tf2_msgs, only the fixed frames of the joint file and the head's frame
//! are known.

use futures::stream::BoxStream;
use nalgebra::{Isometry3, UnitQuaternion, Vector3};
use r2r::Node;

use super::JointContext;
use super::aim::{SharedTree, TargetMessage};
use crate::control::frames::TransformBuffer;
use crate::control::geometry::{Configuration, orientation, position};
use crate::files::{Frames, JointFile};
use crate::runtime::locked;
use std::sync::{Arc, Mutex};

/// History kept of each frame, s: the usual length of tf listeners (common practice, no source).
const KEEP: f64 = 10.0;

/// Returns the transform buffer of a joint, with the fixed frames of its file.
pub fn tree(file: &JointFile) -> SharedTree {
    let mut tree = TransformBuffer::new(KEEP);
    for frame in &file.fixed_frames {
        // The file's names and numbers have been checked, and its frames have no cycle.
        let _ = tree.insert(&frame.name, &frame.parent, frame.pose, 0.0, true);
    }
    Arc::new(Mutex::new(tree))
}

/// Returns the pose of the head plate in the base frame, m: beam of `length` m on the pan.
pub fn head_pose(configuration: Configuration, length: f64) -> Isometry3<f64> {
    let turn = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), configuration.z);
    let rotation =
        UnitQuaternion::from_rotation_matrix(&orientation(configuration.z, configuration.xy()));
    let place = turn * position(configuration.xy(), length);
    Isometry3::from_parts(place.into(), rotation)
}

/// Inserts the head's measured pose into the transform buffer.
pub fn insert_head(tree: &SharedTree, frames: &Frames, pose: Isometry3<f64>, stamp: f64) {
    // A stamp that does not rise adds nothing.
    let _ = locked(tree).insert(&frames.head, &frames.base, pose, stamp, false);
}

/// Max. lead of a transform's stamp over the clock, s: some localisers date theirs ahead by a
/// second (common practice, no source). A larger lead would keep later transforms out of the
/// history.
#[cfg(has_tf2_msgs)]
const MOST_AHEAD: f64 = 2.0;
/// Max. number of transforms in one message. A robot's description has some hundreds (common
/// practice, no source).
#[cfg(has_tf2_msgs)]
const MOST_TRANSFORMS: usize = 1000;
/// Age of a frame's newest transform from which the frame is forgotten, s, and the machine time
/// between two looks for such frames.
#[cfg(has_tf2_msgs)]
const IDLE: f64 = 60.0;
#[cfg(has_tf2_msgs)]
const LOOK: std::time::Duration = std::time::Duration::from_secs(10);

#[cfg(has_tf2_msgs)]
mod graph {
    use super::*;
    use crate::ros::messages::{Refusal, read_transform, refuse, time};
    use crate::ros::server::refused::cut;
    use crate::ros::server::topic::Topic;
    use futures::StreamExt;
    use futures::stream::select;
    use r2r::geometry_msgs::msg::TransformStamped;
    use r2r::tf2_msgs::msg::TFMessage;
    use r2r::{Publisher, QosProfile};
    use std::time::Instant;

    /// Publishes the head's transform.
    pub struct Teller {
        publisher: Publisher<TFMessage>,
        message: TFMessage,
    }

    impl Teller {
        /// Creates the publisher on `/tf`, as the tf2 libraries do (reliable, last 100; common
        /// practice, no source).
        pub fn new(node: &mut Node, frames: &Frames) -> r2r::Result<Self> {
            let qos = QosProfile::default().keep_last(100).reliable();
            let mut transform = TransformStamped::default();
            transform.header.frame_id.clone_from(&frames.base);
            transform.child_frame_id.clone_from(&frames.head);
            Ok(Self {
                publisher: node.create_publisher("/tf", qos)?,
                message: TFMessage {
                    transforms: vec![transform],
                },
            })
        }

        /// Publishes the head's pose at `stamp`.
        pub fn tell(&mut self, pose: &Isometry3<f64>, stamp: (i32, u32)) -> r2r::Result<()> {
            let transform = &mut self.message.transforms[0];
            transform.header.stamp = time(stamp);
            let (p, q) = (&pose.translation, &pose.rotation);
            let place = &mut transform.transform.translation;
            (place.x, place.y, place.z) = (p.x, p.y, p.z);
            let turn = &mut transform.transform.rotation;
            (turn.x, turn.y, turn.z, turn.w) = (q.i, q.j, q.k, q.w);
            self.publisher.publish(&self.message)
        }
    }

    /// Inserts received transforms into the buffer; the stream reports each message.
    pub fn listen(
        node: &mut Node,
        context: &JointContext,
        tree: &SharedTree,
    ) -> r2r::Result<BoxStream<'static, TargetMessage>> {
        let moving = QosProfile::default().keep_last(100).reliable();
        let fixed = moving.clone().transient_local();
        let moving = node.subscribe::<TFMessage>("/tf", moving)?;
        let fixed = node.subscribe::<TFMessage>("/tf_static", fixed)?;
        let both = select(
            moving.map(|m| (Topic::Tf, m)),
            fixed.map(|m| (Topic::TfStatic, m)),
        );
        let (joint, head) = (context.name.clone(), context.file.frames.head.clone());
        let (clock, refused) = (context.clock.clone(), context.refused.clone());
        let tree = tree.clone();
        let mut steps = clock.steps();
        let mut looked = Instant::now();
        let stream = both.map(move |(topic, message)| {
            let count = message.transforms.len();
            if count > MOST_TRANSFORMS {
                let refusal = Refusal {
                    reason: "too_many",
                    sentence: format!(
                        "a message has {count} transforms; accepted: at most {MOST_TRANSFORMS}"
                    ),
                };
                refused.count_and_log(&joint, topic, &refusal);
                return TargetMessage::Transforms;
            }
            // After a step of the system clock or a jump of simulated time, old and new stamps are
            // not comparable.
            if std::mem::replace(&mut steps, clock.steps()) != clock.steps() {
                locked(&tree).forget_moving();
            }
            if looked.elapsed() > LOOK {
                looked = Instant::now();
                locked(&tree).forget_idle(clock.now() - IDLE);
            }
            for transform in &message.transforms {
                let child = transform.child_frame_id.trim_start_matches('/');
                if child == head {
                    // The head's own frame: this node is its source.
                    continue;
                }
                let parent = &transform.header.frame_id;
                let stamp = &transform.header.stamp;
                let put = read_transform(transform).and_then(|pose| {
                    let at = clock.time_of(stamp.sec, stamp.nanosec);
                    let fixed = topic == Topic::TfStatic;
                    let ahead = at - clock.now();
                    if !fixed && ahead > MOST_AHEAD {
                        let sentence = format!(
                            "transform of {:?}: stamp is {ahead:.3} s ahead of {}; accepted: at \
                             most {MOST_AHEAD} s",
                            cut(child),
                            clock.words()
                        );
                        return refuse("stamp_ahead", sentence);
                    }
                    // Locked for one transform at a time: the setpoints' publisher inserts too.
                    let put = locked(&tree).insert(child, parent, pose, at, fixed);
                    put.map_err(|error| Refusal {
                        reason: "transform",
                        sentence: error.to_string(),
                    })
                });
                if let Err(refusal) = put {
                    refused.count_and_log(&joint, topic, &refusal);
                }
            }
            TargetMessage::Transforms
        });
        Ok(stream.boxed())
    }
}

#[cfg(not(has_tf2_msgs))]
mod graph {
    use super::*;

    /// A stub: the sourced ROS has no tf2_msgs.
    pub struct Teller;

    impl Teller {
        /// Creates the stub.
        pub fn new(_: &mut Node, _: &Frames) -> r2r::Result<Self> {
            Ok(Self)
        }

        /// Does nothing.
        pub fn tell(&mut self, _: &Isometry3<f64>, _: (i32, u32)) -> r2r::Result<()> {
            Ok(())
        }
    }

    /// Returns a stream without items.
    pub fn listen(
        _: &mut Node,
        context: &JointContext,
        _: &SharedTree,
    ) -> r2r::Result<BoxStream<'static, TargetMessage>> {
        use futures::StreamExt;
        let joint = &context.name;
        tracing::info!(
            joint,
            "this ROS has no tf2_msgs: targets are taken in the base frame, the head frame and the \
             fixed frames of the joint file"
        );
        Ok(futures::stream::pending().boxed())
    }
}

pub use graph::{Teller, listen};

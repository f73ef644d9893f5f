//! Telemetry outputs of one joint: setpoints, references, head pose, settled state and diagnostics,
//! on a thread that sleeps until the loop has ticked.

use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use nalgebra::Isometry3;
use r2r::diagnostic_msgs::msg::{DiagnosticArray, DiagnosticStatus};
use r2r::geometry_msgs::msg::PoseStamped;
use r2r::sensor_msgs::msg::JointState;
use r2r::std_msgs::msg::{Bool, Float64, Float64MultiArray, MultiArrayDimension};
use r2r::{Node, Publisher, QosProfile};

use super::aim::SharedTree;
use super::diagnostics::Diagnostics;
use super::incident::Kept;
use super::status::{Newest, Residual, Status};
use super::target::{TargetReport, target_message};
use super::tf::{Teller, head_pose, insert_head};
use crate::control::aim::Aim;
use crate::control::controller::CommandInterface;
use crate::control::geometry::{Bend, Configuration, configuration};
use crate::control::tick::Mode;
use crate::files::{Frames, JointFile, SetpointMessage};
use crate::ros::acknowledge::Acknowledgements;
use crate::ros::messages::time;
use crate::runtime::link::{Record, RecordReceiver};
use crate::runtime::rt::Clock;

/// Max. sleep, so that diagnostics continue if the loop stops.
const SLEEP: Duration = Duration::from_millis(200);
/// Speed of bend below which the joint is at rest, rad/s.
const REST_SPEED: f64 = 0.05;
/// Time for which the speed has to stay below, s.
const REST_TIME: f64 = 0.3;
/// Time constant of the speed filter, s, against sensor noise.
const REST_FILTER: f64 = 0.1;
/// Machine time without progress after which simulated time stands, s.
const STANDS: f64 = 0.5;
/// Min. time between two messages on the target, s.
const TARGET_PERIOD: f64 = 0.02;

enum Setpoints {
    Joint(Publisher<JointState>),
    Array(Publisher<Float64MultiArray>),
}

/// The telemetry publisher of one joint.
pub struct TelemetryPublisher {
    joint: String,
    clock: Clock,
    records: RecordReceiver,
    status: Arc<Status>,
    kind: CommandInterface,
    frames: Frames,
    tree: SharedTree,
    aim: Aim,
    length: f64,
    pan: bool,
    setpoints: Setpoints,
    references: Publisher<JointState>,
    head_pose: Publisher<PoseStamped>,
    transform: Teller,
    residual: Publisher<Float64>,
    target_state: Publisher<DiagnosticStatus>,
    settled: Publisher<Bool>,
    diagnostics_out: Publisher<DiagnosticArray>,
    diagnostics: Diagnostics,
    acknowledgements: Acknowledgements,
    /// Messages that are reused, with names in place.
    setpoint: JointState,
    reference: JointState,
    array: Float64MultiArray,
    seen: Seen,
    /// A failure to publish has been logged.
    failed: bool,
}

/// The telemetry state so far.
#[derive(Debug)]
struct Seen {
    settled: Option<bool>,
    /// Content of the last `~/target_state`, and its machine time, s.
    told: Option<TargetReport>,
    told_at: f64,
    bend_stamp: f64,
    reference: Configuration,
    bend: Bend,
    velocity: Bend,
    at: f64,
    moved: f64,
    skipped: u64,
    /// Loop time of the last progress of simulated time, and its machine time, s.
    went_on: (f64, f64),
    /// Setpoints have been sent and not ended yet.
    speaks: bool,
}

impl TelemetryPublisher {
    /// Creates the publishers on `node`.
    ///
    /// # Errors
    /// The middleware rejects a publisher.
    pub fn new(
        node: &mut Node,
        file: &JointFile,
        clock: Clock,
        records: RecordReceiver,
        status: Arc<Status>,
        tree: SharedTree,
        acknowledgements: Acknowledgements,
    ) -> r2r::Result<Self> {
        let joint = node.fully_qualified_name()?;
        let newest = || QosProfile::default().keep_last(1).reliable();
        let setpoints = match file.setpoint_message {
            SetpointMessage::JointState => {
                Setpoints::Joint(node.create_publisher("~/motor_setpoints", newest())?)
            }
            SetpointMessage::Float64Array => {
                Setpoints::Array(node.create_publisher("~/motor_setpoints", newest())?)
            }
        };
        let named = JointState {
            name: file.all_motor_names(),
            ..JointState::default()
        };
        let mut array = Float64MultiArray::default();
        let count = named.name.len() as u32;
        array.layout.dim.push(MultiArrayDimension {
            label: "motor".into(),
            size: count,
            stride: count,
        });
        Ok(Self {
            setpoints,
            references: node.create_publisher("~/motor_references", QosProfile::sensor_data())?,
            head_pose: node.create_publisher("~/head_pose", QosProfile::sensor_data())?,
            transform: Teller::new(node, &file.frames)?,
            residual: node.create_publisher("~/residual", QosProfile::sensor_data())?,
            target_state: node.create_publisher("~/target_state", newest().transient_local())?,
            settled: node.create_publisher("~/settled", newest().transient_local())?,
            diagnostics_out: node.create_publisher("/diagnostics", QosProfile::default())?,
            diagnostics: Diagnostics::new(&joint, file),
            acknowledgements,
            joint,
            clock,
            records,
            status,
            kind: file.kind,
            frames: file.frames.clone(),
            tree,
            aim: file.aim(),
            pan: file.joint.pan.is_some(),
            length: file.joint.kinematics.routing().length,
            setpoint: named.clone(),
            reference: named,
            array,
            seen: Seen {
                settled: None,
                told: None,
                told_at: f64::NEG_INFINITY,
                bend_stamp: 0.0,
                reference: Configuration::zeros(),
                bend: Bend::zeros(),
                velocity: Bend::zeros(),
                at: 0.0,
                moved: 0.0,
                skipped: 0,
                went_on: (0.0, 0.0),
                speaks: false,
            },
            failed: false,
        })
    }

    /// Publishes, and feeds the incident recorder, on its own thread until the node ends.
    ///
    /// # Errors
    /// The system refuses a thread.
    pub fn start(self, kept: Kept) -> std::io::Result<JoinHandle<()>> {
        std::thread::Builder::new()
            .name("publisher".into())
            .spawn(move || self.run(kept))
    }

    fn run(mut self, mut kept: Kept) {
        self.tell_settled(false);
        let mut newest = Record::default();
        loop {
            self.records.wait(SLEEP);
            let over = self.status.over();
            // Read before the records, so that the last of them are not missed.
            let ended = self.records.ended();
            let dealt_with = self.records.dealt_with();
            self.look_at_time();
            let (status, seen) = (&self.status, &mut self.seen);
            let diagnostics = &mut self.diagnostics;
            let (mut fresh, mut settled_changes) = (false, [None; 2]);
            self.records.drain(|record, left| {
                watch(record, status, seen);
                kept.recorder.see(record);
                diagnostics.see(record);
                let now = record.output.settled;
                if seen.settled != Some(now) {
                    seen.settled = Some(now);
                    settled_changes = [settled_changes[1], Some(now)];
                }
                if left == 0 {
                    newest.clone_from(record);
                    fresh = true;
                } else {
                    seen.skipped += 1;
                }
            });
            for settled in settled_changes.into_iter().flatten() {
                self.tell_settled(settled);
            }
            if fresh {
                self.publish(&newest);
            }
            if ended || !newest.output.mode.sends() {
                self.fall_silent(&mut newest);
            }
            if fresh {
                // Set after the messages visible to others have been sent.
                tell_newest(&newest, &self.status);
            }
            if self.records.ended_by_itself() {
                kept.recorder.lost_loop();
            }
            self.tell_target();
            self.diagnose(&kept);
            // After all its results.
            let sent = self.acknowledgements.publish(dealt_with);
            self.check(sent);
            self.status.count_published();
            if over {
                return;
            }
        }
    }

    /// Sends a last zero to drives that take velocities, since they keep the last setpoint.
    fn fall_silent(&mut self, newest: &mut Record) {
        if std::mem::take(&mut self.seen.speaks) && self.kind == CommandInterface::Velocity {
            newest.output.setpoints.fill(0.0);
            newest.output.pan_setpoint = 0.0;
            self.publish_setpoints(newest);
        }
    }

    /// Reports rest while simulated time stands.
    fn look_at_time(&mut self) {
        if !self.clock.is_simulated() {
            return;
        }
        let (now, machine) = (self.clock.now(), self.clock.machine());
        if now != self.seen.went_on.0 {
            self.seen.went_on = (now, machine);
        }
        let stands = machine - self.seen.went_on.1 > STANDS;
        self.diagnostics.see_time_stand(stands);
        if stands {
            self.status.set_at_rest(true);
        }
    }

    fn tell_settled(&mut self, settled: bool) {
        self.seen.settled = Some(settled);
        let sent = self.settled.publish(&Bool { data: settled });
        self.check(sent);
    }

    fn publish(&mut self, record: &Record) {
        let output = &record.output;
        if output.mode.sends() && !output.unsent {
            self.seen.speaks = true;
            self.publish_setpoints(record);
            self.reference.header.stamp = time(self.clock.stamp_of(output.stamp));
            self.reference.position.clone_from(&output.references);
            if self.pan {
                self.reference.position.push(output.pan_reference);
            }
            let sent = self.references.publish(&self.reference);
            self.check(sent);
        }
        if output.bend_stamp > self.seen.bend_stamp {
            self.seen.bend_stamp = output.bend_stamp;
            let measured = configuration(output.estimate.bend, output.estimate.pan_then);
            let pose = head_pose(measured, self.length);
            insert_head(&self.tree, &self.frames, pose, output.bend_stamp);
            let stamp = self.clock.stamp_of(output.bend_stamp);
            let sent = self.head_pose.publish(&self.pose_message(&pose, stamp));
            self.check(sent);
            let sent = self.transform.tell(&pose, stamp);
            self.check(sent);
            self.tell_residual(measured, output.bend_stamp);
        }
    }

    /// Publishes the residual of the target at the measured configuration.
    fn tell_residual(&mut self, measured: Configuration, stamp: f64) {
        let Some(target) = self.status.in_force() else {
            return;
        };
        if let Some(data) = self.aim.residual(&target.target, measured) {
            self.status.set_residual(Residual {
                command: target.command,
                angle: data,
                stamp,
            });
            let sent = self.residual.publish(&Float64 { data });
            self.check(sent);
        }
    }

    /// Publishes the target in force and its outcome: at once after a change, and a few times a
    /// second if only its numbers change.
    fn tell_target(&mut self) {
        let now = self.clock.machine();
        let in_force = self.status.in_force();
        let settled = self.status.settled();
        let told = TargetReport::of(in_force.as_ref(), settled, self.status.refused.targets());
        let since = now - self.seen.told_at;
        let same = self.seen.told.as_ref() == Some(&told);
        let stream = in_force.as_ref().is_some_and(|t| t.moving);
        let first = self.seen.told.is_none();
        if !first && (since < TARGET_PERIOD || (same && !(stream && since > 5.0 * TARGET_PERIOD))) {
            return;
        }
        let message = target_message(&self.joint, in_force.as_ref(), &told);
        (self.seen.told, self.seen.told_at) = (Some(told), now);
        let sent = self.target_state.publish(&message);
        self.check(sent);
    }

    fn publish_setpoints(&mut self, record: &Record) {
        let output = &record.output;
        let sent = match &self.setpoints {
            Setpoints::Joint(publisher) => {
                self.setpoint.header.stamp = time(self.clock.stamp_of(output.stamp));
                let field = match self.kind {
                    CommandInterface::Position => &mut self.setpoint.position,
                    CommandInterface::Velocity => &mut self.setpoint.velocity,
                };
                field.clone_from(&output.setpoints);
                field.extend(self.pan.then_some(output.pan_setpoint));
                publisher.publish(&self.setpoint)
            }
            Setpoints::Array(publisher) => {
                self.array.data.clone_from(&output.setpoints);
                let pan = self.pan.then_some(output.pan_setpoint);
                self.array.data.extend(pan);
                publisher.publish(&self.array)
            }
        };
        self.check(sent);
    }

    fn pose_message(&self, pose: &Isometry3<f64>, stamp: (i32, u32)) -> PoseStamped {
        let mut message = PoseStamped::default();
        message.header.frame_id.clone_from(&self.frames.base);
        message.header.stamp = time(stamp);
        let (p, q) = (&pose.translation, &pose.rotation);
        let at = &mut message.pose.position;
        (at.x, at.y, at.z) = (p.x, p.y, p.z);
        let turned = &mut message.pose.orientation;
        (turned.x, turned.y, turned.z, turned.w) = (q.i, q.j, q.k, q.w);
        message
    }

    fn diagnose(&mut self, kept: &Kept) {
        // Reports are for people and continue while simulated time stands.
        let (machine, now) = (self.clock.machine(), self.clock.now());
        let skipped = self.seen.skipped;
        let gone = self.clock.steps();
        let times = (machine, now);
        if let Some(mut status) = self.diagnostics.due(times, &self.status, skipped, gone) {
            let mut message = DiagnosticArray::default();
            message.header.stamp = time(self.clock.stamp_of(now));
            message.status.append(&mut status);
            message.status.push(kept.report(&self.joint));
            let sent = self.diagnostics_out.publish(&message);
            self.check(sent);
        }
    }

    fn check(&mut self, sent: r2r::Result<()>) {
        if let Err(error) = sent
            && !std::mem::replace(&mut self.failed, true)
        {
            let joint = &self.joint;
            tracing::error!(joint, "a message could not be sent (logged once): {error}");
        }
    }
}

fn tell_newest(record: &Record, status: &Status) {
    let output = &record.output;
    status.set_newest(Newest {
        mode: output.mode,
        readiness: output.readiness,
        faults: output.faults,
    });
}

/// Derives the shared status from a record, including whether the joint moves.
fn watch(record: &Record, status: &Status, seen: &mut Seen) {
    let output = &record.output;
    let dt = (record.at - seen.at).max(1e-6);
    let velocity = (output.estimate.bend - seen.bend) / dt;
    seen.velocity += (velocity - seen.velocity) * (dt / (REST_FILTER + dt));
    let tracking = output.mode == Mode::Tracking;
    let reference = configuration(output.reference, output.reference_pan);
    let moves = (reference - seen.reference).norm() > 1e-9 || seen.velocity.norm() > REST_SPEED;
    if tracking && moves {
        seen.moved = record.at;
    }
    (seen.at, seen.bend, seen.reference) = (record.at, output.estimate.bend, reference);
    status.set_reference(reference);
    status.set_ended(output.ended);
    status.set_answer(output);
    // After a stop the reference is held, and no command's target is settled.
    let over = output.command <= output.ended;
    let settled = output.command.filter(|_| output.settled && !over);
    status.set_settled(settled);
    let motors = configuration(output.estimate.motors_bend, output.estimate.pan);
    status.add_gravity(output.estimate.gravity_head, motors);
    // Without data the setpoint stands still, and there is no motion to wait for.
    status.set_at_rest(!tracking || record.at - seen.moved > REST_TIME);
    if output.mode != Mode::Waiting {
        status.set_delay(output.delay);
    }
}

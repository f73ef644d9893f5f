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
use r2r::{Node, Publisher, QosProfile, WrappedTypesupport};
use tokio::sync::watch;

use super::aim::SharedTree;
use super::diagnostics::Diagnostics;
use super::incident::Kept;
use super::motor_stop::MotorStop;
use super::refused::Refused;
use super::sensor_clock::SensorClocks;
use super::snapshot::{Residual, Snapshot};
use super::target::{InForce, TargetReport, in_force, target_message};
use super::tf::{Teller, head_pose, insert_head};
use super::{JointContext, Phase};
use crate::control::aim::Aim;
use crate::control::controller::CommandInterface;
use crate::control::geometry::{Bend, Configuration, configuration};
use crate::control::tick::{Faults, Mode, Output, Readiness};
use crate::files::{Frames, SetpointMessage};
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
    snapshots: watch::Sender<Snapshot>,
    targets: watch::Receiver<Option<InForce>>,
    phase: watch::Receiver<Phase>,
    refused: Arc<Refused>,
    kind: CommandInterface,
    stop: MotorStop,
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
    /// The next snapshot.
    snapshot: Snapshot,
    motion: Motion,
    clocks: SensorClocks,
    seen: Seen,
    /// A failure to publish has been logged.
    failed: bool,
}

/// The telemetry state so far.
#[derive(Debug, Default)]
struct Seen {
    settled: Option<bool>,
    /// Content of the last `~/target_state`, and its machine time, s.
    target: Option<(TargetReport, f64)>,
    bend_stamp: f64,
    skipped: u64,
    /// Loop time of the last progress of simulated time, and its machine time, s.
    went_on: (f64, f64),
}

/// Derives from the records whether the joint moves.
#[derive(Debug, Default)]
struct Motion {
    reference: Configuration,
    bend: Bend,
    velocity: Bend,
    at: f64,
    moved: f64,
}

impl Motion {
    fn see(&mut self, record: &Record) {
        let output = &record.output;
        let dt = (record.at - self.at).max(1e-6);
        let velocity = (output.estimate.bend - self.bend) / dt;
        self.velocity += (velocity - self.velocity) * (dt / (REST_FILTER + dt));
        let reference = configuration(output.reference, output.reference_pan);
        let moves = (reference - self.reference).norm() > 1e-9 || self.velocity.norm() > REST_SPEED;
        if output.mode == Mode::Tracking && moves {
            self.moved = record.at;
        }
        (self.at, self.bend, self.reference) = (record.at, output.estimate.bend, reference);
    }

    /// Returns true if nothing moves at the last record.
    fn at_rest(&self, record: &Record) -> bool {
        // Without data the setpoint stands still, and there is no motion to wait for.
        record.output.mode != Mode::Tracking || record.at - self.moved > REST_TIME
    }
}

impl TelemetryPublisher {
    pub fn new(
        node: &mut Node,
        context: &JointContext,
        records: RecordReceiver,
        tree: SharedTree,
        acknowledgements: Acknowledgements,
    ) -> r2r::Result<Self> {
        let file = &context.file;
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
            diagnostics: Diagnostics::new(context),
            acknowledgements,
            joint: context.name.clone(),
            clock: context.clock.clone(),
            records,
            snapshots: context.snapshots.clone(),
            targets: context.targets.subscribe(),
            phase: context.phase.subscribe(),
            refused: context.refused.clone(),
            kind: file.kind,
            stop: context.stop.clone(),
            frames: file.frames.clone(),
            tree,
            aim: file.aim(),
            pan: file.joint.pan.is_some(),
            length: file.joint.kinematics.routing().length,
            setpoint: named.clone(),
            reference: named,
            array,
            snapshot: Snapshot::default(),
            motion: Motion::default(),
            clocks: SensorClocks::default(),
            seen: Seen::default(),
            failed: false,
        })
    }

    /// Publishes, and feeds the incident recorder, on its own thread until the node ends.
    pub fn start(self, kept: Kept) -> std::io::Result<JoinHandle<()>> {
        std::thread::Builder::new()
            .name("publisher".into())
            .spawn(move || self.run(kept))
    }

    fn run(mut self, mut kept: Kept) {
        let _guard = self.stop.guard("the publisher");
        self.publish_settled(false);
        let mut newest = Record::default();
        loop {
            self.records.wait(SLEEP);
            let phase = *self.phase.borrow();
            // Read before the records, so that the last of them are not missed.
            let ended = self.records.ended();
            let dealt_with = self.records.dealt_with();
            if self.take_records(&mut newest, &mut kept) {
                self.take_snapshot(&newest);
                self.publish(&newest);
            }
            if ended || !newest.output.mode.sends() {
                self.fall_silent(&mut newest);
            }
            self.send_snapshot(ended);
            if self.records.ended_by_itself() {
                kept.recorder.lost_loop();
            }
            let target = in_force(&self.targets, self.snapshot.ended);
            self.publish_target(target.as_ref());
            self.diagnose(target.as_ref(), &kept);
            // After all its results.
            let sent = self.acknowledgements.publish(dealt_with);
            self.check(sent);
            if phase == Phase::Over {
                return;
            }
        }
    }

    /// Takes the available records, the last of them into `newest`; returns true if there are any.
    fn take_records(&mut self, newest: &mut Record, kept: &mut Kept) -> bool {
        let Self {
            motion,
            clocks,
            diagnostics,
            seen,
            ..
        } = self;
        let (mut fresh, mut settled_changes) = (false, [None; 2]);
        self.records.drain(|record, left| {
            motion.see(record);
            clocks.see(&record.input);
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
            self.publish_settled(settled);
        }
        fresh
    }

    fn take_snapshot(&mut self, record: &Record) {
        let (input, output) = (&record.input, &record.output);
        // After a stop the reference is held, and no command's target is settled.
        let over = output.answered.command <= output.answered.ended;
        self.snapshot = Snapshot {
            time: record.at,
            mode: output.mode,
            readiness: output.readiness,
            faults: output.faults,
            at_rest: self.motion.at_rest(record),
            reference: self.motion.reference,
            bend: output.estimate.bend,
            motors: configuration(output.estimate.motors_bend, output.estimate.pan),
            gravity_head: output.estimate.gravity_head,
            delay: match output.mode {
                Mode::Waiting => self.snapshot.delay,
                _ => output.timing.delay,
            },
            clocks_judged: self.clocks.judged(),
            ahead: self.clocks.ahead(&self.clock),
            ended: output.answered.ended,
            settled: output.answered.command.filter(|_| output.settled && !over),
            // In the order of the kinds.
            answered: [
                input.hold,
                output.answered.clear,
                output.answered.release_tension,
            ],
            release_refusal: output.answered.release_refusal,
            ..self.snapshot
        };
    }

    /// Sends the snapshot, after the messages visible to others. Each round sends one, so that
    /// those who wait look again after all that wakes this thread.
    fn send_snapshot(&mut self, ended: bool) {
        let time_stands = self.time_stands();
        self.diagnostics.see_time_stand(time_stands);
        self.snapshot.at_rest |= time_stands;
        self.snapshot.running = !ended;
        if ended {
            self.snapshot = Snapshot {
                mode: Mode::default(),
                readiness: Readiness::default(),
                faults: Faults::default(),
                ..self.snapshot
            };
        }
        self.snapshot.rounds += 1;
        self.snapshots.send_replace(self.snapshot);
    }

    /// Sends a last zero to drives that take velocities, since they keep the last setpoint.
    fn fall_silent(&mut self, newest: &mut Record) {
        if self.stop.note_driven(false) && self.kind == CommandInterface::Velocity {
            newest.output.setpoints.fill(0.0);
            newest.output.pan_setpoint = 0.0;
            self.publish_setpoints(newest);
        }
    }

    fn time_stands(&mut self) -> bool {
        if !self.clock.is_simulated() {
            return false;
        }
        let (now, machine) = (self.clock.now(), self.clock.machine());
        if now != self.seen.went_on.0 {
            self.seen.went_on = (now, machine);
        }
        machine - self.seen.went_on.1 > STANDS
    }

    fn publish_settled(&mut self, settled: bool) {
        self.seen.settled = Some(settled);
        let sent = self.settled.publish(&Bool { data: settled });
        self.check(sent);
    }

    fn publish(&mut self, record: &Record) {
        let output = &record.output;
        if output.mode.sends() && !output.unsent && !self.stop.halted() {
            self.stop.note_driven(true);
            self.publish_setpoints(record);
            self.publish_references(output);
        }
        if output.timing.bend_stamp > self.seen.bend_stamp {
            self.seen.bend_stamp = output.timing.bend_stamp;
            let measured = configuration(output.estimate.bend, output.estimate.pan_then);
            let pose = head_pose(measured, self.length);
            insert_head(&self.tree, &self.frames, pose, output.timing.bend_stamp);
            let stamp = self.clock.stamp_of(output.timing.bend_stamp);
            if is_heard(&self.head_pose) {
                let sent = self.head_pose.publish(&self.pose_message(&pose, stamp));
                self.check(sent);
            }
            let sent = self.transform.tell(&pose, stamp);
            self.check(sent);
            self.publish_residual(measured, output.timing.bend_stamp);
        }
    }

    /// Publishes the residual of the target at the measured configuration.
    fn publish_residual(&mut self, measured: Configuration, stamp: f64) {
        let Some(target) = in_force(&self.targets, self.snapshot.ended) else {
            return;
        };
        if let Some(angle) = self.aim.residual(&target.target, measured) {
            self.snapshot.residual = Some(Residual {
                command: target.desired.command,
                angle,
                stamp,
            });
            if is_heard(&self.residual) {
                let sent = self.residual.publish(&Float64 { data: angle });
                self.check(sent);
            }
        }
    }

    /// Publishes the target in force and its outcome: at once after a change, and a few times a
    /// second if only its numbers change.
    fn publish_target(&mut self, in_force: Option<&InForce>) {
        let now = self.clock.machine();
        let content = TargetReport::of(in_force, self.snapshot.settled, self.refused.targets());
        if let Some((last, at)) = &self.seen.target {
            let pause = if *last != content {
                TARGET_PERIOD
            } else if in_force.is_some_and(|t| t.desired.continues) {
                5.0 * TARGET_PERIOD
            } else {
                f64::INFINITY
            };
            if now - at < pause {
                return;
            }
        }
        let message = target_message(&self.joint, in_force, &content);
        self.seen.target = Some((content, now));
        let sent = self.target_state.publish(&message);
        self.check(sent);
    }

    fn publish_references(&mut self, output: &Output) {
        if !is_heard(&self.references) {
            return;
        }
        self.reference.header.stamp = time(self.clock.stamp_of(output.timing.stamp));
        self.reference.position.clone_from(&output.references);
        let pan = self.pan.then_some(output.pan_reference);
        self.reference.position.extend(pan);
        let sent = self.references.publish(&self.reference);
        self.check(sent);
    }

    fn publish_setpoints(&mut self, record: &Record) {
        let output = &record.output;
        let sent = match &self.setpoints {
            Setpoints::Joint(publisher) => {
                self.setpoint.header.stamp = time(self.clock.stamp_of(output.timing.stamp));
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

    fn diagnose(&mut self, in_force: Option<&InForce>, kept: &Kept) {
        // Reports are for people and continue while simulated time stands.
        let (machine, now) = (self.clock.machine(), self.clock.now());
        let (skipped, steps) = (self.seen.skipped, self.clock.steps());
        let times = (machine, now);
        if let Some(status) = self.diagnostics.due(times, in_force, skipped, steps) {
            let mut message = DiagnosticArray::default();
            message.header.stamp = time(self.clock.stamp_of(now));
            message.status = vec![status, kept.report(&self.joint)];
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

/// Returns true if somebody subscribes, or if that is not known: what nobody hears costs nothing.
fn is_heard<T: WrappedTypesupport + 'static>(publisher: &Publisher<T>) -> bool {
    let subscriptions = publisher.get_inter_process_subscription_count();
    !matches!(subscriptions, Ok(0))
}

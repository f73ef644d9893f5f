//! The action `~/point_head` (control_msgs/action/PointHead): a point to look at, with feedback and
//! a result.
//!
//! Goals follow the data flow of all targets ([`aim`](super::aim)), so that frames, stamps and
//! refusals are those of `~/gaze_point`. A goal succeeds when the camera looks at its point within
//! tolerance. It is aborted when the joint settles short of it, when another command, a hold or an
//! outage ends it, or when it takes too long. After a cancellation the joint holds. A new goal is a
//! new command.
//!
//! The action protocol is implemented here, three services and two topics (ROS 2 design documents,
//! "Actions"). The server of the bindings never forgets a goal: its thread spins without pause once
//! the first goal is due to be forgotten, its status message grows with every goal, and a cancelled
//! goal stays in "canceling".

#[cfg(has_control_msgs)]
mod graph {
    use std::sync::Arc;

    use futures::channel::mpsc;
    use futures::stream::{BoxStream, FuturesUnordered, StreamExt, select_all};
    use nalgebra::Vector3;
    use r2r::action_msgs::msg::{GoalInfo, GoalStatus, GoalStatusArray};
    use r2r::action_msgs::srv::CancelGoal;
    use r2r::builtin_interfaces::msg::Time;
    use r2r::control_msgs::action::PointHead as action;
    use r2r::unique_identifier_msgs::msg::UUID;
    use r2r::{Node, Publisher, QosProfile, ServiceRequest};
    use tokio::sync::{oneshot, watch};

    use crate::control::aim::Target;
    use crate::control::gaze::Outcome;
    use crate::ros::messages::{Refusal, read_point, refuse, time};
    use crate::ros::server::aim::{Command, Pace, TargetMessage};
    use crate::ros::server::refused::{Refused, cut};
    use crate::ros::server::snapshot::Snapshot;
    use crate::ros::server::sources::{SharedSources, Source};
    use crate::ros::server::target::{InForce, in_force, words};
    use crate::ros::server::topic::Topic;
    use crate::ros::server::{JointContext, Phase};
    use crate::runtime::link::{Handle, LoopRequest};
    use crate::runtime::rt::Clock;

    const ACTION: &str = "point_head";
    /// Min. time between two feedback messages, s of machine time, which the client's waiting
    /// follows too.
    const FEEDBACK: f64 = 0.1;
    /// Extra time for a goal beyond its requested duration, s of loop time, by which the joint
    /// moves.
    const PATIENCE: f64 = 30.0;
    /// Time limit for the loop to see a request to hold, s.
    const HOLD_PATIENCE: f64 = 3.0;
    /// Time for which the result of an ended goal is kept, s: the default of the ROS 2 action
    /// library (`rcl_action_server_get_default_options`).
    const KEPT: f64 = 10.0;
    /// Max. angle between a goal's axis and the camera's, deg.
    const SAME_AXIS: f64 = 1.0;

    // The bindings give constants the type of their C header.
    const EXECUTING: i8 = GoalStatus::STATUS_EXECUTING as i8;
    const CANCELING: i8 = GoalStatus::STATUS_CANCELING as i8;
    const SUCCEEDED: i8 = GoalStatus::STATUS_SUCCEEDED as i8;
    const CANCELED: i8 = GoalStatus::STATUS_CANCELED as i8;
    const ABORTED: i8 = GoalStatus::STATUS_ABORTED as i8;
    const UNKNOWN: i8 = GoalStatus::STATUS_UNKNOWN as i8;

    enum Request {
        Goal(ServiceRequest<action::SendGoal::Service>),
        Cancel(ServiceRequest<CancelGoal::Service>),
        Result(ServiceRequest<action::GetResult::Service>),
    }

    /// A goal whose target has not been judged yet.
    struct Pending {
        request: ServiceRequest<action::SendGoal::Service>,
        pace: Pace,
        answer: Result<u64, Refusal>,
    }

    /// An accepted goal.
    struct Goal {
        id: UUID,
        stamp: Time,
        command: u64,
        status: i8,
        /// Deadline, loop time, s.
        until: f64,
        /// Machine time of the last feedback, and the stamp of its residual, s.
        last_feedback: (f64, f64),
        /// Number of the hold request that its cancellation waits for, and the machine time of that
        /// request, s.
        holds: Option<(u64, f64)>,
        ended: Option<f64>,
        /// Requests that wait for its result.
        waiting: Vec<ServiceRequest<action::GetResult::Service>>,
    }

    /// The action server of one joint.
    pub struct PointHead {
        joint: String,
        clock: Clock,
        snapshots: watch::Receiver<Snapshot>,
        targets: watch::Receiver<Option<InForce>>,
        phase: watch::Receiver<Phase>,
        sources: Arc<SharedSources>,
        refused: Arc<Refused>,
        handle: Handle,
        head: String,
        /// Axis of the camera, head frame.
        axis: Option<Vector3<f64>>,
        commands: mpsc::UnboundedSender<TargetMessage>,
        feedback: Publisher<action::FeedbackMessage>,
        states: Publisher<GoalStatusArray>,
        goals: Vec<Goal>,
    }

    pub struct Requests(BoxStream<'static, Request>);

    impl PointHead {
        /// Creates the action on `node`. Returns the server, its requests and its commands to the
        /// target resolver.
        pub fn new(
            node: &mut Node,
            context: &JointContext,
        ) -> r2r::Result<(Self, Requests, BoxStream<'static, TargetMessage>)> {
            let qos = QosProfile::services_default;
            let part = |name: &str| format!("~/{ACTION}/_action/{name}");
            let goals = node.create_service(&part("send_goal"), qos())?;
            let cancels = node.create_service(&part("cancel_goal"), qos())?;
            let results = node.create_service(&part("get_result"), qos())?;
            let requests = select_all([
                goals.map(Request::Goal).boxed(),
                cancels.map(Request::Cancel).boxed(),
                results.map(Request::Result).boxed(),
            ]);
            let latched = QosProfile::default().keep_last(1).reliable();
            let (commands, stream) = mpsc::unbounded();
            let file = &context.file;
            let server = Self {
                joint: context.name.clone(),
                clock: context.clock.clone(),
                snapshots: context.snapshots.subscribe(),
                targets: context.targets.subscribe(),
                phase: context.phase.subscribe(),
                sources: context.sources.clone(),
                refused: context.refused.clone(),
                handle: context.handle.clone(),
                head: file.frames.head.clone(),
                axis: file.gazer.as_ref().map(|g| g.camera().axis),
                commands,
                feedback: node.create_publisher(&part("feedback"), QosProfile::default())?,
                states: node.create_publisher(&part("status"), latched.transient_local())?,
                goals: Vec::new(),
            };
            Ok((server, Requests(requests.boxed()), stream.boxed()))
        }

        /// Serves until the requests end.
        pub async fn run(mut self, requests: Requests) {
            let Requests(mut requests) = requests;
            let mut pending = FuturesUnordered::new();
            self.publish_states();
            loop {
                tokio::select! {
                    request = requests.next() => match request {
                        Some(Request::Goal(request)) => pending.extend(self.forward(request)),
                        Some(Request::Cancel(request)) => self.cancel(request),
                        Some(Request::Result(request)) => self.give_result(request),
                        None => return,
                    },
                    Some(answered) = pending.next() => self.take(answered),
                    Ok(()) = self.snapshots.changed(), if !self.goals.is_empty() => {
                        self.look_after();
                    }
                }
            }
        }

        /// Forwards a valid goal to the target resolver; returns a future of its answer.
        fn forward(
            &self,
            request: ServiceRequest<action::SendGoal::Service>,
        ) -> Option<impl Future<Output = Pending> + use<>> {
            let message = &request.message;
            let read = if self.goals.iter().any(|g| g.id == message.goal_id) {
                refuse("known", "a goal with that id exists already".into())
            } else {
                self.read(&message.goal)
            };
            let (point, pace) = match read {
                Ok(read) => read,
                Err(refusal) => {
                    self.refused.count(Topic::PointHead, &refusal);
                    self.reject(request, &refusal);
                    return None;
                }
            };
            let header = &message.goal.target.header;
            let (answer, answered) = oneshot::channel();
            let command = Command {
                target: Target::Point(point),
                frame: header.frame_id.clone(),
                stamp: header.stamp.clone(),
                topic: Topic::PointHead,
                source: Source::Action,
                pace,
                answer: Some(answer),
            };
            // If the target resolver has ended, the answer's other end is dropped with the command.
            let _ = self
                .commands
                .unbounded_send(TargetMessage::Request(command));
            Some(async move {
                let gone = |_| refuse("closing", "the node is shutting down".into());
                let answer = answered.await.unwrap_or_else(gone);
                Pending {
                    request,
                    pace,
                    answer,
                }
            })
        }

        /// Checks the goal's own parts; the target resolver judges frame and stamp of the target.
        fn read(&self, goal: &action::Goal) -> Result<(Vector3<f64>, Pace), Refusal> {
            let point = read_point(&goal.target)?;
            let frame = goal.pointing_frame.trim_start_matches('/');
            if !frame.is_empty() && frame != self.head {
                return refuse(
                    "pointing_frame",
                    format!(
                        "pointing_frame is '{}'; accepted: '{}' or empty",
                        cut(frame),
                        self.head
                    ),
                );
            }
            let a = &goal.pointing_axis;
            let requested = Vector3::new(a.x, a.y, a.z);
            if let Some(axis) = self.axis
                && requested != Vector3::zeros()
            {
                let apart = requested.angle(&axis).to_degrees();
                let finite = requested.iter().all(|c| c.is_finite());
                if !(finite && apart <= SAME_AXIS) {
                    return refuse(
                        "pointing_axis",
                        format!(
                            "pointing_axis is ({}, {}, {}); accepted: zeros, or within {SAME_AXIS} \
                             deg of the camera's axis ({:.3}, {:.3}, {:.3}) in the head frame",
                            a.x, a.y, a.z, axis.x, axis.y, axis.z
                        ),
                    );
                }
            }
            let least_time = seconds(goal.min_duration.sec, goal.min_duration.nanosec);
            if !(least_time >= 0.0) {
                return refuse(
                    "min_duration",
                    format!("min_duration is {least_time} s; accepted: 0 or more"),
                );
            }
            let most_speed = goal.max_velocity;
            if !(most_speed >= 0.0 && most_speed.is_finite()) {
                return refuse(
                    "max_velocity",
                    format!(
                        "max_velocity is {most_speed} rad/s; accepted: above 0, or 0 for no limit"
                    ),
                );
            }
            let pace = Pace {
                least_time,
                most_speed,
            };
            Ok((point, pace))
        }

        fn reject(&self, request: ServiceRequest<action::SendGoal::Service>, refusal: &Refusal) {
            let (joint, reason) = (&self.joint, &refusal.sentence);
            self.refused
                .log(joint, &format!("{ACTION}: goal rejected: "), reason);
            let stamp = Time::default();
            self.check(request.respond(action::SendGoal::Response {
                accepted: false,
                stamp,
            }));
        }

        /// Takes the target resolver's answer to a goal.
        fn take(&mut self, answered: Pending) {
            let Pending {
                request,
                pace,
                answer,
            } = answered;
            let command = match answer {
                Ok(command) => command,
                // The refusal has already been counted.
                Err(refusal) => return self.reject(request, &refusal),
            };
            let now = self.clock.now();
            let mut least_time = pace.least_time;
            let snapshot = *self.snapshots.borrow();
            if pace.most_speed > 0.0
                && let Some(target) = in_force(&self.targets, snapshot.ended)
            {
                let way = target.aimed.configuration - snapshot.reference;
                least_time = least_time.max(way.norm() / pace.most_speed);
            }
            let stamp = time(self.clock.stamp_of(now));
            self.goals.push(Goal {
                id: request.message.goal_id.clone(),
                stamp: stamp.clone(),
                command,
                status: EXECUTING,
                until: now + PATIENCE + least_time,
                last_feedback: (self.clock.machine(), 0.0),
                holds: None,
                ended: None,
                waiting: Vec::new(),
            });
            self.check(request.respond(action::SendGoal::Response {
                accepted: true,
                stamp,
            }));
            self.publish_states();
            self.look_after();
        }

        /// Ends goals that are done, sends feedback for the others, and forgets goals that ended
        /// long ago.
        fn look_after(&mut self) {
            let now = self.clock.machine();
            let snapshot = *self.snapshots.borrow();
            let mut goals = std::mem::take(&mut self.goals);
            let mut changed = false;
            for goal in goals.iter_mut().filter(|g| g.ended.is_none()) {
                let end = self.end_of(goal, &snapshot);
                // The last feedback precedes the result.
                if end.is_some() || now - goal.last_feedback.0 >= FEEDBACK {
                    self.give_feedback(goal, &snapshot, now);
                }
                let Some((status, why)) = end else { continue };
                let joint = &self.joint;
                tracing::info!(joint, "{ACTION}: goal {}: {why}", goal.command);
                (goal.status, goal.ended) = (status, Some(now));
                changed = true;
                for request in goal.waiting.drain(..) {
                    self.check(request.respond(result(status)));
                }
            }
            goals.retain(|g| g.ended.is_none_or(|ended| now - ended < KEPT));
            let under_way = goals.iter().filter(|g| g.ended.is_none());
            self.sources.set_goals(under_way.count());
            self.goals = goals;
            if changed {
                self.publish_states();
            }
        }

        /// Returns final status and reason of a goal that has ended.
        fn end_of(&self, goal: &Goal, snapshot: &Snapshot) -> Option<(i8, String)> {
            let closing = self.phase.borrow().closing();
            if let Some((number, since)) = goal.holds {
                return if snapshot.has_answered(LoopRequest::Hold, number) {
                    Some((CANCELED, "cancelled; the joint holds".into()))
                } else if closing || self.clock.machine() - since > HOLD_PATIENCE {
                    let why = "cancelled, and the control loop does not answer";
                    Some((CANCELED, why.into()))
                } else {
                    None
                };
            }
            // Causes without success first: the goal may have ended between two checks.
            let target = in_force(&self.targets, snapshot.ended);
            let Some(target) = target.filter(|t| t.desired.command == goal.command) else {
                let why = "aborted: another command, a hold or an outage ended it";
                return Some((ABORTED, why.into()));
            };
            if closing {
                return Some((ABORTED, "aborted: the node is shutting down".into()));
            }
            if snapshot.settled == Some(goal.command) {
                let (_, outcome) = words(target.aimed.outcome);
                if target.aimed.outcome == Outcome::Reached {
                    return Some((SUCCEEDED, outcome.into()));
                }
                let left = target.aimed.residual.to_degrees();
                let why = format!("aborted: {outcome}; at least {left:.2} deg are left over");
                return Some((ABORTED, why));
            }
            (self.clock.now() > goal.until).then(|| {
                let why = format!("aborted: not settled {PATIENCE} s after its expected arrival");
                (ABORTED, why)
            })
        }

        /// Publishes the residual as feedback if there is a new one.
        fn give_feedback(&self, goal: &mut Goal, snapshot: &Snapshot, now: f64) {
            let residual = snapshot.residual;
            let new =
                residual.filter(|r| r.command == goal.command && r.stamp > goal.last_feedback.1);
            let Some(residual) = new else { return };
            goal.last_feedback = (now, residual.stamp);
            let feedback = action::Feedback {
                pointing_angle_error: residual.angle,
            };
            self.check(self.feedback.publish(&action::FeedbackMessage {
                goal_id: goal.id.clone(),
                feedback,
            }));
        }

        /// Cancels the goals meant by a request; the joint holds.
        fn cancel(&mut self, request: ServiceRequest<CancelGoal::Service>) {
            // An ended goal cannot be cancelled, and other commands must not be stopped.
            self.look_after();
            let now = self.clock.machine();
            let info = &request.message.goal_info;
            let nanoseconds = |t: &Time| i64::from(t.sec) * 1_000_000_000 + i64::from(t.nanosec);
            let id = Some(&info.goal_id).filter(|id| id.uuid.iter().any(|b| *b != 0));
            let before = Some(nanoseconds(&info.stamp)).filter(|t| *t != 0);
            // As in action_msgs/srv/CancelGoal: that goal, and all not later than the time;
            // neither: all.
            let meant = |goal: &Goal| {
                id == Some(&goal.id)
                    || before.is_some_and(|t| nanoseconds(&goal.stamp) <= t)
                    || (id.is_none() && before.is_none())
            };
            let mut goals_canceling = Vec::new();
            let mut number = None;
            for goal in self
                .goals
                .iter_mut()
                .filter(|g| g.ended.is_none() && meant(g))
            {
                if goal.holds.is_none() {
                    let number =
                        *number.get_or_insert_with(|| self.handle.request(LoopRequest::Hold));
                    goal.holds = Some((number, now));
                    goal.status = CANCELING;
                }
                goals_canceling.push(info_of(goal));
            }
            let known = |id: &UUID| self.goals.iter().any(|g| g.id == *id);
            let return_code = match id {
                Some(id) if goals_canceling.is_empty() && known(id) => {
                    CancelGoal::Response::ERROR_GOAL_TERMINATED as i8
                }
                Some(_) if goals_canceling.is_empty() => {
                    CancelGoal::Response::ERROR_UNKNOWN_GOAL_ID as i8
                }
                _ => CancelGoal::Response::ERROR_NONE as i8,
            };
            let response = CancelGoal::Response {
                return_code,
                goals_canceling,
            };
            self.check(request.respond(response));
            self.publish_states();
        }

        /// Answers a request for a result, or keeps it until there is one.
        fn give_result(&mut self, request: ServiceRequest<action::GetResult::Service>) {
            let id = &request.message.goal_id;
            let goal = self.goals.iter_mut().find(|g| g.id == *id);
            let status = match goal {
                Some(goal) if goal.ended.is_none() => return goal.waiting.push(request),
                Some(goal) => goal.status,
                None => UNKNOWN,
            };
            self.check(request.respond(result(status)));
        }

        fn publish_states(&self) {
            let list = self.goals.iter().map(|goal| GoalStatus {
                goal_info: info_of(goal),
                status: goal.status,
            });
            let status_list = list.collect();
            self.check(self.states.publish(&GoalStatusArray { status_list }));
        }

        fn check(&self, sent: r2r::Result<()>) {
            if let Err(error) = sent {
                let joint = &self.joint;
                tracing::warn!(joint, "{ACTION}: a message could not be sent: {error}");
            }
        }
    }

    fn seconds(sec: i32, nanosec: u32) -> f64 {
        f64::from(sec) + 1e-9 * f64::from(nanosec)
    }

    fn result(status: i8) -> action::GetResult::Response {
        let result = action::Result {};
        action::GetResult::Response { status, result }
    }

    fn info_of(goal: &Goal) -> GoalInfo {
        GoalInfo {
            goal_id: goal.id.clone(),
            stamp: goal.stamp.clone(),
        }
    }
}

#[cfg(not(has_control_msgs))]
mod graph {
    use futures::stream::{BoxStream, StreamExt, pending};
    use r2r::Node;

    use crate::ros::server::JointContext;
    use crate::ros::server::aim::TargetMessage;

    /// A stub: the sourced ROS has no control_msgs.
    pub struct PointHead;

    /// An empty set of requests.
    pub struct Requests;

    impl PointHead {
        /// Logs that the action is not served.
        pub fn new(
            _: &mut Node,
            context: &JointContext,
        ) -> r2r::Result<(Self, Requests, BoxStream<'static, TargetMessage>)> {
            let joint = &context.name;
            tracing::info!(
                joint,
                "this ROS has no control_msgs: the action ~/point_head is not served; use \
                 ~/gaze_point"
            );
            Ok((Self, Requests, pending().boxed()))
        }

        /// Returns at once.
        pub async fn run(self, _: Requests) {}
    }
}

pub use graph::PointHead;

//! Target resolver: turns poses and points in any known frame into configurations, with one data
//! flow for all targets. A moving frame or a stream of targets is followed until the next command.
//!
//! It runs beside the subscriptions, which never wait for it: the search for the best configuration
//! of an unreachable point takes milliseconds.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use futures::stream::{BoxStream, StreamExt};
use nalgebra::{Isometry3, Point3};
use r2r::builtin_interfaces::msg::Time;
use r2r::geometry_msgs::msg::{PointStamped, PoseStamped};
use tokio::sync::{mpsc, oneshot, watch};

use super::Phase;
use super::lifecycle::Lifecycle;
use super::refused::Refused;
use super::snapshot::Snapshot;
use super::sources::{SharedSources, Source, SourceTopics};
use super::subscriptions::Judged;
use super::target::InForce;
use super::topic::Topic;
use crate::control::aim::{Aim, Target};
use crate::control::frames::{At, LookupError, TransformBuffer};
use crate::control::geometry::Configuration;
use crate::control::tick::Desired;
use crate::control::track::{LONGEST_GAP, Motion, SHORTEST_GAP, Track};
use crate::files::Frames;
use crate::ros::messages::{Refusal, read_point, read_pose, refuse};
use crate::runtime::link::{Handle, LoopRequest};
use crate::runtime::locked;
use crate::runtime::rt::Clock;

/// Max. wait of a target for a transform of its time, which arrives later when both come from one
/// sensor, s of loop time: transforms stand still with it.
const PATIENCE: f64 = 0.5;
/// Max. number of waiting targets: a stream of 100 Hz in a frame with late transforms.
const MOST_WAITING: usize = 64;
/// Max. age of the newest transform for a target without a stamp, s: beyond it the sender has gone.
const STALE: f64 = 1.0;
/// Min. time between two updates from a moving frame, s: faster than a head can follow.
const OFTEN: f64 = 0.01;
/// Time for which a search starts from the last solution, s; afterwards from the joint's reference.
const RECENT: f64 = 0.5;
/// Max. distance of two targets of one time that count as the same target sent twice, rad: the step
/// of a stream at 100 Hz.
const SENT_TWICE: f64 = 0.02;
/// Max. age of a sample up to which its motion is extrapolated to the present, s.
const LATEST: f64 = 0.4;
/// Range of stamps around the clock that can time a stream, s behind and ahead.
const ABOUT_NOW: (f64, f64) = (1.0, 0.1);

/// A target command.
#[derive(Debug)]
pub struct Command {
    /// Target in coordinates of `frame`.
    pub target: Target,
    /// Frame of the target.
    pub frame: String,
    /// Stamp of the target; zero: not set.
    pub stamp: Time,
    pub topic: Topic,
    pub source: Source,
    /// Requested limits on the speed of the motion.
    pub pace: Pace,
    /// Receives the command's number, or the reason of a refusal.
    pub answer: Option<Answer>,
}

pub type Answer = oneshot::Sender<Result<u64, Refusal>>;

/// Requested limits on the speed of a motion.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Pace {
    /// Min. duration, s; 0: none.
    pub least_time: f64,
    /// Max. speed of the head, rad/s; 0: none.
    pub most_speed: f64,
}

/// Min. share of the reference's speed: a long motion takes an hour.
const SLOWEST: f64 = 1e-4;

impl Pace {
    /// Returns the share of the reference's max. speeds (rad/s of bend and of pan) for a motion
    /// between two configurations.
    fn share(self, from: Configuration, to: Configuration, speeds: (f64, f64)) -> f64 {
        let way = to - from;
        let mut own = way.xy().norm() / speeds.0;
        if speeds.1 > 0.0 {
            own = own.max(way.z.abs() / speeds.1);
        }
        let mut requested = self.least_time;
        if self.most_speed > 0.0 {
            requested = requested.max(way.norm() / self.most_speed);
        }
        if requested > own {
            (own / requested).max(SLOWEST)
        } else {
            1.0
        }
    }
}

/// An input of the target resolver.
#[derive(Debug)]
pub enum TargetMessage {
    /// A pose, and the kind of its topic.
    Pose(PoseStamped, SourceTopics),
    /// A point to look at, and the kind of its topic.
    Point(PointStamped, SourceTopics),
    /// A command that expects an answer.
    #[cfg_attr(
        not(has_control_msgs),
        expect(dead_code, reason = "only the action sends requests")
    )]
    Request(Command),
    /// New transforms are in the buffer.
    #[cfg_attr(
        not(has_tf2_msgs),
        expect(dead_code, reason = "only tf sends transforms")
    )]
    Transforms,
}

/// The transform buffer, shared by its writers and readers.
pub type SharedTree = Arc<Mutex<TransformBuffer>>;

/// Turns targets into desired configurations.
pub struct TargetResolver {
    pub joint: String,
    pub clock: Clock,
    pub frames: Frames,
    pub aim: Aim,
    /// Max. speeds of the reference at start, rad/s of bend and of pan.
    pub speeds: (f64, f64),
    pub snapshots: watch::Receiver<Snapshot>,
    pub lifecycle: watch::Receiver<Lifecycle>,
    pub phase: watch::Receiver<Phase>,
    pub sources: Arc<SharedSources>,
    pub refused: Arc<Refused>,
    pub tree: SharedTree,
    /// Handle of the loop, which counts hold requests.
    pub handle: Handle,
    /// Sends the target in force.
    pub out: watch::Sender<Option<InForce>>,
    /// Sends judged commands to the subscriptions, after their results.
    pub judged: mpsc::UnboundedSender<Judged>,
}

/// A target in force, in coordinates of its frame.
#[derive(Debug)]
struct Followed {
    target: Target,
    origin: Origin,
    /// Stamp of the transform used last, s.
    stamp: f64,
    /// Time from which the frame is followed, s: the next target of a stream arrives before that.
    from: f64,
    pace: f64,
}

/// Origin of a command.
#[derive(Clone, Debug)]
struct Origin {
    command: u64,
    topic: Topic,
    source: String,
    /// Frame in which the target was given.
    frame: String,
}

/// A command whose transform has not arrived yet.
struct Waiting {
    command: Command,
    until: f64,
    /// Number of hold requests at its arrival.
    holds: u64,
    /// Number of clock steps at its arrival.
    steps: u64,
}

/// A target located in the base frame.
struct Located {
    target: Target,
    /// Time at which it was there, loop time, s.
    at: f64,
    /// True if the transform moves and is to be followed.
    follow: bool,
}

struct Aiming {
    resolver: TargetResolver,
    track: Track,
    followed: Option<Followed>,
    /// Oldest first, at most [`MOST_WAITING`].
    waiting: VecDeque<Waiting>,
    /// Time of the last accepted command, s.
    taken: f64,
    /// Time of the next update from a followed frame, if one has just been made, s.
    again: Option<f64>,
    command: u64,
    sequence: u64,
    /// Last solution and its time, s.
    last: Option<(Configuration, f64)>,
    /// Last sample of the track: configuration, stamp, and resulting motion.
    sampled: Option<(Configuration, f64, Option<Motion>)>,
}

impl TargetResolver {
    /// Receives until the stream ends.
    pub async fn run(self, mut messages: BoxStream<'static, TargetMessage>) {
        let mut snapshots = self.snapshots.clone();
        let mut aiming = Aiming {
            resolver: self,
            track: Track::new(),
            followed: None,
            waiting: VecDeque::new(),
            taken: f64::NEG_INFINITY,
            again: None,
            command: 0,
            sequence: 0,
            last: None,
            sampled: None,
        };
        loop {
            let until = aiming.next_time();
            let wait = async {
                match until {
                    Some(seconds) => tokio::time::sleep(Duration::from_secs_f64(seconds)).await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                next = messages.next() => match next {
                    Some(message) => aiming.take(message),
                    None => return,
                },
                // The head's own transforms arrive without a message.
                Ok(()) = snapshots.changed(), if !aiming.waiting.is_empty() => {}
                () = wait => {}
            }
            aiming.go_on();
        }
    }
}

impl Aiming {
    fn now(&self) -> f64 {
        self.resolver.clock.now()
    }

    /// Returns the time until the next action is due, s.
    fn next_time(&self) -> Option<f64> {
        let now = self.now();
        let waiting = self.waiting.front().map(|w| w.until);
        let due = [waiting, self.again].into_iter().flatten();
        let due = due.reduce(f64::min)?;
        Some((due - now).max(0.0))
    }

    fn take(&mut self, message: TargetMessage) {
        let (topic, read, header, topics) = match message {
            TargetMessage::Pose(m, topics) => {
                let read = read_pose(&m).map(Target::Pose);
                (Topic::DesiredPose, read, m.header, topics)
            }
            TargetMessage::Point(m, topics) => {
                let read = read_point(&m).map(Target::Point);
                (Topic::GazePoint, read, m.header, topics)
            }
            TargetMessage::Request(command) => {
                let topic = command.topic;
                self.command(command);
                return self.judged(topic, Time::default());
            }
            TargetMessage::Transforms => return,
        };
        let stamp = header.stamp.clone();
        match read {
            Ok(target) => self.command(Command {
                target,
                frame: bare(header.frame_id),
                stamp: header.stamp,
                topic,
                source: self.resolver.sources.source(topic, topics),
                pace: Pace::default(),
                answer: None,
            }),
            Err(refusal) => self.refuse(topic, refusal, None),
        }
        self.judged(topic, stamp);
    }

    fn judged(&self, topic: Topic, stamp: Time) {
        // The subscriptions live as long as this task.
        let _ = self.resolver.judged.send((topic, stamp));
    }

    /// Counts a refusal, and sends it to the client if it expects an answer.
    fn refuse(&self, topic: Topic, refusal: Refusal, answer: Option<Answer>) {
        let TargetResolver { joint, refused, .. } = &self.resolver;
        let Some(answer) = answer else {
            return refused.count_and_log(joint, topic, &refusal);
        };
        refused.count(topic, &refusal);
        // A client that has gone needs no answer; one that exists logs it.
        let _ = answer.send(Err(refusal));
    }

    /// Checks if a command may come now; returns the number of hold requests before it.
    fn admit(&self, command: &Command) -> Result<u64, Refusal> {
        let resolver = &self.resolver;
        if resolver.phase.borrow().closing() {
            let sentence = "the node is shutting down; accepted: nothing more";
            return refuse("closing", sentence.into());
        }
        let holds = resolver.handle.requests(LoopRequest::Hold);
        if !resolver.handle.active() {
            resolver.sources.forget(holds);
            let state = resolver.lifecycle.borrow().state.label();
            let sentence = format!(
                "the node is {state}, and the joint is not driven; accepted: commands to an active \
                 node (withy transition activate)"
            );
            return refuse("not_active", sentence);
        }
        if matches!(command.target, Target::Point(_)) && !resolver.aim.sees() {
            let sentence =
                "a point to look at, but the joint file has no key camera; accepted: poses";
            return refuse("no_camera", sentence.into());
        }
        let sources = &resolver.sources;
        if let Some(warning) = sources.judge(&command.source, self.now(), holds)? {
            let (joint, topic) = (&resolver.joint, command.topic.name());
            tracing::warn!(
                joint,
                "{topic}: {warning} (logged once; /diagnostics keeps reporting it)"
            );
        }
        Ok(holds)
    }

    fn command(&mut self, command: Command) {
        let holds = match self.admit(&command) {
            Ok(holds) => holds,
            Err(refusal) => return self.refuse(command.topic, refusal, command.answer),
        };
        // Earlier commands first.
        self.wait_on();
        match self.locate(&command) {
            Ok(located) => {
                self.overtaken(self.waiting.len());
                self.accept(command, &located);
            }
            Err(Lookup::Later(_)) => {
                self.overtaken((self.waiting.len() + 1).saturating_sub(MOST_WAITING));
                self.waiting.push_back(Waiting {
                    command,
                    until: self.now() + PATIENCE,
                    holds,
                    steps: self.resolver.clock.steps(),
                });
            }
            Err(Lookup::Never(refusal)) => self.refuse(command.topic, refusal, command.answer),
        }
    }

    /// Continues with waiting and moving targets.
    fn go_on(&mut self) {
        self.wait_on();
        self.follow();
    }

    /// Takes waiting commands whose transforms have arrived, in order of arrival.
    fn wait_on(&mut self) {
        let mut place = 0;
        while let Some(waiting) = self.waiting.get(place) {
            let found = if waiting.steps != self.resolver.clock.steps() {
                Err(Lookup::Never(Refusal {
                    reason: "clock_jumped",
                    sentence: "the clock jumped while the target waited for its transform".into(),
                }))
            } else if waiting.holds == self.resolver.handle.requests(LoopRequest::Hold) {
                self.locate(&waiting.command)
            } else {
                // A hold applies to commands that came before it.
                Err(Lookup::Never(Refusal {
                    reason: "held",
                    sentence: "a hold was requested while the target waited for its transform"
                        .into(),
                }))
            };
            let refusal = match found {
                Ok(located) => {
                    self.overtaken(place);
                    place = 0;
                    if let Some(waiting) = self.waiting.pop_front() {
                        self.accept(waiting.command, &located);
                    }
                    continue;
                }
                Err(Lookup::Later(_)) if self.now() < waiting.until => {
                    place += 1;
                    continue;
                }
                Err(Lookup::Later(refusal) | Lookup::Never(refusal)) => refusal,
            };
            if let Some(waiting) = self.waiting.remove(place) {
                self.refuse(waiting.command.topic, refusal, waiting.command.answer);
            }
        }
    }

    /// Refuses the oldest `count` waiting commands: a newer one replaces them.
    fn overtaken(&mut self, count: usize) {
        for _ in 0..count {
            let Some(old) = self.waiting.pop_front() else {
                return;
            };
            let refusal = Refusal {
                reason: "overtaken",
                sentence: "a newer target came while the target waited for its transform".into(),
            };
            self.refuse(old.command.topic, refusal, old.command.answer);
        }
    }

    /// Updates the target from the frame that is followed.
    fn follow(&mut self) {
        let Some(followed) = &self.followed else {
            return;
        };
        let over = self.resolver.snapshots.borrow().ended >= Some(followed.origin.command);
        let closing = self.resolver.phase.borrow().closing();
        if over || closing || self.carried(&followed.origin.frame) {
            (self.followed, self.again) = (None, None);
            return;
        }
        let now = self.now();
        if now < followed.from {
            self.again = Some(followed.from);
            return;
        }
        if self.again.is_some_and(|again| now < again) {
            return;
        }
        self.again = None;
        let base = &self.resolver.frames.base;
        let found = self.tree().lookup(base, &followed.origin.frame, At::Newest);
        let Ok(found) = found else { return };
        if !(found.stamp > followed.stamp) {
            return;
        }
        let target = turned(&followed.target, &found.transform);
        let (pace, origin) = (followed.pace, followed.origin.clone());
        if let Some(followed) = &mut self.followed {
            followed.stamp = found.stamp;
        }
        self.again = Some(now + OFTEN);
        let pace = Paced::At(pace);
        self.send(&target, found.stamp, origin, pace);
    }

    fn tree(&self) -> MutexGuard<'_, TransformBuffer> {
        locked(&self.resolver.tree)
    }

    /// Returns true if the head carries the frame: a target in it would move away from the head
    /// forever.
    fn carried(&self, frame: &str) -> bool {
        let own = &self.resolver.frames;
        self.tree().passes(&own.base, frame, &own.head)
    }

    /// Returns the loop time of a stamp, s; `None` if it is not set.
    fn time_of(&self, stamp: &Time) -> Option<f64> {
        let set = stamp.sec != 0 || stamp.nanosec != 0;
        set.then(|| self.resolver.clock.time_of(stamp.sec, stamp.nanosec))
    }

    /// Locates a command's target in the base frame, at its stamp.
    fn locate(&self, command: &Command) -> Result<Located, Lookup> {
        let now = self.now();
        let stamp = self.time_of(&command.stamp);
        let about_now = now - ABOUT_NOW.0..=now + ABOUT_NOW.1;
        let standing = stamp.filter(|s| about_now.contains(s)).unwrap_or(now);
        let base = &self.resolver.frames.base;
        if command.frame.is_empty() {
            // The bindings give an empty text for one that is not UTF-8: it is not known which.
            return Err(Lookup::Never(Refusal {
                reason: "no_frame",
                sentence: format!(
                    "frame_id is empty or not UTF-8; accepted: {}",
                    any_frame(base)
                ),
            }));
        }
        if command.frame == *base {
            return Ok(Located {
                target: command.target,
                at: standing,
                follow: false,
            });
        }
        let at = stamp.map_or(At::Newest, At::Time);
        let found = self.tree().lookup(base, &command.frame, at);
        let found = found.map_err(|error| match error {
            LookupError::TooNew { .. } => Lookup::Later(refused(&error, base)),
            error => Lookup::Never(refused(&error, base)),
        })?;
        let age = now - found.stamp;
        if stamp.is_none() && found.moving && age > STALE {
            return Err(Lookup::Never(Refusal {
                reason: "too_old",
                sentence: format!(
                    "the newest transform of frame {:?} is {age:.2} s old; accepted for a target \
                     without a stamp: at most {STALE} s",
                    command.frame
                ),
            }));
        }
        Ok(Located {
            target: turned(&command.target, &found.transform),
            at: if found.moving { found.stamp } else { standing },
            follow: found.moving && !self.carried(&command.frame),
        })
    }

    fn accept(&mut self, command: Command, located: &Located) {
        let Command {
            target,
            frame,
            topic,
            source,
            pace,
            answer,
            ..
        } = command;
        self.again = None;
        self.command += 1;
        let number = self.command;
        // Between two targets of a stream the frame is not followed: the next target gives the new
        // position.
        let now = self.now();
        let streams = now - self.taken <= LONGEST_GAP;
        self.taken = now;
        self.resolver.sources.take(&source, now);
        let origin = Origin {
            command: number,
            topic,
            source: source.to_string(),
            frame,
        };
        let pace = Paced::By(pace);
        let pace = self.send(&located.target, located.at, origin.clone(), pace);
        self.followed = located.follow.then_some(Followed {
            target,
            origin,
            stamp: located.at,
            from: if streams { now + LONGEST_GAP } else { now },
            pace,
        });
        if let Some(answer) = answer {
            let _ = answer.send(Ok(number));
        }
    }

    /// Solves a target that was in the base frame at loop time `at`, and sends the result. Returns
    /// the pace.
    fn send(&mut self, target: &Target, at: f64, origin: Origin, pace: Paced) -> f64 {
        let now = self.now();
        let reference = self.resolver.snapshots.borrow().reference;
        let present = match self.last {
            Some((configuration, when)) if now - when < RECENT => configuration,
            _ => reference,
        };
        // Points have been refused if there is no camera.
        let Some(aimed) = self.resolver.aim.solve(target, present) else {
            return 1.0;
        };
        self.last = Some((aimed.configuration, now));
        let motion = self.motion(aimed.configuration, at, now);
        self.sequence += 1;
        let pace = match pace {
            Paced::At(share) => share,
            Paced::By(pace) => pace.share(reference, aimed.configuration, self.resolver.speeds),
        };
        let desired = Desired {
            configuration: aimed.configuration,
            motion,
            continues: motion.is_some(),
            pace,
            command: origin.command,
            sequence: self.sequence,
        };
        self.resolver.out.send_replace(Some(InForce {
            desired,
            topic: origin.topic,
            source: origin.source,
            frame: origin.frame,
            target: *target,
            aimed,
        }));
        pace
    }
}

impl Aiming {
    /// Returns the motion of a target that was at `configuration` at loop time `at` and arrives
    /// `now`, if known.
    fn motion(&mut self, configuration: Configuration, at: f64, now: f64) -> Option<Motion> {
        if let Some((last, when, motion)) = self.sampled
            && (at - when).abs() < SHORTEST_GAP
            && (configuration - last).norm() < SENT_TWICE
        {
            return motion;
        }
        // If stamps do not rise, the time of arrival is used.
        let track = &mut self.track;
        let sample = track.sample(configuration, at);
        let sample = sample.or_else(|_| track.sample(configuration, now));
        let mut motion = sample.ok().flatten();
        if let Some(motion) = &mut motion {
            // A late sample will be followed by late ones: only the absence of the next one ends a
            // stream.
            motion.until += (now - motion.stamp).clamp(0.0, LATEST);
        }
        self.sampled = Some((configuration, at, motion));
        motion
    }
}

/// The pace of a sample: already found for its command, or still to be found.
enum Paced {
    At(f64),
    By(Pace),
}

/// The reason why a target is not located in the base frame.
enum Lookup {
    /// Its transform may still arrive; the refusal if it does not.
    Later(Refusal),
    Never(Refusal),
}

/// Returns a frame's name without leading '/', as in the transform buffer.
fn bare(name: String) -> String {
    name.trim_start_matches('/').to_string()
}

fn any_frame(base: &str) -> String {
    format!("'{base}', or a frame that /tf or fixed_frames connect to it")
}

fn refused(error: &LookupError, base: &str) -> Refusal {
    let accepted = match error {
        LookupError::TooOld { .. } | LookupError::TooNew { .. } => {
            "a stamp within its transforms, or none for the newest".into()
        }
        _ => any_frame(base),
    };
    Refusal {
        reason: error.word(),
        sentence: format!("{error}; accepted: {accepted}"),
    }
}

/// Returns the target in the parent frame of `transform`.
fn turned(target: &Target, transform: &Isometry3<f64>) -> Target {
    match target {
        Target::Pose(q) => Target::Pose(transform.rotation * q),
        Target::Point(p) => Target::Point((transform * Point3::from(*p)).coords),
    }
}

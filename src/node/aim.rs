//! Targets in: poses and points in any frame that is known become configurations, one lane for all of them. What moves, a
//! frame or a stream of targets, is followed until the next command.
//!
//! It runs beside the subscriptions, which never waits for it: looking for the best configuration of a point that cannot be
//! reached takes milliseconds.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use futures::stream::{BoxStream, StreamExt};
use nalgebra::{Isometry3, Point3};
use r2r::builtin_interfaces::msg::Time;
use r2r::geometry_msgs::msg::{PointStamped, PoseStamped};
use tokio::sync::{mpsc, oneshot, watch};

use super::messages::{Refusal, read_point, read_pose};
use super::sources::{Lane, Source, Topic};
use super::status::{InForce, Status};
use super::subscriptions::Judged;
use crate::aim::{Aim, Target};
use crate::config::Frames;
use crate::frames::{At, LookupError, TransformBuffer};
use crate::geometry::Configuration;
use crate::link::{Handle, LoopRequest};
use crate::rt::Clock;
use crate::tick::Desired;
use crate::track::{LONGEST_GAP, Motion, SHORTEST_GAP, Track};

/// How long a target waits for a transform of its time, which comes after it when both come from one sensor, s of loop
/// time: transforms stand still with it.
const PATIENCE: f64 = 0.5;
/// Most targets that wait for transforms: a stream of 100 Hz in a frame whose transforms come late.
const MOST_WAITING: usize = 64;
/// Age of the newest transform beyond which a target without a stamp is refused, s: whoever tells it has gone.
const STALE: f64 = 1.0;
/// Least time between two looks at a moving frame, s: more often than a head can follow.
const OFTEN: f64 = 0.01;
/// How long the last answer is where a search begins, s; after it the joint's reference is.
const RECENT: f64 = 0.5;
/// How far apart two targets of one time may be to be one told twice, rad: a stream's step at 100 Hz.
const TOLD_TWICE: f64 = 0.02;
/// Age of a sample up to which the motion is carried on to the present, s.
const LATEST: f64 = 0.4;
/// How far a stamp may lie from the clock, s behind and ahead, and still time a stream.
const ABOUT_NOW: (f64, f64) = (1.0, 0.1);

/// A target from the graph.
#[derive(Debug)]
pub struct Command {
    /// In coordinates of `frame`.
    pub target: Target,
    /// Empty: the base frame.
    pub frame: String,
    /// Of the target; zero: not set.
    pub stamp: Time,
    /// Where it came in.
    pub topic: &'static str,
    /// Whose it is.
    pub source: Source,
    /// How slow it has to go at least.
    pub pace: Pace,
    /// Who wants to know what came of it: the command's number, or the reason why not.
    pub answer: Option<oneshot::Sender<Result<u64, String>>>,
}

/// How slow a motion has to be at least.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Pace {
    /// Least time that it takes, s; 0: none.
    pub least_time: f64,
    /// Greatest speed of the head, rad/s; 0: none.
    pub most_speed: f64,
}

/// Least share of the reference's speed that is used: a long way in an hour.
const SLOWEST: f64 = 1e-4;

impl Pace {
    /// Share of the reference's greatest speeds (rad/s of bend and of pan) for the way between two configurations.
    fn share(self, from: Configuration, to: Configuration, speeds: (f64, f64)) -> f64 {
        let way = to - from;
        let mut own = way.xy().norm() / speeds.0;
        if speeds.1 > 0.0 {
            own = own.max(way.z.abs() / speeds.1);
        }
        let mut asked = self.least_time;
        if self.most_speed > 0.0 {
            asked = asked.max(way.norm() / self.most_speed);
        }
        if asked > own {
            (own / asked).max(SLOWEST)
        } else {
            1.0
        }
    }
}

/// What comes in.
#[derive(Debug)]
pub enum Asked {
    /// A pose, and whose topic it came on.
    Pose(PoseStamped, Lane),
    /// A point to look at, likewise.
    Point(PointStamped, Lane),
    /// A request that wants an answer.
    #[cfg_attr(
        not(has_control_msgs),
        expect(dead_code, reason = "only the action asks")
    )]
    Request(Command),
    /// Transforms have come, and stand in the tree.
    #[cfg_attr(not(has_tf2_msgs), expect(dead_code, reason = "only tf tells"))]
    Transforms,
}

/// The transforms known, shared by those who tell and those who ask.
pub type SharedTree = Arc<Mutex<TransformBuffer>>;

/// Turns targets into desired configurations.
pub struct TargetResolver {
    /// Name of the joint's node, for logs.
    pub joint: String,
    /// The clock.
    pub clock: Clock,
    /// The joint's frames.
    pub frames: Frames,
    /// What finds configurations.
    pub aim: Aim,
    /// Greatest speeds of the reference at start, rad/s of bend and of pan.
    pub speeds: (f64, f64),
    /// What other threads see.
    pub status: Arc<Status>,
    /// The transforms known.
    pub tree: SharedTree,
    /// Knows the requests to hold.
    pub handle: Handle,
    /// To the subscriptions.
    pub out: watch::Sender<Option<Desired>>,
    /// Likewise: the commands that have been judged, after what came of them.
    pub judged: mpsc::UnboundedSender<Judged>,
}

/// A target under way, in coordinates of its frame.
#[derive(Debug)]
struct Followed {
    target: Target,
    origin: Origin,
    /// Stamp of the transform used last.
    stamp: f64,
    /// From when on it is followed: the next of a stream comes before that.
    from: f64,
    pace: f64,
}

/// Where a command comes from.
#[derive(Clone, Debug)]
struct Origin {
    /// Its number.
    command: u64,
    topic: &'static str,
    source: String,
    /// The frame that it was told in.
    frame: String,
}

/// A command whose transform has not come yet.
struct Waiting {
    command: Command,
    until: f64,
    /// Requests to hold that had been made when it came.
    holds: u64,
    /// Steps of the clock until it came.
    steps: u64,
}

/// A target found in the base frame.
struct Located {
    target: Target,
    /// When it was there, loop time.
    at: f64,
    /// Whether the transform moves, and is to be followed.
    follow: bool,
}

struct Aiming {
    aimer: TargetResolver,
    track: Track,
    followed: Option<Followed>,
    /// Oldest first, at most [`MOST_WAITING`].
    waiting: VecDeque<Waiting>,
    /// When a command was taken last.
    taken: f64,
    /// When a moving frame may be looked at again, if one is followed and has been looked at just now.
    again: Option<f64>,
    command: u64,
    sequence: u64,
    /// The last answer and when it was given.
    last: Option<(Configuration, f64)>,
    /// The last sample of the track: where, when by its stamp, and the motion that it made.
    sampled: Option<(Configuration, f64, Option<Motion>)>,
}

impl TargetResolver {
    /// Receives until the stream ends.
    pub async fn run(self, mut asked: BoxStream<'static, Asked>) {
        let mut aiming = Aiming {
            aimer: self,
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
                next = asked.next() => match next {
                    Some(asked) => aiming.take(asked),
                    None => return,
                },
                () = wait => {}
            }
            aiming.go_on();
        }
    }
}

impl Aiming {
    fn now(&self) -> f64 {
        self.aimer.clock.now()
    }

    /// Time until something is due, s.
    fn next_time(&self) -> Option<f64> {
        let now = self.now();
        // The head's own transforms come unannounced.
        let waiting = self.waiting.front().map(|w| w.until.min(now + OFTEN));
        let due = [waiting, self.again].into_iter().flatten();
        let due = due.reduce(f64::min)?;
        Some((due - now).max(0.0))
    }

    fn take(&mut self, asked: Asked) {
        let source = |topic, lane| self.aimer.status.sources.source(topic, lane);
        let stamp = match &asked {
            Asked::Pose(m, _) => m.header.stamp.clone(),
            Asked::Point(m, _) => m.header.stamp.clone(),
            Asked::Request(_) | Asked::Transforms => Time::default(),
        };
        let (topic, command) = match asked {
            Asked::Pose(m, lane) => (
                Topic::Pose.name(),
                read_pose(&m).map(|q| Command {
                    target: Target::Pose(q),
                    frame: bare(m.header.frame_id),
                    stamp: m.header.stamp,
                    topic: Topic::Pose.name(),
                    source: source(Topic::Pose, lane),
                    pace: Pace::default(),
                    answer: None,
                }),
            ),
            Asked::Point(m, lane) => (
                Topic::Point.name(),
                read_point(&m).map(|p| Command {
                    target: Target::Point(p),
                    frame: bare(m.header.frame_id),
                    stamp: m.header.stamp,
                    topic: Topic::Point.name(),
                    source: source(Topic::Point, lane),
                    pace: Pace::default(),
                    answer: None,
                }),
            ),
            Asked::Request(command) => (command.topic, Ok(command)),
            Asked::Transforms => return,
        };
        match command {
            Ok(command) => self.command(command),
            Err(refusal) => self.refuse(topic, &refusal, None),
        }
        // The subscriptions lives as long as this.
        let _ = self.aimer.judged.send((topic, stamp));
    }

    /// Counts a refusal, and tells who asked.
    fn refuse(
        &self,
        topic: &'static str,
        refusal: &Refusal,
        answer: Option<oneshot::Sender<Result<u64, String>>>,
    ) {
        let status = &self.aimer.status;
        let Some(answer) = answer else {
            status.refused.tell(&self.aimer.joint, topic, refusal);
            return;
        };
        status.refused.count(topic, refusal);
        // Who has gone needs no answer; who is there logs it.
        let _ = answer.send(Err(refusal.sentence.clone()));
    }

    fn command(&mut self, command: Command) {
        if self.aimer.status.closing() {
            let refusal = Refusal {
                reason: "closing",
                sentence: "the node is coming to its end; accepted: nothing more".into(),
            };
            self.refuse(command.topic, &refusal, command.answer);
            return;
        }
        if !self.aimer.handle.active() {
            let state = self.aimer.status.lifecycle().state.label();
            let refusal = Refusal {
                reason: "not_active",
                sentence: format!(
                    "the node is {state}, and the joint is not driven; accepted: commands to an active one (withy transition activate)"
                ),
            };
            let holds = self.aimer.handle.asked(LoopRequest::Hold);
            self.aimer.status.sources.forget(holds);
            self.refuse(command.topic, &refusal, command.answer);
            return;
        }
        if matches!(command.target, Target::Point(_)) && !self.aimer.aim.sees() {
            let refusal = Refusal {
                reason: "no_camera",
                sentence:
                    "a point to look at, and the joint file has no key camera; accepted: poses"
                        .into(),
            };
            self.refuse(command.topic, &refusal, command.answer);
            return;
        }
        let (status, now) = (&self.aimer.status, self.now());
        let holds = self.aimer.handle.asked(LoopRequest::Hold);
        let under_way = status.goal_under_way();
        match status.sources.judge(&command.source, now, holds, under_way) {
            Ok(None) => {}
            Ok(Some(told)) => {
                let (joint, topic) = (&self.aimer.joint, command.topic);
                tracing::warn!(
                    joint,
                    "{topic}: {told} (said once; /diagnostics goes on to tell)"
                );
            }
            Err(refusal) => return self.refuse(command.topic, &refusal, command.answer),
        }
        // Those before it first.
        self.wait_on();
        match self.locate(&command) {
            Ok(located) => {
                self.overtaken(self.waiting.len());
                self.accept(command, &located);
            }
            Err(Lookup::Later(_)) => {
                self.overtaken((self.waiting.len() + 1).saturating_sub(MOST_WAITING));
                let until = self.now() + PATIENCE;
                self.waiting.push_back(Waiting {
                    command,
                    until,
                    holds,
                    steps: self.aimer.clock.steps(),
                });
            }
            Err(Lookup::Never(refusal)) => self.refuse(command.topic, &refusal, command.answer),
        }
    }

    /// Goes on with what waits and with what moves.
    fn go_on(&mut self) {
        self.wait_on();
        self.follow();
    }

    /// Takes what has waited long enough, in the order in which it came.
    fn wait_on(&mut self) {
        let mut place = 0;
        while let Some(waiting) = self.waiting.get(place) {
            let found = if waiting.steps != self.aimer.clock.steps() {
                Err(Lookup::Never(Refusal {
                    reason: "clock_jumped",
                    sentence: "the clock jumped while it waited for its transform".into(),
                }))
            } else if waiting.holds == self.aimer.handle.asked(LoopRequest::Hold) {
                self.locate(&waiting.command)
            } else {
                // A hold is for what was asked before it.
                Err(Lookup::Never(Refusal {
                    reason: "held",
                    sentence: "a request to hold came while it waited for its transform".into(),
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
                self.refuse(waiting.command.topic, &refusal, waiting.command.answer);
            }
        }
    }

    /// Refuses the oldest `count` that wait: a newer one takes their place.
    fn overtaken(&mut self, count: usize) {
        for _ in 0..count {
            let Some(old) = self.waiting.pop_front() else {
                return;
            };
            let refusal = Refusal {
                reason: "overtaken",
                sentence: "a newer target came while it waited for its transform".into(),
            };
            self.refuse(old.command.topic, &refusal, old.command.answer);
        }
    }

    /// Looks where the frame that is followed has gone.
    fn follow(&mut self) {
        let Some(followed) = &self.followed else {
            return;
        };
        let over = self.aimer.status.ended() >= Some(followed.origin.command);
        if over || self.aimer.status.closing() || self.carried(&followed.origin.frame) {
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
        let base = &self.aimer.frames.base;
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

    fn tree(&self) -> std::sync::MutexGuard<'_, TransformBuffer> {
        // Every insertion is whole: a panic elsewhere leaves nothing half done.
        self.aimer
            .tree
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether the head carries a frame: what is told in it would run away from the head for ever.
    fn carried(&self, frame: &str) -> bool {
        let own = &self.aimer.frames;
        self.tree().passes(&own.base, frame, &own.head)
    }

    /// Loop time of a stamp, `None` if it was not set.
    fn time_of(&self, stamp: &Time) -> Option<f64> {
        let set = stamp.sec != 0 || stamp.nanosec != 0;
        set.then(|| self.aimer.clock.time_of(stamp.sec, stamp.nanosec))
    }

    /// Finds a command's target in the base frame, at its stamp.
    fn locate(&self, command: &Command) -> Result<Located, Lookup> {
        let now = self.now();
        let stamp = self.time_of(&command.stamp);
        let about_now = now - ABOUT_NOW.0..=now + ABOUT_NOW.1;
        let standing = stamp.filter(|s| about_now.contains(s)).unwrap_or(now);
        let base = &self.aimer.frames.base;
        if command.frame.is_empty() || command.frame == *base {
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
                    "the newest transform of frame {:?} is {age:.2} s old; accepted for a target without a stamp: at most {STALE} s",
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
        // Between two of a stream the frame is not followed: the next one says where the target has gone.
        let now = self.now();
        let streams = now - self.taken <= LONGEST_GAP;
        self.taken = now;
        self.aimer.status.sources.take(&source, now);
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

    /// Solves a target that was in the base frame at loop time `at`, and sends what comes of it. Gives the pace.
    fn send(&mut self, target: &Target, at: f64, origin: Origin, pace: Paced) -> f64 {
        let now = self.now();
        let reference = self.aimer.status.reference();
        let present = match self.last {
            Some((configuration, when)) if now - when < RECENT => configuration,
            _ => reference,
        };
        // A point was refused where there is no camera.
        let Some(aimed) = self.aimer.aim.solve(target, present) else {
            return 1.0;
        };
        self.last = Some((aimed.configuration, now));
        let motion = self.motion(aimed.configuration, at, now);
        self.sequence += 1;
        let pace = match pace {
            Paced::At(share) => share,
            Paced::By(pace) => pace.share(reference, aimed.configuration, self.aimer.speeds),
        };
        let desired = Desired {
            configuration: aimed.configuration,
            motion,
            continues: motion.is_some(),
            pace,
            command: origin.command,
            sequence: self.sequence,
        };
        self.aimer.status.set_in_force(InForce {
            command: origin.command,
            topic: origin.topic,
            source: origin.source,
            frame: origin.frame,
            target: *target,
            aimed,
            moving: motion.is_some(),
        });
        self.aimer.out.send_replace(Some(desired));
        pace
    }
}

impl Aiming {
    /// How a target moves that was at `configuration` at loop time `at` and is told `now`, if that is known.
    fn motion(&mut self, configuration: Configuration, at: f64, now: f64) -> Option<Motion> {
        if let Some((last, when, motion)) = self.sampled
            && (at - when).abs() < SHORTEST_GAP
            && (configuration - last).norm() < TOLD_TWICE
        {
            return motion;
        }
        // Where stamps do not rise the time of arrival serves.
        let track = &mut self.track;
        let sample = track.sample(configuration, at);
        let sample = sample.or_else(|_| track.sample(configuration, now));
        let mut motion = sample.ok().flatten();
        if let Some(motion) = &mut motion {
            // What comes late comes late again: only its next sample's absence is the end of a stream.
            motion.until += (now - motion.stamp).clamp(0.0, LATEST);
        }
        self.sampled = Some((configuration, at, motion));
        motion
    }
}

/// The pace of a sample: found for its command before, or still to be found.
enum Paced {
    At(f64),
    By(Pace),
}

/// Why a target is not found in the base frame.
enum Lookup {
    /// Its transform may still come; what to say if it does not.
    Later(Refusal),
    Never(Refusal),
}

/// A frame's name without '/' before it, as the tree has it.
fn bare(name: String) -> String {
    name.trim_start_matches('/').to_string()
}

fn refused(error: &LookupError, base: &str) -> Refusal {
    let accepted = match error {
        LookupError::TooOld { .. } | LookupError::TooNew { .. } => {
            "a stamp that its transforms reach, or none for the newest".into()
        }
        _ => format!("'{base}' or empty, or a frame that /tf or fixed_frames tie to it"),
    };
    Refusal {
        reason: error.word(),
        sentence: format!("{error}; accepted: {accepted}"),
    }
}

/// The target in the frame that `transform` leads to.
fn turned(target: &Target, transform: &Isometry3<f64>) -> Target {
    match target {
        Target::Pose(q) => Target::Pose(transform.rotation * q),
        Target::Point(p) => Target::Point((transform * Point3::from(*p)).coords),
    }
}

//! The state that a joint's non-real-time threads share.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

use nalgebra::Vector3;

use super::lifecycle::machine::State;
use super::refused::Refused;
use super::sources::SharedSources;
use crate::control::aim::{Aimed, Target};
use crate::control::geometry::{Configuration, orientation};
use crate::control::self_support::SelfSupport;
use crate::control::tick::{Faults, Mode, Output, Readiness, ReleaseRefusal, Supervision};

/// The shared status of one joint; every field can be read at any time.
#[derive(Debug, Default)]
pub struct Status {
    /// Counts of the messages refused, by topic.
    pub refused: Refused,
    /// The sources of commands.
    pub sources: SharedSources,
    goal_under_way: AtomicBool,
    closing: AtomicBool,
    over: AtomicBool,
    at_rest: AtomicBool,
    /// Rounds of the publisher.
    published: AtomicU64,
    lifecycle: Mutex<Lifecycle>,
    newest: Mutex<Newest>,
    delay: AtomicU64,
    in_force: Mutex<Option<InForce>>,
    reference: Mutex<Configuration>,
    /// One more than the last command that has ended; 0: none.
    ended: AtomicU64,
    /// One more than the command whose target is held within tolerance; 0: none.
    settled: AtomicU64,
    residual: Mutex<Option<Residual>>,
    gravity: Mutex<Option<GravitySum>>,
    gain_set: Mutex<GainSetInForce>,
    answer: Mutex<Answer>,
    supervision: Mutex<(Supervision, SelfSupport)>,
}

/// The last answer of the loop to requests.
#[derive(Clone, Copy, Debug, Default)]
pub struct Answer {
    /// Mode of the loop.
    pub mode: Mode,
    /// State of the supervision rules.
    pub faults: Faults,
    /// Number of the last request to clear faults that the loop has seen.
    pub clear: u64,
    /// Number of the last request to release tension that the loop has answered.
    pub release_tension: u64,
    /// Reason why the loop refused that request, if it did.
    pub release_refusal: Option<ReleaseRefusal>,
}

/// The lifecycle of the node as reported.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Lifecycle {
    pub state: State,
    /// Reason why the last transition did not succeed, or the condition that an autostart waits
    /// for; empty if all went well.
    pub reason: String,
    /// Label of the transition that the reason is about; empty if it is about an autostart.
    pub reason_of: String,
    /// An autostart is waiting.
    pub waits: bool,
    /// The control loop is lost and cannot be created anew.
    pub lost: bool,
}

/// The last report of the loop.
#[derive(Clone, Copy, Debug, Default)]
pub struct Newest {
    /// Mode of the loop.
    pub mode: Mode,
    /// Readiness of the joint for activation.
    pub readiness: Readiness,
    /// State of the supervision rules.
    pub faults: Faults,
}

/// The target in force.
#[derive(Clone, Debug, PartialEq)]
pub struct InForce {
    /// Number of the command.
    pub command: u64,
    /// Topic on which it arrived.
    pub topic: &'static str,
    /// Source of the command.
    pub source: String,
    /// Frame in which the target was given.
    pub frame: String,
    /// Target in the base frame.
    pub target: Target,
    /// Configuration found for the target.
    pub aimed: Aimed,
    /// True if the target is followed as moving.
    pub moving: bool,
}

/// Residual of a target at the measured configuration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Residual {
    /// Command that the target belongs to.
    pub command: u64,
    /// Residual angle, rad.
    pub angle: f64,
    /// Stamp of the measurement, loop time, s.
    pub stamp: f64,
}

/// Gravity as measured by the head's IMU since gathering began, with the largest bend and
/// deviation.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct GravitySum {
    /// Sum of the directions, base frame.
    pub sum: Vector3<f64>,
    /// Number of different samples.
    pub count: u32,
    /// Max. inclination reported by the motors meanwhile, rad.
    pub most_bent: f64,
    /// Max. deviation of a direction from the first, rad.
    pub most_apart: f64,
    /// First direction, base frame.
    /// Last direction, head frame.
    pub first: Vector3<f64>,
    pub last: Vector3<f64>,
}

/// The gain set in force.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct GainSetInForce {
    /// Name of the gain set.
    pub name: String,
    /// True if gains were changed since it was chosen.
    pub changed: bool,
    /// Number of parameter changes refused so far.
    pub refused: u64,
    /// Reason of the last refusal.
    pub last_refusal: String,
    /// Max. dead time that the gain set allows, s.
    pub delay_allowed: f64,
    /// Problem of the gain set on the joint's models; empty if none.
    pub warning: String,
}

fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    // Plain data: a panic elsewhere leaves nothing inconsistent.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Status {
    /// Refuses commands from now on.
    pub fn close(&self) {
        self.closing.store(true, Ordering::Release);
    }

    /// Returns true if commands are refused because the node shuts down.
    pub fn closing(&self) -> bool {
        self.closing.load(Ordering::Acquire)
    }

    /// Ends all reports.
    pub fn end(&self) {
        self.over.store(true, Ordering::Release);
    }

    /// Returns true if all reports have ended.
    pub fn over(&self) -> bool {
        self.over.load(Ordering::Acquire)
    }

    /// Counts one round of the publisher.
    pub fn count_published(&self) {
        self.published.fetch_add(1, Ordering::AcqRel);
    }

    /// Returns the number of rounds of the publisher.
    pub fn published(&self) -> u64 {
        self.published.load(Ordering::Acquire)
    }

    pub fn lifecycle(&self) -> Lifecycle {
        locked(&self.lifecycle).clone()
    }

    /// Changes the lifecycle as reported.
    pub fn change_lifecycle(&self, change: impl FnOnce(&mut Lifecycle)) {
        change(&mut locked(&self.lifecycle));
    }

    /// Returns the last report of the loop.
    pub fn newest(&self) -> Newest {
        *locked(&self.newest)
    }

    /// Stores the last report of the loop.
    pub fn set_newest(&self, newest: Newest) {
        *locked(&self.newest) = newest;
    }

    /// Returns true if nothing moves.
    pub fn at_rest(&self) -> bool {
        self.at_rest.load(Ordering::Acquire)
    }

    /// Stores whether nothing moves.
    pub fn set_at_rest(&self, at_rest: bool) {
        self.at_rest.store(at_rest, Ordering::Release);
    }

    /// Returns true if a goal of the action is in progress.
    pub fn goal_under_way(&self) -> bool {
        self.goal_under_way.load(Ordering::Acquire)
    }

    /// Stores whether a goal of the action is in progress.
    #[cfg_attr(
        not(has_control_msgs),
        expect(dead_code, reason = "only the action sets it")
    )]
    pub fn set_goal_under_way(&self, under_way: bool) {
        self.goal_under_way.store(under_way, Ordering::Release);
    }

    /// Returns the target in force; `None` once its command has ended.
    pub fn in_force(&self) -> Option<InForce> {
        let ended = self.ended();
        let target = locked(&self.in_force).clone();
        target.filter(|t| ended < Some(t.command))
    }

    pub fn set_in_force(&self, target: InForce) {
        *locked(&self.in_force) = Some(target);
    }

    /// Returns the number of the last command that has ended.
    pub fn ended(&self) -> Option<u64> {
        self.ended.load(Ordering::Acquire).checked_sub(1)
    }

    /// Stores the last command that has ended; all before it have ended too.
    pub fn set_ended(&self, ended: Option<u64>) {
        let ended = ended.map_or(0, |e| e + 1);
        self.ended.store(ended, Ordering::Release);
    }

    /// Returns the command whose target is held within tolerance.
    pub fn settled(&self) -> Option<u64> {
        self.settled.load(Ordering::Acquire).checked_sub(1)
    }

    /// Stores the command whose target is held within tolerance.
    pub fn set_settled(&self, command: Option<u64>) {
        let command = command.map_or(0, |c| c + 1);
        self.settled.store(command, Ordering::Release);
    }

    /// Returns the last residual.
    #[cfg_attr(
        not(has_control_msgs),
        expect(dead_code, reason = "only the action reads it")
    )]
    pub fn residual(&self) -> Option<Residual> {
        *locked(&self.residual)
    }

    pub fn set_residual(&self, residual: Residual) {
        *locked(&self.residual) = Some(residual);
    }

    /// Returns the joint's reference, rad.
    pub fn reference(&self) -> Configuration {
        *locked(&self.reference)
    }

    /// Stores the joint's reference, rad.
    pub fn set_reference(&self, reference: Configuration) {
        *locked(&self.reference) = reference;
    }

    /// Begins to gather gravity samples of the head's IMU.
    pub fn gather_gravity(&self) {
        *locked(&self.gravity) = Some(GravitySum::default());
    }

    /// Ends the gathering and returns the sum.
    pub fn end_gravity(&self) -> Option<GravitySum> {
        locked(&self.gravity).take()
    }

    /// Adds a direction of gravity in the head frame, if gathering is on and the direction is new;
    /// `motors` is the configuration measured by the motors, rad.
    pub fn add_gravity(&self, head: Vector3<f64>, motors: Configuration) {
        if let Some(gathered) = &mut *locked(&self.gravity)
            && gathered.last != head
        {
            gathered.last = head;
            let gravity = orientation(motors.z, motors.xy()) * head;
            let bent = motors.xy().norm();
            if gathered.count == 0 {
                gathered.first = gravity;
            }
            gathered.sum += gravity;
            gathered.count += 1;
            gathered.most_bent = gathered.most_bent.max(bent);
            gathered.most_apart = gathered.most_apart.max(gathered.first.angle(&gravity));
        }
    }

    /// Returns the last answer of the loop.
    pub fn answer(&self) -> Answer {
        *locked(&self.answer)
    }

    /// Stores the answer in a loop output.
    pub fn set_answer(&self, output: &Output) {
        *locked(&self.answer) = Answer {
            mode: output.mode,
            faults: output.faults,
            clear: output.clear,
            release_tension: output.release_tension,
            release_refusal: output.release_refusal,
        };
    }

    /// Returns the supervision in force, each guard with its effective limit, and the self-support
    /// of the beam.
    pub fn supervision(&self) -> (Supervision, SelfSupport) {
        *locked(&self.supervision)
    }

    /// Stores the supervision in force and the self-support of the beam.
    pub fn set_supervision(&self, supervision: Supervision, self_support: SelfSupport) {
        *locked(&self.supervision) = (supervision, self_support);
    }

    /// Returns the measured dead time, s; 0 before it is known.
    pub fn delay(&self) -> f64 {
        f64::from_bits(self.delay.load(Ordering::Acquire))
    }

    /// Stores the measured dead time, s.
    pub fn set_delay(&self, delay: f64) {
        self.delay.store(delay.to_bits(), Ordering::Release);
    }

    /// Returns the gain set in force.
    pub fn gain_set(&self) -> GainSetInForce {
        locked(&self.gain_set).clone()
    }

    /// Changes the gain set in force as reported.
    pub fn change_gain_set(&self, change: impl FnOnce(&mut GainSetInForce)) {
        change(&mut locked(&self.gain_set));
    }
}

//! What a joint's threads on the graph's side tell each other.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

use nalgebra::Vector3;

use super::lifecycle::machine::State;
use super::sources::SharedSources;
use super::subscriptions::Refused;
use crate::aim::{Aimed, Target};
use crate::geometry::{Configuration, orientation};
use crate::self_support::SelfSupport;
use crate::tick::{Faults, Mode, Output, Readiness, ReleaseRefusal, Supervision};

/// The status of one joint; every field may be read at any time.
#[derive(Debug, Default)]
pub struct Status {
    /// What was refused on the topics.
    pub refused: Refused,
    /// Who commands.
    pub sources: SharedSources,
    goal_under_way: AtomicBool,
    closing: AtomicBool,
    over: AtomicBool,
    at_rest: AtomicBool,
    /// How often the publisher has come round.
    published: AtomicU64,
    lifecycle: Mutex<Lifecycle>,
    newest: Mutex<Newest>,
    delay: AtomicU64,
    in_force: Mutex<Option<InForce>>,
    reference: Mutex<Configuration>,
    /// One more than the last command that is over; 0: none is.
    ended: AtomicU64,
    /// One more than the command whose target is held within tolerance; 0: none is.
    settled: AtomicU64,
    residual: Mutex<Option<Residual>>,
    gravity: Mutex<Option<GravitySum>>,
    gain_set: Mutex<GainSetInForce>,
    answer: Mutex<Answer>,
    supervision: Mutex<(Supervision, SelfSupport)>,
}

/// What the loop answered last to what it was asked.
#[derive(Clone, Copy, Debug, Default)]
pub struct Answer {
    /// What it does.
    pub mode: Mode,
    /// How the rules stand.
    pub faults: Faults,
    /// The request to clear that it saw last.
    pub clear: u64,
    /// The request to release tension that it answered last.
    pub release_tension: u64,
    /// Why it refused that, if it did.
    pub release_refusal: Option<ReleaseRefusal>,
}

/// Where the node stands in its lifecycle.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Lifecycle {
    /// The state.
    pub state: State,
    /// Why the last transition did not lead where it should, or what an autostart waits for; empty where all went well.
    pub reason: String,
    /// An autostart waits.
    pub waits: bool,
    /// The control loop is lost: there will not be another one.
    pub lost: bool,
}

/// What the loop said last.
#[derive(Clone, Copy, Debug, Default)]
pub struct Newest {
    /// What it does.
    pub mode: Mode,
    /// Whether the joint may be set going.
    pub readiness: Readiness,
    /// How the rules of supervision stand.
    pub faults: Faults,
}

/// The target in force.
#[derive(Clone, Debug, PartialEq)]
pub struct InForce {
    /// Number of the command.
    pub command: u64,
    /// Where it came in.
    pub topic: &'static str,
    /// Whose it is.
    pub source: String,
    /// The frame it was told in.
    pub frame: String,
    /// Where it is, base frame.
    pub target: Target,
    /// What the joint does about it.
    pub aimed: Aimed,
    /// Whether it is followed as moving.
    pub moving: bool,
}

/// What is left over of a target in the configuration measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Residual {
    /// The command that the target belongs to.
    pub command: u64,
    /// The angle left over, rad.
    pub angle: f64,
    /// Stamp of the measurement, loop time.
    pub stamp: f64,
}

/// What the head's IMU has shown of gravity since it was asked for, and how straight and still the joint was.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct GravitySum {
    /// Sum of directions, base frame.
    pub sum: Vector3<f64>,
    /// How many different ones.
    pub count: u32,
    /// Greatest inclination that the motors said meanwhile, rad.
    pub most_bent: f64,
    /// Greatest departure of a direction from the first, rad.
    pub most_apart: f64,
    /// The first direction, and the last one in the head frame.
    pub first: Vector3<f64>,
    pub last: Vector3<f64>,
}

/// The gain set in force.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct GainSetInForce {
    /// Its name.
    pub name: String,
    /// Whether gains were changed since it was chosen.
    pub changed: bool,
    /// Parameter sets that were refused so far, and the last one's reason.
    pub refused: u64,
    /// The reason of the last refusal.
    pub last_refusal: String,
    /// Dead time that it allows, s.
    pub delay_allowed: f64,
    /// What is wrong with it on the joint's models, if anything.
    pub warning: String,
}

fn locked<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    // Plain data: a panic elsewhere leaves nothing half done.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Status {
    /// From now on commands are not taken.
    pub fn close(&self) {
        self.closing.store(true, Ordering::Release);
    }

    /// Whether commands are no longer taken.
    pub fn closing(&self) -> bool {
        self.closing.load(Ordering::Acquire)
    }

    /// From now on nothing more is to be told.
    pub fn end(&self) {
        self.over.store(true, Ordering::Release);
    }

    /// Whether nothing more is to be told.
    pub fn over(&self) -> bool {
        self.over.load(Ordering::Acquire)
    }

    /// The publisher has come round.
    pub fn count_published(&self) {
        self.published.fetch_add(1, Ordering::AcqRel);
    }

    /// How often the publisher has come round.
    pub fn published(&self) -> u64 {
        self.published.load(Ordering::Acquire)
    }

    /// Where the node stands in its lifecycle.
    pub fn lifecycle(&self) -> Lifecycle {
        locked(&self.lifecycle).clone()
    }

    /// Changes what is said of the lifecycle.
    pub fn change_lifecycle(&self, change: impl FnOnce(&mut Lifecycle)) {
        change(&mut locked(&self.lifecycle));
    }

    /// What the loop said last.
    pub fn newest(&self) -> Newest {
        *locked(&self.newest)
    }

    /// Sets what the loop said last.
    pub fn set_newest(&self, newest: Newest) {
        *locked(&self.newest) = newest;
    }

    /// Whether nothing moves.
    pub fn at_rest(&self) -> bool {
        self.at_rest.load(Ordering::Acquire)
    }

    /// Says whether nothing moves.
    pub fn set_at_rest(&self, at_rest: bool) {
        self.at_rest.store(at_rest, Ordering::Release);
    }

    /// Whether a goal of the action is under way.
    pub fn goal_under_way(&self) -> bool {
        self.goal_under_way.load(Ordering::Acquire)
    }

    /// Says whether a goal of the action is under way.
    #[cfg_attr(
        not(has_control_msgs),
        expect(dead_code, reason = "only the action says so")
    )]
    pub fn set_goal_under_way(&self, under_way: bool) {
        self.goal_under_way.store(under_way, Ordering::Release);
    }

    /// The target in force, if there is one.
    pub fn in_force(&self) -> Option<InForce> {
        let ended = self.ended();
        let target = locked(&self.in_force).clone();
        target.filter(|t| ended < Some(t.command))
    }

    /// Sets the target in force.
    pub fn set_in_force(&self, target: InForce) {
        *locked(&self.in_force) = Some(target);
    }

    /// The last command that is over.
    pub fn ended(&self) -> Option<u64> {
        self.ended.load(Ordering::Acquire).checked_sub(1)
    }

    /// Says which command is over, with all before it.
    pub fn set_ended(&self, ended: Option<u64>) {
        let ended = ended.map_or(0, |e| e + 1);
        self.ended.store(ended, Ordering::Release);
    }

    /// The command whose target is held within tolerance.
    pub fn settled(&self) -> Option<u64> {
        self.settled.load(Ordering::Acquire).checked_sub(1)
    }

    /// Says which command's target is held within tolerance.
    pub fn set_settled(&self, command: Option<u64>) {
        let command = command.map_or(0, |c| c + 1);
        self.settled.store(command, Ordering::Release);
    }

    /// What was left over last.
    #[cfg_attr(
        not(has_control_msgs),
        expect(dead_code, reason = "only the action asks")
    )]
    pub fn residual(&self) -> Option<Residual> {
        *locked(&self.residual)
    }

    /// Says what is left over.
    pub fn set_residual(&self, residual: Residual) {
        *locked(&self.residual) = Some(residual);
    }

    /// The joint's reference, rad.
    pub fn reference(&self) -> Configuration {
        *locked(&self.reference)
    }

    /// Sets the joint's reference, rad.
    pub fn set_reference(&self, reference: Configuration) {
        *locked(&self.reference) = reference;
    }

    /// Begins to gather what the head's IMU shows of gravity.
    pub fn gather_gravity(&self) {
        *locked(&self.gravity) = Some(GravitySum::default());
    }

    /// Ends the gathering: what there is.
    pub fn end_gravity(&self) -> Option<GravitySum> {
        locked(&self.gravity).take()
    }

    /// Adds gravity's direction in the head frame, if it is gathered and new; `motors`: bend and pan that the motors
    /// say, rad.
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

    /// What the loop answered last.
    pub fn answer(&self) -> Answer {
        *locked(&self.answer)
    }

    /// Takes the loop's answer.
    pub fn set_answer(&self, output: &Output) {
        *locked(&self.answer) = Answer {
            mode: output.mode,
            faults: output.faults,
            clear: output.clear,
            release_tension: output.release_tension,
            release_refusal: output.release_refusal,
        };
    }

    /// The supervision in force, each guard with the limit in force, and what the beam alone carries.
    pub fn supervision(&self) -> (Supervision, SelfSupport) {
        *locked(&self.supervision)
    }

    /// Sets the supervision in force and what the beam alone carries.
    pub fn set_supervision(&self, supervision: Supervision, self_support: SelfSupport) {
        *locked(&self.supervision) = (supervision, self_support);
    }

    /// Dead time measured, s; 0 before it is known.
    pub fn delay(&self) -> f64 {
        f64::from_bits(self.delay.load(Ordering::Acquire))
    }

    /// Sets the dead time measured, s.
    pub fn set_delay(&self, delay: f64) {
        self.delay.store(delay.to_bits(), Ordering::Release);
    }

    /// The gain set in force.
    pub fn gain_set(&self) -> GainSetInForce {
        locked(&self.gain_set).clone()
    }

    /// Changes what is said of the gain set in force.
    pub fn change_gain_set(&self, change: impl FnOnce(&mut GainSetInForce)) {
        change(&mut locked(&self.gain_set));
    }
}

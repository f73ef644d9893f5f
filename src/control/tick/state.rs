//! State of the loop: the phase with its memory, and what survives all phases.

use super::control_law::Work;
use super::drives::Drives;
use super::estimate::Estimator;
use super::release::{Path, Release, Requests};
use super::settled::Settling;
use super::supervise::FaultMonitor;
use super::tracking::{Buffers, Tracking};
use super::transition::{Commands, Event, Phase, Setpoints, Step, transition};
use super::{Input, Joint, Law, Mode, Readiness};
use crate::control::controller::watch::{DeadbandState, HuntingState};
use crate::control::geometry::Configuration;

/// A hold in progress, also of tendons that are released: the loop is open, setpoints are sent.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hold {
    /// Time when the loop was opened, s.
    pub since: f64,
    /// What becomes of commands when the loop restarts.
    pub commands: Commands,
    /// Every motor has been silent for long since then.
    pub alone: bool,
}

/// The phase of the loop with the memory that it alone needs.
#[derive(Clone, Debug)]
#[allow(
    clippy::large_enum_variant,
    reason = "a box would have to be allocated in a tick, and there is one value per loop"
)]
pub(super) enum LoopState {
    Inactive(Commands),
    Waiting(Commands),
    Tracking(Tracking),
    Holding(Hold),
    Stopped(Hold),
    Faulted(Hold),
    Releasing(Release),
    ReleasePaused(Release),
    Released(Release),
    Retensioning(Release),
    RetensionPaused(Release),
    RetensionFaulted(Release),
}

impl LoopState {
    pub(super) fn phase(&self) -> Phase {
        match self {
            Self::Inactive(_) => Phase::Inactive,
            Self::Waiting(_) => Phase::Waiting,
            Self::Tracking(_) => Phase::Tracking,
            Self::Holding(_) => Phase::Holding,
            Self::Stopped(_) => Phase::Stopped,
            Self::Faulted(_) => Phase::Faulted,
            Self::Releasing(_) => Phase::Releasing,
            Self::ReleasePaused(_) => Phase::ReleasePaused,
            Self::Released(_) => Phase::Released,
            Self::Retensioning(_) => Phase::Retensioning,
            Self::RetensionPaused(_) => Phase::RetensionPaused,
            Self::RetensionFaulted(_) => Phase::RetensionFaulted,
        }
    }

    /// The hold in progress, if setpoints are sent in an open loop.
    pub(super) fn hold_mut(&mut self) -> Option<&mut Hold> {
        match self {
            Self::Inactive(_) | Self::Waiting(_) | Self::Tracking(_) => None,
            Self::Holding(hold) | Self::Stopped(hold) | Self::Faulted(hold) => Some(hold),
            Self::Releasing(release)
            | Self::ReleasePaused(release)
            | Self::Released(release)
            | Self::Retensioning(release)
            | Self::RetensionPaused(release)
            | Self::RetensionFaulted(release) => Some(&mut release.hold),
        }
    }

    /// What becomes of commands at the next start; `None` while the loop is closed.
    fn commands_mut(&mut self) -> Option<&mut Commands> {
        match self {
            Self::Inactive(commands) | Self::Waiting(commands) => Some(commands),
            other => other.hold_mut().map(|hold| &mut hold.commands),
        }
    }

    /// Returns the memory of a phase in which the motors follow neither a reference nor a path.
    fn at_rest(phase: Phase, hold: Hold) -> Self {
        match phase {
            Phase::Inactive => Self::Inactive(hold.commands),
            Phase::Stopped => Self::Stopped(hold),
            Phase::Faulted => Self::Faulted(hold),
            Phase::Holding => Self::Holding(hold),
            _ => Self::Waiting(hold.commands),
        }
    }

    /// Returns the memory of a phase of release or retensioning.
    fn on_path(phase: Phase, release: Release) -> Self {
        match phase {
            Phase::Releasing => Self::Releasing(release),
            Phase::ReleasePaused => Self::ReleasePaused(release),
            Phase::Released => Self::Released(release),
            Phase::Retensioning => Self::Retensioning(release),
            Phase::RetensionFaulted => Self::RetensionFaulted(release),
            _ => Self::RetensionPaused(release),
        }
    }
}

/// Numbers of commands and of hold requests.
#[derive(Clone, Debug, Default)]
pub(super) struct CommandRecord {
    /// Sample that was accepted last.
    pub sequence: Option<u64>,
    /// The command that the target belongs to.
    pub command: Option<u64>,
    /// The last command that has ended.
    pub ended: Option<u64>,
    /// The last hold request that was carried out.
    pub hold: u64,
}

impl CommandRecord {
    /// Returns true if the current command is newer than those that have ended.
    pub(super) fn is_new(&self, input: &Input) -> bool {
        input.desired.map(|d| d.command) > self.ended
    }

    /// Ends the current command.
    pub(super) fn end(&mut self, input: &Input) {
        self.ended = self.ended.max(input.desired.map(|d| d.command));
    }
}

/// The reference as tracking left it: reported until tracking starts again.
#[derive(Clone, Debug)]
pub(super) struct LastReference {
    pub value: Configuration,
    /// Its rate then, rad/s.
    pub rate: Configuration,
    pub target: Configuration,
    pub target_limited: bool,
}

/// Memory with buffers on the heap of the phases that are not in force. A tick must not allocate,
/// so these buffers are allocated once and are moved between here and the phase that uses them.
/// What they contain means nothing here, except for a path that the next phase continues.
#[derive(Clone, Debug)]
pub(super) struct Spare {
    pub tracking: Buffers,
    pub path: Path,
}

/// What survives all phases.
#[derive(Clone, Debug)]
pub(super) struct Common {
    /// Mode of the last tick, whose result the monitor sees.
    pub mode: Mode,
    pub readiness: Readiness,
    pub monitor: FaultMonitor,
    pub estimator: Estimator,
    /// Time when samples were complete last, s.
    pub last_good: f64,
    pub commands: CommandRecord,
    pub requests: Requests,
    pub drives: Drives,
    pub reference: LastReference,
    pub settling: Settling,
    /// Friction shows over restarts.
    pub integrator_deadband: DeadbandState,
    pub hunting: HuntingState,
    pub spare: Spare,
    pub work: Work,
}

/// State of the loop, kept from tick to tick.
#[derive(Clone, Debug)]
pub struct State {
    pub(super) current: LoopState,
    pub(super) common: Common,
}

impl State {
    /// Returns the state of a loop that has not started.
    pub fn new(joint: &Joint, law: &Law) -> Self {
        let motors = joint.motors();
        let origin = Configuration::zeros();
        Self {
            current: LoopState::Waiting(Commands::Open),
            common: Common {
                mode: Mode::Waiting,
                readiness: Readiness::Waiting,
                monitor: FaultMonitor::new(joint, law.kind),
                estimator: Estimator::new(motors),
                last_good: f64::NEG_INFINITY,
                commands: CommandRecord::default(),
                requests: Requests::default(),
                drives: Drives::new(joint),
                reference: LastReference {
                    value: origin,
                    rate: origin,
                    target: origin,
                    target_limited: false,
                },
                settling: Settling::default(),
                integrator_deadband: DeadbandState::new(motors),
                hunting: HuntingState::default(),
                spare: Spare {
                    tracking: Buffers::new(joint, law),
                    path: Path::new(motors),
                },
                work: Work::new(motors),
            },
        }
    }

    /// Returns the phase of the loop.
    pub fn phase(&self) -> Phase {
        self.current.phase()
    }

    /// Returns the reference, rad.
    pub(super) fn reference(&self) -> Configuration {
        match &self.current {
            LoopState::Tracking(tracking) => tracking.buffers.shaper.value(),
            _ => self.common.reference.value,
        }
    }

    /// Returns true if the reference is at rest, so that a change of law has no visible effect.
    pub fn resting(&self) -> bool {
        match &self.current {
            LoopState::Tracking(tracking) => tracking.resting(),
            _ => true,
        }
    }

    /// Restarts the loop after a jump of the clock that stamps the samples. The joint may have
    /// moved, so all earlier measurements, commands and setpoints are void. No position is sent
    /// until the next measurement, and only a new command moves the joint.
    pub fn start_anew(&mut self, input: &Input) {
        self.common.commands.end(input);
        self.between_ticks(Event::ClockJump);
    }

    /// Switches from one law to another between two ticks (bumpless transfer). The setpoint does
    /// not jump: the integrators take over the difference, or it decays as an offset.
    ///
    /// Limits and model change at once, gains are blended over [`HAND_OVER`](super::HAND_OVER), and
    /// the shaper's windows change when the reference is at rest. The caller should let a current
    /// motion end first: see [`State::resting`] and [`LONGEST_WAIT`](super::LONGEST_WAIT).
    ///
    /// A law for another command interface restarts the loop.
    pub fn take_over(&mut self, old: &Law, new: &Law, now: f64) {
        if old.kind != new.kind {
            self.between_ticks(Event::OtherInterface);
            // The last setpoints are in other units.
            self.common.drives.sent.fill(0.0);
        } else if let LoopState::Tracking(tracking) = &mut self.current {
            tracking.take_over(old, new, now);
        }
    }

    /// Makes the transition of an event between two ticks: no such event starts anything.
    fn between_ticks(&mut self, event: Event) {
        let step = transition(self.phase(), event);
        if let Some(hold) = self.leave(step, f64::NEG_INFINITY) {
            self.current = LoopState::at_rest(step.to, hold);
        }
    }

    /// Makes the transition of an event of this tick.
    pub(super) fn go(&mut self, event: Event, joint: &Joint, law: &Law, input: &Input, now: f64) {
        let step = transition(self.phase(), event);
        match step.commands {
            Some(Commands::Open) => self.stop_reference(law, input),
            Some(Commands::Void) if !step.to.is_idle() => self.common.commands.end(input),
            _ => {}
        }
        let Some(mut hold) = self.leave(step, now) else {
            return;
        };
        let common = &mut self.common;
        if step.setpoints == Setpoints::Measured {
            common.drives.start(law.kind, &common.estimator);
            common.monitor.begin();
            // After an outage earlier commands are void and only a new one moves the joint; after a
            // gap the command continues.
            match hold.commands {
                Commands::Open => {}
                Commands::Continue if step.to == Phase::Tracking => common.commands.sequence = None,
                Commands::Continue | Commands::Void => common.commands.end(input),
            }
        }
        self.current = match step.to {
            Phase::Tracking => LoopState::Tracking(Tracking::start(joint, law, common, input, now)),
            to if to.is_release() => {
                hold.commands = Commands::Open;
                let mut release = Release::new(hold, std::mem::take(&mut common.spare.path));
                if !step.path {
                    release.set_out(to, joint, law, common);
                } else if to.is_paused() {
                    release.pause(law, &common.drives);
                }
                LoopState::on_path(to, release)
            }
            to => LoopState::at_rest(to, hold),
        };
    }

    /// Leaves the phase unless the step stays in it. Returns what is known of the hold: the one in
    /// progress, or one that begins at `now`.
    fn leave(&mut self, step: Step, now: f64) -> Option<Hold> {
        let decided = self.current.commands_mut().map(|commands| {
            *commands = step.commands.unwrap_or(*commands);
            *commands
        });
        if step.to == self.phase() {
            return None;
        }
        let common = &mut self.common;
        let hold = self.current.hold_mut().copied().unwrap_or(Hold {
            since: now,
            commands: decided.or(step.commands).unwrap_or(Commands::Void),
            alone: false,
        });
        // Nothing is left of the old phase but this: heap memory, and where the reference was.
        match std::mem::replace(&mut self.current, LoopState::Waiting(hold.commands)) {
            LoopState::Tracking(tracking) => {
                common.reference = tracking.last_reference();
                common.spare.tracking = tracking.buffers;
            }
            LoopState::Releasing(release)
            | LoopState::ReleasePaused(release)
            | LoopState::Released(release)
            | LoopState::Retensioning(release)
            | LoopState::RetensionPaused(release)
            | LoopState::RetensionFaulted(release) => common.spare.path = release.path,
            LoopState::Inactive(_)
            | LoopState::Waiting(_)
            | LoopState::Holding(_)
            | LoopState::Stopped(_)
            | LoopState::Faulted(_) => {}
        }
        Some(hold)
    }
}

//! The phases of the loop, the events of a tick, and the one table of the transitions between them.
//!
//! [`transition`] is all there is: the loop changes its phase nowhere else. The page
//! `docs/start-and-stop.md` shows the same table, and a test compares the two.

use super::names::names;
use super::{Mode, Readiness};

/// Phase of the loop. Each has its own memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// The joint is monitored but not driven.
    Inactive,
    /// The joint is to be driven but is not ready; [`Readiness`] has the reason.
    Waiting,
    /// The loop is closed.
    Tracking,
    /// The setpoints are held until the loop can restart.
    Holding,
    /// The setpoints are held, and samples have been missing for long.
    Stopped,
    /// The setpoints are held until a fault is cleared.
    Faulted,
    /// The tendons are being released.
    Releasing,
    /// The release stands still, since encoder samples are missing.
    ReleasePaused,
    /// The tendons are released.
    Released,
    /// The tendons are being retensioned at the present bend.
    Retensioning,
    /// The retensioning stands still, since encoder samples are missing.
    RetensionPaused,
    /// The retensioning stands still until a fault is cleared.
    RetensionFaulted,
}

names!(Phase {
    Inactive => "inactive",
    Waiting => "waiting",
    Tracking => "tracking",
    Holding => "holding",
    Stopped => "stopped",
    Faulted => "faulted",
    Releasing => "releasing",
    ReleasePaused => "release_paused",
    Released => "released",
    Retensioning => "retensioning",
    RetensionPaused => "retension_paused",
    RetensionFaulted => "retension_faulted",
});

impl Phase {
    /// Returns the mode that is reported in this phase, for a joint of that readiness.
    pub fn mode(self, readiness: Readiness) -> Mode {
        match self {
            Self::Inactive => Mode::Inactive,
            Self::Waiting => match readiness {
                Readiness::Waiting | Readiness::Ready => Mode::Waiting,
                Readiness::LatencyTooHigh => Mode::LatencyTooHigh,
                Readiness::PositionOutOfRange => Mode::PositionOutOfRange,
                _ => Mode::NotReady,
            },
            Self::Tracking => Mode::Tracking,
            Self::Holding | Self::ReleasePaused | Self::RetensionPaused => Mode::Holding,
            Self::Stopped => Mode::Stopped,
            Self::Faulted | Self::RetensionFaulted => Mode::Faulted,
            Self::Releasing => Mode::ReleasingTension,
            Self::Released => Mode::Released,
            Self::Retensioning => Mode::Retensioning,
        }
    }

    /// Returns true if nothing is sent in this phase.
    pub const fn is_idle(self) -> bool {
        matches!(self, Self::Inactive | Self::Waiting)
    }

    /// Returns true if the tendons are released, or on the way there or back, moving or not.
    pub const fn is_release(self) -> bool {
        matches!(
            self,
            Self::Releasing
                | Self::ReleasePaused
                | Self::Released
                | Self::Retensioning
                | Self::RetensionPaused
                | Self::RetensionFaulted
        )
    }

    /// Returns true if the motors stand still on their path.
    pub(super) const fn is_paused(self) -> bool {
        matches!(
            self,
            Self::ReleasePaused | Self::RetensionPaused | Self::RetensionFaulted
        )
    }

    /// Returns true if the tendons are being retensioned, moving or not.
    pub(super) const fn is_retensioning(self) -> bool {
        matches!(
            self,
            Self::Retensioning | Self::RetensionPaused | Self::RetensionFaulted
        )
    }
}

/// What happens to the loop: at most one event decides about the phase of a tick, and one more may
/// follow from the tick's result.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event {
    /// The joint is not to be driven.
    Deactivated,
    /// Samples are complete, but the joint is not ready to be started.
    NotReady,
    /// All that the phase needs is there: samples, and a joint that is ready.
    Ready,
    /// As `Ready`, but the motors are at the angles of released tendons.
    FoundReleased,
    /// Samples that the phase needs are missing, or ticks did not come.
    Missing,
    /// A rule holds the joint for another reason, or the loop stood still for long.
    RuleHolds,
    /// Samples have been missing for `limits.stop_after`.
    Silence,
    /// A fault that must be cleared holds the joint.
    Fault,
    /// A setpoint is not finite.
    NotFinite,
    /// A release of the tendons, requested or demanded by a rule, is granted.
    Release,
    /// A command newer than those that have ended.
    Command,
    /// A new hold request.
    HoldRequest,
    /// The motors are at the end of their path.
    Arrived,
    /// The clock that stamps the samples jumped.
    ClockJump,
    /// A law for another command interface is taken over.
    OtherInterface,
}

names!(Event {
    Deactivated => "deactivated",
    NotReady => "not_ready",
    Ready => "ready",
    FoundReleased => "found_released",
    Missing => "missing",
    RuleHolds => "rule_holds",
    Silence => "silence",
    Fault => "fault",
    NotFinite => "not_finite",
    Release => "release",
    Command => "command",
    HoldRequest => "hold_request",
    Arrived => "arrived",
    ClockJump => "clock_jump",
    OtherInterface => "other_interface",
});

/// Setpoints with which the next phase begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Setpoints {
    /// None is sent.
    Unsent,
    /// The last ones.
    Last,
    /// The measured angles, or zero speed.
    Measured,
}

names!(Setpoints {
    Unsent => "unsent",
    Last => "last",
    Measured => "measured",
});

/// What becomes of commands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Commands {
    /// The command in force goes on when the loop restarts.
    Continue,
    /// The command in force has ended; one that is given from now on is valid.
    Open,
    /// The command in force has ended, and all that are given before the restart are void.
    Void,
}

names!(Commands {
    Continue => "continue",
    Open => "open",
    Void => "void",
});

/// One transition: the next phase, and what is carried over into it.
///
/// The start of a hold and the silence of the motors are carried over as long as the loop stays
/// open. What only tracking knows is never carried over, except where its reference was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    /// The next phase.
    pub to: Phase,
    /// Setpoints with which it begins.
    pub setpoints: Setpoints,
    /// What becomes of commands; `None`: what the phase before has decided.
    pub commands: Option<Commands>,
    /// The path of the motors goes on, and a new one is not planned.
    pub path: bool,
}

impl Step {
    /// The phase stays as it is.
    const fn stay(phase: Phase) -> Self {
        Self {
            to: phase,
            setpoints: if phase.is_idle() {
                Setpoints::Unsent
            } else {
                Setpoints::Last
            },
            commands: None,
            path: phase.is_release(),
        }
    }

    const fn new(to: Phase, setpoints: Setpoints) -> Self {
        Self {
            to,
            setpoints,
            commands: None,
            path: false,
        }
    }

    const fn commands(self, commands: Commands) -> Self {
        Self {
            commands: Some(commands),
            ..self
        }
    }

    const fn same_path(self) -> Self {
        Self { path: true, ..self }
    }
}

/// Returns the transition of `phase` on `event`: the table. An event that is not listed for a phase
/// changes nothing there.
pub const fn transition(phase: Phase, event: Event) -> Step {
    use Commands::{Continue, Open, Void};
    use Event as E;
    use Phase as P;
    use Setpoints::{Last, Measured, Unsent};
    match (phase, event) {
        // From everywhere.
        (_, E::Deactivated) => Step::new(P::Inactive, Unsent).commands(Void),
        (P::Inactive | P::Waiting, E::ClockJump) => Step::stay(phase).commands(Void),
        (P::Inactive | P::Waiting, E::OtherInterface) => Step::stay(phase),
        (_, E::OtherInterface) => Step::new(P::Waiting, Unsent).commands(Void),

        // Not driven.
        (P::Inactive, E::NotReady) => Step::new(P::Waiting, Unsent),
        (P::Inactive | P::Waiting, E::Ready) => Step::new(P::Tracking, Measured),
        (P::Inactive | P::Waiting, E::FoundReleased) => Step::new(P::Retensioning, Measured),

        // The loop is closed.
        (P::Tracking, E::Missing) => Step::new(P::Holding, Last).commands(Continue),
        (P::Tracking, E::RuleHolds) => Step::new(P::Holding, Last).commands(Void),
        (P::Tracking, E::NotFinite) => Step::new(P::Stopped, Last).commands(Void),
        (P::Tracking, E::ClockJump) => Step::new(P::Waiting, Unsent).commands(Void),

        // The loop is closed, or setpoints are held.
        (P::Tracking | P::Holding | P::Stopped | P::Faulted, E::Silence) => {
            Step::new(P::Stopped, Last).commands(Void)
        }
        (P::Tracking | P::Holding | P::Stopped | P::Faulted, E::Fault) => {
            Step::new(P::Faulted, Last).commands(Void)
        }
        (P::Tracking | P::Holding | P::Stopped | P::Faulted, E::Release) => {
            Step::new(P::Releasing, Last).commands(Open)
        }

        // Setpoints are held.
        (P::Holding | P::Stopped | P::Faulted, E::Ready) => Step::new(P::Tracking, Measured),
        (P::Holding | P::Stopped | P::Faulted, E::FoundReleased) => {
            Step::new(P::Retensioning, Measured)
        }
        (P::Holding | P::Stopped | P::Faulted, E::ClockJump) => Step::stay(phase).commands(Void),
        (P::Holding | P::Faulted, E::RuleHolds) => Step::new(P::Holding, Last).commands(Void),
        (P::Stopped | P::Faulted, E::Missing) | (P::Faulted, E::NotReady) => {
            Step::new(P::Holding, Last)
        }

        // The tendons are released, or on the way there or back.
        (P::Releasing | P::ReleasePaused, E::HoldRequest) => {
            Step::new(P::Retensioning, Last).commands(Open)
        }
        (P::Releasing | P::ReleasePaused, E::Ready) => Step::new(P::Releasing, Last).same_path(),
        (P::Releasing, E::Missing) => Step::new(P::ReleasePaused, Last).same_path(),
        (P::Releasing, E::Arrived) => Step::new(P::Released, Last).commands(Open).same_path(),
        (P::Released, E::Command) => Step::new(P::Retensioning, Last),
        (P::Released, E::HoldRequest) => Step::new(P::Retensioning, Last).commands(Open),
        (P::Retensioning | P::RetensionPaused | P::RetensionFaulted, event) => match event {
            E::Release => Step::new(P::Releasing, Last).commands(Open),
            E::Fault => Step::new(P::RetensionFaulted, Last).same_path(),
            E::Missing => Step::new(P::RetensionPaused, Last).same_path(),
            E::Ready => Step::new(P::Retensioning, Last).same_path(),
            E::Arrived if matches!(phase, P::Retensioning) => Step::new(P::Holding, Last),
            E::ClockJump => Step::new(P::Holding, Last).commands(Void),
            _ => Step::stay(phase),
        },
        (P::Releasing | P::ReleasePaused | P::Released, E::ClockJump) => {
            Step::new(P::Holding, Last).commands(Void)
        }
        _ => Step::stay(phase),
    }
}

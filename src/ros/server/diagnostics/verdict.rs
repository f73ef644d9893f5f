//! The level of the report, and its sentence.

use super::Facts;
use crate::control::tick::{Fallback, Mode, Output, Reaction};
use crate::ros::server::faults::Words;
use crate::ros::server::lifecycle::Reason;
use crate::ros::server::lifecycle::machine::State;
use crate::ros::server::report::Level;

/// What the sentence is about.
pub(super) struct Verdict<'a> {
    pub output: &'a Output,
    pub facts: &'a Facts,
    pub faults: Words<'a>,
    pub time_stands: bool,
    pub many_late: bool,
}

impl Verdict<'_> {
    /// Returns level and sentence.
    pub fn words(&self) -> (Level, String) {
        if self.facts.closing {
            return (Level::Ok, "coming to rest before shutdown".into());
        }
        if self.time_stands {
            let words = "simulated time stands still, and so does the joint";
            return (Level::Ok, words.into());
        }
        let lifecycle = &self.facts.lifecycle;
        let reason = match &lifecycle.reason {
            Reason::None => String::new(),
            reason => format!("; {reason}"),
        };
        match lifecycle.state {
            State::Unconfigured | State::Configuring => (
                Level::Ok,
                format!("unconfigured: no control loop runs{reason}"),
            ),
            State::Finalized | State::ErrorProcessing | State::ShuttingDown => {
                let level = match lifecycle.reason {
                    Reason::None => Level::Ok,
                    _ => Level::Error,
                };
                (level, format!("finalized: no control loop runs{reason}"))
            }
            _ => match self.facts.mode {
                Mode::Inactive => (
                    Level::Ok,
                    format!("inactive: no setpoints are sent{reason}"),
                ),
                Mode::Tracking => self.tracking(),
                mode if mode.sends() => self.standing(mode),
                mode => self.silent(mode),
            },
        }
    }

    /// Returns the words, with the fault after them.
    fn because(&self, what: &str) -> String {
        match self.faults.cause(&self.output.faults) {
            Some(cause) => format!("{what}: {cause}"),
            None => what.into(),
        }
    }

    fn dead_time(&self) -> String {
        let settings = &self.facts.settings;
        format!(
            "the measured dead time is {:.1} ms, gain set '{}' allows {:.1} ms",
            1e3 * self.output.delay,
            settings.gain_set,
            1e3 * settings.delay_allowed
        )
    }

    /// The words for a mode in which the joint waits to be driven.
    fn silent(&self, mode: Mode) -> (Level, String) {
        let o = self.output;
        match mode {
            Mode::Waiting => (
                Level::Warn,
                "waiting for samples of every required sensor; no setpoints are sent".into(),
            ),
            Mode::LatencyTooHigh => (
                Level::Error,
                format!("no setpoints are sent: {}", self.dead_time()),
            ),
            Mode::PositionOutOfRange => (
                Level::Error,
                "no setpoints are sent: a motor is outside its limits.travel_low and travel_high; \
                 is its encoder zeroed?"
                    .into(),
            ),
            _ => {
                let unready = self.faults.unready(o.readiness, &o.faults);
                let why = unready.unwrap_or_default();
                (Level::Error, format!("no setpoints are sent: {why}"))
            }
        }
    }

    /// The words for a mode in which the setpoint does not follow commands.
    fn standing(&self, mode: Mode) -> (Level, String) {
        let o = self.output;
        let faults = &o.faults;
        match mode {
            Mode::ReleasingTension => (Level::Warn, self.because("the tendons are being released")),
            Mode::Released if faults.reaction >= Reaction::Hold => {
                (Level::Error, self.because("the tendons are released"))
            }
            Mode::Released => (Level::Ok, "the tendons are released".into()),
            Mode::Retensioning => (Level::Warn, "the tendons are being retensioned".into()),
            Mode::Holding if faults.cause.is_none() => (
                Level::Error,
                "sensor data are stale: the setpoint is held".into(),
            ),
            Mode::Holding => (Level::Error, self.because("the setpoint is held")),
            Mode::Stopped if o.unsent => (
                Level::Error,
                self.because(
                    "every motor is silent: no setpoints are sent, and the loop restarts when they \
                     return",
                ),
            ),
            Mode::Stopped => (
                Level::Error,
                self.because(
                    "stopped with stale sensor data; the loop restarts when samples return",
                ),
            ),
            _ if faults.reaction == Reaction::Release => {
                let why = match self.facts.settings.self_support {
                    support if support.carries() => {
                        "a motor's travel, the base's tilt or an encoder prevents it".into()
                    }
                    support => support.to_string(),
                };
                let what =
                    format!("a fault holds the setpoint instead of releasing tension ({why})");
                (Level::Error, self.because(&what))
            }
            _ => (Level::Error, self.because("a fault holds the setpoint")),
        }
    }

    /// The words for a joint that follows commands, the most severe condition first.
    fn tracking(&self) -> (Level, String) {
        let o = self.output;
        let warn = |what: String| (Level::Warn, what);
        let from_motors = "the bend comes from the motors, and sag is not corrected";
        let reacted = self.faults.reacted(&o.faults);
        let sources = &self.facts.sources;
        if o.faults.reaction >= Reaction::Slow {
            return warn(reacted.unwrap_or_default());
        }
        if o.over_bend {
            let words = "bent beyond limits.over_bend: nothing moves outward";
            return (Level::Error, words.into());
        }
        match o.estimate.fallback {
            Fallback::None | Fallback::Observability => {}
            Fallback::Base => {
                let what = format!("the base's IMU is stale: {from_motors}");
                return warn(self.because(&what));
            }
            _ => return warn(self.because(from_motors)),
        }
        if let Some(reacted) = reacted {
            return warn(reacted);
        }
        let what = if o.following_error {
            "a motor does not follow its setpoint".into()
        } else if o.estimate.fallback == Fallback::Observability {
            format!(
                "gravity shows too little of the bend in this pose (observability {:.2}): \
                 {from_motors}",
                o.estimate.observability
            )
        } else if o.hunting {
            "the joint hunts".into()
        } else if !sources.contending.is_empty() {
            format!(
                "more than one source commands the joint: {}",
                Vec::from_iter(sources.all()).join(", ")
            )
        } else if o.delay > self.facts.settings.delay_allowed {
            self.dead_time()
        } else if self.many_late {
            "many ticks are late".into()
        } else if o.feedback_limited {
            "feedback is at its limit".into()
        } else if o.target_limited {
            "the command was beyond limits.inclination or the pan's travel and is limited to it"
                .into()
        } else {
            let what = if o.settled {
                "the target is held"
            } else {
                "tracking"
            };
            return (Level::Ok, what.into());
        };
        warn(what)
    }
}

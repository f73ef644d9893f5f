//! The level of the report, and its sentence.

use super::Facts;
use crate::control::tick::{Estimate, Fallback, Mode, Output, Reaction};
use crate::ros::server::faults::Words;
use crate::ros::server::lifecycle::Reason;
use crate::ros::server::lifecycle::machine::State;
use crate::ros::server::report::Level;

type Sentence = (Level, String);

fn ok(words: impl Into<String>) -> Sentence {
    (Level::Ok, words.into())
}

fn warn(words: impl Into<String>) -> Sentence {
    (Level::Warn, words.into())
}

fn error(words: impl Into<String>) -> Sentence {
    (Level::Error, words.into())
}

/// What it means that the bend comes from the motors.
const FROM_MOTORS: &str = "the bend comes from the motors, and sag is not corrected";

/// Returns why the bend comes from the motors, for the log.
pub(super) fn fallback(why: Fallback, estimate: &Estimate) -> String {
    match why {
        Fallback::None => "the bend comes from the IMU".into(),
        Fallback::Base => {
            format!("the base's IMU is stale: {FROM_MOTORS}; remedy: check the driver of base_imu")
        }
        Fallback::Stale => {
            format!("the head's IMU is stale: {FROM_MOTORS}; remedy: check the driver of imu")
        }
        Fallback::Frozen => format!(
            "the head's IMU repeats bit-identical samples: {FROM_MOTORS}; remedy: restart the \
             sensor or its driver"
        ),
        Fallback::Observability => format!(
            "gravity shows too little of the bend in this pose (observability {:.2}): \
             {FROM_MOTORS}",
            estimate.observability
        ),
    }
}

/// What the sentence is about.
pub(super) struct Verdict<'a> {
    pub output: &'a Output,
    pub facts: &'a Facts,
    pub faults: Words<'a>,
    pub time_stands: bool,
    pub many_late: bool,
}

impl Verdict<'_> {
    pub fn sentence(&self) -> Sentence {
        if self.facts.closing {
            return ok("coming to rest before shutdown");
        }
        if self.time_stands {
            return ok("simulated time stands still, and so does the joint");
        }
        let lifecycle = &self.facts.lifecycle;
        let reason = match &lifecycle.reason {
            Reason::None => String::new(),
            reason => format!("; {reason}"),
        };
        match (lifecycle.state, self.facts.mode) {
            (State::Unconfigured | State::Configuring, _) => {
                ok(format!("unconfigured: no control loop runs{reason}"))
            }
            (State::Finalized | State::ErrorProcessing | State::ShuttingDown, _) => {
                let words = format!("finalized: no control loop runs{reason}");
                if reason.is_empty() {
                    ok(words)
                } else {
                    error(words)
                }
            }
            (_, Mode::Inactive) => ok(format!("inactive: no setpoints are sent{reason}")),
            (_, Mode::Tracking) => self.tracking(),
            (_, mode) if mode.sends() => self.standing(mode),
            (_, mode) => self.silent(mode),
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
            1e3 * self.output.timing.delay,
            settings.gain_set,
            1e3 * settings.delay_allowed
        )
    }

    /// The sentence for a mode in which no setpoint is sent.
    fn silent(&self, mode: Mode) -> Sentence {
        let o = self.output;
        match mode {
            Mode::Waiting => {
                warn("waiting for samples of every required sensor; no setpoints are sent")
            }
            Mode::LatencyTooHigh => error(format!("no setpoints are sent: {}", self.dead_time())),
            Mode::PositionOutOfRange => error(
                "no setpoints are sent: a motor is outside its limits.travel_low and travel_high; \
                 is its encoder zeroed?",
            ),
            _ => {
                let why = self.faults.unready(o.readiness, &o.faults);
                error(format!(
                    "no setpoints are sent: {}",
                    why.unwrap_or_default()
                ))
            }
        }
    }

    /// The sentence for a mode in which the setpoint does not follow commands.
    fn standing(&self, mode: Mode) -> Sentence {
        let (o, faults) = (self.output, &self.output.faults);
        match mode {
            Mode::ReleasingTension => warn(self.because("the tendons are being released")),
            Mode::Released if faults.reaction >= Reaction::Hold => {
                error(self.because("the tendons are released"))
            }
            Mode::Released => ok("the tendons are released"),
            Mode::Retensioning => warn("the tendons are being retensioned"),
            Mode::Holding if faults.cause.is_none() => {
                error("sensor data are stale: the setpoint is held")
            }
            Mode::Holding => error(self.because("the setpoint is held")),
            Mode::Stopped if o.unsent => error(self.because(
                "every motor is silent: no setpoints are sent, and the loop restarts when they \
                 return",
            )),
            Mode::Stopped => {
                error(self.because(
                    "stopped with stale sensor data; the loop restarts when samples return",
                ))
            }
            _ if faults.reaction == Reaction::Release => {
                let why = match self.facts.settings.self_support {
                    support if support.carries() => {
                        "a motor's travel, the base's tilt or an encoder prevents it".into()
                    }
                    support => support.to_string(),
                };
                error(self.because(&format!(
                    "a fault holds the setpoint instead of releasing tension ({why})"
                )))
            }
            _ => error(self.because("a fault holds the setpoint")),
        }
    }

    /// The sentence for a joint that follows commands: on the most severe condition.
    fn tracking(&self) -> Sentence {
        let o = self.output;
        let from_motors = FROM_MOTORS;
        let reacted = self.faults.reacted(&o.faults);
        let sources = &self.facts.sources;
        match o.estimate.fallback {
            _ if o.faults.reaction >= Reaction::Slow => warn(reacted.unwrap_or_default()),
            _ if o.over_bend() => error("bent beyond limits.over_bend: nothing moves outward"),
            Fallback::Base => {
                warn(self.because(&format!("the base's IMU is stale: {from_motors}")))
            }
            Fallback::Stale | Fallback::Frozen => warn(self.because(from_motors)),
            _ if reacted.is_some() => warn(reacted.unwrap_or_default()),
            _ if o.following_error() => warn("a motor does not follow its setpoint"),
            Fallback::Observability => warn(fallback(Fallback::Observability, &o.estimate)),
            Fallback::None if o.hunting => warn("the joint hunts"),
            Fallback::None if !sources.contending.is_empty() => warn(format!(
                "more than one source commands the joint: {}",
                Vec::from_iter(sources.all()).join(", ")
            )),
            Fallback::None if self.facts.mixed.is_some() => {
                warn(self.facts.mixed.clone().unwrap_or_default())
            }
            Fallback::None if o.timing.delay > self.facts.settings.delay_allowed => {
                warn(self.dead_time())
            }
            Fallback::None if self.many_late => warn("many ticks are late"),
            Fallback::None if o.limited.feedback => warn("feedback is at its limit"),
            Fallback::None if o.limited.target => warn(
                "the command was beyond limits.inclination or the pan's travel and is limited to it",
            ),
            Fallback::None if o.settled => ok("the target is held"),
            Fallback::None => ok("tracking"),
        }
    }
}

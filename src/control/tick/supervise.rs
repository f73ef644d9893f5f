//! Fault rules of a running joint, and the reactions to them.
//!
//! Each [`Rule`] has a [`FaultConfig`]: its limit, its time, and the severity of its [`Reaction`].
//! The most severe reaction of all broken rules is in force.
//!
//! The default configs suit a joint of which nothing else is known. They are set so that ordinary
//! work (moves, pushes, payloads added, a swaying base, stiction, a change of gains) never breaks a
//! rule that holds the joint.

mod diverging_oscillation;
mod monitor;
mod sensor_mismatch;
mod sliding_fraction;
mod stuck_sensor;

use super::names::names;
pub(super) use monitor::{FaultMonitor, MonitorInput};

/// A condition that is monitored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Rule {
    /// The IMU of the head or of the base is silent or older than `limits.stale_imu`. Value: age,
    /// s.
    ImuStale,
    /// The head's IMU repeats bit-identical samples while the joint is commanded to move. Limit:
    /// commanded motion meanwhile, rad.
    ImuFrozen,
    /// A motor's encoder is silent or older than `limits.stale_motors`. Value: age, s.
    MotorStale,
    /// A motor's encoder repeats bit-identical samples while its setpoint moves. Limit: commanded
    /// motion meanwhile, rad.
    MotorFrozen,
    /// IMU and encoders indicate different bends. Limit: their distance, rad.
    SensorMismatch,
    /// The measured bend is above `limits.over_bend`. Value: bend, rad.
    OverBend,
    /// A motor is outside its position limits. Limit: the excess, rad.
    PositionLimit,
    /// A tendon is slack by the motors' angles. Limit: number of tendons.
    Slack,
    /// The correction, a speed or a position is at its limit. Limit: fraction of ticks in the
    /// config's time.
    Saturation,
    /// A motor deviates from its setpoint beyond the joint's following-error limit. Value:
    /// deviation, rad.
    FollowingError,
    /// The joint oscillates while its reference is at rest. Limit: peak-to-peak amplitude, rad.
    Hunting,
    /// An oscillation grows while the reference is at rest. Limit: peak-to-peak amplitude, rad.
    DivergingOscillation,
    /// Ticks are late. Limit: fraction of ticks in the config's time.
    LateCycles,
    /// No command has arrived for the config's time. Value: time since the last command, s.
    CommandTimeout,
}

/// Number of rules.
pub const RULES: usize = Rule::ALL.len();

names!(Rule {
    ImuStale => "imu_stale",
    ImuFrozen => "imu_frozen",
    MotorStale => "motor_stale",
    MotorFrozen => "motor_frozen",
    SensorMismatch => "sensor_mismatch",
    OverBend => "over_bend",
    PositionLimit => "position_limit",
    Slack => "slack",
    Saturation => "saturation",
    FollowingError => "following_error",
    Hunting => "hunting",
    DivergingOscillation => "diverging_oscillation",
    LateCycles => "late_cycles",
    CommandTimeout => "command_timeout",
});

/// Reaction to a broken rule, the mildest first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Reaction {
    /// Report the fault, nothing else.
    #[default]
    Warn,
    /// Move the reference slowly and no further outward.
    Slow,
    /// Hold the setpoints.
    Hold,
    /// Release the tendons gently if the beam carries the head; else as [`Reaction::Hold`].
    Release,
}

names!(Reaction {
    Warn => "warn",
    Slow => "slow",
    Hold => "hold",
    Release => "release",
});

/// Condition of a fault, and the reaction to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FaultConfig {
    /// Limit of the rule; see [`Rule`] for its unit. Unused if the limit is set elsewhere.
    pub limit: f64,
    /// Time above the limit before the reaction, s.
    pub after: f64,
    /// The reaction.
    pub reaction: Reaction,
    /// The reaction stays in force until the fault is cleared.
    pub latch: bool,
}

/// Action after a command timeout.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum TimeoutAction {
    /// Keep the present configuration.
    #[default]
    Hold,
    /// Move slowly to the straight bend and the pan's zero.
    Neutral,
}

/// Fault configs of one joint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Supervision {
    /// Configs, indexed by the rule's number.
    pub guards: [FaultConfig; RULES],
    /// The motors may supply the bend if the IMU cannot.
    pub fallback: bool,
    /// Action when [`Rule::CommandTimeout`] is broken.
    pub command_timeout_action: TimeoutAction,
}

/// Defaults in the order of [`Rule::ALL`]: limit, time, reaction, latch. "Ordinary" means the
/// greatest values of the simulated neck of the glasshouse guide over all payloads, pushes of 4 N,
/// payloads added and removed, changes of gains, stiction of 0.03 rad, drives at a quarter of their
/// speed, and twenty inaccurately built copies.
///
/// - Silent sensors: their age is the limit already; a longer wait would drive blind.
/// - Frozen IMU: 0.05 rad (3 deg) of reference are many times the resolution of an IMU. Another 0.1
///   s covers dead time and lag of the joint, so that a noise-free IMU does not count as frozen
///   when a motion begins.
/// - Frozen encoder: 0.2 rad of setpoint exceed stiction and many counts of any encoder; 0.2 s as
///   above.
/// - Sensor mismatch: moves, payloads and a swaying base ordinarily cause up to 0.1 rad, and pushes
///   of 4 N 0.23 rad, but for a quarter of a second. 0.12 rad for 1 s is a sensor that turned, a
///   tendon that parted, or a hand that keeps leaning on the head. The reference stops after 0.05
///   s: a heavy head whose tendon parted stays up until a motion takes it to that side.
/// - Over-bend: outward motion stops at the first tick; a bend still beyond the limit after 1.5 s
///   does not return by itself.
/// - Position limit: setpoints never exceed it, and motors ordinarily by less than 0.001 rad; 0.05
///   rad is no ripple.
/// - Slack: warning only, since the joint works with it; 1 s is longer than the slack of a push.
/// - Saturation: 0.9 of 3 s; moves saturate for tenths of a second.
/// - Following error: 1 s outside the following-error limit; motions are shorter.
/// - Hunting: 0.15 deg, by the detector of the integrator deadband.
/// - Diverging oscillation: 0.05 rad (3 deg) peak to peak; growing ones ordinarily stay below 0.02
///   rad.
/// - Late cycles: half of those within 1 s; a single late cycle does not affect the loop.
/// - Command timeout: a joint keeps its last target until it gets another.
const USUAL: [(f64, f64, Reaction, bool); RULES] = [
    (0.0, 0.0, Reaction::Hold, false),
    (0.05, 0.1, Reaction::Hold, true),
    (0.0, 0.0, Reaction::Hold, false),
    (0.2, 0.2, Reaction::Hold, true),
    (0.12, 1.0, Reaction::Hold, true),
    (0.0, 1.5, Reaction::Hold, true),
    (0.05, 0.1, Reaction::Hold, true),
    (0.5, 1.0, Reaction::Warn, false),
    (0.9, 3.0, Reaction::Slow, false),
    (0.0, 1.0, Reaction::Hold, true),
    (0.0026, 0.0, Reaction::Warn, false),
    (0.05, 0.0, Reaction::Hold, true),
    (0.5, 1.0, Reaction::Slow, false),
    (0.0, f64::INFINITY, Reaction::Warn, false),
];

impl Default for Supervision {
    /// Returns the configs for a joint of which nothing else is known; commands never time out.
    fn default() -> Self {
        let guard = |(limit, after, reaction, latch)| FaultConfig {
            limit,
            after,
            reaction,
            latch,
        };
        Self {
            guards: USUAL.map(guard),
            fallback: true,
            command_timeout_action: TimeoutAction::Hold,
        }
    }
}

impl Supervision {
    /// Returns the config of a rule.
    pub fn guard(&self, rule: Rule) -> &FaultConfig {
        &self.guards[rule as usize]
    }

    /// Returns the config of a rule, mutable.
    pub fn guard_mut(&mut self, rule: Rule) -> &mut FaultConfig {
        &mut self.guards[rule as usize]
    }
}

/// State of a rule.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Fault {
    /// Monitored value, in the unit of the config's limit.
    pub value: f64,
    /// The value is above its limit now.
    pub above: bool,
    /// The value has been above its limit for the config's time, so the reaction is due.
    pub broken: bool,
    /// The rule was broken and has not been cleared.
    pub latched: bool,
    /// Motors concerned: bit `i` for motor `i`; the pan motor counts after the last tendon's.
    pub motors: u64,
    /// Number of times that the rule was broken since the loop began.
    pub count: u64,
}

/// State of all rules.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Faults {
    /// States, indexed by the rule's number.
    pub rules: [Fault; RULES],
    /// The most severe reaction in force.
    pub reaction: Reaction,
    /// The rule that causes this reaction, if any is broken or latched.
    pub cause: Option<Rule>,
}

impl Faults {
    /// Returns the state of a rule.
    pub fn of(&self, rule: Rule) -> &Fault {
        &self.rules[rule as usize]
    }
}

/// Readiness of the joint to be started.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Readiness {
    /// Samples of a required sensor are missing or stale.
    #[default]
    Waiting,
    /// The sensor latency is higher than the gain set allows.
    LatencyTooHigh,
    /// A motor is outside its position limits.
    PositionOutOfRange,
    /// The head is bent beyond the over-bend limit.
    OverBent,
    /// IMU and encoders indicate different bends.
    SensorMismatch,
    /// The motors' angles do not match any bend at pretension, or they jump from sample to sample.
    Unexplained,
    /// A latched fault has not been cleared.
    Latched,
    /// The joint may be started.
    Ready,
}

names!(Readiness {
    Waiting => "waiting",
    LatencyTooHigh => "latency_too_high",
    PositionOutOfRange => "position_out_of_range",
    OverBent => "over_bent",
    SensorMismatch => "sensor_mismatch",
    Unexplained => "unexplained",
    Latched => "latched",
    Ready => "ready",
});

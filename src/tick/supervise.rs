//! What may be wrong with a joint that runs, and what is done about it.
//!
//! Each [`Rule`] has a [`FaultConfig`]: how far off, for how long, and how severe the [`Reaction`] is. Of all rules that are
//! broken the most severe reaction wins.
//!
//! Usual guards serve a joint of which nothing else is known; each is set so that ordinary work (moves, pushes, payloads set
//! on, a base that sways, stiction, a swap of gains) never breaks a rule that holds the joint.

mod diverging_oscillation;
mod monitor;
mod sensor_mismatch;
mod sliding_fraction;
mod stuck_sensor;

pub(super) use monitor::{FaultMonitor, MonitorInput};

/// Something that may be wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Rule {
    /// The IMU of the head, or of the base, is silent or old: by `limits.stale_imu`. Told in s of age.
    ImuStale,
    /// The head's IMU says the same to the last bit while the joint is made to move. Limit: the motion asked for
    /// meanwhile, rad.
    ImuFrozen,
    /// A motor's encoder is silent or old: by `limits.stale_motors`. Told in s of age.
    MotorStale,
    /// A motor's encoder says the same to the last bit while its setpoint moves. Limit: the motion asked for meanwhile, rad.
    MotorFrozen,
    /// IMU and encoders say different bends. Limit: their distance, rad.
    SensorMismatch,
    /// The joint is bent too far: by `limits.over_bend`. Told in rad of bend.
    OverBend,
    /// A motor stands outside its travel. Limit: how far, rad.
    PositionLimit,
    /// A tendon hangs slack by the motors' angles. Limit: how many tendons.
    Slack,
    /// The correction, a speed or a travel is at its limit. Limit: the share of ticks in the guard's time.
    Saturation,
    /// A motor does not follow its setpoint: by the joint's following-error limit. Told in rad.
    FollowingError,
    /// The joint swings to and fro while its reference rests. Limit: the swing, rad.
    Hunting,
    /// A swing grows while the reference rests. Limit: the swing, rad.
    DivergingOscillation,
    /// Ticks come late. Limit: the share of ticks in the guard's time.
    LateCycles,
    /// Nobody has commanded the joint for the guard's time. Told in s since the last command.
    CommandTimeout,
}

/// How many rules there are.
pub const RULES: usize = Rule::ALL.len();

impl Rule {
    /// All of them, in the order of their numbers.
    pub const ALL: [Self; 14] = [
        Self::ImuStale,
        Self::ImuFrozen,
        Self::MotorStale,
        Self::MotorFrozen,
        Self::SensorMismatch,
        Self::OverBend,
        Self::PositionLimit,
        Self::Slack,
        Self::Saturation,
        Self::FollowingError,
        Self::Hunting,
        Self::DivergingOscillation,
        Self::LateCycles,
        Self::CommandTimeout,
    ];

    /// Its name in files, parameters and diagnostics.
    pub const fn name(self) -> &'static str {
        match self {
            Self::ImuStale => "imu_stale",
            Self::ImuFrozen => "imu_frozen",
            Self::MotorStale => "motor_stale",
            Self::MotorFrozen => "motor_frozen",
            Self::SensorMismatch => "sensor_mismatch",
            Self::OverBend => "over_bend",
            Self::PositionLimit => "position_limit",
            Self::Slack => "slack",
            Self::Saturation => "saturation",
            Self::FollowingError => "following_error",
            Self::Hunting => "hunting",
            Self::DivergingOscillation => "diverging_oscillation",
            Self::LateCycles => "late_cycles",
            Self::CommandTimeout => "command_timeout",
        }
    }
}

/// What is done about a broken rule, the mildest first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Reaction {
    /// It is told, and nothing else.
    #[default]
    Warn,
    /// The reference moves slowly and no further out.
    Slow,
    /// The setpoints stand still.
    Hold,
    /// The tendons are released gently, where the beam alone carries the head; else as [`Reaction::Hold`].
    Release,
}

impl Reaction {
    /// All of them, the mildest first.
    pub const ALL: [Self; 4] = [Self::Warn, Self::Slow, Self::Hold, Self::Release];

    /// Its name in files, parameters and diagnostics.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Warn => "warn",
            Self::Slow => "slow",
            Self::Hold => "hold",
            Self::Release => "release",
        }
    }
}

/// When a rule is broken, and what follows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FaultConfig {
    /// Above this the rule is broken; see [`Rule`] for what it is. Not used where the rule's limit stands elsewhere.
    pub limit: f64,
    /// For how long it has to be above before anything follows, s.
    pub after: f64,
    /// What follows.
    pub reaction: Reaction,
    /// Whether the reaction stays until somebody clears it.
    pub latch: bool,
}

/// What becomes of a joint that nobody commands any more.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum TimeoutAction {
    /// It stays where it is.
    #[default]
    Hold,
    /// It goes slowly to where it is straight, the pan to its middle.
    Neutral,
}

/// The guards of one joint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Supervision {
    /// By number of the rule.
    pub guards: [FaultConfig; RULES],
    /// Whether the motors may say the bend where the IMU cannot.
    pub fallback: bool,
    /// What follows when [`Rule::CommandTimeout`] is broken.
    pub command_timeout_action: TimeoutAction,
}

/// In the order of [`Rule::ALL`]: limit, time, reaction, whether it latches. "Ordinary" is what the simulated neck of the
/// glasshouse guide comes to over all payloads, pushes of 4 N, payloads set on and off, swaps of gains, stiction of 0.03 rad, drives at a
/// quarter of their speed, and twenty badly built copies.
///
/// - Silent sensors: their age is the limit already; what waits longer drives blind.
/// - Frozen IMU: 0.05 rad (3 deg) of reference are many times what an IMU resolves; another 0.1 s covers dead time and lag of
///   the joint, so that one without any noise is not taken for frozen when a motion begins.
/// - Frozen encoder: 0.2 rad of setpoint are more than stiction and many counts of any encoder; 0.2 s as above.
/// - SensorMismatch: moves, payloads and a base that sways part both by up to 0.1 rad ordinarily, and pushes of 4 N by 0.23 rad, but
///   for a quarter of a second. 0.12 rad for 1 s is a sensor that turned, a tendon that parted, or a hand that keeps leaning on the
///   head. Nothing moves from 0.05 s on: a heavy head whose tendon parted stays up until a motion takes it over to that side.
/// - Over-bend: nothing moves outward from the first tick on; what is still beyond after 1.5 s is not coming back by itself.
/// - Travel: setpoints never leave it, and motors ordinarily by less than 0.001 rad; 0.05 rad is no ripple.
/// - Slack: told only, since the joint works with it; 1 s is longer than the slack of a push.
/// - Saturation: 0.9 of 3 s; moves saturate for tenths of a second.
/// - Not following: 1 s outside the following-error limit; motions are shorter.
/// - Hunting: 0.15 deg, by the detector of the integrator deadband.
/// - Growing swing: 0.05 rad (3 deg) from turn to turn; ordinarily nothing that grows passes 0.02 rad.
/// - Late ticks: half of those within 1 s; one that is late now and then makes no difference to the loop.
/// - Command: a joint holds its last target for as long as nobody says otherwise.
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
    /// What serves a joint of which nothing else is known; no command grows stale.
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
    /// The guard of a rule.
    pub fn guard(&self, rule: Rule) -> &FaultConfig {
        &self.guards[rule as usize]
    }

    /// The guard of a rule.
    pub fn guard_mut(&mut self, rule: Rule) -> &mut FaultConfig {
        &mut self.guards[rule as usize]
    }
}

/// How a rule stands.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Fault {
    /// What is watched, in the unit of the guard's limit.
    pub value: f64,
    /// It is above its limit now.
    pub above: bool,
    /// It has been for the guard's time, so that the reaction is due.
    pub broken: bool,
    /// It was broken, and nobody has cleared it.
    pub latched: bool,
    /// Bit `i` is set when motor `i` is concerned; the pan motor counts after the last tendon's.
    pub motors: u64,
    /// How often it was broken since the loop began.
    pub count: u64,
}

/// How all rules stand.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Faults {
    /// By number of the rule.
    pub rules: [Fault; RULES],
    /// The most severe reaction in force.
    pub reaction: Reaction,
    /// The rule that asks for it, if any is broken or latched.
    pub cause: Option<Rule>,
}

impl Faults {
    /// How a rule stands.
    pub fn of(&self, rule: Rule) -> &Fault {
        &self.rules[rule as usize]
    }
}

/// Whether the joint may be set going, and why not.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Readiness {
    /// Samples of a sensor that it needs are missing or old.
    #[default]
    Waiting,
    /// The sensors are slower than the gain set allows.
    LatencyTooHigh,
    /// A motor stands outside its travel.
    PositionOutOfRange,
    /// The head is bent beyond the over-bend limit.
    OverBent,
    /// IMU and encoders say different bends.
    SensorMismatch,
    /// The motors' angles are far from those of any bend at pretension, or jump from sample to sample.
    Unexplained,
    /// A fault waits to be cleared.
    Latched,
    /// It may.
    Ready,
}

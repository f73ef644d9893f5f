//! `/diagnostics`: one status per joint, at 1 Hz and after changes. Numeric values parse as
//! numbers, and the key holds the unit.

use std::collections::BTreeSet;

use r2r::diagnostic_msgs::msg::{DiagnosticStatus, KeyValue};

use super::fault_log::{FaultLog, News};
use super::faults::{Words, unit};
use super::lifecycle::machine::State;
use super::sources::Report;
use super::status::{Lifecycle, Status};
use super::target::{ERROR, OK, WARN, words};
use crate::control::geometry::{direction, inclination};
use crate::control::tick::{
    Fallback, Fault, Faults, Mode, Output, RULES, Reaction, Readiness, Rule,
};
use crate::files::JointFile;
use crate::runtime::link::{Counts, Record};

/// Time between reports when nothing changes, s.
const PERIOD: f64 = 1.0;
/// Min. time between reports, s.
const LEAST_PERIOD: f64 = 0.1;
/// Share of late ticks since the last report that causes a warning.
const LATE_SHARE: f64 = 0.05;

/// The content whose changes are reported at once.
#[derive(Clone, Debug, Default, PartialEq)]
struct LastSent {
    mode: Option<Mode>,
    flags: [bool; 6],
    fallback: Fallback,
    gain_set: String,
    changed: bool,
    refused: u64,
    dropped: u64,
    lifecycle: Lifecycle,
    faults: ToldFaults,
    readiness: Readiness,
    /// The source that holds the joint, and contending ones.
    sources: BTreeSet<String>,
}

/// State of each rule: broken, latched, and the motors concerned.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct ToldFaults {
    rules: [(bool, bool, u64); RULES],
    reaction: Reaction,
    cause: Option<Rule>,
}

impl ToldFaults {
    fn of(faults: &Faults) -> Self {
        let rule = |fault: &Fault| {
            if fault.broken || fault.latched {
                (fault.broken, fault.latched, fault.motors)
            } else {
                (false, false, 0)
            }
        };
        Self {
            rules: std::array::from_fn(|i| rule(&faults.rules[i])),
            reaction: faults.reaction,
            cause: faults.cause,
        }
    }
}

/// Total number of ticks at each limit.
#[derive(Clone, Copy, Debug, Default)]
struct Hits {
    correction: u64,
    speed: u64,
    travel: u64,
}

/// Collects the content of reports.
#[derive(Debug)]
pub struct Diagnostics {
    joint: String,
    name: String,
    file: String,
    motor_names: Vec<String>,
    pan: bool,
    output: Output,
    counts: Counts,
    counts_before: Counts,
    hits: Hits,
    /// Time of the last report, s of machine time and of loop time.
    last: (f64, f64),
    /// True while simulated time stands.
    time_stands: bool,
    told: LastSent,
    log: FaultLog,
    seen: bool,
}

impl Diagnostics {
    /// Creates the diagnostics of the joint whose node is `joint`.
    pub fn new(joint: &str, file: &JointFile) -> Self {
        let name = joint.trim_start_matches('/');
        Self {
            joint: joint.into(),
            name: format!("{name}: control loop"),
            file: file.file.display().to_string(),
            motor_names: file.all_motor_names(),
            pan: file.joint.pan.is_some(),
            output: Output::default(),
            counts: Counts::default(),
            counts_before: Counts::default(),
            hits: Hits::default(),
            last: (f64::NEG_INFINITY, f64::NEG_INFINITY),
            time_stands: false,
            told: LastSent::default(),
            log: FaultLog::new(),
            seen: false,
        }
    }

    /// Takes the record of one tick.
    pub fn see(&mut self, record: &Record) {
        let output = &record.output;
        self.hits.correction += u64::from(output.feedback_limited);
        self.hits.speed += u64::from(output.speed_limited);
        self.hits.travel += u64::from(output.travel_limited);
        self.output.clone_from(output);
        self.counts = record.counts;
        self.seen = true;
    }

    /// Sets whether simulated time stands.
    pub fn see_time_stand(&mut self, stands: bool) {
        self.time_stands = stands;
    }

    /// Returns a report if one is due at `machine` s of machine time, `now` s of loop time.
    pub fn due(
        &mut self,
        (machine, now): (f64, f64),
        status: &Status,
        skipped: u64,
        clock_steps: u64,
    ) -> Option<Vec<DiagnosticStatus>> {
        let since = machine - self.last.0;
        let gain_set = status.gain_set();
        let (reasons, dropped, last_dropped) = status.refused.list();
        let mut sources = status.sources.report(now, status.goal_under_way());
        if status.in_force().is_none() {
            // A hold or an outage has ended the command.
            sources.commanding.clear();
        }
        let o = &self.output;
        let told = LastSent {
            mode: self.seen.then(|| self.mode(status)),
            flags: [
                o.over_bend,
                o.target_limited,
                o.hunting,
                o.following_error,
                status.closing(),
                self.time_stands,
            ],
            fallback: o.estimate.fallback,
            gain_set: gain_set.name.clone(),
            changed: gain_set.changed,
            refused: gain_set.refused,
            dropped,
            lifecycle: status.lifecycle(),
            faults: ToldFaults::of(&o.faults),
            readiness: o.readiness,
            sources: match sources.contending.is_empty() {
                true => [sources.commanding.clone()].into(),
                // Alternating sources are no change.
                false => sources.all(),
            },
        };
        if since < LEAST_PERIOD || (since < PERIOD && told == self.told) {
            return None;
        }
        let passed = now - self.last.1;
        self.last = (machine, now);
        self.told = told;
        let ticks = self.counts.ticks - self.counts_before.ticks;
        let late = self.counts.late - self.counts_before.late;
        let rate = if passed.is_finite() && passed > 0.0 {
            ticks as f64 / passed
        } else {
            0.0
        };
        let many_late = ticks > 20 && late as f64 > LATE_SHARE * ticks as f64;
        self.counts_before = self.counts;

        let (supervision, _) = status.supervision();
        let faults = Words {
            supervision: &supervision,
            motor_names: &self.motor_names,
        };
        let (level, message) = self.verdict(status, &faults, &sources, many_late);
        let joint = self.joint.as_str();
        let cause = o.faults.cause.map(|rule| (rule, o.faults.reaction));
        match self.log.see(machine, cause) {
            Some(News::Broken(_)) if level == ERROR => tracing::error!(joint, "{message}"),
            Some(News::Broken(_)) => tracing::warn!(joint, "{message}"),
            Some(News::Gone(rule)) => tracing::info!(joint, "{} has gone", rule.name()),
            None => {}
        }
        let mut values = Vec::new();
        let mut add = |key: &str, value: String| {
            values.push(KeyValue {
                key: key.into(),
                value,
            });
        };
        let number = |value: f64| format!("{value:.6}");
        let flag = |value: bool| u8::from(value).to_string();
        let o = &self.output;
        let c = &self.counts;
        let lifecycle = status.lifecycle();
        add("lifecycle_state", lifecycle.state.label().into());
        add("lifecycle_reason", lifecycle.reason);
        add("lifecycle_reason_of", lifecycle.reason_of);
        add("autostart_waits", flag(lifecycle.waits));
        add("mode", self.mode(status).name().into());
        add("gain_set", gain_set.name);
        add("gains_changed_since_chosen", flag(gain_set.changed));
        add("feedback", o.estimate.source.name().into());
        add("tick_rate_hz", number(rate));
        add("cycles", c.ticks.to_string());
        add("late_cycles", c.late.to_string());
        add("missed_cycles", c.missed.to_string());
        add("cycles_without_sample", c.without_sample.to_string());
        add("longest_cycle_s", number(c.longest));
        add("latest_cycle_s", number(c.latest));
        add("dead_time_s", number(o.delay));
        add("dead_time_allowed_s", number(gain_set.delay_allowed));
        let bend = o.estimate.bend;
        add("inclination_rad", number(inclination(bend)));
        if let Some(direction) = direction(bend) {
            add("direction_rad", number(direction));
        }
        add("inclination_commanded_rad", number(inclination(o.target)));
        add("bend_error_rad", number((o.target - bend).norm()));
        if let Some(target) = status.in_force() {
            add("target_outcome", words(target.aimed.outcome).1.into());
            add("target_left_over_rad", number(target.aimed.residual));
        }
        add("contending", sources.contending.join(", "));
        add("commanding", sources.commanding);
        add("commands_contended", sources.contended.to_string());
        add("commands_refused", sources.refused.to_string());
        if self.pan {
            add("pan_rad", number(o.estimate.pan));
            add("pan_commanded_rad", number(o.target_pan));
        }
        add("settled", flag(o.settled));
        add("observability", number(o.estimate.observability));
        add("motors_residual_rad", number(o.estimate.motors_residual));
        let slack = o.estimate.slack;
        add("slack_tendons", slack.count_ones().to_string());
        add("slack_motors", faults.motors(slack));
        add("feedback_share", number(o.feedback_share));
        add(
            "cycles_with_feedback_limited",
            self.hits.correction.to_string(),
        );
        add("cycles_with_speed_limited", self.hits.speed.to_string());
        add("cycles_with_travel_limited", self.hits.travel.to_string());
        add("over_bend", flag(o.over_bend));
        add("command_cut_to_limit", flag(o.target_limited));
        add("integrator_deadband", flag(o.in_deadband));
        add("hunting", flag(o.hunting));
        add("following_error", flag(o.following_error));
        let all = &o.faults;
        if !o.mode.sends() {
            let unready = faults.unready(o.readiness, all);
            let readiness = match unready.as_str() {
                "" => "ready",
                why => why,
            };
            add("readiness", readiness.into());
        }
        let reaction = all.cause.map_or("none", |_| all.reaction.name());
        add("reaction", reaction.into());
        add("cause", all.cause.map_or("", Rule::name).into());
        add("latched_faults", faults.names_of_latched(all));
        let so_far: u64 = all.rules.iter().map(|fault| fault.count).sum();
        add("faults_so_far", so_far.to_string());
        for rule in Rule::ALL {
            let (name, fault, unit) = (rule.name(), all.of(rule), unit(rule));
            let state = match (fault.latched, fault.broken, fault.above) {
                (true, ..) => "latched",
                (_, true, _) => "broken",
                (.., true) => "above",
                _ => continue,
            };
            add(&format!("fault.{name}"), state.into());
            add(&format!("fault.{name}.value{unit}"), number(fault.value));
            let limit = supervision.guard(rule).limit;
            add(&format!("fault.{name}.limit{unit}"), number(limit));
            if fault.motors != 0 {
                add(&format!("fault.{name}.motors"), faults.motors(fault.motors));
            }
        }
        add("parameter_sets_refused", gain_set.refused.to_string());
        add("last_parameter_refusal", gain_set.last_refusal);
        add("gain_set_warning", gain_set.warning);
        add("messages_dropped", dropped.to_string());
        for (name, count) in reasons {
            add(&format!("dropped.{name}"), count.to_string());
        }
        add("last_dropped", last_dropped);
        add("telemetry_lost", c.lost.to_string());
        add("telemetry_skipped", skipped.to_string());
        // In simulated time: its jumps.
        add("clock_steps", clock_steps.to_string());
        Some(vec![DiagnosticStatus {
            level,
            name: self.name.clone(),
            message,
            hardware_id: self.file.clone(),
            values,
        }])
    }

    /// Returns the mode of the loop; while an autostart waits, the condition that it waits for.
    fn mode(&self, status: &Status) -> Mode {
        match (self.output.mode, status.lifecycle().waits) {
            (Mode::Inactive, true) => match self.output.readiness {
                Readiness::Waiting => Mode::Waiting,
                Readiness::LatencyTooHigh => Mode::LatencyTooHigh,
                Readiness::PositionOutOfRange => Mode::PositionOutOfRange,
                Readiness::Ready => Mode::Inactive,
                _ => Mode::NotReady,
            },
            (mode, _) => mode,
        }
    }

    fn verdict(
        &self,
        status: &Status,
        faults: &Words,
        sources: &Report,
        many_late: bool,
    ) -> (u8, String) {
        let o = &self.output;
        // The fault, after the words for the mode.
        let because = |what: &str| match faults.cause(&o.faults) {
            Some(cause) => format!("{what}: {cause}"),
            None => what.into(),
        };
        let gain_set = status.gain_set();
        if status.closing() {
            return (OK, "coming to rest before shutdown".into());
        }
        if self.time_stands {
            return (
                OK,
                "simulated time stands still, and so does the joint".into(),
            );
        }
        let Lifecycle { state, reason, .. } = status.lifecycle();
        let reason = match reason.as_str() {
            "" => String::new(),
            reason => format!("; {reason}"),
        };
        match state {
            State::Unconfigured | State::Configuring => {
                return (OK, format!("unconfigured: no control loop runs{reason}"));
            }
            State::Finalized | State::ErrorProcessing | State::ShuttingDown => {
                let level = if reason.is_empty() { OK } else { ERROR };
                return (level, format!("finalized: no control loop runs{reason}"));
            }
            _ => {}
        }
        match self.mode(status) {
            Mode::Inactive => (OK, format!("inactive: no setpoints are sent{reason}")),
            Mode::NotReady => (
                ERROR,
                format!(
                    "no setpoints are sent: {}",
                    faults.unready(o.readiness, &o.faults)
                ),
            ),
            Mode::Faulted if o.faults.reaction == Reaction::Release => {
                let why = match status.supervision().1 {
                    support if support.carries() => {
                        "a motor's travel, the base's tilt or an encoder prevents it".into()
                    }
                    support => support.to_string(),
                };
                let what = format!(
                    "a fault holds the setpoint instead of releasing tension ({why})"
                );
                (ERROR, because(&what))
            }
            Mode::Faulted => (ERROR, because("a fault holds the setpoint")),
            Mode::ReleasingTension => (WARN, because("the tendons are being released")),
            Mode::Released if o.faults.reaction >= Reaction::Hold => {
                (ERROR, because("the tendons are released"))
            }
            Mode::Released => (OK, "the tendons are released".into()),
            Mode::Retensioning => (WARN, "the tendons are being retensioned".into()),
            Mode::Waiting => (
                WARN,
                "waiting for samples of every required sensor; no setpoints are sent".into(),
            ),
            Mode::LatencyTooHigh => (
                ERROR,
                format!(
                    "no setpoints are sent: the measured dead time is {:.1} ms, gain set '{}' \
                     allows {:.1} ms",
                    1e3 * o.delay,
                    gain_set.name,
                    1e3 * gain_set.delay_allowed
                ),
            ),
            Mode::PositionOutOfRange => (
                ERROR,
                "no setpoints are sent: a motor is outside its limits.travel_low and travel_high; \
                 is its encoder zeroed?"
                    .into(),
            ),
            Mode::Holding if o.faults.cause.is_none() => {
                (ERROR, "sensor data are stale: the setpoint is held".into())
            }
            Mode::Holding => (ERROR, because("the setpoint is held")),
            Mode::Stopped if o.unsent => (
                ERROR,
                because(
                    "every motor is silent: no setpoints are sent, and the loop restarts when they \
                     return",
                ),
            ),
            Mode::Stopped => (
                ERROR,
                because("stopped with stale sensor data; the loop restarts when samples return"),
            ),
            Mode::Tracking if o.faults.reaction >= Reaction::Slow => {
                (WARN, faults.reacted(&o.faults).unwrap_or_default())
            }
            Mode::Tracking if o.over_bend => (
                ERROR,
                "bent beyond limits.over_bend: nothing moves outward".into(),
            ),
            Mode::Tracking if o.estimate.fallback == Fallback::Base => (
                WARN,
                because(
                    "the base's IMU is stale: the bend comes from the motors, and sag is not \
                     corrected",
                ),
            ),
            Mode::Tracking
                if !matches!(
                    o.estimate.fallback,
                    Fallback::None | Fallback::Observability
                ) =>
            {
                (
                    WARN,
                    because("the bend comes from the motors, and sag is not corrected"),
                )
            }
            Mode::Tracking if o.faults.cause.is_some() => {
                (WARN, faults.reacted(&o.faults).unwrap_or_default())
            }
            Mode::Tracking if o.following_error => {
                (WARN, "a motor does not follow its setpoint".into())
            }
            Mode::Tracking if o.estimate.fallback == Fallback::Observability => (
                WARN,
                format!(
                    "gravity shows too little of the bend in this pose (observability {:.2}): the \
                     bend comes from the motors, and sag is not corrected",
                    o.estimate.observability
                ),
            ),
            Mode::Tracking if o.hunting => (WARN, "the joint hunts".into()),
            Mode::Tracking if !sources.contending.is_empty() => (
                WARN,
                format!(
                    "more than one source commands the joint: {}",
                    Vec::from_iter(sources.all()).join(", ")
                ),
            ),
            Mode::Tracking if o.delay > gain_set.delay_allowed => (
                WARN,
                format!(
                    "the measured dead time is {:.1} ms, gain set '{}' allows {:.1} ms",
                    1e3 * o.delay,
                    gain_set.name,
                    1e3 * gain_set.delay_allowed
                ),
            ),
            Mode::Tracking if many_late => (WARN, "many ticks are late".into()),
            Mode::Tracking if o.feedback_limited => (WARN, "feedback is at its limit".into()),
            Mode::Tracking if o.target_limited => (
                WARN,
                "the command was beyond limits.inclination or the pan's travel and is limited to it"
                .into(),
            ),
            Mode::Tracking if o.settled => (OK, "the target is held".into()),
            Mode::Tracking => (OK, "tracking".into()),
        }
    }
}

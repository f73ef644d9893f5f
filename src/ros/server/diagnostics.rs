//! `/diagnostics`: one status per joint, at 1 Hz and after changes.

mod verdict;

use std::collections::BTreeSet;
use std::sync::Arc;

use r2r::diagnostic_msgs::msg::DiagnosticStatus;
use tokio::sync::watch;

use super::fault_log::{FaultLog, News, Seen};
use super::faults::{Words, remedy, unit};
use super::lifecycle::Lifecycle;
use super::refused::Refused;
use super::report::{Level, Values, report};
use super::services::Settings;
use super::sources::{Report, SharedSources, several};
use super::target::{InForce, words};
use super::topic::Topic;
use super::{JointContext, Phase};
use crate::control::geometry::{direction, inclination};
use crate::control::tick::{Fallback, Fault, Faults, Mode, Output, Reaction, Readiness, Rule};
use crate::runtime::link::{Counts, Record};
use verdict::{Verdict, fallback};

/// Time between reports when nothing changes, s.
const PERIOD: f64 = 1.0;
/// Min. time between reports, s.
const LEAST_PERIOD: f64 = 0.1;
/// Share of late ticks since the last report that causes a warning.
const LATE_SHARE: f64 = 0.05;

/// The content whose changes are reported at once.
#[derive(Clone, Debug, Default, PartialEq)]
struct Content {
    mode: Option<Mode>,
    over_bend: bool,
    target_limited: bool,
    hunting: bool,
    following_error: bool,
    closing: bool,
    time_stands: bool,
    fallback: Fallback,
    gain_set: String,
    gains_changed: bool,
    sets_refused: u64,
    messages_refused: u64,
    lifecycle: Lifecycle,
    faults: Faults,
    readiness: Readiness,
    /// The source that holds the joint, and contending ones.
    sources: BTreeSet<String>,
}

/// Returns the faults without what changes at each tick.
fn without_figures(faults: &Faults) -> Faults {
    let rules = faults.rules.map(|fault| Fault {
        value: 0.0,
        above: false,
        count: 0,
        motors: if fault.broken || fault.latched {
            fault.motors
        } else {
            0
        },
        ..fault
    });
    Faults { rules, ..*faults }
}

/// Total number of ticks at each limit.
#[derive(Clone, Copy, Debug, Default)]
struct Hits {
    feedback: u64,
    speed: u64,
    travel: u64,
}

/// What other threads report, read once per report.
struct Facts {
    settings: Settings,
    lifecycle: Lifecycle,
    closing: bool,
    sources: Report,
    /// What is wrong with the publishers of a sensor.
    mixed: Option<String>,
    mode: Mode,
}

/// Collects the content of reports.
#[derive(Debug)]
pub struct Diagnostics {
    joint: String,
    file: String,
    motor_names: Vec<String>,
    pan: bool,
    settings: watch::Receiver<Settings>,
    lifecycle: watch::Receiver<Lifecycle>,
    phase: watch::Receiver<Phase>,
    sources: Arc<SharedSources>,
    refused: Arc<Refused>,
    output: Output,
    counts: Counts,
    counts_before: Counts,
    hits: Hits,
    /// Time of the last report, s of machine time and of loop time.
    last: (f64, f64),
    last_content: Content,
    /// True while simulated time stands.
    time_stands: bool,
    log: FaultLog,
    seen: bool,
}

impl Diagnostics {
    pub fn new(context: &JointContext) -> Self {
        let file = &context.file;
        Self {
            joint: context.name.clone(),
            file: file.file.display().to_string(),
            motor_names: file.all_motor_names(),
            pan: file.joint.pan.is_some(),
            settings: context.settings.subscribe(),
            lifecycle: context.lifecycle.subscribe(),
            phase: context.phase.subscribe(),
            sources: context.sources.clone(),
            refused: context.refused.clone(),
            output: Output::default(),
            counts: Counts::default(),
            counts_before: Counts::default(),
            hits: Hits::default(),
            last: (f64::NEG_INFINITY, f64::NEG_INFINITY),
            last_content: Content::default(),
            time_stands: false,
            log: FaultLog::new(),
            seen: false,
        }
    }

    pub fn see(&mut self, record: &Record) {
        let output = &record.output;
        self.hits.feedback += u64::from(output.limited.feedback);
        self.hits.speed += u64::from(output.limited.speed);
        self.hits.travel += u64::from(output.limited.travel);
        self.output.clone_from(output);
        self.counts = record.counts;
        self.seen = true;
    }

    pub fn see_time_stand(&mut self, stands: bool) {
        self.time_stands = stands;
    }

    /// Returns a report if one is due at `machine` s of machine time, `now` s of loop time.
    pub fn due(
        &mut self,
        (machine, now): (f64, f64),
        in_force: Option<&InForce>,
        skipped: u64,
        clock_steps: u64,
    ) -> Option<DiagnosticStatus> {
        let since = machine - self.last.0;
        if since < LEAST_PERIOD {
            return None;
        }
        let facts = self.facts(now, in_force);
        let content = self.content(&facts);
        if since < PERIOD && content == self.last_content {
            return None;
        }
        let passed = now - self.last.1;
        (self.last, self.last_content) = ((machine, now), content);
        let ticks = self.counts.ticks - self.counts_before.ticks;
        let late = self.counts.late - self.counts_before.late;
        self.counts_before = self.counts;
        let verdict = Verdict {
            output: &self.output,
            facts: &facts,
            faults: Words {
                supervision: &facts.settings.supervision,
                motor_names: &self.motor_names,
            },
            time_stands: self.time_stands,
            many_late: ticks > 20 && late as f64 > LATE_SHARE * ticks as f64,
        };
        let verdict = verdict.sentence();
        self.log_news(machine, &facts, &verdict);
        let faults = Words {
            supervision: &facts.settings.supervision,
            motor_names: &self.motor_names,
        };
        let joint = self.joint.as_str();
        let mut values = Values::default();
        self.add_state(&mut values, &facts);
        let runs = passed.is_finite() && passed > 0.0;
        values.number(
            "tick_rate_hz",
            if runs { ticks as f64 / passed } else { 0.0 },
        );
        self.add_cycles(&mut values, &facts.settings);
        self.add_motion(&mut values, &facts.sources, in_force);
        self.add_limits(&mut values, &faults);
        self.add_faults(&mut values, &faults);
        self.add_losses(&mut values, &facts.settings);
        values.add("telemetry_skipped", skipped);
        // In simulated time: its jumps.
        values.add("clock_steps", clock_steps);
        Some(report(joint, "control loop", verdict, &self.file, values))
    }

    /// Logs what has changed since the last report.
    fn log_news(&mut self, machine: f64, facts: &Facts, verdict: &(Level, String)) {
        let (output, joint) = (&self.output, self.joint.as_str());
        let words = Words {
            supervision: &facts.settings.supervision,
            motor_names: &self.motor_names,
        };
        let seen = Seen {
            mode: output.mode,
            faults: &output.faults,
            fallback: output.estimate.fallback,
        };
        for news in self.log.see(machine, &seen) {
            match news {
                News::Broken(rule) => {
                    // The rule that causes the reaction is in the verdict, with what follows.
                    let causes =
                        output.faults.cause == Some(rule) && verdict.1.contains(rule.name());
                    let (severe, what) = if causes {
                        (verdict.0 == Level::Error, verdict.1.clone())
                    } else {
                        let severe = words.supervision.guard(rule).reaction >= Reaction::Hold;
                        let holds = severe && output.faults.reaction >= Reaction::Hold;
                        (holds, words.of(rule, output.faults.of(rule)))
                    };
                    let remedy = remedy(rule);
                    match severe {
                        true => tracing::error!(joint, "{what}; remedy: {remedy}"),
                        false => tracing::warn!(joint, "{what}; remedy: {remedy}"),
                    }
                }
                News::Latched(rule) => tracing::error!(
                    joint,
                    "{} is latched; ~/clear_faults clears it once the cause has gone",
                    rule.name()
                ),
                News::Gone(rule) => tracing::info!(joint, "{} has gone", rule.name()),
                News::Held => tracing::error!(joint, "{}", verdict.1),
                News::Released => tracing::info!(joint, "the joint follows commands again"),
                News::Fallback(why) => {
                    tracing::warn!(joint, "{}", fallback(why, &output.estimate));
                }
                News::Back => tracing::info!(joint, "the bend comes from the IMU again"),
            }
        }
    }

    fn facts(&self, now: f64, in_force: Option<&InForce>) -> Facts {
        let lifecycle = self.lifecycle.borrow().clone();
        let mut sources = self.sources.report(now);
        if in_force.is_none() {
            // A hold or an outage has ended the command.
            sources.commanding = None;
        }
        Facts {
            settings: self.settings.borrow().clone(),
            closing: self.phase.borrow().closing(),
            sources,
            mixed: self.mixed(),
            mode: self.mode(lifecycle.autostart_waits),
            lifecycle,
        }
    }

    /// Returns what is wrong with the publishers of the IMUs. On `joint_states`, the rest of the
    /// robot may publish too.
    fn mixed(&self) -> Option<String> {
        let sensors = self.sources.sensors().into_iter();
        let mut imus = sensors.filter(|(topic, _)| *topic != Topic::JointStates);
        imus.find_map(|(topic, names)| several(topic, &names))
    }

    /// Returns the mode of the loop; while an autostart waits, the condition that it waits for.
    fn mode(&self, autostart_waits: bool) -> Mode {
        match self.output.mode {
            Mode::Inactive if autostart_waits => match self.output.readiness {
                Readiness::Waiting => Mode::Waiting,
                Readiness::LatencyTooHigh => Mode::LatencyTooHigh,
                Readiness::PositionOutOfRange => Mode::PositionOutOfRange,
                Readiness::Ready => Mode::Inactive,
                _ => Mode::NotReady,
            },
            mode => mode,
        }
    }

    fn content(&self, facts: &Facts) -> Content {
        let o = &self.output;
        let sources = &facts.sources;
        Content {
            mode: self.seen.then_some(facts.mode),
            over_bend: o.over_bend(),
            target_limited: o.limited.target,
            hunting: o.hunting,
            following_error: o.following_error(),
            closing: facts.closing,
            time_stands: self.time_stands,
            fallback: o.estimate.fallback,
            gain_set: facts.settings.gain_set.clone(),
            gains_changed: facts.settings.gains_changed,
            sets_refused: facts.settings.refused,
            messages_refused: self.refused.total(),
            lifecycle: facts.lifecycle.clone(),
            faults: without_figures(&o.faults),
            readiness: o.readiness,
            sources: if sources.contending.is_empty() {
                [sources.commanding()].into()
            } else {
                // Alternating sources are no change.
                sources.all()
            },
        }
    }

    fn add_state(&self, values: &mut Values, facts: &Facts) {
        let Facts {
            lifecycle,
            settings,
            ..
        } = facts;
        values.add("lifecycle_state", lifecycle.state.label());
        values.add("lifecycle_reason", &lifecycle.reason);
        values.add("lifecycle_reason_of", lifecycle.reason.of());
        values.flag("autostart_waits", lifecycle.autostart_waits);
        values.add("mode", facts.mode.name());
        values.add("gain_set", &settings.gain_set);
        values.flag("gains_changed_since_chosen", settings.gains_changed);
        values.add("feedback", self.output.estimate.source.name());
    }

    fn add_cycles(&self, values: &mut Values, settings: &Settings) {
        let c = &self.counts;
        values.add("cycles", c.ticks);
        values.add("late_cycles", c.late);
        values.add("missed_cycles", c.missed);
        values.add("cycles_without_sample", c.without_sample);
        values.number("longest_cycle_s", c.longest);
        values.number("latest_cycle_s", c.latest);
        values.number("dead_time_s", self.output.timing.delay);
        values.number("dead_time_allowed_s", settings.delay_allowed);
    }

    fn add_motion(&self, values: &mut Values, sources: &Report, in_force: Option<&InForce>) {
        let o = &self.output;
        let bend = o.estimate.bend;
        values.number("inclination_rad", inclination(bend));
        if let Some(direction) = direction(bend) {
            values.number("direction_rad", direction);
        }
        values.number("inclination_commanded_rad", inclination(o.target));
        values.number("bend_error_rad", (o.target - bend).norm());
        if let Some(target) = in_force {
            values.add("target_outcome", words(target.aimed.outcome).1);
            values.number("target_left_over_rad", target.aimed.residual);
        }
        values.add("contending", sources.contending.join(", "));
        values.add("commanding", sources.commanding());
        values.add("commands_contended", sources.contended);
        values.add("commands_refused", sources.refused);
        if self.pan {
            values.number("pan_rad", o.estimate.pan);
            values.number("pan_commanded_rad", o.target_pan);
        }
        for (topic, names) in self.sources.sensors() {
            values.add(&format!("publishers.{}", topic.name()), names.join(", "));
        }
        values.flag("settled", o.settled);
        values.number("observability", o.estimate.observability);
        values.number("motors_residual_rad", o.estimate.motors_residual);
    }

    fn add_limits(&self, values: &mut Values, faults: &Words) {
        let o = &self.output;
        let slack = o.estimate.slack;
        values.add("slack_tendons", slack.count_ones());
        values.add("slack_motors", faults.motors(slack));
        values.number("feedback_share", o.limited.feedback_share);
        values.add("cycles_with_feedback_limited", self.hits.feedback);
        values.add("cycles_with_speed_limited", self.hits.speed);
        values.add("cycles_with_travel_limited", self.hits.travel);
        values.flag("over_bend", o.over_bend());
        values.flag("command_cut_to_limit", o.limited.target);
        values.flag("integrator_deadband", o.in_deadband);
        values.flag("hunting", o.hunting);
        values.flag("following_error", o.following_error());
    }

    fn add_faults(&self, values: &mut Values, words: &Words) {
        let all = &self.output.faults;
        if !self.output.mode.sends() {
            let unready = words.unready(self.output.readiness, all);
            values.add("readiness", unready.as_deref().unwrap_or("ready"));
        }
        let reaction = all.cause.map_or("none", |_| all.reaction.name());
        values.add("reaction", reaction);
        values.add("cause", all.cause.map_or("", Rule::name));
        values.add("latched_faults", words.names_of_latched(all));
        let so_far: u64 = all.rules.iter().map(|fault| fault.count).sum();
        values.add("faults_so_far", so_far);
        for rule in Rule::ALL {
            let (name, fault, unit) = (rule.name(), all.of(rule), unit(rule));
            let state = match (fault.latched, fault.broken, fault.above) {
                (true, ..) => "latched",
                (_, true, _) => "broken",
                (.., true) => "above",
                _ => continue,
            };
            values.add(&format!("fault.{name}"), state);
            values.number(&format!("fault.{name}.value{unit}"), fault.value);
            let limit = words.supervision.guard(rule).limit;
            values.number(&format!("fault.{name}.limit{unit}"), limit);
            if fault.motors != 0 {
                let motors = words.motors(fault.motors);
                values.add(&format!("fault.{name}.motors"), motors);
            }
        }
    }

    fn add_losses(&self, values: &mut Values, settings: &Settings) {
        values.add("parameter_sets_refused", settings.refused);
        values.add("last_parameter_refusal", &settings.last_refusal);
        values.add("gain_set_warning", &settings.warning);
        let refused = self.refused.counts();
        values.add("messages_dropped", refused.total);
        for (name, count) in refused.named() {
            values.add(&format!("dropped.{name}"), count);
        }
        values.add("last_dropped", &refused.last);
        values.add("telemetry_lost", self.counts.lost);
    }
}

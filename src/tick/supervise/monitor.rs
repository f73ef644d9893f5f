//! The rules, judged once a tick.

use super::diverging_oscillation::Growing;
use super::sensor_mismatch::Doubt;
use super::sliding_fraction::Share;
use super::stuck_sensor::Still;
use super::{Fault, FaultConfig, Faults, Reaction, Rule};
use crate::controller::CommandInterface;
use crate::geometry::Configuration;
use crate::tick::estimate::{head_age, motor_age};
use crate::tick::{Estimate, Feedback, Input, Joint, Law, MotorSample, Source};

/// A tick is late that comes this much after the one before, in periods.
const LATE: f64 = 1.5;
/// Hysteresis below the over-bend limit, rad (2 deg).
const OVER_BEND_HYSTERESIS: f64 = 0.035;
/// Times are told apart from a guard's to rounding, s.
const ROUNDING: f64 = 1e-9;

/// What the loop knows of itself at a tick.
pub(in crate::tick) struct MonitorInput<'a> {
    /// It drives the joint, or holds it.
    pub live: bool,
    /// Tendons are released, or on their way: they hang, and what their motors say of the bend means nothing.
    pub released: bool,
    /// Its reference rests.
    pub at_rest: bool,
    pub estimate: Estimate,
    /// Gravity's direction in the base frame is known.
    pub base_known: bool,
    /// The head's IMU would say the bend if it were trusted.
    pub imu_says: bool,
    /// Motor angles, rad.
    pub angles: &'a [f64],
    /// What was sent last, rad or rad/s, and the same of the pan.
    pub sent: &'a [f64],
    pub pan_sent: f64,
    pub reference: Configuration,
    /// How far the motors are from where they should be, rad, the pan's last.
    pub departures: &'a [f64],
    /// The correction, a speed or a travel was at its limit in the last tick.
    pub saturated: bool,
    pub hunting: bool,
    /// Swing that it hunts with, rad.
    pub swing: f64,
}

/// The rules' memory.
#[derive(Clone, Debug)]
pub(in crate::tick) struct FaultMonitor {
    faults: Faults,
    /// Since when each rule is above its limit, s.
    since: [Option<f64>; super::RULES],
    /// Rules whose hold was in force: only clearing ends that.
    stuck: u64,
    only_gaps: bool,
    clear: u64,
    last: f64,
    stood: f64,
    kind: CommandInterface,
    head: Still<6>,
    /// The reference when the head's samples were new, rad.
    head_from: Configuration,
    /// Each motor's encoder, the pan's last.
    encoders: Vec<Still<1>>,
    /// Where its setpoints would have each motor, rad, and where that was when the encoder's samples were new.
    asked: Vec<f64>,
    asked_from: Vec<f64>,
    begun: bool,
    saturation: Share,
    late: Share,
    growing: Growing,
    doubt: Doubt,
    source: Source,
    /// The newest command, by sequence number, and when it came, s.
    sequence: Option<u64>,
    commanded: f64,
    motors_safe: bool,
}

/// Bit `i`, where there is one.
fn bit(i: usize) -> u64 {
    u32::try_from(i)
        .ok()
        .and_then(|i| 1_u64.checked_shl(i))
        .unwrap_or(0)
}

/// The bits of those that are so.
fn bits(all: impl Iterator<Item = bool>) -> u64 {
    let set = all.enumerate().filter(|(_, so)| *so);
    set.fold(0, |bits, (i, _)| bits | bit(i))
}

/// By how much `value` is outside, 0 inside. What is no number is outside.
fn outside(value: f64, low: f64, high: f64) -> f64 {
    let beyond = (low - value).max(value - high);
    if beyond.is_nan() {
        f64::INFINITY
    } else {
        beyond.max(0.0)
    }
}

impl FaultMonitor {
    pub(in crate::tick) fn new(joint: &Joint, kind: CommandInterface) -> Self {
        let count = joint.motors() + usize::from(joint.pan.is_some());
        Self {
            faults: Faults::default(),
            since: [None; super::RULES],
            stuck: 0,
            only_gaps: true,
            clear: 0,
            last: f64::NAN,
            stood: f64::NAN,
            kind,
            head: Still::default(),
            head_from: Configuration::zeros(),
            encoders: vec![Still::default(); count],
            asked: vec![0.0; count],
            asked_from: vec![0.0; count],
            begun: false,
            saturation: Share::default(),
            late: Share::default(),
            growing: Growing::default(),
            doubt: Doubt::default(),
            source: Source::default(),
            sequence: None,
            commanded: f64::NEG_INFINITY,
            motors_safe: false,
        }
    }

    /// How all rules stand.
    pub(in crate::tick) fn faults(&self) -> &Faults {
        &self.faults
    }

    /// The loop starts anew from where the joint is.
    pub(in crate::tick) fn begin(&mut self) {
        self.begun = true;
    }

    fn in_force(&self, rule: Rule) -> bool {
        let fault = self.faults.of(rule);
        fault.broken || fault.latched
    }

    /// Whether the head's IMU repeats itself, so that it says nothing.
    pub(in crate::tick) fn distrusts_imu(&self) -> bool {
        self.in_force(Rule::ImuFrozen)
    }

    /// Whether the motors may say the bend where the IMU cannot.
    pub(in crate::tick) fn motors_may_serve(&self, law: &Law) -> bool {
        law.limits.supervision.fallback && self.motors_safe
    }

    /// Whether a fault waits to be cleared that asks for a hold.
    pub(in crate::tick) fn latched(&self, law: &Law) -> bool {
        let guards = &law.limits.supervision;
        let mut rules = Rule::ALL.iter();
        rules.any(|r| self.faults.of(*r).latched && guards.guard(*r).reaction >= Reaction::Hold)
    }

    /// Whether a fault that only clearing ends holds the joint.
    pub(in crate::tick) fn stuck(&self) -> bool {
        self.stuck != 0
    }

    /// Whatever holds the joint is that data are old, and nothing else.
    pub(in crate::tick) fn only_gaps(&self) -> bool {
        self.only_gaps
    }

    /// IMU and encoders have told of different bends, and it is not clear yet what that is.
    pub(in crate::tick) fn doubts(&self) -> bool {
        self.doubt.doubts()
    }

    /// Time since the tick before this one, s; NaN in the first.
    pub(in crate::tick) fn stood(&self) -> f64 {
        self.stood
    }

    /// The measured bend is beyond its limit.
    pub(in crate::tick) fn over_bend(&self) -> bool {
        self.faults.of(Rule::OverBend).above
    }

    /// What one rule sees: `value` and whether that is `above` its limit; anything follows after `after` s of that.
    fn judge(&mut self, law: &Law, rule: Rule, seen: Seen, after: f64, live: bool, now: f64) {
        let guard = law.limits.supervision.guard(rule);
        let since = &mut self.since[rule as usize];
        *since = match seen.above && live {
            true => since.or(Some(now)),
            false => None,
        };
        let broken = since.is_some_and(|since| now - since + ROUNDING >= after);
        self.note(guard, rule, seen, broken);
    }

    /// How a rule stands.
    fn note(&mut self, guard: &FaultConfig, rule: Rule, seen: Seen, broken: bool) {
        let fault: &mut Fault = &mut self.faults.rules[rule as usize];
        fault.value = seen.value;
        fault.above = seen.above;
        fault.count += u64::from(broken && !fault.broken);
        fault.broken = broken;
        if fault.latched {
            fault.motors |= if broken { seen.motors } else { 0 };
        } else {
            fault.motors = seen.motors;
            fault.latched = broken && guard.latch;
        }
    }

    /// Judges every rule. Work: a few passes over the motors.
    pub(in crate::tick) fn step(
        &mut self,
        joint: &Joint,
        law: &Law,
        input: &Input,
        view: &MonitorInput,
        now: f64,
    ) {
        self.still(joint, law, input, view);
        let guards = &law.limits.supervision;
        let live = view.live;
        let imu = law.feedback == Feedback::Imu;

        let of_head = head_age(&input.head, now);
        let mut value = of_head;
        if joint.base_from_imu.is_some() {
            value = value.max(head_age(&input.base, now));
        }
        let above = imu && !(of_head <= law.limits.stale_imu && view.base_known);
        self.at_once(law, Rule::ImuStale, Seen::new(value, above), view, now);

        let value = self.head.value();
        let above = value > guards.guard(Rule::ImuFrozen).limit;
        self.at_once(law, Rule::ImuFrozen, Seen::new(value, above), view, now);

        let pan = joint.pan.is_some().then_some(&input.pan);
        let samples = || input.motors.iter().chain(pan);
        let of = |s: &Option<MotorSample>| motor_age(s, now);
        let most = law.limits.stale_motors;
        let motors = bits(samples().map(|s| !(of(s) <= most)));
        let value = samples().map(of).fold(0.0, f64::max);
        self.at_once(law, Rule::MotorStale, Seen::of(value, motors), view, now);

        let most = guards.guard(Rule::MotorFrozen).limit;
        let value = self.encoders.iter().map(Still::value).fold(0.0, f64::max);
        let motors = bits(self.encoders.iter().map(|e| e.value() > most));
        self.at_once(law, Rule::MotorFrozen, Seen::of(value, motors), view, now);

        // An IMU that repeated itself is not trusted until that is cleared, but what it says now is heard: where that is far from what
        // the motors say, these do not serve either. Old angles say nothing of where the motors are.
        let frozen = self.faults.of(Rule::ImuFrozen).above;
        let known = view.imu_says && !frozen && !self.faults.of(Rule::MotorStale).above;
        let value = match known && imu && !view.released {
            true => (view.estimate.imu_bend - view.estimate.motors_bend).norm(),
            false => 0.0,
        };
        if frozen || !live {
            self.doubt.forget();
        }
        let guard = guards.guard(Rule::SensorMismatch);
        let (above, dt) = (value > guard.limit, joint.period);
        let broken = live && self.doubt.step(value, guard.limit, guard.after, dt);
        self.note(guard, Rule::SensorMismatch, Seen::new(value, above), broken);

        let value = view.estimate.bend.norm();
        let hysteresis = match self.over_bend() {
            true => OVER_BEND_HYSTERESIS,
            false => 0.0,
        };
        let above = value > law.limits.over_bend - hysteresis;
        self.at_once(law, Rule::OverBend, Seen::new(value, above), view, now);

        let most = guards.guard(Rule::PositionLimit).limit;
        let of_pan = joint.pan.map(|p| outside(view.estimate.pan, p.low, p.high));
        let limits = view.angles.iter().zip(&law.limits.motors);
        let beyond = || {
            limits
                .clone()
                .map(|(q, m)| outside(*q, m.low, m.high))
                .chain(of_pan)
        };
        let motors = bits(beyond().map(|b| b > most));
        let value = beyond().fold(0.0, f64::max);
        self.at_once(law, Rule::PositionLimit, Seen::of(value, motors), view, now);

        let value = f64::from(view.estimate.slack.count_ones());
        let above = value > guards.guard(Rule::Slack).limit && !view.released;
        let seen = Seen {
            value,
            above,
            motors: view.estimate.slack,
        };
        self.at_once(law, Rule::Slack, seen, view, now);

        // Shares are of the guard's time already.
        let guard = guards.guard(Rule::Saturation);
        let value = self
            .saturation
            .step(live && view.saturated, now, guard.after);
        let seen = Seen::new(value, value > guard.limit);
        self.judge(law, Rule::Saturation, seen, 0.0, live, now);

        // An encoder that is silent shows nothing of its motor.
        let silent = self.faults.of(Rule::MotorStale).motors;
        let departures = || {
            let all = view.departures.iter().enumerate();
            all.map(|(i, d)| if silent & bit(i) == 0 { d.abs() } else { 0.0 })
        };
        let value = departures().fold(0.0, f64::max);
        let motors = bits(departures().map(|d| !(d <= joint.following_error_limit)));
        self.at_once(
            law,
            Rule::FollowingError,
            Seen::of(value, motors),
            view,
            now,
        );

        self.at_once(
            law,
            Rule::Hunting,
            Seen::new(view.swing, view.hunting),
            view,
            now,
        );

        let limit = guards.guard(Rule::DivergingOscillation).limit;
        // Another source's bend is no swing.
        let same =
            std::mem::replace(&mut self.source, view.estimate.source) == view.estimate.source;
        let watched = live && view.at_rest && same;
        self.growing
            .step(view.estimate.bend, watched, now, joint.period, limit);
        let value = self.growing.value();
        self.at_once(
            law,
            Rule::DivergingOscillation,
            Seen::new(value, value > limit),
            view,
            now,
        );

        let guard = guards.guard(Rule::LateCycles);
        self.stood = now - self.last;
        self.last = now;
        let late = self.stood > LATE * joint.period;
        let value = self.late.step(late, now, guard.after);
        let seen = Seen::new(value, value > guard.limit);
        self.judge(law, Rule::LateCycles, seen, 0.0, live, now);

        let sequence = input.desired.map(|d| d.sequence);
        let new = std::mem::replace(&mut self.sequence, sequence) != sequence;
        if !live || new || now < self.commanded {
            self.commanded = now;
        }
        let value = now - self.commanded;
        let above = value + ROUNDING >= guards.guard(Rule::CommandTimeout).after && value > 0.0;
        self.judge(
            law,
            Rule::CommandTimeout,
            Seen::new(value, above),
            0.0,
            live,
            now,
        );

        self.clear(input);
        self.react(law);
    }

    /// A rule whose time is its guard's.
    fn at_once(&mut self, law: &Law, rule: Rule, seen: Seen, view: &MonitorInput, now: f64) {
        let after = law.limits.supervision.guard(rule).after;
        self.judge(law, rule, seen, after, view.live, now);
    }

    /// Looks for sensors that say the same to the last bit.
    fn still(&mut self, joint: &Joint, law: &Law, input: &Input, view: &MonitorInput) {
        let sent = view.sent.iter().copied();
        let pan = joint.pan.map(|pan| pan.ratio * view.pan_sent);
        for (asked, sent) in self.asked.iter_mut().zip(sent.chain(pan)) {
            match law.kind {
                CommandInterface::Position => *asked = sent,
                CommandInterface::Velocity => *asked += sent * joint.period,
            }
        }
        let begun = std::mem::take(&mut self.begun) || self.kind != law.kind || !view.live;
        self.kind = law.kind;
        if begun {
            self.head_from = view.reference;
            self.asked_from.copy_from_slice(&self.asked);
            self.head.forget();
            self.encoders.iter_mut().for_each(Still::forget);
        }
        self.head.way((view.reference - self.head_from).norm());
        if let Some(head) = &input.head {
            let (g, w) = (head.gravity, head.angular_velocity);
            if self.head.sample([g.x, g.y, g.z, w.x, w.y, w.z], head.stamp) {
                self.head_from = view.reference;
            }
        }
        let samples = input
            .motors
            .iter()
            .chain(joint.pan.is_some().then_some(&input.pan));
        for (i, sample) in samples.enumerate().take(self.encoders.len()) {
            self.encoders[i].way((self.asked[i] - self.asked_from[i]).abs());
            if let Some(sample) = sample
                && self.encoders[i].sample([sample.angle], sample.stamp)
            {
                self.asked_from[i] = self.asked[i];
            }
        }
    }

    /// Clears what was asked to be cleared, where its cause has gone.
    fn clear(&mut self, input: &Input) {
        if std::mem::replace(&mut self.clear, input.clear) == input.clear {
            return;
        }
        for rule in Rule::ALL {
            let fault = &mut self.faults.rules[rule as usize];
            if !fault.above {
                (fault.broken, fault.latched, fault.motors) = (false, false, 0);
                if rule == Rule::SensorMismatch {
                    self.doubt.forget();
                }
                self.stuck &= !bit(rule as usize);
            }
        }
    }

    /// The most severe reaction of all rules in force.
    fn react(&mut self, law: &Law) {
        // Motors serve where each says something and none says it wrongly.
        let shows = |rule| self.faults.of(rule).above || self.in_force(rule);
        self.motors_safe = !shows(Rule::MotorStale)
            && !shows(Rule::MotorFrozen)
            && !self.in_force(Rule::FollowingError)
            && !self.in_force(Rule::SensorMismatch)
            && !shows(Rule::Slack);
        let spared = law.feedback == Feedback::Motors || self.motors_may_serve(law);
        let (mut reaction, mut cause) = (Reaction::Warn, None);
        self.only_gaps = true;
        for rule in Rule::ALL {
            let asked = law.limits.supervision.guard(rule).reaction;
            // While IMU and encoders say different bends, nothing goes on out until it is clear what that is: a tendon
            // that has snapped lets the head on much further than it was sent.
            let doubted =
                rule == Rule::SensorMismatch && (self.faults.of(rule).above || self.doubt.doubts());
            let asked = match (self.in_force(rule), doubted) {
                (true, _) => asked,
                (false, true) => asked.min(Reaction::Slow),
                (false, false) => continue,
            };
            let stuck = self.stuck & bit(rule as usize) != 0;
            let asked = match rule {
                Rule::ImuStale | Rule::ImuFrozen if spared && !stuck => Reaction::Warn,
                _ => asked,
            };
            if cause.is_none() || asked > reaction {
                (reaction, cause) = (asked, Some(rule));
            }
            self.only_gaps &=
                asked < Reaction::Hold || matches!(rule, Rule::ImuStale | Rule::MotorStale);
            if asked >= Reaction::Hold && self.faults.of(rule).latched {
                self.stuck |= bit(rule as usize);
            }
        }
        (self.faults.reaction, self.faults.cause) = (reaction, cause);
    }
}

/// What a rule sees.
#[derive(Clone, Copy)]
struct Seen {
    value: f64,
    above: bool,
    motors: u64,
}

impl Seen {
    fn new(value: f64, above: bool) -> Self {
        Self {
            value,
            above,
            motors: 0,
        }
    }

    /// Above where any motor is.
    fn of(value: f64, motors: u64) -> Self {
        Self {
            value,
            above: motors != 0,
            motors,
        }
    }
}

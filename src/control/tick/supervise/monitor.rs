//! Evaluation of the fault rules, once per tick.

use super::diverging_oscillation::OscillationDetector;
use super::sensor_mismatch::MismatchDetector;
use super::sliding_fraction::SlidingFraction;
use super::stuck_sensor::StuckDetector;
use super::{Fault, FaultConfig, Faults, Reaction, Rule};
use crate::control::controller::CommandInterface;
use crate::control::geometry::Configuration;
use crate::control::tick::estimate::{head_age, motor_age};
use crate::control::tick::{Estimate, Feedback, Input, Joint, Law, MotorSample, Source};

/// Interval between ticks, in periods, above which a tick is late.
const LATE: f64 = 1.5;
/// Hysteresis below the over-bend limit, rad (2 deg).
const OVER_BEND_HYSTERESIS: f64 = 0.035;
/// Rounding tolerance when times are compared with a config's time, s.
const ROUNDING: f64 = 1e-9;

/// State of the loop at a tick, as the monitor needs it.
pub(in crate::control::tick) struct MonitorInput<'a> {
    /// The loop drives the joint or holds it.
    pub live: bool,
    /// Tendons are released or in transition: their motors' bend is meaningless.
    pub released: bool,
    /// The reference is at rest.
    pub at_rest: bool,
    pub estimate: Estimate,
    /// Gravity's direction in the base frame is known.
    pub base_known: bool,
    /// The head's IMU supplies the bend, trusted or not.
    pub imu_says: bool,
    /// Motor angles, rad.
    pub angles: &'a [f64],
    /// Last setpoints of the motors and of the pan, rad or rad/s.
    pub sent: &'a [f64],
    pub pan_sent: f64,
    pub reference: Configuration,
    /// Deviation of each motor from its expected angle, rad; the pan's is last.
    pub departures: &'a [f64],
    /// The correction, a speed or a position was at its limit in the last tick.
    pub saturated: bool,
    pub hunting: bool,
    /// Peak-to-peak amplitude of the hunting, rad.
    pub swing: f64,
}

/// Memory of the fault rules.
#[derive(Clone, Debug)]
pub(in crate::control::tick) struct FaultMonitor {
    faults: Faults,
    /// Time since which each rule is above its limit, s.
    since: [Option<f64>; super::RULES],
    /// Rules with a hold that was in force and that only clearing ends, as bits.
    stuck: u64,
    only_gaps: bool,
    clear: u64,
    last: f64,
    stood: f64,
    kind: CommandInterface,
    head: StuckDetector<6>,
    /// Reference when the head's samples last changed, rad.
    head_from: Configuration,
    /// Encoder of each motor; the pan's is last.
    encoders: Vec<StuckDetector<1>>,
    /// Commanded angle of each motor, rad: now, and when the encoder's samples last changed.
    asked: Vec<f64>,
    asked_from: Vec<f64>,
    begun: bool,
    saturation: SlidingFraction,
    late: SlidingFraction,
    growing: OscillationDetector,
    doubt: MismatchDetector,
    source: Source,
    /// Sequence number of the newest command and its time of arrival, s.
    sequence: Option<u64>,
    commanded: f64,
    motors_safe: bool,
}

/// Returns a mask with bit `i` set; 0 beyond 63.
fn bit(i: usize) -> u64 {
    u32::try_from(i)
        .ok()
        .and_then(|i| 1_u64.checked_shl(i))
        .unwrap_or(0)
}

/// Returns a mask of the items that are true.
fn bits(all: impl Iterator<Item = bool>) -> u64 {
    let set = all.enumerate().filter(|(_, so)| *so);
    set.fold(0, |bits, (i, _)| bits | bit(i))
}

/// Returns the distance of `value` from the interval, 0 inside and infinite for NaN.
fn outside(value: f64, low: f64, high: f64) -> f64 {
    let beyond = (low - value).max(value - high);
    if beyond.is_nan() {
        f64::INFINITY
    } else {
        beyond.max(0.0)
    }
}

impl FaultMonitor {
    pub(in crate::control::tick) fn new(joint: &Joint, kind: CommandInterface) -> Self {
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
            head: StuckDetector::default(),
            head_from: Configuration::zeros(),
            encoders: vec![StuckDetector::default(); count],
            asked: vec![0.0; count],
            asked_from: vec![0.0; count],
            begun: false,
            saturation: SlidingFraction::default(),
            late: SlidingFraction::default(),
            growing: OscillationDetector::default(),
            doubt: MismatchDetector::default(),
            source: Source::default(),
            sequence: None,
            commanded: f64::NEG_INFINITY,
            motors_safe: false,
        }
    }

    /// Returns the state of all rules.
    pub(in crate::control::tick) fn faults(&self) -> &Faults {
        &self.faults
    }

    /// Records that the loop restarts from where the joint is.
    pub(in crate::control::tick) fn begin(&mut self) {
        self.begun = true;
    }

    fn in_force(&self, rule: Rule) -> bool {
        let fault = self.faults.of(rule);
        fault.broken || fault.latched
    }

    /// Returns true if the head's IMU repeats itself and must not be used.
    pub(in crate::control::tick) fn distrusts_imu(&self) -> bool {
        self.in_force(Rule::ImuFrozen)
    }

    /// Returns true if the motors may supply the bend when the IMU cannot.
    pub(in crate::control::tick) fn motors_may_serve(&self, law: &Law) -> bool {
        law.limits.supervision.fallback && self.motors_safe
    }

    /// Returns true if a fault with a reaction of at least hold is latched.
    pub(in crate::control::tick) fn latched(&self, law: &Law) -> bool {
        let guards = &law.limits.supervision;
        let mut rules = Rule::ALL.iter();
        rules.any(|r| self.faults.of(*r).latched && guards.guard(*r).reaction >= Reaction::Hold)
    }

    /// Returns true if a fault that must be cleared holds the joint.
    pub(in crate::control::tick) fn stuck(&self) -> bool {
        self.stuck != 0
    }

    /// Returns true if stale data are the only cause of a hold.
    pub(in crate::control::tick) fn only_gaps(&self) -> bool {
        self.only_gaps
    }

    /// Returns true while a sensor mismatch is suspected but not yet confirmed.
    pub(in crate::control::tick) fn doubts(&self) -> bool {
        self.doubt.doubts()
    }

    /// Returns the time since the previous tick, s; NaN in the first.
    pub(in crate::control::tick) fn stood(&self) -> f64 {
        self.stood
    }

    /// Returns true if the measured bend is above the over-bend limit.
    pub(in crate::control::tick) fn over_bend(&self) -> bool {
        self.faults.of(Rule::OverBend).above
    }

    /// Updates a rule from what was `seen`. It is broken after `after` s above its limit.
    fn judge(&mut self, law: &Law, rule: Rule, seen: Seen, after: f64, live: bool, now: f64) {
        let guard = law.limits.supervision.guard(rule);
        let since = &mut self.since[rule as usize];
        *since = if seen.above && live {
            since.or(Some(now))
        } else {
            None
        };
        let broken = since.is_some_and(|since| now - since + ROUNDING >= after);
        self.note(guard, rule, seen, broken);
    }

    /// Updates the state of a rule.
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

    /// Evaluates every rule. Work: a few passes over the motors.
    pub(in crate::control::tick) fn step(
        &mut self,
        joint: &Joint,
        law: &Law,
        input: &Input,
        view: &MonitorInput,
        now: f64,
    ) {
        self.still(joint, law, input, view);
        self.judge_imu(joint, law, input, view, now);
        self.judge_encoders(joint, law, input, view, now);
        self.judge_mismatch(joint, law, view);
        self.judge_pose(joint, law, view, now);
        self.judge_loop(joint, law, view, now);
        self.judge_times(joint, law, input, view, now);
        self.clear(input);
        self.react(law);
    }

    /// Evaluates the rules of the IMU's samples.
    fn judge_imu(
        &mut self,
        joint: &Joint,
        law: &Law,
        input: &Input,
        view: &MonitorInput,
        now: f64,
    ) {
        let guards = &law.limits.supervision;
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
    }

    /// Evaluates the rules of the encoders' samples.
    fn judge_encoders(
        &mut self,
        joint: &Joint,
        law: &Law,
        input: &Input,
        view: &MonitorInput,
        now: f64,
    ) {
        let guards = &law.limits.supervision;
        let pan = joint.pan.is_some().then_some(&input.pan);
        let samples = || input.motors.iter().chain(pan);
        let of = |s: &Option<MotorSample>| motor_age(s, now);
        let most = law.limits.stale_motors;
        let motors = bits(samples().map(|s| !(of(s) <= most)));
        let value = samples().map(of).fold(0.0, f64::max);
        self.at_once(law, Rule::MotorStale, Seen::of(value, motors), view, now);

        let most = guards.guard(Rule::MotorFrozen).limit;
        let value = self
            .encoders
            .iter()
            .map(StuckDetector::value)
            .fold(0.0, f64::max);
        let motors = bits(self.encoders.iter().map(|e| e.value() > most));
        self.at_once(law, Rule::MotorFrozen, Seen::of(value, motors), view, now);
    }

    /// Compares the bends by IMU and by encoders.
    fn judge_mismatch(&mut self, joint: &Joint, law: &Law, view: &MonitorInput) {
        let (live, imu) = (view.live, law.feedback == Feedback::Imu);
        // A frozen IMU stays untrusted until cleared, but its new samples are still compared: far
        // from the motors' bend, the motors must not replace it either. Stale angles are not
        // compared.
        let frozen = self.faults.of(Rule::ImuFrozen).above;
        let known = view.imu_says && !frozen && !self.faults.of(Rule::MotorStale).above;
        let value = if known && imu && !view.released {
            (view.estimate.imu_bend - view.estimate.motors_bend).norm()
        } else {
            0.0
        };
        if frozen || !live {
            self.doubt.forget();
        }
        let guard = law.limits.supervision.guard(Rule::SensorMismatch);
        let (above, dt) = (value > guard.limit, joint.period);
        let broken = live && self.doubt.step(value, guard.limit, guard.after, dt);
        self.note(guard, Rule::SensorMismatch, Seen::new(value, above), broken);
    }

    /// Evaluates the rules of the head's bend, the motors' positions and the tendons' tension.
    fn judge_pose(&mut self, joint: &Joint, law: &Law, view: &MonitorInput, now: f64) {
        let guards = &law.limits.supervision;
        let value = view.estimate.bend.norm();
        let hysteresis = if self.over_bend() {
            OVER_BEND_HYSTERESIS
        } else {
            0.0
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
    }

    /// Evaluates the rules of the closed loop: its limits, its motors and its oscillations.
    fn judge_loop(&mut self, joint: &Joint, law: &Law, view: &MonitorInput, now: f64) {
        let guards = &law.limits.supervision;
        let live = view.live;
        // The fraction is taken over the config's time already.
        let guard = guards.guard(Rule::Saturation);
        let value = self
            .saturation
            .step(live && view.saturated, now, guard.after);
        let seen = Seen::new(value, value > guard.limit);
        self.judge(law, Rule::Saturation, seen, 0.0, live, now);

        // A silent encoder gives no information on its motor.
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
        // A change of the bend's source is no oscillation.
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
    }

    /// Evaluates the rules of the cycles' and the commands' times.
    fn judge_times(
        &mut self,
        joint: &Joint,
        law: &Law,
        input: &Input,
        view: &MonitorInput,
        now: f64,
    ) {
        let guards = &law.limits.supervision;
        let live = view.live;
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
    }

    /// Updates a rule with its config's time.
    fn at_once(&mut self, law: &Law, rule: Rule, seen: Seen, view: &MonitorInput, now: f64) {
        let after = law.limits.supervision.guard(rule).after;
        self.judge(law, rule, seen, after, view.live, now);
    }

    /// Looks for sensors that repeat bit-identical samples.
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
            self.encoders.iter_mut().for_each(StuckDetector::forget);
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

    /// Clears faults on request, where their cause is gone.
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

    /// Sets the most severe reaction of all rules in force.
    fn react(&mut self, law: &Law) {
        // The motors can replace the IMU if every encoder works and no rule contradicts them.
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
            // While a mismatch is suspected the reference moves no further outward: with a snapped
            // tendon, the head moves much further than commanded.
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

/// Observation of a rule.
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

    /// Returns an observation that is above its limit where any motor is.
    fn of(value: f64, motors: u64) -> Self {
        Self {
            value,
            above: motors != 0,
            motors,
        }
    }
}

//! Faults in words: rule, value against limit, motors, reaction, and remedy.

use crate::control::tick::{Fault, Faults, Reaction, Readiness, Rule, Supervision, TimeoutAction};

/// The context needed to describe faults.
#[derive(Clone, Copy)]
pub struct Words<'a> {
    /// The guards in force, each with its effective limit.
    pub supervision: &'a Supervision,
    /// Names of the motors, the pan's last.
    pub motor_names: &'a [String],
}

/// Returns the unit of a rule's value and limit as a key suffix; empty for a share or a number of
/// tendons.
pub fn unit(rule: Rule) -> &'static str {
    match rule {
        Rule::ImuStale | Rule::MotorStale | Rule::CommandTimeout => "_s",
        Rule::Slack | Rule::Saturation | Rule::LateCycles => "",
        _ => "_rad",
    }
}

/// Returns the remedy for a rule; docs/supervision.md has it in the same words.
pub fn remedy(rule: Rule) -> &'static str {
    match rule {
        Rule::ImuStale => "check the driver, the topic and its rate",
        Rule::ImuFrozen => "restart the sensor or its driver",
        Rule::MotorStale => {
            "check the motor driver, the motor's name in joint_states, and the rate"
        }
        Rule::MotorFrozen => "find out what stops the motor or its encoder, with the power off",
        Rule::SensorMismatch => "look at tendons and IMU",
        Rule::OverBend => "take the load off, and look at the tendons",
        Rule::PositionLimit => "zero the encoder at the straight joint at its pretension",
        Rule::Slack => "check pretension and motor zeros",
        Rule::Saturation => "set the payload, choose a gain set for it, or correct the limits",
        Rule::FollowingError => "look for what blocks the motor, with the power off",
        Rule::Hunting => "use integrator_deadband in the gain set, or lower ki",
        Rule::DivergingOscillation => {
            "set the payload, choose another gain set, and examine it on models of the joint"
        }
        Rule::LateCycles => {
            "grant rtprio and memlock, take load off the machine, or publish /clock at tick_rate_hz \
             at least"
        }
        Rule::CommandTimeout => "none is needed; the next command moves the joint",
    }
}

impl Words<'_> {
    /// Returns the names of the motors in a bit set.
    pub fn motors(&self, bits: u64) -> String {
        let motors = self.motor_names.iter().take(64).enumerate();
        let concerned = motors.filter(|(i, _)| bits >> i & 1 == 1);
        let names: Vec<_> = concerned.map(|(_, name)| name.as_str()).collect();
        names.join(", ")
    }

    /// Returns the description of a fault with its values, the rule's name first.
    pub fn of(&self, rule: Rule, fault: &Fault) -> String {
        let guard = self.supervision.guard(rule);
        let (limit, value, name) = (guard.limit, fault.value, rule.name());
        if fault.latched && !fault.above {
            return format!(
                "{name} was broken, and its cause has gone ({})",
                self.figures(rule, fault)
            );
        }
        let motors = match self.motors(fault.motors) {
            motors if motors.is_empty() => "a motor".into(),
            motors => motors,
        };
        let silent = if value.is_finite() {
            format!("has been silent for {value:.2} s")
        } else {
            "has sent nothing".into()
        };
        let what = match rule {
            Rule::ImuStale => format!("an IMU {silent} (limits.stale_imu is {limit} s)"),
            Rule::ImuFrozen => format!(
                "the head's IMU repeats bit-identical samples while {value:.3} rad of motion were \
                 commanded (limit {limit} rad)"
            ),
            Rule::MotorStale => {
                format!("the encoder of {motors} {silent} (limits.stale_motors is {limit} s)")
            }
            Rule::MotorFrozen => format!(
                "the encoder of {motors} repeats bit-identical samples while {value:.3} rad of \
                 motion were commanded (limit {limit} rad)"
            ),
            Rule::SensorMismatch => format!(
                "the bends by IMU and encoders are {value:.3} rad apart (limit {limit} rad)"
            ),
            Rule::OverBend => {
                format!("bent by {value:.3} rad, and limits.over_bend is {limit:.3} rad")
            }
            Rule::PositionLimit => format!(
                "{motors} is {value:.3} rad outside limits.travel_low and travel_high (limit \
                 {limit} rad); is its encoder zeroed?"
            ),
            Rule::Slack => {
                format!("{value} tendons hang slack, those of {motors} (limit {limit})")
            }
            Rule::Saturation => format!(
                "feedback, a speed or a travel is at its limit in {value:.2} of the cycles (limit {limit})"
            ),
            Rule::FollowingError => format!(
                "{motors} departs from its setpoint by {value:.3} rad \
                 (motors.following_error_limit_rad is {limit})"
            ),
            Rule::Hunting => {
                format!("the joint hunts by {value:.4} rad (limit {limit} rad)")
            }
            Rule::DivergingOscillation => {
                format!("an oscillation has grown to {value:.3} rad (limit {limit} rad)")
            }
            Rule::LateCycles => format!("{value:.2} of the ticks are late (limit {limit})"),
            Rule::CommandTimeout => format!(
                "no command has come for {value:.1} s (supervision.command_timeout.after is \
                 {limit} s)"
            ),
        };
        format!("{name}: {what}")
    }

    /// Returns a fault's value and limit.
    fn figures(&self, rule: Rule, fault: &Fault) -> String {
        let unit = match unit(rule) {
            "_s" => " s",
            "_rad" => " rad",
            _ => "",
        };
        let limit = self.supervision.guard(rule).limit;
        format!("{:.3}{unit} now, limit {limit}{unit}", fault.value)
    }

    /// Returns the fault that causes the reaction in force, and the remedy if it is latched.
    pub fn cause(&self, faults: &Faults) -> Option<String> {
        let rule = faults.cause?;
        let fault = faults.of(rule);
        let others = Rule::ALL
            .into_iter()
            .filter(|r| *r != rule && (faults.of(*r).broken || faults.of(*r).latched));
        let others = match others.map(Rule::name).collect::<Vec<_>>() {
            none if none.is_empty() => String::new(),
            names => format!("; also {}", names.join(", ")),
        };
        let clear = match fault.latched {
            true if fault.above => "; ~/clear_faults clears it once the cause has gone",
            true => "; ~/clear_faults clears it",
            false => "",
        };
        Some(format!("{}{others}{clear}", self.of(rule, fault)))
    }

    /// Returns the same after the reaction.
    pub fn reacted(&self, faults: &Faults) -> Option<String> {
        let rule = faults.cause?;
        let cause = self.cause(faults)?;
        let done = match faults.reaction {
            Reaction::Warn if rule == Rule::CommandTimeout => {
                match self.supervision.command_timeout_action {
                    TimeoutAction::Hold => "the joint holds: ",
                    TimeoutAction::Neutral => "the joint moves slowly to the straight pose: ",
                }
            }
            Reaction::Warn => "",
            Reaction::Slow => "the reference moves slowly and no further out: ",
            Reaction::Hold => "the setpoints stand still: ",
            Reaction::Release => "the tendons are released where the beam alone carries the head: ",
        };
        Some(format!("{done}{cause}"))
    }

    /// Returns why the joint is not ready; `None` if it is.
    pub fn unready(&self, readiness: Readiness, faults: &Faults) -> Option<String> {
        let concerned = |rule| match self.motors(faults.of(rule).motors) {
            motors if motors.is_empty() => "a motor".into(),
            motors => motors,
        };
        Some(match readiness {
            Readiness::Ready => return None,
            Readiness::Waiting => {
                let mut silent = Vec::new();
                if faults.of(Rule::ImuStale).above {
                    silent.push("the IMU".to_string());
                }
                if faults.of(Rule::MotorStale).above {
                    silent.push(concerned(Rule::MotorStale));
                }
                if silent.is_empty() {
                    "samples of a required sensor are missing or old".into()
                } else {
                    format!("missing or old samples of {}", silent.join(", "))
                }
            }
            Readiness::LatencyTooHigh => "the sensors are slower than the gain set allows".into(),
            Readiness::PositionOutOfRange => format!(
                "{} is outside limits.travel_low and travel_high; is its encoder zeroed?",
                concerned(Rule::PositionLimit)
            ),
            Readiness::OverBent => format!(
                "the head is bent beyond limits.over_bend of {:.3} rad",
                self.supervision.guard(Rule::OverBend).limit
            ),
            Readiness::SensorMismatch => format!(
                "the bends by IMU and encoders are further apart than {} rad",
                self.supervision.guard(Rule::SensorMismatch).limit
            ),
            Readiness::Unexplained => {
                "the motors' angles are far from those of any bend at pretension, or jump; are the \
                 encoders zeroed, and the tendons taut?"
                    .into()
            }
            Readiness::Latched => format!(
                "{} is latched; ~/clear_faults clears it",
                self.names_of_latched(faults)
            ),
        })
    }

    /// Returns the names of the latched faults.
    pub fn names_of_latched(&self, faults: &Faults) -> String {
        let latched = Rule::ALL.into_iter().filter(|r| faults.of(*r).latched);
        latched.map(Rule::name).collect::<Vec<_>>().join(", ")
    }

    /// Returns the descriptions of the latched faults.
    pub fn latched(&self, faults: &Faults) -> Vec<String> {
        let latched = Rule::ALL.into_iter().filter(|r| faults.of(*r).latched);
        latched.map(|r| self.of(r, faults.of(r))).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_is_told_with_its_figures_and_motors() {
        let mut supervision = Supervision::default();
        supervision.guard_mut(Rule::FollowingError).limit = 0.1;
        let motor_names = ["left", "right", "pan"].map(String::from);
        let words = Words {
            supervision: &supervision,
            motor_names: &motor_names,
        };
        let mut faults = Faults::default();
        assert_eq!(words.reacted(&faults), None);
        faults.rules[Rule::FollowingError as usize] = Fault {
            value: 0.25,
            above: true,
            broken: true,
            latched: true,
            motors: 0b110,
            count: 1,
        };
        (faults.reaction, faults.cause) = (Reaction::Hold, Some(Rule::FollowingError));
        assert_eq!(
            words.reacted(&faults).unwrap(),
            "the setpoints stand still: following_error: right, pan departs from its setpoint by 0.250 rad \
             (motors.following_error_limit_rad is 0.1); ~/clear_faults clears it once the cause has gone"
        );
        let rule = &mut faults.rules[Rule::FollowingError as usize];
        (rule.value, rule.above, rule.broken) = (0.01, false, false);
        faults.rules[Rule::Slack as usize].broken = true;
        assert_eq!(
            words.cause(&faults).unwrap(),
            "following_error was broken, and its cause has gone (0.010 rad now, limit 0.1 rad); \
             also slack; ~/clear_faults clears it"
        );
        assert_eq!(words.latched(&faults).len(), 1);
        // Every rule has its own words, on one line.
        for rule in Rule::ALL {
            let fault = Fault {
                value: f64::INFINITY,
                above: true,
                ..Fault::default()
            };
            let said = words.of(rule, &fault);
            assert!(
                said.starts_with(rule.name()) && !said.contains('\n'),
                "{said}"
            );
            // The manual has the same remedy, in the section of the rule.
            let manual = include_str!("../../../docs/supervision.md");
            let section = manual
                .split("\n### ")
                .find(|s| s.starts_with(&format!("{}\n", rule.name())));
            let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
            let section = words(section.unwrap()).replace('`', "").to_lowercase();
            let remedy = format!("- remedy: {}", words(remedy(rule)).to_lowercase());
            assert!(section.contains(&remedy), "{remedy}");
        }
    }
}

//! Detection of the ticks that cause a file.

use crate::control::tick::{Mode, Output, RULES, Reaction, Rule};

/// Fault state of the last tick.
#[derive(Debug)]
pub(super) struct Watch {
    broken: [bool; RULES],
    latched: [bool; RULES],
    mode: Mode,
    lost: bool,
}

impl Default for Watch {
    fn default() -> Self {
        Self {
            broken: [false; RULES],
            latched: [false; RULES],
            mode: Mode::Waiting,
            lost: false,
        }
    }
}

/// Returns true for modes in which a fault holds the joint.
fn held(mode: Mode) -> bool {
    matches!(mode, Mode::Holding | Mode::Stopped | Mode::Faulted)
}

impl Watch {
    /// Returns the cause of a file, if this tick requires one: a rule newly broken with a reaction
    /// of hold or release, a rule newly latched, or a hold without a rule.
    pub(super) fn look(&mut self, output: &Output) -> Option<&'static str> {
        let faults = &output.faults;
        let severe = faults.reaction >= Reaction::Hold;
        let mut new = None;
        for rule in Rule::ALL {
            let i = rule as usize;
            let fault = faults.of(rule);
            let broken = severe && fault.broken && !self.broken[i];
            let latched = fault.latched && !self.latched[i];
            // The rule that requests the reaction names the file.
            if (broken || latched) && (new.is_none() || faults.cause == Some(rule)) {
                new = Some(rule.name());
            }
            (self.broken[i], self.latched[i]) = (fault.broken, fault.latched);
        }
        let fell = held(output.mode) && self.mode.sends() && !held(self.mode);
        self.mode = output.mode;
        self.lost = false;
        let mode = output.mode.name();
        new.or(fell.then(|| faults.cause.map_or(mode, Rule::name)))
    }

    /// Records that the loop ended. Returns true if this is new.
    pub(super) fn lost_loop(&mut self) -> bool {
        !std::mem::replace(&mut self.lost, true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn output(mode: Mode, reaction: Reaction, rules: &[(Rule, bool, bool)]) -> Output {
        let mut output = Output::new(3);
        output.mode = mode;
        output.faults.reaction = reaction;
        for (rule, broken, latched) in rules {
            let fault = &mut output.faults.rules[*rule as usize];
            (fault.broken, fault.latched) = (*broken, *latched);
            output.faults.cause = Some(*rule);
        }
        output
    }

    #[test]
    fn mild_reactions_request_nothing() {
        let mut watch = Watch::default();
        let fine = output(Mode::Tracking, Reaction::Warn, &[]);
        assert_eq!(watch.look(&fine), None);
        let slack = output(
            Mode::Tracking,
            Reaction::Warn,
            &[(Rule::Slack, true, false)],
        );
        assert_eq!(watch.look(&slack), None);
        let limited = output(
            Mode::Tracking,
            Reaction::Slow,
            &[(Rule::Saturation, true, false)],
        );
        assert_eq!(watch.look(&limited), None);
    }

    #[test]
    fn a_fault_requests_once() {
        let mut watch = Watch::default();
        let fine = output(Mode::Tracking, Reaction::Warn, &[]);
        let frozen = output(
            Mode::Faulted,
            Reaction::Hold,
            &[(Rule::ImuFrozen, true, true)],
        );
        assert_eq!(watch.look(&fine), None);
        assert_eq!(watch.look(&frozen), Some("imu_frozen"));
        assert_eq!(watch.look(&frozen), None);
        // Still latched, its cause gone and back again: one fault.
        let latched = output(
            Mode::Faulted,
            Reaction::Hold,
            &[(Rule::ImuFrozen, false, true)],
        );
        assert_eq!(watch.look(&latched), None);
        // Another fault at the same time.
        let both = output(
            Mode::Faulted,
            Reaction::Hold,
            &[
                (Rule::OverBend, true, false),
                (Rule::ImuFrozen, false, true),
            ],
        );
        assert_eq!(watch.look(&both), Some("over_bend"));
        assert_eq!(watch.look(&fine), None);
        assert_eq!(watch.look(&frozen), Some("imu_frozen"));
    }

    #[test]
    fn a_rule_that_latches_under_a_mild_reaction_requests() {
        let mut watch = Watch::default();
        let latched = output(
            Mode::Tracking,
            Reaction::Slow,
            &[(Rule::LateCycles, true, true)],
        );
        assert_eq!(watch.look(&latched), Some("late_cycles"));
        assert_eq!(watch.look(&latched), None);
    }

    #[test]
    fn a_hold_without_a_rule_requests_and_a_start_does_not() {
        let mut watch = Watch::default();
        let mode = |mode| output(mode, Reaction::Warn, &[]);
        for start in [
            Mode::Inactive,
            Mode::Waiting,
            Mode::NotReady,
            Mode::Tracking,
        ] {
            assert_eq!(watch.look(&mode(start)), None);
        }
        assert_eq!(watch.look(&mode(Mode::Holding)), Some("holding"));
        assert_eq!(watch.look(&mode(Mode::Stopped)), None);
        assert_eq!(watch.look(&mode(Mode::Tracking)), None);
        assert_eq!(watch.look(&mode(Mode::ReleasingTension)), None);
        assert_eq!(watch.look(&mode(Mode::Holding)), Some("holding"));
    }

    #[test]
    fn a_lost_loop_is_reported_once() {
        let mut watch = Watch::default();
        assert!(watch.lost_loop());
        assert!(!watch.lost_loop());
        assert_eq!(
            watch.look(&output(Mode::Waiting, Reaction::Warn, &[])),
            None
        );
        assert!(watch.lost_loop());
    }
}

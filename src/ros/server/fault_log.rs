//! Which faults are news for the log: `/diagnostics` alone does not reach a console.

use crate::control::tick::{RULES, Reaction, Rule};

/// Shortest time between two log lines about the same rule, s: a rule may come and go.
const AGAIN: f64 = 10.0;

/// A change worth a line in the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum News {
    /// This rule causes the reaction in force now.
    Broken(Rule),
    /// No rule causes a reaction any more; this one did.
    Gone(Rule),
}

/// The cause and reaction logged last, and when each rule was logged.
#[derive(Debug)]
pub struct FaultLog {
    logged: Option<(Rule, Reaction)>,
    at: [f64; RULES],
}

impl FaultLog {
    /// Creates the log of a joint without faults.
    pub fn new() -> Self {
        Self {
            logged: None,
            at: [f64::NEG_INFINITY; RULES],
        }
    }

    /// Takes the reaction in force and its cause at `machine` s of machine time; returns a change.
    /// A reaction that grows more severe is one, a milder one of the same rule is none.
    pub fn see(&mut self, machine: f64, cause: Option<(Rule, Reaction)>) -> Option<News> {
        if cause == self.logged {
            return None;
        }
        let before = self.logged;
        let Some((rule, reaction)) = cause else {
            self.logged = None;
            return before.map(|(rule, _)| News::Gone(rule));
        };
        let same = before.filter(|(was, _)| *was == rule);
        let grows = same.is_some_and(|(_, was)| reaction > was);
        let at = &mut self.at[rule as usize];
        if same.is_none() && machine - *at < AGAIN {
            return None;
        }
        self.logged = cause;
        if same.is_some() && !grows {
            return None;
        }
        *at = machine;
        Some(News::Broken(rule))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cause_is_news_once_and_so_is_its_end() {
        let mut log = FaultLog::new();
        let (slack, late) = (
            Some((Rule::Slack, Reaction::Warn)),
            Some((Rule::LateCycles, Reaction::Slow)),
        );
        let held = Some((Rule::LateCycles, Reaction::Hold));
        for (machine, cause, news) in [
            (0.0, None, None),
            (1.0, slack, Some(News::Broken(Rule::Slack))),
            (2.0, slack, None),
            (3.0, late, Some(News::Broken(Rule::LateCycles))),
            (3.1, held, Some(News::Broken(Rule::LateCycles))),
            (3.2, late, None),
            (4.0, None, Some(News::Gone(Rule::LateCycles))),
            // It comes and goes.
            (5.0, late, None),
            (6.0, None, None),
            (12.9, late, None),
            (13.2, late, Some(News::Broken(Rule::LateCycles))),
        ] {
            assert_eq!(log.see(machine, cause), news, "at {machine} s");
        }
    }
}

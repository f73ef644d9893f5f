//! Which faults are news for the log: `/diagnostics` alone does not reach a console.

use crate::control::tick::{RULES, Rule};

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

/// The cause logged last, and when each rule was logged.
#[derive(Debug)]
pub struct FaultLog {
    logged: Option<Rule>,
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

    /// Takes the cause of the reaction in force at `machine` s of machine time; returns a change.
    pub fn see(&mut self, machine: f64, cause: Option<Rule>) -> Option<News> {
        if cause == self.logged {
            return None;
        }
        let news = match cause {
            Some(rule) => {
                let at = &mut self.at[rule as usize];
                if machine - *at < AGAIN {
                    return None;
                }
                *at = machine;
                News::Broken(rule)
            }
            None => News::Gone(self.logged?),
        };
        self.logged = cause;
        Some(news)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cause_is_news_once_and_so_is_its_end() {
        let mut log = FaultLog::new();
        let (slack, late) = (Some(Rule::Slack), Some(Rule::LateCycles));
        for (machine, cause, news) in [
            (0.0, None, None),
            (1.0, slack, Some(News::Broken(Rule::Slack))),
            (2.0, slack, None),
            (3.0, late, Some(News::Broken(Rule::LateCycles))),
            (4.0, None, Some(News::Gone(Rule::LateCycles))),
            // It comes and goes.
            (5.0, late, None),
            (6.0, None, None),
            (12.9, late, None),
            (13.1, late, Some(News::Broken(Rule::LateCycles))),
        ] {
            assert_eq!(log.see(machine, cause), news, "at {machine} s");
        }
    }
}

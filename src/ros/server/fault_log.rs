//! Which changes of a joint's state are news for the log: `/diagnostics` alone does not reach a
//! console. Each is news once.

use crate::control::tick::{Fallback, Faults, Mode, RULES, Reaction, Rule};

/// Shortest time between two log lines about the same thing, s: it may come and go.
const AGAIN: f64 = 10.0;

/// Shortest hold without a rule that is news, s: a loop that starts anew holds for a moment.
const HOLDS: f64 = 0.3;

/// A change worth a line in the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum News {
    /// This rule is broken, or its reaction has grown more severe.
    Broken(Rule),
    /// This rule has latched.
    Latched(Rule),
    /// This rule is neither broken nor latched any more.
    Gone(Rule),
    /// The setpoints are held, and no rule says why.
    Held,
    /// The joint follows commands again.
    Released,
    /// The bend comes from the motors, for this reason.
    Fallback(Fallback),
    /// The bend comes from the IMU again.
    Back,
}

/// The state of a joint that has news.
#[derive(Clone, Copy, Debug)]
pub struct Seen<'a> {
    pub mode: Mode,
    pub faults: &'a Faults,
    pub fallback: Fallback,
}

/// What was logged last, and when.
#[derive(Debug)]
pub struct FaultLog {
    /// Number of times that each rule has been broken, and whether that was logged.
    count: [u64; RULES],
    logged: [bool; RULES],
    latched: [bool; RULES],
    at: [f64; RULES],
    /// The reaction in force and its cause.
    reaction: Option<(Rule, Reaction)>,
    /// Time since which the setpoints are held without a rule, s, and whether that was logged.
    held: Option<(f64, bool)>,
    fallback: Fallback,
    fallback_at: f64,
}

/// Returns true for modes in which the setpoints are held.
fn held(mode: Mode) -> bool {
    matches!(mode, Mode::Holding | Mode::Stopped | Mode::Faulted)
}

impl FaultLog {
    /// Creates the log of a joint without faults.
    pub fn new() -> Self {
        Self {
            count: [0; RULES],
            logged: [false; RULES],
            latched: [false; RULES],
            at: [f64::NEG_INFINITY; RULES],
            reaction: None,
            held: None,
            fallback: Fallback::None,
            fallback_at: f64::NEG_INFINITY,
        }
    }

    /// Takes the state at `machine` s of machine time; returns what is new, in the order for the
    /// log.
    pub fn see(&mut self, machine: f64, seen: &Seen) -> Vec<News> {
        let mut news = Vec::new();
        for rule in Rule::ALL {
            self.see_rule(machine, rule, seen.faults, &mut news);
        }
        let caused = seen.faults.cause.map(|rule| (rule, seen.faults.reaction));
        let before = std::mem::replace(&mut self.reaction, caused);
        if let (Some((rule, reaction)), Some((was, before))) = (caused, before)
            && rule == was
            && reaction > before
            && !news.contains(&News::Broken(rule))
        {
            news.push(News::Broken(rule));
        }
        if held(seen.mode) && seen.faults.cause.is_none() {
            let (since, logged) = self.held.get_or_insert((machine, false));
            if !*logged && machine - *since >= HOLDS {
                *logged = true;
                news.push(News::Held);
            }
        } else if seen.mode == Mode::Tracking
            && let Some((_, true)) = self.held.take()
        {
            news.push(News::Released);
        }
        // Without setpoints nothing depends on the bend.
        if seen.mode.sends() && seen.fallback != self.fallback {
            match seen.fallback {
                Fallback::None => news.push(News::Back),
                other if machine - self.fallback_at >= AGAIN => {
                    self.fallback_at = machine;
                    news.push(News::Fallback(other));
                }
                // Not logged, so that its end is none either.
                _ => return news,
            }
            self.fallback = seen.fallback;
        }
        news
    }

    fn see_rule(&mut self, machine: f64, rule: Rule, faults: &Faults, news: &mut Vec<News>) {
        let (i, fault) = (rule as usize, faults.of(rule));
        // It may have been broken and whole again since.
        let broke = fault.count > std::mem::replace(&mut self.count[i], fault.count);
        let latches = fault.latched && !self.latched[i];
        self.latched[i] = fault.latched;
        if (broke || latches) && !self.logged[i] && machine - self.at[i] >= AGAIN {
            (self.logged[i], self.at[i]) = (true, machine);
            news.push(News::Broken(rule));
        }
        if latches {
            self.logged[i] = true;
            news.push(News::Latched(rule));
        }
        if self.logged[i] && !fault.broken && !fault.latched {
            self.logged[i] = false;
            news.push(News::Gone(rule));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A joint that tracks, whose rules are broken or whole as `faults` says.
    fn seen(faults: &Faults) -> Seen<'_> {
        Seen {
            mode: Mode::Tracking,
            faults,
            fallback: Fallback::None,
        }
    }

    fn set(faults: &mut Faults, rule: Rule, broken: bool, reaction: Reaction) {
        let fault = &mut faults.rules[rule as usize];
        fault.count += u64::from(broken && !fault.broken);
        fault.broken = broken;
        faults.cause = broken.then_some(rule);
        faults.reaction = reaction;
    }

    #[test]
    fn a_rule_that_breaks_is_news_once_and_so_is_its_end() {
        let mut log = FaultLog::new();
        let mut faults = Faults::default();
        let late = Rule::LateCycles;
        for (machine, broken, reaction, news) in [
            (0.0, false, Reaction::Warn, vec![]),
            (1.0, true, Reaction::Slow, vec![News::Broken(late)]),
            (2.0, true, Reaction::Slow, vec![]),
            // A reaction that grows more severe.
            (3.1, true, Reaction::Hold, vec![News::Broken(late)]),
            (3.2, true, Reaction::Slow, vec![]),
            (4.0, false, Reaction::Warn, vec![News::Gone(late)]),
            // It comes and goes.
            (5.0, true, Reaction::Slow, vec![]),
            (6.0, false, Reaction::Warn, vec![]),
            (13.2, true, Reaction::Slow, vec![News::Broken(late)]),
        ] {
            set(&mut faults, late, broken, reaction);
            assert_eq!(log.see(machine, &seen(&faults)), news, "at {machine} s");
        }
        // A second rule, broken and whole between two looks.
        faults.rules[Rule::Slack as usize].count += 1;
        let both = [News::Broken(Rule::Slack), News::Gone(Rule::Slack)];
        assert_eq!(log.see(14.0, &seen(&faults)), both);
    }

    #[test]
    fn a_latch_is_news_and_stays_until_it_is_cleared() {
        let mut log = FaultLog::new();
        let mut faults = Faults::default();
        let frozen = Rule::ImuFrozen;
        set(&mut faults, frozen, true, Reaction::Hold);
        faults.rules[frozen as usize].latched = true;
        let news = [News::Broken(frozen), News::Latched(frozen)];
        assert_eq!(log.see(1.0, &seen(&faults)), news);
        faults.rules[frozen as usize].broken = false;
        assert_eq!(log.see(2.0, &seen(&faults)), []);
        faults.rules[frozen as usize].latched = false;
        faults.cause = None;
        assert_eq!(log.see(3.0, &seen(&faults)), [News::Gone(frozen)]);
    }

    #[test]
    fn a_hold_and_a_fallback_are_news_and_so_are_their_ends() {
        let mut log = FaultLog::new();
        let faults = Faults::default();
        let mut see = |machine: f64, mode: Mode, fallback: Fallback| {
            let seen = Seen {
                mode,
                faults: &faults,
                fallback,
            };
            log.see(machine, &seen)
        };
        use Mode::{Holding, Inactive, Stopped, Tracking};
        // A joint that is not driven has no bend to fall back from.
        assert_eq!(see(0.0, Inactive, Fallback::Stale), []);
        assert_eq!(see(1.0, Tracking, Fallback::None), []);
        // A moment's hold is none.
        assert_eq!(see(1.1, Holding, Fallback::None), []);
        assert_eq!(see(1.2, Tracking, Fallback::None), []);
        assert_eq!(see(1.9, Holding, Fallback::None), []);
        assert_eq!(see(2.9, Holding, Fallback::None), [News::Held]);
        assert_eq!(see(3.0, Stopped, Fallback::None), []);
        assert_eq!(see(4.0, Tracking, Fallback::None), [News::Released]);
        let stale = News::Fallback(Fallback::Stale);
        assert_eq!(see(5.0, Tracking, Fallback::Stale), [stale]);
        assert_eq!(see(6.0, Tracking, Fallback::Stale), []);
        assert_eq!(see(7.0, Tracking, Fallback::None), [News::Back]);
        assert_eq!(see(8.0, Tracking, Fallback::Stale), []);
        assert_eq!(see(9.0, Tracking, Fallback::None), []);
        assert_eq!(see(15.1, Tracking, Fallback::Stale), [stale]);
    }
}

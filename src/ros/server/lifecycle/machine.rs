//! The state machine of a managed node: states, transitions, their numbers and labels. Free of
//! middleware.
//!
//! The tables are those of the open standard (design.ros2.org, "Managed nodes"; numbers:
//! lifecycle_msgs/State and lifecycle_msgs/Transition), with the labels and the transitions after
//! an error that rcl_lifecycle uses. A test on the ROS graph compares them with those of an rclpy
//! node.

use crate::ros::server::refused::cut;

/// A state, by its number in lifecycle_msgs/State.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(u8)]
pub enum State {
    /// Never the state of an existing node.
    Unknown = 0,
    /// The node exists, without a control loop.
    #[default]
    Unconfigured = 1,
    /// The control loop monitors, and no setpoints are sent.
    Inactive = 2,
    /// The joint is driven.
    Active = 3,
    /// The node has been shut down.
    Finalized = 4,
    /// Transition from unconfigured to inactive.
    Configuring = 10,
    /// Transition to unconfigured.
    CleaningUp = 11,
    /// Transition to finalized.
    ShuttingDown = 12,
    /// Transition to active.
    Activating = 13,
    /// Transition from active to inactive.
    Deactivating = 14,
    /// A transition has raised an error.
    ErrorProcessing = 15,
}

impl State {
    /// All states, in the order in which they are listed to clients.
    pub const ALL: [Self; 11] = [
        Self::Unknown,
        Self::Unconfigured,
        Self::Inactive,
        Self::Active,
        Self::Finalized,
        Self::Configuring,
        Self::CleaningUp,
        Self::ShuttingDown,
        Self::Activating,
        Self::Deactivating,
        Self::ErrorProcessing,
    ];

    /// Returns the label of lifecycle_msgs/State.
    pub const fn label(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::Unconfigured => "unconfigured",
            Self::Inactive => "inactive",
            Self::Active => "active",
            Self::Finalized => "finalized",
            Self::Configuring => "configuring",
            Self::CleaningUp => "cleaningup",
            Self::ShuttingDown => "shuttingdown",
            Self::Activating => "activating",
            Self::Deactivating => "deactivating",
            Self::ErrorProcessing => "errorprocessing",
        }
    }

    /// Returns the transitions that start in this state.
    pub fn transitions(self) -> impl Iterator<Item = &'static Transition> {
        GRAPH.iter().filter(move |t| t.start == self)
    }

    /// Returns the requests that are accepted in this state.
    fn accepted(self) -> String {
        let transitions = self.transitions();
        let accepted: Vec<_> = transitions
            .map(|t| format!("{} ({})", t.label, t.id))
            .collect();
        if accepted.is_empty() {
            return "nothing; restart the node".into();
        }
        accepted.join(", ")
    }

    /// Returns true if the node stays in this state until a client requests a transition.
    pub const fn primary(self) -> bool {
        (self as u8) < Self::Configuring as u8
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Transition {
    /// Number in lifecycle_msgs/Transition.
    pub id: u8,
    /// Label, as in rcl_lifecycle.
    pub label: &'static str,
    /// State in which it begins.
    pub start: State,
    /// State to which it leads.
    pub goal: State,
}

/// The result of the work in a transition state.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The work was done.
    Success,
    /// The work was not done, and nothing has changed.
    Failure,
    /// The work was not done, and something has changed.
    Error,
}

impl Outcome {
    const fn label(self) -> &'static str {
        match self {
            Self::Success => "transition_success",
            Self::Failure => "transition_failure",
            Self::Error => "transition_error",
        }
    }
}

const fn edge(id: u8, label: &'static str, start: State, goal: State) -> Transition {
    Transition {
        id,
        label,
        start,
        goal,
    }
}

const fn ends(id: u8, outcome: Outcome, start: State, goal: State) -> Transition {
    edge(id, outcome.label(), start, goal)
}

/// All transitions.
pub const GRAPH: [Transition; 25] = {
    use Outcome::{Error, Failure, Success};
    use State::*;
    [
        edge(1, "configure", Unconfigured, Configuring),
        ends(10, Success, Configuring, Inactive),
        ends(11, Failure, Configuring, Unconfigured),
        ends(12, Error, Configuring, ErrorProcessing),
        edge(2, "cleanup", Inactive, CleaningUp),
        ends(20, Success, CleaningUp, Unconfigured),
        ends(21, Failure, CleaningUp, Inactive),
        ends(22, Error, CleaningUp, ErrorProcessing),
        edge(3, "activate", Inactive, Activating),
        ends(30, Success, Activating, Active),
        ends(31, Failure, Activating, Inactive),
        ends(32, Error, Activating, ErrorProcessing),
        edge(4, "deactivate", Active, Deactivating),
        ends(40, Success, Deactivating, Inactive),
        ends(41, Failure, Deactivating, Active),
        ends(42, Error, Deactivating, ErrorProcessing),
        edge(5, "shutdown", Unconfigured, ShuttingDown),
        edge(6, "shutdown", Inactive, ShuttingDown),
        edge(7, "shutdown", Active, ShuttingDown),
        ends(50, Success, ShuttingDown, Finalized),
        ends(51, Failure, ShuttingDown, Finalized),
        ends(52, Error, ShuttingDown, ErrorProcessing),
        ends(60, Success, ErrorProcessing, Unconfigured),
        ends(61, Failure, ErrorProcessing, Finalized),
        ends(62, Error, ErrorProcessing, Finalized),
    ]
};

/// Reason why a requested transition does not begin.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NotPossible {
    #[error("the node is shutting down; accepted: nothing more")]
    Closing,
    #[error("a transition is under way (state {}); accepted: nothing until it ends", .0.label())]
    UnderWay(State),
    #[error(
        "{requested} is not possible in state {}; accepted: {}",
        .state.label(),
        .state.accepted()
    )]
    NotHere { requested: String, state: State },
}

/// A lifecycle state that changes only by transitions.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Machine {
    state: State,
}

impl Machine {
    pub fn state(&self) -> State {
        self.state
    }

    /// Begins the requested transition, found by its label if there is one, else by its number.
    /// Transitions that end a transition state belong to the node and cannot be requested.
    ///
    /// # Errors
    /// The transition is not possible now; the state is unchanged.
    pub fn begin(&mut self, id: u8, label: &str) -> Result<&'static Transition, NotPossible> {
        let wanted = |t: &&Transition| match label {
            "" => t.id == id,
            label => t.label == label,
        };
        let state = self.state;
        if !state.primary() {
            return Err(NotPossible::UnderWay(state));
        }
        let Some(transition) = state.transitions().find(wanted) else {
            let requested = match GRAPH.iter().find(wanted) {
                Some(known) => known.label.to_string(),
                None if label.is_empty() => format!("transition {id}"),
                None => format!("transition '{}'", cut(label)),
            };
            return Err(NotPossible::NotHere { requested, state });
        };
        self.state = transition.goal;
        Ok(transition)
    }

    /// Ends the transition state. Returns the transition made; `None` in a primary state.
    pub fn end(&mut self, outcome: Outcome) -> Option<&'static Transition> {
        let label = outcome.label();
        let transition = self.state.transitions().find(|t| t.label == label)?;
        self.state = transition.goal;
        Some(transition)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(state: State) -> Machine {
        Machine { state }
    }

    #[test]
    fn the_way_up_and_down_again() {
        let mut machine = Machine::default();
        let way = [
            ("configure", State::Configuring, State::Inactive),
            ("activate", State::Activating, State::Active),
            ("deactivate", State::Deactivating, State::Inactive),
            ("cleanup", State::CleaningUp, State::Unconfigured),
            ("shutdown", State::ShuttingDown, State::Finalized),
        ];
        for (label, through, to) in way {
            assert_eq!(machine.begin(0, label).unwrap().goal, through);
            assert_eq!(machine.end(Outcome::Success).unwrap().goal, to);
        }
        assert_eq!(machine.state().transitions().count(), 0);
    }

    #[test]
    fn from_each_state_each_number_is_taken_or_changes_nothing() {
        // Transitions open to a client, from design.ros2.org, "Managed nodes": "Primary states" and
        // "Transitions".
        let legal = [(1, 1), (1, 5), (2, 2), (2, 3), (2, 6), (3, 4), (3, 7)];
        for state in State::ALL {
            for id in 0..=u8::MAX {
                let mut machine = at(state);
                match machine.begin(id, "") {
                    Ok(transition) => {
                        assert!(legal.contains(&(state as u8, id)), "{state:?} {id}");
                        assert_eq!((transition.id, machine.state()), (id, transition.goal));
                        assert!(!machine.state().primary());
                    }
                    Err(reason) => {
                        assert!(!legal.contains(&(state as u8, id)), "{state:?} {id}");
                        assert_eq!(machine.state(), state);
                        let sentence = reason.to_string();
                        assert!(sentence.contains(state.label()), "{sentence}");
                    }
                }
            }
        }
    }

    #[test]
    fn a_label_goes_before_a_number() {
        let mut machine = at(State::Active);
        assert_eq!(machine.begin(4, "shutdown").unwrap().id, 7);
        let mut machine = at(State::Active);
        let reason = machine.begin(4, "fly").unwrap_err();
        assert_eq!(
            reason.to_string(),
            "transition 'fly' is not possible in state active; accepted: deactivate (4), shutdown (7)"
        );
        let reason = machine.begin(0, "configure").unwrap_err();
        let sentence = reason.to_string();
        assert!(
            sentence.starts_with("configure is not possible"),
            "{sentence}"
        );
        assert_eq!(machine.state(), State::Active);
    }

    #[test]
    fn every_transition_state_ends_in_each_of_three_ways() {
        let goals = [
            (State::Configuring, [2, 1, 15]),
            (State::CleaningUp, [1, 2, 15]),
            (State::ShuttingDown, [4, 4, 15]),
            (State::Activating, [3, 2, 15]),
            (State::Deactivating, [2, 3, 15]),
            (State::ErrorProcessing, [1, 4, 4]),
        ];
        for (state, goals) in goals {
            let outcomes = [Outcome::Success, Outcome::Failure, Outcome::Error];
            for (outcome, goal) in outcomes.into_iter().zip(goals) {
                let mut machine = at(state);
                let transition = machine.end(outcome).unwrap();
                assert_eq!((transition.start, machine.state() as u8), (state, goal));
            }
        }
        assert_eq!(at(State::Active).end(Outcome::Error), None);
    }
}

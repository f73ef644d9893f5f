"""Common parts of the clients of a managed node: rclpy's own messages and services of
lifecycle_msgs."""

from lifecycle_msgs.msg import State, Transition, TransitionEvent
from lifecycle_msgs.srv import ChangeState, GetAvailableStates, GetAvailableTransitions, GetState

from client import *

UNCONFIGURED, INACTIVE, ACTIVE, FINALIZED = 1, 2, 3, 4
CONFIGURE, CLEANUP, ACTIVATE, DEACTIVATE = 1, 2, 3, 4


def edge(t):
    """Returns a transition as rclpy's state machine gives it."""
    return (t.transition.id, t.transition.label, t.start_state.id, t.start_state.label, t.goal_state.id, t.goal_state.label)


class Managed(Client):
    def __init__(self, *args, **named):
        super().__init__(*args, **named)
        self.happened = []
        # A queue longer than the standard's ten: a test looks at all events.
        self.node.create_subscription(TransitionEvent, self.joint + "/transition_event", self.happened.append, ALL)
        until(lambda: self.node.count_publishers(self.joint + "/transition_event") > 0, "transition events")

    def watchdog(self):
        """Returns the list of the watchdog's reports from now on, which grows. It waits for a first
        report that all is well."""
        said = []
        name = self.joint.lstrip("/") + ": watchdog"
        take = lambda message: said.extend(s for s in message.status if s.name == name)
        self.node.create_subscription(DiagnosticArray, "/diagnostics", take, ALL)
        until(lambda: said and said[-1].message == "the control loop ticks", "the watchdog's word")
        return said

    def ask(self, id=0, label=""):
        request = ChangeState.Request(transition=Transition(id=id, label=label))
        return self.call(ChangeState, "change_state", request).success

    def make(self, id):
        """Requests a transition until it succeeds; on a busy machine samples may come too late for
        an activation."""
        end = now() + PATIENCE
        while not self.ask(id):
            pause(0.3)
            assert id == ACTIVATE and self.is_slow() and now() < end, "transition %d: %s" % (id, self.status)

    def is_slow(self):
        """Returns true if the last transition failed because samples come too late."""
        reason = self.status.get("lifecycle_reason", "")
        return "slow" in reason or "samples" in reason

    def will_not(self, *words):
        """Waits for an activation to be refused for a reason with these words, not only for late
        samples. Returns the number of requests."""
        end = now() + PATIENCE
        for asked in range(1, 1000):
            assert not self.ask(ACTIVATE), "activated"
            before = self.status
            failed = lambda: self.status is not before and "activate failed" in self.status.get("lifecycle_reason", "")
            until(failed, lambda: "the failure; diagnostics: %s" % self.status)
            if all(w in self.status["lifecycle_reason"] for w in words):
                return asked
            assert self.is_slow() and now() < end, "%s in the reason; diagnostics: %s" % (words, self.status)

    def state(self):
        return self.call(GetState, "get_state").current_state.id

    def refused(self, *words):
        """Waits until the reason of the last transition, in diagnostics, has these words."""
        has = lambda: all(w in self.status.get("lifecycle_reason", "") for w in words)
        until(has, lambda: "%s in the reason; diagnostics: %s" % (words, self.status))

    def events(self, count):
        """Returns the next events, and checks that there are `count` of them and no more."""
        until(lambda: len(self.happened) >= count, lambda: "%d events: %s" % (count, self.happened))
        seen = [(e.transition.id, e.start_state.id, e.goal_state.id) for e in self.happened]
        assert len(seen) == count, seen
        assert all(abs(now() - 1e-9 * e.timestamp) < 60 for e in self.happened)
        self.happened.clear()
        return seen

    def silence(self, seconds=0.5):
        """Checks that no setpoints come for a while."""
        self.clear("setpoints")
        holds(lambda: self.count("setpoints") == 0, "no setpoints", seconds)

    def speaks(self):
        self.clear("setpoints")
        until(lambda: self.count("setpoints") > 5, "setpoints")

"""Every transition of a managed node, legal and illegal, from each state. The tables are those of
an rclpy node, which is based on rcl_lifecycle. Setpoints come only while it is active."""

from rclpy.lifecycle import LifecycleNode

from managed import *

c = Managed("/a/withy", "/a")
reference = LifecycleNode("reference")._state_machine
states = c.call(GetAvailableStates, "get_available_states").available_states
assert [(s.id, s.label) for s in states] == reference.available_states, states
graph = [edge(t) for t in c.call(GetAvailableTransitions, "get_transition_graph").available_transitions]
assert sorted(graph) == sorted(reference.transition_graph), graph


def stands(state):
    """Checks that in this state every impossible transition changes nothing, and that setpoints
    come only if it is active."""
    assert c.state() == state
    here = [t for t in reference.transition_graph if t[2] == state]
    told = [edge(t) for t in c.call(GetAvailableTransitions, "get_available_transitions").available_transitions]
    assert sorted(told) == sorted(here), told
    possible = [t[0] for t in here]
    for id in range(256):
        if id not in possible:
            assert not c.ask(id), "transition %d from state %d" % (id, state)
    c.refused("not possible", "transition 255")
    # A label has precedence over a number; labels that end a transition are the node's own.
    for label in ("create", "destroy", "transition_success", "transition_failure", "transition_error", "fly", " ", "Configure"):
        assert not c.ask(possible[0] if possible else 0, label), label
    c.refused("'Configure'")
    for label in {t[1] for t in reference.transition_graph} - {t[1] for t in here}:
        assert not c.ask(0, label), label
    assert c.state() == state
    assert not c.happened, c.happened
    until(lambda: c.status.get("lifecycle_state") == next(s.label for s in states if s.id == state), "the state in diagnostics")
    c.speaks() if state == ACTIVE else c.silence()


def walk(id, through, to, label=""):
    assert c.ask(0 if label else id, label), (id, c.status)
    first, last = c.events(2)
    start = first[1]
    assert first == (id, start, through), first
    assert last == (next(t[0] for t in graph if t[2] == through and t[1] == "transition_success"), through, to), last
    until(lambda: c.status.get("lifecycle_reason") == "", "no reason")


stands(UNCONFIGURED)
# Parameters set before the loop runs are in force when it does; a request to hold answers that
# there is nothing to hold.
assert c.set_all([("gains.neck_motor_2.kp", double(0.125))]).successful
assert not c.call(Trigger, "hold").success
walk(CONFIGURE, 10, INACTIVE)
stands(INACTIVE)
assert c.get("gains.neck_motor_2.kp") == [0.125]
walk(CLEANUP, 11, UNCONFIGURED)
walk(CONFIGURE, 10, INACTIVE, "configure")
assert c.set_all([("gains.neck_motor_2.kp", double(0.0625))]).successful
assert c.call(Trigger, "hold").success
walk(ACTIVATE, 13, ACTIVE)
stands(ACTIVE)
c.point(bend_deg(12, 70))
near(c.truth(), bend_deg(12, 70), math.radians(1.0), "while active")
walk(DEACTIVATE, 14, INACTIVE)
stands(INACTIVE)

# It stays where it is, and commands are refused, now and after the next activation.
c.silence()
at = c.truth()
c.send(c.pose(bend_deg(12, -110)))
until(lambda: int(c.status.get("dropped.desired_pose.not_active", 0)) > 0, "the refusal")
walk(ACTIVATE, 13, ACTIVE, "activate")
c.speaks()
holds(lambda: math.dist(c.truth(), at) < math.radians(0.3), "it stays at %s: %s" % (at, c.truth()), 1.5)
walk(DEACTIVATE, 14, INACTIVE)
walk(CLEANUP, 11, UNCONFIGURED)
assert c.get("gains.neck_motor_2.kp") == [0.0625]
walk(CONFIGURE, 10, INACTIVE)
walk(ACTIVATE, 13, ACTIVE)
holds(lambda: math.dist(c.truth(), at) < math.radians(0.3), "nor for a loop made anew", 1.0)
walk(7, 12, FINALIZED, "shutdown")
stands(FINALIZED)

# The other paths to the end; the joints of one process have separate lifecycles.
for name, before, id in (("/b", [], 5), ("/c", [CONFIGURE], 6)):
    c = Managed(name + "/withy", name)
    assert c.state() == UNCONFIGURED
    for transition in before:
        c.make(transition)
        c.events(2)
    walk(id, 12, FINALIZED, "shutdown" if name == "/b" else "")
    assert c.state() == FINALIZED
done()

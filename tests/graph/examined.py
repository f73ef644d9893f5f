"""Gains are examined on the joint's models before they are accepted; gain sets are added while the
node runs."""

import sys

from client import *

good_file, late_file = sys.argv[1:3]
c = Client()
c.tracking()


def all_motors(key, value):
    return c.set_all([("gains.%s.%s" % (m, key), double(value)) for m in MOTORS])


def refused(answer, *words):
    assert not answer.successful
    for word in words:
        assert word in answer.reason, (word, answer.reason)


# Gains that would make the joint unstable: refused with the model and the numbers, and nothing
# changes.
before = c.everything()
refused(all_motors("ki", 900.0), "any-payload", "with its changes", "on model", "accepted: stable", "30.0 deg")
assert c.everything() == before
# A floor that no set keeps: a swap is refused with the set's margin.
assert c.set_all([("examine.action", text("refuse")), ("examine.margin_floor", double(1.9))]).successful
refused(c.set_all([("gain_set", text("camera"))]), "'camera'", "phase margin is", "less than 108.9 deg")
# Accepted with a warning in diagnostics; or not examined.
assert c.set_all([("examine.action", text("warn"))]).successful
assert c.set_all([("gain_set", text("camera"))]).successful
until(lambda: "phase margin is" in c.status["gain_set_warning"], "the warning in diagnostics")
assert c.set_all([("examine.action", text("off"))]).successful
assert c.set_all([("gain_set", text("bare"))]).successful
until(lambda: c.status["gain_set_warning"] == "", "no warning in diagnostics")
refused(c.set_all([("examine.action", text("ignore"))]), "'ignore'", "'off', 'warn' or 'refuse'")
refused(c.set_all([("examine.margin_floor", double(-1.0))]), "examine.margin_floor is -1")
assert c.set_all([("examine.action", text("warn")), ("examine.margin_floor", double(0.52))]).successful
# A payload that is set is examined on its own models, which the message names.
assert c.set_all([("payload.mass", double(0.38)), ("payload.height", double(0.06))]).successful
refused(all_motors("ki", 900.0), "the payload of 0.38 kg at 0.06 m", "on model camera-and-lamp")
assert c.set_all([("payload.mass", double(-1.0))]).successful

# A gain-set file is added and selected while the node runs.
refused(c.set_all([("gain_set_file", text("gains/none.yaml"))]), "gains/none.yaml")
# Files elsewhere are not read, and nothing of a file of another kind is shown.
for outside in ("/etc/passwd", "../config/gains/bare.yaml"):
    refused(c.set_all([("gain_set_file", text(outside))]), outside + " is not accepted; accepted: a file below ")
answer = c.set_all([("gain_set_file", text("models/glasshouse-neck.yaml"))])
refused(answer, "glasshouse-neck.yaml", "accepted" if "a key" in answer.reason else "wanted")
answer = c.set_all([("x" * 65538, double(1.0))])
refused(answer, "is not a parameter of this node")
assert len(answer.reason) < 300, len(answer.reason)
refused(c.set_all([("gain_set_file", text("gains/bare.yaml"))]), "'bare'", "accepted: a name")
refused(c.set_all([("gain_set_file", text("gains/velocity.yaml"))]), "velocity setpoints", "accepted")
refused(c.set_all([("gain_set_file", text(good_file)), ("gain_set", text("pid"))]), "accepted: gain_set_file alone")
assert "mine" not in c.get("gain_sets")[0]
answer = c.set_all([("gain_set_file", text(good_file))])
assert answer.successful, answer.reason
assert "mine" in c.get("gain_sets")[0]
answer = c.set_all([("gain_set", text("mine"))])
assert answer.successful, answer.reason
assert c.get("gain_set", "gains.neck_motor_1.ki") == ["mine", 5.25]
# One that is bad on a model can be added, but not selected.
assert c.set_all([("gain_set_file", text(late_file))]).successful
refused(c.set_all([("gain_set", text("wild"))]), "'wild'", "on model")
assert c.get("gain_set") == ["mine"]
done()

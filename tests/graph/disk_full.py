"""The disk is full or read-only: saving is refused with one sentence, and the joint goes on.

Run: disk_full.py <folder of gain sets as this process sees it> <full|unwritable>."""

from broken import *

folder, way = sys.argv[1], sys.argv[2]
c = Witness()
told_of = []
c.node.create_subscription(DiagnosticArray, "/diagnostics", lambda m: told_of.extend(m.status), ALL)
c.tracking()
c.point(bend_deg(12, 40))


def files():
    found = {}
    for place, _, names in os.walk(folder):
        for name in names:
            path = os.path.join(place, name)
            with open(path, "rb") as file:
                found[os.path.relpath(path, folder)] = file.read()
    return found


def fill():
    """Writes until the disk takes no further byte."""
    with open(os.path.join(folder, "filled"), "ab", buffering=0) as file:
        for piece in (4096, 1):
            try:
                while True:
                    file.write(b" " * piece)
            except OSError as error:
                assert error.errno == 28, error  # ENOSPC


if way == "full":
    fill()
before = files()
assert c.set_each([("gains.neck_motor_3.ki", double(4.75))])[0].successful
c.send(c.pose(bend_deg(15, 220)))
c.moves(bend_deg(12, 40), 0.03)
c.clear("setpoints")
for _ in range(2):
    reply = c.call(Trigger, "save_gains")
    say(reply.message)
    words = {"full": "No space left", "unwritable": "denied"}[way]
    assert not reply.success and words in reply.message and "any-payload-1.yaml" in reply.message, reply
    assert "\n" not in reply.message and len(reply.message) < 300, reply
    assert files() == before, set(files()) ^ set(before)
    assert c.get("gain_set", "gains.neck_motor_3.ki") == ["any-payload", 4.75]
until(lambda: c.status["gains_changed_since_chosen"] == "1", "gains that are not saved")
c.point(bend_deg(12, 130))
near(c.truth(), bend_deg(12, 130), math.radians(1.0), "with a full disk")
# The incident recording: with space for only a part of its file, nothing of it is left behind.
if way == "full":
    os.truncate(os.path.join(folder, "filled"), len(before["filled"]) - 100000)
    before = files()
reply = c.call(Trigger, "save_incident")
say(reply.message)
words = {"full": "No space left", "unwritable": "Not a directory"}[way]
assert not reply.success and words in reply.message, reply
assert "\n" not in reply.message and len(reply.message) < 300, reply
until(lambda: files() == before, lambda: "nothing half-written: %s" % (set(files()) ^ set(before)))
told = lambda: [s for s in told_of if s.name == "withy: incidents" and "could not be written" in s.message]
until(told, "a word in diagnostics")
c.point(bend_deg(12, 40))
near(c.truth(), bend_deg(12, 40), math.radians(1.0), "with a full disk, again")
c.steps(c.sent(), "with a full disk")
# With space again they are saved.
if way == "full":
    os.remove(os.path.join(folder, "filled"))
else:
    os.chmod(folder, 0o755)
if way == "full":
    reply = c.call(Trigger, "save_incident")
    assert reply.success and reply.message.endswith(".csv"), reply
    say(reply.message)
reply = c.call(Trigger, "save_gains")
assert reply.success and c.get("gain_set") == ["any-payload-1"], reply
after = {name: text for name, text in files().items() if not name.endswith(".csv")}
assert set(after) - set(before) == {"any-payload-1.yaml"} and b"4.75" in after["any-payload-1.yaml"], set(after)
assert all(after[name] == text for name, text in before.items() if name != "filled")
done()

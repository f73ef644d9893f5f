"""The folder cannot be created: a request is refused with the reason, diagnostics report it, and
the joint goes on."""

from client import *

c = Client()
c.tracking()
told = {}


def listen(message):
    for status in message.status:
        if status.name == "withy: incidents":
            told.update({v.key: v.value for v in status.values}, message=status.message)


c.node.create_subscription(DiagnosticArray, "/diagnostics", listen, ALL)
for _ in range(3):
    reply = c.call(Trigger, "save_incident")
    assert not reply.success and "Not a directory" in reply.message, reply
until(lambda: int(told.get("files_failed", 0)) >= 3, lambda: "diagnostics: %s" % told)
assert "Not a directory" in told["last_failure"] and told["last_failure"] in told["message"], told
assert told["files_written"] == "0" and told["folder"].endswith("blocked/in"), told
c.point(bend_deg(12, 40))
near(c.truth(), bend_deg(12, 40), math.radians(1.0), "the joint goes on")
done()

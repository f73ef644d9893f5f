"""`kill FOLDER PID`: the process is killed while it writes. `after FOLDER`: its leftovers are gone,
and files are whole."""

import signal

from incident_file import *
from client import *

what, folder = sys.argv[1:3]
c = Client()
c.tracking()
if what == "kill":
    reply = c.call(Trigger, "save_incident")
    assert reply.success and os.path.dirname(reply.message) == folder, reply
    # More rows to write, so that it takes a while.
    until(lambda: float(c.status.get("cycles", 1e9)) > 2000, "ticks")
    client = c.node.create_client(Trigger, c.joint + "/save_incident")
    until(client.service_is_ready, "the service")
    client.call_async(Trigger.Request())
    until(lambda: halves(folder), "a write to begin")
    os.kill(int(sys.argv[3]), signal.SIGKILL)
else:
    until(lambda: not halves(folder), lambda: "half files to be removed: %s" % halves(folder))
    reply = c.call(Trigger, "save_incident")
    assert reply.success, reply
    assert reply.message in whole_files(folder), reply
for path in whole_files(folder):
    read = Read(path)
    print(path, len(read.rows), "rows; half files:", halves(folder))
done()

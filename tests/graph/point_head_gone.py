"""Goals of the action ~/point_head on a joint whose sensors fall silent, and whose node ends."""

from pointing import *

joint.tracking()
# The joint falls silent: the goal ends, and is not resumed afterwards.
withy, simulated = int(sys.argv[1]), int(sys.argv[2])
sent = Sent(goal(*back, least=8.0))
assert sent.accepted
until(lambda: sent.way, "the way begun")
os.kill(simulated, signal.SIGSTOP)
assert sent.end() == ABORTED
os.kill(simulated, signal.SIGCONT)
joint.status.clear()
joint.tracking()
assert states[-1]["message"] == "no target", states[-1]

# Under way when the node ends: the client gets a result, and is not left waiting.
sent = Sent(goal(*back, least=8.0))
assert sent.accepted
os.kill(withy, signal.SIGTERM)
assert sent.end() == ABORTED
done()

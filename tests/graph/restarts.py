"""Processes that are killed and started again many times: measures the time until the new one hears
and is heard.

Run: restarts.py <withy> <joint file> <simulated-joint file> <times> <discovery range>; the
processes set up their transport themselves."""

import signal
import subprocess

from client import *

PROGRAM, JOINT, SIMULATED, TIMES, RANGE = sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4]), sys.argv[5]
THEIRS = {k: v for k, v in os.environ.items() if "DDS" not in k and "RTPS" not in k}
THEIRS["ROS_AUTOMATIC_DISCOVERY_RANGE"] = RANGE
# Longest time, s.
MOST = 4.0
NODE = [PROGRAM, "run", JOINT, "--ros-args", "-p", "autostart:=true"]
WORLD = [PROGRAM, "simulate", SIMULATED]
LISTENER = [sys.executable, __file__.replace("restarts.py", "listener.py")]


def left():
    """Returns the names of Fast DDS in shared memory."""
    return {name for name in os.listdir("/dev/shm") if name.startswith(("fastrtps", "fastdds", "sem.fastrtps", "sem.fastdds"))}


running = []


def start(words, environment=THEIRS):
    running.append(subprocess.Popen(words, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=open("restarts.log", "a"), text=True))
    return running[-1]


def kill(process):
    process.send_signal(signal.SIGKILL)
    process.wait()


def report(what, took):
    print("%s killed and started anew %d times: ready after %.2f s in the median, %.2f s at most" % (what, len(took), sorted(took)[len(took) // 2], max(took)), flush=True)
    assert max(took) <= MOST, (what, took)


def failed_with_them(*error):
    """Ends every process that was started here."""
    for process in running:
        process.kill()
    failed(*error)


sys.excepthook = failed_with_them
before = left()
node, world = start(NODE), start(WORLD)
c = Client(topics={"truth": "nothing"})
c.tracking()

took = []
for _ in range(TIMES):
    kill(node)
    c.clear("setpoints")
    begun = now()
    node = start(NODE)
    # It sends once it has heard every sensor.
    until(lambda: c.count("setpoints") > 0, "setpoints of a new node: %s" % c.status)
    took.append(now() - begun)
report("the node", took)

took = []
for _ in range(TIMES):
    kill(world)
    c.clear("joint_states")
    begun = now()
    world = start(WORLD)
    until(lambda: "joint_states" in c.newest, "a new joint's angles")
    # The node hears it: its measurements are recent.
    fresh = lambda: "head_pose" in c.newest and seconds(c.newest["head_pose"].header.stamp) > begun
    until(fresh, "the node to hear a new joint: %s" % c.status)
    took.append(now() - begun)
report("the simulated joint", took)
more = left() - before
print("left in shared memory: %d" % len(more), flush=True)
assert not more, more

# With this client's transport, the project's profile. Leftovers of others in shared memory are not
# counted.
took = []
for _ in range(TIMES):
    listener = start(LISTENER, os.environ)
    listener.stdout.readline()
    begun = now()
    heard = listener.stdout.readline()
    took.append(now() - begun)
    assert heard.startswith("heard"), heard
    kill(listener)
report("a client", took)

# After all restarts the last joint hears the node, and the node a command.
until(lambda: c.status.get("mode") in ("tracking", "faulted", "holding"), lambda: "a mode: %s" % c.status)
c.call(Trigger, "clear_faults")
c.tracking()
c.point(bend_deg(12, 40))
near(c.measured(), bend_deg(12, 40), math.radians(1.0), "after all restarts")
kill(node)
kill(world)
done()

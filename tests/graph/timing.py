"""Time for the clients: the machine's, or simulated time in lockstep.

In lockstep (WITHY_LOCKSTEP=1) time stands while a client works, and goes on a step at a time while
it waits. The publisher of /clock waits until the client has acknowledged the time on
/client/acknowledged. A client that waits for a condition therefore checks it after every step, and
a machine that stalls changes nothing."""

import contextlib
import math
import os
import threading
import time

import rclpy
from builtin_interfaces.msg import Time
from rclpy.executors import SingleThreadedExecutor, TimeoutException
from rclpy.qos import QoSProfile, ReliabilityPolicy
from rosgraph_msgs.msg import Clock
from std_msgs.msg import Header

try:
    # An eighth of the other executor's work for each message. Distributions before Kilted lack it.
    from rclpy.experimental import EventsExecutor as Executor
except ImportError:
    Executor = SingleThreadedExecutor

LOCKSTEP = os.environ.get("WITHY_LOCKSTEP") == "1"
CLOCK_QOS = QoSProfile(depth=1, reliability=ReliabilityPolicy.BEST_EFFORT)
ACKNOWLEDGED_QOS = QoSProfile(depth=100, reliability=ReliabilityPolicy.RELIABLE)
# Longest wait for the next step of time before other work is checked, s.
LOOK = 0.02
# Longest wait for an answer while time stands, s.
SOON = 0.05
# Simulated time that passes before a condition is checked again, s.
GO = 0.018


def seconds(stamp):
    return stamp.sec + 1e-9 * stamp.nanosec


def stamp_of(t):
    ns = round(t * 1e9)
    return Time(sec=ns // 10**9, nanosec=ns % 10**9)


class Keeper:
    """A callback at a fixed rate, until `set` is called."""

    def __init__(self, rate, what):
        self.rate, self.what, self.turn, self.stopped = rate, what, now(), False

    def go_on(self):
        while not self.stopped and self.turn <= now():
            self.what(self.turn)
            # Missed calls are made up for, within 0.1 s.
            self.turn = max(self.turn + 1.0 / self.rate, now() - 0.1)

    def set(self):
        self.stopped = True
        if self in keepers:
            keepers.remove(self)


class Machine:
    """The machine's time. The executor has its own thread; the executor of events would hold up
    other threads that publish."""

    executor = None

    def add(self, node):
        if self.executor is None:
            self.executor = SingleThreadedExecutor()
            threading.Thread(target=self.executor.spin, daemon=True).start()
        self.executor.add_node(node)

    def now(self):
        return time.time()

    def step(self):
        time.sleep(0.005)

    def soon(self, condition):
        pass

    def no_further_than(self, end):
        return contextlib.nullcontext()


class Lockstep:
    """Simulated time, which advances while this client allows it. Messages that arrived meanwhile
    are handled when it stands again."""

    executor = None

    def __init__(self):
        self.stamp, self.acknowledged = None, None
        # The time up to which it advances by itself, and the time beyond which it never does.
        self.end, self.most = 0.0, math.inf
        self.stands = False

    def add(self, node):
        if self.executor is None:
            self.executor = Executor()
            own = rclpy.create_node("client_time")
            self.out = own.create_publisher(Header, "/client/acknowledged", ACKNOWLEDGED_QOS)
            own.create_subscription(Clock, "/clock", self.on_clock, CLOCK_QOS)
            self.executor.add_node(own)
        self.executor.add_node(node)

    def on_clock(self, message):
        stamp = message.clock
        if stamp == self.acknowledged:
            # Published again: the answer was lost, or its subscriber is new.
            self.out.publish(Header(stamp=stamp, frame_id="clock"))
            return
        self.stamp = stamp
        if seconds(stamp) < self.end:
            self.acknowledge()

    def acknowledge(self):
        if self.stamp is not None and self.stamp != self.acknowledged:
            self.acknowledged = self.stamp
            self.out.publish(Header(stamp=self.stamp, frame_id="clock"))

    def now(self):
        return 0.0 if self.stamp is None else seconds(self.stamp)

    def step(self):
        """Lets time advance by up to GO: by one step while keepers run, and not at all while
        `stands` is set."""
        if self.executor is None:
            # Without a client nothing waits for an acknowledgement.
            return time.sleep(0.005)
        if self.stands:
            time.sleep(0.0005)
            return self.look()
        self.end = min(self.most, 0.0 if keepers or self.stamp is None else seconds(self.stamp) + GO)
        self.acknowledge()
        begun = time.monotonic()
        while self.stamp == self.acknowledged and time.monotonic() - begun < LOOK:
            self.executor.spin_once(timeout_sec=LOOK)
        self.end = 0.0
        self.look()

    @contextlib.contextmanager
    def no_further_than(self, end):
        """Within it, time advances by itself only up to `end`."""
        self.most = end
        try:
            yield
        finally:
            self.most = math.inf

    def look(self):
        drain(self.executor)

    def soon(self, condition):
        """Handles messages for up to SOON while time stands, until `condition()` is true."""
        end = time.monotonic() + SOON
        while not condition() and time.monotonic() < end:
            time.sleep(0.0005)
            self.look()


def drain(executor):
    """Handles all messages that have arrived."""
    if not isinstance(executor, SingleThreadedExecutor):
        # Events are handled in the order in which they arrive, and this one is the last.
        last = executor.create_task(lambda: None)
        while not last.done():
            executor.spin_once(timeout_sec=1.0)
        return
    # Takes one message of each subscription a round, until a round finds none.
    found = True
    while found:
        found = False
        try:
            while True:
                handler, _, _ = executor.wait_for_ready_callbacks(timeout_sec=0)
                found = True
                handler()
                if handler.exception():
                    raise handler.exception()
        except TimeoutException:
            pass


keepers = []
clock = Lockstep() if LOCKSTEP else Machine()


@contextlib.contextmanager
def standing():
    """Within it, time stands even while the client waits."""
    clock.stands = True
    try:
        yield
    finally:
        clock.stands = False


def now():
    """Returns the time on the clock of the stamps, s."""
    return clock.now()


def step():
    """Lets a little time pass."""
    clock.step()
    for keeper in list(keepers):
        keeper.go_on()


def keep(rate, what):
    """Calls `what(due time)` `rate` times a second while the client waits, until `set` of the
    returned object is called."""
    keeper = Keeper(rate, what)
    keepers.append(keeper)
    return keeper

"""Common parts of the supervision tests: setting faults, and observing the effects from outside."""

import contextlib
import math
import signal

from client import *


def value_of(value):
    """Returns a Python value as a parameter value."""
    kinds = {bool: boolean, float: double, str: text}
    return kinds[type(value)](value)


class Watched(Client):
    def guards(self, changes):
        """Sets parameters under `supervision.` atomically."""
        result = self.set_all([("supervision." + name, value_of(value)) for name, value in changes.items()])
        assert result.successful, result.reason

    def told(self, what, **wanted):
        """Waits for a report in which all keys are as wanted (`fault_x` is the key `fault.x`), and
        returns it."""

        def fits(status):
            keys = {"fault." + k[6:] if k.startswith("fault_") else k: v for k, v in wanted.items()}
            return all(v(status.get(k)) if callable(v) else status.get(k) == v for k, v in keys.items())

        def look():
            status = self.status
            return status if fits(status) else None

        return until(look, lambda: "%s; diagnostics: %s" % (what, self.status))

    def stands(self, count=60):
        """Checks that setpoints continue and stay the same despite a command."""
        self.send(self.pose(bend_deg(8, 200)))
        index = self.count("setpoints")
        until(lambda: self.count("setpoints") > index + count, "setpoints that are held")
        held = [angles(m, MOTORS) for m in self.all["setpoints"][-count:]]
        assert all(h == held[0] for h in held), (held[0], held[-1])

    def faulted(self, rule, *words, motors=None):
        """Checks that a latched fault holds the joint, and that the report names it."""
        s = self.told(rule + " to hold the joint", mode="faulted", cause=rule, level=2)
        assert s["reaction"] == "hold" and rule in s["latched_faults"].split(", "), s
        assert s["fault." + rule] == "latched" and int(s["faults_so_far"]) > 0, s
        for word in (rule, "~/clear_faults") + words:
            assert word in s["message"], (word, s["message"])
        if motors is not None:
            assert s["fault.%s.motors" % rule] == motors, s
        self.stands()
        return s

    def cleared(self):
        """Clears the faults, and checks that the joint stays where it is and takes commands
        again."""
        reply = until(self.try_clear, lambda: "faults to be cleared; last: %s" % self.reply.message)
        self.told("tracking again", mode="tracking", latched_faults="")
        self.stays()
        return reply

    def stays(self):
        """Checks that the earlier command is over: the joint comes to rest near where it is, far
        from the target sent meanwhile."""
        at = self.truth()
        holds(lambda: math.dist(self.truth(), at) < math.radians(4), "moves without a command", 0.5)

    def not_cleared(self, *words):
        """Checks that a fault cannot be cleared while its cause persists, and that the reply gives
        the reason."""
        assert self.try_clear() is None and all(w in self.reply.message for w in words), self.reply

    def try_clear(self):
        self.reply = self.call(Trigger, "clear_faults")
        return self.reply if self.reply.success else None

    def number(self, key):
        return float(self.status[key])

    @contextlib.contextmanager
    def hindered(self, pid):
        """Stops the process again and again, each time for longer than two of its control
        periods."""
        going = [True]

        def hinder():
            while going[0]:
                os.kill(pid, signal.SIGSTOP)
                time.sleep(0.02)
                os.kill(pid, signal.SIGCONT)
                time.sleep(0.02)

        thread = threading.Thread(target=hinder)
        thread.start()
        try:
            yield
        finally:
            going[0] = False
            thread.join()
            os.kill(pid, signal.SIGCONT)

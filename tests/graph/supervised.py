"""What the tests of supervision have in common: making things wrong, and seeing what follows as a stranger does."""

import contextlib
import math
import signal

from client import *


def value_of(value):
    """A Python value as a parameter's."""
    kinds = {bool: boolean, float: double, str: text}
    return kinds[type(value)](value)


class Watched(Client):
    def guards(self, changes):
        """Sets parameters under `supervision.`, all at once."""
        result = self.set_all([("supervision." + name, value_of(value)) for name, value in changes.items()])
        assert result.successful, result.reason

    def told(self, what, **wanted):
        """Waits for a report in which all keys are as wanted (`fault_x` is the key `fault.x`), and gives it."""

        def fits(status):
            keys = {"fault." + k[6:] if k.startswith("fault_") else k: v for k, v in wanted.items()}
            return all(v(status.get(k)) if callable(v) else status.get(k) == v for k, v in keys.items())

        def look():
            status = self.status
            return status if fits(status) else None

        return until(look, lambda: "%s; diagnostics: %s" % (what, self.status))

    def stands(self, count=60):
        """Setpoints go on and are the same, whatever is commanded."""
        self.send(self.pose(bend_deg(8, 200)))
        index = self.count("setpoints")
        until(lambda: self.count("setpoints") > index + count, "setpoints that are held")
        held = [angles(m, MOTORS) for m in self.all["setpoints"][-count:]]
        assert all(h == held[0] for h in held), (held[0], held[-1])

    def faulted(self, rule, *words, motors=None):
        """A latched fault holds the joint, and the report says which."""
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
        """Clears, and sees that the joint is where it was and takes commands again."""
        reply = until(self.try_clear, lambda: "faults to be cleared; last: %s" % self.reply.message)
        self.told("tracking again", mode="tracking", latched_faults="")
        self.stays()
        return reply

    def stays(self):
        """What was commanded before is over: the joint comes to rest about where it is, far from where it was sent meanwhile."""
        at = self.truth()
        holds(lambda: math.dist(self.truth(), at) < math.radians(4), "moves without a command", 0.5)

    def not_cleared(self, *words):
        """As long as the cause is there it cannot be cleared, and the reply says why."""
        assert self.try_clear() is None and all(w in self.reply.message for w in words), self.reply

    def try_clear(self):
        self.reply = self.call(Trigger, "clear_faults")
        return self.reply if self.reply.success else None

    def number(self, key):
        return float(self.status[key])

    @contextlib.contextmanager
    def hindered(self, pid):
        """The process is stopped again and again for longer than two of its ticks."""
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

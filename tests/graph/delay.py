"""A gain set designed for less dead time than is measured."""

import sys

from client import *

c = Client()
if sys.argv[1] == "swap":
    c.tracking()
    until(lambda: float(c.status["dead_time_s"]) > 0.003, "a measured dead time")
    before = c.everything()
    result = c.set_all([("gain_set", text("bare"))])
    assert not result.successful and "'bare'" in result.reason, result
    assert " 1.0 ms" in result.reason and "are measured" in result.reason, result.reason
    assert c.everything() == before and c.status["mode"] == "tracking"
else:
    until(lambda: c.status.get("mode") == "latency_too_high", "the verdict on the sensors")
    assert "1.0 ms" in c.status["message"] and "'bare'" in c.status["message"], c.status
    holds(lambda: c.count("setpoints") == 0, "no setpoints", 1.0)
    # A set designed for more is accepted.
    assert c.set_all([("gain_set", text("camera"))]).successful
    c.tracking()
    until(lambda: c.count("setpoints") > 0, "setpoints")
done()

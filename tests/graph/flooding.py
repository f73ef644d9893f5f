"""Sets parameters as fast as they are answered, good and bad in turn, several requests under way at
once; run by flooded.py. Each of the two clients has its own service and parameters, and prints at
the end the values accepted last.

Run: flooding.py <own number, 0 or 1> <seconds>."""

import json
import random

from client import *

own, length = int(sys.argv[1]), float(sys.argv[2])
# Both together stay below the ten that a service queues by default.
UNDER_WAY = 4
choose = random.Random(own)
rclpy.init(args=[])
node = rclpy.create_node("flooding_%d" % own)
kind, name = [(SetParameters, "set_parameters"), (SetParametersAtomically, "set_parameters_atomically")][own]
service = node.create_client(kind, "/withy/" + name)
executor = Executor()
executor.add_node(node)
assert service.wait_for_service(PATIENCE), "no service"

doubles = lambda *v: ParameterValue(type=ParameterType.PARAMETER_DOUBLE_ARRAY, double_array_value=v)
strings = lambda *v: ParameterValue(type=ParameterType.PARAMETER_STRING_ARRAY, string_array_value=v)
raw = lambda *v: ParameterValue(type=ParameterType.PARAMETER_BYTE_ARRAY, byte_array_value=[bytes([b]) for b in v])
GOOD = [
    [
        lambda: ("gains.neck_motor_%d.ki" % choose.randint(1, 4), double(choose.uniform(5.0, 6.0))),
        lambda: ("gain_set", text(choose.choice(["any-payload", "bare"]))),
    ],
    [
        lambda: ("limits.feedback", double(choose.uniform(0.14, 0.16))),
        lambda: ("supervision.hunting.limit", double(choose.uniform(0.01, 0.02))),
        lambda: ("limits.over_bend", double(choose.uniform(1.0, 1.2))),
    ],
][own]
BAD = [
    lambda: ("gains.neck_motor_2.ki", double(choose.choice([-1.0, math.nan, math.inf, 1e300]))),
    lambda: ("gain_set", text("x" * choose.randint(0, 5000))),
    lambda: ("gain_set", doubles(1.0, 2.0)),
    lambda: ("limits.feedback", text("much")),
    lambda: ("limits.feedback", ParameterValue()),
    lambda: ("limits.inclination", raw(*range(256))),
    lambda: ("gains.neck_motor_1", strings("a", "b")),
    lambda: ("", boolean(True)),
    lambda: ("nothing.of.this.name" * choose.randint(1, 50), integer(choose.getrandbits(62))),
    lambda: ("tick_rate_hz", double(100.0)),
    lambda: ("limits.feedback", ParameterValue(type=200, double_value=0.15)),
]


def request():
    """Returns a request, and its values if it is a good one."""
    if choose.random() < 0.2:
        name, value = choose.choice(GOOD)()
        return [Parameter(name=name, value=value)], (name, plain(value))
    name, value = choose.choice(BAD)()
    return [Parameter(name=name, value=value)], None


sent = answered = accepted = 0
last, waiting, slowest = {}, [], 0.0
end = time.monotonic() + length
while time.monotonic() < end or waiting:
    while len(waiting) < UNDER_WAY and time.monotonic() < end:
        parameters, good = request()
        waiting.append((service.call_async(kind.Request(parameters=parameters)), parameters, good, time.monotonic()))
        sent += 1
    executor.spin_once(timeout_sec=0.01)
    # Answers come in the order of the requests.
    while waiting and waiting[0][0].done():
        future, parameters, good, began = waiting.pop(0)
        response = future.result()
        result = response.results[0] if own == 0 else response.result
        answered += 1
        slowest = max(slowest, time.monotonic() - began)
        assert result.successful or result.reason, parameters
        assert good or not result.successful, ("accepted", parameters)
        if result.successful:
            accepted += 1
            if good[0] == "gain_set":
                last = {n: v for n, v in last.items() if not n.startswith("gains.")}
            last[good[0]] = good[1]
    assert time.monotonic() < end + PATIENCE, "%d requests without an answer" % len(waiting)
print(json.dumps({"sent": sent, "answered": answered, "accepted": accepted, "slowest": slowest, "last": last}))
done()

"""Parameters given at start by arguments and a file; logs on /rosout."""

from rcl_interfaces.msg import Log

from client import *

c = Client()
logs = []
qos = QoSProfile(depth=100, reliability=ReliabilityPolicy.RELIABLE, durability=DurabilityPolicy.TRANSIENT_LOCAL)
c.node.create_subscription(Log, "/rosout", logs.append, qos)
# A set chosen, a gain changed on top of it by an integer in a file, a limit by an argument.
assert c.get("gain_set", "gains.neck_motor_2.ki", "limits.feedback") == ["bare", 6.0, 0.12]
assert c.get("gains.neck_motor_1.ki") != [6.0]
c.tracking()
refused = c.set_each([("gains.neck_motor_1.kp", double(-2.5))])[0]
assert not refused.successful


def logged(level, *words):
    return any(l.level == level and l.name == "withy" and all(w in l.msg for w in words) for l in logs)


until(lambda: logged(30, "gains.neck_motor_1.kp", "-2.5"), "the refusal on /rosout; seen: %s" % logs)
assert c.set_each([("gains.neck_motor_1.kp", double(0.0625))])[0].successful
until(lambda: logged(20, "gains.neck_motor_1.kp", "0.0625"), "the change on /rosout")
done()

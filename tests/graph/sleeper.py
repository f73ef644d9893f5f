"""Subscribes to the node's topics, reliable and with unlimited history, and never takes a message;
run by sleepers.py."""

from rclpy.qos import HistoryPolicy

from client import *

rclpy.init(args=[])
node = rclpy.create_node("sleeper")
kept = QoSProfile(history=HistoryPolicy.KEEP_ALL, reliability=ReliabilityPolicy.RELIABLE)
latched = QoSProfile(depth=1000, reliability=ReliabilityPolicy.RELIABLE, durability=DurabilityPolicy.TRANSIENT_LOCAL)
from diagnostic_msgs.msg import DiagnosticStatus

topics = [
    (JointState, "/withy/motor_setpoints", kept),
    (DiagnosticArray, "/diagnostics", kept),
    (DiagnosticStatus, "/withy/target_state", latched),
    (Bool, "/withy/settled", latched),
    (ParameterEvent, "/parameter_events", kept),
]
subscriptions = [node.create_subscription(kind, topic, lambda m: None, qos) for kind, topic, qos in topics]
# Reliable subscriptions that match, as those of a working client would.
until(lambda: all(node.count_publishers(topic) > 0 for _, topic, _ in topics), "publishers")
print("asleep", flush=True)
while True:
    time.sleep(3600)

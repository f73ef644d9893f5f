"""Checks that a joint's messages on /rosout at its start have the given words."""

from looking import *
from rcl_interfaces.msg import Log

words = sys.argv[1:]
rclpy.init(args=[])
node = rclpy.create_node("reader")
said = []
node.create_subscription(Log, "/rosout", lambda m: said.append(m.msg), TO_ALL_KEPT)
end = now() + PATIENCE
while not any(all(w in text for w in words) for text in said):
    assert now() < end, (words, said)
    rclpy.spin_once(node, timeout_sec=0.1)
done()

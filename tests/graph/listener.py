"""Prints "here" once its node is there, and "heard" at the first setpoints of /withy; then it
stays."""

import rclpy
from sensor_msgs.msg import JointState

rclpy.init()
node = rclpy.create_node("listener")
heard = []
node.create_subscription(JointState, "/withy/motor_setpoints", heard.append, 1)
print("here", flush=True)
while not heard:
    rclpy.spin_once(node, timeout_sec=0.1)
print("heard", flush=True)
rclpy.spin(node)

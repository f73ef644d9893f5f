"""Command sources: several nodes that compete for one joint, on one topic, on two, on topics of
their own, and with the action.

Run: sources.py <scenario>; the scenarios are below."""

from action_msgs.msg import GoalStatus
from client import *
from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import PointStamped

LEAVE = ("truth", "imu", "joint_states", "references", "setpoints", "events")


class Joint(Client):
    """The joint, watched by a node that commands nothing."""

    def __init__(self):
        super().__init__(leave=LEAVE)
        self.node.destroy_publisher(self.desired)
        self.told = {}
        self.node.create_subscription(DiagnosticStatus, "/withy/target_state", self.on_target, LATCHED)
        self.tracking()
        until(lambda: "refused" in self.told, "a word on the target")

    def on_target(self, message):
        self.told = {v.key: v.value for v in message.values}

    def command(self):
        """Returns the number of the command in force."""
        return int(self.told.get("command", "0"))

    def dropped(self, what):
        return int(self.status.get("dropped." + what, "0"))

    def says(self, **values):
        """Waits until diagnostics have these values."""
        until(lambda: all(self.status.get(k) == v for k, v in values.items()), lambda: "%s; diagnostics: %s" % (values, self.status))

    def set(self, name, value):
        result = self.set_all([(name, value)])
        assert result.successful, result.reason


class Source:
    """A node that commands, once in a while or in a stream."""

    def __init__(self, name, topic, points=False):
        self.node = rclpy.create_node(name)
        self.points = points
        self.out = self.node.create_publisher(PointStamped if points else PoseStamped, topic, RELIABLE_NEWEST)
        self.bend, self.talker = (0.0, 0.0), None
        self.sent = 0
        until(lambda: self.out.get_subscription_count() > 0, "a listener to " + topic)

    def say(self, bend=None):
        self.bend = bend or self.bend
        stamp = stamp_of(now())
        if self.points:
            message = PointStamped()
            # Along the axis of the neck at this bend, far away.
            theta = math.hypot(*self.bend)
            k = math.sin(theta) / theta if theta else 1.0
            message.point.x, message.point.y, message.point.z = 5.0 * k * self.bend[0], 5.0 * k * self.bend[1], 5.0 * math.cos(theta)
        else:
            message = PoseStamped()
            o = message.pose.orientation
            o.x, o.y, o.z, o.w = quaternion(self.bend)
        message.header.frame_id, message.header.stamp = "neck_base", stamp
        self.out.publish(message)
        self.sent += 1

    def stream(self, rate, bend):
        """Sends a stream of commands; `quiet` ends it."""
        self.bend = bend
        self.talker = keep(rate, lambda _: self.say())

    def quiet(self):
        self.talker.set()


def taken(joint, source, name, every):
    """Sends a command every `every` seconds until one of `name` is in force. Returns the time that
    took, s."""
    begun = now()

    def try_it():
        source.say()
        end = now() + every
        while now() < end and joint.told.get("source") != name:
            step()
        return joint.told.get("source") == name

    until(try_it, lambda: "a command of %s to be taken; %s" % (source.node.get_name(), joint.status))
    return now() - begun


def on_one_topic():
    """Two sources that cannot be distinguished: reported, and refused where one is to have
    exclusive command."""
    joint = Joint()
    one, two = Source("garden_path", "/withy/desired_pose"), Source("visitor_gaze", "/withy/desired_pose")
    one.stream(5, bend_deg(8, 0))
    two.stream(5, bend_deg(8, 90))
    joint.says(contending="/garden_path, /visitor_gaze", commanding="/garden_path or /visitor_gaze", level=1)
    assert "/garden_path, /visitor_gaze" in joint.status["message"], joint.status
    # Both are accepted.
    before, sent = joint.command(), one.sent + two.sent
    until(lambda: one.sent + two.sent > sent + 20, "both to go on")
    until(lambda: joint.command() > before + 15, "both to be taken")
    assert int(joint.status["commands_refused"]) == 0, joint.status
    joint.set("commands.exclusive", boolean(True))
    until(lambda: joint.dropped("desired_pose.several_publishers") > 5, lambda: "refusals: %s" % joint.status)
    for word in ("/garden_path, /visitor_gaze", "commands.sources"):
        assert word in joint.status["last_dropped"], joint.status
    before = joint.command()
    holds(lambda: joint.command() == before, "a command of nobody knows whom is taken", 0.5)
    # One leaves: the other is identified, and has the joint.
    two.quiet()
    two.node.destroy_node()
    until(lambda: joint.command() > before, lambda: "the one that is left: %s" % joint.status)
    joint.says(commanding="/garden_path", contending="")
    assert joint.told["source"] == "/garden_path", joint.told


def on_two_topics():
    """Distinguished; the first has the joint until it has been silent. The topic of poses is
    remapped."""
    joint = Joint()
    poses, points = Source("garden_path", "/look"), Source("visitor_gaze", "/withy/gaze_point", points=True)
    joint.set("commands.exclusive", boolean(True))
    joint.set("commands.release_after", double(1.0))
    poses.stream(10, bend_deg(8, 0))
    joint.says(commanding="/garden_path", contending="")
    assert joint.told["topic"] == "desired_pose" and joint.told["source"] == "/garden_path", joint.told
    points.stream(10, bend_deg(8, 90))
    until(lambda: joint.dropped("gaze_point.other_source") > 5, lambda: "refusals: %s" % joint.status)
    joint.says(commanding="/garden_path", contending="/visitor_gaze")
    assert "/garden_path holds the joint" in joint.status["last_dropped"], joint.status
    assert joint.told["topic"] == "desired_pose", joint.told
    refused = int(joint.status["commands_refused"])
    assert refused == int(joint.status["commands_contended"]) == joint.dropped("gaze_point.other_source"), joint.status
    # Silent: the other has it, after the configured time.
    poses.quiet()
    begun = now()
    until(lambda: joint.told["source"] == "/visitor_gaze", "the other to have the joint")
    took = now() - begun
    print("the joint changed hands after %.2f s of silence, set are 1 s" % took)
    assert took > 0.8, took
    joint.says(commanding="/visitor_gaze", contending="")
    # Now the order is reversed.
    before = joint.dropped("desired_pose.other_source")
    poses.say()
    until(lambda: joint.dropped("desired_pose.other_source") > before, "the first refused")
    # Both are accepted where that is configured, and reported.
    joint.set("commands.exclusive", boolean(False))
    poses.stream(10, bend_deg(8, 0))
    seen = set()
    until(lambda: seen.add(joint.told["source"]) or len(seen) == 2, "both to be taken in turn")
    until(lambda: joint.status["contending"] and joint.status["commanding"] != joint.status["contending"], "who contends")
    assert {joint.status["commanding"], joint.status["contending"]} == {"/garden_path", "/visitor_gaze"}, joint.status
    assert joint.status["level"] == 1 and "/garden_path, /visitor_gaze" in joint.status["message"], joint.status
    result = joint.set_all([("commands.release_after", double(0.1))])
    assert not result.successful and "0.1" in result.reason and "0.2" in result.reason, result


def by_name():
    """Sources by their own topics, for any publisher there."""
    joint = Joint()
    teleop, other = Source("stick", "/withy/teleop/desired_pose"), Source("spare_stick", "/withy/teleop/gaze_point", points=True)
    route = Source("route", "/withy/autonomy/desired_pose")
    open_to_all = Source("visitor_gaze", "/withy/gaze_point", points=True)
    assert joint.get("commands.exclusive") == [True]
    teleop.stream(10, bend_deg(8, 0))
    joint.says(commanding="teleop", contending="")
    # Two nodes, one source.
    other.say(bend_deg(8, 0))
    until(lambda: joint.told["topic"] == "gaze_point", "the other node of the same source")
    assert joint.told["source"] == "teleop", joint.told
    route.say(bend_deg(8, 90))
    until(lambda: joint.dropped("desired_pose.other_source") == 1, lambda: "a refusal: %s" % joint.status)
    assert "autonomy commands while teleop holds the joint" in joint.status["last_dropped"], joint.status
    open_to_all.say(bend_deg(8, 90))
    until(lambda: joint.dropped("gaze_point.other_source") == 1, lambda: "a refusal: %s" % joint.status)
    joint.says(contending="/visitor_gaze, autonomy", commanding="teleop")
    teleop.quiet()
    print("autonomy had the joint %.2f s after teleop fell silent" % taken(joint, route, "autonomy", 0.4))
    route.stream(10, bend_deg(8, 90))
    joint.says(commanding="autonomy", contending="")


def hold():
    """A hold persists against a stream that runs on, until the stream pauses; another source may
    command meanwhile."""
    joint = Joint()
    stream, desk = Source("garden_path", "/withy/desired_pose"), Source("desk", "/withy/gaze_point", points=True)
    joint.set("commands.release_after", double(1.5))
    stream.stream(20, bend_deg(10, 0))
    until(lambda: joint.measured()[0] > math.radians(8), lambda: "the stream to be followed: %s" % joint.status)
    assert joint.call(Trigger, "hold").success
    # The stream commands the other side from here on, without effect.
    stream.bend = bend_deg(10, 180)
    until(lambda: "command" not in joint.told, "no target after the hold")
    sent = stream.sent
    until(lambda: stream.sent > sent + 60, "the stream to run on")
    holds(lambda: joint.measured()[0] > math.radians(5) and "command" not in joint.told, "the hold gave way", 1.0)
    refused = joint.dropped("desired_pose.stream_after_hold")
    print("held; %d commands of the stream refused" % refused)
    assert refused > 40, joint.status
    for word in ("/garden_path", "hold", "pause of 1.5 s"):
        assert word in joint.status["last_dropped"], joint.status
    # Another source may command, and the stream stays refused.
    desk.say(bend_deg(10, 90))
    until(lambda: joint.told.get("source") == "/desk", lambda: "the other's command: %s" % joint.status)
    until(lambda: joint.measured()[1] > math.radians(8), "it to be followed")
    assert joint.told["source"] == "/desk", joint.told
    # After a pause the stream is accepted again.
    stream.quiet()
    pause = now() + 1.6
    until(lambda: now() > pause, "a pause")
    print("the stream was taken %.2f s after a pause of 1.6 s, set are 1.5 s" % taken(joint, stream, "/garden_path", 2.0))
    until(lambda: joint.measured()[0] < -math.radians(8), "the stream to be followed again")
    # Single commands of the same node are no stream: accepted at once after a hold.
    time_apart = now() + 1.2
    until(lambda: now() > time_apart, "some time between two commands")
    before = joint.command()
    stream.say(bend_deg(5, 0))
    until(lambda: joint.command() > before, "a single command")
    before = joint.command()
    assert joint.call(Trigger, "hold").success
    time_apart = now() + 0.3
    until(lambda: now() > time_apart, "some time after the hold")
    refused = joint.dropped("desired_pose.stream_after_hold")
    stream.say(bend_deg(5, 90))
    until(lambda: joint.told.get("command") == str(before + 1), lambda: "a single command after a hold: %s" % joint.status)
    assert joint.dropped("desired_pose.stream_after_hold") == refused, joint.status


def action():
    """The action's clients against a stream."""
    from control_msgs.action import PointHead
    from rclpy.action import ActionClient

    joint = Joint()
    client = ActionClient(joint.node, PointHead, "/withy/point_head")
    until(client.server_is_ready, "the action server")
    stream = Source("garden_path", "/withy/desired_pose")
    joint.set("commands.exclusive", boolean(True))
    joint.set("commands.release_after", double(0.5))

    def goal(bend, least):
        message = PointHead.Goal()
        message.target.header.frame_id = "neck_base"
        p = message.target.point
        p.x, p.y, p.z = 5.0 * math.sin(bend[0]), 5.0 * math.sin(bend[1]), 5.0
        message.min_duration.sec = least
        future = client.send_goal_async(message)
        until(future.done, "an answer to a goal")
        return future.result()

    def ended(handle, status):
        result = handle.get_result_async()
        until(result.done, "the end of a goal")
        assert result.result().status == status, result.result()

    sent = goal(bend_deg(15, 0), 4)
    assert sent.accepted
    begun = now()
    stream.stream(10, bend_deg(10, 180))
    until(lambda: joint.dropped("desired_pose.other_source") > 5, lambda: "refusals: %s" % joint.status)
    joint.says(commanding="action", contending="/garden_path")
    assert "action holds the joint" in joint.status["last_dropped"], joint.status
    ended(sent, GoalStatus.STATUS_SUCCEEDED)
    print("a goal of 4 s against a stream: succeeded after %.1f s, the silence that loses the joint is 0.5 s" % (now() - begun))
    # The goal is over: the stream has the joint, and a goal is refused.
    joint.says(commanding="/garden_path")
    assert not goal(bend_deg(15, 0), 0).accepted
    until(lambda: joint.dropped("point_head.other_source") == 1, lambda: "a refusal: %s" % joint.status)
    # Where both may command, the next sample ends the goal.
    joint.set("commands.exclusive", boolean(False))
    sent = goal(bend_deg(15, 0), 4)
    assert sent.accepted
    ended(sent, GoalStatus.STATUS_ABORTED)
    until(lambda: "action" in (joint.status["contending"], joint.status["commanding"]), lambda: "who contends: %s" % joint.status)


{"one": on_one_topic, "two": on_two_topics, "named": by_name, "hold": hold, "action": action}[sys.argv[1]]()
done()

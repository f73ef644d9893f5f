"""Faults of the loop: saturation, hunting, a diverging oscillation; and a joint without
commands."""

from supervised import *

c = Watched()
c.tracking()
asked = bend_deg(12, 40)
c.point(asked)

# The feedback is at its limit for long: the reference moves slowly and no further out.
authority = c.get("limits.feedback")[0]
assert c.set_all([("limits.feedback", double(0.02))]).successful
s = c.told("saturation", fault_saturation="broken", cause="saturation", reaction="slow", mode="tracking", level=1)
assert float(s["fault.saturation.value"]) > float(s["fault.saturation.limit"]) == 0.9, s
assert "saturation" in s["message"] and "no further out" in s["message"], s["message"]
c.clear("references")
c.send(c.pose(bend_deg(30, 40)))
until(lambda: c.count("references") > 200, "references")
out = [angles(m, MOTORS) for m in c.all["references"]]
assert all(max(abs(a - b) for a, b in zip(o, out[0])) < 0.02 for o in out), "went further out"
assert c.set_all([("limits.feedback", double(authority))]).successful
c.told("the end of it", cause="", reaction="none", mode="tracking")
c.point(asked)
near(c.truth(), asked, math.radians(0.7), "after saturation")

# A forced oscillation moves the joint while its reference rests, and the motors follow: it hunts.
# That is reported.
c.spoil("sway", 0.03)
s = c.told("hunting", fault_hunting="broken", mode="tracking", level=1, cause="hunting", reaction="warn")
assert float(s["fault.hunting.value_rad"]) > float(s["fault.hunting.limit_rad"]) == 0.0026, s
assert s["hunting"] == "1" and "hunting" in s["message"], s
c.spoil("sway", 0)
c.told("the end of it", fault_hunting=None)

# A diverging oscillation: the loop is opened.
c.spoil("beat", 9.0)
c.spoil("sway", -0.15)
s = c.faulted("diverging_oscillation")
assert float(s["fault.diverging_oscillation.limit_rad"]) == 0.05, s
c.spoil("sway", 0)
c.cleared()
c.point(asked)

# Commands end: the joint holds, or moves slowly to where it is straight.
c.guards({"command_timeout.after": 2.0})
s = c.told("an abandoned joint", fault_command_timeout="broken", cause="command_timeout", level=1, mode="tracking")
assert float(s["fault.command_timeout.limit_s"]) == 2.0 and "the joint holds" in s["message"], s
near(c.truth(), asked, math.radians(0.7), "abandoned and held")
c.guards({"command_timeout_action": "neutral"})
c.point(asked)
c.told("an abandoned joint again", fault_command_timeout="broken")
until(lambda: math.hypot(*c.truth()) < math.radians(0.7), "the way to where it is straight")
assert "straight" in c.status["message"], c.status["message"]
# A command ends it.
c.send(c.pose(asked))
c.told("an end of it", cause="", fault_command_timeout=None)
c.guards({"command_timeout.after": 0.0})
c.point(asked)
near(c.truth(), asked, math.radians(0.7), "at the end")
done()

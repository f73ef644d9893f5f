"""The loop's thread is stopped while everything else runs: the watchdog reports it, no setpoints
are sent, and requests are answered. When it goes on the joint does too, without a jump."""

from managed import *

c = Managed()
c.tracking()
c.point(bend_deg(15, 70))
dog = c.watchdog()
c.send(c.pose(bend_deg(15, 250)))
until(lambda: math.dist(c.truth(), bend_deg(15, 70)) > 0.05, "motion")
held = now()
print("hold the loop", flush=True)
stuck = lambda: [s for s in dog if s.level == b"\x02" and "the control loop has not ticked" in s.message]
until(stuck, lambda: "a word on the loop: %s" % dog)
values = {v.key: v.value for v in stuck()[0].values}
assert values["stuck"] == "1" and int(values["times_stuck"]) >= 1, values
c.silence()
until(lambda: dog[-1].level == b"\x02" and len(stuck()) > 2, "the word again as long as it stands")
# Services are answered outside the loop.
assert c.get("gain_set") == ["any-payload"], c.get("gain_set")
assert c.state() == ACTIVE
dog.clear()
print("let it go", flush=True)
until(lambda: dog and dog[-1].level == b"\x00", lambda: "that all is well: %s" % dog)
c.tracking()
c.speaks()
# The speed limit for one period; the recording rounds to 1e-6 rad.
step_sent = c.largest_step(held - 0.1)
assert step_sent < 12.0 / 200 + 2e-6, step_sent
c.point(bend_deg(12, 160))
near(c.truth(), bend_deg(12, 160), math.radians(1.0), "after the stop")

# If the loop does not go on, the joint cannot be brought to rest: the node ends with the reason.
c.happened.clear()
dog.clear()
print("hold the loop again", flush=True)
until(stuck, lambda: "a word on the loop: %s" % dog)
assert not c.ask(DEACTIVATE), "deactivated a loop that stands"
c.refused("deactivate failed", "the control loop does not answer")
assert c.happened[-1].goal_state.id == FINALIZED, c.happened
done()

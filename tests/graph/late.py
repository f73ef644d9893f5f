"""Late cycles are reported, and the joint moves slowly meanwhile."""

from supervised import *

pid = int(sys.argv[1])
c = Watched()
c.tracking()
asked = bend_deg(12, 40)
c.point(asked)

# Late cycles: the process is stopped again and again, each time for longer than two periods.
c.guards({"late_cycles.limit": 0.1, "late_cycles.after": 0.5})
with c.hindered(pid):
    s = c.told("late ticks", fault_late_cycles="broken", cause="late_cycles", reaction="slow", level=1)
assert float(s["fault.late_cycles.value"]) > float(s["fault.late_cycles.limit"]) == 0.1, s
assert "late_cycles" in s["message"] and "slowly" in s["message"], s["message"]
c.guards({"late_cycles.limit": 0.5, "late_cycles.after": 1.0})
c.told("the end of it", fault_late_cycles=None, mode="tracking")
c.point(asked)
done()

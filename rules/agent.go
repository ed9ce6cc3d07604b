package rules

import (
	"strokebank/rules/alarm"
	"strokebank/sensors/signal"
)

// agentSource is the source of what concerns the agent itself.
const agentSource = "agent"

// agentSignals says which of the agent's own readings an alarm stands on: it
// is raised while the reading is off.
var agentSignals = map[string]signal.ID{
	alarm.HistoryFailing: signal.AgentHistory,
	alarm.DiskLimit:      signal.AgentRoom,
	alarm.ClockUntrusted: signal.AgentClock,
}

// aboutAgent adds an alarm about the agent where its reading comes with the
// scan: the agent's state enters as readings do, so that its alarms live the
// same life and a replay raises them again.
func (u *Unit) aboutAgent(name string, points []signal.Point, add func(string, check)) {
	id, ok := agentSignals[name]
	if !ok {
		return
	}
	if at := find(points, id); at >= 0 {
		add(agentSource, checkOff(at))
	}
}

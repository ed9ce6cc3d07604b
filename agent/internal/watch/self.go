package watch

import (
	"context"

	"strokebank/sensors/signal"
)

// Self adds the agent's own state to the scans of a source, as readings beside
// the others. History says whether the disk takes what is recorded and whether
// it has room for all of it; it must not wait for the disk.
type Self struct {
	Source  source
	History func() (durable, room bool)
}

// SelfPoints are the points that Self adds, behind those of its source.
func SelfPoints() []signal.Point {
	return []signal.Point{
		{ID: signal.AgentHistory, Unit: signal.Boolean},
		{ID: signal.AgentRoom, Unit: signal.Boolean},
		{ID: signal.AgentClock, Unit: signal.Boolean},
	}
}

// Next is the source's next scan with the agent's state as it is then.
func (s Self) Next(ctx context.Context) (signal.Scan, error) {
	scan, err := s.Source.Next(ctx)
	if err != nil {
		return scan, err
	}
	durable, room := s.History()
	for _, on := range [...]bool{durable, room, scan.ClockTrusted} {
		value := 0.0
		if on {
			value = 1
		}
		scan.Readings = append(scan.Readings, signal.Measured(value, signal.Boolean, scan.Time))
	}
	return scan, nil
}

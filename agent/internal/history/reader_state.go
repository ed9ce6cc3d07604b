package history

import (
	"context"
	"time"

	"strokebank/rules/alarm"
)

// Installation is Store.Installation.
func (r *Reader) Installation() string { return r.store.Installation() }

// Alarms is Store.Alarms.
func (r *Reader) Alarms(ctx context.Context, unit string) ([]alarm.Status, error) {
	return r.store.Alarms(ctx, unit)
}

// LastBeat is Store.LastBeat: the sign of life of a process that watches the
// unit.
func (r *Reader) LastBeat(unit string) (payload []byte, at time.Time, err error) {
	return r.store.LastBeat(unit)
}

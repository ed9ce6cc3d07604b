package machine

import (
	"fmt"
	"time"
)

// Individual is the machine that stands in a position: what it had run and
// started before it came there goes with it.
type Individual struct {
	Serial      string    `json:"serial"`
	Installed   time.Time `json:"installed,omitzero"`
	RunOffset   float64   `json:"run_before_seconds"`
	StartOffset float64   `json:"starts_before"`
	// Configured is the serial number in the configuration when it was put in:
	// while that stands there the command counts, and when it has changed the
	// configuration does. Exchange fills it in.
	Configured string `json:"configured"`
}

// Exchange puts another individual into a position, with the hours and starts
// that it has behind it; those of the one before leave with it, and are
// returned. A run under way goes on as the new one's.
func (p *Pair) Exchange(position string, n Individual) (left Individual, err error) {
	for i := range p.m {
		m := &p.m[i]
		if m.Position != position {
			continue
		}
		if n.Serial == "" || n.Serial == m.Serial {
			return left, fmt.Errorf("machine %s: an exchange needs another serial number than %q", position, m.Serial)
		}
		if !(n.RunOffset >= 0) || !(n.StartOffset >= 0) {
			return left, fmt.Errorf("machine %s: run time and starts before must not be negative", position)
		}
		left = Individual{Serial: m.Serial, Installed: m.cfg.Installed,
			RunOffset:   m.cfg.RunOffset + m.Totals.Run.Seconds(),
			StartOffset: m.cfg.StartOffset + float64(m.Totals.Starts)}
		n.Configured = p.cfg.Machines[i].Serial
		m.renew()
		m.put(&n)
		return left, nil
	}
	return left, fmt.Errorf("there is no machine %s", position)
}

// Serial is the serial number of the individual in place i, 0 or 1, now; empty
// where none was given.
func (p *Pair) Serial(i int) string {
	if n := p.m[i].Exchanged; n != nil && p.cfg.Machines[i].Serial == n.Configured {
		return n.Serial
	}
	return p.cfg.Machines[i].Serial
}

// put makes n the individual of the position.
func (m *member) put(n *Individual) {
	m.Exchanged, m.Serial = n, n.Serial
	m.cfg.Serial, m.cfg.Installed, m.cfg.RunOffset, m.cfg.StartOffset = n.Serial, n.Installed, n.RunOffset, n.StartOffset
}

// renew starts the life anew; the windows belong to the position and go on.
func (m *member) renew() {
	m.Totals, m.Meter, m.Counter, m.Checks = totals{}, tally{}, tally{}, checks{}
	m.Failed, m.Calling = false, wait{}
	m.RanOnCall, m.Dropping, m.Dropped = false, wait{}, false
}

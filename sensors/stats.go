package sensors

import "time"

// Stats is a snapshot of the counters, links in the order of New, units in the
// order of Source. All counters start at 0 with the process.
type Stats struct {
	Links []LinkStats
	Units []UnitStats
}

// LinkStats is what one link did.
type LinkStats struct {
	Link         string
	Address      string
	Up           bool   // the last exchange succeeded
	Transactions uint64 // requests sent, answered or not
	// What failed, by cause: no answer in time, an answer that cannot be one,
	// a connection that broke, an exception of the device, an exception of a
	// gateway for a silent device, a dial that failed.
	Timeouts, Garbled, Broken, Exceptions, Unreachable, DialFailures uint64

	Reconnects   uint64        // successful dials after the first
	ScanDuration time.Duration // of the last scan of this link
	MissedScans  uint64        // ticks that passed while a scan was under way
}

// UnitStats is what one unit was given.
type UnitStats struct {
	Unit        string
	Scans       uint64 // scans assembled
	MissedScans uint64 // scans replaced by a newer one before they were taken, or not assembled in time
}

// note counts one exchange.
func (s *LinkStats) note(f fault) {
	s.Transactions++
	switch f {
	case timedOut:
		s.Timeouts++
	case garbled:
		s.Garbled++
	case broken:
		s.Broken++
	case refused, notHere:
		s.Exceptions++
	case unreachable:
		s.Unreachable++
	}
}

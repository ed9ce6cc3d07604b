package history

import (
	"os"
	"time"
)

// Stats is how the store is doing, for metrics and for an alarm about it.
type Stats struct {
	Newest  uint64 // sequence number of the newest entry
	Pending int    // events and runs in memory that the disk has not taken

	Failing     bool      // the last write failed
	LastError   string    // of the last failed write; empty once a write succeeded
	LastErrorAt time.Time // of the last failed write ever; zero for none
	Failures    uint64    // failed writes since Open
	NotDurable  uint64    // events that went out before the disk took them, since Open
	Dropped     uint64    // events and runs lost because the memory for them was full, since Open

	CommittedBytes int64  // put into the log by commits since Open, from SQLite's page count
	SizeBytes      int64  // database and log on the disk
	FreeBytes      int64  // on the disk; -1 where it cannot be asked
	ReserveHeld    bool   // the ballast is on the disk; false: given to events, or none wanted
	Damage         string // empty, or which damaged database was put aside since Open, and why
}

// Stats is a snapshot. It asks the disk for sizes; it never waits for a write
// under way.
func (s *Store) Stats() Stats {
	s.mu.Lock()
	out := s.stats
	out.Newest, out.Pending = s.newest, s.pending.rows()
	path := s.db.path
	out.CommittedBytes = s.db.committed.Load()
	s.mu.Unlock()
	out.SizeBytes = fileSize(path) + fileSize(path+"-wal")
	out.ReserveHeld = s.ballast.size > 0 && fileSize(s.ballast.path) == s.ballast.size
	var err error
	if out.FreeBytes, err = freeBytes(s.opts.Dir); err != nil {
		out.FreeBytes = -1
	}
	return out
}

// Health is how the record stands, in two words for an alarm each.
type Health struct {
	Durable bool // the disk takes what is recorded
	Room    bool // nothing has to be given up for want of space
}

// stuck is how long one write may take before the disk counts as not taking
// it: *common practice, no source*; worn flash pauses for seconds.
const stuck = 10 * time.Second

// Health is the present state. It asks nothing of the disk and waits for no
// write, so it may be called with every scan.
func (s *Store) Health() Health {
	s.mu.Lock()
	defer s.mu.Unlock()
	began := time.Duration(s.writing.Load())
	hangs := began > 0 && time.Since(s.opened)-began > stuck
	return Health{Durable: !s.stats.Failing && !hangs, Room: s.roomy && !s.trimmed}
}

// noteRoom takes down whether the ballast is held. The caller holds s.write
// or is the only one yet.
func (s *Store) noteRoom() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.roomy = !s.ballast.missing()
}

func (s *Store) failing() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.stats.Failing
}

// fileSize is 0 for a file that is not there.
func fileSize(path string) int64 {
	info, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return info.Size()
}

package history

import (
	"encoding/binary"
	"errors"
	"time"
)

// markAhead is how many numbers are reserved at once, so that a full disk
// costs one small synced write per so many events.
const markAhead = 1024

var errNoMark = errors.New("the file of given numbers could not be opened")

// mark remembers, in a slot file that can be overwritten on a full disk, up
// to which sequence number entries may have left the program without being in
// the database. After a restart numbering goes on beyond it. The zero mark
// remembers nothing.
type mark struct {
	s       *slots
	upTo    uint64 // on the disk
	told    bool   // that it cannot remember
	aliasID string
}

// openMark reads the mark. It outlives a replaced database, so that numbers
// go on there as well.
func openMark(f file, alias string) mark {
	m := mark{s: newSlots(f), aliasID: alias}
	if v, err := m.s.read(); err == nil {
		m.upTo = markedIn(v)
	}
	return m
}

// markedIn is the number that a slot remembers; 0 for none.
func markedIn(v slot) uint64 {
	if len(v.payload) != 8 {
		return 0
	}
	return binary.LittleEndian.Uint64(v.payload)
}

// raise makes sure that seq is remembered.
func (m *mark) raise(seq uint64, now time.Time) error {
	if seq <= m.upTo {
		return nil
	}
	return m.set(seq+markAhead, now)
}

// lower gives back the numbers reserved beyond seq once everything stands in
// the database. A failure only leaves a gap in the numbering.
func (m *mark) lower(seq uint64, now time.Time) {
	if m.upTo > seq {
		_ = m.set(seq, now)
	}
}

func (m *mark) set(seq uint64, now time.Time) error {
	if m.s == nil {
		return errNoMark
	}
	if err := m.s.write(now, binary.LittleEndian.AppendUint64(nil, seq)); err != nil {
		return err
	}
	m.upTo = seq
	return nil
}

// alias is an installation id for this process alone.
func (m *mark) alias(agent string) string {
	if m.aliasID == "" {
		m.aliasID = newInstallation(agent)
	}
	return m.aliasID
}

func (m *mark) close() error {
	if m.s == nil {
		return nil
	}
	return m.s.f.Close()
}

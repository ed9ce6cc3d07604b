package history

import (
	"context"
	"fmt"
	"maps"
)

// Cursor is the sequence number up to which the named reader has done its
// work; 0 for a reader that never saved one.
func (s *Store) Cursor(_ context.Context, name string) (uint64, error) {
	if s.closed.Load() {
		return 0, ErrClosed
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.unnumbered {
		return max(s.cursors[name], provisional), nil
	}
	return s.cursors[name], nil
}

// SaveCursor moves the named cursor. It counts at once and reaches the disk
// with the next record, within a minute while Run runs, or at Close: it never
// costs a sync of its own. After a power cut it may stand further back, never
// further on.
func (s *Store) SaveCursor(name string, seq uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cursors[name] == seq || seq > s.last {
		return // a provisional number that came late is one that is not known
	}
	s.cursors[name] = seq
	s.unsaved[name] = true
}

// unsavedCursors copies what differs from the database; the caller holds s.mu.
func (s *Store) unsavedCursors() map[string]uint64 {
	rows := make(map[string]uint64, len(s.unsaved))
	for name := range s.unsaved {
		rows[name] = s.cursors[name]
	}
	return rows
}

// cursorsSaved notes what reached the disk, unless it moved on since; the
// caller holds s.mu.
func (s *Store) cursorsSaved(rows map[string]uint64) {
	maps.DeleteFunc(s.unsaved, func(name string, _ bool) bool {
		seq, written := rows[name]
		return written && seq == s.cursors[name]
	})
}

// loadCursors reads all cursors.
func (d *database) loadCursors(ctx context.Context) (map[string]uint64, error) {
	rows, err := d.any().QueryContext(ctx, "SELECT name, seq FROM cursors")
	if err != nil {
		return nil, fmt.Errorf("cursors: %w", err)
	}
	defer rows.Close()
	cursors := map[string]uint64{}
	for rows.Next() {
		var name string
		var seq int64
		if err := rows.Scan(&name, &seq); err != nil {
			return nil, fmt.Errorf("cursors: %w", err)
		}
		cursors[name] = uint64(seq)
	}
	return cursors, rows.Err()
}

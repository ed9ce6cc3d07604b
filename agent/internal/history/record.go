package history

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"strokebank/rules"
	"strokebank/rules/machine"
)

// batch is what one Record brought.
type batch struct {
	unit     string
	entries  []rules.Entry
	payloads [][]byte // the events as JSON, beside entries
	runs     []machine.Run
	state    []byte // nil: the old one stays
	at       time.Time
}

func (b *batch) rows() int { return len(b.entries) + len(b.runs) }

// Record stores what one step of the unit brought, in one transaction that is
// synced when it returns: the events, the runs, the alarm states that follow
// from the events, and the unit's saved rules state (opaque; nil keeps the old
// one). The events get consecutive sequence numbers. Where nothing is given,
// nothing is written.
//
// An event is never refused because the disk is: entries then come back with
// Durable false and a nil error, and are written later (see Stats). The error
// is for an event that cannot be put into words, and for a closed store. A
// cancelled context does not stop a record under way.
func (s *Store) Record(ctx context.Context, unit string, events []rules.Event, runs []machine.Run, state []byte) ([]rules.Entry, error) {
	if len(events) == 0 && len(runs) == 0 && state == nil {
		return nil, nil
	}
	s.write.Lock()
	defer s.write.Unlock()
	if s.closed.Load() {
		return nil, ErrClosed
	}
	b, err := s.number(unit, events, runs, state)
	if err != nil {
		return nil, fmt.Errorf("record of %s: %w", unit, err)
	}
	s.mu.Lock() // a reader that saves its cursor looks at the last number
	s.last += uint64(len(b.entries))
	s.mu.Unlock()
	if s.flush(context.WithoutCancel(ctx), &b) != nil {
		s.keep(b)
	}
	s.publish(b.entries)
	return b.entries, nil
}

// number gives the events their place and their words.
func (s *Store) number(unit string, events []rules.Event, runs []machine.Run, state []byte) (batch, error) {
	b := batch{unit: unit, runs: runs, state: state, at: s.opts.Now()}
	for _, e := range events {
		payload, err := json.Marshal(e)
		if err != nil {
			return batch{}, fmt.Errorf("event %s of %s: %w", e.Name, e.Source, err)
		}
		seq := s.last + uint64(len(b.entries)) + 1
		b.payloads = append(b.payloads, payload)
		b.entries = append(b.entries, rules.Entry{
			Schema: rules.Schema, ID: entryID(s.db.installation, seq), Seq: seq, Event: e,
		})
	}
	return b, nil
}

func entryID(installation string, seq uint64) string { return fmt.Sprintf("%s-%d", installation, seq) }

// flush writes what is pending, then fresh (which may be nil), and the cursors
// with them, in one transaction. On a full disk it gives the ballast back and
// tries once more; a damaged database is replaced. The caller holds s.write.
func (s *Store) flush(ctx context.Context, fresh *batch) error {
	err := s.tryFlush(ctx, fresh, false)
	if isFull(err) && s.ballast.release() {
		s.log.Warn("disk full: the reserve is given to events", "bytes", s.ballast.size)
		s.noteRoom()
		s.db.keepLogShort(ctx)
		err = s.tryFlush(ctx, fresh, true)
	}
	if isDamaged(err) {
		if err = s.replace(ctx, err); err == nil {
			err = s.tryFlush(ctx, fresh, true)
		}
	}
	s.outcome(err)
	return err
}

func (s *Store) tryFlush(ctx context.Context, fresh *batch, again bool) error {
	s.writing.Store(int64(time.Since(s.opened)))
	defer s.writing.Store(0)
	s.mu.Lock()
	cursors := s.unsavedCursors()
	s.mu.Unlock()
	err := s.db.update(ctx, func() error {
		for i := range s.pending.batches {
			if err := s.db.insert(ctx, &s.pending.batches[i], true); err != nil {
				return err
			}
		}
		if fresh != nil {
			if err := s.db.insert(ctx, fresh, again); err != nil {
				return err
			}
		}
		return s.db.insertCursors(ctx, cursors)
	})
	if err != nil {
		return err
	}
	s.settle(fresh, cursors)
	return nil
}

// settle notes that everything up to now stands in the database.
func (s *Store) settle(fresh *batch, cursors map[string]uint64) {
	late := s.pending.rows() > 0
	if fresh != nil {
		for i := range fresh.entries {
			fresh.entries[i].Durable = true
		}
	}
	s.mu.Lock()
	if n := s.lastEntry(fresh); n > 0 {
		s.durable = n
	}
	s.pending = pending{}
	s.cursorsSaved(cursors)
	s.mu.Unlock()
	if late {
		s.mark.lower(s.last, s.opts.Now())
	}
}

// lastEntry is the number of the newest entry among fresh and the pending; 0
// where there is none. The caller holds s.mu.
func (s *Store) lastEntry(fresh *batch) uint64 {
	if fresh != nil && len(fresh.entries) > 0 {
		return fresh.entries[len(fresh.entries)-1].Seq
	}
	for _, b := range slices.Backward(s.pending.batches) {
		if n := len(b.entries); n > 0 {
			return b.entries[n-1].Seq
		}
	}
	return 0
}

// outcome keeps the figures and says in the log what has changed.
func (s *Store) outcome(err error) {
	s.mu.Lock()
	before := s.stats.LastError
	s.stats.Failing = err != nil
	if err != nil {
		s.stats.LastError, s.stats.LastErrorAt = err.Error(), s.opts.Now()
		s.stats.Failures++
	} else {
		s.stats.LastError = ""
	}
	s.mu.Unlock()
	switch {
	case err != nil && before != err.Error():
		s.log.Error("history is not durable: the disk does not take it", "dir", s.opts.Dir, "error", err)
	case err == nil && before != "":
		s.log.Info("history is durable again", "dir", s.opts.Dir)
	}
}

// publish makes the entries visible and wakes who waits for them.
func (s *Store) publish(entries []rules.Entry) {
	if len(entries) == 0 {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.newest = entries[len(entries)-1].Seq
	close(s.appended)
	s.appended = make(chan struct{})
}

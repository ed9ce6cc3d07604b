package history

import (
	"slices"

	"strokebank/rules"
)

// maxPending bounds the rows (events and runs) kept in memory while the disk
// takes nothing: about 8 MB at a kilobyte a row.
const maxPending = 8192

// pending is what the disk has not taken yet, in order. Store.write must be
// held to change it, Store.mu besides to let readers see the change.
type pending struct {
	batches []batch
}

func (p *pending) rows() int {
	n := 0
	for i := range p.batches {
		n += p.batches[i].rows()
	}
	return n
}

// makeRoom drops the oldest batches without an alarm event, and when there
// are none the oldest of all, until the bound holds. It returns the rows
// dropped. The newest batch always stays. A saved state in a dropped batch
// lives on in the next batch of its unit.
func (p *pending) makeRoom() int {
	dropped := 0
	for p.rows() > maxPending && len(p.batches) > 1 {
		older := p.batches[:len(p.batches)-1]
		i := max(0, slices.IndexFunc(older, func(b batch) bool { return !b.hasAlarm() }))
		gone := p.batches[i]
		dropped += gone.rows()
		p.batches = slices.Delete(p.batches, i, i+1)
		p.inherit(gone, i)
	}
	return dropped
}

func (p *pending) inherit(gone batch, from int) {
	if gone.state == nil {
		return
	}
	for i := from; i < len(p.batches); i++ {
		if p.batches[i].unit != gone.unit {
			continue
		}
		if p.batches[i].state == nil {
			p.batches[i].state, p.batches[i].at = gone.state, gone.at
		}
		return
	}
	gone.entries, gone.payloads, gone.runs = nil, nil, nil
	p.batches = slices.Insert(p.batches, from, gone)
}

func (b *batch) hasAlarm() bool {
	return slices.ContainsFunc(b.entries, func(e rules.Entry) bool { return e.Kind == rules.AlarmEvent })
}

// keep holds a batch that the disk did not take, and remembers on the
// preallocated file that its numbers are given out. Where not even that is
// possible the entries get ids that no other process will ever give.
func (s *Store) keep(b batch) {
	if len(b.entries) > 0 {
		if err := s.mark.raise(s.last, s.opts.Now()); err != nil {
			if !s.mark.told {
				s.log.Error("numbers given out cannot be remembered; the events get ids of their own", "error", err)
				s.mark.told = true
			}
			for i := range b.entries {
				b.entries[i].ID = entryID(s.mark.alias(s.opts.Agent), b.entries[i].Seq)
			}
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stats.NotDurable += uint64(len(b.entries))
	s.pending.batches = append(s.pending.batches, b)
	if n := s.pending.makeRoom(); n > 0 {
		s.stats.Dropped += uint64(n)
	}
}

// pendingAfter copies the entries after seq that are in memory alone.
func (s *Store) pendingAfter(seq uint64) (entries []rules.Entry, durable uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, b := range s.pending.batches {
		for _, e := range b.entries {
			if e.Seq > seq {
				entries = append(entries, e)
			}
		}
	}
	return entries, s.durable
}
